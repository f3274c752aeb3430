"""A judged result and the answer about its raises go in; verdict and clearances at any raise come out.

The verdict is read off the windows of raises. The clearances are those of the heads' profiles, lifted against
the bodies that stay and lowered against those that rise: the trees of triangles and moves are built once, and
a figure known at one raise bounds it at the next, for a raise by s changes no distance by more than s.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clearance.advice.confirm import growth
from clearance.advice.edits import lifted, raised
from clearance.advice.raises import RaiseAnswer, chosen
from clearance.advice.upper import UpperRule, heights_change, upper_rules
from clearance.checking.pairs import HeadRun, runs_of
from clearance.checking.result import SEVERITIES, Pair, Result
from clearance.kernels.fcl.distance import Bodies
from clearance.kernels.fcl.touch import swallowed
from clearance.kernels.meridian.branch_and_bound import nearest
from clearance.kernels.meridian.bvh import TriangleTree
from clearance.kernels.meridian.profile import Clearance, Profiles
from clearance.kernels.meridian.view import TOUCH, FlatView, Growth, chords_of
from clearance.scene.heads import Piece
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


@dataclass(frozen=True)
class Row:
    """One head against one item at a raise; ``clearance`` None: more than ``HORIZON``. Points (3,)."""

    head: str
    item: str
    cut: str
    verdict: str
    clearance: float | None
    on_head: Point | None = None
    on_item: Point | None = None


@dataclass(frozen=True)
class AtRaise:
    """The answer at the raise ``by``, mm; the rows begin with the worst."""

    by: float
    verdict: str
    rows: tuple[Row, ...]


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
        self._last: tuple[float, dict[tuple[int, int], float]] = (np.inf, {})
        self._tree = TriangleTree([body.triangles_M for body in self.scene.bodies])
        self._surfaces: Bodies | None = None
        self._paths: dict[int, FlatView] = {}
        #: on a taper the guides' paths change with the raise, and nothing can be kept
        self.paths_change = any(s.upper_moves is not None and s.cut is not None for s in self.scene.stretches)
        self.paths_change |= heights_change(self.scene, self.rules)
        self._runs = _runs(self.result)

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
        """Machine Z of the upper face on a stretch when raised."""
        return self.rules[stretch].at(by)

    def stretch(self, stretch: int, by: float) -> Stretch:
        """A stretch with the paths that the guides follow when raised; on a taper they are other ones."""
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
    def _measured(self, by: float) -> list[Row]:
        if self.paths_change:
            return self._afresh(by)
        rows: list[Row] = []
        before, known = self._last
        now: dict[tuple[int, int], float] = {}
        for number, (k, run) in enumerate(self._runs):
            best: dict[int, Row] = {}
            for part in range(len(run.parts)):
                for body, row in self._part(number, k, run, part, by, known, abs(by - before), now).items():
                    best[body] = row if body not in best else _nearer(row, best[body])
            rows += best.values()
        self._last = by, now
        return rows

    def _part(
        self,
        number: int,
        k: int,
        run: HeadRun,
        part: int,
        by: float,
        known: dict[tuple[int, int], float],
        moved: float,
        now: dict[tuple[int, int], float],
    ) -> dict[int, Row]:
        """One part of a head against its bodies; ``known`` are its figures ``moved`` mm away."""
        one = run.parts[part]
        key = number * 64 + part
        up = self.upper_z(k, by) - run.stretch.upper_z
        pieces = {rising: _pieces(run, one.pieces, up, by if rising else 0.0) for rising in (False, True)}
        table = [*pieces[False], *pieces[True]]
        rows = {False: np.arange(len(pieces[False])), True: np.arange(len(pieces[False]), len(table))}
        if key not in self._paths:
            face = run.face_of(one)
            self._paths[key] = FlatView(
                self._tree, chords_of(one.moves, one.only), one.pieces, face, run.bodies
            )
        view = self._paths[key]
        view.pieces = table
        which = [np.empty(0, dtype=np.intp)] * view.bodies
        start = np.full(view.bodies, -1.0)
        for b in view.present:
            which[b] = rows[b in self.rising]
            start[b] = min(HORIZON, known.get((key, b), HORIZON) + moved + 1e-6)
        measure = Clearance(Profiles(table))
        found = nearest(view.tree, view.path, measure, which, start)
        seen = [b for b in view.present if found.triangle[b] >= 0]
        places = view.places(measure, found, seen)
        out = {}
        for b in view.present:
            near = float(found.value[b]) if b in seen else None
            if near is not None:
                now[(key, b)] = near
            up_b = np.array([0.0, 0.0, by if b in self.rising else 0.0])
            place = places.get(b)
            held = near is None or near > TOUCH
            if held and self._holds(b, one.moves, pieces[b in self.rising], one.only):
                near, verdict = 0.0, "clash"
            else:
                verdict = self._verdict(view, run, b, near, which)
            out[b] = Row(
                run.head,
                self.scene.bodies[b].name,
                run.stretch.name,
                verdict,
                near,
                None if place is None else place.on_head + up_b,
                None if place is None else place.on_item + up_b,
            )
        return out

    def _verdict(
        self, view: FlatView, run: HeadRun, body: int, near: float | None, which: Sequence[NDArray[np.intp]]
    ) -> str:
        if near is None:
            return "clear"
        if near <= TOUCH:
            return "clash"
        for margins, verdict in ((False, "clash"), (True, "close")):
            grow: Growth = growth(run, self.scene.bodies[body], margins)
            if near > np.hypot(grow.side, grow.height) + 1e-3:
                continue
            pieces = [view.pieces[i].grown(grow.side, grow.height) for i in which[body]]
            rows = [np.empty(0, dtype=np.intp)] * view.bodies
            rows[body] = np.arange(len(pieces))
            start = np.full(view.bodies, -1.0)
            start[body] = 1.0
            grown = nearest(view.tree, view.path, Clearance(Profiles(pieces)), rows, start, settled=0.0)
            if float(grown.value[body]) <= TOUCH:
                return verdict
        return "clear"

    def _holds(
        self, body: int, moves: object, pieces: Sequence[Piece], only: NDArray[np.bool_] | None
    ) -> bool:
        """Whether a piece stands inside the body, where no surface is near to tell."""
        z = self.scene.bodies[body].triangles_M[..., 2]
        low, high = float(z.min(initial=np.inf)), float(z.max(initial=-np.inf))
        inside = [p for p in pieces if low < (p.z[0] + p.z[-1]) / 2 < high]
        if not inside:
            return False
        if self._surfaces is None:
            self._surfaces = Bodies(self.scene.bodies, np.zeros(3))
        return bool(swallowed(self._surfaces, body, moves, inside, only, 0.0))  # type: ignore[arg-type]

    def _afresh(self, by: float) -> list[Row]:
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


def _runs(result: Result) -> list[tuple[int, HeadRun]]:
    scene = result.scene
    return [
        (k, run) for k, stretch in enumerate(scene.stretches) for run in runs_of(stretch, scene.wire_margin)
    ]


def _pieces(run: HeadRun, pieces: Sequence[Piece], up: float, rise: float) -> list[Piece]:
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


def _planned(pair: Pair) -> Row:
    near = pair.on_head is not None and pair.on_item is not None
    return Row(
        pair.head,
        pair.item,
        pair.cut,
        pair.verdict,
        pair.clearance,
        pair.on_head if near else None,
        pair.on_item if near else None,
    )


def _nearer(a: Row, b: Row) -> Row:
    worst = min(a.verdict, b.verdict, key=SEVERITIES.index)
    far = np.inf
    near = min((a, b), key=lambda r: far if r.clearance is None else r.clearance)
    return replace(near, verdict=worst)
