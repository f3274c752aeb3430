"""Many boxes go in; those that meet another one come out. Much is seen on a few coarser ones first."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.transforms import extent

Array = NDArray[np.float64]
#: lowest and highest corners, (N, d) each
Boxes = tuple[Array, Array]

#: boxes in a row that are told by one
_TOGETHER = 64


def boxes_of(triangles: Array) -> Boxes:
    """Lowest and highest corner (N, 3) of each triangle (N, 3, 3).

    Args:
        triangles: mm, in any frame.
    """
    a, b, c = (triangles[:, k] for k in range(3))
    return np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)


def grouped(low: Array, high: Array, first: NDArray[np.intp]) -> Boxes:
    """A box about each group of boxes that stand in a row; ``first`` of each group (G,).

    Args:
        low, high: corners of the boxes (N, d).
        first: index of the first box of each group (G,), rising, from 0.
    """
    return np.minimum.reduceat(low, first), np.maximum.reduceat(high, first)


def neighbours(triangles: Array) -> NDArray[np.intp]:
    """An order (N,) in which triangles (N, 3, 3) that lie near each other in plan mostly stand together: by
    squares of a grid, and in these by smaller ones (Morton's Z-order, from memory)."""
    middle = triangles[:, :, :2].mean(axis=1)
    low, high = extent(middle)
    cell = ((middle - low) * (1023.0 / np.maximum(high - low, 1e-9))).astype(np.int64)
    code = np.zeros(len(triangles), dtype=np.int64)
    for bit in range(10):
        code |= ((cell[:, 0] >> bit) & 1) << (2 * bit) | ((cell[:, 1] >> bit) & 1) << (2 * bit + 1)
    return np.argsort(code, kind="stable")


class AabbSet:
    """Many boxes (N, d), and coarser ones about each ``_TOGETHER`` of them that stand in a row."""

    def __init__(self, low: Array, high: Array) -> None:
        self.low, self.high = low, high
        first = np.arange(0, len(low), _TOGETHER)
        self.coarse = grouped(low, high, first) if len(low) > _TOGETHER else (low, high)

    @cached_property
    def box(self) -> Boxes:
        """The one box (3,) about all of them."""
        return extent(*self.coarse)

    def within(self, first: Array, last: Array) -> NDArray[np.intp]:
        """Those that lie wholly between two corners (d,).

        Args:
            first, last: lowest and highest corner (d,), in the frame and unit of the boxes.
        """
        rows = self.inside(_both(*self.coarse, last, first))
        return rows[_both(self.high[rows], self.low[rows], last, first)]

    def meeting(self, first: Array, last: Array) -> NDArray[np.intp]:
        """Those that meet the box between two corners (d,), its sides included.

        Args:
            first, last: lowest and highest corner (d,), in the frame and unit of the boxes.
        """
        low, high = self.coarse
        coarse = _both(low, high, last, first)
        rows = self.inside(coarse)
        if len(low) == len(self.low):
            return rows
        # all that stand in a coarser box that lies within meet it, too
        open_ones = np.repeat(~_both(high, low, last, first)[coarse], _TOGETHER)[: len(rows)]
        meet, asked = np.ones(len(rows), dtype=bool), rows[open_ones]
        meet[open_ones] = _both(self.low[asked], self.high[asked], last, first)
        return rows[meet]

    def crossing(self, z: float) -> NDArray[np.intp]:
        """Those that a level passes: lower than it, and as high at least (their third axis)."""
        low, high = self.coarse
        rows = self.inside((low[:, 2] < z) & (high[:, 2] >= z))
        if len(low) == len(self.low):
            return rows
        return np.asarray(rows[(self.low[rows, 2] < z) & (self.high[rows, 2] >= z)])

    def holding(self, points: Array) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Which of points (P, d) lie in which of the boxes: indices into both."""
        low, high = self.coarse
        point, box = np.nonzero(_both(low, high, points[:, None], points[:, None]))
        if len(low) < len(self.low):
            box = (box[:, None] * _TOGETHER + np.arange(_TOGETHER)).ravel()
            there = box < len(self.low)
            point, box = np.repeat(point, _TOGETHER)[there], box[there]
            held = _both(self.low[box], self.high[box], points[point], points[point])
            point, box = point[held], box[held]
        return point, box

    def inside(self, coarse: NDArray[np.bool_]) -> NDArray[np.intp]:
        """The boxes that stand in the coarser ones picked.

        Args:
            coarse: (G,) which of the coarser boxes.
        """
        picked = np.flatnonzero(coarse)
        if len(coarse) == len(self.low):
            return picked
        rows = (picked[:, None] * _TOGETHER + np.arange(_TOGETHER)).ravel()
        return rows[rows < len(self.low)]


def _both(low: Array, high: Array, last: Array, first: Array) -> NDArray[np.bool_]:
    """Where ``low`` <= ``last`` and ``high`` >= ``first`` along every axis. By columns, as ``extent``."""
    columns = range(low.shape[-1])
    sides = [low[..., k] <= last[..., k] for k in columns] + [high[..., k] >= first[..., k] for k in columns]
    return np.asarray(np.logical_and.reduce(sides))
