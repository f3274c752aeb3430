"""Bounding volume hierarchies: triangles of bodies, or chords of paths, go in; axis-aligned boxes over them,
eight to a parent, come out.

The nodes of all levels stand in one array, leaves first, so that a pair of nodes is a pair of numbers
whatever their levels. Every owner (a body, a path) has one root on the top level of its own tree.

``Traversal`` is branch and bound over two of them, triangles against chords, with leaf tests of the caller's
own. Pairs of nodes are narrowed from both trees at once. The caller drops the pairs whose bound says that
they cannot matter (its incumbent), and decides the pairs of leaves; this module knows how pairs are made, how
far apart their boxes are, and what their children are. Many searches (``ask``) go down together in one set of
arrays, each exactly as it would alone: numpy's cost of a call is shared by all of them.

Source: branch and bound after Land and Doig, An automatic method of solving discrete programming problems,
Econometrica 28 (1960), from memory; two hierarchies at once after Larsen et al., Fast proximity queries with
swept sphere volumes, UNC TR99-018 (1999), from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.transforms import extent
from clearance.kernels.meridian.chords import Chords
from clearance.kernels.meridian.profile import outline
from clearance.records import record

Array = NDArray[np.float64]
Index = NDArray[np.integer[Any]]

#: digits after the point, mm, in which paths of one shape agree
_ALIKE_DIGITS = 6
#: children of a box
_BRANCH = 8


class Hierarchy:
    """Boxes (n) and how they hold each other.

    Attributes:
        low, high: (n, d) corners of the boxes.   level: (n,) 0 for leaves.
        first, count: (n,) the children of a node that is no leaf.
        leaf, leaves: (n,) the first triangle or chord under it, and how many.
    """

    low: Array
    high: Array
    level: NDArray[np.int8]
    first: NDArray[np.integer]
    count: NDArray[np.integer]
    leaf: NDArray[np.integer]
    leaves: NDArray[np.integer]

    def children(self, nodes: Index, of: NDArray[np.bool_]) -> tuple[Index, Index]:
        """Those of ``nodes`` (n,) that ``of`` (n,) picks replaced by all their children, the others as they
        are; and the row of ``nodes`` that each one came from."""
        rows, offset = counted(np.where(of, self.count[nodes], 1))
        return np.where(of, self.first[nodes], nodes)[rows] + offset, rows

    def leaves_under(self, nodes: Index) -> tuple[Index, Index]:
        """All triangles or chords under ``nodes``, and the row of ``nodes`` that each one came from."""
        rows, offset = counted(self.leaves[nodes])
        return self.leaf[nodes][rows] + offset, rows


class Nodes(Hierarchy):
    """A forest, leaves first, then level by level; all owners reach up to the same level.

    Attributes:
        owner: (n,).   roots: (owners with leaves,) in their order, all on the highest level.
    """

    def __init__(self, count: Sequence[int], dimensions: int) -> None:
        """Room for so many leaves of each owner; the caller writes their boxes, then calls ``close``."""
        sizes = np.array([c for c in count if c], dtype=np.intp)
        levels = [sizes]
        while (levels[-1] > 1).any():
            levels.append(-(-levels[-1] // _BRANCH))
        self.begin = np.concatenate([[0], np.cumsum([int(each.sum()) for each in levels])]).astype(np.intp)
        self.top = len(levels) - 1
        n = int(self.begin[-1])
        self.low, self.high = np.empty((n, dimensions)), np.empty((n, dimensions))
        self.first, self.count, self.leaf, self.leaves = (np.empty(n, dtype=np.int32) for _ in range(4))
        self.level = np.repeat(np.arange(len(levels), dtype=np.int8), np.diff(self.begin))
        owners = np.flatnonzero(np.asarray(count, dtype=np.intp))
        self.owner: Index = np.concatenate([np.repeat(owners, each) for each in levels]).astype(np.intp)
        self.roots: Index = np.arange(self.begin[-2], self.begin[-1]) if len(owners) else owners
        self._sizes = levels

    @property
    def lowest(self) -> int:
        """How many leaves there are; they are the nodes below this number."""
        return int(self.begin[1])

    def close(self) -> None:
        """Make the boxes of all levels above the leaves."""
        n = self.lowest
        self.first[:n] = self.leaf[:n] = np.arange(n)
        self.count[:n] = self.leaves[:n] = 1
        for level, sizes in enumerate(self._sizes[:-1]):
            a, b, c = self.begin[level : level + 3]
            in_owner = np.arange(b - a) - np.repeat(np.cumsum(sizes) - sizes, sizes)
            first = np.flatnonzero(in_owner % _BRANCH == 0)
            np.minimum.reduceat(self.low[a:b], first, out=self.low[b:c])
            np.maximum.reduceat(self.high[a:b], first, out=self.high[b:c])
            self.first[b:c] = first + a
            self.count[b:c] = np.diff(np.r_[first, b - a])
            self.leaf[b:c] = self.leaf[a:b][first]
            self.leaves[b:c] = np.add.reduceat(self.leaves[a:b], first)

    def levels_of(self, owner: int) -> list[slice]:
        """Where the nodes of an owner stand, level by level, its leaves first.

        Args:
            owner: its index.
        """
        k = int(np.searchsorted(self.owner[self.roots], owner))
        if k == len(self.roots) or self.owner[self.roots[k]] != owner:
            return []
        begin = [int(b + sizes[:k].sum()) for b, sizes in zip(self.begin, self._sizes, strict=False)]
        return [slice(b, b + int(sizes[k])) for b, sizes in zip(begin, self._sizes, strict=True)]

    def refit(self, owner: int) -> None:
        """Make the boxes of one owner's levels anew once those of its leaves are others.

        Args:
            owner: its index.
        """
        for below, above in pairwise(self.levels_of(owner)):
            for values, smaller in ((self.low, np.minimum), (self.high, np.maximum)):
                values[above] = values[below][::_BRANCH]
                for child in range(1, _BRANCH):
                    each = values[below][child::_BRANCH]
                    smaller(values[above][: len(each)], each, out=values[above][: len(each)])

    def shift(self, owner: int, by: Array) -> None:
        """Shift the boxes of one owner.

        Args:
            owner: its index.   by: (dimensions,) how far.
        """
        for level in self.levels_of(owner):
            self.low[level] += by
            self.high[level] += by


def counted(count: Index) -> tuple[Index, Index]:
    """Numbers 0, 1 ... count[k] - 1 for each row k, one after the other: the rows, and these numbers."""
    rows = np.repeat(np.arange(len(count)), count)
    return rows, np.arange(len(rows)) - np.repeat(np.cumsum(count) - count, count)


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


def leaf_order(triangles: Array) -> Index:
    """The order (N,) in which a body's triangles (N, 3, 3) stand as leaves."""
    return _order(triangles) if len(triangles) > _BRANCH else np.arange(len(triangles))


