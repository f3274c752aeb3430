"""Triangles as strips of horizontal slices, and how far slices are from what a rectangle sweeps in plan.

A triangle is cut at its middle height into two strips. Within a strip the horizontal slice is a segment whose
ends move in straight lines, and all slices are parallel.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.planar import segment_segment, segment_swept_rectangle

Array = NDArray[np.float64]
Index = NDArray[np.integer[Any]]


@dataclass(frozen=True)
class Strips:
    """Halves of triangles: slice t in [0, 1] runs from a0 + t (a1 - a0) to b0 + t (b1 - b0), z alike."""

    a0: Array
    a1: Array
    b0: Array
    b1: Array
    z0: Array
    z1: Array


def strips_of(triangles: Array) -> tuple[Strips, NDArray[np.intp]]:
    """The strips (S) of triangles (N, 3, 3), and of which triangle each one is (S,)."""
    order = np.argsort(triangles[:, :, 2], axis=1)
    v = np.take_along_axis(triangles, order[:, :, None], axis=1)
    low, mid, high = v[:, 0], v[:, 1], v[:, 2]
    rise = high[:, 2] - low[:, 2]
    share = np.divide(mid[:, 2] - low[:, 2], rise, out=np.zeros(len(v)), where=rise > 0.0)
    across = low + share[:, None] * (high - low)
    # where two corners share a height one of the halves is an edge of the other
    lower = np.flatnonzero(mid[:, 2] > low[:, 2])
    upper = np.flatnonzero((high[:, 2] > mid[:, 2]) | (rise == 0.0))
    owner = np.concatenate([lower, upper])
    a0 = np.concatenate([low[lower], mid[upper]])
    a1 = np.concatenate([mid[lower], high[upper]])
    b0 = np.concatenate([low[lower], across[upper]])
    b1 = np.concatenate([across[lower], high[upper]])
    strips = Strips(a0[:, :2], a1[:, :2], b0[:, :2], b1[:, :2], a0[:, 2], a1[:, 2])
    return strips, owner


def outline(
    a: Array, b: Array, p: Array, q: Array, rect: Array, boxed: NDArray[np.bool_], row: Index
) -> Array:
    """Distance (n,) from segments a-b to what a rectangle, or a point, of a table covers along p-q."""
    some = boxed[row]
    j = np.flatnonzero(some)
    if not len(j):
        return segment_segment(a, b, p, q)
    g = np.empty(len(a))
    i = np.flatnonzero(~some)
    if len(i):
        g[i] = segment_segment(a[i], b[i], p[i], q[i])
    g[j] = segment_swept_rectangle(a[j], b[j], p[j], q[j], rect[row[j]])
    return g


def in_strip(x: Array, a0: Array, a1: Array, b0: Array, b1: Array) -> NDArray[np.bool_]:
    """Whether points (N, 2) lie in the quadrangles a0 a1 b1 b0; a quadrangle of no width holds none.

    The corners must be the triangle's own: an end that comes to a point must do so to the last digit, since a
    side of no length says nothing about where it points.
    """

    def side(c: Array, d: Array) -> Array:
        e, f = d - c, x - c
        return np.asarray(e[:, 0] * f[:, 1] - e[:, 1] * f[:, 0])

    sides = [side(a0, a1), side(a1, b1), side(b1, b0), side(b0, a0)]
    left = np.minimum.reduce(sides) >= 0.0
    right = np.maximum.reduce(sides) <= 0.0
    flat = np.maximum.reduce([np.abs(s) for s in sides]) == 0.0
    return np.asarray((left | right) & ~flat)
