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
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import AabbSet, Boxes, grouped
from clearance.geometry.transforms import extent
from clearance.scene.heads import HeadPiece
from clearance.tolerances import DEFAULT, FclTolerances

Array = NDArray[np.float64]

#: a path's extent is divided into so many bits or cells
CELLS = 300
#: a path's bits are divided into hardly more than so many in all, besides those that there are
_MOST = 50_000
#: places of the head that are looked at
_POSITIONS = 6


class PathBoxes:
    """A path as straight bits from p to q (n, 2), so short that each one's box is small."""

    def __init__(self, runs: Sequence[Array]) -> None:
        whole = np.concatenate(runs)
        length = sum(float(np.hypot(*np.diff(points, axis=0).T).sum()) for points in runs)
        longest = max(float(np.ptp(whole, axis=0).max()) / CELLS * 4.0, length / _MOST, 1e-9)
        finer = [_finer(points, longest) for points in runs]
        self.p = np.concatenate([points[:-1] for points in finer])
        self.q = np.concatenate([points[1:] for points in finer])
        self.aabbs = AabbSet(np.minimum(self.p, self.q), np.maximum(self.p, self.q))

    def near(self, pieces: Sequence[HeadPiece], box: Boxes, reach: float) -> tuple[NDArray[np.intp], Array]:
        """The bits along which the box that some piece sweeps comes within ``reach`` of ``box``, and how far
        apart, squared, they are.

        Args:
            pieces: of a head.   box: lowest and highest corner (3,), mm, in the frame of the path.
                reach: mm.
        """
        bits = self.aabbs.inside(bits_apart(*self.aabbs.coarse, pieces, box) <= reach * reach)
        apart = bits_apart(self.aabbs.low[bits], self.aabbs.high[bits], pieces, box)
        return bits[apart <= reach * reach], apart[apart <= reach * reach]

    def nearer_ends(self, bits: NDArray[np.intp], pieces: Sequence[HeadPiece], box: Boxes) -> Array:
        """Of each of some bits (k,) the end (k, 2) at which the box of some piece is nearer to ``box``.

        Args:
            bits: their indices.   pieces: of a head.   box: lowest and highest corner (3,), mm.
        """
        p, q = self.p[bits], self.q[bits]
        nearer = bits_apart(p, p, pieces, box) <= bits_apart(q, q, pieces, box)
        return np.where(nearer[:, None], p, q)

    def first_positions(self, pieces: Sequence[HeadPiece], box: Boxes) -> Array:
        """Some places of the head (n, 2): those nearest to a box as far as the coarser boxes tell, and others
        all along the way.

        Args:
            pieces: of a head.   box: lowest and highest corner (3,), mm, in the frame of the path.
        """
        apart = bits_apart(*self.aabbs.coarse, pieces, box)
        coarse = np.zeros(len(apart), dtype=bool)
        coarse[np.argsort(apart, kind="stable")[:_POSITIONS]] = True
        near = self.aabbs.inside(coarse)
        return self.p[np.union1d(near[spread(len(near), _POSITIONS)], spread(len(self.p), _POSITIONS))]


def apart_squared(low: Array, high: Array, r: float, other_low: Array, other_high: Array) -> Array:
    """Squared distance (...) of boxes (..., 3), grown sideways by ``r``, from other boxes (..., 3).

    Args:
        low, high: corners of the boxes, mm.   r: mm, in X and Y.   other_low, other_high: of the others.
    """
    x = np.maximum(np.maximum(low[..., 0] - other_high[..., 0], other_low[..., 0] - high[..., 0]), 0.0)
    y = np.maximum(np.maximum(low[..., 1] - other_high[..., 1], other_low[..., 1] - high[..., 1]), 0.0)
    z = np.maximum(np.maximum(low[..., 2] - other_high[..., 2], other_low[..., 2] - high[..., 2]), 0.0)
    beside = np.maximum(np.sqrt(x * x + y * y) - r, 0.0)
    return np.asarray(beside * beside + z * z)


