"""Two surfaces go in, as triangles; how far they are apart at least comes out.

Of two triangles the nearest points are a corner and a place on the other, or places on an edge of each; where
an edge goes through the other, they meet (Ericson, Real-Time Collision Detection, 2005, 5.1; from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import AabbSet
from clearance.geometry.facets import cross, normals
from clearance.records import record

Array = NDArray[np.float64]
Index = NDArray[np.intp]

#: pairs of boxes that are looked at together
_PAIRS = 1_000_000
#: pairs of triangles that are: few at first, since what touches is mostly seen at once
_FIRST, _TOGETHER = 64, 10_000


@record
class BoxedTriangles:
    """A surface: triangles (N, 3, 3), mm, and the boxes about them, in their order."""

    triangles: Array
    boxes: AabbSet


def apart(a: BoxedTriangles, b: BoxedTriangles, within: float, enough: float = 0.0) -> float | None:
    """How far two surfaces are apart, mm; 0 where they meet. What one swallows it does not meet.

    Args:
        a, b: in one frame.   within: None is told where they are farther apart than this.
        enough: a distance no larger than this need not be the least.
    """
    (a_low, a_high), (b_low, b_high) = a.boxes.box, b.boxes.box
    mine = a.boxes.meeting(b_low - within, b_high + within)
    theirs = b.boxes.meeting(a_low - within, a_high + within)
    best = np.inf
    if not len(mine) or not len(theirs):
        return None
    rows = max(1, _PAIRS // len(theirs))
    for k in range(0, len(mine), rows):
        some = mine[k : k + rows]
        square = _between_boxes(a.boxes, b.boxes, some, theirs)
        i, j = np.nonzero(square <= min(best, within) ** 2)
        order = np.argsort(square[i, j], kind="stable")
        i, j, least = some[i[order]], theirs[j[order]], square[i, j][order]
        first, count = 0, _FIRST
        while first < len(i) and least[first] <= best**2 and best > enough:
            part = slice(first, first + count)
            best = min(best, float(of_pairs(a.triangles[i[part]], b.triangles[j[part]]).min()))
            first, count = first + count, _TOGETHER
    return best if best <= within else None


def _between_boxes(a: AabbSet, b: AabbSet, mine: Index, theirs: Index) -> Array:
    """The squared distances (M, N) of some boxes from others."""
    square = np.zeros((len(mine), len(theirs)))
    for axis in range(3):
        over = a.low[mine, axis, None] - b.high[theirs, axis]
        under = b.low[theirs, axis] - a.high[mine, axis, None]
        square += np.maximum(np.maximum(over, under), 0.0) ** 2
    return square


def of_pairs(a: Array, b: Array) -> Array:
    """The distances (P,) of triangles from others, pair by pair, mm; 0 where they meet.

    Args:
        a, b: (P, 3, 3) each, mm.
    """
    n = len(a)
    each = np.concatenate([a, b])
    other = np.concatenate([b, a])
    normal = normals(other)
    # all at once: what numpy takes for a call is more than these sums take for few pairs
    corner, face = each.transpose(1, 0, 2).reshape(-1, 3), np.tile(other, (3, 1, 1))
    over = _point_triangle(corner, face, np.tile(normal, (3, 1)))
    end = each[:, (1, 2, 0)].transpose(1, 0, 2).reshape(-1, 3)
    through = _pierces(corner, end, face, np.tile(normal, (3, 1)))
    i, k = np.repeat(np.arange(3), 3), np.tile(np.arange(3), 3)
    ends = (a[:, i], a[:, (i + 1) % 3], b[:, k], b[:, (k + 1) % 3])
    between = _segment_segment(*(e.reshape(-1, 3) for e in ends))
    square = np.minimum(over.reshape(6, n).min(axis=0), between.reshape(n, 9).min(axis=1))
    square[through.reshape(6, n).any(axis=0)] = 0.0
    return np.asarray(np.sqrt(square))


def _point_triangle(p: Array, t: Array, n: Array) -> Array:
    """The squared distances (P,) of points (P, 3) from triangles with normals n, where they lie over them;
    else infinite: an edge is nearer then, and edges are looked at by themselves."""
    size = np.einsum("ij,ij->i", n, n)
    over = size > 0.0
    for k in range(3):
        side = cross(t[:, (k + 1) % 3] - t[:, k], p - t[:, k])
        over &= np.einsum("ij,ij->i", side, n) >= 0.0
    high = np.einsum("ij,ij->i", p - t[:, 0], n)
    return np.where(over, high**2 / np.where(over, size, 1.0), np.inf)


def _segment_segment(a: Array, b: Array, p: Array, q: Array) -> Array:
    """The squared distances (P,) of segments a-b from p-q (Ericson, 5.1.9)."""
    d, e, r = b - a, q - p, a - p
    dd, ee, de = (np.einsum("ij,ij->i", x, y) for x, y in ((d, d), (e, e), (d, e)))
    dr, er = (np.einsum("ij,ij->i", x, r) for x in (d, e))
    bent = dd * ee - de**2
    some = bent > 1e-12 * dd * ee
    s = np.where(some, np.clip((de * er - dr * ee) / np.where(some, bent, 1.0), 0.0, 1.0), 0.0)
    long = ee > 0.0
    t = np.where(long, (de * s + er) / np.where(long, ee, 1.0), 0.0)
    clipped = np.clip(t, 0.0, 1.0)
    there = dd > 0.0
    s = np.where(there, np.clip((clipped * de - dr) / np.where(there, dd, 1.0), 0.0, 1.0), 0.0)
    gap = r + s[:, None] * d - clipped[:, None] * e
    return np.asarray(np.einsum("ij,ij->i", gap, gap))


def _pierces(a: Array, b: Array, t: Array, n: Array) -> NDArray[np.bool_]:
    """Whether segments a-b (P, 3) each go through triangles with normals n."""
    way = b - a
    sides = []
    for k in range(3):
        u, v = t[:, k] - a, t[:, (k + 1) % 3] - a
        sides.append(np.einsum("ij,ij->i", way, cross(u, v)))
    s = np.array(sides)
    round_ = (s >= 0.0).all(axis=0) | (s <= 0.0).all(axis=0)
    first, last = (np.einsum("ij,ij->i", p - t[:, 0], n) for p in (a, b))
    return np.asarray(round_ & (first * last <= 0.0) & (first != last))
