"""What else would cure it? A result that is not clear goes in; for its worst items the smallest single
changes that work come out, each confirmed by a check.

The work is bounded: ``ITEMS`` items at most, for each of them ``DISTANCES`` along four or six ways,
``ANGLES``, one parameter, and a check of the changed bodies for each kind of change; a raise is confirmed as
its windows are.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

import numpy as np

from clearance.advice.edits import rebuilt, shifted, turned, upper_raised, with_all_on_them, with_bodies
from clearance.advice.question import Question
from clearance.advice.raises import find_raises
from clearance.advice.shifts import TriedBodies
from clearance.advice.upper import UpperRule
from clearance.checking.result import Ailment, Cure, Pair, Result
from clearance.checking.verdict import check
from clearance.errors import InputError
from clearance.kernels.query import SweepQuery
from clearance.scene.limits import Masses
from clearance.scene.model import Scene
from clearance.scene.overlaps import overlap_findings
from clearance.scene.stability import feet_findings
from clearance.scene.toml_file import MM_PER_UNIT

#: items for which cures are looked for, the worst first
ITEMS = 3
#: distances tried along each way, mm, before the first that works is narrowed down
DISTANCES = tuple(0.2 * 1.5**k for k in range(15))
#: angles tried both ways, degrees
ANGLES = (5.0, 10.0, 15.0, 20.0, 30.0, 45.0, 60.0, 90.0)
#: a distance is answered as a multiple of this, mm
STEP = 0.1
#: parameters of library holders that may be made smaller: a shorter screw
SHORTER = ("screw_below",)
#: of the upper head a raise is answered as a multiple of this, mm
FINE = 0.01


def find_cures(result: Result) -> tuple[Ailment, ...]:
    """For the worst ``ITEMS`` items of a result the single changes that cure them; none is a cure untried."""
    there = {body.name for body in result.scene.bodies}
    bad = [pair for pair in result.pairs if pair.verdict in ("clash", "close") and pair.item in there]
    if not bad:
        return ()
    order = {"clash": 0, "close": 1}
    bad.sort(key=lambda p: (order[p.verdict], np.inf if p.spare is None else p.spare))
    worst: dict[str, Pair] = {}
    for pair in bad:
        worst.setdefault(pair.item, pair)
    search = _CureSearch(result, bad)
    whole = [cure for cure in (search.by_raise(),) if cure is not None]
    ailments = []
    for pair in list(worst.values())[:ITEMS]:
        cures = whole + search.of_upper(pair) + search.of_item(pair)
        cures.sort(key=lambda cure: cure.change)
        ailments.append(Ailment(pair.head, pair.item, pair.cut, pair.verdict, tuple(cures)))
    return tuple(ailments)


class _CureSearch:
    """Finds changes and tries them."""

    def __init__(self, result: Result, bad: Sequence[Pair]) -> None:
        self.scene, self.result, self.bad = result.scene, result, bad
        self.index = {body.name: k for k, body in enumerate(self.scene.bodies)}
        self.leaning = any(s.upper_moves is not None and s.cut is not None for s in self.scene.stretches)
        self._tried: TriedBodies | None = None
        self._findings: set[tuple[str | None, str, str]] | None = None

    @property
    def tried(self) -> TriedBodies:
        if self._tried is None:
            self._tried = TriedBodies(self.scene)
        return self._tried

    # -------------------------------------------------------------------------- everything, the upper head
    def by_raise(self) -> Cure | None:
        """The part zero with all that stands on the table, raised."""
        if self.leaning:
            return None
        try:
            answer = find_raises(self.scene)
        except InputError:
            return None
        s = answer.smallest
        # the windows are confirmed already: by FCL, inside both their ends, for every head and body
        if s is None or s <= 0.0 or answer.verdict != "clear":
            return None
        return Cure(
            "raise", answer.items, s, s, True, f"raise the part zero and all on the table by {s:g} mm"
        )

    def of_upper(self, pair: Pair) -> list[Cure]:
        """The upper head alone, raised."""
        if pair.head != "upper" or self.leaning or self.scene.machine is None:
            return []
        if any(s.levels for s in self.scene.stretches):
            return []  # the program says how high it rides
        room = self.scene.machine.travel.z[1] - max(s.upper_z for s in self.scene.stretches)
        if room <= 0.0:
            return []
        rules = [self._upper_rule(k) for k in range(len(self.scene.stretches))]
        query = SweepQuery(self.scene, only=[self.index[pair.item]])
        gaps = Question(query, (), rules, 0.0, room).hits(True, ("upper", "wire")).windows(0.0, room)
        gaps = [g for g in gaps if g[1] - g[0] >= FINE]
        if not gaps:
            return []
        by = round(np.ceil(gaps[0][0] / FINE + 1e-9) * FINE, 6)
        after = check(self._bare(upper_raised(self.scene, by)))
        if not self._helps(after.pairs, {pair.item}):
            return []
        done = all(p.verdict == "clear" for p in after.pairs)
        text = f"raise the upper head by {by:g} mm (its nozzle flushes from that much farther)"
        return [Cure("raise upper head", (), by, by, done, text)]

    def _upper_rule(self, k: int) -> UpperRule:
        before, after = upper_raised(self.scene, 0.0).stretches[k], upper_raised(self.scene, 1.0).stretches[k]
        goes = after.upper_z > before.upper_z
        z = before.upper_z
        return UpperRule(-np.inf, z) if goes else UpperRule(z, -np.inf)

    def _helps(self, after: Iterable[Pair], items: set[str]) -> bool:
        """Whether the items are clear and nothing is worse than it was."""
        rank = {"clear": 0, "close": 1, "undecided": 2, "clash": 3}
        was = {(p.head, p.item, p.cut): rank[p.verdict] for p in self.result.pairs}
        for p in after:
            if p.item in items and p.verdict != "clear":
                return False
            if rank[p.verdict] > was.get((p.head, p.item, p.cut), 0):
                return False
        return True

    # ----------------------------------------------------------------------------------------- a single item
    def of_item(self, pair: Pair) -> list[Cure]:
        """The item moved, turned, or with a shorter screw."""
        k = self.index[pair.item]
        body = self.scene.bodies[k]
        moving = with_all_on_them(self.scene, [body.name])
        parts = {b for s in self.scene.stretches for b in s.cut_bodies}
        cures: list[Cure] = []
        if body.kind == "machine":
            return cures
        if not parts & set(moving):
            cures += self._moves(k, moving)
            if body.kind == "laid":
                cures += self._turns(k, moving)
        if body.library is not None:
            cures += self._shorter(k)
        return cures

    def _moves(self, k: int, moving: Sequence[int]) -> list[Cure]:
        found = []
        for words, ways in self._ways(k):
            tried = []
            for way in ways:

                def there(d: float, way: np.ndarray = way) -> Scene:
                    return shifted(self.scene, moving, d * way)

                d = self._smallest(there, moving, DISTANCES, STEP)
                if d is not None:
                    tried.append((d, way))
            for d, way in sorted(tried, key=lambda t: t[0]):
                after = shifted(self.scene, moving, d * way)
                if self._works(after, moving):
                    text = f'move "{self.scene.bodies[k].name}" by {d:g} mm {_towards(way, words)}'
                    found.append(self._cure("move", moving, d, d, text, tuple(float(x) for x in way)))
                    break
        return found

    def _ways(self, k: int) -> list[tuple[str, list[np.ndarray]]]:
        """Ways to move, both directions of each: along what it stands on, X, Y."""
        x, y = np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])
        ways = [("", [x, -x]), ("", [y, -y])]
        body = self.scene.bodies[k]
        if body.stands_on is not None:
            base = self.scene.bodies[self.index[body.stands_on]]
            along = base.T_MI[:3, 0] * np.array([1.0, 1.0, 0.0])
            length = float(np.hypot(along[0], along[1]))
            if length > 0.5:
                along = along / length
                words = f'along "{base.name}"'
                if min(abs(along[0]), abs(along[1])) < 1e-9:
                    at = 0 if abs(along[0]) > 0.5 else 1
                    ways[at] = (words, ways[at][1])
                else:
                    ways.insert(0, (words, [along, -along]))
        return ways

    def _turns(self, k: int, moving: Sequence[int]) -> list[Cure]:
        body = self.scene.bodies[k]
        about = body.T_MI[:2, 3]
        reach = max(
            float(np.hypot(*(self.scene.bodies[m].triangles_M[..., :2] - about).reshape(-1, 2).T).max())
            for m in moving
        )
        for angle in ANGLES:
            for way in (1.0, -1.0):
                after = turned(self.scene, moving, about, way * angle)
                if self.tried.clear(after.bodies, moving) and self._works(after, moving):
                    change = 2.0 * reach * float(np.sin(np.radians(angle) / 2.0))
                    text = f'turn "{body.name}" by {way * angle:+g} degrees about Z'
                    return [self._cure("turn", moving, way * angle, change, text)]
        return []

    def _shorter(self, k: int) -> list[Cure]:
        body = self.scene.bodies[k]
        params = body.library.params if body.library is not None else {}
        found = []
        for name in SHORTER:
            had = params.get(name)
            if not isinstance(had, float) or not had:
                continue

            def there(by: float, name: str = name, had: float = had) -> Scene:
                return with_bodies(self.scene, {k: rebuilt(body, {name: had - by})})

            steps = [had * share for share in (0.1, 0.2, 0.35, 0.5, 0.7, 0.85, 1.0)]
            by = self._smallest(there, [k], steps, STEP)
            if by is None:
                continue
            after = there(by)
            if self._works(after, [k]):
                left = had - by
                unit = MM_PER_UNIT[self.scene.units]
                what = (
                    f"{name} = {left / unit:.6g} instead of {had / unit:.6g}"
                    if left
                    else f"{name} = 0, none at all"
                )
                text = f'give "{body.name}" a shorter screw: {what}'
                found.append(self._cure("shorten", [k], by, by, text))
        return found

    def _smallest(
        self, there: Callable[[float], Scene], moving: Sequence[int], steps: Sequence[float], grain: float
    ) -> float | None:
        """The first of the steps at which the bodies are clear, then down towards the one before it."""

        def clear(by: float) -> bool:
            try:
                return self.tried.clear(there(by).bodies, moving)
            except InputError:
                return False

        low = 0.0
        for high in steps:
            if clear(high):
                break
            low = high
        else:
            return None
        while high - low > grain / 4.0:
            middle = (low + high) / 2.0
            low, high = (low, middle) if clear(middle) else (middle, high)
        whole = round(float(np.ceil(high / grain - 1e-9)) * grain, 6)
        return whole if whole <= max(steps) and clear(whole) else high

    def _works(self, after: Scene, moving: Sequence[int]) -> bool:
        """Whether a check of the changed bodies is clear, and they cut into no others and keep their hold."""
        wanted = set(moving)
        stretches = tuple(
            replace(s, bodies=tuple(b for b in s.bodies if b in wanted)) for s in after.stretches
        )
        pairs = check(replace(self._bare(after), stretches=stretches)).pairs
        if any(p.verdict != "clear" for p in pairs):
            return False
        return self._said(after) <= self._said_before()

    def _said_before(self) -> set[tuple[str | None, str, str]]:
        if self._findings is None:
            self._findings = self._said(self.scene)
        return self._findings

    def _said(self, scene: Scene) -> set[tuple[str | None, str, str]]:
        """What stands in what, or would tip: kind, severity and whom it is about."""
        together = [s.bodies for s in scene.stretches if s.cut is not None]
        items = [b for b in scene.bodies if b.item is not None]
        found = overlap_findings(scene.bodies, together) + feet_findings(
            scene.bodies, together, Masses(items)
        )
        return {
            (f.item, f.kind, _without_figures(f.message))
            for f in found
            if f.severity != "note" or f.kind == "overlap"
        }

    def _cure(
        self,
        kind: str,
        moving: Sequence[int],
        by: float,
        change: float,
        text: str,
        along: tuple[float, ...] | None = None,
    ) -> Cure:
        names = tuple(self.scene.bodies[m].name for m in moving)
        done = {p.item for p in self.bad} <= set(names)
        return Cure(kind, names, by, change, done, text, along)  # type: ignore[arg-type]

    def _bare(self, scene: Scene) -> Scene:
        """Without what reading found: it is about the scene as planned."""
        return replace(scene, findings=())


def _without_figures(message: str) -> str:
    return "".join(c for c in message if not c.isdigit() and c != ".")


def _towards(way: np.ndarray, words: str) -> str:
    for axis, name in enumerate("XY"):
        if abs(abs(way[axis]) - 1.0) < 1e-9:
            sign = "+" if way[axis] > 0 else "-"
            return f"towards {name}{sign}" + (f", {words}" if words else "")
    x, y = (f"{way[a]:+.3f}" for a in (0, 1))
    return f"{words}, towards X {x} Y {y}"
