"""What else would cure it? A result that is not clear goes in; single changes that work come out, each
confirmed against the whole job: heads, states, what carries and holds, threading.

First what clears everything at once: all on the table raised, the upper head raised; then, for each state in
which something is wrong, what to leave on or take off; then changes to each item, the worst first. It does
about as much work as the check did, counted by its steps, and says what it did not get to.

``every_nozzle`` says what the job says with each set of nozzles that the machine file names: each set is read
and judged as the setup would be that names it: nothing is carried over.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from clearance.advice.confirm import runs_free
from clearance.advice.cure_items import ItemCures, StateCures
from clearance.advice.edits import UpperRule, raised, upper_raised, with_all_on_them
from clearance.advice.question import RaiseQuestion
from clearance.advice.raises import find_raises
from clearance.advice.shifts import TriedBodies
from clearance.advice.whole_job import Budget, Interrupted, Told, as_told, of_change, of_raise
from clearance.checking.pairs import judge
from clearance.checking.result import (
    OTHER_NOZZLES,
    Ailment,
    Cure,
    Cures,
    Pair,
    Result,
    WithNozzles,
)
from clearance.checking.verdict import Progress
from clearance.errors import ClearanceError, InputError
from clearance.kernels.query import SweepQuery
from clearance.process.check import check, told
from clearance.scene.load import load
from clearance.scene.model import Scene
from clearance.scene.nozzles import OWN

#: worst first
_ORDER = ("clash", "undecided", "close", "clear", "note")


def mounted(scene: Scene) -> str:
    """The name of what is mounted."""
    return scene.known_machine.nozzles or OWN


def with_other(scene: Scene, name: str) -> Scene:
    """The job read anew with other nozzles.

    Args:
        scene: as it was read (``Scene.reading``).   name: one of ``Scene.sets``.

    Raises:
        InputError: it cannot be set up so.
    """
    assert scene.reading is not None
    return load(scene.setup_file, replace(scene.reading, nozzles=name))


def every_nozzle(result: Result, progress: Progress | None = None) -> tuple[WithNozzles, ...]:
    """The job with each set of nozzles, in the order of the machine file, the machine's own heads first.

    Args:
        result: of the job as it was read, with the nozzles that it chooses.
        progress: is told the share done.

    Raises:
        InputError: the machine file names no sets, or the job was changed since it was read.
    """
    scene = result.scene
    if not scene.sets:
        found = f'the machine "{scene.known_machine.name}" has its own heads only'
        raise InputError(None, "--every-nozzle", found, "sets of nozzles stand in [[nozzles]] of its file")
    if scene.reading is None:
        found = "the setup was changed since it was read"
        raise InputError(None, "--every-nozzle", found, "write the change into the setup file first")
    told = []
    for k, name in enumerate(scene.sets):
        if progress is not None:
            progress(k / len(scene.sets), f"checking with {name}")
        if name == mounted(scene):
            told.append(summary(name, result, chosen=True))
            continue
        try:
            told.append(summary(name, check(with_other(scene, name))))
        except ClearanceError as error:
            told.append(WithNozzles(name, message=str(error)))
    return tuple(told)


def summary(name: str, result: Result, chosen: bool = False) -> WithNozzles:
    """What a job says in one line: its verdict, the least to spare, and what limits it.

    Args:
        name: of the nozzles.   result: with them.   chosen: the setup chooses them.
    """
    spares = [pair.spare for pair in result.pairs if pair.spare is not None]
    worst = min(
        result.pairs, key=lambda p: (_ORDER.index(p.verdict), _far(p.spare), p.clearance), default=None
    )
    if worst is not None and worst.verdict != result.verdict:
        worst = None
    grave = sorted((f for f in result.findings), key=lambda f: _ORDER.index(f.severity))
    finding = None if worst is not None else next((f for f in grave if f.severity == result.verdict), None)
    return WithNozzles(
        name,
        chosen=chosen,
        wire=result.scene.known_machine.wire,
        verdict=result.verdict,
        spare=min(spares, default=None),
        pair=worst,
        item=worst.item if worst is not None else None if finding is None else finding.item,
        message=None if finding is None else finding.message,
    )


def _far(spare: float | None) -> float:
    return float("inf") if spare is None else spare


#: findings that other nozzles may cure, besides what the heads meet
OF_HEADS = frozenset({"lean", "travel"})
#: items for which cures are looked for, the worst first
ITEMS = 3
#: of the upper head a raise is answered as a multiple of this, mm
FINE = 0.01
#: a check as it is counted, s: any at all, for each pair of head and item, for each facet and a twentieth of
#: a move; about what a usual computer takes, so that it is known of how many checks a small job is worth
OF_ANY, OF_A_PAIR, OF_A_FACET = 0.3, 0.0015, 2e-6
#: so much is looked for cures of a job that is checked in no time, s as counted: nobody waits for that
LEAST_TIME = 1.0
#: a search ends in any case once it has taken so many times as long as the check, or as it may at least
AT_MOST = 2.0


def _budget(result: Result) -> Budget:
    """As much work as a check is; the clock ends alone what takes far longer than it was counted."""
    scene = result.scene
    facets = sum(len(body.triangles_M) for body in scene.bodies)
    moves = sum(len(stretch.moves) for stretch in scene.stretches)
    counted = OF_ANY + OF_A_PAIR * len(result.pairs) + OF_A_FACET * (facets + 20 * moves)
    # neither longer by the clock nor by the processor's time, however many processes checked
    took = min(result.check_s, result.spent_s or result.check_s)
    return Budget(AT_MOST * max(took, LEAST_TIME), work=max(1.0, LEAST_TIME / counted))


def find_cures(result: Result, budget: Budget | None = None) -> Cures:
    """For what is wrong in a result the single changes that cure it; none is a cure untried.

    Args:
        budget: how much to look at; about as much work as the check was where None.
    """
    there = {body.name for body in result.scene.bodies}
    bad = [pair for pair in result.pairs if pair.verdict in ("clash", "close") and pair.item in there]
    order = {"clash": 0, "close": 1}
    bad.sort(key=lambda p: (order[p.verdict], np.inf if p.spare is None else p.spare))
    search = _CureSearch(result, bad, budget or _budget(result))
    return search.run()


class _CureSearch:
    """Finds changes and tries them."""

    def __init__(self, result: Result, bad: Sequence[Pair], budget: Budget) -> None:
        self.scene, self.result, self.bad, self.budget = result.scene, result, bad, budget
        self.leaning = any(s.upper_moves is not None and s.cut is not None for s in self.scene.stretches)
        self.before = as_told(result)
        #: whoever is not clear of all heads; what is undecided stays so
        self.names = {p.item for p in result.pairs if p.verdict != "clear"}
        self.left: list[str] = []

    def run(self) -> Cures:
        states = StateCures(self.result, self.before, self.names, self.budget)
        wrong = states.wrong()
        heads = bool(self.scene.sets) and any(
            f.kind in OF_HEADS and f.severity == "close" for f in self.result.findings
        )
        if not self.bad and not wrong and not heads:
            return Cures((), (), ())
        whole: list[Cure] = []
        ways = [(self.by_nozzles, OTHER_NOZZLES)] if self.bad or heads else []
        if self.bad:
            ways = [(self.by_raise, "all on the table"), *ways, (self.by_upper, "the upper head")]
        for way, item in ways:
            try:
                whole += way()
            except Interrupted:
                self.left.append(item)
        ailments: list[Ailment] = []
        for state in wrong:
            try:
                found = states.of(state)
            except Interrupted:
                self.left.append(state.cut)
                continue
            if found is not None:
                ailments.append(found)
        ailments += self._of_items(whole)
        cures = [*whole, *(cure for ailment in ailments for cure in ailment.cures)]
        clearing = {cure.text: cure for cure in cures if cure.all}
        return Cures(
            tuple(sorted(clearing.values(), key=lambda c: c.change)), tuple(ailments), tuple(self.left)
        )

    def _of_items(self, whole: Sequence[Cure]) -> list[Ailment]:
        """The worst items, each with what cures it, and with what cures all that the heads meet."""
        worst: dict[str, Pair] = {}
        for pair in self.bad:
            worst.setdefault(pair.item, pair)
        items = ItemCures(self.scene, self.before, self.names, self.budget)
        heads = {item: {p.head for p in self.bad if p.item == item} for item in worst}
        found = []
        for k, (item, pair) in enumerate(worst.items()):
            if k >= ITEMS or self.budget.over:
                self.left.append(item)
                continue
            cures = [c for c in whole if c.all or heads[item] <= _heads_of(c)]
            try:
                if not any(c.kind == "raise upper head" for c in cures):
                    cures += self._upper(pair.item)
                for cure in items.of(pair):
                    cures.append(cure)
            except Interrupted:
                self.left.append(item)
                if not cures:
                    continue
            cures.sort(key=lambda cure: cure.change)
            found.append(Ailment(pair.head, pair.item, pair.cut, pair.verdict, tuple(cures)))
        return found

    # -------------------------------------------------------------------------- everything, the upper head
    def by_raise(self) -> list[Cure]:
        """The part zero with all that stands on the table, raised."""
        if self.leaning:
            return []
        try:
            with self.budget.step("raises", 0.3):
                answer = find_raises(self.scene, touch_free=False, job=False)
        except InputError:
            return []
        s = answer.smallest
        # the windows are confirmed already: by FCL, inside both their ends, for every head and body
        if s is None or s <= 0.0 or answer.verdict != "clear":
            return []
        with self.budget.step("raised", 0.1):
            after = of_raise(self.before, raised(self.scene, with_all_on_them(self.scene, None), s))
        if not after.grave <= self.before.grave:
            return []
        done = after.clear and all(p.verdict in ("clear", "clash", "close") for p in self.result.pairs)
        text = f"raise the part zero and all on the table by {s:g} mm"
        return [Cure("raise", answer.items, s, s, done, text)]

    def by_nozzles(self) -> list[Cure]:
        """Other nozzles with which the whole job is clear, where all else stands as it was read."""
        scene = self.scene
        if not scene.sets or scene.reading is None:
            return []
        found = []
        for name in scene.sets:
            if name == mounted(scene):
                continue
            try:
                with self.budget.step("nozzles", 0.1):
                    there = with_other(scene, name)
                    free = TriedBodies(there).clear(there.bodies, range(len(there.bodies)))
            except InputError:
                continue  # it cannot be set up so
            if free and self._all_clear(there):
                text = f'mount other nozzles: nozzles = "{name}" in [heads]'
                found.append(Cure("nozzles", (), 0.0, 0.0, True, text))
        return found

    def _all_clear(self, there: Scene) -> bool:
        """Whether the whole job is clear with other nozzles."""
        before, after = self.scene.known_machine, there.known_machine
        same = (before.lower_head, before.lower_z) == (after.lower_head, after.lower_z) and not self.leaning
        kept = [pair for pair in self.result.pairs if same and pair.head == "lower"]
        if any(pair.verdict != "clear" for pair in kept):
            return False
        # by the flat view all run free there already
        with self.budget.step("free heads", 0.15):
            query = SweepQuery(there)
            runs = [run for run in query.runs if not (same and run.head == "lower")]
            if not runs_free(query, runs):
                return False
        with self.budget.step("job", 0.25):
            findings, account = told(there)
        return Told(tuple(findings), account).clear

    def by_upper(self) -> list[Cure]:
        """The upper head alone, raised until it is clear of all."""
        if not any(p.head == "upper" for p in self.bad):
            return []
        return self._upper(None)

    def _upper(self, item: str | None) -> list[Cure]:
        """The upper head raised until it is clear of one item, or of all."""
        wanted = {p.item for p in self.bad if p.head == "upper"} if item is None else {item}
        concerned = {p.head for p in self.bad if p.item in wanted}
        if "upper" not in concerned or (item is not None and "lower" in concerned):
            return []
        if self.leaning or self.scene.machine is None or any(s.levels for s in self.scene.stretches):
            return []  # on a taper its path changes; or the program says how high it rides
        room = self.scene.machine.travel.z[1] - max(s.upper_z for s in self.scene.stretches)
        if room <= 0.0:
            return []
        rules = [self._upper_rule(k) for k in range(len(self.scene.stretches))]
        index = {body.name: k for k, body in enumerate(self.scene.bodies)}
        query = SweepQuery(self.scene, only=None if item is None else [index[item]])
        with self.budget.step("upper raises", 0.15):
            gaps = RaiseQuestion(query, (), rules, 0.0, room).hits(True, ("upper", "wire")).windows(0.0, room)
        gaps = [g for g in gaps if g[1] - g[0] >= FINE]
        if not gaps:
            return []
        by = round(float(np.ceil(gaps[0][0] / FINE + 1e-9)) * FINE, 6)
        there = upper_raised(self.scene, by)
        query, pairs = SweepQuery(there), []
        runs = [run for run in query.runs if run.head != "lower"]
        free = False
        if item is None:
            # by the flat view all of them run free so high up
            with self.budget.step("free heads", 0.15):
                free = runs_free(query, runs)
        if not free:
            with self.budget.step("heads", 0.5):
                pairs = [pair for one in judge(query, runs) for pair in one.pairs]
            if not self._helps(pairs, wanted):
                return []
        with self.budget.step("job", 0.25):
            after = of_change(self.scene, there)
        if not after.grave <= self.before.grave:
            return []
        lower = [p for p in self.result.pairs if p.head == "lower"]
        done = after.clear and all(p.verdict == "clear" for p in [*pairs, *lower])
        text = f"raise the upper head by {by:g} mm (its nozzle flushes from that much farther)"
        return [Cure("raise upper head", (), by, by, done, text)]

    def _upper_rule(self, k: int) -> UpperRule:
        before, after = upper_raised(self.scene, 0.0).stretches[k], upper_raised(self.scene, 1.0).stretches[k]
        goes = after.upper_z > before.upper_z
        z = before.upper_z
        return UpperRule(-np.inf, z) if goes else UpperRule(z, -np.inf)

    def _helps(self, after: Sequence[Pair], items: set[str]) -> bool:
        """Whether the items are clear and nothing is worse than it was."""
        rank = {"clear": 0, "close": 1, "undecided": 2, "clash": 3}
        was = {(p.head, p.item, p.cut): rank[p.verdict] for p in self.result.pairs}
        for p in after:
            if p.item in items and p.verdict != "clear":
                return False
            if rank[p.verdict] > was.get((p.head, p.item, p.cut), 0):
                return False
        return True


def _heads_of(cure: Cure) -> set[str]:
    """The heads that a change to all clears of everything."""
    return {"upper", "wire"} if cure.kind == "raise upper head" else {"lower", "upper", "wire"}
