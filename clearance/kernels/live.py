"""Figures kept up while bodies and paths move: what moved goes in; clearance, side and height of every head
against every body come out, by the meridian kernel alone.

Only pairs are looked at again whose two sides moved against each other. Where a figure was found last is
measured first: that value is there, and all that cannot be below it is passed over. Hierarchies keep their
order; of what moved their boxes are made anew.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.transforms import Matrix, apply
from clearance.kernels.meridian.bvh import ChordTree, TriangleTree
from clearance.kernels.meridian.chords import Chords
from clearance.kernels.meridian.nearest import Ask, Nearest, nearest
from clearance.kernels.meridian.profile import (
    NOWHERE,
    ClearanceMeasure,
    HeightMeasure,
    Profiles,
    SideMeasure,
    Together,
    strips_of,
)
from clearance.kernels.meridian.search import quick
from clearance.kernels.query import Growth, HeadPart, HeadRun, SweepQuery
from clearance.scene.heads import Piece
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Rows = NDArray[np.bool_]

FIGURES = ("clearance", "side", "height")
_NONE: Index = np.empty(0, dtype=np.intp)


@dataclass
class _Kept:
    """For each figure, part and body (3, parts, bodies): the value, mm, and where it was found (-1: none)."""

    value: Array
    triangle: Index
    chord: Index
    row: Index


class Live:
    """The figures of a query's heads against its bodies, and how they change.

    Args:
        query: about the bodies where they are at first.
    """

    def __init__(self, query: SweepQuery) -> None:
        self.query, self.tolerances = query, query.tolerances
        self.runs: list[HeadRun] = query.runs
        self.parts: list[HeadPart] = [part for run in self.runs for part in run.parts]
        self.run_of = np.repeat(np.arange(len(self.runs)), [len(run.parts) for run in self.runs])
        self._paths = [query.path(part.moves, part.only) for part in self.parts]
        self._tree = TriangleTree([body.triangles_M for body in query.bodies])
        count = [len(body.triangles_M) for body in query.bodies]
        self._begin = np.cumsum([0, *count])
        self._home = self._tree.triangles.copy()
        self._rows_of()
        #: (parts, bodies) which are held against each other
        self.there = np.zeros((len(self.parts), len(query.bodies)), dtype=bool)
        for k, run in enumerate(self.run_of):
            self.there[k, list(self.runs[run].bodies)] = True
        shape = (len(FIGURES), *self.there.shape)
        none = np.full(shape, -1, dtype=np.intp)
        self.kept = _Kept(np.full(shape, NOWHERE), none, none.copy(), none.copy())
        self._look(self.there, False)

    def _rows_of(self) -> None:
        """The table of pieces as they are held against bodies of each margin, and each pair's rows of it."""
        query = self.query
        bare: list[Piece] = []
        side: list[Piece] = []
        height: list[Piece] = []
        known: dict[tuple[int, Growth, Growth], Index] = {}
        self._rows: list[dict[int, Index]] = []
        for run, part in zip((self.runs[k] for k in self.run_of), self.parts, strict=True):
            mine: dict[int, Index] = {}
            for body in run.bodies:
                grown = [query.growth_for(figure, run, body) for figure in FIGURES[1:]]
                key = (id(part.pieces), grown[0], grown[1])
                if key not in known:
                    known[key] = np.arange(len(bare), len(bare) + len(part.pieces))
                    bare += part.pieces
                    side += [piece.grown(grown[0].side, grown[0].height) for piece in part.pieces]
                    height += [piece.grown(grown[1].side, grown[1].height) for piece in part.pieces]
                mine[body] = known[key]
            self._rows.append(mine)
        self._many = len(bare)
        self._measure = Together(
            Profiles([*bare, *side, *height]),
            (
                ClearanceMeasure(Profiles(bare)),
                SideMeasure(Profiles(side)),
                HeightMeasure(Profiles(height)),
            ),
        )

    # --------------------------------------------------------------------------------------- what moves
    def bodies_at(self, poses: Mapping[int, Matrix]) -> None:
        """Put bodies where they are now.

        Args:
            poses: for each that moved the motion (4, 4) of the machine frame from where it was at first.
        """
        nodes = self._tree.nodes
        for body, T_MM in poses.items():
            mine = slice(int(self._begin[body]), int(self._begin[body + 1]))
            at = apply(T_MM, self._home[mine])
            self._tree.triangles[mine] = at
            nodes.low[mine], nodes.high[mine] = at.min(axis=1), at.max(axis=1)
        if poses:
            nodes.close()

    def paths_at(self, runs: Sequence[HeadRun]) -> None:
        """Put the paths where they are now.

        Args:
            runs: the same heads in their order, each with its moves now; as many moves as before.
        """
        made: dict[tuple[int, int, int], ChordTree] = {}
        parts = [part for run in runs for part in run.parts]
        for k, (old, new) in enumerate(zip(self.parts, parts, strict=True)):
            if old.moves is not new.moves:
                key = (id(old.moves), id(new.moves), id(old.only))
                if key not in made:
                    made[key] = shifted(self._paths[k], old.moves, new.moves)
                self._paths[k] = made[key]
        self.runs, self.parts = list(runs), parts

    def rebuilt(self, body: int, triangles: Array) -> None:
        """Give a body another shape; its figures are to be found again.

        Args:
            body: its index.   triangles: (N, 3, 3) where it was at first, mm, machine frame.
        """
        mine = slice(int(self._begin[body]), int(self._begin[body + 1]))
        home = TriangleTree([triangles]).triangles
        if len(home) == mine.stop - mine.start:
            # as many facets: where figures were found last is still a place to look first
            self._home[mine] = home
            self.bodies_at({body: np.eye(4)})
            return
        first = [self._home[a:b] for a, b in zip(self._begin, self._begin[1:], strict=False)]
        now = [self.triangles(k) for k in range(len(first))]
        first[body] = now[body] = home
        begin = np.cumsum([0, *map(len, now)])
        self._tree = TriangleTree(now)
        kept, moved = self.kept, (begin - self._begin)[:-1]
        kept.triangle[:] = np.where(kept.triangle >= 0, kept.triangle + moved, -1)
        for each in (kept.triangle, kept.chord, kept.row):
            each[:, :, body] = -1
        self._begin, self._home = begin, np.concatenate(first)
        # each in the order in which its figures are known
        nodes = self._tree.nodes
        at = self._tree.triangles[:] = np.concatenate(now)
        nodes.low[: len(at)], nodes.high[: len(at)] = at.min(axis=1), at.max(axis=1)
        nodes.close()

    def triangles(self, body: int) -> Array:
        """A body's triangles (N, 3, 3) where they are now, mm, machine frame.

        Args:
            body: its index.
        """
        return self._tree.triangles[self._begin[body] : self._begin[body + 1]].copy()

    def box(self, body: int) -> tuple[Array, Array]:
        """Corners (3,) of the box about a body where it is now, mm, machine frame.

        Args:
            body: its index.
        """
        nodes = self._tree.nodes
        root = nodes.roots[np.searchsorted(nodes.owner[nodes.roots], body)]
        return nodes.low[root], nodes.high[root]

    def look_again(self, changed: Rows) -> None:
        """Find the figures of some pairs again.

        Args:
            changed: (parts, bodies) which pairs moved against each other.
        """
        changed = changed & self.there
        if changed.any():
            self._look(changed, True)

    # --------------------------------------------------------------------------------------- the search
    def _look(self, changed: Rows, again: bool) -> None:
        kept, bodies = self.kept, len(self.query.bodies)
        if again:
            self._from_where_they_were(changed)
        seeded = kept.triangle >= 0
        wanted = np.broadcast_to(changed, seeded.shape) & (seeded | self._may_be(changed & ~seeded))
        for known in (False, True):
            asks, owner = [], []
            for figure, part in zip(*np.nonzero((wanted & (seeded == known)).any(axis=2)), strict=True):
                some = np.flatnonzero(wanted[figure, part] & (seeded[figure, part] == known))
                rows = [_NONE] * bodies
                for body in some:
                    rows[body] = self._rows[part][int(body)] + figure * self._many
                start = np.full(bodies, -1.0)
                start[some] = kept.value[figure, part, some]
                at = (figure, part)
                near = Nearest(start, kept.triangle[at], kept.chord[at], kept.row[at]) if known else None
                asks.append(Ask(self._paths[part], rows, start, near))
                owner.append((figure, part, some))
            found = nearest(self._tree, self._measure, asks, tolerances=self.tolerances.meridian)
            for (figure, part, some), one in zip(owner, found, strict=True):
                kept.value[figure, part, some] = np.minimum(one.value[some], NOWHERE)
                kept.triangle[figure, part, some] = one.triangle[some]
                kept.chord[figure, part, some] = one.chord[some]
                kept.row[figure, part, some] = one.row[some]

    def _may_be(self, asked: Rows) -> Rows:
        """Of which pairs (3, parts, bodies) a figure may be there at all, by their boxes alone."""
        out = asked.copy()
        figure, part, body = np.nonzero(asked)
        if not len(figure):
            return out
        pairs = zip(figure.tolist(), part.tolist(), body.tolist(), strict=True)
        rows = [self._rows[p][b] + f * self._many for f, p, b in pairs]
        count = np.array([len(each) for each in rows])
        row, pair = np.concatenate(rows), np.repeat(np.arange(len(rows)), count)
        nodes = self._tree.nodes
        root = np.full(len(self.query.bodies), -1)
        root[nodes.owner[nodes.roots]] = nodes.roots
        tri = root[body][pair]
        box = np.array([np.r_[t.nodes.low[-1], t.nodes.high[-1], t.slack] for t in self._paths])[part][pair]
        rect = self._measure.profiles.rect[row]
        low, high = box[:, :2] + rect[:, 0::2], box[:, 2:4] + rect[:, 1::2]
        apart = np.maximum(np.maximum(nodes.low[tri, :2] - high, low - nodes.high[tri, :2]), 0.0)
        g = np.maximum(np.hypot(apart[:, 0], apart[:, 1]) - box[:, 4], 0.0)
        z = self._measure.profiles.nearest_height(nodes.low[tri, 2], nodes.high[tri, 2], row)
        bound = np.full(len(rows), np.inf)
        np.minimum.at(bound, pair, self._measure(g, z, row))
        out[figure, part, body] = bound < NOWHERE
        return out

    def _from_where_they_were(self, changed: Rows) -> None:
        """What is had where each figure was found last: a value that is there, or none."""
        kept = self.kept
        figure, part, body = np.nonzero(np.broadcast_to(changed, kept.value.shape))
        triangle, row = kept.triangle[figure, part, body], kept.row[figure, part, body]
        value = np.full(len(figure), NOWHERE)
        known = np.flatnonzero(triangle >= 0)
        if len(known):
            chords = self._chords(part[known], kept.chord[figure[known], part[known], body[known]])
            strips, owner = strips_of(self._tree.triangles[triangle[known]])
            lowest = np.full(len(known), np.inf)
            np.minimum.at(lowest, owner, quick(strips, chords, owner, row[known][owner], self._measure))
            # the search's width is taken off, as it is of each figure: what is nearer by less is passed over
            less = np.maximum(lowest - self.tolerances.meridian.search_width, 0.0)
            value[known] = np.where(lowest < NOWHERE, less, NOWHERE)
        kept.value[figure, part, body] = value
        gone = value >= NOWHERE
        for each in (kept.triangle, kept.chord, kept.row):
            each[figure[gone], part[gone], body[gone]] = -1

    def _chords(self, part: Index, chord: Index) -> Chords:
        """Chords of several paths: the part whose path it is, and its number there."""
        paths = dict.fromkeys(part.tolist())
        begin = np.zeros(len(self.parts), dtype=np.intp)
        size = 0
        for k in paths:
            begin[k] = size
            size += len(self._paths[k].chords.p)
        at = begin[part] + chord
        fields = ("p", "q", "slack", "move")
        every = (np.concatenate([getattr(self._paths[k].chords, name) for k in paths]) for name in fields)
        return Chords(*(each[at] for each in every))

    def figures(self) -> Array:
        """(3, runs, bodies) clearance, side and height, mm; infinite where there is none."""
        begin = np.searchsorted(self.run_of, np.arange(len(self.runs)))
        found = np.minimum.reduceat(self.kept.value, begin, axis=1)
        return np.where(found >= NOWHERE, np.inf, found)


def shifted(tree: ChordTree, old: Moves, new: Moves) -> ChordTree:
    """The chords of a path that was shifted, or of one with other ends.

    Args:
        tree: of ``old``.   old, new: as many moves; all shifted by the same, or straight ones.
    """
    chords = tree.chords
    by = new.start[:1] - old.start[:1]
    same = len(old) == len(new) and np.allclose(new.start - old.start, by, rtol=0.0, atol=1e-9)
    same = same and np.allclose(new.end - old.end, by, rtol=0.0, atol=1e-9)
    if same:
        return ChordTree(Chords(chords.p + by, chords.q + by, chords.slack, chords.move))
    # ways of the heads are straight
    return ChordTree(Chords(new.start[chords.move], new.end[chords.move], chords.slack, chords.move))
