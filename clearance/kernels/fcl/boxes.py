"""Boxes about bits of a path go in; which are near to another box, and how far apart, comes out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import Boxes, Crowd
from clearance.scene.heads import Piece

Array = NDArray[np.float64]

#: a path's extent is divided into so many bits or cells
CELLS = 300
#: a path's bits are divided into hardly more than so many in all, besides those that there are
_MOST = 50_000
#: places of the head that are looked at
_POSITIONS = 6


class PathBoxes:
    """A path as straight bits from p to q (n, 2), so short that each one's box is small."""

    def __init__(self, runs: Sequence[Array]) -> None:
        whole = np.concatenate(runs)
        length = sum(float(np.hypot(*np.diff(points, axis=0).T).sum()) for points in runs)
        longest = max(float(np.ptp(whole, axis=0).max()) / CELLS * 4.0, length / _MOST, 1e-9)
        finer = [_finer(points, longest) for points in runs]
        self.p = np.concatenate([points[:-1] for points in finer])
        self.q = np.concatenate([points[1:] for points in finer])
        self.crowd = Crowd(np.minimum(self.p, self.q), np.maximum(self.p, self.q))

    def near(self, pieces: Sequence[Piece], box: Boxes, reach: float) -> tuple[NDArray[np.intp], Array]:
        """The bits along which the box that some piece sweeps comes within ``reach`` of ``box``, and how far
        apart, squared, they are."""
        bits = self.crowd.inside(bits_apart(*self.crowd.coarse, pieces, box) <= reach * reach)
        apart = bits_apart(self.crowd.low[bits], self.crowd.high[bits], pieces, box)
        return bits[apart <= reach * reach], apart[apart <= reach * reach]

    def nearer_ends(self, bits: NDArray[np.intp], pieces: Sequence[Piece], box: Boxes) -> Array:
        """Of each of some bits (k,) the end (k, 2) at which the box of some piece is nearer to ``box``."""
        p, q = self.p[bits], self.q[bits]
        nearer = bits_apart(p, p, pieces, box) <= bits_apart(q, q, pieces, box)
        return np.where(nearer[:, None], p, q)

    def first_positions(self, pieces: Sequence[Piece], box: Boxes) -> Array:
        """Some places of the head (n, 2): those nearest to a box as far as the coarser boxes tell, and others
        all along the way."""
        apart = bits_apart(*self.crowd.coarse, pieces, box)
        coarse = np.zeros(len(apart), dtype=bool)
        coarse[np.argsort(apart, kind="stable")[:_POSITIONS]] = True
        near = self.crowd.inside(coarse)
        return self.p[np.union1d(near[spread(len(near), _POSITIONS)], spread(len(self.p), _POSITIONS))]


def apart_squared(low: Array, high: Array, r: float, other_low: Array, other_high: Array) -> Array:
    """Squared distance (...) of boxes (..., 3), grown sideways by ``r``, from other boxes (..., 3)."""
    x = np.maximum(np.maximum(low[..., 0] - other_high[..., 0], other_low[..., 0] - high[..., 0]), 0.0)
    y = np.maximum(np.maximum(low[..., 1] - other_high[..., 1], other_low[..., 1] - high[..., 1]), 0.0)
    z = np.maximum(np.maximum(low[..., 2] - other_high[..., 2], other_low[..., 2] - high[..., 2]), 0.0)
    beside = np.maximum(np.sqrt(x * x + y * y) - r, 0.0)
    return np.asarray(beside * beside + z * z)


def bits_apart(low: Array, high: Array, pieces: Sequence[Piece], box: Boxes) -> Array:
    """How far, squared (n,), the box that some piece sweeps as the wire goes through each rectangle low-high
    (n, 2) is from one box (3,)."""
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
