"""Convex pairs go in, many at a time; certified brackets of their distance come out.

Source of the method: Gilbert, Johnson, Keerthi, "A fast procedure for computing the distance between
complex objects in three-dimensional space", IEEE J. Robotics and Automation 4(2), 1988 (the sub-distance by
cofactors), here over whole arrays. It needs to be trusted in nothing: the upper end is the length of a
difference of two points that lie in the bodies by construction (weights >= 0 with sum 1), the lower end is
the width of the slab that parts them along one direction, and both are formed directly.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: every non-empty subset of four corners, as 0/1 rows: corners, edges, triangles, the tetrahedron
_EDGES = np.array([(0, 1), (0, 2), (0, 3), (1, 2), (1, 3), (2, 3)])
_TRIANGLES = np.array([(0, 1, 2), (0, 1, 3), (0, 2, 3), (1, 2, 3)])
SUBSETS = np.zeros((15, 4), dtype=bool)
SUBSETS[np.arange(4), np.arange(4)] = True
SUBSETS[np.arange(4, 10)[:, None], _EDGES] = True
SUBSETS[np.arange(10, 14)[:, None], _TRIANGLES] = True
SUBSETS[14] = True


@dataclass(frozen=True)
class Pairs:
    """N convex pairs (part, draw). Lengths in mm, one frame for each pair, near its origin for precision.

    Attributes:
        corners: (N, V, 3) of the part; padded by repeating a corner.
        z, r: (N, K) levels of the draw: the draw is the hull of (bit + rect + disc r[k]) at z[k].
        a, b: (N, 2) ends of the straight bit.
        rect: (N, 4) as x0, x1, y0, y1.
        e: (N,) how far the true bit of path may lie from the straight one; 0 for lines.
    """

    corners: Array
    z: Array
    r: Array
    a: Array
    b: Array
    rect: Array
    e: Array

    def __len__(self) -> int:
        return len(self.e)

    def take(self, index: NDArray[np.int64] | NDArray[np.bool_]) -> Pairs:
        return Pairs(*(getattr(self, name)[index] for name in self.__dataclass_fields__))

    def flattened(self) -> Pairs:
        """The shadows on a horizontal plane."""
        return replace(self, corners=self.corners * np.array([1.0, 1.0, 0.0]), z=np.zeros_like(self.z))

    def reach(self, u: Array) -> Array:
        """Support function (N,) of the draw along u (N, 3): the largest u . e over its points."""
        flat = np.hypot(u[:, 0], u[:, 1])
        bit = np.maximum(np.sum(self.a * u[:, :2], 1), np.sum(self.b * u[:, :2], 1))
        rect = np.maximum(self.rect[:, 0] * u[:, 0], self.rect[:, 1] * u[:, 0]) + np.maximum(
            self.rect[:, 2] * u[:, 1], self.rect[:, 3] * u[:, 1]
        )
        level = np.max(self.r * flat[:, None] + self.z * u[:, 2:3], 1)
        return bit + rect + level

    def slab(self, u: Array, side: Array, height: Array) -> Array:
        """Width (N,) of the slab across u (N, 3), not unit: least u . m over M grown by (side, height).

        For every m of M, u . m >= slab + side |u_xy| + height |u_z|: a proof that needs no search.
        """
        part = np.min(np.einsum("nvi,ni->nv", self.corners, u), 1)
        grown = side * np.hypot(u[:, 0], u[:, 1]) + height * np.abs(u[:, 2])
        return part - self.reach(u) - grown

    def farthest(self, u: Array, side: Array, height: Array) -> Array:
        """The point (N, 3) of M, grown, with the least u . m."""
        rows = np.arange(len(self))
        part = self.corners[rows, np.argmin(np.einsum("nvi,ni->nv", self.corners, u), 1)]
        flat = np.hypot(u[:, 0], u[:, 1])
        hat = u[:, :2] / np.where(flat > 0, flat, 1.0)[:, None]
        k = np.argmax(self.r * flat[:, None] + self.z * u[:, 2:3], 1)
        bit = np.where(
            (np.sum(self.a * u[:, :2], 1) >= np.sum(self.b * u[:, :2], 1))[:, None], self.a, self.b
        )
        corner = np.stack(
            [
                np.where(u[:, 0] > 0, self.rect[:, 1], self.rect[:, 0]),
                np.where(u[:, 1] > 0, self.rect[:, 3], self.rect[:, 2]),
            ],
            1,
        )
        draw_xy = bit + corner + (self.r[rows, k] + side)[:, None] * hat
        draw_z = self.z[rows, k] + height * np.sign(u[:, 2])
        return part - np.concatenate([draw_xy, draw_z[:, None]], 1)


@dataclass(frozen=True)
class Bracket:
    """lo <= truth <= hi (N,), and the unit direction u (N, 3) along which the slab is lo wide.

    ``u`` points from the draw to the part.
    """

    lo: Array
    hi: Array
    u: Array


def _dot(x: Array, y: Array) -> Array:
    return np.einsum("...i,...i->...", x, y)


def _cross(x: Array, y: Array) -> Array:
    return x[..., [1, 2, 0]] * y[..., [2, 0, 1]] - x[..., [2, 0, 1]] * y[..., [1, 2, 0]]


def _nearest_of_simplex(Y: Array, used: NDArray[np.bool_]) -> tuple[Array, Array, NDArray[np.bool_]]:
    """The point nearest to the origin of each simplex Y (N, 4, 3): its length (N,), a direction towards it
    (N, 3) and the corners that carry it (N, 4).

    All subsets are formed, those with a weight < 0 dropped, and the shortest kept; so the length is that of
    a true point of the simplex, whatever rounding does to the weights. The direction of a triangle is its
    normal, which stays sharp when the length is all but zero.
    """
    n = len(Y)
    weights = np.zeros((n, 15, 4))
    weights[:, np.arange(4), np.arange(4)] = 1.0
    i, j = _EDGES.T
    edge = Y[:, j] - Y[:, i]
    rows = np.arange(4, 10)
    weights[:, rows, i] = _dot(edge, Y[:, j])
    weights[:, rows, j] = -_dot(edge, Y[:, i])
    i, j, k = _TRIANGLES.T
    a, b, c = Y[:, i], Y[:, j], Y[:, k]
    ab, bc, ca = _cross(a, b), _cross(b, c), _cross(c, a)
    normal = _cross(b - a, c - a)
    rows = np.arange(10, 14)
    weights[:, rows, i] = _dot(normal, bc)
    weights[:, rows, j] = _dot(normal, ca)
    weights[:, rows, k] = _dot(normal, ab)
    turned = np.where(_dot(normal[:, 0], Y[:, 3] - Y[:, 0]) >= 0, 1.0, -1.0)
    volume = [
        _dot(Y[:, 1], _cross(Y[:, 3], Y[:, 2])),
        _dot(Y[:, 0], _cross(Y[:, 2], Y[:, 3])),
        _dot(Y[:, 0], _cross(Y[:, 3], Y[:, 1])),
        _dot(Y[:, 0], _cross(Y[:, 1], Y[:, 2])),
    ]
    weights[:, 14] = -turned[:, None] * np.stack(volume, 1)
    total = weights.sum(2)
    ok = np.all(weights >= 0, axis=2) & ~np.any(SUBSETS & ~used[:, None, :], axis=2) & (total > 0)
    weights /= np.where(ok, total, 1.0)[:, :, None]
    V = weights @ Y
    length = np.where(ok, np.sqrt(_dot(V, V)), np.inf)
    best = np.argmin(length, 1)
    every = np.arange(n)
    v = V[every, best]
    which = best - 10
    flat = (which >= 0) & (which < 4)
    square = normal[every, np.clip(which, 0, 3)]
    square = square * np.where(_dot(square, v) >= 0, 1.0, -1.0)[:, None]
    towards = np.where(flat[:, None], square, v)
    size = np.linalg.norm(towards, axis=1)
    towards = np.where((size > 0)[:, None], towards / np.where(size > 0, size, 1.0)[:, None], 0.0)
    return np.where(best == 14, 0.0, length[every, best]), towards, SUBSETS[best]


def distance(
    pairs: Pairs,
    side: Array | float = 0.0,
    height: Array | float = 0.0,
    start: Array | None = None,
    tol: float = 1e-9,
    touch: float = 1e-10,
    rounds: int = 200,
) -> Bracket:
    """Distance between part and draw, the draw grown by a disc ``side`` and by ``height`` up and down.

    Args:
        start: (N, 3) directions to begin with.
        tol: the gap between lo and hi that is worked for; what cannot be had stays visible as the gap.
        touch: hi below this counts as found.
    """
    n = len(pairs)
    side = np.broadcast_to(np.asarray(side, dtype=float), (n,))
    height = np.broadcast_to(np.asarray(height, dtype=float), (n,))
    lo, hi = np.zeros(n), np.full(n, np.inf)
    best_u = np.zeros((n, 3))
    if n == 0:
        return Bracket(lo, hi, best_u)
    centre = pairs.corners.mean(1)
    if start is None:
        mid = np.concatenate([(pairs.a + pairs.b) / 2, pairs.z.mean(1)[:, None]], 1)
        start = centre - mid
    none = np.linalg.norm(start, axis=1) < 1e-12
    start = np.where(none[:, None], np.array([1.0, 0.0, 0.0]), start)
    best_u[:] = start / np.linalg.norm(start, axis=1)[:, None]
    lo = np.maximum(lo, pairs.slab(best_u, side, height))
    live = np.arange(n)
    Y = np.zeros((n, 4, 3))
    Y[:, 0] = pairs.farthest(best_u, side, height)
    used = np.zeros((n, 4), dtype=bool)
    used[:, 0] = True
    hi = np.linalg.norm(Y[:, 0], axis=1)
    u = Y[:, 0] / np.where(hi > 0, hi, 1.0)[:, None]
    now, s, h = pairs, side, height
    idle = np.zeros(n, dtype=int)
    for _ in range(rounds):
        w = now.farthest(u, s, h)
        width = now.slab(u, s, h)
        better = width > lo[live]
        lo[live[better]] = width[better]
        best_u[live[better]] = u[better]
        again = np.any(used & (np.max(np.abs(Y - w[:, None, :]), 2) == 0.0), 1)
        go = (hi[live] - lo[live] > tol) & (hi[live] > touch) & ~again & (idle < 6)
        if not np.any(go):
            break
        live, Y, used, w, s, h, idle = (x[go] for x in (live, Y, used, w, s, h, idle))
        now = now.take(go)
        slot = np.argmin(used, 1)
        rows = np.arange(len(live))
        Y[rows, slot] = w
        used = used.copy()
        used[rows, slot] = True
        length, u, used = _nearest_of_simplex(Y, used)
        idle = np.where(length < hi[live] * (1 - 1e-12), 0, idle + 1)
        hi[live] = np.minimum(hi[live], length)
    return Bracket(np.minimum(lo, hi), hi, best_u)


@dataclass(frozen=True)
class Measure:
    """side or height of many pairs: lo <= truth, and truth <= hi where the window is wider by 1e-9."""

    lo: Array
    hi: Array


def least_side(pairs: Pairs, window: Array, stop: Array, start: Array | None = None) -> Measure:
    """Least horizontal length over M where |z| <= window (N,); inf where the heights never meet.

    Grow the draw by (t, window): it touches from t = side on. Its distance is convex and falls in t, so
    Newton's steps from the left stay lower bounds, and each is proved by its own slab:
    side >= (slab(u) - window |u_z|) / |u_xy|. Past ``stop`` (N,) nobody asks: hi is inf there.
    """
    return _root(pairs, window, stop, start, sideways=True)


def least_height(pairs: Pairs, window: Array, stop: Array, start: Array | None = None) -> Measure:
    """Least |z| over M where the horizontal length is <= window (N,); inf where that never is."""
    return _root(pairs, window, stop, start, sideways=False)


def _root(pairs: Pairs, window: Array, stop: Array, start: Array | None, sideways: bool) -> Measure:
    n = len(pairs)
    lo, hi = np.zeros(n), np.full(n, np.inf)
    live = np.arange(n)
    now, w, cap = pairs, window, stop
    u = start
    for _ in range(60):
        if len(live) == 0:
            break
        t = lo[live]
        side, height = (t, w) if sideways else (w, t)
        got = distance(now, side, height, start=u)
        rate = np.hypot(got.u[:, 0], got.u[:, 1]) if sideways else np.abs(got.u[:, 2])
        found = got.hi <= 1e-9
        hi[live[found]] = t[found] + 1e-9
        with np.errstate(divide="ignore"):
            step = np.where(rate > 1e-12, got.lo / np.maximum(rate, 1e-12), np.inf)
        stuck = ~found & (step <= 1e-13)
        hi[live[stuck]] = np.where(got.hi[stuck] < 1e-7, t[stuck] + 1e-7, np.nan)
        lo[live] = np.where(found, t, t + step)
        go = ~found & ~stuck & (lo[live] <= cap) & np.isfinite(lo[live])
        live, w, cap = live[go], w[go], cap[go]
        now = now.take(go)
        u = got.u[go]
    return Measure(lo, hi)
