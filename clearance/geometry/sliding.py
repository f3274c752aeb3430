"""What slides along a line and what stands still go in, as triangles; where they first meet comes out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import Crowd, boxes_of

Array = NDArray[np.float64]

#: What overlaps sideways by less than this, mm, lies beside what slides (a part on the ledge that goes along
#: under it) and does not stop it. Where faces lean, they so meet up to this much times their slope too late.
BESIDE = 0.01


def first_met(moving: Array, still: Array, way: Array) -> float | None:
    """The shift along ``way`` at which ``moving``, coming back from far ahead, first meets ``still``.

    Both are surfaces of solids. Exact where they meet with faces across the way; see ``BESIDE``.

    Args:
        moving, still: triangles (N, 3, 3), mm, in one frame.
        way: unit vector (3,).

    Returns:
        The largest shift, mm, negative where it has to go back from where it is; None where they pass by.
    """
    R = _across(way)
    a, b = moving @ R.T, still @ R.T
    found: list[float] = []
    # beside each other is what some shift sideways takes apart
    for off in ((BESIDE, 0.0), (-BESIDE, 0.0), (0.0, BESIDE), (0.0, -BESIDE)):
        met = _largest_rise(a, b + np.array([*off, 0.0]))
        if met is None:
            return None
        found.append(met)
    return min(found)


def _across(way: Array) -> Array:
    """The rotation (3, 3) that takes ``way`` to Z, and Z, where it lies across, to X."""
    z = np.asarray(way, dtype=float)
    x = np.eye(3)[2] - z[2] * z
    if float(np.linalg.norm(x)) < 1e-6:
        x = np.eye(3)[0] - z[0] * z
    x = x / np.linalg.norm(x)
    return np.array([x, np.cross(z, x), z])


def _largest_rise(a: Array, b: Array) -> float | None:
    """The largest (z of b less z of a) over all points x, y that both cover; None where there is none.

    Branch and bound: the lowest triangles of ``a`` come first, and what cannot beat the incumbent is dropped.
    """
    a, b = _seen(a), _seen(b)
    if not len(a) or not len(b):
        return None
    b = b[Crowd(*boxes_of(b[:, :, :2])).meeting(a[:, :, :2].min(axis=(0, 1)), a[:, :, :2].max(axis=(0, 1)))]
    if not len(b):
        return None
    b = b[np.argsort(-b[:, :, 2].max(axis=1), kind="stable")]
    crowd, top = Crowd(*boxes_of(b)), b[:, :, 2].max(axis=1)
    bottom = a[:, :, 2].min(axis=1)
    best = -np.inf
    for k in np.argsort(bottom, kind="stable"):
        if top[0] - bottom[k] <= best:
            break
        low, high = a[k].min(axis=0), a[k].max(axis=0)
        rows = crowd.meeting(np.array([*low[:2], bottom[k] + best]), np.array([*high[:2], np.inf]))
        for i in range(0, len(rows), 20_000):
            best = max(best, _rise(a[k], b[rows[i : i + 20_000]]))
    return None if best == -np.inf else float(best)


def _seen(t: Array) -> Array:
    """The triangles that are not on edge, seen along Z, and anticlockwise: (N, 3, 3)."""
    e, f = t[:, 1, :2] - t[:, 0, :2], t[:, 2, :2] - t[:, 0, :2]
    area = e[:, 0] * f[:, 1] - e[:, 1] * f[:, 0]
    t = np.where((area < 0.0)[:, None, None], t[:, ::-1], t)
    return np.asarray(t[np.abs(area) > 1e-12])


def _rise(a: Array, b: Array) -> float:
    """The largest z of triangles ``b`` (N, 3, 3) less z of the triangle ``a`` (3, 3) where both are, or -inf.

    The difference is linear on what they share, a convex polygon: its corners are corners of one inside the
    other, and crossings of their edges.
    """
    best = -np.inf
    many = np.broadcast_to(a, b.shape)
    for one, other, sign in ((many, b, 1.0), (b, many, -1.0)):
        for k in range(3):
            p = one[:, k]
            weights = _weights(p[:, :2], other[:, :, :2])
            inside = (weights >= -1e-12).all(axis=1)
            z = np.einsum("ij,ij->i", weights[inside], other[inside, :, 2])
            best = max(best, float((sign * (z - p[inside, 2])).max(initial=-np.inf)))
    for i in range(3):
        p, d = a[i], a[(i + 1) % 3] - a[i]
        for k in range(3):
            q = b[:, k]
            e = b[:, (k + 1) % 3] - q
            cross = d[0] * e[:, 1] - d[1] * e[:, 0]
            r = q - p
            with np.errstate(divide="ignore", invalid="ignore"):
                s = (r[:, 0] * e[:, 1] - r[:, 1] * e[:, 0]) / cross
                t = (r[:, 0] * d[1] - r[:, 1] * d[0]) / cross
                rise = r[:, 2] + t * e[:, 2] - s * d[2]
            meet = (cross != 0.0) & (s >= 0.0) & (s <= 1.0) & (t >= 0.0) & (t <= 1.0)
            best = max(best, float(rise[meet].max(initial=-np.inf)))
    return best


def _weights(p: Array, t: Array) -> Array:
    """Weights (N, 3) of points (N, 2) in triangles (N, 3, 2), anticlockwise: none negative inside, sum 1."""
    sides = []
    for k in range(3):
        u, v = t[:, (k + 1) % 3], t[:, (k + 2) % 3]
        sides.append((v[:, 0] - u[:, 0]) * (p[:, 1] - u[:, 1]) - (v[:, 1] - u[:, 1]) * (p[:, 0] - u[:, 0]))
    found = np.stack(sides, axis=1)
    return np.asarray(found / found.sum(axis=1, keepdims=True))
