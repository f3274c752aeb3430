"""At which places of an item does a head meet it? Boxes of places go in; which are free, which are met, comes
out.

A place is where the item's origin stands in plan, and its turn about the vertical through that. Boxes of
places are a third tree beside those of triangles and chords: it is gone down level by level, all boxes of a
level in one set of arrays, and the halves of a box begin with the pairs of nodes that it could not drop.

A head that meets the item for some place of a box is a head whose rectangle is widened by the box, held
against the item once (a Minkowski sum). A head that is narrower by half the box's diagonal and meets the item
at the box's middle meets it for all of its places. A turn of the item moves a point no farther than its
distance from the origin times the angle; it counts in both.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.kernels.meridian.bvh import ChordForest, ChordTree, Pairs, Traversal, TriangleTree, bare
from clearance.kernels.meridian.cells import Cells
from clearance.kernels.meridian.lifts import Lifted, PieceTable
from clearance.kernels.meridian.profile import strips_of
from clearance.kernels.meridian.shifts import DEGREE, Boxes
from clearance.records import record

Array = NDArray[np.float64]
Index = NDArray[np.integer[Any]]
Rows = NDArray[np.bool_]

#: a node larger than so many times the box is opened before the box is divided
_LARGE = 2.0
#: boxes of no more pairs than this, or no larger than this, mm, are looked at closely: nodes larger than such
#: a share of them are opened, and none that is smaller than this, mm
_MANY, _SMALL, _FINE, _FINEST = 64, 1.0, 0.25, 0.03
#: larger ones are only divided, mm
_COARSE = 4.0
#: pairs of a box that are followed to the end first, those that may be deepest in
_BEAM = 4
#: steps of golden section along a strip against a cone: a thousandth of its height is left
_STEPS = 14
_GOLDEN = (np.sqrt(5.0) - 1.0) / 2.0
#: pairs worked on at a time: the arrays stay in the processor's cache
_CHUNK = 1 << 13


@record
class KnownBoxes:
    """What is known of some boxes.

    Attributes:
        boxes: (n).
        free: (n,) nothing is met, wherever in the box.
        met: (n,) something is met, wherever in the box.
        row, move: (n,) what is met there or may be, by the number of what was held against the item, and the
            move (0-based); -1 where nothing is.
    """

    boxes: Boxes
    free: Rows
    met: Rows
    row: Index
    move: Index

    @property
    def open(self) -> Rows:
        """Which are not decided."""
        return np.asarray(~self.free & ~self.met)


class PlaceSearch:
    """The search.

    Args:
        bodies: triangles (N, 3, 3) of what moves, mm, seen from the item's origin: X Y from it, machine Z.
        asks: paths, and for each body the pieces, grown, that are held against it along the path; ``tag`` of
            a piece is handed back.
        beyond: mm; a turn is about a point that is no farther from the origin than this.
    """

    def __init__(
        self,
        bodies: Sequence[Array],
        asks: Sequence[tuple[ChordTree, Sequence[Sequence[Lifted]]]],
        beyond: float = 0.0,
    ) -> None:
        self.tree = TriangleTree(bodies)
        rows = [row for _, rows_of_body in asks for of_body in rows_of_body for row in of_body]
        self.table = PieceTable(rows)
        self.paths = ChordForest([path for path, _ in asks]) if asks else None
        self.reach = (
            max((float(np.hypot(*t[..., :2].reshape(-1, 2).T).max()) for t in bodies if len(t)), default=0.0)
            + beyond
        )
        self._roots: list[Pairs] = []
        if self.paths is not None and rows:
            self.traversal = Traversal(self.tree, self.paths, self.table.rect, self.table.boxed)
            at = 0
            for k, (_, rows_of_body) in enumerate(asks):
                begin = np.cumsum([at, *map(len, rows_of_body)])
                numbers = [np.arange(a, b) for a, b in zip(begin[:-1], begin[1:], strict=True)]
                self._roots.append(self.traversal.roots(0, k, numbers))
                at = int(begin[-1])

    def tag(self, row: int) -> int:
        """The tag of what was held against the item.

        Args:
            row: (n,) of the table of profiles.
        """
        return int(self.table.tag[row])

    def begin(self, boxes: Boxes) -> tuple[Boxes, Pairs]:
        """Boxes with all pairs.

        Args:
            boxes: of places, mm and degrees.
        """
        roots = [pairs for pairs in self._roots if len(pairs)]
        if not roots:
            none = np.empty(0, dtype=np.intp)
            return boxes, Pairs(none, none, none, none)
        one = bare(roots)
        n = len(boxes)
        return boxes, Pairs(
            np.repeat(np.arange(n), len(one)), np.tile(one.tri, n), np.tile(one.chord, n), np.tile(one.row, n)
        )

    def decide(self, boxes: Boxes, pairs: Pairs) -> tuple[KnownBoxes, Pairs]:
        """What can be said of the boxes, and the pairs that their halves are to begin with.

        Args:
            boxes: n of them.   pairs: their own, ``ask`` the number of the box.
        """
        n, view = len(boxes), _View(self, boxes)
        free, met, hit = np.ones(n, dtype=bool), np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
        row, move = (np.full(n, -1, dtype=np.intp) for _ in range(2))
        pairs, deep = view.opened(pairs, np.full(n, _LARGE))
        if not len(pairs):
            return KnownBoxes(boxes, free, met, row, move), pairs
        # a few of each box are followed to the end: what they meet tells of most boxes
        first = view.beam(pairs, deep)
        for k in range(0, len(first), _CHUNK):
            some = first.take_bare(np.arange(k, min(k + _CHUNK, len(first))))
            may, sure, inside = view.held(some, hit)
            hit[some.ask[sure]] = True
            for rows in (may, inside):
                named = np.flatnonzero(rows & ~met[some.ask])
                row[some.ask[named]], move[some.ask[named]] = some.row[named], self._move(some.chord[named])
            met[some.ask[inside]] = True
        # where nothing was met for certain everything is looked at, once that is not too much
        many = np.bincount(pairs.ask, minlength=n) > _MANY
        later = hit | (many & (view.size > _SMALL)) | (view.size > _COARSE)
        free[pairs.ask[later[pairs.ask]]] = False
        kept = [pairs.take_bare(np.flatnonzero(later[pairs.ask] & ~met[pairs.ask]))]
        pairs = pairs.take_bare(np.flatnonzero(~later[pairs.ask]))
        pairs, _ = view.opened(pairs, np.full(n, _FINE))
        leaf = self.traversal.is_leaf(pairs)
        free[pairs.ask[~leaf]] = False
        kept.append(pairs.take_bare(np.flatnonzero(~leaf)))
        # of a box that is to be divided anyway nothing more is asked
        pairs = pairs.take_bare(np.flatnonzero(leaf))
        asked = free[pairs.ask]
        kept.append(pairs.take_bare(np.flatnonzero(~asked)))
        pairs = pairs.take_bare(np.flatnonzero(asked))
        for k in range(0, len(pairs), _CHUNK):
            some = pairs.take_bare(np.arange(k, min(k + _CHUNK, len(pairs))))
            may, _, inside = view.held(some, met)
            met[some.ask[inside]] = True
            free[some.ask[may]] = False
            named = np.flatnonzero(inside | (may & (row[some.ask] < 0)))
            row[some.ask[named]], move[some.ask[named]] = some.row[named], self._move(some.chord[named])
            kept.append(some.take_bare(np.flatnonzero(may)))
        pairs = bare(kept)
        return KnownBoxes(boxes, free & ~met, met, row, move), pairs.take_bare(
            np.flatnonzero(~met[pairs.ask])
        )

    def _move(self, chord: Index) -> Index:
        assert self.paths is not None
        return np.asarray(self.paths.chords.move[self.paths.leaf[chord]])

    def divided(self, level: KnownBoxes, pairs: Pairs, which: Rows, fine: float = 0.0) -> tuple[Boxes, Pairs]:
        """The halves of some boxes, and their pairs, inherited: of what moves the item more, a shift or a
        turn.

        Args:
            level, pairs: of ``decide``.   which: (n,) boxes that are to be divided.
            fine: mm; what is no larger is divided in its turn only.
        """
        number = np.flatnonzero(which)
        some = level.boxes.take(number)
        swing = self.reach * np.minimum(np.radians(some.half_turn), 2.0)
        large = 2.0 * some.half.max(axis=1) > fine * (1.0 + 1e-9)
        by_turn = (some.half_turn > 0.75 * DEGREE) & (~large | (swing > np.hypot(*some.half.T)))
        boxes, parent = some.halves(by_turn)
        parent = number[parent]
        # pairs in the order of their boxes, handed to each of the box's halves
        order = np.argsort(pairs.ask, kind="stable")
        count = np.bincount(pairs.ask, minlength=len(level.boxes))
        begin = np.cumsum(count) - count
        many = count[parent]
        child = np.repeat(np.arange(len(parent)), many)
        at = np.arange(len(child)) - np.repeat(np.cumsum(many) - many, many)
        rows = order[begin[parent[child]] + at]
        return boxes, Pairs(child, pairs.tri[rows], pairs.chord[rows], pairs.row[rows])


def _rank(group: Index) -> Index:
    """The number (n,) of each among its neighbours of the same group."""
    if not len(group):
        return group
    begins = np.r_[True, group[1:] != group[:-1]]
    at = np.arange(len(group))
    return np.asarray(at - np.maximum.accumulate(np.where(begins, at, 0)))


class _View:
    """Some boxes, with what each pair needs of them."""

    def __init__(self, places: PlaceSearch, boxes: Boxes) -> None:
        self.p, self.boxes = places, boxes
        angle = np.radians(boxes.turn)
        self.cos, self.sin = np.cos(angle), np.sin(angle)
        self.turned = bool((boxes.turn != 0.0).any())
        #: how far a turn within the box moves any point, mm
        self.swing = 2.0 * places.reach * np.sin(np.minimum(np.radians(boxes.half_turn) / 2.0, np.pi / 2.0))
        self.size = 2.0 * boxes.half.max(axis=1) + 2.0 * self.swing

    # ------------------------------------------------------------------------------------------ nodes
    def opened(self, pairs: Pairs, times: Array) -> tuple[Pairs, Array]:
        """Pairs that could meet, of nodes no larger than so many times (boxes,) their box, and how deep (n,)
        they may be by their own boxes."""
        done: list[Pairs] = []
        deep: list[Array] = []
        while len(pairs):
            pairs, depth = self.pruned(pairs)
            large = self.large(pairs, times)
            done.append(pairs.take_bare(np.flatnonzero(~large)))
            deep.append(depth[~large])
            pairs = self.p.traversal.children(pairs.take_bare(np.flatnonzero(large)))
        return (bare(done), np.concatenate(deep)) if done else (pairs, np.empty(0))

    def beam(self, pairs: Pairs, deep: Array) -> Pairs:
        """Of each box a few pairs of leaves, from those that may be deepest."""
        done: list[Pairs] = []
        while len(pairs):
            order = np.lexsort((-deep, pairs.ask))
            order = order[_rank(pairs.ask[order]) < _BEAM]
            pairs = pairs.take_bare(order)
            leaf = self.p.traversal.is_leaf(pairs)
            done.append(pairs.take_bare(np.flatnonzero(leaf)))
            pairs, deep = self.pruned(self.p.traversal.children(pairs.take_bare(np.flatnonzero(~leaf))))
        return bare(done) if done else pairs

    def large(self, pairs: Pairs, times: Array) -> Rows:
        p = self.p
        assert p.paths is not None
        nodes, paths = p.tree.nodes, p.paths
        size = np.maximum((times * self.size)[pairs.ask], _FINEST)
        tri, chord = pairs.tri, pairs.chord
        # tall ones stay together: their heights are looked at once they are leaves
        by_tri = (nodes.high[tri, :2] - nodes.low[tri, :2]).max(axis=1) > size
        by_chord = (paths.high[chord] - paths.low[chord]).max(axis=1) > size
        return np.asarray((by_tri & (nodes.level[tri] > 0)) | (by_chord & (paths.level[chord] > 0)))

    def pruned(self, pairs: Pairs) -> tuple[Pairs, Array]:
        p = self.p
        assert p.paths is not None
        nodes, paths, table, k = p.tree.nodes, p.paths, p.table, pairs.ask
        low, high = nodes.low[pairs.tri], nodes.high[pairs.tri]
        z_low, z_high = low[:, 2], high[:, 2]
        x0, x1, y0, y1 = low[:, 0], high[:, 0], low[:, 1], high[:, 1]
        if self.turned:
            cx, cy, hx, hy = (x0 + x1) / 2.0, (y0 + y1) / 2.0, (x1 - x0) / 2.0, (y1 - y0) / 2.0
            c, s = self.cos[k], self.sin[k]
            mx, my = c * cx - s * cy, s * cx + c * cy
            rx, ry = np.abs(c) * hx + np.abs(s) * hy, np.abs(s) * hx + np.abs(c) * hy
            x0, x1, y0, y1 = mx - rx, mx + rx, my - ry, my + ry
        rect, c_low, c_high = table.rect[pairs.row], paths.low[pairs.chord], paths.high[pairs.chord]
        centre, half = self.boxes.centre[k], self.boxes.half[k]
        gaps = [
            np.maximum(
                np.maximum(a + centre[:, j] - half[:, j] - c_high[:, j] - rect[:, 2 * j + 1],
                           c_low[:, j] + rect[:, 2 * j] - b - centre[:, j] - half[:, j]), 0.0)
            for j, (a, b) in enumerate(((x0, x1), (y0, y1)))
        ]  # fmt: skip
        g = np.hypot(gaps[0], gaps[1])
        # a long chord that lies askew has a box that is nearly all air
        some = np.flatnonzero(paths.level[pairs.chord] == 0)
        if len(some):
            chord, at, wide = paths.leaf[pairs.chord[some]], centre[some], half[some]
            p0 = paths.chords.p[chord]
            way = paths.chords.q[chord] - p0
            long = np.hypot(way[:, 0], way[:, 1])
            mx = (x0 + x1)[some] / 2.0 + at[:, 0] - (rect[some, 0] + rect[some, 1]) / 2.0 - p0[:, 0]
            my = (y0 + y1)[some] / 2.0 + at[:, 1] - (rect[some, 2] + rect[some, 3]) / 2.0 - p0[:, 1]
            rx = (x1 - x0)[some] / 2.0 + wide[:, 0] + (rect[some, 1] - rect[some, 0]) / 2.0
            ry = (y1 - y0)[some] / 2.0 + wide[:, 1] + (rect[some, 3] - rect[some, 2]) / 2.0
            across = np.abs(way[:, 0] * my - way[:, 1] * mx)
            across -= np.abs(way[:, 1]) * rx + np.abs(way[:, 0]) * ry
            beside = np.divide(across, long, out=np.zeros_like(across), where=long > 0.0)
            g[some] = np.maximum(g[some], beside)
        g = g - paths.slack[pairs.chord] - self.swing[k]
        bottom, top = table.heights(np.maximum(g, 0.0), pairs.row)
        keep = np.flatnonzero((bottom <= z_high) & (top >= z_low))
        return pairs.take_bare(keep), (table.widest[pairs.row] - g)[keep]

    # ------------------------------------------------------------------------------------------ leaves
    def _cells(self, pairs: Pairs) -> tuple[Cells, Index]:
        """The strips of each pair's triangle where the box's middle puts it, between the heights of its
        piece; and of which pair each is."""
        p = self.p
        t = p.tree.triangles[p.tree.nodes.leaf[pairs.tri]]
        k = pairs.ask
        if self.turned:
            c, s = self.cos[k, None], self.sin[k, None]
            t = np.stack([c * t[..., 0] - s * t[..., 1], s * t[..., 0] + c * t[..., 1], t[..., 2]], axis=-1)
        strips, of = strips_of(t)
        at = self.boxes.centre[k][of]
        assert p.paths is not None
        chord, row = p.paths.leaf[pairs.chord[of]], pairs.row[of]
        chords = p.paths.chords
        cells = Cells(
            strips.a0, strips.a1, strips.b0, strips.b1, strips.z0, strips.z1,
            chords.p[chord] - at, chords.q[chord] - at, chords.slack[chord], row, of,
        )  # fmt: skip
        return cells.between(p.table.z[row, 0], p.table.z[row, 2]), of

    def held(self, pairs: Pairs, hit: Rows) -> tuple[Rows, Rows, Rows]:
        """Which pairs of leaves (n,) may meet for some place of the box; which do for certain; which for all
        of its places.

        Args:
            hit: (boxes,) of which that is known of another pair: theirs need not be looked at closely.
        """
        table = self.p.table
        cells, _ = self._cells(pairs)
        may, sure, inside = (np.zeros(len(pairs), dtype=bool) for _ in range(3))
        if not len(cells):
            return may, sure, inside
        of, row = cells.of, cells.row
        g0, g1, g = cells.distances(table.rect[row], np.zeros(len(cells)))
        away = np.hypot(*self.boxes.half[pairs.ask].T) + self.swing[pairs.ask]
        for more, where in ((cells.slack, sure), (cells.slack + away[of], inside)):
            for at, low, high in (
                (g0, cells.z0, cells.z0),
                (g1, cells.z1, cells.z1),
                (g, cells.z0, cells.z1),
            ):
                bottom, top = table.heights(at + more, row)
                where[of[(bottom <= low) & (top >= high)]] = True
        bottom, top = table.heights(np.maximum(g - cells.slack - away[of], 0.0), row)
        near = (bottom <= cells.z1) & (top >= cells.z0)
        may[of[near]] = True
        may |= sure
        hit = hit.copy()
        hit[pairs.ask[sure]] = True
        doubt = np.flatnonzero(near & ~hit[pairs.ask][of])
        if len(doubt):
            asked = np.zeros(len(pairs), dtype=bool)
            asked[of[doubt]] = True
            may[asked] = False
            self._closely(cells.take(doubt), pairs, may)
        return may, sure, inside

    def _closely(self, cells: Cells, pairs: Pairs, may: Rows) -> None:
        """Take in which pairs may meet, by the head's rectangle widened by the box itself."""
        table, of, row = self.p.table, cells.of, cells.row
        half = self.boxes.half[pairs.ask[of]]
        rect = table.rect[row] + np.stack([-half[:, 0], half[:, 0], -half[:, 1], half[:, 1]], axis=1)
        more = -cells.slack - self.swing[pairs.ask[of]]
        g0, g1, g = cells.distances(rect, more)
        bottom, top = table.heights(g, row)
        near = (bottom <= cells.z1) & (top >= cells.z0)
        certain = (bottom <= cells.z0) & (top >= cells.z1)
        for at, z in ((g0, cells.z0), (g1, cells.z1)):
            bottom, top = table.heights(at, row)
            certain |= (bottom <= z) & (top >= z)
        may[of[certain]] = True
        left = np.flatnonzero(near & ~may[of])
        if len(left):
            cells = cells.take(left)
            may[cells.of[self._valley(cells, rect[left], more[left])]] = True

    def _valley(self, cells: Cells, rect: Array, more: Array) -> Rows:
        """Which strips (n,) come within their piece's radius at some height, as far as can be said.

        Along a strip the distance less the radius is convex: golden section. What is left of the bracket
        counts as a whole, on the safe side.
        """
        table, n = self.p.table, len(cells)
        meets, number = np.zeros(n, dtype=bool), np.arange(n)
        low, high = np.zeros(n), np.ones(n)
        inner = [np.full(n, 1.0 - _GOLDEN), np.full(n, _GOLDEN)]

        def above(t: Array) -> Array:
            a, b, z = cells.at(t)
            g = np.maximum(cells.from_(a, b, rect) + more, 0.0)
            return g - table.radius(z, cells.row)

        value = [above(t) for t in inner]
        for step in range(_STEPS + 1):
            found = (value[0] <= 0.0) | (value[1] <= 0.0)
            meets[number[found]] = True
            keep = np.flatnonzero(~found)
            cells, rect, more, number = cells.take(keep), rect[keep], more[keep], number[keep]
            low, high = low[keep], high[keep]
            inner, value = [x[keep] for x in inner], [x[keep] for x in value]
            if step == _STEPS or not len(number):
                break
            left = value[0] <= value[1]
            low, high = np.where(left, low, inner[0]), np.where(left, inner[1], high)
            new = np.where(left, high - _GOLDEN * (high - low), low + _GOLDEN * (high - low))
            got = above(new)
            inner = [np.where(left, new, inner[1]), np.where(left, inner[0], new)]
            value = [np.where(left, got, value[1]), np.where(left, value[0], got)]
        if len(number):
            (a0, b0, z0), (a1, b1, z1) = cells.at(low), cells.at(high)
            last = replace(cells, a0=a0, b0=b0, z0=z0, a1=a1, b1=b1, z1=z1)
            _, _, g = last.distances(rect, more)
            bottom, top = table.heights(g, last.row)
            meets[number[(bottom <= last.z1) & (top >= last.z0)]] = True
        return meets

    def narrow(self, pairs: Pairs) -> Rows:
        """Which pairs of leaves (n,) meet for all places of the box."""
        table = self.p.table
        cells, _ = self._cells(pairs)
        meets = np.zeros(len(pairs), dtype=bool)
        if not len(cells):
            return meets
        less = np.hypot(*self.boxes.half[pairs.ask].T) + self.swing[pairs.ask]
        of, row = cells.of, cells.row
        g0, g1, g = cells.distances(table.rect[row], cells.slack + less[of])
        for at, low, high in ((g0, cells.z0, cells.z0), (g1, cells.z1, cells.z1), (g, cells.z0, cells.z1)):
            bottom, top = table.heights(at, row)
            meets[of[(bottom <= low) & (top >= high)]] = True
        return meets
