"""What FCL needs to see: triangles, a path and pieces go in; which triangles, and which bits of the path for
which piece, can hold the smallest distance come out, by plain boxes only.

FCL takes seconds to build its trees over large models, and little of them can matter. Some triangles held
against the head where it stands at a few places give a distance that is really there; whatever lies in a
box farther away than that is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.sweep.heads import Piece

Array = NDArray[np.float64]
Boxes = tuple[Array, Array]

#: bodies with fewer triangles are given to FCL whole
MANY = 4000
#: what is added to the distance that is there: the envelope's mesh stands out by less
_SLACK = 0.01
_PROBES = 48
_STANDS = 12
_CELLS = 300


@dataclass(frozen=True)
class Neighbourhood:
    """The rows of a body's triangles that can be nearest, the box about them, the distance to look within."""

    rows: NDArray[np.intp]
    low: Array
    high: Array
    reach: float


def neighbourhood(triangles: Array, boxes: Boxes, path: Array, pieces: Sequence[Piece]) -> Neighbourhood:
    """Which of ``triangles`` (N, 3, 3) can be nearest to the pieces along the polyline ``path`` (n, 2).

    Args:
        boxes: lowest and highest corner (N, 3) of each triangle.
    """
    low, high = boxes
    path = _finer(path)
    p, q = (path[:-1], path[1:]) if len(path) > 1 else (path, path)
    rows, bits = np.arange(len(triangles)), np.arange(len(p))
    box = low.min(axis=0), high.max(axis=0)
    reach = np.inf
    for _ in range(4):
        probes = rows[_spread(len(rows), _PROBES)]
        stands = p[bits[_spread(len(bits), _STANDS)]]
        before = reach
        reach = min(reach, _distance_there(triangles[probes], stands, pieces) + _SLACK)
        if len(rows) >= MANY:
            rows = rows[_within(low[rows], high[rows], path, pieces, reach)]
            box = low[rows].min(axis=0), high[rows].max(axis=0)
        bits = bits[_bits_near(p[bits], q[bits], pieces, box, reach)]
        if not len(bits) or not len(rows) or reach > 0.95 * before:
            break
    return Neighbourhood(rows, *box, float(reach))


def _bits_near(p: Array, q: Array, pieces: Sequence[Piece], box: Boxes, reach: float) -> NDArray[np.bool_]:
    """Along which bits p-q (n, 2) some piece's box comes within ``reach`` of one box (3,)."""
    near = np.zeros(len(p), dtype=bool)
    first, last = np.minimum(p, q), np.maximum(p, q)
    for piece in pieces:
        x0, x1, y0, y1 = piece.rect
        r = float(piece.r.max())
        beside = np.maximum(
            np.maximum(
                first + np.array([x0 - r, y0 - r]) - box[1][:2],
                box[0][:2] - last - np.array([x1 + r, y1 + r]),
            ),
            0.0,
        )
        above = max(piece.z[0] - box[1][2], box[0][2] - piece.z[-1], 0.0)
        near |= (beside * beside).sum(axis=1) + above * above <= reach * reach
    return near


def near_any(low: Array, high: Array, places: Sequence[Neighbourhood]) -> NDArray[np.bool_]:
    """Which boxes (N, 3) come as near to any of the bodies as the distance that is there."""
    near = np.zeros(len(low), dtype=bool)
    for place in places:
        apart = np.maximum(np.maximum(low - place.high, place.low - high), 0.0)
        near |= (apart * apart).sum(axis=1) <= place.reach * place.reach
    return near


def boxes_of(triangles: Array) -> Boxes:
    """Lowest and highest corner (N, 3) of each triangle."""
    a, b, c = (triangles[:, k] for k in range(3))
    return np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)


def _spread(count: int, most: int) -> NDArray[np.intp]:
    """At most ``most`` numbers below ``count``, evenly spread."""
    return np.unique(np.linspace(0, count - 1, min(most, count)).astype(np.intp))


def _finer(path: Array) -> Array:
    """The polyline with long bits divided, so that each one's box is small."""
    step = np.diff(path, axis=0)
    longest = max(float(np.ptp(path, axis=0).max()) / _CELLS * 4.0, 1e-9)
    parts = np.maximum(np.ceil(np.abs(step).max(axis=1) / longest), 1).astype(int)
    if (parts == 1).all():
        return path
    row = np.repeat(np.arange(len(parts)), parts)
    share = (np.arange(len(row)) - np.repeat(np.cumsum(parts) - parts, parts)) / parts[row]
    return np.concatenate([path[row] + share[:, None] * step[row], path[-1:]])