class TriangleTree:
    """Boxes over the triangles of several bodies; leaves are put in an order in which neighbours are near.

    Attributes:
        triangles: (N, 3, 3) in leaf order.   body: (N,) index into the bodies given.   nodes: the boxes.
    """

    def __init__(self, bodies: Sequence[Array], ordered: bool = False) -> None:
        """Args: bodies: (N, 3, 3) of each.   ordered: each stands in the order of its leaves already."""
        count = [len(triangles) for triangles in bodies]
        self.bodies = len(bodies)
        # written in place throughout: on large models fresh memory costs more than what is done with it
        self.triangles = np.empty((sum(count), 3, 3))
        for triangles, end in zip(bodies, np.cumsum(count), strict=True):
            own = self.triangles[end - len(triangles) : end]
            if len(triangles) > _BRANCH and not ordered:
                np.take(triangles, _order(triangles), axis=0, out=own, mode="clip")
            else:
                own[:] = triangles
        self.nodes = Nodes(count, 3)
        n = len(self.triangles)
        self.body = self.nodes.owner[:n]
        if n:
            self._box(slice(0, n))
            self.nodes.close()

    def _box(self, some: slice) -> None:
        """The boxes of some triangles."""
        a, b, c = (self.triangles[some, k] for k in range(3))
        low, high = self.nodes.low[some], self.nodes.high[some]
        np.minimum(a, b, out=low)
        np.maximum(a, b, out=high)
        np.minimum(low, c, out=low)
        np.maximum(high, c, out=high)

    def refit(self, body: int, some: slice) -> None:
        """Make the boxes of a body anew whose triangles are others now.

        Args:
            body: its index.   some: which triangles are its.
        """
        self._box(some)
        self.nodes.refit(body)


