"""The broad phase before FCL: what of a body and of a path it needs to see.

Triangles, a path and pieces go in; which triangles, and which bits of the path for which piece, can hold the
smallest distance come out, by plain boxes only.

FCL takes seconds over large models, and little of them can matter. Some triangles held against the head as
it stands at a few places give a distance that is really there. What lies in boxes that are no nearer than
that, less a hair, is left out, save a few where it was found: a face that rides parallel to a part has all
its facets equally near, and FCL would look at each pair of them. What was left out is no nearer than
``floor``; an answer is the smaller of FCL's and it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import AabbSet, Boxes, grouped
from clearance.geometry.transforms import extent
from clearance.kernels.fcl.positions import (
    CELLS,
    POSITIONS,
    PROBES,
    BodyBoxes,
    PathBoxes,
    Started,
    apart_squared,
    nearest_boxes,
    spread,
    standing_distance,
)
from clearance.records import record
from clearance.scene.heads import HeadPiece
from clearance.tolerances import DEFAULT, FclTolerances

Array = NDArray[np.float64]
Rows = NDArray[np.bool_]
Index = NDArray[np.intp]

#: bodies with fewer triangles are given to FCL whole
MANY = 4000
#: of what is equally near: triangles that are shown all the same
_SAMPLE = 64
#: boxes that a body is told by
_GROUPS = 16
#: looking again ends when it brings no more than this, mm
_WORTH = 0.05
_CANDIDATES = 1500
#: boxes of bits and of triangles held against each other at once
_AT_ONCE = 1_000_000


@record
class Neighbourhood:
    """What of a body FCL is shown, and of the path for it.

    Attributes:
        rows: of the body's triangles, neighbours one after the other.   low, high: their boxes (N, 3).
        first: (G,) where among these a new group of neighbours begins.   groups: the groups' boxes (G, 3).
        floor: nothing that was left out comes nearer than this, mm.
        position: (2,) the place of the wire at which a distance hardly larger than ``floor`` is there.
        piece: the one from which it is; None: it is of another part of the head.
    """

    rows: Index
    low: Array
    high: Array
    first: Index
    groups: Boxes
    floor: float
    position: Array
    piece: HeadPiece | None
    tolerances: FclTolerances

    @property
    def reach(self) -> float:
        """What is shown comes nearer than this, mm."""
        return self.floor if np.isfinite(self.floor) else self.tolerances.tie_from + self.tolerances.box_slack

    def is_found(self, found: float) -> bool:
        """Whether FCL's own figure is as near as what the bound was had from, which was shown to it."""
        return found <= self.floor + 2.0 * self.tolerances.hair

    def holds(self, found: float) -> float:
        """FCL's own figure, or the bound on what it was not shown where that is less.

        An FCL that does not find what the bound was had from is not believed in, and its figure stands, for
        the other way to contradict.
        """
        return min(found, self.floor) if self.is_found(found) else found


def seen_from(places: Sequence[Neighbourhood], triangles: Array) -> list[Index]:
    """For each body which triangles (N, 3, 3) of an envelope FCL has to see, by their boxes."""
    boxes = BodyBoxes(
        [extent(place.low, place.high) for place in places],
        [place.groups for place in places],
    )
    # farther by what its facets stand out, and more
    reach = np.array([place.reach + place.tolerances.tie_from for place in places])
    rows, of = boxes.pairs(triangles.min(axis=1), triangles.max(axis=1), reach)
    return [rows[of == k] for k in range(len(places))]


def neighbourhood(
    triangles: Array,
    aabbs: AabbSet,
    path: PathBoxes,
    pieces: Sequence[HeadPiece],
    tolerances: FclTolerances = DEFAULT.fcl,
    start: Started | None = None,
) -> Neighbourhood:
    """Which of ``triangles`` (N, 3, 3) can be nearest to the pieces along the path.

    Args:
        aabbs: the boxes of the triangles, in their order.
        path, pieces: of a head, in the frame of the triangles.
        start: a distance that is there, hardly larger than what was said of the smallest one.
    """
    low, high = aabbs.low, aabbs.high
    many = len(triangles) >= MANY
    box = aabbs.box
    rows = np.arange(len(triangles))
    known = start is not None
    there, position, piece, probe = start or Started(np.inf, path.p[0], pieces[0], 0)
    positions = path.p[:0] if known else path.first_positions(pieces, box)
    for k in range(0 if known else 6):
        if k:
            bits, apart = path.near(pieces, box, there)
            if not len(bits) or apart.min() >= there * there * (1.0 - 1e-12):
                break
            nearest = np.argsort(apart, kind="stable")[:POSITIONS]
            positions = path.nearer_ends(bits[np.union1d(nearest, spread(len(bits), POSITIONS))], pieces, box)
        some = rows[spread(len(rows), _CANDIDATES)]
        probes = some[nearest_boxes(low[some], high[some], positions, pieces, PROBES)]
        before = there
        found, nth, at, which = standing_distance(triangles[probes], positions, pieces)
        if found < there:
            there, position, probe, piece = found, positions[at], int(probes[nth]), pieces[which]
        if not k:
            rows = _near(aabbs, path, pieces, there, many)
        elif many:
            rows = rows[_within(low[rows], high[rows], path, pieces, there)]
        else:
            rows = rows[_boxes_near(low[rows], high[rows], path, pieces, there)]
        box = extent(low[rows], high[rows])
        if not len(rows) or (k > 1 and there > before - _WORTH):
            break
    if known:
        rows = _near(aabbs, path, pieces, there, many)
    floor = there - tolerances.hair if there > tolerances.tie_from else np.inf
    if np.isfinite(floor):
        ties = rows
        if many:
            rows = rows[_within(low[rows], high[rows], path, pieces, floor)]
        some = np.argsort(_apart(low[ties], high[ties], triangles[probe].mean(axis=0)))[:_SAMPLE]
        rows = np.unique(np.concatenate([rows, ties[some], [probe]]))
    else:
        rows = np.unique(np.append(rows, probe))
    return Neighbourhood(*_grouped(rows, aabbs), float(floor), position, piece, tolerances)


