"""Plane distances: arrays of segments and convex outlines go in, arrays of distances come out.

All functions take N problems at once; points are (N, 2), mm, in any one horizontal frame.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def _point_segment_squared(px: Array, py: Array, ax: Array, ay: Array, bx: Array, by: Array) -> Array:
    dx, dy = bx - ax, by - ay
    ex, ey = px - ax, py - ay
    length2 = dx * dx + dy * dy
    along = ex * dx + ey * dy
    with np.errstate(divide="ignore", invalid="ignore"):
        t = along / length2
    # a segment of no length is its first point; nan from 0/0 ends there too
    t = np.where(length2 > 0.0, np.minimum(np.maximum(t, 0.0), 1.0), 0.0)
    ex -= t * dx
    ey -= t * dy
    return ex * ex + ey * ey


def segment_segment(a: Array, b: Array, p: Array, q: Array) -> Array:
    """Smallest distance (N,) between the segments a-b and p-q, 0 where they cross or touch."""
    ax, ay, bx, by = a[:, 0], a[:, 1], b[:, 0], b[:, 1]
    px, py, qx, qy = p[:, 0], p[:, 1], q[:, 0], q[:, 1]
    best = _point_segment_squared(ax, ay, px, py, qx, qy)
    np.minimum(best, _point_segment_squared(bx, by, px, py, qx, qy), out=best)
    np.minimum(best, _point_segment_squared(px, py, ax, ay, bx, by), out=best)
    np.minimum(best, _point_segment_squared(qx, qy, ax, ay, bx, by), out=best)
    dx, dy = bx - ax, by - ay
    side_p = dx * (py - ay) - dy * (px - ax)
    side_q = dx * (qy - ay) - dy * (qx - ax)
    ex, ey = qx - px, qy - py
    side_a = ex * (ay - py) - ey * (ax - px)
    side_b = ex * (by - py) - ey * (bx - px)
    crossing = (side_p * side_q < 0.0) & (side_a * side_b < 0.0)
    return np.where(crossing, 0.0, np.sqrt(best))


def segment_swept_rectangle(a: Array, b: Array, p: Array, q: Array, rect: Array) -> Array:
    """Smallest distance (N,) between the segment a-b and a rectangle that slides along p-q.

    Args:
        rect: (N, 4) x0, x1, y0, y1 of the rectangle relative to the point that runs from p to q.

    The sweep is a convex outline: the hull of the rectangle at both ends. Its distance to a segment is 0
    where an end lies inside, else the smallest distance to the outline's edges. The outline's edges are
    among the two end rectangles' edges and the four tracks of their corners, and all of these lie in the
    sweep, so the smallest distance to them is the distance.
    """
    x0, x1, y0, y1 = rect[:, 0], rect[:, 1], rect[:, 2], rect[:, 3]
    corners = [np.stack(c, axis=1) for c in ((x0, y0), (x1, y0), (x1, y1), (x0, y1))]
    best = np.full(len(a), np.inf)
    for i in range(4):
        c, d = corners[i], corners[(i + 1) % 4]
        np.minimum(best, segment_segment(a, b, p + c, p + d), out=best)
        np.minimum(best, segment_segment(a, b, q + c, q + d), out=best)
        np.minimum(best, segment_segment(a, b, p + c, q + c), out=best)
    return np.where(_in_swept_rectangle(a, p, q, rect), 0.0, best)


def _in_swept_rectangle(a: Array, p: Array, q: Array, rect: Array) -> NDArray[np.bool_]:
    """Whether the rectangle covers point a somewhere on its way: a slab test on the way's parameter."""
    first, last = np.zeros(len(a)), np.ones(len(a))
    inside = np.ones(len(a), dtype=bool)
    for axis in (0, 1):
        step = q[:, axis] - p[:, axis]
        low = a[:, axis] - rect[:, 2 * axis + 1] - p[:, axis]
        high = a[:, axis] - rect[:, 2 * axis] - p[:, axis]
        still = step == 0.0
        with np.errstate(divide="ignore", invalid="ignore"):
            t0, t1 = low / step, high / step
        first = np.where(still, first, np.maximum(first, np.minimum(t0, t1)))
        last = np.where(still, last, np.minimum(last, np.maximum(t0, t1)))
        inside &= ~still | ((low <= 0.0) & (high >= 0.0))
    return inside & (first <= last)
