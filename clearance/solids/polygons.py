"""Faces with more than three corners go in; triangles that cover each exactly come out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def triangulated(points: Floats, face: Sequence[int]) -> list[tuple[int, int, int]]:
    """Triangles of corner numbers that cover the polygon ``face`` of ``points`` (N, 3) and keep its edges.

    Ears are cut off one by one, an ear being a corner that turns the right way with no other corner in
    its triangle (Meisters, Amer. Math. Monthly 82 (1975), 648-651). A face that is not flat or crosses
    itself is fanned out where no ear is left; its edges stay, so that the body closes all the same.
    """
    left = list(face)
    if len(left) == 3:
        return [(left[0], left[1], left[2])]
    flat = _flattened(points[left])
    at = dict(enumerate(left))
    ring = list(range(len(left)))
    triangles: list[tuple[int, int, int]] = []
    while len(ring) > 3:
        k = next((k for k in range(len(ring)) if _is_ear(flat, ring, k)), None)
        k = 1 if k is None else k
        a, b, c = ring[k - 1], ring[k], ring[(k + 1) % len(ring)]
        triangles.append((at[a], at[b], at[c]))
        del ring[k]
    triangles.append((at[ring[0]], at[ring[1]], at[ring[2]]))
    return triangles


def _flattened(corners: Floats) -> Floats:
    """The corners (N, 2) in the plane of the polygon, running anticlockwise (Newell's normal)."""
    centred = corners - corners[0]
    normal = np.cross(centred, np.roll(centred, -1, axis=0)).sum(axis=0)
    drop = int(np.argmax(np.abs(normal)))
    first, second = (drop + 1) % 3, (drop + 2) % 3
    flat = centred[:, [first, second]]
    return flat if normal[drop] >= 0.0 else flat[:, ::-1]


def _turn(a: Floats, b: Floats, c: Floats) -> float:
    return float((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))


def _is_ear(flat: Floats, ring: list[int], k: int) -> bool:
    """Can corner k of the ring be cut off?"""
    ia, ib, ic = ring[k - 1], ring[k], ring[(k + 1) % len(ring)]
    a, b, c = flat[ia], flat[ib], flat[ic]
    if _turn(a, b, c) <= 0.0:
        return False
    for other in ring:
        p = flat[other]
        if other in (ia, ib, ic) or any((p == q).all() for q in (a, b, c)):
            continue
        if _turn(a, b, p) >= 0.0 and _turn(b, c, p) >= 0.0 and _turn(c, a, p) >= 0.0:
            return False
    return True
