"""Intervals of numbers go in, their union comes out: what it covers, where its gaps are, what bounds them.

Lines that go over themselves: what is there once, and whether they cross themselves a lot.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Tags = NDArray[np.int64]


class Union:
    """Closed intervals that grow together; each end keeps the tag of the interval that ends there.

    Attributes:
        low, high: (n,) the disjoint intervals in ascending order.   low_tag, high_tag: (n,).
    """

    def __init__(self) -> None:
        self.low, self.high = np.empty(0), np.empty(0)
        self.low_tag, self.high_tag = np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)

    def add(self, low: Array, high: Array, tag: Tags) -> None:
        """Take in intervals (m,), each with a tag (m,); those with high < low are nothing."""
        some = high >= low
        low, high, tag = low[some], high[some], tag[some]
        if not len(low):
            return
        lows, highs = np.concatenate([self.low, low]), np.concatenate([self.high, high])
        low_tags, high_tags = np.concatenate([self.low_tag, tag]), np.concatenate([self.high_tag, tag])
        order = np.argsort(lows, kind="stable")
        lows, highs, low_tags, high_tags = lows[order], highs[order], low_tags[order], high_tags[order]
        so_far = np.maximum.accumulate(highs)
        first = np.flatnonzero(np.r_[True, lows[1:] > so_far[:-1]])
        last = np.r_[first[1:], len(lows)] - 1
        # the row of the farthest end so far
        farthest = np.maximum.accumulate(np.where(highs == so_far, np.arange(len(highs)), 0))
        self.low, self.low_tag = lows[first], low_tags[first]
        self.high, self.high_tag = so_far[last], high_tags[farthest[last]]

    def holds(self, low: Array, high: Array, slack: float = 0.0) -> NDArray[np.bool_]:
        """Which intervals (m,) lie within one interval of the union, save for ``slack`` at its ends.

        Args:
            low, high: the ends (m,) of the intervals asked about, in the unit of the union.
            slack: by so much one may reach out of the union at either end.
        """
        if not len(self.low):
            return np.zeros(len(low), dtype=bool)
        at = np.searchsorted(self.low, low + slack, side="right") - 1
        return np.asarray((at >= 0) & (self.high[np.maximum(at, 0)] + slack >= high))

    def gaps(self, first: float, last: float, slack: float = 0.0) -> list[tuple[float, float, int, int]]:
        """What the union, each end moved outward by ``slack``, leaves of [first, last].

        Returns:
            (low, high, tag, tag): each gap with what bounds it below and above, -1 where it is the range.
        """
        found = []
        at, tag = first, -1
        for k in range(len(self.low)):
            low, high = float(self.low[k]) - slack, float(self.high[k]) + slack
            if high < at:
                continue
            if low > last:
                break
            if low > at:
                found.append((at, low, tag, int(self.low_tag[k])))
            at, tag = high, int(self.high_tag[k])
        if at < last or (at == last and tag == -1):
            found.append((at, last, tag, -1))
        return found


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
