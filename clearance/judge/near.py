"""Which triangles FCL needs to see: triangles, a path and pieces go in, the rows that can hold the smallest
distance come out, by plain boxes only.

FCL takes seconds to build its tree over a large model, and only the triangles near the head can matter. A
few corners held against the head where it stands at a few places give a distance that is really there; a
triangle whose box is farther than that from every place of the head is left out.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from clearance.sweep.heads import Piece

Array = NDArray[np.float64]

#: bodies with fewer triangles are given to FCL whole
MANY = 4000
#: what is added to the distance that is there: the envelope's mesh stands out by less
_SLACK = 0.01
_PROBES = 1500
_STANDS = 48
_CELLS = 300


def near_rows(
    triangles: Array, boxes: tuple[Array, Array], path: Array, pieces: Sequence[Piece]
) -> tuple[NDArray[np.intp], float]:
    """Rows of ``triangles`` (N, 3, 3) that can be nearest to the pieces along the polyline ``path`` (n, 2),
    and the distance that none of the others comes within.

    Args:
        boxes: lowest and highest corner (N, 3) of each triangle.
    """
    low, high = boxes
    path = _finer(path)
    rows = np.arange(len(triangles))
    stands = path[np.unique(np.linspace(0, len(path) - 1, _STANDS).astype(int))]
    reach = np.inf
    for _ in range(4):
        probes = rows[np.unique(np.linspace(0, len(rows) - 1, _PROBES).astype(int))]
        reach = min(reach, _distance_there(triangles[probes, 0], stands, pieces) + _SLACK)
        kept = rows[_within(low[rows], high[rows], path, pieces, reach)]
        enough = len(kept) > 0.7 * len(rows) or len(kept) < MANY
        rows = kept
        if enough or not len(rows):
            break
    return rows, float(reach)


def near_box(boxes: tuple[Array, Array], low: Array, high: Array, reach: float) -> NDArray[np.bool_]:
    """Which boxes (N, 3) come within ``reach`` of one box (3,)."""
    apart = np.maximum(np.maximum(boxes[0] - high, low - boxes[1]), 0.0)
    return np.asarray((apart * apart).sum(axis=1) <= reach * reach)


def boxes_of(triangles: Array) -> tuple[Array, Array]:
    """Lowest and highest corner (N, 3) of each triangle."""
    a, b, c = (triangles[:, k] for k in range(3))
    return np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)


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


def _distance_there(points: Array, stands: Array, pieces: Sequence[Piece]) -> float:
    """The smallest distance of points (n, 3) to the pieces' widest boxes' cores, as the head stands there.

    An upper value: each piece is taken as the cylinder (or rectangle) of its smallest radius.
    """
    best = np.inf
    for piece in pieces:
        x0, x1, y0, y1 = piece.rect
        offset = points[:, None, :2] - stands[None]
        dx = np.maximum(np.maximum(x0 - offset[..., 0], offset[..., 0] - x1), 0.0)
        dy = np.maximum(np.maximum(y0 - offset[..., 1], offset[..., 1] - y1), 0.0)
        beside = np.maximum(np.hypot(dx, dy) - piece.r.min(), 0.0)
        z = points[:, None, 2]
        above = np.maximum(np.maximum(piece.z[0] - z, z - piece.z[-1]), 0.0)
        best = min(best, float(np.hypot(beside, above).min()))
    return best


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
