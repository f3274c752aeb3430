"""The smallest measure for each of many keys: bodies and paths go in; values, and where they are, come out.

Many searches are done in one: each asks about one path and some bodies, and goes down the two hierarchies as
it would alone, so that a figure does not depend on what else was asked. A key is a body of one search (how
near does the head come to each) or a move of its path (what is nearest along the way). The incumbent of a
key, the smallest value that was found to be there, drops every pair whose bound is no smaller.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.kernels.meridian.bvh import (
    ChordForest,
    ChordTree,
    Pairs,
    Traversal,
    TriangleTree,
    bare,
    joined,
    ranked,
)
from clearance.kernels.meridian.profile import Measure, strips_of, triangle_box
from clearance.kernels.meridian.search import CHUNK, Nearest, quick, search
from clearance.records import record
from clearance.tolerances import DEFAULT, MeridianTolerances

Array = NDArray[np.float64]
Index = NDArray[np.integer[Any]]

#: pairs of a key that are followed to the end before all others (a beam), to have good incumbents early
_BEAM = 8
#: of these, pairs of a move whose slices are looked at
_LOOKED_AT = 2
#: the same from fixed places of the path, where many boxes are equally near
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
#: the same where good values are there already
_FEW_NEAR = 16
#: pairs of a key that are followed to the end at first, and how many times more of what waits at the next
_WIDTH, _WIDER = 8, 64
#: with more pairs than this only the most promising are followed at first
_MANY = 6000
#: pairs followed at a time: what bounds the memory
_AT_ONCE = 1 << 17
#: searches made before the incumbents are looked at again
_FIRST = 512
#: the same where good values are there already, and how many times more after each look; up to so many pairs
#: of leaves wait to be searched with others
_FIRST_NEAR, _MORE, _KEPT = 16, 8, 1024
#: of so many searches alike one in so many (a power of two) is looked at by itself
_ALIKE, _STEP = 8, 8
#: pairs, and searches, that are begun together: what bounds the memory
_BEGUN, _TOGETHER = 1 << 23, 400


@record
class Ask:
    """One search.

    Attributes:
        path: what the head follows.
        rows_of_body: for each body of the tree the rows of the measure's profiles that it is held against.
        start: (keys,) only values below these are looked for, and these are returned where there is none.
        near: where the values in ``start`` are, of a search whose values are there already: it needs
            no first search along a few pairs.
        alike: what is the same for searches whose paths differ by a shift alone; None: it has none like it.
    """

    path: ChordTree
    rows_of_body: Sequence[Index]
    start: Array
    near: Nearest | None = None
    alike: Hashable = None


def nearest(
    tree: TriangleTree,
    measure: Measure,
    asks: Sequence[Ask],
    by_move: bool = False,
    settled: float = -1.0,
    tolerances: MeridianTolerances = DEFAULT.meridian,
) -> list[Nearest]:
    """The smallest measure for each key of each search.

    Args:
        by_move: keys are the moves of the paths; otherwise they are the bodies.
        settled: a key whose value is no larger than this is not looked at further.
    """
    out: list[Nearest] = []
    begin = 0
    while begin < len(asks):
        end, pairs = begin, 0
        while end < len(asks) and end - begin < _TOGETHER and (end == begin or pairs < _BEGUN):
            pairs += min(_size(tree, asks[end]), _ALL) if asks[end].near is None else 0
            end += 1
        out += _NearestSearch(tree, measure, asks[begin:end], by_move, settled, tolerances).answers()
        begin = end
    return out


def bounds(tree: TriangleTree, measure: Measure, asks: Sequence[Ask], steps: int = 1) -> list[Array]:
    """What no value of each key, a body of a search, can be below, by a few boxes alone; infinite where it is
    held against nothing.

    Args:
        tree, measure, asks: as for ``nearest``.
        steps: how often the most promising pair of boxes of each key is opened.
    """
    search = _NearestSearch(tree, measure, asks, False, -1.0, DEFAULT.meridian)
    roots = [search.traversal.roots(k, int(search.path[k]), ask.rows_of_body) for k, ask in enumerate(asks)]
    out = np.full((len(asks), tree.bodies), np.inf)
    if not sum(map(len, roots)):
        return list(out)
    both = np.ones(len(asks), dtype=bool)
    front = search.bounded(search.traversal.children(bare(roots), both))
    for _ in range(steps):
        order, place = ranked(search.group(front), front.low)
        first = np.zeros(len(front), dtype=bool)
        first[order[place == 0]] = True
        opened = search.bounded(search.traversal.children(front.take(first), both))
        front = joined([front.take(~first), opened])
    np.minimum.at(out, (front.ask, tree.nodes.owner[front.tri]), front.low)
    return list(out)


def _size(tree: TriangleTree, ask: Ask) -> int:
    """How many pairs of leaves, with all rows, there are."""
    return len(tree.body) * len(ask.path.chords.p) * max(map(len, ask.rows_of_body), default=0)


class _NearestSearch:
    """Narrows pairs down. What is had for each key is in ``found`` and only ever gets smaller."""

    def __init__(
        self,
        tree: TriangleTree,
        measure: Measure,
        asks: Sequence[Ask],
        by_move: bool,
        settled: float,
        tolerances: MeridianTolerances,
    ) -> None:
        self.tree, self.measure, self.asks = tree, measure, asks
        self.by_move, self.settled, self.tolerances = by_move, settled, tolerances
        own: dict[int, int] = {}
        trees: list[ChordTree] = []
        self.path = np.empty(len(asks), dtype=np.intp)
        for k, ask in enumerate(asks):
            # keys of moves are told by the path's own nodes: each search has these to itself
            name = k if by_move else id(ask.path)
            if name not in own:
                own[name] = len(trees)
                trees.append(ask.path)
            self.path[k] = own[name]
        self.paths = ChordForest(trees)
        profiles = measure.profiles
        self.traversal = Traversal(tree, self.paths, profiles.rect, profiles.boxed)
        keys = [len(ask.start) for ask in asks]
        self.first_key: Index = np.cumsum([0, *keys])[:-1]
        start = np.concatenate([ask.start for ask in asks])
        self.found = Nearest(start, *(np.full(len(start), -1, dtype=np.intp) for _ in range(3)))
        self.near = all(ask.near is not None for ask in asks)
        for k, ask in enumerate(asks):
            if ask.near is not None:
                mine = slice(int(self.first_key[k]), int(self.first_key[k]) + len(ask.start))
                at = ask.near.chord
                self.found.triangle[mine], self.found.row[mine] = ask.near.triangle, ask.near.row
                self.found.chord[mine] = np.where(at < 0, at, at + self.paths.begin[self.path[k]])
        if by_move:
            self.move_key = self.paths.chords.move + np.repeat(
                self.first_key, [len(ask.path.chords.p) for ask in asks]
            )

    def answers(self) -> list[Nearest]:
        if len(self.tree.body):
            small = [not self.near and _size(self.tree, ask) <= _ALL for ask in self.asks]
            self.few(small)
            for these, beside in self.waves([k for k, each in enumerate(small) if not each]):
                self.many(these, self.told_by(these, beside) if beside else None)
        out = []
        for k, (a, ask) in enumerate(zip(self.first_key, self.asks, strict=True)):
            mine = slice(int(a), int(a) + len(ask.start))
            f = self.found
            chord = f.chord[mine] - self.paths.begin[self.path[k]]
            chord[f.chord[mine] < 0] = -1
            out.append(Nearest(f.value[mine], f.triangle[mine], chord, f.row[mine]))
        return out

    def few(self, these: Sequence[bool]) -> None:
        """The searches that have so few pairs that all are looked at."""
        every = [
            self.traversal.every(k, int(self.path[k]), ask.rows_of_body)
            for k, ask in enumerate(self.asks)
            if these[k] and self.paths.roots[self.path[k]] >= 0
        ]
        if every:
            pairs = self.bounded(bare(every))
            self.look(self.best(pairs, _BEAM))
            self.finish(self.pruned(pairs))

    def waves(self, these: Sequence[int]) -> list[tuple[list[int], list[tuple[int, ...]]]]:
        """The searches (their numbers) in turns, each with those alike on either side that are through.

        Of those that are alike every so many comes first, by itself; then those halfway between, and so on.
        """
        groups: dict[Hashable, list[int]] = {}
        for k in these:
            alike = None if self.by_move or self.near else self.asks[k].alike
            groups.setdefault(k if alike is None else (alike,), []).append(k)
        first = sorted(k for same in groups.values() for k in same[:: 1 if len(same) < _ALIKE else _STEP])
        found: list[tuple[list[int], list[tuple[int, ...]]]] = [(first, [])]
        step = _STEP
        while step > 1:
            half = step // 2
            each = [
                (same[i], tuple(same[j] for j in (i - half, i + half) if j < len(same)))
                for same in groups.values()
                if len(same) >= _ALIKE
                for i in range(half, len(same), step)
            ]
            if each:
                found.append(([k for k, _ in each], [beside for _, beside in each]))
            step = half
        return found

    def told_by(self, these: Sequence[int], beside: Sequence[Sequence[int]]) -> NDArray[np.bool_]:
        """Have as incumbents what was nearest in searches alike, at the same triangle and chord; which keys
        (keys,) have one so. A leaf test is as good as any other: what is found in the end is the same."""
        told = np.zeros(len(self.found.value), dtype=bool)
        parts = []
        for k, others in zip(these, beside, strict=True):
            for other in others:
                mine = slice(int(self.first_key[other]), int(self.first_key[other]) + len(self.asks[k].start))
                body = np.flatnonzero(self.found.triangle[mine] >= 0)
                tri, chord, row = (
                    each[mine][body] for each in (self.found.triangle, self.found.chord, self.found.row)
                )
                chord = chord - self.paths.begin[self.path[other]] + self.paths.node[self.path[k]]
                parts.append(Pairs(np.full(len(body), k), tri, chord, row))
                told[self.first_key[k] + body] = True
        self.finish(self.bounded(bare(parts)))
        return told

    def many(self, these: Sequence[int], told: NDArray[np.bool_] | None = None) -> None:
        """The searches (their numbers) that go down the trees.

        Args:
            told: (keys,) those that have good values already.
        """
        roots = [self.traversal.roots(k, int(self.path[k]), self.asks[k].rows_of_body) for k in these]
        roots = [pairs for pairs in roots if len(pairs)]
        if not roots:
            return
        whole = bare(roots)
        if not self.near:
            if told is not None:
                roots = [
                    p.take_bare(~told[self.first_key[p.ask] + self.tree.nodes.owner[p.tri]]) for p in roots
                ]
                roots = [pairs for pairs in roots if len(pairs)]
            if roots:
                self.begin(roots)
        self.run(whole)

    def begin(self, roots: Sequence[Pairs]) -> None:
        """Have good values early."""
        self.beam(bare(roots), _BEAM)
        if not self.by_move:
            # what lies over or under the head has no best place in its boxes: look from a few fixed ones
            fixed = []
            for pairs in roots:
                path = self.path[pairs.ask[0]]
                leaves = int(self.paths.leaves[self.paths.roots[path]])
                few = np.unique(np.linspace(0, leaves - 1, 4).astype(np.intp)) + self.paths.node[path]
                rows = np.repeat(np.arange(len(pairs)), len(few))
                fixed.append(
                    Pairs(pairs.ask[rows], pairs.tri[rows], np.tile(few, len(pairs)), pairs.row[rows])
                )
            self.beam(bare(fixed), _FIXED)

    @property
    def samples(self) -> int:
        """How many pairs are tried: one for each node of the path stands for all moves under it."""
        return 1 if self.by_move else _SAMPLES

    def beam(self, pairs: Pairs, width: int) -> None:
        """Follow only the best ``width`` pairs of each key to the end: good values early drop much later."""
        while len(pairs):
            pairs = self.best(self.bounded(pairs), width)
            self.sample(self.best(pairs, self.samples))
            leaf = self.traversal.is_leaf(pairs)
            if leaf.any():
                self.look(self.best(pairs.take(leaf), _LOOKED_AT if self.by_move else _BEAM))
                pairs = pairs.take(~leaf)
            pairs = self.opened(pairs)

    def run(self, pairs: Pairs) -> None:
        """Follow every pair that can still matter: a few of each key to the end first, then more at a time.

        What waits is looked at again with the values had by then, and most of it is dropped.
        """
        now = self.bounded(pairs)
        leaves: list[Pairs] = []
        width = np.full(len(self.asks), _WIDTH)
        waiting: dict[int, list[tuple[Pairs, int]]] = {}
        while len(now) or waiting:
            now = self.pruned(now)
            count = np.bincount(now.ask, minlength=len(self.asks))
            for k in np.flatnonzero(count > _MANY):
                mine = now.ask == k
                first, later = self.parted(now.take(mine), int(width[k]))
                if len(later):
                    waiting.setdefault(int(k), []).append((later, int(width[k]) * _WIDER))
                now = joined([now.take(~mine), first])
                count[k] = len(first)
            leaf = self.traversal.is_leaf(now)
            if leaf.any():
                count -= np.bincount(now.ask[leaf], minlength=len(self.asks))
                if self.near and np.count_nonzero(leaf) <= _KEPT:
                    leaves.append(now.take(leaf))
                else:
                    self.finish(now.take(leaf))
                now = now.take(~leaf)
            if len(now):
                if not self.near:
                    self.sample(self.best(now, self.samples))
                now = self.bounded(self.opened(self.pruned(now)))
            for each in [each for each in waiting if count[each] == 0]:
                pairs, width[each] = waiting[each].pop()
                now = joined([now, pairs])
                if not waiting[each]:
                    del waiting[each]
        if leaves:
            self.finish(joined(leaves))

    def opened(self, pairs: Pairs) -> Pairs:
        few = _FEW_NEAR if self.near else _FEW
        return self.traversal.children(pairs, np.bincount(pairs.ask, minlength=len(self.asks)) <= few)

    def bounded(self, pairs: Pairs) -> Pairs:
        """The pairs with the smallest value each could hold, less those no better than what is had."""
        profiles, nodes = self.measure.profiles, self.tree.nodes
        limit = self.limit(pairs)
        plan = self.traversal.plan(pairs)
        g = self.traversal.apart(pairs, plan)
        if self.near:
            np.maximum(g, self.traversal.beside(pairs), out=g)
        # most are dropped by the horizontal distance alone, before the heights are looked at
        keep = np.flatnonzero(self.measure.at_least(g, pairs.row) < limit)
        pairs, g, limit = replace(pairs, low=g, g=g).take(keep), g[keep], limit[keep]
        z = profiles.nearest_height(nodes.low[pairs.tri, 2], nodes.high[pairs.tri, 2], pairs.row)
        bound = self.measure(g, z, pairs.row)
        still = np.flatnonzero(bound < limit)
        pairs, keep, z, limit = replace(pairs, low=bound).take(still), keep[still], z[still], limit[still]
        single = np.flatnonzero(pairs.tri < nodes.lowest)
        if not len(single):
            return pairs
        # a triangle may be far smaller than its box
        some = slice(None) if len(single) == len(pairs) else single
        tri, row, at = pairs.tri[some], pairs.row[some], keep[some]
        apart = triangle_box(self.tree.triangles[tri], plan[0][at], plan[1][at])
        g = np.maximum(pairs.g[some], apart - self.paths.slack[pairs.chord[some]])
        bound = self.measure(g, z[some], row)
        if len(single) == len(pairs):
            return replace(pairs, low=bound, g=g).take(np.flatnonzero(bound < limit))
        low_, g_ = pairs.low.copy(), pairs.g.copy()
        low_[single], g_[single] = bound, g
        return replace(pairs, low=low_, g=g_).take(np.flatnonzero(low_ < limit))

    def pruned(self, pairs: Pairs) -> Pairs:
        """The pairs that could hold a smaller value than what is had for their key."""
        keep = pairs.low < self.limit(pairs)
        return pairs if keep.all() else pairs.take(keep)

    def limit(self, pairs: Pairs) -> Array:
        """(n,) what a pair must be below to matter: the incumbent of its key, the largest of its moves'."""
        value = np.where(self.found.value <= self.settled, -1.0, self.found.value)
        if not self.by_move:
            return np.asarray(value[self.first_key[pairs.ask] + self.tree.nodes.owner[pairs.tri]])
        wanted = np.zeros(len(self.paths.level), dtype=bool)
        wanted[pairs.chord] = True
        nodes = np.flatnonzero(wanted)
        worst = np.append(value[self.move_key], -np.inf)
        first = self.paths.leaf[nodes]
        ends = np.stack([first, first + self.paths.leaves[nodes]], axis=1).ravel()
        of_node = np.empty(len(wanted))
        of_node[nodes] = np.maximum.reduceat(worst, ends)[::2] if len(nodes) else ()
        return of_node[pairs.chord]

    def group(self, pairs: Pairs) -> Index:
        """(n,) which pairs are of one body, or one node of the path, of one search."""
        of, many = (
            (pairs.chord, len(self.paths.level))
            if self.by_move
            else (self.tree.nodes.owner[pairs.tri], self.tree.bodies)
        )
        return pairs.ask * many + of

    def best(self, pairs: Pairs, count: int) -> Pairs:
        """The ``count`` most promising pairs of each group: the nearest of equals."""
        order, place = ranked(self.group(pairs), pairs.g, pairs.low)
        return pairs.take(order[place < count])

    def parted(self, pairs: Pairs, count: int) -> tuple[Pairs, Pairs]:
        """The ``count`` most promising pairs of each group, and the others."""
        order, place = ranked(self.group(pairs), pairs.g, pairs.low)
        now = place < count
        if np.count_nonzero(now) > _AT_ONCE:
            now = np.arange(len(order)) < _AT_ONCE
        return pairs.take(order[now]), pairs.take(order[~now])

    def sample(self, pairs: Pairs) -> None:
        """Try the corners of a triangle of each pair against a chord of it: a value that is there is had."""
        nodes = self.tree.nodes
        if self.by_move:
            level = nodes.level[pairs.tri]
            pairs = pairs.take((self.paths.level[pairs.chord] <= _NEAR_LEAVES) & (level % 2 == 1))
            chord, rows = self.paths.leaves_under(pairs.chord)
            tri, row, ask = nodes.leaf[pairs.tri][rows], pairs.row[rows], pairs.ask[rows]
        else:
            tri, row, ask, chord = nodes.leaf[pairs.tri], pairs.row, pairs.ask, self.paths.leaf[pairs.chord]
        if not len(tri):
            return
        p = self.tree.triangles[tri]
        value = np.full(len(tri), np.inf)
        for corner in (p[:, 0], p[:, 1], p[:, 2]):
            at = corner[:, :2]
            g = self.traversal.distance(at, at, chord, row)
            np.minimum(value, self.measure(g, corner[:, 2], row), out=value)
        self.found.improve(self.keys(ask, tri, chord), value, tri, chord, row)

    def keys(self, ask: Index, tri: Index, chord: Index) -> Index:
        """The keys (n,) of triangles and chords, by their numbers."""
        return self.move_key[chord] if self.by_move else self.first_key[ask] + self.tree.body[tri]

    def look(self, pairs: Pairs) -> None:
        """Try some slices of each triangle against its chord."""
        strips, owner = strips_of(self.tree.triangles[pairs.tri])
        pairs = pairs.take(owner)
        chord = self.paths.leaf[pairs.chord]
        value = quick(strips, self.paths.chords, chord, pairs.row, self.measure)
        self.found.improve(self.keys(pairs.ask, pairs.tri, chord), value, pairs.tri, chord, pairs.row)

    def finish(self, pairs: Pairs) -> None:
        """Search triangle against chord, the most promising of each search first."""
        pairs = pairs.take(np.lexsort((pairs.low, pairs.ask)))
        size = _FIRST_NEAR if self.near else _FIRST
        while len(pairs):
            _, place = ranked(pairs.ask)
            now, pairs = pairs.take(place < size), pairs.take(place >= size)
            strips, owner = strips_of(self.tree.triangles[now.tri])
            limit = self.limit(now)
            if self.near:
                # what would be nearer by less than the search is exact to is not looked for
                limit = limit - 2.0 * self.tolerances.search_width
            now = now.take(owner)
            chord = self.paths.leaf[now.chord]
            value, _ = search(
                strips,
                self.paths.chords,
                chord,
                now.row,
                self.measure,
                limit[owner],
                now.low,
                tolerances=self.tolerances,
                hurried=self.near,
            )
            self.found.improve(self.keys(now.ask, now.tri, chord), value, now.tri, chord, now.row)
            pairs = self.pruned(pairs)
            # where many are equally near, one of the first tells that of all of them
            size = min(CHUNK, size * _MORE) if self.near else CHUNK