class ChordTree:
    """Boxes over the chords of a path, in the order of the path.

    Attributes:
        slack: (nodes,) the largest of the chords under each.
    """

    def __init__(self, chords: Chords) -> None:
        self.chords = chords
        self.nodes = Nodes([len(chords.p)], 2)
        np.minimum(chords.p, chords.q, out=self.nodes.low[: len(chords.p)])
        np.maximum(chords.p, chords.q, out=self.nodes.high[: len(chords.p)])
        self.nodes.close()
        # straight moves keep none where others of the path are arcs: what rides along them ties exactly
        self.slack = np.empty(len(self.nodes.level))
        for a, b in zip(self.nodes.begin, self.nodes.begin[1:], strict=False):
            self.slack[a:b] = np.maximum.reduceat(chords.slack, self.nodes.leaf[a:b]) if b > a else 0.0

    @cached_property
    def shape(self) -> bytes:
        """The same for all paths that differ by where they begin alone."""
        begin = self.chords.p[:1]
        ends = np.stack([self.chords.p - begin, self.chords.q - begin])
        return (np.round(ends, _ALIKE_DIGITS) + 0.0).tobytes() if len(begin) else b""


class ChordForest(Hierarchy):
    """The trees of several paths side by side; each keeps its own levels.

    Attributes:
        chords: of all paths.   begin, node: (paths,) the numbers of each path's first chord and
            first node.
        slack: (n,) the largest of the chords under a node.   roots: (paths,), -1 for a path of nothing.
    """

    def __init__(self, trees: Sequence[ChordTree]) -> None:
        chords = [tree.chords for tree in trees]
        size = np.array([len(each.p) for each in chords], dtype=np.intp)
        nodes = [tree.nodes for tree in trees]
        self.begin: Index = np.cumsum(size) - size
        total = np.array([len(each.level) for each in nodes], dtype=np.intp)
        at = np.cumsum(total) - total
        self.node: Index = at

        def joined(name: str) -> Any:
            return np.concatenate([getattr(each, name) for each in nodes])

        self.chords = Chords(*(np.concatenate([getattr(c, f) for c in chords]) for f in _CHORD))
        self.low, self.high, self.level = joined("low"), joined("high"), joined("level")
        self.count, self.leaves = joined("count"), joined("leaves")
        self.first = joined("first") + np.repeat(at, total)
        self.leaf = joined("leaf") + np.repeat(self.begin, total)
        self.slack = np.concatenate([tree.slack for tree in trees])
        self.roots: Index = np.where(total > 0, at + total - 1, -1)


_CHORD = ("p", "q", "slack", "move")


def _none() -> Array:
    return np.empty(0)


@record
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

    def take_bare(self, rows: NDArray[Any]) -> Pairs:
        """Some of them, not bounded.

        Args:
            rows: which of the pairs.
        """
        return Pairs(self.ask[rows], self.tri[rows], self.chord[rows], self.row[rows])

    def take(self, rows: NDArray[Any] | slice) -> Pairs:
        """The pairs at ``rows``."""
        return Pairs(
            self.ask[rows], self.tri[rows], self.chord[rows], self.row[rows], self.low[rows], self.g[rows]
        )


def joined(parts: Sequence[Pairs]) -> Pairs:
    """Several sets of pairs as one, all of them bounded.

    Args:
        parts: sets of pairs of the same two hierarchies.
    """
    if len(parts) == 1:
        return parts[0]
    return Pairs(*(np.concatenate([getattr(each, name) for each in parts]) for name in Pairs.__annotations__))