def bits_apart(low: Array, high: Array, pieces: Sequence[HeadPiece], box: Boxes) -> Array:
    """How far, squared (n,), the box that some piece sweeps as the wire goes through each rectangle low-high
    (n, 2) is from one box (3,).

    Args:
        low, high: corners of the rectangles, mm.   pieces: of the head.   box: its lowest and highest
            corner (3,).
    """
    best = np.full(len(low), np.inf)
    (bx, by, bz), (ex, ey, ez) = box
    for piece in pieces:
        x0, x1, y0, y1 = piece.rect
        x = np.maximum(np.maximum(low[:, 0] + (x0 - ex), (bx - x1) - high[:, 0]), 0.0)
        y = np.maximum(np.maximum(low[:, 1] + (y0 - ey), (by - y1) - high[:, 1]), 0.0)
        z = max(piece.z[0] - ez, bz - piece.z[-1], 0.0)
        beside = np.maximum(np.sqrt(x * x + y * y) - piece.r.max(), 0.0)
        np.minimum(best, beside * beside + z * z, out=best)
    return best


def spread(count: int, most: int) -> NDArray[np.intp]:
    """At most ``most`` numbers below ``count``, evenly spread."""
    return np.unique(np.linspace(0, count - 1, min(most, count)).astype(np.intp))


def _finer(path: Array, longest: float) -> Array:
    """A polyline (n, 2) with its long bits divided."""
    if len(path) < 2:
        return np.concatenate([path, path])
    step = np.diff(path, axis=0)
    parts = np.maximum(np.ceil(np.abs(step).max(axis=1) / longest), 1).astype(int)
    if (parts == 1).all():
        return path
    row = np.repeat(np.arange(len(parts)), parts)
    share = (np.arange(len(row)) - np.repeat(np.cumsum(parts) - parts, parts)) / parts[row]
    return np.concatenate([path[row] + share[:, None] * step[row], path[-1:]])


#: bodies with fewer triangles are given to FCL whole
MANY = 4000
#: of what is equally near: triangles that are shown all the same
_SAMPLE = 64
#: boxes that a body is told by
_GROUPS = 16
#: looking again ends when it brings no more than this, mm
_WORTH = 0.05
_CANDIDATES = 1500
_PROBES = 16
#: boxes of bits and of triangles held against each other at once
_AT_ONCE = 1_000_000


@dataclass(frozen=True)
class Neighbourhood:
    """What of a body FCL is shown, and of the path for it.

    Attributes:
        rows: of the body's triangles.   low, high: their boxes (N, 3), neighbours one after the other.
        first: (G,) where among these a new group of neighbours begins.
        floor: nothing that was left out comes nearer than this, mm.
        position: (2,) the place of the wire at which a distance hardly larger than ``floor`` is there.
        piece: the one from which it is.
    """

    rows: NDArray[np.intp]
    low: Array
    high: Array
    first: NDArray[np.intp]
    floor: float
    position: Array
    piece: HeadPiece
    tolerances: FclTolerances

    def is_found(self, found: float) -> bool:
        """Whether FCL's own figure is as near as what the bound was had from, which was shown to it."""
        return found <= self.floor + 2.0 * self.tolerances.hair

    def holds(self, found: float) -> float:
        """FCL's own figure, or the bound on what it was not shown where that is less.

        An FCL that does not find what the bound was had from is not believed in, and its figure stands, for
        the other way to contradict.
        """
        return min(found, self.floor) if self.is_found(found) else found


def neighbourhood(
    triangles: Array,
    aabbs: AabbSet,
    path: PathBoxes,
    pieces: Sequence[HeadPiece],
    tolerances: FclTolerances = DEFAULT.fcl,
) -> Neighbourhood:
    """Which of ``triangles`` (N, 3, 3) can be nearest to the pieces along the path.

    Args:
        aabbs: the boxes of the triangles, in their order.
    """
    low, high = aabbs.low, aabbs.high
    many = len(triangles) >= MANY
    box = aabbs.box
    rows = np.arange(len(triangles))
    positions = path.first_positions(pieces, box)
    there, position, probe, piece = np.inf, positions[0], 0, pieces[0]
    for k in range(6):
        if k:
            bits, apart = path.near(pieces, box, there)
            if not len(bits) or apart.min() >= there * there * (1.0 - 1e-12):
                break
            nearest = np.argsort(apart, kind="stable")[:_POSITIONS]
            positions = path.nearer_ends(
                bits[np.union1d(nearest, spread(len(bits), _POSITIONS))], pieces, box
            )
        some = rows[spread(len(rows), _CANDIDATES)]
        probes = some[_nearest_boxes(low[some], high[some], positions, pieces, _PROBES)]
        before = there
        found, nth, at, which = _distance_there(triangles[probes], positions, pieces)
        if found < there:
            there, position, probe, piece = found, positions[at], int(probes[nth]), pieces[which]
        if not many:
            rows = rows[_boxes_near(low[rows], high[rows], path, pieces, there)]
        elif k:
            rows = rows[_within(low[rows], high[rows], path, pieces, there)]
        else:
            rows = aabbs.inside(_within(*aabbs.coarse, path, pieces, there))
            rows = rows[_within(low[rows], high[rows], path, pieces, there)]
        box = extent(low[rows], high[rows])
        if not len(rows) or (k > 1 and there > before - _WORTH):
            break
    floor = there - tolerances.hair if there > tolerances.tie_from else np.inf
    if np.isfinite(floor):
        ties = rows
        if many:
            rows = rows[_within(low[rows], high[rows], path, pieces, floor)]
        some = np.argsort(_apart(low[ties], high[ties], triangles[probe].mean(axis=0)))[:_SAMPLE]
        rows = np.unique(np.concatenate([rows, ties[some], [probe]]))
    else:
        rows = np.unique(np.append(rows, probe))
    return Neighbourhood(rows, *_grouped(low[rows], high[rows]), float(floor), position, piece, tolerances)


