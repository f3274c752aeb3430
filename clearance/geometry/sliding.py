"""What slides along a line and what stands still go in, as triangles; where they first meet comes out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import AabbSet, boxes_of, neighbours

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
    a, b = _seen(moving @ R.T), _seen(still @ R.T)
    if not len(a) or not len(b):
        return None
    least = np.inf
    # beside each other is what some shift sideways takes apart
    for off in ((BESIDE, 0.0), (-BESIDE, 0.0), (0.0, BESIDE), (0.0, -BESIDE)):
        met = _largest_rise(a, b + np.array([*off, 0.0]), least)
        if met is None:
            return None
        least = min(least, met)
    return least


def _across(way: Array) -> Array:
    """The rotation (3, 3) that takes ``way`` to Z, and Z, where it lies across, to X."""
    z = np.asarray(way, dtype=float)
    x = np.eye(3)[2] - z[2] * z
    if float(np.linalg.norm(x)) < 1e-6:
        x = np.eye(3)[0] - z[0] * z
    x = x / np.linalg.norm(x)
    return np.array([x, np.cross(z, x), z])


def _seen(t: Array) -> Array:
    """The triangles that are not on edge, seen along Z, anticlockwise, neighbours together: (N, 3, 3)."""
    e, f = t[:, 1, :2] - t[:, 0, :2], t[:, 2, :2] - t[:, 0, :2]
    area = e[:, 0] * f[:, 1] - e[:, 1] * f[:, 0]
    t = np.where((area < 0.0)[:, None, None], t[:, ::-1], t)[np.abs(area) > 1e-12]
    return np.asarray(t[neighbours(t)] if len(t) else t)


def _largest_rise(a: Array, b: Array, enough: float) -> float | None:
    """The largest (z of b less z of a) over all points x, y that both cover; None where there is none.

    Branch and bound: groups of ``a`` that may rise most come first, and what cannot beat the incumbent is
    dropped. Where it is ``enough``, it need not be the largest.

    Args:
        a, b: of ``_seen``, at least one each.   enough: mm.
    """
    ours, theirs = AabbSet(*boxes_of(a)), AabbSet(*boxes_of(b))
    low, high = ours.coarse
    bound = _bounds(low, high, *theirs.coarse)
    best = -np.inf
    for g in np.argsort(-bound, kind="stable"):
        if bound[g] <= best or best >= enough:
            break
        mine = ours.inside(np.arange(len(low)) == g)
        first, last = np.array([*low[g, :2], low[g, 2] + best]), np.array([*high[g, :2], np.inf])
        rows = theirs.meeting(first, last)
        rows = rows[np.argsort(-theirs.high[rows, 2], kind="stable")]
        for k in range(0, len(rows), _ROWS):
            some = rows[k : k + _ROWS]
            if theirs.high[some[0], 2] - low[g, 2] <= best:
                break
            boxes = ours.low[mine, None], ours.high[mine, None], theirs.low[some], theirs.high[some]
            i, j = np.nonzero(_rises(*boxes) > best)
            if len(i):
                best = max(best, _rise(a[mine[i]], b[some[j]]))
    return None if best == -np.inf else float(best)


#: boxes or triangles that are looked at together
_ROWS = 4_000


def _rises(low: Array, high: Array, other_low: Array, other_high: Array) -> Array:
    """How much the others may rise over boxes at most; -inf where they do not meet in x and y."""
    apart = np.zeros(np.broadcast_shapes(low.shape, other_low.shape)[:-1], dtype=bool)
    for k in (0, 1):
        apart |= (low[..., k] > other_high[..., k]) | (high[..., k] < other_low[..., k])
    return np.where(apart, -np.inf, other_high[..., 2] - low[..., 2])


def _bounds(low: Array, high: Array, other_low: Array, other_high: Array) -> Array:
    """The largest of ``_rises`` for each of boxes (N, 3) over others (M, 3): (N,)."""
    at_once = max(1, 2_000_000 // len(other_low))
    return np.concatenate(
        [
            _rises(low[k : k + at_once, None], high[k : k + at_once, None], other_low, other_high).max(axis=1)
            for k in range(0, len(low), at_once)
        ]
    )


def _rise(a: Array, b: Array) -> float:
    """The largest z of triangles ``b`` (N, 3, 3) less z of ``a`` (N, 3, 3), pair by pair where both are, or
    -inf.

    The difference is linear on what two share, a convex polygon: its corners are corners of one inside the
    other, and crossings of their edges.
    """
    best = -np.inf
    for one, other, sign in ((a, b, 1.0), (b, a, -1.0)):
        for k in range(3):
            p = one[:, k]
            weights = _weights(p[:, :2], other[:, :, :2])
            inside = (weights >= -1e-12).all(axis=1)
            z = np.einsum("ij,ij->i", weights[inside], other[inside, :, 2])
            best = max(best, float((sign * (z - p[inside, 2])).max(initial=-np.inf)))
    for i in range(3):
        p, d = a[:, i], a[:, (i + 1) % 3] - a[:, i]
        for k in range(3):
            q, e = b[:, k], b[:, (k + 1) % 3] - b[:, k]
            cross = d[:, 0] * e[:, 1] - d[:, 1] * e[:, 0]
            r = q - p
            with np.errstate(divide="ignore", invalid="ignore"):
                s = (r[:, 0] * e[:, 1] - r[:, 1] * e[:, 0]) / cross
                t = (r[:, 0] * d[:, 1] - r[:, 1] * d[:, 0]) / cross
                rise = r[:, 2] + t * e[:, 2] - s * d[:, 2]
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
