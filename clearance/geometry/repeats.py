"""Lines that go over themselves: what is there once, and whether they cross themselves a lot."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Whole = NDArray[np.int64]


def ways(segments: Array, same: float) -> Whole:
    """Rows (N, 4) that are equal where segments (N, 2, 2) have equal ends, whichever way they run.

    Args:
        same: ends are rounded to a grid of so many mm.
    """
    grid = np.rint(segments.reshape(-1, 4) / same).astype(np.int64)
    a, b = grid[:, :2], grid[:, 2:]
    turned = (a[:, 0] > b[:, 0]) | ((a[:, 0] == b[:, 0]) & (a[:, 1] > b[:, 1]))
    grid[turned] = grid[turned][:, [2, 3, 0, 1]]
    return grid


def first_of_each(rows: Whole) -> NDArray[np.intp]:
    """Indices, rising, of the rows (N, k) that are not like an earlier one. Exact: hashes only sort them."""
    if not len(rows):
        return np.empty(0, dtype=np.intp)
    mixed = np.zeros(len(rows), dtype=np.uint64)
    with np.errstate(over="ignore"):
        for k in range(rows.shape[1]):
            # Fibonacci hashing (Knuth, The Art of Computer Programming 3, 6.4; the constant from memory)
            mixed = (mixed ^ rows[:, k].view(np.uint64)) * np.uint64(0x9E3779B97F4A7C15)
            mixed ^= mixed >> np.uint64(29)
    order = np.argsort(mixed, kind="stable")
    ordered = rows[order]
    new = np.r_[True, (ordered[1:] != ordered[:-1]).any(axis=1)]
    return np.sort(order[new])


def tangled(points: Array, reach: float = 0.0) -> bool:
    """Whether a line through points (N, 2) meets itself at far more places than one that only goes on.

    It does, too, where it comes within twice ``reach``, mm.

    Told by boxes about bits of it, a thousand at most, so that it costs little.
    """
    import shapely

    if len(points) < 2:
        return False
    first = np.arange(0, len(points) - 1, max(len(points) // 1000, 8))
    low = np.minimum.reduceat(np.minimum(points[:-1], points[1:]), first)
    high = np.maximum.reduceat(np.maximum(points[:-1], points[1:]), first)
    low, high = low - reach, high + reach
    boxes = shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])
    # each meets itself and its two neighbours
    return bool(shapely.STRtree(boxes).query(boxes).shape[1] > 6 * len(boxes))
