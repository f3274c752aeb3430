"""The path of a head as polylines for FCL: moves go in, straight bits within a known amount of them come out.

Moves that go where an earlier one went are left out: what a head sweeps along a line that it has been along
before, it has swept before. Arcs become chords; of very long paths bits that run on within a hair of one
straight become one.
"""

from __future__ import annotations

from dataclasses import field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.intervals import first_of_each
from clearance.kernels.fcl.positions import PathBoxes
from clearance.records import record
from clearance.tolerances import DEFAULT, FclTolerances
from clearance.toolpath.moves import Moves

#: with fewer moves it is not worth looking
FROM = 200
#: moves left out for each place at which the path is broken for it: a break costs more than a move
A_BREAK = 8


def first_time(moves: Moves, only: NDArray[np.bool_] | None) -> NDArray[np.bool_] | None:
    """Of the moves picked by ``only`` (M,), those that repeat no earlier one exactly; None: all.

    Lines are the same in either direction, arcs in one. All that were picked are given back where moves that
    repeat others stand among those that do not, so that the path would fall into many bits.
    """
    picked = np.arange(len(moves)) if only is None else np.flatnonzero(only)
    if len(picked) < FROM:
        return only
    rows = np.column_stack(
        [moves.start[picked], moves.end[picked], np.nan_to_num(moves.centre[picked]), moves.sweep[picked]]
    )
    straight = moves.sweep[picked] == 0.0
    rows[straight, 4:] = 0.0
    a, b = rows[:, :2].copy(), rows[:, 2:4].copy()
    turned = straight & ((a[:, 0] > b[:, 0]) | ((a[:, 0] == b[:, 0]) & (a[:, 1] > b[:, 1])))
    rows[turned, :2], rows[turned, 2:4] = b[turned], a[turned]
    # -0 and 0 are one place
    first = first_of_each(np.ascontiguousarray(rows + 0.0).view(np.int64))
    if len(first) == len(picked):
        return only
    kept = np.zeros(len(moves), dtype=bool)
    kept[picked[first]] = True
    breaks = np.count_nonzero(np.diff(picked[first]) > 1)
    return kept if A_BREAK * breaks <= len(picked) - len(first) else only


Array = NDArray[np.float64]
Index = NDArray[np.int64]
Rows = NDArray[np.bool_]

#: runs of fewer moves are taken as they are
_SIMPLIFY_FROM = 1500


@record
class Line:
    """A polyline: points (n+1, 2), the move of each bit (n,), how far it may lie from the true path, and
    whether it is of so many moves that it is worth simplifying."""

    points: Array
    move: Index
    deviation: float
    long: bool = False
    _simple: dict[float, Line] = field(default_factory=dict, repr=False, compare=False)

    def simple(self, by: float) -> Line:
        """This line, or where it is long one of fewer bits within ``by`` of it; each is made once."""
        if not self.long:
            return self
        if by not in self._simple:
            self._simple[by] = _simplified(self, by)
        return self._simple[by]


def lines_of(moves: Moves, only: Rows | None = None, tolerances: FclTolerances = DEFAULT.fcl) -> list[Line]:
    """The path as polylines, one for each unbroken run of the moves on which the head is there.

    Args:
        moves: in any frame, mm.   only: (M,) those moves; None: all.
        tolerances: how far a polyline may lie from the path, for which the head is grown.
    """
    return [_flattened(moves, run, tolerances) for run in _runs(len(moves), only)]


def straight_runs(
    moves: Moves, only: Rows | None = None, tolerances: FclTolerances = DEFAULT.fcl
) -> list[tuple[Array, float]]:
    """The path as polylines (n+1, 2), one for each unbroken run, and how far each may lie from the path.

    Args:
        moves: in any frame, mm.   only: (M,) the moves on which the head is there; None: all.
        tolerances: how far a polyline may lie from the path.
    """
    return [(line.points, line.deviation) for line in lines_of(moves, only, tolerances)]


def _runs(count: int, only: Rows | None) -> list[slice]:
    if only is None:
        return [slice(0, count)] if count else []
    edge = np.flatnonzero(np.diff(np.r_[False, only, False].astype(np.int8)))
    return [slice(int(a), int(b)) for a, b in zip(edge[::2], edge[1::2], strict=True)]


def _is_short(run: slice) -> bool:
    return bool(run.stop - run.start < _SIMPLIFY_FROM)


