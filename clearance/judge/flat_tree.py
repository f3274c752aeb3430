"""Which pairs can matter: trees of boxes over triangles and chords go in, the smallest measure for each key
comes out, every pair that is left out being provably no smaller.

The pairs are narrowed from both trees at once, level by level. A pair of boxes is dropped as soon as the
smallest value that it could hold is no smaller than a value already had for its key. A key is a body (how
near does the head come to each) or a move (what is nearest along the way).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.judge.flat_fields import Measure
from clearance.judge.flat_search import CHUNK, Chords, outline_distance, search, strips_of

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_BRANCH = 8


@dataclass(frozen=True)
class _Level:
    """Nodes of one level: boxes, the range of children on the level below, the first leaf, the owner."""

    low: Array
    high: Array
    first: Index
    count: Index
    leaf: Index
    owner: Index


def _levels(low: Array, high: Array, owner: Index) -> list[_Level]:
    """Levels from the leaves up until each owner has one node. Leaves of one owner stand together."""
    n = len(low)
    ids = np.arange(n)
    levels = [_Level(low, high, ids, np.ones(n, dtype=np.intp), ids, owner)]
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
            _Level(
                np.minimum.reduceat(below.low, first),
                np.maximum.reduceat(below.high, first),
                first,
                np.diff(np.r_[first, m]),
                below.leaf[first],
                below.owner[first],
            )
        )


def _spread(values: Array, bits: int) -> NDArray[np.uint64]:
    """Integers of ``bits`` bits from values, with two zero bits put between each two bits."""
    low, high = values.min(), values.max()
    scale = (2**bits - 1) / (high - low) if high > low else 0.0
    x = ((values - low) * scale).astype(np.uint64)
    out = np.zeros_like(x)
    for bit in range(bits):
        out |= ((x >> np.uint64(bit)) & np.uint64(1)) << np.uint64(3 * bit)
    return out


class TriangleTree:
    """Boxes over the triangles of several bodies; leaves are put in an order in which neighbours are near.

    Attributes:
        triangles: (N, 3, 3) in leaf order.   body: (N,) index into the bodies given.
    """

    def __init__(self, bodies: Sequence[Array]) -> None:
        parts, owners = [], []
        for index, triangles in enumerate(bodies):
            if len(triangles) == 0:
                continue
            if len(triangles) > _BRANCH:
                middle = triangles.sum(axis=1)
                code = _spread(middle[:, 0], 10) | (_spread(middle[:, 1], 10) << np.uint64(1))
                code |= _spread(middle[:, 2], 10) << np.uint64(2)
                triangles = triangles[np.argsort(code, kind="stable")]
            parts.append(triangles)
            owners.append(np.full(len(triangles), index, dtype=np.intp))
        self.triangles = np.concatenate(parts) if parts else np.empty((0, 3, 3))
        self.body = np.concatenate(owners) if owners else np.empty(0, dtype=np.intp)
        if len(self.triangles):
            self.levels = _levels(self.triangles.min(axis=1), self.triangles.max(axis=1), self.body)


class ChordTree:
    """Boxes over the chords of a path, in the order of the path."""

    def __init__(self, chords: Chords) -> None:
        self.chords = chords
        ends = np.stack([chords.p, chords.q], axis=1)
        low = ends.min(axis=1) - 0.0
        self.levels = _levels(low, ends.max(axis=1), np.zeros(len(low), dtype=np.intp))
        self.slack = float(chords.slack.max(initial=0.0))


@dataclass
class Nearest:
    """For each key: the smallest measure, and the triangle, chord and piece it was found at (-1: none)."""

    value: Array
    triangle: Index
    chord: Index
    piece: Index

    def improve(self, key: Index, value: Array, triangle: Index, chord: Index, piece: Index) -> None:
        """Take each value that is smaller than what its key has."""
        better = np.flatnonzero(value < self.value[key])
        if not len(better):
            return
        better = better[np.lexsort((value[better], key[better]))]
        first = better[np.r_[True, key[better][1:] != key[better][:-1]]]
        at = key[first]
        self.value[at], self.triangle[at] = value[first], triangle[first]
        self.chord[at], self.piece[at] = chord[first], piece[first]


def nearest(
    tree: TriangleTree,
    path: ChordTree,
    measure: Measure,
    pieces_of_body: Sequence[Index],
    start: Array,
    by_move: bool = False,
    settled: float = -1.0,
) -> Nearest:
    """The smallest measure for each key.

    Args:
        pieces_of_body: for each body the pieces of the measure's profiles that it is held against.
        start: (keys,) only values below these are looked for, and these are returned where there is none.
        by_move: keys are the moves of the chords; otherwise they are the bodies.
        settled: a key whose value is no larger than this is not looked at further.
    """
    found = Nearest(start.copy(), *(np.full(len(start), -1, dtype=np.intp) for _ in range(3)))
    if not len(tree.body):
        return found
    tri_level, chord_level = len(tree.levels) - 1, len(path.levels) - 1
    roots = tree.levels[tri_level]
    tri = np.concatenate([np.full(len(pieces_of_body[b]), i) for i, b in enumerate(roots.owner)]).astype(
        np.intp
    )
    piece = np.concatenate([pieces_of_body[b] for b in roots.owner]).astype(np.intp)
    chord = np.zeros(len(tri), dtype=np.intp)
    state = _Frontier(tree, path, measure, found, by_move, settled, tri_level, chord_level, tri, chord, piece)
    while len(state.tri):
        state.bound()
        if state.tri_level == 0 and state.chord_level == 0:
            state.finish()
            break
        state.sample()
        state.prune()
        state.expand()
    return found


@dataclass
class _Frontier:
    """Pairs of nodes that can still matter, all of one level in each tree."""

    tree: TriangleTree
    path: ChordTree
    measure: Measure
    found: Nearest
    by_move: bool
    settled: float
    tri_level: int
    chord_level: int
    tri: Index
    chord: Index
    piece: Index

    def bound(self) -> None:
        """The smallest value each pair could hold; drops what is no better than what is had."""
        a, b = self.tree.levels[self.tri_level], self.path.levels[self.chord_level]
        rect = self.measure.profiles.rect[self.piece]
        low, high = a.low[self.tri], a.high[self.tri]
        dx = np.maximum(
            low[:, 0] - (b.high[self.chord, 0] + rect[:, 1]), (b.low[self.chord, 0] + rect[:, 0]) - high[:, 0]
        )
        dy = np.maximum(
            low[:, 1] - (b.high[self.chord, 1] + rect[:, 3]), (b.low[self.chord, 1] + rect[:, 2]) - high[:, 1]
        )
        g = np.hypot(np.maximum(dx, 0.0), np.maximum(dy, 0.0)) - self.path.slack
        z = self.measure.profiles.nearest_height(low[:, 2], high[:, 2], self.piece)
        self.low = self.measure(np.maximum(g, 0.0), z, self.piece)
        self.prune()

    def _limit(self) -> Array:
        """What each pair must be below to matter."""
        value = np.where(self.found.value <= self.settled, -1.0, self.found.value)
        if not self.by_move:
            return value[self.tree.levels[self.tri_level].owner[self.tri]]
        level = self.path.levels[self.chord_level]
        worst = value[self.path.chords.move]
        leaf = level.leaf
        return np.maximum.reduceat(worst, leaf)[self.chord]

    def prune(self) -> None:
        keep = self.low < self._limit()
        if not keep.all():
            self.tri, self.chord, self.piece = self.tri[keep], self.chord[keep], self.piece[keep]
            self.low = self.low[keep]

    def sample(self) -> None:
        """Try one triangle's corners of the most promising pair of each key: a value that is there is had."""
        if not len(self.tri):
            return
        a, b = self.tree.levels[self.tri_level], self.path.levels[self.chord_level]
        group = self.chord if self.by_move else a.owner[self.tri]
        order = np.lexsort((self.low, group))
        best = order[np.r_[True, group[order][1:] != group[order][:-1]]]
        tri, piece, node = a.leaf[self.tri[best]], self.piece[best], self.chord[best]
        if self.by_move:
            end = np.r_[b.leaf[1:], len(self.path.chords.p)]
            size = (end - b.leaf)[node]
            chord = np.concatenate([np.arange(b.leaf[n], end[n]) for n in node]).astype(np.intp)
            tri, piece = np.repeat(tri, size), np.repeat(piece, size)
            key = self.path.chords.move[chord]
        else:
            chord, key = b.leaf[node], self.tree.body[tri]
        for corner in range(3):
            p = self.tree.triangles[tri, corner]
            g = outline_distance(p[:, :2], p[:, :2], self.path.chords, chord, self.measure.profiles, piece)
            self.found.improve(key, self.measure(g, p[:, 2], piece), tri, chord, piece)

    def expand(self) -> None:
        """Replace the nodes of the higher tree by their children."""
        if self.tri_level >= self.chord_level:
            self.tri, rows = _children(self.tree.levels[self.tri_level], self.tri)
            self.chord, self.piece = self.chord[rows], self.piece[rows]
            self.tri_level -= 1
        else:
            self.chord, rows = _children(self.path.levels[self.chord_level], self.chord)
            self.tri, self.piece = self.tri[rows], self.piece[rows]
            self.chord_level -= 1

    def finish(self) -> None:
        """Search the pairs that are left, the most promising first."""
        order = np.argsort(self.low)
        self.tri, self.chord, self.piece, self.low = (
            v[order] for v in (self.tri, self.chord, self.piece, self.low)
        )
        size = 256
        while len(self.tri):
            tri, chord, piece = self.tri[:size], self.chord[:size], self.piece[:size]
            limit = self._limit()[:size]
            strips, owner = strips_of(self.tree.triangles[tri])
            value, _ = search(
                strips,
                np.arange(len(owner)),
                self.path.chords,
                chord[owner],
                piece[owner],
                self.measure,
                limit[owner],
            )
            tri, chord, piece = tri[owner], chord[owner], piece[owner]
            key = self.path.chords.move[chord] if self.by_move else self.tree.body[tri]
            self.found.improve(key, value, tri, chord, piece)
            self.tri, self.chord, self.piece, self.low = (
                v[size:] for v in (self.tri, self.chord, self.piece, self.low)
            )
            self.prune()
            size = CHUNK


def _children(level: _Level, nodes: Index) -> tuple[Index, Index]:
    """All children of ``nodes`` on the level below, and the row of ``nodes`` each one came from."""
    count = level.count[nodes]
    rows = np.repeat(np.arange(len(nodes)), count)
    offset = np.arange(len(rows)) - np.repeat(np.cumsum(count) - count, count)
    return level.first[nodes][rows] + offset, rows
