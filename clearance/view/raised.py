"""A judged result and the answer about its raises go in; verdict and clearances at any raise come out.

The verdict is read off the windows of raises. The clearances are those of the heads' profiles, lifted against
the bodies that stay and lowered against those that rise: what that needs is made once, and
a figure known at one raise bounds it at the next, for a raise by s changes no distance by more than s.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from clearance.advice.edits import UpperRule, heights_change, lifted, raised, upper_rules
from clearance.advice.raises import RaiseAnswer, chosen
from clearance.checking.result import SEVERITIES, Pair, Result
from clearance.kernels.query import HeadPart, HeadRun, SweepQuery, Witness
from clearance.records import record
from clearance.scene.heads import HeadPiece
from clearance.scene.model import Stretch

Point = NDArray[np.float64]

#: a clearance beyond this is not measured, mm
HORIZON = 25.0
#: seconds that a slider may wait while it is dragged
AT_ONCE = 0.25
#: the slider's step, mm
STEP = 0.1
#: the slider goes at least so high, mm, and so far above the lowest window's beginning
LEAST_RANGE, ABOVE = 20.0, 10.0


@record
class RaisedPair:
    """One head against one item at a raise; ``clearance`` None: more than ``HORIZON``. Points (3,)."""

    head: str
    item: str
    cut: str
    verdict: str
    clearance: float | None
    on_head: Point | None = None
    on_item: Point | None = None


@record
class AtRaise:
    """The answer at the raise ``by``, mm; the rows begin with the worst."""

    by: float
    verdict: str
    rows: tuple[RaisedPair, ...]


class Raised:
    """Asked at one raise after the other."""

    def __init__(self, result: Result, answer: RaiseAnswer) -> None:
        self.result, self.answer = result, answer
        self.scene = result.scene
        self.rising = chosen(self.scene, answer.items)
        self.rules = upper_rules(self.scene, self.rising)
        self._pairs = {(p.head, p.item, p.cut): p for p in result.pairs}
        self._there = 0.0, self.scene
        #: seconds that the last raise took to measure; none yet
        self.took = np.inf
        self._known: dict[float, AtRaise] = {}
        self._last: tuple[float, dict[tuple[int, int, int], float]] = (np.inf, {})
        self.query = SweepQuery(self.scene)
        #: on a taper the guides' paths change with the raise, and nothing can be kept
        self.paths_change = any(s.upper_moves is not None and s.cut is not None for s in self.scene.stretches)
        self.paths_change |= heights_change(self.scene, self.rules)

    @property
    def range(self) -> tuple[float, float]:
        """The raises that the slider offers, mm."""
        first, last = self.answer.range
        ends = [b for a, _ in self.answer.windows for b in (a,)] or [0.0]
        return first, min(last, max(first + LEAST_RANGE, max(ends) + ABOVE))

    def snapped(self, by: float) -> float:
        """The raise on the slider's scale that is nearest; the smallest one that clears all is on it too."""
        first, last = self.range
        by = min(max(round(round(by / STEP) * STEP, 9), first), last)
        least = self.answer.smallest
        return least if least is not None and abs(least - by) < STEP / 2 else by

    def upper_z(self, stretch: int, by: float) -> float:
        """Machine Z of the upper face on a stretch when raised.

        Args:
            stretch: its index.   by: raise, mm.
        """
        return self.rules[stretch].at(by)

    def stretch(self, stretch: int, by: float) -> Stretch:
        """A stretch with the paths that the guides follow when raised; on a taper they are other ones.

        Args:
            stretch: its index.   by: raise, mm.
        """
        if by == 0.0 or not self.paths_change:
            return self.scene.stretches[stretch]
        if self._there[0] != by:
            self._there = by, raised(self.scene, self.rising, by)
        return self._there[1].stretches[stretch]

    def verdict(self, by: float) -> str:
        """Of the whole setup when raised, heads by the windows; at once.

        Where the clearances were measured too and one is worse than that, the worse one counts.
        """
        if by == 0.0:
            return self.result.verdict
        if by in self._known:
            return self._known[by].verdict
        found = [self._heads(by)]
        found += [f.severity for f in self.result.findings if f.severity in SEVERITIES]
        return min(found, key=SEVERITIES.index)

    def at_once(self, by: float) -> bool:
        """Whether the clearances at a raise are there in less time than a hand notices."""
        return by in self._known or by == 0.0 or self.took < AT_ONCE

    def _heads(self, by: float) -> str:
        if any(f.severity == "undecided" for f in self.answer.findings):
            return "undecided"
        for windows, verdict in ((self.answer.windows, "clear"), (self.answer.touch_free, "close")):
            if any(_within(by, window, self.answer.range) for window in windows):
                return verdict
        return "clash"

    def at(self, by: float) -> AtRaise:
        """Verdict and clearances when raised by so much."""
        if by not in self._known:
            began = time.perf_counter()
            if by == 0.0:
                rows = [_planned(p) for p in self.result.pairs]
            else:
                rows = self._measured(by)
                self.took = time.perf_counter() - began
            rows.sort(
                key=lambda r: (SEVERITIES.index(r.verdict), np.inf if r.clearance is None else r.clearance)
            )
            worst = min([self.verdict(by), *(r.verdict for r in rows)], key=SEVERITIES.index)
            self._known[by] = AtRaise(by, worst, tuple(rows))
        return self._known[by]

    # -------------------------------------------------------------------------------------- the clearances
    def _measured(self, by: float) -> list[RaisedPair]:
        if self.paths_change:
            return self._afresh(by)
        before, known = self._last
        asked = []
        for number, run in enumerate(self.query.runs):
            for part, one in enumerate(run.parts):
                pieces = self._raised_pieces(run, one.pieces, by)
                # a raise by so much changes no distance by more than that
                below = {
                    b: min(HORIZON, known.get((number, part, b), HORIZON) + abs(by - before) + 1e-6)
                    for b in run.bodies
                }
                against = {b: pieces[b in self.rising] for b in run.bodies}
                asked.append((number, part, run, one, against, below))
        found = self.query.clearance_below([each[2:] for each in asked])
        now: dict[tuple[int, int, int], float] = {}
        best: dict[tuple[int, int], RaisedPair] = {}
        for (number, part, run, one, against, _), (near, at) in zip(asked, found, strict=True):
            for b in run.bodies:
                if b in near:
                    now[number, part, b] = near[b]
                row = self._row(run, one, b, against[b], near.get(b), at.get(b), by)
                key = number, b
                best[key] = row if key not in best else _nearer(row, best[key])
        self._last = by, now
        return list(best.values())

    def _raised_pieces(
        self, run: HeadRun, pieces: Sequence[HeadPiece], by: float
    ) -> dict[bool, list[HeadPiece]]:
        """The pieces as bodies see them that stay, and as those that rise."""
        # by identity, asked each time: in the window's own process it is another one
        number = next(k for k, each in enumerate(self.scene.stretches) if each is run.stretch)
        up = self.upper_z(number, by) - run.stretch.upper_z
        return {rising: _pieces(run, pieces, up, by if rising else 0.0) for rising in (False, True)}

    def _row(
        self,
        run: HeadRun,
        part: HeadPart,
        body: int,
        pieces: Sequence[HeadPiece],
        near: float | None,
        at: Witness | None,
        by: float,
    ) -> RaisedPair:
        """One part of a head against a body; ``near`` None: more than ``HORIZON``."""
        if (near is None or near > self.query.tolerances.found_touch) and self._holds(body, part, pieces):
            near, verdict = 0.0, "clash"
        else:
            verdict = self._verdict(run, part, body, pieces, near)
        up = np.array([0.0, 0.0, by if body in self.rising else 0.0])
        return RaisedPair(
            run.head,
            self.scene.bodies[body].name,
            run.stretch.name,
            verdict,
            near,
            None if at is None else at.on_head + up,
            None if at is None else at.on_item + up,
        )

    def _verdict(
        self, run: HeadRun, part: HeadPart, body: int, pieces: Sequence[HeadPiece], near: float | None
    ) -> str:
        if near is None:
            return "clear"
        touch = self.query.tolerances.found_touch
        if near <= touch:
            return "clash"
        as_seen = replace(run, parts=(replace(part, pieces=tuple(pieces)),))
        for growth, verdict in self.query.ladder(run, body):
            if near <= np.hypot(growth.side, growth.height) + 1e-3:
                grown = self.query.grown([as_seen], [{body: growth}], 1.0)[0]
                if float(grown[body]) <= touch:
                    return verdict
        return "clear"

    def _holds(self, body: int, part: HeadPart, pieces: Sequence[HeadPiece]) -> bool:
        """Whether a piece stands inside the body, where no surface is near to tell."""
        low, high = (float(corner[2]) for corner in self.scene.bodies[body].aabbs.box)
        inside = [p for p in pieces if low < (p.z[0] + p.z[-1]) / 2 < high]
        return bool(inside and self.query.swallowed(body, part.moves, inside, part.only))

    def _afresh(self, by: float) -> list[RaisedPair]:
        """Where the paths change with the raise, from the raised scene itself."""
        there = raised(self.scene, self.rising, by)
        plain = replace(self.result, scene=there, pairs=())
        still = Raised(plain, replace(self.answer, items=()))
        still.rising, still.paths_change = (), False
        still.rules = [UpperRule(s.upper_z, -np.inf) for s in there.stretches]
        return still._measured(by)