def neighbourhood_within(
    reach: float,
    aabbs: AabbSet,
    path: PathBoxes,
    pieces: Sequence[HeadPiece],
    tolerances: FclTolerances = DEFAULT.fcl,
) -> Neighbourhood | None:
    """Which of a body's triangles come as near to the pieces as another part of the head is, if any do.

    Args:
        reach: how near that part is to the body, mm.   aabbs: the boxes of the body's triangles.
        path, pieces: of this part, in the frame of the triangles.
    """
    rows = _near(aabbs, path, pieces, reach, len(aabbs.low) >= MANY)
    if not len(rows):
        return None
    floor = reach - tolerances.hair if reach > tolerances.tie_from else np.inf
    return Neighbourhood(*_grouped(rows, aabbs), float(floor), path.p[0], None, tolerances)


def _near(aabbs: AabbSet, path: PathBoxes, pieces: Sequence[HeadPiece], reach: float, many: bool) -> Index:
    """The boxes that can come within ``reach`` of the pieces along the path; of many boxes those alone that
    are near some bit of it."""
    low, high = aabbs.low, aabbs.high
    if not many:
        return np.flatnonzero(_boxes_near(low, high, path, pieces, reach))
    rows = aabbs.inside(_within(*aabbs.coarse, path, pieces, reach))
    return rows[_within(low[rows], high[rows], path, pieces, reach)]


def _grouped(rows: Index, aabbs: AabbSet) -> tuple[Index, Array, Array, Index, Boxes]:
    """Some boxes (N,) with neighbours along the longest way together, as ``Neighbourhood`` has them."""
    low, high = aabbs.low[rows], aabbs.high[rows]
    whole = extent(low, high)
    axis = int(np.argmax(whole[1] - whole[0]))
    order = np.argsort(low[:, axis] + high[:, axis], kind="stable")
    first = spread(len(low), _GROUPS + 1)[:-1] if len(low) > _GROUPS else np.arange(len(low))
    low, high = low[order], high[order]
    return rows[order], low, high, first, grouped(low, high, first)


def near_any(
    places: Sequence[Neighbourhood], low: Array, high: Array, r: float, piece: HeadPiece
) -> tuple[Rows, Rows]:
    """Which bits (N,) of a path FCL has to see for any of the bodies, and which of them (N,) to their ends.

    A bit that is left out is no nearer than the bound, and so is the head as it stands at its ends. So ends
    are shown only where nothing is nearer: the bit where a bound was had from is then one of many alike.

    Args:
        low, high: (N, 3) boxes that, grown sideways by ``r``, hold what ``piece`` sweeps along each bit.
    """
    near, to_ends = np.zeros(len(low), dtype=bool), np.zeros(len(low), dtype=bool)
    aabbs = AabbSet(low, high)
    for place in places:
        reach = place.reach
        box = extent(place.low, place.high)
        bits = aabbs.inside(apart_squared(*aabbs.coarse, r, *box) < reach * reach)
        bits = bits[apart_squared(low[bits], high[bits], r, *box) < reach * reach]
        new = bits[~near[bits]]
        if len(new):
            _mark(near, new, low, high, r, place, reach)
        if piece is place.piece:
            # where the bound was had from is shown for certain
            here = at_position(place, low, high)
            if not near[bits].any():
                to_ends |= here
            near |= here
    return near, to_ends


