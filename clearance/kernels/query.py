"""The one question that everything here asks: these heads, along these moves, against these bodies.

A scene goes in; how near its heads (and the wire) come to its bodies comes out: in space, sideways, in
height, grown by allow and margin, move by move, raised, shifted. What that needs (hierarchies over triangles
and over paths, FCL's surfaces, an origin near the work) is made once, when it is first needed, and by nobody
else.

Two kernels answer. The meridian one gives every figure, for all runs in one search; FCL's gives distances and
touches of its own: it is told where the first found a body nearest, to look there first, and believes nothing
of it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from math import hypot

import numpy as np
from numpy.typing import NDArray

from clearance.kernels.fcl.bodies import Bodies
from clearance.kernels.fcl.distance import FclRun, prepare
from clearance.kernels.fcl.touch import TouchHead, swallowed
from clearance.kernels.meridian.bvh import ChordTree, Pairs, TriangleTree
from clearance.kernels.meridian.chords import Chords, chords_of
from clearance.kernels.meridian.lifts import Hits, Lifted
from clearance.kernels.meridian.places import PlaceSearch
from clearance.kernels.meridian.profile import (
    NOWHERE,
    ClearanceMeasure,
    HeightMeasure,
    Profiles,
    SideMeasure,
    SingleMeasure,
)
from clearance.kernels.meridian.search import Witness
from clearance.kernels.meridian.shifts import DEGREE, Boxes
from clearance.kernels.meridian.view import Figures, Smallest, Sweep, by_run, smallest, smallest_of_each
from clearance.kernels.sweeps import BARE, Growth, HeadPart, HeadRun, runs_of
from clearance.scene.heads import HeadPiece
from clearance.scene.model import Body, Scene
from clearance.tolerances import DEFAULT, Tolerances
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Rows = NDArray[np.bool_]

#: what is kept with what was made of it, so that no other object can have its place in memory
_Path = tuple[Moves, Rows | None, ChordTree]
_Grown = tuple[Sequence[HeadPiece], list[HeadPiece]]

#: which figure: what measures it
MEASURES: dict[str, Callable[[Profiles], SingleMeasure]] = {
    "clearance": ClearanceMeasure,
    "side": SideMeasure,
    "height": HeightMeasure,
}
FIGURES = tuple(MEASURES)
#: parts of heads up to which all figures are looked for in one search
_IN_ONE_SEARCH = 100


class SweepQuery:
    """Head sweeps against bodies.

    Args:
        scene: heads, moves and bodies.
        only: bodies that are looked at (all); the others are passed over.
        like: a query about the same moves, whose paths are taken over.
    """

    def __init__(
        self,
        scene: Scene,
        only: Sequence[int] | None = None,
        like: SweepQuery | None = None,
        tolerances: Tolerances = DEFAULT,
    ) -> None:
        self.scene, self.bodies, self.tolerances = scene, scene.bodies, tolerances
        self.only = None if only is None else frozenset(only)
        self._paths: dict[tuple[int, int], _Path] = {} if like is None else like._paths
        self._growths: dict[tuple[object, ...], Growth] = {}
        self._grown: dict[tuple[int, float, float], _Grown] = {} if like is None else like._grown

    def __reduce__(self) -> tuple[object, ...]:
        """Another process makes its own caches: theirs are known by where objects lie in memory here."""
        return SweepQuery, (self.scene, self.only, None, self.tolerances)

    def make_ready(self) -> None:
        """Make what other processes are to share, before they are forked."""
        _ = self.tree
        self.surfaces.make_repeated()

    # ------------------------------------------------------------------------------- what is made once
    def with_bodies(self, bodies: Sequence[Body], changed: Sequence[int]) -> SweepQuery:
        """The same heads against bodies as they would be, of which only those that changed are looked at."""
        return SweepQuery(replace(self.scene, bodies=tuple(bodies)), changed, self, self.tolerances)

    @cached_property
    def runs(self) -> list[HeadRun]:
        """The heads and the wire on every stretch, in the order in which they run."""
        return [run for stretch in self.scene.stretches for run in runs_of(stretch, self.scene.wire_margin)]

    @cached_property
    def tree(self) -> TriangleTree:
        """The hierarchy over the bodies' triangles."""
        return TriangleTree(
            [
                body.triangles_M if self.only is None or k in self.only else body.triangles_M[:0]
                for k, body in enumerate(self.bodies)
            ]
        )

    def path(self, moves: Moves, only: Rows | None = None) -> ChordTree:
        """The hierarchy over chords of ``moves`` (those of ``only``); the same path is made once."""
        key = (id(moves), id(only))
        if key not in self._paths:
            self._paths[key] = (moves, only, ChordTree(chords_of(moves, only, self.tolerances.meridian)))
        return self._paths[key][2]

    def chords(self, moves: Moves, only: Rows | None = None) -> Chords:
        """The ``moves``, or those of ``only`` (M,), as straight bits, each with how far off it may lie."""
        return self.path(moves, only).chords

    @cached_property
    def origin(self) -> Array:
        """A point near the work, so that scenes far from the machine's origin lose no digits."""
        starts = [s.moves.start for s in self.scene.stretches if len(s.moves)]
        middle = np.zeros(3)
        if starts:
            middle[:2] = np.round(np.concatenate(starts).mean(axis=0))
        return middle

    @cached_property
    def surfaces(self) -> Bodies:
        """The bodies as FCL holds them."""
        made = Bodies(self.bodies, self.origin, self.tolerances.fcl)
        made.expect((part.moves, part.pieces, part.only) for run in self.runs for part in run.parts)
        return made

    def fcl(
        self,
        runs: Sequence[HeadRun],
        asked: Sequence[Mapping[Growth, Sequence[int]]],
        found: Sequence[Figures],
    ) -> list[FclRun]:
        """Each run as FCL holds it.

        Args:
            asked: for each run which bodies will be asked for with each growth.
            found: for each run what the other way found: where to look first, and nothing else of it.
        """
        held = [
            FclRun(self.surfaces, run, each, one.starts())
            for run, each, one in zip(runs, asked, found, strict=True)
        ]
        prepare([part for run in held for part in run.parts])
        return held

    def swallowed(
        self,
        body: int,
        moves: Moves,
        pieces: Sequence[HeadPiece],
        only: Rows | None = None,
        lift: float = 0.0,
    ) -> bool | None:
        """Whether ``body`` (its index), raised by ``lift`` mm, holds any of ``pieces`` along ``moves``, or
        those of ``only`` (M,); None: its surface is open, so it is undecided."""
        return swallowed(self.surfaces, body, moves, pieces, only, lift)

    # ------------------------------------------------------------------------------- the rule of growth
    def growth(self, run: HeadRun, body: int, margins: bool = True) -> Growth:
        """By how much a head is grown before it is held against a body: its allow, then the margin too.

        Args:
            run: a head on a stretch.   body: its index.   margins: whether the margin is added, too.
        """
        key = (body, margins, run.wire_margin and (run.wire_margin.side, run.wire_margin.height))
        if key not in self._growths:
            one = self.bodies[body]
            off = one.allow.and_then(run.margin(one)) if margins else one.allow
            self._growths[key] = Growth(off.side, off.height)
        return self._growths[key]

    def ladder(self, run: HeadRun, body: int) -> tuple[tuple[Growth, str], tuple[Growth, str]]:
        """What a touch of ``run`` and ``body`` means: grown by allow a clash, by the margin as well close."""
        return (self.growth(run, body, False), "clash"), (self.growth(run, body, True), "close")

    def spare(self, run: HeadRun, body: int, side: float | None, height: float | None) -> float | None:
        """The smaller of side and height less what they must be; None where neither is there.

        Args:
            run: a head on a stretch.   body: its index.   side, height: as measured, mm; None where there
                is none.
        """
        allow, margin = self.bodies[body].allow, run.margin(self.bodies[body])
        spares = [
            figure - a - m
            for figure, a, m in ((side, allow.side, margin.side), (height, allow.height, margin.height))
            if figure is not None
        ]
        return min(spares) if spares else None

    def reach(self, run: HeadRun, body: int) -> float:
        """Of a ``run``: a ``body`` (its index) that is farther from the head keeps its margins; mm."""
        growth = self.growth(run, body)
        return hypot(growth.side, growth.height) + 10.0 * self.tolerances.width

    def may_touch(self, clearance: float, growth: Growth) -> bool:
        """Whether a body at ``clearance`` (mm) can come near a head that is grown by ``growth``."""
        return clearance <= hypot(growth.side, growth.height) + self.tolerances.agree_from

    # ------------------------------------------------------------------------------- the meridian kernel
    def _smallest(
        self,
        measure: Callable[[Profiles], SingleMeasure],
        sweeps: Sequence[Sweep],
        by_move: bool = False,
        settled: float = -1.0,
    ) -> Smallest:
        return smallest(self.tree, measure, sweeps, by_move, settled, self.tolerances.meridian)

    def figures(self, runs: Sequence[HeadRun], which: Sequence[str] = FIGURES) -> dict[str, list[Figures]]:
        """For each run, from every body: "clearance", the distance in space, with its witness points; "side",
        the horizontal distance where head and body share a height, and "height", the vertical one where one
        is over the other, both within the margin.

        Args:
            runs: heads on stretches; for few of them there is one search.   which: of these figures.
        """
        parts = [(number, part) for number, run in enumerate(runs) for part in run.parts]
        sweeps = {figure: [self._sweep(figure, runs[n], part) for n, part in parts] for figure in which}
        # of many runs each figure is work enough for a search of its own
        together = [which] if len(parts) <= _IN_ONE_SEARCH else [(figure,) for figure in which]
        found: list[Smallest] = []
        for some in together:
            wanted = [(MEASURES[figure], sweeps[figure]) for figure in some]
            found += smallest_of_each(self.tree, wanted, tolerances=self.tolerances.meridian)
        return {
            figure: by_run(runs, [number for number, _ in parts], one, figure == "clearance")
            for figure, one in zip(which, found, strict=True)
        }

    def clearance(self, runs: Sequence[HeadRun]) -> list[Figures]:
        """For each run the distance in space from every body, with its witness points."""
        return self.figures(runs, ("clearance",))["clearance"]

    def _of_side(self, run: HeadRun, body: int) -> Growth:
        # what is measured is widened by the search's own width, to stay on the safe side
        return Growth(0.0, run.margin(self.bodies[body]).height + self.tolerances.meridian.search_width)

    def _of_height(self, run: HeadRun, body: int) -> Growth:
        return Growth(run.margin(self.bodies[body]).side + self.tolerances.meridian.search_width, 0.0)

    def growth_for(self, figure: str, run: HeadRun, body: int) -> Growth:
        """By how much the head of ``run`` is grown where ``figure`` is measured to ``body``."""
        if figure == "clearance":
            return BARE
        return self._of_side(run, body) if figure == "side" else self._of_height(run, body)

    def _sweep(self, figure: str, run: HeadRun, part: HeadPart) -> Sweep:
        """A part of a head as it is held against all bodies of its run for a figure."""
        start = np.full(self.tree.bodies, -1.0)
        start[list(run.bodies)] = NOWHERE
        against = {b: (part.pieces, self.growth_for(figure, run, b)) for b in run.bodies}
        return Sweep(self.path(part.moves, part.only), against, run.face_of(part), start)

    def clearance_below(
        self,
        wanted: Sequence[tuple[HeadRun, HeadPart, Mapping[int, Sequence[HeadPiece]], Mapping[int, float]]],
        settled: float = -1.0,
        points: bool = True,
    ) -> list[tuple[dict[int, float], dict[int, Witness]]]:
        """The distance in space of parts of heads from bodies, where it is below what is known already.

        Args:
            wanted: run, part, for each body the pieces that it is held against (as they are to it, raised or
                shifted), and below which value each is looked for.
            settled: a value that is no larger than this need not be the smallest.
            points: witness points are wanted.

        Returns:
            For each the values and their witness points, of the bodies that are nearer.
        """
        sweeps = []
        for run, part, pieces, below in wanted:
            start = np.full(self.tree.bodies, -1.0)
            start[list(below)] = list(below.values())
            against = {b: (some, BARE) for b, some in pieces.items()}
            sweeps.append(Sweep(self.path(part.moves, part.only), against, run.face_of(part), start))
        if not sweeps:
            return []
        found = self._smallest(ClearanceMeasure, sweeps, settled=settled)
        near = [
            [b for b in below if one.triangle[b] >= 0]
            for (_, _, _, below), one in zip(wanted, found.nearest, strict=True)
        ]
        at = found.witnesses(near) if points else [{} for _ in near]
        return [
            ({b: float(one.value[b]) for b in some}, where)
            for some, one, where in zip(near, found.nearest, at, strict=True)
        ]

    def grown(
        self, runs: Sequence[HeadRun], growths: Sequence[Mapping[int, Growth]], up_to: float
    ) -> list[Array]:
        """For each run the distance (bodies,) of some bodies from the head as grown for each; ``up_to`` where
        it is no smaller.

        Args:
            runs: heads on stretches.   growths: for each run, of each body asked about by its index, mm.
            up_to: mm; more is of no interest.
        """
        out = [np.full(len(self.bodies), up_to) for _ in runs]
        sweeps, owner = [], []
        for number, (run, wanted) in enumerate(zip(runs, growths, strict=True)):
            for part in run.parts if wanted else ():
                start = np.full(self.tree.bodies, -1.0)
                start[list(wanted)] = up_to
                against = {b: (part.pieces, growth) for b, growth in wanted.items()}
                sweeps.append(Sweep(self.path(part.moves, part.only), against, run.face_of(part), start))
                owner.append(number)
        if sweeps:
            found = self._smallest(ClearanceMeasure, sweeps, settled=0.0)
            for number, one in zip(owner, found.nearest, strict=True):
                some = list(growths[number])
                out[number][some] = np.minimum(out[number][some], one.value[some])
        return out

    def touching(self, run: HeadRun, body: int, growth: Growth) -> Rows:
        """On which of the moves (M,) the grown head touches a body.

        Args:
            run: a head on a stretch.   body: its index.   growth: side and height, mm.
        """
        touch = self.tolerances.found_touch
        sweeps = [
            self._by_move(run, part, {body: growth}, np.full(len(run.stretch.moves), 2.0 * touch))
            for part in run.parts
        ]
        found = self._smallest(ClearanceMeasure, sweeps, by_move=True, settled=touch)
        return np.asarray(np.any([one.value <= touch for one in found.nearest], axis=0))

    def by_move(
        self, figure: str, wanted: Sequence[tuple[HeadRun, HeadPart, Sequence[int], Array]]
    ) -> list[tuple[Index, Array]]:
        """A figure on every move, of the nearest of some bodies.

        Args:
            wanted: run, part, bodies, and (moves,) below which it is looked for.

        Returns:
            For each the body (moves,), -1 where nothing is below, and the figure (moves,), as wanted there.
        """
        sweeps = [
            self._by_move(run, part, {b: self.growth_for(figure, run, b) for b in bodies}, start)
            for run, part, bodies, start in wanted
        ]
        found = self._smallest(MEASURES[figure], sweeps, by_move=True) if sweeps else None
        return [
            (np.where(one.triangle >= 0, self.tree.body[one.triangle], -1), one.value)
            for one in (found.nearest if found is not None else ())
        ]

    def _by_move(self, run: HeadRun, part: HeadPart, growths: Mapping[int, Growth], start: Array) -> Sweep:
        against = {b: (part.pieces, growth) for b, growth in growths.items()}
        return Sweep(self.path(part.moves, part.only), against, run.face_of(part), start)

    def touch_on(self, run: HeadRun, body: int, move: int) -> Witness | None:
        """Where a head is nearest to a body on one move.

        Args:
            run: a head on a stretch.   body: its index.   move: index of a move of the stretch.
        """
        best: tuple[float, Witness] | None = None
        for part in run.parts:
            only = np.arange(len(part.moves)) == move
            if part.only is not None:
                only &= part.only
            if not only.any():
                continue
            start = np.full(self.tree.bodies, -1.0)
            start[body] = NOWHERE
            # of use but once
            path = ChordTree(chords_of(part.moves, only, self.tolerances.meridian))
            sweep = Sweep(path, {body: (part.pieces, BARE)}, run.face_of(part), start)
            found = self._smallest(ClearanceMeasure, [sweep])
            witness = found.witnesses([[body]])[0].get(body)
            value = float(found.nearest[0].value[body])
            if witness is not None and (best is None or value < best[0]):
                best = (value, witness)
        return None if best is None else best[1]

    # ------------------------------------------------------------------------------- raises and shifts
    def hits(self, into: Hits, wanted: Sequence[tuple[HeadPart, Sequence[Sequence[Lifted]]]]) -> None:
        """Take in the raises at which parts of heads meet bodies, all of them in one search.

        Args:
            wanted: each part, and for each body the pieces that it is held against.
        """
        into.add(self.tree, [(self.path(part.moves, part.only), rows) for part, rows in wanted])

    def lifted(
        self, run: HeadRun, body: int, pieces: Sequence[HeadPiece], margins: bool = True, extra: float = 0.0
    ) -> list[HeadPiece]:
        """Pieces grown as for windows of raises or shifts: by the rule, and so far that their end is no
        touch.

        Args:
            extra: mm sideways on top.
        """
        growth, beyond = self.growth(run, body, margins), self.tolerances.beyond_touch
        side, height = growth.side + extra + beyond, growth.height + beyond
        key = (id(pieces), side, height)
        if key not in self._grown:
            self._grown[key] = (pieces, [piece.grown(side, height) for piece in pieces])
        return self._grown[key][1]

    def places(
        self, moving: Sequence[int], origin: Sequence[float], extra: float = 0.0, beyond: float = 0.0
    ) -> PlaceSearch:
        """A search for the places of bodies that move together at which no head comes nearer than the
        margins.

        Args:
            moving: their indices.   origin: (2,) what a place is told of, where they stand now, machine X Y.
            extra: mm, by which heads are grown on top, sideways and up and down.
            beyond: mm; turns are about a point that is no farther from the origin than this.

        Tags of what is met are ``run * len(bodies) + body``.
        """
        asks = []
        for number, run in enumerate(self.runs):
            mine = [b for b in moving if b in run.bodies]
            for part in run.parts if mine else ():
                rows: list[list[Lifted]] = [[] for _ in moving]
                for k, b in enumerate(moving):
                    if b in mine:
                        grown = self.lifted(run, b, part.pieces)
                        rows[k] = [
                            Lifted(
                                p.grown(extra, extra) if extra else p, 0, tag=number * len(self.bodies) + b
                            )
                            for p in grown
                        ]
                asks.append((self.path(part.moves, part.only), rows))
        off = np.array([origin[0], origin[1], 0.0])
        return PlaceSearch([self.bodies[b].triangles_M - off for b in moving], asks, beyond)

    def touch_head(
        self,
        part: HeadPart,
        pieces: Sequence[HeadPiece],
        growth: Growth,
        lifts: Mapping[int, Sequence[float]],
    ) -> TouchHead:
        """FCL's word on touches of a part of a head, grown, with bodies at the lifts asked for.

        Args:
            part: of a head on a stretch.   pieces: its convex pieces.   growth: side and height, mm.
            lifts: for each body, by its index, the raises asked about, mm.
        """
        grown = [piece.grown(growth.side, growth.height) for piece in pieces]
        return TouchHead(self.surfaces, part.moves, grown, part.only, lifts)


__all__ = [
    "BARE",
    "DEGREE",
    "Boxes",
    "FclRun",
    "Figures",
    "Growth",
    "HeadPart",
    "HeadRun",
    "Hits",
    "Lifted",
    "Pairs",
    "PlaceSearch",
    "SweepQuery",
    "TouchHead",
    "Witness",
    "runs_of",
]
