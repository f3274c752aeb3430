"""At which shifts up or down do a head and the bodies meet: trees over both go in, intervals come out.

A slice of a triangle at height z, at the distance g from a move, meets a convex piece of a head for all
lifts w from w-(g) - z to w+(g) - z, where [w-(g), w+(g)] are the heights at which the piece's radius is
no smaller than g. Boxes about triangles and moves give intervals that hold all of theirs; what lies within
the union of lifts that do hit is passed over, the rest is divided. A strip of a triangle is cut into
lower and lower ones: the smallest g of a strip is taken somewhere in it, so the interval that it gives is
too wide by no more than the strip's own height, at either end, whatever the shapes. No search that
could end beside the best place is made.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.intervals import Union
from clearance.kernels.meridian.bvh import ChordForest, ChordTree, Pairs, Traversal, TriangleTree, bare
from clearance.kernels.meridian.cells import Cells
from clearance.kernels.meridian.profile import in_strip, outline, strips_of
from clearance.records import changing, record
from clearance.scene.heads import HeadPiece
from clearance.tolerances import DEFAULT, MeridianTolerances

Array = NDArray[np.float64]
Index = NDArray[np.integer[Any]]

#: pairs, and strips, worked on at a time
_AT_ONCE = 1 << 15
_CHUNK = 1 << 12
_SAMPLES = 256


@record
class Lifted:
    """A convex piece of a head and how a raise s lifts a body against it.

    Attributes:
        piece: grown, with its heights as they are at s = 0.
        rate: by how much the body rises against it for each mm of s: 1, 0 or -1.
        span: only what lies between these heights of the body counts (before any raise).
        tag: what an end of the union is to remember; the move is added to it.
    """

    piece: HeadPiece
    rate: int
    span: tuple[float, float] = (-np.inf, np.inf)
    tag: int = 0


class PieceTable:
    """Pieces by number, with up to three corners each."""

    def __init__(self, rows: Sequence[Lifted]) -> None:
        pieces = [row.piece for row in rows]
        self.z = np.array([np.r_[p.z, [p.z[-1]] * (3 - len(p.z))] for p in pieces]).reshape(-1, 3)
        self.r = np.array([np.r_[p.r, [p.r[-1]] * (3 - len(p.r))] for p in pieces]).reshape(-1, 3)
        dz = np.diff(self.z, axis=1)
        self.slope = np.divide(np.diff(self.r, axis=1), dz, out=np.zeros_like(dz), where=dz > 0.0)
        self.widest = self.r.max(axis=1, initial=0.0)
        widest = self.r == self.widest[:, None]
        #: lowest and highest corner at which the radius is largest
        self.peak = np.stack(
            [np.where(widest, self.z, np.inf).min(axis=1), np.where(widest, self.z, -np.inf).max(axis=1)],
            axis=1,
        )
        self.rect = np.array([p.rect for p in pieces], dtype=float).reshape(-1, 4)
        self.boxed = (self.rect != 0.0).any(axis=1)
        self.rate = np.array([row.rate for row in rows], dtype=np.intp)
        self.span = np.array([row.span for row in rows], dtype=float).reshape(-1, 2)
        self.tag = np.array([row.tag for row in rows], dtype=np.int64)

    def radius(self, z: Array, row: Index) -> Array:
        """The radius (n,) at heights within each piece's own.

        Args:
            z: (n,) mm, in the frame of the head.   row: (n,) of the table.
        """
        upper = (z > self.z[row, 1]) | (self.z[row, 1] == self.z[row, 0])
        k = upper.astype(np.intp)
        return np.asarray(self.r[row, k] + self.slope[row, k] * (z - self.z[row, k]))

    def heights(self, g: Array, row: Index) -> tuple[Array, Array]:
        """Lowest and highest z at which the radius is no smaller than g; inf and -inf where none is.

        Args:
            g: (n,) horizontal distances, mm.   row: (n,) of the table.
        """
        low, high = self.z[row, 0].copy(), self.z[row, 2].copy()
        for k in (0, 1):
            slope = self.slope[row, k]
            reach = np.divide(g - self.r[row, k], slope, out=np.zeros_like(g), where=slope != 0.0)
            edge = self.z[row, k] + reach
            np.maximum(low, np.where(slope > 0.0, edge, -np.inf), out=low)
            np.minimum(high, np.where(slope < 0.0, edge, np.inf), out=high)
        # where the radius is largest rounding must not lose the one height there is
        low, high = np.minimum(low, self.peak[row, 0]), np.maximum(high, self.peak[row, 1])
        none = g > self.widest[row]
        return np.where(none, np.inf, low), np.where(none, -np.inf, high)


class Hits:
    """The raises at which heads meet bodies, one union for all of them.

    Args:
        first, last: the raises that matter, mm.
    """

    def __init__(self, first: float, last: float, tolerances: MeridianTolerances = DEFAULT.meridian) -> None:
        self.tolerances = tolerances
        self.first, self.last = first, last
        self.union = Union()
        #: (low, high, tag) of all that lengthened the union when it came
        self.intervals: list[tuple[Array, Array, NDArray[np.int64]]] = []

    def add(self, tree: TriangleTree, asks: Sequence[tuple[ChordTree, Sequence[Sequence[Lifted]]]]) -> None:
        """Take in what is hit along some paths, all of them in one search.

        Args:
            asks: each path, and for each body (by its number in the tree) what it is held against.
        """
        table = PieceTable([row for _, rows_of_body in asks for rows in rows_of_body for row in rows])
        if not len(table.rate) or not len(tree.body):
            return
        traversal = Traversal(tree, ChordForest([path for path, _ in asks]), table.rect, table.boxed)
        at, starts = 0, []
        for k, (_, rows_of_body) in enumerate(asks):
            begin = np.cumsum([at, *map(len, rows_of_body)])
            numbers = [np.arange(a, b) for a, b in zip(begin[:-1], begin[1:], strict=True)]
            starts.append(traversal.roots(k, k, numbers))
            at = int(begin[-1])
        _LiftSearch(self, traversal, table).run(bare(starts))

    def windows(self, first: float, last: float) -> list[tuple[float, float, int, int]]:
        """The raises in [first, last] at which nothing meets: see ``Union.gaps``."""
        return self.union.gaps(first, last, self.tolerances.slack)

    def take(self, low: Array, high: Array, tag: NDArray[np.int64]) -> None:
        """Take intervals into the union.

        Args:
            low, high: (n,) ends, mm.   tag: (n,) what each end is remembered by.
        """
        new = (high >= low) & ~self.union.holds(low, high)
        if new.any():
            self.intervals.append((low[new], high[new], tag[new]))
            self.union.add(low[new], high[new], tag[new])

    def new(self, low: Array, high: Array) -> NDArray[np.bool_]:
        """Which intervals (n,) reach into the range and are not in the union yet.

        Args:
            low, high: (n,) ends, mm.
        """
        within = (high >= low) & (high >= self.first) & (low <= self.last)
        out = np.zeros(len(low), dtype=bool)
        some = np.flatnonzero(within)
        low, high = np.maximum(low[some], self.first), np.minimum(high[some], self.last)
        out[some] = ~self.union.holds(low, high, self.tolerances.slack)
        return out


@changing
class _LiftSearch:
    hits: Hits
    traversal: Traversal
    table: PieceTable

    def raises(self, g_low: Array, z_low: Array, z_high: Array, row: Index) -> tuple[Array, Array]:
        """The raises (low, high) that could hit, for points no nearer than g_low between two heights."""
        bottom, top = self.table.heights(g_low, row)
        return self.as_raise(bottom - z_high, top - z_low, row)

    def as_raise(self, low: Array, high: Array, row: Index) -> tuple[Array, Array]:
        """Lifts against a head as raises; where a raise changes nothing it is all of them or none."""
        rate = self.table.rate[row]
        holds_0 = (low <= 0.0) & (high >= 0.0)
        flat_low = np.where(holds_0, self.hits.first, np.inf)
        flat_high = np.where(holds_0, self.hits.last, -np.inf)
        return (
            np.where(rate > 0, low, np.where(rate < 0, -high, flat_low)),
            np.where(rate > 0, high, np.where(rate < 0, -low, flat_high)),
        )

    def run(self, pairs: Pairs) -> None:
        waiting = [pairs]
        while waiting:
            pairs, width = self.open(waiting.pop())
            if len(pairs) > _AT_ONCE:
                # the longest first: what they hit spares the others
                order = np.argsort(-width, kind="stable")
                waiting.append(pairs.take(order[_AT_ONCE:]))
                pairs, width = pairs.take(order[:_AT_ONCE]), width[order[:_AT_ONCE]]
            leaf = self.traversal.is_leaf(pairs)
            if leaf.any():
                self.finish(pairs.take(leaf).take(np.argsort(-width[leaf], kind="stable")))
                pairs, width = pairs.take(~leaf), width[~leaf]
            if len(pairs):
                self.sample(pairs, width)
                waiting.append(self.traversal.children(pairs))

    def open(self, pairs: Pairs) -> tuple[Pairs, Array]:
        """The pairs that could lengthen the union, and how long the intervals are that they could hold."""
        nodes, span = self.traversal.tree.nodes, self.table.span[pairs.row]
        g = self.traversal.apart(pairs, self.traversal.plan(pairs))
        z_low = np.maximum(nodes.low[pairs.tri, 2], span[:, 0])
        z_high = np.minimum(nodes.high[pairs.tri, 2], span[:, 1])
        first, last = self.raises(g, z_low, z_high, pairs.row)
        keep = (z_low <= z_high) & self.hits.new(first, last)
        return replace(pairs, low=g, g=g).take(keep), (last - first)[keep]

    def sample(self, pairs: Pairs, width: Array) -> None:
        """What the corners of a triangle do hit on a move, for the pairs with the longest intervals."""
        if len(width) > _SAMPLES:
            pairs = pairs.take(np.argpartition(-width, _SAMPLES)[:_SAMPLES])
        tri, chord = self.traversal.tree.nodes.leaf[pairs.tri], self.traversal.paths.leaf[pairs.chord]
        row, span = pairs.row, self.table.span[pairs.row]
        tag = self.table.tag[row] + self.traversal.paths.chords.move[chord]
        for corner in range(3):
            x = self.traversal.tree.triangles[tri, corner]
            g, z = self.traversal.distance(x[:, :2], x[:, :2], chord, row), x[:, 2]
            low, high = self.raises(g, z, z, row)
            there = (z >= span[:, 0]) & (z <= span[:, 1])
            self.hits.take(low[there], high[there], tag[there])

    def finish(self, pairs: Pairs) -> None:
        """Triangles against chords, exactly."""
        at, size = 0, _SAMPLES
        while at < len(pairs):
            now, _ = self.open(pairs.take(slice(at, at + size)))
            at, size = at + size, _CHUNK
            if len(now):
                waiting = [self.cells(now)]
                while waiting:
                    cells = waiting.pop()
                    for k in range(0, len(cells), _CHUNK):
                        cut = self.uncovered(cells.take(slice(k, k + _CHUNK)))
                        if len(cut):
                            waiting.append(cut.halves())

    def cells(self, pairs: Pairs) -> Cells:
        chords = self.traversal.paths.chords
        strips, of = strips_of(self.traversal.tree.triangles[pairs.tri])
        chord, row = self.traversal.paths.leaf[pairs.chord[of]], pairs.row[of]
        cells = Cells(
            strips.a0, strips.a1, strips.b0, strips.b1, strips.z0, strips.z1,
            chords.p[chord], chords.q[chord], chords.slack[chord], row, chords.move[chord],
        )  # fmt: skip
        span = self.table.span[row]
        return cells.between(span[:, 0], span[:, 1])

    def uncovered(self, cells: Cells) -> Cells:
        """Take in what the cells are known to hit; returns those that could hit more and can still be cut."""
        row = cells.row

        def g_of(x: Array, y: Array) -> Array:
            return np.maximum(
                outline(x, y, cells.p, cells.q, self.table.rect, self.table.boxed, row) - cells.slack, 0.0
            )

        g0, g1 = g_of(cells.a0, cells.b0), g_of(cells.a1, cells.b1)
        g = np.minimum(np.minimum(g0, g1), np.minimum(g_of(cells.a0, cells.a1), g_of(cells.b0, cells.b1)))
        inside = cells.p + self.table.rect[row][:, 0::2]
        g[in_strip(inside, cells.a0, cells.a1, cells.b0, cells.b1)] = 0.0
        low, high = self.raises(g, cells.z0, cells.z1, row)
        done = cells.z1 - cells.z0 <= self.hits.tolerances.strip
        tag = self.table.tag[row] + cells.of
        # both end slices, and whatever height the smallest g is at, are there
        for g_there, z_there, z_other in (
            (g0, cells.z0, cells.z0),
            (g1, cells.z1, cells.z1),
            (g, cells.z1, cells.z0),
        ):
            bottom, top = self.table.heights(g_there, row)
            sure = self.as_raise(bottom - z_other, top - z_there, row)
            some = sure[1] >= sure[0]
            self.hits.take(sure[0][some], sure[1][some], tag[some])
        self.hits.take(low[done], high[done], tag[done])
        return cells.take(~done & self.hits.new(low, high))
