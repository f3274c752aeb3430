"""An item that is in a head's way goes in; single changes to it that cure it come out, each confirmed.

The item, with all that stands on it, moved, turned, or with a shorter screw. A change counts where every head
runs free of what it changes, margins kept, and the whole job says nothing that it did not say before.

Where something is wrong in a state of the job, what to leave on, put on or take off for a cut is tried
instead.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import combinations
from typing import Literal

import numpy as np

from clearance.advice.edits import rebuilt, shifted, turned, with_all_on_them, with_bodies
from clearance.advice.shifts import TriedBodies
from clearance.advice.whole_job import Budget, Told, of_change, with_present
from clearance.checking.result import Ailment, Cure, Pair, Result
from clearance.checking.verdict import check
from clearance.errors import InputError
from clearance.process.account import Account, State
from clearance.process.check import wrong_in
from clearance.process.known import Known
from clearance.records import record
from clearance.scene.model import Body, Scene, Stretch
from clearance.scene.toml_file import MM_PER_UNIT

#: distances tried along each way, mm, before the first that works is narrowed down
DISTANCES = tuple(0.2 * 1.5**k for k in range(15))
#: angles tried both ways, degrees
ANGLES = (5.0, 10.0, 15.0, 20.0, 30.0, 45.0, 60.0, 90.0)
#: a distance is answered as a multiple of this, mm
STEP = 0.1
#: parameters of library holders that may be made smaller: a shorter screw
SHORTER = ("screw_below",)


class ItemCures:
    """Changes to single items of a scene.

    Args:
        scene: as judged.   before: what the job says of it.   bad: names of all items in a head's way
            or too near.   budget: ends the search with ``Interrupted``.
    """

    def __init__(self, scene: Scene, before: Told, bad: set[str], budget: Budget) -> None:
        self.scene, self.before, self.bad, self.budget = scene, before, bad, budget
        self.index = {body.name: k for k, body in enumerate(scene.bodies)}
        self._tried: TriedBodies | None = None

    @property
    def tried(self) -> TriedBodies:
        if self._tried is None:
            self._tried = TriedBodies(self.scene)
        return self._tried

    def of(self, pair: Pair) -> Iterator[Cure]:
        """The changes to the item of a pair that cure it.

        Raises:
            Interrupted: the time is over; there may be more.
        """
        k = self.index[pair.item]
        body = self.scene.bodies[k]
        if body.kind == "machine":
            return
        moving = with_all_on_them(self.scene, [body.name])
        parts = {b for s in self.scene.stretches for b in s.cut_bodies}
        if not parts & set(moving):
            yield from self._moves(k, moving)
            if body.kind == "laid":
                yield from self._turns(k, moving)
        # what a parameter of the shop's own does nobody knows by its name
        if body.library is not None and not body.library.kind.file:
            yield from self._shorter(k)

    # ------------------------------------------------------------------------------------ what can be changed
    def _moves(self, k: int, moving: Sequence[int]) -> Iterator[Cure]:
        for words, ways in self._ways(k):
            tried = []
            for way in ways:

                def there(d: float, way: np.ndarray = way) -> Scene:
                    return shifted(self.scene, moving, d * way)

                d = self._smallest(there, moving, DISTANCES, STEP)
                if d is not None:
                    tried.append((d, way))
            for d, way in sorted(tried, key=lambda t: t[0]):
                after = self._confirmed(shifted(self.scene, moving, d * way), moving)
                if after is not None:
                    body = self.scene.bodies[k]
                    where = _stands_in(body, "at", "its place")
                    text = f'move "{body.name}" by {d:g} mm {_towards(way, words)}{where}'
                    along = (float(way[0]), float(way[1]), float(way[2]))
                    yield self._cure("move", moving, d, d, text, after, along)
                    break

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

    def _turns(self, k: int, moving: Sequence[int]) -> Iterator[Cure]:
        body = self.scene.bodies[k]
        about = body.T_MI[:2, 3]
        reach = max(
            float(np.hypot(*(self.scene.bodies[m].triangles_M[..., :2] - about).reshape(-1, 2).T).max())
            for m in moving
        )
        for angle in ANGLES:
            for way in (1.0, -1.0):
                there = turned(self.scene, moving, about, way * angle)
                after = self._confirmed(there, moving) if self._runs_free(there, moving) else None
                if after is not None:
                    change = 2.0 * reach * float(np.sin(np.radians(angle) / 2.0))
                    where = _stands_in(body, "turn", "its turn")
                    text = f'turn "{body.name}" by {way * angle:+g} degrees about Z{where}'
                    yield self._cure("turn", moving, way * angle, change, text, after)
                    return

    def _shorter(self, k: int) -> Iterator[Cure]:
        body = self.scene.bodies[k]
        params = body.library.params if body.library is not None else {}
        for name in SHORTER:
            had = params.get(name)
            if not isinstance(had, float) or not had:
                continue

            def there(by: float, name: str = name, had: float = had) -> Scene:
                return with_bodies(self.scene, {k: rebuilt(body, {name: had - by})})

            steps = [had * share for share in (0.1, 0.2, 0.35, 0.5, 0.7, 0.85, 1.0)]
            by = self._smallest(there, [k], steps, STEP)
            after = None if by is None else self._confirmed(there(by), [k])
            if by is not None and after is not None:
                left = had - by
                key = f"params.{name}"
                said_in = self.scene.units if body.written is None else body.written.of(key)[1]
                unit = MM_PER_UNIT[said_in]
                what = (
                    f"{name} = {left / unit:.6g} instead of {had / unit:.6g}"
                    if left
                    else f"{name} = 0, none at all"
                )
                text = f'give "{body.name}" a shorter screw: {what}{_stands_in(body, key, name)}'
                yield self._cure("shorten", [k], by, by, text, after)

    # ------------------------------------------------------------------------------------- how it is tried
    def _runs_free(self, there: Scene, moving: Sequence[int]) -> bool:
        with self.budget.step("tried", 0.01):
            return self.tried.clear(there.bodies, moving)

    def _smallest(
        self, there: Callable[[float], Scene], moving: Sequence[int], steps: Sequence[float], grain: float
    ) -> float | None:
        """The first of the steps at which the bodies are clear, then down towards the one before it."""

        def clear(by: float) -> bool:
            try:
                return self._runs_free(there(by), moving)
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

    def _confirmed(self, after: Scene, moving: Sequence[int]) -> Told | None:
        """What the job says with the bodies changed; None where they are not clear, or it says more."""
        wanted = set(moving)
        stretches = tuple(
            replace(s, bodies=tuple(b for b in s.bodies if b in wanted)) for s in after.stretches
        )
        # what reading found is about the scene as planned
        with self.budget.step("heads of some", 0.15):
            pairs = check(replace(after, stretches=stretches, findings=())).pairs
        if any(p.verdict != "clear" for p in pairs):
            return None
        with self.budget.step("job", 0.25):
            told = of_change(self.scene, after)
        return told if told.grave <= self.before.grave else None

    def _cure(
        self,
        kind: Literal["move", "turn", "shorten"],
        moving: Sequence[int],
        by: float,
        change: float,
        text: str,
        after: Told,
        along: tuple[float, float, float] | None = None,
    ) -> Cure:
        names = tuple(self.scene.bodies[m].name for m in moving)
        done = self.bad <= set(names) and after.clear
        return Cure(kind, names, by, change, done, text, along)


def _stands_in(body: Body, key: str, what: str) -> str:
    """In which file a value stands, where that is a pallet's."""
    file = None if body.written is None else body.written.of(key)[0]
    return "" if body.written is None or file != body.written.file else f" ({what} stands in {file})"