def at_position(place: Neighbourhood, low: Array, high: Array) -> Rows:
    """The bits (N,) from which a place's bound was had, all that lie over the same place with it.

    Args:
        low, high: (N, 3) as for ``near_any``, of the place's own piece.
    """
    if place.piece is None:
        return np.zeros(len(low), dtype=bool)
    ends = np.array(place.piece.rect)
    slack = place.tolerances.box_slack
    here = (low[:, :2] <= place.position + ends[[0, 2]] + slack).all(axis=1)
    here &= (high[:, :2] >= place.position + ends[[1, 3]] - slack).all(axis=1)
    return np.asarray(here)


def _mark(
    near: Rows,
    bits: Index,
    low: Array,
    high: Array,
    r: float,
    place: Neighbourhood,
    reach: float,
) -> None:
    """Mark those of ``bits`` that come within ``reach`` of some box of the place, group by group."""
    for first, last, *group in zip(
        place.first,
        np.append(place.first[1:], len(place.low)),
        *place.groups,
        strict=True,
    ):
        some = bits[~near[bits]]
        some = some[apart_squared(low[some], high[some], r, *group) < reach * reach]
        if len(some) * (last - first) > _AT_ONCE:
            near[some] = True
        elif len(some) and last - first > 1:
            a, b = low[some, None], high[some, None]
            apart = apart_squared(a, b, r, place.low[first:last], place.high[first:last])
            near[some[(apart < reach * reach).any(axis=1)]] = True
        else:
            near[some] = True


def _apart(low: Array, high: Array, point: Array) -> Array:
    away = np.maximum(np.maximum(low - point, point - high), 0.0)
    return np.asarray((away * away).sum(axis=1))


def _boxes_near(low: Array, high: Array, path: PathBoxes, pieces: Sequence[HeadPiece], reach: float) -> Rows:
    """Which boxes (N, 3) come within ``reach`` of the one box that some piece sweeps along the whole path."""
    near = np.zeros(len(low), dtype=bool)
    first, last = path.aabbs.box
    for piece in pieces:
        x0, x1, y0, y1 = piece.rect
        r = float(piece.r.max())
        corner = np.array([first[0] + x0 - r, first[1] + y0 - r, piece.z[0]])
        other = np.array([last[0] + x1 + r, last[1] + y1 + r, piece.z[-1]])
        apart = np.maximum(np.maximum(corner - high, low - other), 0.0)
        near |= (apart * apart).sum(axis=1) <= reach * reach
    return near


def _within(low: Array, high: Array, path: PathBoxes, pieces: Sequence[HeadPiece], reach: float) -> Rows:
    """Whether boxes (N, 3) come within ``reach`` of any piece's boxes along the path."""
    kept = np.zeros(len(low), dtype=bool)
    for piece in pieces:
        level = (high[:, 2] >= piece.z[0] - reach) & (low[:, 2] <= piece.z[-1] + reach)
        level &= ~kept
        rows = np.flatnonzero(level)
        if len(rows):
            x0, x1, y0, y1 = piece.rect
            beyond = float(piece.r.max()) + reach
            margin = (x0 - beyond, x1 + beyond, y0 - beyond, y1 + beyond)
            kept[rows] = _over_path(low[rows, :2], high[rows, :2], path, margin)
    return kept


def _over_path(low: Array, high: Array, path: PathBoxes, margin: tuple[float, float, float, float]) -> Rows:
    """Whether rectangles (N, 2) meet the boxes of the path's bits, grown by ``margin`` (x0, x1, y0, y1).

    The ground is laid out in cells; counts summed from one corner tell whether a range of cells has any.
    """
    first = path.aabbs.low + np.array([margin[0], margin[2]])
    last = path.aabbs.high + np.array([margin[1], margin[3]])
    corner, other = extent(first, last)
    cell = max(float((other - corner).max()) / CELLS, 1e-9)
    count = np.ceil((other - corner) / cell).astype(int) + 1

    def cells(x: Array) -> Index:
        at = np.floor((x - corner) / cell)
        return np.asarray(np.minimum(np.maximum(at, -1), count).astype(np.intp))

    # every bit covers a block of cells: mark its corners and sum twice
    marks = np.zeros(count + 2, dtype=np.int64)
    a, b = cells(first), cells(last) + 1
    np.add.at(marks, (a[:, 0], a[:, 1]), 1)
    np.add.at(marks, (b[:, 0], b[:, 1]), 1)
    np.add.at(marks, (a[:, 0], b[:, 1]), -1)
    np.add.at(marks, (b[:, 0], a[:, 1]), -1)
    covered = marks.cumsum(axis=0).cumsum(axis=1) > 0
    total = np.zeros((count[0] + 3, count[1] + 3), dtype=np.int64)
    total[1:, 1:] = covered.cumsum(axis=0).cumsum(axis=1)
    a, b = np.maximum(cells(low), 0), cells(high) + 1
    inside = (b > a).all(axis=1)
    some = (
        total[b[:, 0], b[:, 1]] - total[a[:, 0], b[:, 1]] - total[b[:, 0], a[:, 1]] + total[a[:, 0], a[:, 1]]
    )
    return inside & (some > 0)
