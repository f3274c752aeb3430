"""Figures kept up while bodies and paths move: what moved goes in; clearance, side and height of every head
against every body come out, by the meridian kernel alone.

Only pairs are looked at again whose two sides moved against each other. Where a figure was found last is
measured first: that value is there, and all that cannot be below it is passed over. Hierarchies keep their
order; of what moved their boxes are made anew.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.transforms import Matrix, apply
from clearance.kernels.meridian.bvh import ChordTree, TriangleTree, leaf_order
from clearance.kernels.meridian.chords import Chords
from clearance.kernels.meridian.nearest import Ask, bounds, nearest
from clearance.kernels.meridian.profile import (
    NOWHERE,
    ClearanceMeasure,
    HeightMeasure,
    Profiles,
    SideMeasure,
    Together,
    strips_of,
)
from clearance.kernels.meridian.search import Nearest, search
from clearance.kernels.meridian.view import Sweep, smallest
from clearance.kernels.query import Growth, HeadPart, HeadRun, SweepQuery
from clearance.records import changing
from clearance.scene.heads import HeadPiece
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Rows = NDArray[np.bool_]

FIGURES = ("clearance", "side", "height")
#: boxes are made anew after so many shifts: doubles may be off by their last digit at each
_SHIFTED = 200
#: with no more pairs of facets than this each is looked for among all
_COMPARED = 200_000
_NONE: Index = np.empty(0, dtype=np.intp)


@changing
class _Kept:
    """For each figure, part and body (3, parts, bodies): the value, mm, and where it was found (-1: none)."""

    value: Array
    triangle: Index
    chord: Index
    row: Index


class Live:
    """The figures of a query's heads against its bodies, and how they change; each is looked for when that is
    asked (``look_again``), and there is none before.

    Args:
        query: about the bodies where they are at first.
        like: of a scene like this one: where figures were found there, they are looked for first.
    """

    def __init__(self, query: SweepQuery, like: Live | None = None) -> None:
        self.query, self.tolerances = query, query.tolerances
        self.runs: list[HeadRun] = query.runs
        self.parts: list[HeadPart] = [part for run in self.runs for part in run.parts]
        self.run_of = np.repeat(np.arange(len(self.runs)), [len(run.parts) for run in self.runs])
        self._paths = [query.path(part.moves, part.only) for part in self.parts]
        self._tree = TriangleTree([body.triangles_M for body in query.bodies])
        count = [len(body.triangles_M) for body in query.bodies]
        self._begin = np.cumsum([0, *count])
        self._home = self._tree.triangles.copy()
        #: where each body's boxes are, and how often they were shifted since they were made
        self._at: dict[int, tuple[Matrix, int]] = {}
        self._rows_of()
        #: (parts, bodies) which are held against each other
        self.there = np.zeros((len(self.parts), len(query.bodies)), dtype=bool)
        for k, run in enumerate(self.run_of):
            self.there[k, list(self.runs[run].bodies)] = True
        shape = (len(FIGURES), *self.there.shape)
        none = np.full(shape, -1, dtype=np.intp)
        self.kept = _Kept(np.full(shape, NOWHERE), none, none.copy(), none.copy())
        if like is not None:
            self._begin_where(like)

    def _rows_of(self) -> None:
        """The table of pieces as they are held against bodies of each margin, and each pair's rows of it."""
        query = self.query
        bare: list[HeadPiece] = []
        side: list[HeadPiece] = []
        height: list[HeadPiece] = []
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

    def _begin_where(self, old: Live) -> None:
        """Take over where figures were found, by the names of heads, stretches and bodies.

        Any facet, chord and piece that there is will do, and the nearer to the right one the better.
        """
        parts = dict(zip(_names(old), range(len(old.parts)), strict=True))
        both = [(k, parts[name]) for k, name in enumerate(_names(self)) if name in parts]
        mine, theirs = (
            np.array(each, dtype=np.intp) for each in (tuple(zip(*both, strict=True)) or ((), ()))
        )
        known = {body.name: b for b, body in enumerate(old.query.bodies)}
        kept, was = self.kept, old.kept
        last = np.array([len(self._paths[k].chords.p) - 1 for k in mine], dtype=np.intp)
        for b, body in enumerate(self.query.bodies):
            o = known.get(body.name)
            if o is None or not len(body.triangles_M):
                continue
            found = was.triangle[:, theirs, o] - old._begin[o]
            figure, k = np.nonzero((found >= 0) & (last >= 0) & self.there[mine, b] & old.there[theirs, o])
            places, of = np.unique(found[figure, k], return_inverse=True)
            there = self._like(b, old._home[old._begin[o] + places], places)
            at = (figure, mine[k], b)
            kept.triangle[at] = self._begin[b] + there[of]
            kept.chord[at] = np.minimum(was.chord[figure, theirs[k], o], last[k])
            for f, new, before in zip(figure.tolist(), mine[k].tolist(), theirs[k].tolist(), strict=True):
                rows = self._rows[new][b]
                piece = was.row[f, before, o] - f * old._many - old._rows[before][o][0]
                kept.row[f, new, b] = rows[min(int(piece), len(rows) - 1)] + f * self._many

    def _like(self, body: int, triangles: Array, places: Index) -> Index:
        """Which facets (n,) of a body are most like triangles (n, 3, 3) that stood at some places of one like
        it; where there are very many, those at the same places."""
        home = self._home[self._begin[body] : self._begin[body + 1]]
        if len(home) * len(places) > _COMPARED:
            return np.minimum(places, len(home) - 1)
        apart = ((triangles.mean(axis=1)[:, None] - home.mean(axis=1)) ** 2).sum(axis=2)
        return np.asarray(apart.argmin(axis=1))

    # --------------------------------------------------------------------------------------- what moves
    def bodies_at(self, poses: Mapping[int, Matrix]) -> None:
        """Put bodies where they are now.

        Args:
            poses: for each that moved the motion (4, 4) of the machine frame from where it was at first.
        """
        for body, T_MM in poses.items():
            mine = slice(int(self._begin[body]), int(self._begin[body + 1]))
            was, times = self._at.get(body, (None, 0))
            if np.array_equal(T_MM[:3, :3], np.eye(3)):
                np.add(self._home[mine], T_MM[:3, 3], out=self._tree.triangles[mine])
            else:
                self._tree.triangles[mine] = apply(T_MM, self._home[mine])
            if was is not None and times < _SHIFTED and np.array_equal(was[:3, :3], T_MM[:3, :3]):
                self._tree.nodes.shift(body, T_MM[:3, 3] - was[:3, 3])
            else:
                times = 0
                self._tree.refit(body, mine)
            self._at[body] = T_MM, times + 1

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
        own = slice(int(self._begin[body]), int(self._begin[body + 1]))
        home = triangles[leaf_order(triangles)]
        mine = self.kept.triangle[:, :, body] - own.start
        # the facet that lies where that lay on which a figure was found last is a place to look first
        places, of = np.unique(mine[mine >= 0], return_inverse=True)
        old = self._home[own.start + places]
        self._at.pop(body, None)
        if len(home) == own.stop - own.start:
            self._home[own] = home
            self.bodies_at({body: np.eye(4)})
        else:
            self._replaced(body, home)
        there = self._like(body, old, places)
        self.kept.triangle[:, :, body][mine >= 0] = self._begin[body] + there[of]

    def _replaced(self, body: int, home: Array) -> None:
        """Another number of triangles (N, 3, 3) of a body, in the order of its leaves."""
        first = [self._home[a:b] for a, b in zip(self._begin, self._begin[1:], strict=False)]
        now = [self.triangles(k) for k in range(len(first))]
        first[body] = now[body] = home
        begin = np.cumsum([0, *map(len, now)])
        kept = self.kept.triangle
        kept[:] = np.where(kept >= 0, kept + (begin - self._begin)[:-1], -1)
        self._begin, self._home = begin, np.concatenate(first)
        # each in the order in which its figures are known
        self._tree = TriangleTree(now, ordered=True)

    def bounds(self, pairs: Rows) -> Array:
        """(runs, bodies) what the distance in space of some pairs cannot be below, mm, by a few boxes alone;
        0 for all others.

        Args:
            pairs: (runs, bodies) which.
        """
        out = np.full(pairs.shape, np.inf)
        asks, owner = [], []
        for k, run in enumerate(self.run_of.tolist()):
            some = np.flatnonzero(pairs[run])
            if len(some):
                rows = [_NONE] * pairs.shape[1]
                for body in some.tolist():
                    rows[body] = self._rows[k][body]
                asks.append(Ask(self._paths[k], rows, np.full(pairs.shape[1], np.inf)))
                owner.append(run)
        for run, bound in zip(owner, bounds(self._tree, self._measure.parts[0], asks), strict=True):
            np.minimum(out[run], bound, out=out[run])
        return np.where(pairs, out, 0.0)

    def grown(self, wanted: Mapping[tuple[int, int], Growth], up_to: float) -> dict[tuple[int, int], float]:
        """How near some bodies are to a head that is grown.

        Args:
            wanted: for run and body by how much.   up_to: mm, told where it is no smaller.
        """
        out = dict.fromkeys(wanted, up_to)
        by_run: dict[int, dict[int, Growth]] = {}
        for (run, body), growth in wanted.items():
            by_run.setdefault(run, {})[body] = growth
        sweeps, owner = [], []
        for k, run in enumerate(self.run_of.tolist()):
            if run in by_run:
                part, start = self.parts[k], np.full(len(self.query.bodies), -1.0)
                start[list(by_run[run])] = up_to
                against = {body: (part.pieces, growth) for body, growth in by_run[run].items()}
                sweeps.append(Sweep(self._paths[k], against, 0.0, start))
                owner.append(run)
        if not sweeps:
            return out
        found = smallest(
            self._tree, ClearanceMeasure, sweeps, settled=0.0, tolerances=self.tolerances.meridian
        )
        for run, one in zip(owner, found.nearest, strict=True):
            for body in by_run[run]:
                out[run, body] = min(out[run, body], float(one.value[body]))
        return out

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

    def look_again(self, changed: Rows, moved: Array | None = None) -> None:
        """Find the figures of some pairs again.

        Args:
            changed: (parts, bodies) which pairs moved against each other.
            moved: (parts, bodies) by how much at most since each was looked at last, mm; None: nobody knows.
        """
        changed = changed & self.there
        if changed.any():
            self._look(changed, np.full(changed.shape, np.inf) if moved is None else moved)

    # --------------------------------------------------------------------------------------- the search
    def _look(self, changed: Rows, moved: Array) -> None:
        kept, bodies = self.kept, len(self.query.bodies)
        wanted = np.broadcast_to(changed, kept.value.shape)
        # what is not there tells how far it is from being there, and no motion brings it nearer by more
        absent = wanted & (kept.value - moved >= NOWHERE)
        np.subtract(kept.value, moved, out=kept.value, where=absent)
        wanted = wanted & ~absent
        self._from_where_they_were(wanted)
        seeded = kept.triangle >= 0
        wanted &= seeded | self._may_be(wanted & ~seeded)
        for known in (False, True):
            asks, owner = [], []
            for figure, part in zip(*np.nonzero((wanted & (seeded == known)).any(axis=2)), strict=True):
                some = np.flatnonzero(wanted[figure, part] & (seeded[figure, part] == known))
                rows = [_NONE] * bodies
                for body in some:
                    rows[body] = self._rows[part][int(body)] + figure * self._many
                start = np.full(bodies, -1.0)
                start[some] = kept.value[figure, part, some] if known else np.inf
                at = (figure, part)
                near = Nearest(start, kept.triangle[at], kept.chord[at], kept.row[at]) if known else None
                asks.append(Ask(self._paths[part], rows, start, near))
                owner.append((figure, part, some))
            found = nearest(self._tree, self._measure, asks, tolerances=self.tolerances.meridian)
            for (figure, part, some), one in zip(owner, found, strict=True):
                kept.value[figure, part, some] = one.value[some]
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
        box = np.array([np.r_[t.nodes.low[-1], t.nodes.high[-1], t.slack[-1]] for t in self._paths])[part][
            pair
        ]
        rect = self._measure.profiles.rect[row]
        low, high = box[:, :2] + rect[:, 0::2], box[:, 2:4] + rect[:, 1::2]
        apart = np.maximum(np.maximum(nodes.low[tri, :2] - high, low - nodes.high[tri, :2]), 0.0)
        g = np.maximum(np.hypot(apart[:, 0], apart[:, 1]) - box[:, 4], 0.0)
        z = self._measure.profiles.nearest_height(nodes.low[tri, 2], nodes.high[tri, 2], row)
        bound = np.full(len(rows), np.inf)
        np.minimum.at(bound, pair, self._measure(g, z, row))
        # by so much it is not there
        far = bound >= NOWHERE
        self.kept.value[figure[far], part[far], body[far]] = bound[far]
        out[figure, part, body] = ~far
        return out

    def _from_where_they_were(self, wanted: Rows) -> None:
        """What is had where each figure (3, parts, bodies) was found last."""
        kept = self.kept
        at = np.nonzero(wanted & (kept.triangle >= 0))
        if not len(at[0]):
            return
        row, chords = kept.row[at], self._chords(at[1], kept.chord[at])
        strips, of = strips_of(self._tree.triangles[kept.triangle[at]])
        endless, least = np.full(len(of), np.inf), np.zeros(len(of))
        value, _ = search(
            strips, chords, of, row[of], self._measure, endless, least,
            tolerances=self.tolerances.meridian, hurried=True,
        )  # fmt: skip
        lowest = np.full(len(row), np.inf)
        np.minimum.at(lowest, of, value)
        kept.value[at] = lowest

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


def _names(live: Live) -> list[tuple[str, str, int, int]]:
    """Of each part its head and stretch, which run of these it is of, and which part of that."""
    seen: dict[tuple[str, str], int] = {}
    out = []
    for run in live.runs:
        key = (run.head, run.stretch.name)
        seen[key] = seen.get(key, -1) + 1
        out += [(*key, seen[key], k) for k in range(len(run.parts))]
    return out


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
