"""A judged result goes in; what each move of the program has to spare comes out, for each cut and head.

    along(result: Result) -> tuple[Along, ...]        # in the order of the cuts; lower, upper, wire of each

``Along`` has arrays over the moves of the program: the item with the least to spare, its clearance, side and
height, and the spare. They speak of what is beside the part that is being cut: its face rides a tenth over
that part all the way and would hide everything else. That part counts only where the head comes beside it
(something of it that stands higher) and where it touches.

The figures are the flat view's, so each is a lower bound, and the same numbers that decide the pairs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.checking.pairs import HeadRun, Part, runs_of
from clearance.checking.result import Pair, Result
from clearance.kernels.meridian.branch_and_bound import nearest
from clearance.kernels.meridian.profile import SEARCH_WIDTH, Clearance, Height, Measure, Profiles, Side
from clearance.kernels.meridian.view import FlatView, TriangleTree, chords_of
from clearance.parallel import spread
from clearance.scene.model import Body, SideHeight, Stretch

Array = NDArray[np.float64]
Index = NDArray[np.intp]

#: a move that has more than this to spare is not measured, mm
HORIZON = 20.0


#: moves times bodies from which another process saves more than it costs
_WORTH = 10_000.0


@dataclass(frozen=True)
class Along:
    """One head along one cut. Arrays (M,) over the moves of the program, move 1 first; lengths mm.

    Attributes:
        cut: name of the cut.   head: "lower", "upper" or "wire".
        item: index into ``Scene.bodies`` of the body with the least to spare on that move, -1 where nothing
            has less than ``HORIZON``.
        clearance, side, height: to that body, as in ``Pair``; nan where it does not exist or is far.
        spare: the smaller of side and height less allow and margin; nan where ``item`` is -1.
    """

    cut: str
    head: str
    item: Index
    clearance: Array
    side: Array
    height: Array
    spare: Array


def along(result: Result) -> tuple[Along, ...]:
    """What every move has to spare, for each cut and head."""
    bodies = result.scene.bodies
    tree = TriangleTree([body.triangles_M for body in bodies])
    pairs: dict[tuple[str, str], list[Pair]] = {}
    for pair in result.pairs:
        pairs.setdefault((pair.cut, pair.head), []).append(pair)
    runs = [
        run
        for stretch in result.scene.stretches
        if stretch.cut is not None
        for run in runs_of(stretch, result.scene.wire_margin)
    ]

    def told(run: HeadRun) -> Along:
        judged = pairs.get((run.stretch.name, run.head), [])
        return _by_program(run, _Heads(run, bodies, tree), judged, bodies)

    return tuple(spread(runs, [len(run.stretch.moves) * len(run.bodies) for run in runs], told, _WORTH))


@dataclass
class _Heads:
    """The figures of one head on each move as judged: filled body by body, the least spare kept."""

    run: HeadRun
    bodies: Sequence[Body]
    tree: TriangleTree

    def __post_init__(self) -> None:
        moves = len(self.run.stretch.moves)
        self.item = np.full(moves, -1, dtype=np.intp)
        self.spare = np.full(moves, HORIZON)
        self.figures = np.full((3, moves), np.nan)
        views = [self._view(part) for part in self.run.parts]
        for body in self.run.bodies:
            self._least(views, body)
        for body in np.unique(self.item[self.item >= 0]):
            self._tell(views, int(body))

    def _view(self, part: Part) -> FlatView:
        chords = chords_of(part.moves, part.only)
        return FlatView(self.tree, chords, part.pieces, self.run.face_of(part), self.run.bodies)

    def _least(self, views: Sequence[FlatView], body: int) -> None:
        """Take this body on the moves on which it has less to spare than any before it."""
        for k, off in enumerate(_held_off(self.run, self.bodies[body])):
            if k == 1 and body in self.run.stretch.cut_bodies:
                continue
            if k == 0 and body in self.run.stretch.cut_bodies and _rides_within(self.run, self.bodies[body]):
                continue
            for view in views:
                value = self._figure(view, body, k + 1, self.spare + off)
                better = np.isfinite(value)
                self.spare[better], self.item[better] = value[better] - off, body

    def _tell(self, views: Sequence[FlatView], body: int) -> None:
        """The three distances to it on the moves that are its own."""
        off = _held_off(self.run, self.bodies[body])
        mine = self.item == body
        for k in range(3):
            reach = np.where(mine, HORIZON + max(off), -1.0)
            for view in views:
                value = self._figure(view, body, k, reach)
                seen = np.isfinite(value)
                self.figures[k, seen] = np.fmin(self.figures[k, seen], value[seen])

    def _figure(self, view: FlatView, body: int, which: int, reach: Array) -> Array:
        """Clearance (0), side (1) or height (2) of a body on each move; inf where not below ``reach``."""
        margin = self.run.margin(self.bodies[body])
        # grown as for the pairs, the search's own width included
        side = margin.side + SEARCH_WIDTH if which == 2 else 0.0
        height = margin.height + SEARCH_WIDTH if which == 1 else 0.0
        table = Profiles([piece.grown(side, height) for piece in view.pieces])
        measure: Measure = (Clearance, Side, Height)[which](table)
        rows: list[Index] = [np.empty(0, dtype=np.intp)] * view.bodies
        if body >= view.bodies:
            return np.full(len(reach), np.inf)
        rows[body] = np.arange(len(view.pieces))
        found = nearest(view.tree, view.path, measure, rows, reach, by_move=True)
        return np.where(found.triangle >= 0, found.value, np.inf)


def _held_off(run: HeadRun, body: Body) -> tuple[float, float]:
    """What side and height lose before they are spare: allow and margin."""
    margin: SideHeight = run.margin(body)
    return body.allow.side + margin.side, body.allow.height + margin.height


def _rides_within(run: HeadRun, body: Body) -> bool:
    """Whether the face rides so near the part that all of it counts as beside the head."""
    stretch: Stretch = run.stretch
    if stretch.flushing is None:
        return False
    return stretch.flushing[0 if run.head == "lower" else 1] <= run.margin(body).height + 1e-6


def _by_program(run: HeadRun, heads: _Heads, pairs: Sequence[Pair], bodies: Sequence[Body]) -> Along:
    """Figures of moves as those of the program's moves; where the judge saw a touch, they say so."""
    moves = run.stretch.moves
    spare = np.where(heads.item >= 0, heads.spare, np.inf)
    programmed = moves.programmed
    order = np.lexsort((spare, programmed))
    first = order[np.r_[True, np.diff(programmed[order]) > 0]] if len(order) else order
    item = heads.item[first]
    same = heads.item == item[programmed]
    figures = np.full((3, len(first)), np.nan)
    for out, figure in zip(figures, heads.figures, strict=True):
        np.fmin.at(out, programmed[same], figure[same])
    least = np.where(item >= 0, spare[first], np.nan)
    index = {body.name: k for k, body in enumerate(bodies)}
    for pair in pairs:
        body = index[pair.item]
        touched = -max(_held_off(run, bodies[body]))
        for a, b in pair.touching:
            where = np.zeros(len(first), dtype=bool)
            where[a - 1 : b] = True
            # a head inside a body is nowhere near its surface, and one that touches with its allow is at the
            # end of both: what was measured stands only where it says as much
            worse = where & ~(least < 0.0)
            item[worse], least[worse] = body, touched
            swallowed = worse if pair.clearance <= 1e-6 else np.zeros_like(worse)
            figures[:, worse & ~swallowed] = np.nan
            figures[0, worse & ~swallowed] = pair.clearance
            figures[:, swallowed] = 0.0
    clearance, side, height = figures
    return Along(run.stretch.name, run.head, item, clearance, side, height, least)