def _flattened(moves: Moves, run: slice, tolerances: FclTolerances) -> Line:
    """Arcs become chords between points of the arc; bits of no length go, unless all are.

    Where a program's rounding gives an arc two radii, the radius runs evenly from one to the other.
    """
    start, end, centre, sweep = moves.start[run], moves.end[run], moves.centre[run], moves.sweep[run]
    arc = sweep != 0.0
    sagitta = tolerances.sagitta if _is_short(run) else tolerances.sagitta_simplified
    count = np.ones(len(sweep), dtype=np.int64)
    r0 = np.where(arc, np.hypot(*(start - centre).T), 0.0)
    r1 = np.where(arc, np.hypot(*(end - centre).T), 0.0)
    radius = np.maximum(np.maximum(r0, r1), sagitta)
    step = 2.0 * np.arccos(1.0 - sagitta / radius[arc])
    count[arc] = np.maximum(np.ceil(np.abs(sweep[arc]) / step), 1).astype(np.int64)
    owner = np.repeat(np.arange(len(sweep)), count)
    share = (np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count) + 1) / count[owner]
    points = end[owner].copy()
    bent = arc[owner] & (share < 1.0)
    o, s = owner[bent], share[bent]
    angle = np.arctan2(start[o, 1] - centre[o, 1], start[o, 0] - centre[o, 0]) + s * sweep[o]
    r = r0[o] + s * (r1[o] - r0[o])
    points[bent] = centre[o] + r[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    points = np.concatenate([start[:1], points])
    long = np.hypot(*np.diff(points, axis=0).T) > 0.0
    if long.any():
        points, owner = points[np.r_[True, long]], owner[long]
    else:
        points, owner = points[:2], owner[:1]
    deviation = sagitta if arc.any() else 0.0
    return Line(points, owner + run.start, deviation, not _is_short(run))


def _simplified(line: Line, simplify: float) -> Line:
    """Bits that run on within ``simplify`` of one straight become one, as long as they lead away."""
    n = len(line.move)
    xs, ys = line.points[:, 0].tolist(), line.points[:, 1].tolist()
    keep = [0]
    ax, ay = xs[0], ys[0]
    wide, reach = None, 0.0
    for i in range(1, n + 1):
        dx, dy = xs[i] - ax, ys[i] - ay
        far = (dx * dx + dy * dy) ** 0.5
        if wide is not None:
            ux, uy, low, high = wide
            along, across = dx * ux + dy * uy, dy * ux - dx * uy
            if along <= 0.0 or far < reach or not low <= across / along <= high:
                keep.append(i - 1)
                ax, ay = xs[i - 1], ys[i - 1]
                dx, dy = xs[i] - ax, ys[i] - ay
                far = (dx * dx + dy * dy) ** 0.5
                wide = None
        if far <= simplify:
            # too near to give a direction: it stands for itself
            keep.append(i)
            ax, ay, wide = xs[i], ys[i], None
            continue
        if wide is None:
            wide, reach = (dx / far, dy / far, -simplify / far, simplify / far), far
        else:
            tangent, room = across / along, simplify * far / (along * along)
            wide = (ux, uy, max(low, tangent - room), min(high, tangent + room))
            reach = far
            if wide[2] > wide[3]:
                keep.append(i)
                ax, ay, wide = xs[i], ys[i], None
    if keep[-1] != n:
        keep.append(n)
    index = np.array(sorted(set(keep)))
    if len(index) == n + 1:
        return line  # nothing was left out
    return Line(line.points[index], line.move[index[:-1]], line.deviation + 1.5 * simplify)


class Path:
    """One path for all heads along it: the moves that go where no earlier one went, as polylines.

    Args:
        only: (M,) the moves on which the head is there; all.
    """

    def __init__(self, moves: Moves, only: Rows | None, tolerances: FclTolerances) -> None:
        self.moves, self.tolerances, self._picked = moves, tolerances, only

    @cached_property
    def lines(self) -> list[Line]:
        """The path as polylines, one for each unbroken run."""
        return lines_of(self.moves, first_time(self.moves, self._picked), self.tolerances)

    @cached_property
    def runs(self) -> list[tuple[Array, float]]:
        """The path as polylines, and how far each may lie from it."""
        return [(line.points, line.deviation) for line in self.lines]

    @cached_property
    def points(self) -> Array:
        """All corners of the path (n, 2)."""
        return np.concatenate([line.points for line in self.lines])

    @cached_property
    def boxes(self) -> PathBoxes:
        return PathBoxes([line.points for line in self.lines])

    @cached_property
    def shape(self) -> tuple[object, ...]:
        """The same for all paths that differ by where they begin alone."""
        if not self.lines:
            return ()
        begin, digits = self.points[0], self.tolerances.alike_digits
        return tuple(
            (line.deviation, (np.round(line.points - begin, digits) + 0.0).tobytes()) for line in self.lines
        )
