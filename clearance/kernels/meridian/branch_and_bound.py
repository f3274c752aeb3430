"""Which pairs can matter: trees of boxes over triangles and chords go in, the smallest measure for each key
comes out, every pair that is left out being provably no smaller.

The pairs are narrowed from both trees at once, level by level. A pair of boxes is dropped as soon as the
smallest value that it could hold is no smaller than a value already had for its key. A key is a body (how
near does the head come to each) or a move (what is nearest along the way).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.kernels.meridian.bvh import ChordTree, TriangleTree, children_of, leaves_under
from clearance.kernels.meridian.profile import Measure
from clearance.kernels.meridian.search import CHUNK, outline_distance, quick, search, strips_of

Array = NDArray[np.float64]
Index = NDArray[np.intp]

#: pairs of a key that are followed to the end first, to have good values early
_TASTE = 8
#: of these, pairs of a move whose slices are looked at
_LOOKED_AT = 2
#: the same from fixed places, where many boxes are equally near
_FIXED = 48
#: pairs of a key that are tried at each level
_SAMPLES = 4
#: trying every move under a node of the path pays from this level of its tree downwards, and at every second
#: level of the other
_NEAR_LEAVES = 2
#: with no more pairs than this in all, trees are not worth it
_ALL = 20000
#: with no more pairs than this both trees are gone down at once
_FEW = 1500
#: pairs of a key that are followed to the end at first, and how many times more of what waits at the next
_WIDTH, _WIDER = 8, 64
#: with more pairs than this only the most promising are followed at first
_MANY = 6000
#: pairs followed at a time: what bounds the memory
_AT_ONCE = 1 << 17
#: searches made before the values had are looked at again
_FIRST = 512


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
    top = len(tree.levels) - 1
    roots = tree.levels[top]
    tri = np.concatenate([np.full(len(pieces_of_body[b]), i) for i, b in enumerate(roots.owner)]).astype(
        np.intp
    )
    piece = np.concatenate([pieces_of_body[b] for b in roots.owner]).astype(np.intp)
    search_ = _Search(tree, path, measure, found, by_move, settled)
    if len(tree.body) * len(path.chords.p) * max((len(p) for p in pieces_of_body), default=0) <= _ALL:
        every = _every_pair(tree, path, pieces_of_body)
        every = search_.bounded(every)
        search_.look(search_.best(every, _TASTE))
        search_.finish(search_.pruned(every))
        return found
    first = _Pairs(top, len(path.levels) - 1, tri, np.zeros(len(tri), dtype=np.intp), piece)
    search_.taste(first, _TASTE)
    if not by_move:
        # what lies over or under the head has no best place in its boxes: look from a few fixed ones
        few = np.unique(np.linspace(0, len(path.chords.p) - 1, 4).astype(np.intp))
        rows = np.repeat(np.arange(len(tri)), len(few))
        search_.taste(_Pairs(top, 0, tri[rows], np.tile(few, len(tri)), piece[rows]), _FIXED)
    search_.run(first)
    return found


def _none() -> Array:
    return np.empty(0)


def _every_pair(tree: TriangleTree, path: ChordTree, pieces_of_body: Sequence[Index]) -> _Pairs:
    """Each triangle with each chord and each piece that its body is held against."""
    many = np.array([len(pieces_of_body[b]) for b in tree.body], dtype=np.intp)
    tri = np.repeat(np.arange(len(tree.body)), many)
    piece = np.concatenate([pieces_of_body[b] for b in tree.body]).astype(np.intp)
    chords = len(path.chords.p)
    return _Pairs(
        0, 0, np.repeat(tri, chords), np.tile(np.arange(chords), len(tri)), np.repeat(piece, chords)
    )


@dataclass(frozen=True)
class _Pairs:
    """Pairs of nodes, all of one level in each tree, each with a piece.

    ``low`` bounds what they hold, and ``g`` the horizontal distance.
    """

    tri_level: int
    chord_level: int
    tri: Index
    chord: Index
    piece: Index
    low: Array = field(default_factory=_none)
    g: Array = field(default_factory=_none)

    def __len__(self) -> int:
        return len(self.tri)

    def take(self, rows: NDArray[Any] | slice) -> _Pairs:
        return _Pairs(
            self.tri_level,
            self.chord_level,
            self.tri[rows],
            self.chord[rows],
            self.piece[rows],
            self.low[rows],
            self.g[rows],
        )


@dataclass
class _Search:
    """Narrows pairs down. What is had for each key is in ``found`` and only ever gets smaller."""

    tree: TriangleTree
    path: ChordTree
    measure: Measure
    found: Nearest
    by_move: bool
    settled: float

    @property
    def samples(self) -> int:
        """How many pairs are tried: one for each node of the path stands for all moves under it."""
        return 1 if self.by_move else _SAMPLES

    def taste(self, pairs: _Pairs, width: int) -> None:
        """Follow only the best ``width`` pairs of each key to the end: good values early drop much later."""
        while len(pairs):
            pairs = self.best(self.bounded(pairs), width)
            self.sample(self.best(pairs, self.samples))
            if pairs.tri_level == 0 and pairs.chord_level == 0:
                self.look(self.best(pairs, _LOOKED_AT if self.by_move else _TASTE))
                return
            pairs = self.children(pairs)

    def run(self, pairs: _Pairs) -> None:
        """Follow every pair that can still matter: a few of each key to the end first, then more at a time.

        What waits is looked at again with the values had by then, and most of it is dropped.
        """
        waiting = [(self.bounded(pairs), _WIDTH)]
        while waiting:
            pairs, width = waiting.pop()
            pairs = self.pruned(pairs)
            if len(pairs) > _MANY:
                pairs, later = self.parted(pairs, width)
                if len(later):
                    waiting.append((later, width * _WIDER))
            if not len(pairs):
                continue
            if pairs.tri_level == 0 and pairs.chord_level == 0:
                self.finish(pairs)
                continue
            self.sample(self.best(pairs, self.samples))
            waiting.append((self.bounded(self.children(self.pruned(pairs))), width))

    def bounded(self, pairs: _Pairs) -> _Pairs:
        """The pairs with the smallest value each could hold, less those no better than what is had."""
        a, b = self.tree.levels[pairs.tri_level], self.path.levels[pairs.chord_level]
        profiles = self.measure.profiles
        limit = self.limit(pairs)
        low, high = a.low[pairs.tri], a.high[pairs.tri]
        path_low, path_high = b.low[pairs.chord], b.high[pairs.chord]
        if profiles.boxed.any():
            rect = profiles.rect[pairs.piece]
            path_low, path_high = path_low + rect[:, 0::2], path_high + rect[:, 1::2]
        x, y = (
            np.maximum(np.maximum(low[:, k] - path_high[:, k], path_low[:, k] - high[:, k]), 0.0)
            for k in (0, 1)
        )
        g = np.maximum(np.sqrt(x * x + y * y) - self.path.slack, 0.0)
        # most are dropped by the horizontal distance alone, before the heights are looked at
        keep = np.flatnonzero(self.measure.at_least(g, pairs.piece) < limit)
        pairs, g, limit = replace(pairs, low=g, g=g).take(keep), g[keep], limit[keep]
        z = profiles.nearest_height(low[keep, 2], high[keep, 2], pairs.piece)
        bound = self.measure(g, z, pairs.piece)
        still = np.flatnonzero(bound < limit)
        pairs = replace(pairs, low=bound).take(still)
        if pairs.tri_level or not len(pairs):
            return pairs
        # a triangle may be far smaller than its box
        keep = keep[still]
        apart = _triangle_box(self.tree.triangles[pairs.tri], path_low[keep], path_high[keep])
        g = np.maximum(pairs.g, apart - self.path.slack)
        bound = self.measure(g, z[still], pairs.piece)
        return replace(pairs, low=bound, g=g).take(np.flatnonzero(bound < limit[still]))

    def matters(self, pairs: _Pairs) -> NDArray[np.bool_]:
        """Whether each pair could hold a smaller value than what is had for its key."""
        return pairs.low < self.limit(pairs)

    def pruned(self, pairs: _Pairs) -> _Pairs:
        """The pairs that could hold a smaller value than what is had for their key."""
        keep = self.matters(pairs)
        return pairs if keep.all() else pairs.take(keep)

    def limit(self, pairs: _Pairs) -> Array:
        value = np.where(self.found.value <= self.settled, -1.0, self.found.value)
        if not self.by_move:
            return value[self.tree.levels[pairs.tri_level].owner[pairs.tri]]
        worst = value[self.path.chords.move]
        return np.maximum.reduceat(worst, self.path.levels[pairs.chord_level].leaf)[pairs.chord]

    def best(self, pairs: _Pairs, count: int) -> _Pairs:
        """The ``count`` most promising pairs of each body or node of the path: the nearest of equals."""
        order, place = self.ranked(pairs)
        return pairs.take(order[place < count])

    def parted(self, pairs: _Pairs, count: int) -> tuple[_Pairs, _Pairs]:
        """The ``count`` most promising pairs of each body or node of the path, and the others."""
        order, place = self.ranked(pairs)
        now = place < count
        if np.count_nonzero(now) > _AT_ONCE:
            now = np.arange(len(order)) < _AT_ONCE
        return pairs.take(order[now]), pairs.take(order[~now])

    def ranked(self, pairs: _Pairs) -> tuple[Index, Index]:
        """Rows with those of each body or node of the path together, best first, and the rank among these."""
        group = pairs.chord if self.by_move else self.tree.levels[pairs.tri_level].owner[pairs.tri]
        order = np.lexsort((pairs.g, pairs.low, group))
        first = np.flatnonzero(np.r_[True, group[order][1:] != group[order][:-1]]) if len(order) else order
        return order, np.arange(len(order)) - np.repeat(first, np.diff(np.r_[first, len(order)]))

    def sample(self, pairs: _Pairs) -> None:
        """Try the corners of a triangle of each pair against a chord of it: a value that is there is had."""
        if self.by_move and (pairs.chord_level > _NEAR_LEAVES or pairs.tri_level % 2 == 0):
            return
        a, b = self.tree.levels[pairs.tri_level], self.path.levels[pairs.chord_level]
        tri, piece = a.leaf[pairs.tri], pairs.piece
        if self.by_move:
            chord, rows = leaves_under(b, len(self.path.chords.p), pairs.chord)
            tri, piece = tri[rows], piece[rows]
            key = self.path.chords.move[chord]
        else:
            chord, key = b.leaf[pairs.chord], self.tree.body[tri]
        p = self.tree.triangles[tri]
        value = np.full(len(tri), np.inf)
        for corner in (p[:, 0], p[:, 1], p[:, 2]):
            at = corner[:, :2]
            g = outline_distance(at, at, self.path.chords, chord, self.measure.profiles, piece)
            np.minimum(value, self.measure(g, corner[:, 2], piece), out=value)
        self.found.improve(key, value, tri, chord, piece)

    def look(self, pairs: _Pairs) -> None:
        """Try some slices of each triangle against its chord."""
        strips, owner = strips_of(self.tree.triangles[pairs.tri])
        pairs = pairs.take(owner)
        value = quick(strips, self.path.chords, pairs.chord, pairs.piece, self.measure)
        key = self.path.chords.move[pairs.chord] if self.by_move else self.tree.body[pairs.tri]
        self.found.improve(key, value, pairs.tri, pairs.chord, pairs.piece)

    def children(self, pairs: _Pairs) -> _Pairs:
        """The pairs of the next level: nodes of the higher tree, or of both, replaced by their children."""
        few = len(pairs) <= _FEW
        if pairs.tri_level and (few or pairs.tri_level >= pairs.chord_level):
            tri, rows = children_of(self.tree.levels[pairs.tri_level], pairs.tri)
            level = pairs.tri_level - 1
            pairs = _Pairs(level, pairs.chord_level, tri, pairs.chord[rows], pairs.piece[rows])
            if not few:
                return pairs
        if pairs.chord_level:
            chord, rows = children_of(self.path.levels[pairs.chord_level], pairs.chord)
            pairs = _Pairs(pairs.tri_level, pairs.chord_level - 1, pairs.tri[rows], chord, pairs.piece[rows])
        return pairs

    def finish(self, pairs: _Pairs) -> None:
        """Search triangle against chord, the most promising first."""
        pairs = pairs.take(np.argsort(pairs.low, kind="stable"))
        size = _FIRST
        while len(pairs):
            now, pairs = pairs.take(slice(0, size)), pairs.take(slice(size, None))
            strips, owner = strips_of(self.tree.triangles[now.tri])
            limit = self.limit(now)
            now = now.take(owner)
            value, _ = search(
                strips, self.path.chords, now.chord, now.piece, self.measure, limit[owner], now.low
            )
            key = self.path.chords.move[now.chord] if self.by_move else self.tree.body[now.tri]
            self.found.improve(key, value, now.tri, now.chord, now.piece)
            pairs = self.pruned(pairs)
            size = CHUNK


def _triangle_box(triangles: Array, low: Array, high: Array) -> Array:
    """How far triangles (N, 3, 3) and boxes (N, 2) are apart seen along the triangles' sides, 0 or more."""
    middle, half = (low + high) / 2.0, (high - low) / 2.0
    apart = np.zeros(len(triangles))
    for k in range(3):
        a, b, c = (triangles[:, (k + i) % 3, :2] for i in range(3))
        nx, ny = a[:, 1] - b[:, 1], b[:, 0] - a[:, 0]
        length = np.hypot(nx, ny)
        at_side = nx * (middle[:, 0] - a[:, 0]) + ny * (middle[:, 1] - a[:, 1])
        at_corner = nx * (c[:, 0] - a[:, 0]) + ny * (c[:, 1] - a[:, 1])
        room = np.abs(nx) * half[:, 0] + np.abs(ny) * half[:, 1]
        gap = np.maximum(at_side - np.maximum(at_corner, 0.0), np.minimum(at_corner, 0.0) - at_side) - room
        np.maximum(apart, np.divide(gap, length, out=np.zeros_like(gap), where=length > 0.0), out=apart)
    return apart