def no_raises() -> RaiseAnswer:
    """The answer where no raise can be looked at: as planned, and nothing else."""
    return RaiseAnswer((), (0.0, 0.0), (), (), None, ())


def _pieces(run: HeadRun, pieces: Sequence[HeadPiece], up: float, rise: float) -> list[HeadPiece]:
    """The pieces as a body sees them that rises by ``rise`` while the upper face goes up by ``up``."""
    if run.head == "upper":
        return [lifted(p, up - rise) for p in pieces]
    if run.head == "wire":
        pieces = [replace(p, z=np.r_[p.z[:-1], p.z[-1] + up]) for p in pieces]
    return [lifted(p, -rise) for p in pieces]


def _within(by: float, window: tuple[float, float], ends: tuple[float, float]) -> bool:
    """Whether a raise lies in an open window; an end of the whole range belongs to it."""
    low, high = window
    return (low < by or low == by == ends[0]) and (by < high or high == by == ends[1])


def _planned(pair: Pair) -> RaisedPair:
    near = pair.on_head is not None and pair.on_item is not None
    return RaisedPair(
        pair.head,
        pair.item,
        pair.cut,
        pair.verdict,
        pair.clearance,
        pair.on_head if near else None,
        pair.on_item if near else None,
    )


def _nearer(a: RaisedPair, b: RaisedPair) -> RaisedPair:
    worst = min(a.verdict, b.verdict, key=SEVERITIES.index)
    far = np.inf
    near = min((a, b), key=lambda r: far if r.clearance is None else r.clearance)
    return replace(near, verdict=worst)