def _grouped(low: Array, high: Array) -> tuple[Array, Array, NDArray[np.intp]]:
    """Boxes (N, 3) with neighbours along the longest way together, and where a new group begins (G,)."""
    whole = extent(low, high)
    axis = int(np.argmax(whole[1] - whole[0]))
    order = np.argsort(low[:, axis] + high[:, axis], kind="stable")
    first = spread(len(low), _GROUPS + 1)[:-1] if len(low) > _GROUPS else np.arange(len(low))
    return low[order], high[order], first


def near_any(
    places: Sequence[Neighbourhood], low: Array, high: Array, r: float, piece: HeadPiece
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which bits (N,) of a path FCL has to see for any of the bodies, and which of them (N,) to their ends.

    A bit that is left out is no nearer than the bound, and so is the head as it stands at its ends. So ends
    are shown only where nothing is nearer: the bit where a bound was had from is then one of many alike.

    Args:
        low, high: (N, 3) boxes that, grown sideways by ``r``, hold what ``piece`` sweeps along each bit.
    """
    near, to_ends = np.zeros(len(low), dtype=bool), np.zeros(len(low), dtype=bool)
    aabbs = AabbSet(low, high)
    for place in places:
        own = place.tolerances
        reach = place.floor if np.isfinite(place.floor) else own.tie_from + own.box_slack
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


def at_position(place: Neighbourhood, low: Array, high: Array) -> NDArray[np.bool_]:
    """The bits (N,) from which a place's bound was had, all that lie over the same place with it.

    Args:
        low, high: (N, 3) as for ``near_any``, of the place's own piece.
    """
    ends = np.array(place.piece.rect)
    slack = place.tolerances.box_slack
    here = (low[:, :2] <= place.position + ends[[0, 2]] + slack).all(axis=1)
    here &= (high[:, :2] >= place.position + ends[[1, 3]] - slack).all(axis=1)
    return np.asarray(here)


def _mark(
    near: NDArray[np.bool_],
    bits: NDArray[np.intp],
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
        *grouped(place.low, place.high, place.first),
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


def _boxes_near(
    low: Array, high: Array, path: PathBoxes, pieces: Sequence[HeadPiece], reach: float
) -> NDArray[np.bool_]:
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


def _nearest_boxes(
    low: Array, high: Array, positions: Array, pieces: Sequence[HeadPiece], count: int
) -> NDArray[np.intp]:
    """The ``count`` boxes (N, 3) nearest to the pieces' boxes as the head stands at some places."""
    if len(low) <= count:
        return np.arange(len(low))
    best = np.full(len(low), np.inf)
    for piece in pieces:
        x0, x1, y0, y1 = piece.rect
        r = float(piece.r.max())
        above = np.maximum(np.maximum(piece.z[0] - high[:, 2], low[:, 2] - piece.z[-1]), 0.0)
        for x, y in positions:
            dx = np.maximum(np.maximum(x + x0 - r - high[:, 0], low[:, 0] - x - x1 - r), 0.0)
            dy = np.maximum(np.maximum(y + y0 - r - high[:, 1], low[:, 1] - y - y1 - r), 0.0)
            np.minimum(best, dx * dx + dy * dy + above * above, out=best)
    return np.argpartition(best, count)[:count]


def _distance_there(
    triangles: Array, positions: Array, pieces: Sequence[HeadPiece]
) -> tuple[float, int, int, int]:
    """The smallest distance of some points of triangles (n, 3, 3) to the head as it stands at some places,
    and the triangle, the place and the piece it was had from.

    An upper value: the points are on the triangles, and a point of the piece is that far away.
    """
    best, where, which = np.inf, 0, 0
    flat = _Triangles(triangles.repeat(len(positions), axis=0))
    wire = np.tile(positions, (len(triangles), 1))
    box = extent(triangles)
    at_least = [float(bits_apart(positions, positions, [piece], box).min()) for piece in pieces]
    for k in np.argsort(at_least):
        piece = pieces[k]
        if at_least[k] >= best * best:
            break
        low, high = np.array(piece.rect)[[0, 2]], np.array(piece.rect)[[1, 3]]
        # from its middle, and from where it is widest: to and fro ends beside the axis of a cone, not its rim
        for height in dict.fromkeys((float(piece.z.mean()), float(piece.z[np.argmax(piece.r)]))):
            on_piece = np.column_stack([wire + (low + high) / 2, np.full(len(wire), height)])
            for _ in range(3):
                # to and fro between the piece's middle plane and the triangle
                point = flat.nearest(on_piece)
                offset = point[:, :2] - wire
                inside = np.minimum(np.maximum(offset, low), high)
                z = np.minimum(np.maximum(point[:, 2], piece.z[0]), piece.z[-1])
                on_piece = np.column_stack([wire + inside, z])
            beside = np.hypot(*(offset - inside).T) - np.interp(z, piece.z, piece.r)
            gap = np.hypot(np.maximum(beside, 0.0), point[:, 2] - z)
            least = int(np.argmin(gap))
            if gap[least] < best:
                best, where, which = float(gap[least]), least, int(k)
    return best, where // len(positions), where % len(positions), which


class _Triangles:
    """Triangles (n, 3, 3), with what of them alone tells which of their points is near to another point."""

    def __init__(self, triangles: Array) -> None:
        a, b, c = (np.ascontiguousarray(triangles[:, k]) for k in range(3))
        self.a, self.side, self.other = a, b - a, c - a
        #: the three sides (3, n, 3), from where and by how much they run, and their squared lengths (3, n)
        self.start = np.stack([a, b, c])
        self.way = np.stack([b - a, c - b, a - c])
        self.length2 = _dot(self.way, self.way)
        self.ee, self.ef = _dot(self.side, self.side), _dot(self.side, self.other)
        self.ff = _dot(self.other, self.other)
        self.det = self.ee * self.ff - self.ef * self.ef
        self.safe = np.where(self.det > 0.0, self.det, 1.0)

    def nearest(self, points: Array) -> Array:
        """A point (n, 3) of each triangle, the nearest to the point given or not far from it.

        The foot on the plane where it is inside, else the nearest point of the sides.
        """
        along = _dot(points - self.start, self.way)
        t = np.divide(along, self.length2, out=np.zeros_like(along), where=self.length2 > 0.0)
        at = self.start + np.clip(t, 0.0, 1.0)[..., None] * self.way
        off = points - at
        first = np.argmin(_dot(off, off), axis=0)
        best = at[first, np.arange(len(first))]
        d = points - self.a
        de, df = _dot(d, self.side), _dot(d, self.other)
        u, v = (self.ff * de - self.ef * df) / self.safe, (self.ee * df - self.ef * de) / self.safe
        inside = (self.det > 0.0) & (u >= 0.0) & (v >= 0.0) & (u + v <= 1.0)
        return np.where(inside[:, None], self.a + u[:, None] * self.side + v[:, None] * self.other, best)


def _dot(a: Array, b: Array) -> Array:
    return np.asarray(np.einsum("...j,...j->...", a, b))


def _within(
    low: Array, high: Array, path: PathBoxes, pieces: Sequence[HeadPiece], reach: float
) -> NDArray[np.bool_]:
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


def _over_path(
    low: Array, high: Array, path: PathBoxes, margin: tuple[float, float, float, float]
) -> NDArray[np.bool_]:
    """Whether rectangles (N, 2) meet the boxes of the path's bits, grown by ``margin`` (x0, x1, y0, y1).

    The ground is laid out in cells; counts summed from one corner tell whether a range of cells has any.
    """
    first = path.aabbs.low + np.array([margin[0], margin[2]])
    last = path.aabbs.high + np.array([margin[1], margin[3]])
    corner, other = extent(first, last)
    cell = max(float((other - corner).max()) / CELLS, 1e-9)
    count = np.ceil((other - corner) / cell).astype(int) + 1

    def cells(x: Array) -> NDArray[np.intp]:
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