def bare(parts: Sequence[Pairs]) -> Pairs:
    """Several sets of pairs as one, none of them bounded.

    Args:
        parts: sets of pairs of the same two hierarchies.
    """
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
        """Each body's root against a path's root, with each of the rows that it is held against.

        Args:
            ask: the number of the search.   path: the number of the path.
            rows_of_body: for each body the rows of the table of profiles.
        """
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
        """Each triangle with each chord of a path and each row that its body is held against.

        Args:
            ask: the number of the search.   path: the number of the path.
            rows_of_body: for each body the rows of the table of profiles.
        """
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
        """Corners (n, 2) of what the row's rectangle covers along each chord node.

        Args:
            pairs: (n,) of nodes.
        """
        low, high = self.paths.low[pairs.chord], self.paths.high[pairs.chord]
        if self.any_boxed:
            rect = self.rect[pairs.row]
            low, high = low + rect[:, 0::2], high + rect[:, 1::2]
        return low, high

    def apart(self, pairs: Pairs, plan: tuple[Array, Array]) -> Array:
        """How far (n,) each pair's boxes are apart horizontally, at least; the chords' slack taken off.

        Args:
            pairs: (n,) of a node of the triangles and one of the chords.
            plan: lowest and highest corner in plan (nodes, 2) of the triangles' nodes, mm.
        """
        low, high = self.tree.nodes.low[pairs.tri], self.tree.nodes.high[pairs.tri]
        x, y = (
            np.maximum(np.maximum(low[:, k] - plan[1][:, k], plan[0][:, k] - high[:, k]), 0.0) for k in (0, 1)
        )
        return np.asarray(np.maximum(np.sqrt(x * x + y * y) - self.paths.slack[pairs.chord], 0.0))

    def beside(self, pairs: Pairs) -> Array:
        """How far (n,) each pair's box is beside its chord, at least, where it has one; 0 where it has many.

        A long chord that lies askew has a box that is nearly all air.

        Args:
            pairs: (n,) of nodes.
        """
        out = np.zeros(len(pairs))
        some = np.flatnonzero(self.paths.level[pairs.chord] == 0)
        if not len(some):
            return out
        pairs = pairs.take(some) if len(pairs.low) else Pairs(*(getattr(pairs, f)[some] for f in _BARE))
        chords, chord = self.paths.chords, self.paths.leaf[pairs.chord]
        p, way = chords.p[chord], chords.q[chord] - chords.p[chord]
        low, high = self.tree.nodes.low[pairs.tri, :2], self.tree.nodes.high[pairs.tri, :2]
        if self.any_boxed:
            # the box as far as the rectangle reaches, against the wire's own way
            rect = self.rect[pairs.row]
            low, high = low - rect[:, 1::2], high - rect[:, 0::2]
        length = np.hypot(way[:, 0], way[:, 1])
        centre = (low + high) / 2.0 - p
        room = (high - low) / 2.0
        across = np.abs(way[:, 0] * centre[:, 1] - way[:, 1] * centre[:, 0])
        across -= np.abs(way[:, 1]) * room[:, 0] + np.abs(way[:, 0]) * room[:, 1]
        gap = np.divide(across, length, out=np.zeros_like(across), where=length > 0.0)
        out[some] = np.maximum(gap - chords.slack[chord], 0.0)
        return out

    def is_leaf(self, pairs: Pairs) -> NDArray[np.bool_]:
        """Which pairs (n,) are of a triangle and a chord."""
        return np.asarray((pairs.tri < self.tree.nodes.lowest) & (self.paths.level[pairs.chord] == 0))

    def children(self, pairs: Pairs, few: NDArray[np.bool_] | None = None) -> Pairs:
        """Nodes of the higher tree replaced by their children; of both, for the searches ``few`` (asks,).

        Args:
            pairs: (n,) of nodes.   few: (asks,) the searches with few pairs; None: none.
        """
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
