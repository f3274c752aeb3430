"""Places of a head on its path: a path and boxes go in, the places nearest to them come out; triangles and
places go in, how far the head as it stands there is from them comes out.

Such a distance is really there, and bounds the smallest one from above.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import AabbSet, Boxes
from clearance.geometry.transforms import extent
from clearance.kernels.sweeps import WarmStart
from clearance.scene.heads import HeadPiece

Array = NDArray[np.float64]
Index = NDArray[np.intp]

#: a path's extent is divided into so many bits or cells
CELLS = 300
#: a path's bits are divided into hardly more than so many in all, besides those that there are
_MOST = 50_000
#: places of the head that are looked at
POSITIONS = 6
#: pairs of boxes that are held against each other at once
_AT_ONCE = 200_000
#: triangles that are held against a head that stands
PROBES = 16
#: a place at which a head is no farther from a body than was said, and this, is as good as the best one, mm
NEAR_ENOUGH = 0.05
#: boxes are taken larger by this where a point is looked for on what they hold, mm
_SLACK = 0.001


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

    def nearest(self, places: Array) -> Array:
        """The places (n, 2) on the path that are nearest to other places (n, 2), mm."""
        along = self.q - self.p
        length2 = (along * along).sum(axis=1)
        out = np.empty_like(places)
        for k, place in enumerate(places):
            t = ((place - self.p) * along).sum(axis=1)
            t = np.divide(t, length2, out=np.zeros_like(t), where=length2 > 0.0)
            on = self.p + np.minimum(np.maximum(t, 0.0), 1.0)[:, None] * along
            off = on - place
            out[k] = on[int(np.argmin((off * off).sum(axis=1)))]
        return out

    def first_positions(self, pieces: Sequence[HeadPiece], box: Boxes) -> Array:
        """Some places of the head (n, 2): those nearest to a box as far as the coarser boxes tell, and others
        all along the way.

        Args:
            pieces: of a head.   box: lowest and highest corner (3,), mm, in the frame of the path.
        """
        apart = bits_apart(*self.aabbs.coarse, pieces, box)
        coarse = np.zeros(len(apart), dtype=bool)
        coarse[np.argsort(apart, kind="stable")[:POSITIONS]] = True
        near = self.aabbs.inside(coarse)
        return self.p[np.union1d(near[spread(len(near), POSITIONS)], spread(len(self.p), POSITIONS))]


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


def boxes_apart(low: Array, high: Array, other_low: Array, other_high: Array) -> Array:
    """How far (...) boxes (..., 3) are apart.

    Args:
        low, high: corners of the boxes, mm.   other_low, other_high: of the others.
    """
    x, y, z = (
        np.maximum(np.maximum(low[..., k] - other_high[..., k], other_low[..., k] - high[..., k]), 0.0)
        for k in range(3)
    )
    return np.asarray(np.sqrt(x * x + y * y + z * z))


class BodyBoxes:
    """Some bodies, each told by a box about it and by boxes about groups of its triangles.

    Args:
        boxes: of each body lowest and highest corner (3,), mm.
        groups: of each the same of its groups (G, 3).
    """

    def __init__(self, boxes: Sequence[Boxes], groups: Sequence[Boxes]) -> None:
        self.low, self.high = (np.array([box[k] for box in boxes]).reshape(-1, 3) for k in range(2))
        most = max((len(low) for low, _ in groups), default=0)
        # a body with fewer groups has its last one again
        which = [np.minimum(np.arange(most), len(low) - 1) for low, _ in groups]
        self.groups_low, self.groups_high = (
            np.array([each[k][some] for each, some in zip(groups, which, strict=True)]) for k in range(2)
        )

    def within(self, low: Array, high: Array, reach: Array) -> NDArray[np.bool_]:
        """Which boxes (n, 3) are within ``reach`` ((bodies,) or (n, bodies)) of some body; a reach that is no
        number leaves nothing out.

        Args:
            low, high: corners of the boxes, mm.   reach: mm.
        """
        out = np.zeros(len(low), dtype=bool)
        out[self.pairs(low, high, reach)[0]] = True
        return out

    def pairs(self, low: Array, high: Array, reach: Array) -> tuple[Index, Index]:
        """The same as pairs (p,): which box is within ``reach`` of which body.

        Args:
            low, high, reach: as for ``within``.
        """
        if not len(self.low):
            return np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp)
        rows: list[Index] = []
        bodies: list[Index] = []
        reach = np.broadcast_to(reach, (len(low), len(self.low)))
        step = max(_AT_ONCE // len(self.low), 1)
        for k in range(0, len(low), step):
            some = slice(k, k + step)
            near = ~(boxes_apart(low[some, None], high[some, None], self.low, self.high) > reach[some])
            row, body = np.nonzero(near)
            row += k
            for j in range(0, len(row), step):
                r, b = row[j : j + step], body[j : j + step]
                each = boxes_apart(low[r, None], high[r, None], self.groups_low[b], self.groups_high[b]).min(
                    axis=1
                )
                seen = ~(each > reach[r, b])
                rows.append(r[seen])
                bodies.append(b[seen])
        if not rows:
            return np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp)
        return np.concatenate(rows), np.concatenate(bodies)


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


class Started(NamedTuple):
    """A distance that is there, and from which place of the wire (2,), piece and triangle it was had, mm."""

    there: float
    wire: Array
    piece: HeadPiece
    triangle: int


def started(
    path: PathBoxes, pieces: Sequence[HeadPiece], bodies: Sequence[tuple[Array, AabbSet, WarmStart]]
) -> list[Started | None]:
    """How far bodies are from the head as it stands on the path where each is said to be nearest; None where
    it is farther there than was said, or nothing is there.

    Upper values: a point of a triangle, and a point of a piece at a place of the path.

    Args:
        path, pieces: of the head.   bodies: of each the triangles (N, 3, 3), their boxes and where to look.
    """
    wire = path.nearest(np.array([start.wire for _, _, start in bodies]).reshape(-1, 2))
    rows = [
        boxes.meeting(start.on_item - _SLACK, start.on_item + _SLACK)[:PROBES] for _, boxes, start in bodies
    ]
    count = np.array([len(some) for some in rows], dtype=np.intp)
    out: list[Started | None] = [None] * len(bodies)
    if not count.sum():
        return out
    owner = np.repeat(np.arange(len(bodies)), count)
    on_head = np.array([start.on_head for _, _, start in bodies])[owner]
    triangles = np.concatenate([each[some] for (each, _, _), some in zip(bodies, rows, strict=True)])
    points = _Triangles(triangles).nearest(on_head)
    offset = points[:, :2] - wire[owner]
    best, which = np.full(len(points), np.inf), np.zeros(len(points), dtype=np.intp)
    for k, piece in enumerate(pieces):
        x0, x1, y0, y1 = piece.rect
        low, high = np.array([x0, y0]), np.array([x1, y1])
        off = offset - np.minimum(np.maximum(offset, low), high)
        beside = np.sqrt(off[:, 0] ** 2 + off[:, 1] ** 2)
        for z in (points[:, 2], on_head[:, 2]):
            z = np.minimum(np.maximum(z, piece.z[0]), piece.z[-1])
            side, over = np.maximum(beside - np.interp(z, piece.z, piece.r), 0.0), points[:, 2] - z
            gap = np.sqrt(side * side + over * over)
            nearer = gap < best
            best[nearer], which[nearer] = gap[nearer], k
    for k, (begin, some) in enumerate(zip((np.cumsum(count) - count).tolist(), rows, strict=True)):
        if not len(some):
            continue
        least = begin + int(np.argmin(best[begin : begin + len(some)]))
        # farther than was said: that is of another part of the head
        if best[least] <= bodies[k][2].apart + NEAR_ENOUGH:
            out[k] = Started(float(best[least]), wire[k], pieces[int(which[least])], int(some[least - begin]))
    return out


def nearest_boxes(
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


def standing_distance(
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


def nearest_points(triangles: Array, points: Array) -> Array:
    """Of each of some triangles (n, 3, 3) the point (n, 3) that is nearest to another point (n, 3), mm."""
    return _Triangles(triangles).nearest(points)


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
