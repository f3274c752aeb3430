"""Triangles of bodies, or chords of a path, go in; trees of boxes over them come out, level by level."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.extent import extent
from clearance.kernels.meridian.search import Chords

Array = NDArray[np.float64]
Index = NDArray[np.intp]

#: children of a box
_BRANCH = 8


@dataclass(frozen=True)
class Level:
    """Nodes of one level: boxes, the range of children on the level below, the first leaf, the owner."""

    low: Array
    high: Array
    first: Index
    count: Index
    leaf: Index
    owner: Index


def _levels(low: Array, high: Array, owner: Index) -> list[Level]:
    """Levels from the leaves up until each owner has one node. Leaves of one owner stand together."""
    n = len(low)
    ids = np.arange(n)
    levels = [Level(low, high, ids, np.ones(n, dtype=np.intp), ids, owner)]
    while True:
        below = levels[-1]
        m = len(below.owner)
        start_of_owner = np.flatnonzero(np.r_[True, below.owner[1:] != below.owner[:-1]])
        if len(start_of_owner) == m:
            return levels
        size = np.diff(np.r_[start_of_owner, m])
        in_owner = np.arange(m) - np.repeat(start_of_owner, size)
        first = np.flatnonzero(in_owner % _BRANCH == 0)
        levels.append(
            Level(
                np.minimum.reduceat(below.low, first),
                np.maximum.reduceat(below.high, first),
                first,
                np.diff(np.r_[first, m]),
                below.leaf[first],
                below.owner[first],
            )
        )


def _order(triangles: Array) -> Index:
    """An order in which neighbours in space are near each other: cells along a curve, 16 bits in all.

    Bits go to the axes by how far the body reaches along them, so a plate is not cut into layers.
    """
    middle = triangles[:, 0] + triangles[:, 1]
    middle += triangles[:, 2]
    low, high = extent(middle)
    size = high - low
    bits = [0, 0, 0]
    cell = size.copy()
    turns = []
    for _ in range(16):
        axis = int(np.argmax(cell))
        bits[axis] += 1
        cell[axis] /= 2.0
        turns.append(axis)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where(size > 0.0, (2.0 ** np.array(bits) - 1e-6) / size, 0.0)
    middle -= low
    middle *= scale
    at = middle.astype(np.uint16)
    code = np.zeros(len(at), dtype=np.uint16)
    left = list(bits)
    for axis in turns:
        left[axis] -= 1
        code = (code << np.uint16(1)) | ((at[:, axis] >> np.uint16(left[axis])) & np.uint16(1))
    return np.argsort(code, kind="stable")


class TriangleTree:
    """Boxes over the triangles of several bodies; leaves are put in an order in which neighbours are near.

    Attributes:
        triangles: (N, 3, 3) in leaf order.   body: (N,) index into the bodies given.
    """

    def __init__(self, bodies: Sequence[Array]) -> None:
        count = [len(triangles) for triangles in bodies]
        # written in place throughout: on large models fresh memory costs more than what is done with it
        self.triangles = np.empty((sum(count), 3, 3))
        self.body: Index = np.repeat(np.arange(len(bodies)), count)
        for triangles, end in zip(bodies, np.cumsum(count), strict=True):
            own = self.triangles[end - len(triangles) : end]
            if len(triangles) > _BRANCH:
                np.take(triangles, _order(triangles), axis=0, out=own, mode="clip")
            else:
                own[:] = triangles
        if len(self.triangles):
            a, b, c = (self.triangles[:, k] for k in range(3))
            low, high = np.minimum(a, b), np.maximum(a, b)
            np.minimum(low, c, out=low)
            np.maximum(high, c, out=high)
            self.levels = _levels(low, high, self.body)


class ChordTree:
    """Boxes over the chords of a path, in the order of the path."""

    def __init__(self, chords: Chords) -> None:
        self.chords = chords
        ends = np.stack([chords.p, chords.q], axis=1)
        low = ends.min(axis=1)
        self.levels = _levels(low, ends.max(axis=1), np.zeros(len(low), dtype=np.intp))
        self.slack = float(chords.slack.max(initial=0.0))


def leaves_under(level: Level, count: int, nodes: Index) -> tuple[Index, Index]:
    """All leaves under ``nodes``, and the row of ``nodes`` each one came from."""
    size = np.diff(np.r_[level.leaf, count])[nodes]
    rows = np.repeat(np.arange(len(nodes)), size)
    offset = np.arange(len(rows)) - np.repeat(np.cumsum(size) - size, size)
    return level.leaf[nodes][rows] + offset, rows


def children_of(level: Level, nodes: Index) -> tuple[Index, Index]:
    """All children of ``nodes`` on the level below, and the row of ``nodes`` each one came from."""
    count = level.count[nodes]
    rows = np.repeat(np.arange(len(nodes)), count)
    offset = np.arange(len(rows)) - np.repeat(np.cumsum(count) - count, count)
    return level.first[nodes][rows] + offset, rows