def _towards(way: np.ndarray, words: str) -> str:
    for axis, name in enumerate("XY"):
        if abs(abs(way[axis]) - 1.0) < 1e-9:
            sign = "+" if way[axis] > 0 else "-"
            return f"towards {name}{sign}" + (f", {words}" if words else "")
    x, y = (f"{way[a]:+.3f}" for a in (0, 1))
    return f"{words}, towards X {x} Y {y}"


#: kinds of findings that an item off a cut may be taken off for: it does harm there, or no good
HARM = frozenset({"presses air", "clamp stands on nothing"})
#: at most so many items are tried together
TOGETHER = 2


@record
class _Change:
    """Some bodies, there or not, for some cuts; ``verb`` says what the setter does."""

    verb: str
    bodies: tuple[int, ...]
    cuts: tuple[str, ...]
    on: bool


class StateCures:
    """What is there for each cut, changed.

    Args:
        result: with its states.   before: what the job says.   bad: names of items that are in a head's way.
        budget: ends the search.
    """

    def __init__(self, result: Result, before: Told, bad: set[str], budget: Budget) -> None:
        self.scene: Scene = result.scene
        self.account: Account | None = before.account
        self.before, self.bad, self.budget = before, bad, budget
        self.known = Known()
        self.cuts: dict[str, Stretch] = {s.name: s for s in self.scene.stretches if s.cut is not None}

    def wrong(self) -> list[State]:
        """The states in which something is wrong, the first of each cut."""
        found: dict[str, State] = {}
        for state in () if self.account is None else self.account.states:
            if state.verdict != "clear":
                found.setdefault(state.cut, state)
        return list(found.values())

    def of(self, state: State) -> Ailment | None:
        """What cures a state; None where there is nothing that could be left on, put on or taken off.

        Raises:
            Interrupted: the time is over.
        """
        changes = list(self._changes(state))
        cures: list[Cure] = []
        for change in changes:
            if cures and len(change.bodies) > len(cures[-1].items):
                break  # one item is enough
            cure = self._tried(change, state)
            if cure is not None:
                cures.append(cure)
        if not changes:
            return None
        about = next((f for f in self.before.findings if f.state == state.n and f.severity != "note"), None)
        item = state.cut if about is None or about.item is None else about.item
        return Ailment(None, item, state.cut, state.verdict, tuple(cures), state.n)

    def _changes(self, state: State) -> Iterator[_Change]:
        """What may be tried, one item before two, this cut before all in which something is wrong."""
        here = self.cuts[state.cut]
        sometimes = {k for s in self.cuts.values() for k in s.bodies}
        off = sorted(k for k in sometimes - set(here.bodies) if self.scene.bodies[k].kind != "part")
        harm = {f.item for f in self.before.findings if f.kind in HARM and f.cut == state.cut}
        others = [s.cut for s in self.wrong() if s.cut != state.cut]
        for k in here.bodies:
            if self.scene.bodies[k].name in harm:
                yield _Change("take", (k,), (state.cut,), False)
        for count in range(1, min(TOGETHER, len(off)) + 1):
            for bodies in combinations(off, count):
                verb = self._verb(bodies, here)
                yield _Change(verb, bodies, (state.cut,), True)
                also = [c for c in others if not set(bodies) & set(self.cuts[c].bodies)]
                if also:
                    yield _Change(verb, bodies, self._in_order([state.cut, *also]), True)

    def _in_order(self, cuts: Sequence[str]) -> tuple[str, ...]:
        return tuple(name for name in self.cuts if name in cuts)

    def _verb(self, bodies: Sequence[int], here: Stretch) -> str:
        """What is there for the cut before is left on; else it is put on."""
        names = list(self.cuts)
        at = names.index(here.name)
        before = self.cuts[names[at - 1]].bodies if at else ()
        return "leave" if set(bodies) <= set(before) else "put"

    def _tried(self, change: _Change, state: State) -> Cure | None:
        """The change as a cure, where heads run free of what is put there and the job says no more."""
        on, off = (change.bodies, ()) if change.on else ((), change.bodies)
        after = with_present(self.scene, change.cuts, on, off)
        with self.budget.step("a part of the job", 0.05):
            if wrong_in(after, state.cut, self.known):
                return None
        with self.budget.step("job", 0.25):
            told = of_change(self.scene, after, self.known)
        if state.cut in told.bad_cuts() or not told.grave <= self.before.grave:
            return None
        if on and not self._runs_free(after, set(on)):
            return None
        names = tuple(self.scene.bodies[k].name for k in change.bodies)
        items = " and ".join(f'"{name}"' for name in names)
        cuts = " and ".join(f'"{name}"' for name in change.cuts)
        text = f"{change.verb} {items} {'on' if change.on else 'off'} for {cuts}"
        kind = f"{change.verb} {'on' if change.on else 'off'}"
        return Cure(kind, names, 0.0, 0.0, not self.bad and told.clear, text)

    def _runs_free(self, after: Scene, on: set[int]) -> bool:
        """Whether all heads run free of what was put there, where it was not before."""
        stretches = tuple(
            replace(new, bodies=tuple(k for k in new.bodies if k in on and k not in old.bodies))
            for new, old in zip(after.stretches, self.scene.stretches, strict=True)
        )
        stretches = tuple(s for s in stretches if s.bodies)
        with self.budget.step("heads of some", 0.15):
            pairs = check(replace(after, stretches=stretches, findings=())).pairs
        return all(p.verdict == "clear" for p in pairs)