def _distance_there(triangles: Array, stands: Array, pieces: Sequence[Piece]) -> float:
    """The smallest distance of some points of triangles (n, 3, 3) to the head as it stands at some places.

    An upper value: each piece is taken as the cylinder (or rectangle) of its smallest radius.
    """
    best = np.inf
    flat = triangles.repeat(len(stands), axis=0)
    wire = np.tile(stands, (len(triangles), 1))
    for piece in pieces:
        x0, x1, y0, y1 = piece.rect
        middle = wire + np.array([(x0 + x1) / 2, (y0 + y1) / 2])
        z = np.full(len(wire), piece.z.mean())
        points = _nearest_on_triangle(flat, np.column_stack([middle, z]))
        points = np.concatenate([points, flat[:, 0]])
        offset = points[:, :2] - np.concatenate([wire, wire])
        dx = np.maximum(np.maximum(x0 - offset[:, 0], offset[:, 0] - x1), 0.0)
        dy = np.maximum(np.maximum(y0 - offset[:, 1], offset[:, 1] - y1), 0.0)
        beside = np.maximum(np.hypot(dx, dy) - piece.r.min(), 0.0)
        above = np.maximum(np.maximum(piece.z[0] - points[:, 2], points[:, 2] - piece.z[-1]), 0.0)
        best = min(best, float(np.hypot(beside, above).min()))
    return best


def _nearest_on_triangle(triangles: Array, points: Array) -> Array:
    """A point (n, 3) of each triangle, the nearest to the point given or not far from it.

    The foot on the plane where it is inside, else the nearest point of the sides.
    """
    a, b, c = (triangles[:, k] for k in range(3))
    best = a
    least = np.full(len(a), np.inf)
    for start, end in ((a, b), (b, c), (c, a)):
        way = end - start
        length2 = (way * way).sum(axis=1)
        t = np.divide(
            ((points - start) * way).sum(axis=1), length2, out=np.zeros_like(least), where=length2 > 0.0
        )
        at = start + np.clip(t, 0.0, 1.0)[:, None] * way
        gap = ((points - at) ** 2).sum(axis=1)
        best = np.where((gap < least)[:, None], at, best)
        least = np.minimum(least, gap)
    e, f, d = b - a, c - a, points - a
    ee, ef, ff = (e * e).sum(axis=1), (e * f).sum(axis=1), (f * f).sum(axis=1)
    de, df = (d * e).sum(axis=1), (d * f).sum(axis=1)
    det = ee * ff - ef * ef
    safe = np.where(det > 0.0, det, 1.0)
    u, v = (ff * de - ef * df) / safe, (ee * df - ef * de) / safe
    inside = (det > 0.0) & (u >= 0.0) & (v >= 0.0) & (u + v <= 1.0)
    return np.where(inside[:, None], a + u[:, None] * e + v[:, None] * f, best)


def _within(low: Array, high: Array, path: Array, pieces: Sequence[Piece], reach: float) -> NDArray[np.bool_]:
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
    low: Array, high: Array, path: Array, margin: tuple[float, float, float, float]
) -> NDArray[np.bool_]:
    """Whether rectangles (N, 2) meet the boxes of the path's bits, grown by ``margin`` (x0, x1, y0, y1).

    The ground is laid out in cells; counts summed from one corner tell whether a range of cells has any.
    """
    p, q = path[:-1], path[1:]
    if not len(p):
        p = q = path
    first = np.minimum(p, q) + np.array([margin[0], margin[2]])
    last = np.maximum(p, q) + np.array([margin[1], margin[3]])
    corner = first.min(axis=0)
    cell = max(float((last.max(axis=0) - corner).max()) / _CELLS, 1e-9)
    count = np.ceil((last.max(axis=0) - corner) / cell).astype(int) + 1

    def cells(x: Array) -> NDArray[np.intp]:
        at = np.floor((x - corner) / cell)
        return np.minimum(np.maximum(at, -1), count).astype(np.intp)

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
