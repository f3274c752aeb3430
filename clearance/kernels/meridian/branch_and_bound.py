"""Branch and bound over two hierarchies of boxes, triangles against chords, with leaf tests of the caller's
own.

Pairs of nodes are narrowed from both trees at once. The caller drops the pairs whose bound says that they
cannot matter (its incumbent), and decides the pairs of leaves; this module knows how pairs are made, how far
apart their boxes are, and what their children are. Many searches (``ask``) go down together in one set of
arrays, each exactly as it would alone: numpy's cost of a call is shared by all of them.

Source: branch and bound after Land and Doig, An automatic method of solving discrete programming problems,
Econometrica 28 (1960), from memory; two hierarchies at once after Larsen et al., Fast proximity queries with
swept sphere volumes, UNC TR99-018 (1999), from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.kernels.meridian.bvh import ChordForest, TriangleTree, counted
from clearance.kernels.meridian.strips import outline

Array = NDArray[np.float64]
Index = NDArray[np.integer[Any]]


def _none() -> Array:
    return np.empty(0)


@dataclass(frozen=True)
class Pairs:
    """Nodes of the bodies' tree and of the paths' forest (n,), each pair with a row of a table of pieces.

    Attributes:
        ask: (n,) which search each is of.   tri, chord: (n,) nodes.   row: (n,).
        low: (n,) bounds what they hold.   g: (n,) and the horizontal distance.
    """

    ask: Index
    tri: Index
    chord: Index
    row: Index
    low: Array = field(default_factory=_none)
    g: Array = field(default_factory=_none)

    def __len__(self) -> int:
        return len(self.tri)

    def take(self, rows: NDArray[Any] | slice) -> Pairs:
        return Pairs(
            self.ask[rows], self.tri[rows], self.chord[rows], self.row[rows], self.low[rows], self.g[rows]
        )


def joined(parts: Sequence[Pairs]) -> Pairs:
    """Several sets of pairs as one, all of them bounded."""
    if len(parts) == 1:
        return parts[0]
    return Pairs(*(np.concatenate([getattr(each, name) for each in parts]) for name in Pairs.__annotations__))


def bare(parts: Sequence[Pairs]) -> Pairs:
    """Several sets of pairs as one, none of them bounded."""
    return Pairs(*(np.concatenate([getattr(each, name) for each in parts]) for name in _BARE))


_BARE = ("ask", "tri", "chord", "row")


class Traversal:
    """How pairs of nodes are made, measured and opened.

    Args:
        rect: (rows, 4) the rectangle of each row's piece.   boxed: (rows,) it is not a point.
    """

    def __init__(self, tree: TriangleTree, paths: ChordForest, rect: Array, boxed: NDArray[np.bool_]) -> None:
        self.tree, self.paths, self.rect, self.boxed = tree, paths, rect, boxed
        self.any_boxed = bool(boxed.any())

    def roots(self, ask: int, path: int, rows_of_body: Sequence[Index]) -> Pairs:
        """Each body's root against a path's root, with each of the rows that it is held against."""
        nodes, root = self.tree.nodes, int(self.paths.roots[path])
        bodies = nodes.owner[nodes.roots]
        if root < 0 or not len(bodies):
            none = np.empty(0, dtype=np.intp)
            return Pairs(none, none, none, none)
        many = np.array([len(rows_of_body[b]) for b in bodies], dtype=np.intp)
        tri = np.repeat(nodes.roots, many)
        row = np.concatenate([rows_of_body[b] for b in bodies]).astype(np.intp)
        return Pairs(np.full(len(tri), ask), tri, np.full(len(tri), root), row)

    def every(self, ask: int, path: int, rows_of_body: Sequence[Index]) -> Pairs:
        """Each triangle with each chord of a path and each row that its body is held against."""
        nodes = self.tree.nodes
        triangles = np.bincount(self.tree.body, minlength=self.tree.bodies)
        many = np.array([len(rows) for rows in rows_of_body], dtype=np.intp)
        tri = np.repeat(np.arange(nodes.lowest), np.repeat(many, triangles))
        row = np.concatenate(
            [np.tile(rows, n) for rows, n in zip(rows_of_body, triangles, strict=True)]
        ).astype(np.intp)
        size = int(self.paths.leaves[self.paths.roots[path]])
        leaves = self.paths.node[path] + np.arange(size)
        return Pairs(
            np.full(len(tri) * size, ask),
            np.repeat(tri, size),
            np.tile(leaves, len(tri)),
            np.repeat(row, size),
        )

    def plan(self, pairs: Pairs) -> tuple[Array, Array]:
        """Corners (n, 2) of what the row's rectangle covers along each chord node."""
        low, high = self.paths.low[pairs.chord], self.paths.high[pairs.chord]
        if self.any_boxed:
            rect = self.rect[pairs.row]
            low, high = low + rect[:, 0::2], high + rect[:, 1::2]
        return low, high

    def apart(self, pairs: Pairs, plan: tuple[Array, Array]) -> Array:
        """How far (n,) each pair's boxes are apart horizontally, at least; the path's slack taken off."""
        low, high = self.tree.nodes.low[pairs.tri], self.tree.nodes.high[pairs.tri]
        x, y = (
            np.maximum(np.maximum(low[:, k] - plan[1][:, k], plan[0][:, k] - high[:, k]), 0.0) for k in (0, 1)
        )
        return np.asarray(np.maximum(np.sqrt(x * x + y * y) - self.paths.slack[pairs.chord], 0.0))

    def is_leaf(self, pairs: Pairs) -> NDArray[np.bool_]:
        """Which pairs (n,) are of a triangle and a chord."""
        return np.asarray((pairs.tri < self.tree.nodes.lowest) & (self.paths.level[pairs.chord] == 0))

    def children(self, pairs: Pairs, few: NDArray[np.bool_] | None = None) -> Pairs:
        """Nodes of the higher tree replaced by their children; of both, for the searches ``few`` (asks,)."""
        tri_level, chord_level = self.tree.nodes.level[pairs.tri], self.paths.level[pairs.chord]
        both = np.zeros(len(pairs), dtype=bool) if few is None else few[pairs.ask]
        open_tri = (tri_level > 0) & (both | (tri_level >= chord_level))
        open_chord = (chord_level > 0) & (~open_tri | both)
        tri, rows = self.tree.nodes.children(pairs.tri, open_tri)
        chord, again = self.paths.children(pairs.chord[rows], open_chord[rows])
        from_ = rows[again]
        return Pairs(pairs.ask[from_], tri[again], chord, pairs.row[from_])

    def distance(self, a: Array, b: Array, chord: Index, row: Index) -> Array:
        """From segments a-b (n, 2) to what the row's rectangle covers along a chord (its number), less
        slack."""
        chords = self.paths.chords
        g = outline(a, b, chords.p[chord], chords.q[chord], self.rect, self.boxed, row)
        return np.maximum(g - chords.slack[chord], 0.0)


def ranked(group: Index, *best: Array) -> tuple[Index, Index]:
    """Rows with those of each group together, best first (by the last key, then the others), and the rank of
    each among its group."""
    order = np.lexsort((*best, group))
    if not len(order):
        return order, order
    of = group[order]
    first = np.flatnonzero(np.r_[True, of[1:] != of[:-1]])
    return order, counted(np.diff(np.r_[first, len(order)]))[1]
