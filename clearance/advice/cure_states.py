"""A job in one of whose states something is wrong goes in; what to leave on, put on or take off for a cut,
so that it is right, comes out, each confirmed.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

from clearance.advice.whole import Budget, Told, of_change, with_present
from clearance.checking.result import Ailment, Cure, Result
from clearance.checking.verdict import check
from clearance.process.account import Account, State
from clearance.scene.model import Scene, Stretch

#: kinds of findings that an item off a cut may be taken off for: it does harm there, or no good
HARM = frozenset({"presses air", "clamp stands on nothing"})
#: at most so many items are tried together
TOGETHER = 2


@dataclass(frozen=True)
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
        with self.budget.step("job", 0.25):
            told = of_change(self.scene, after)
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
        with self.budget.step("heads of some", 0.2):
            pairs = check(replace(after, stretches=stretches, findings=())).pairs
        return all(p.verdict == "clear" for p in pairs)
