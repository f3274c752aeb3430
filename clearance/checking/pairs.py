"""One head along one stretch: its pieces, moves and the bodies there go in, a judged pair for each body comes
out, with what the two ways contradicted each other on.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

import numpy as np
from numpy.typing import NDArray

from clearance.checking.result import Pair
from clearance.kernels.containment import body_swallows
from clearance.kernels.fcl.distance import Bodies, FclHead
from clearance.kernels.fcl.envelope import straight_runs
from clearance.kernels.meridian.branch_and_bound import Nearest
from clearance.kernels.meridian.profile import NOWHERE, Measure
from clearance.kernels.meridian.view import TOUCH, FlatView, Growth, Place, TriangleTree, chords_of
from clearance.scene.heads import Piece, risen
from clearance.scene.model import Body, Finding, SideHeight, Stretch
from clearance.toolpath.moves import Moves, polyline

Array = NDArray[np.float64]

#: what either way may be below the truth, mm: the promise of the report
WIDTH = 0.005
#: grown distances are of interest up to here: enough to see whether two ways agree
_NEAR = 4.0 * WIDTH


@dataclass(frozen=True)
class Part:
    """What moves as one: pieces, the moves they follow, and on which of these they are there."""

    moves: Moves
    pieces: tuple[Piece, ...]
    only: NDArray[np.bool_] | None = None
    #: machine Z of its face, where that is not the run's
    face_z: float | None = None
    #: of an upper head that goes up or down at the begin (0) or end (1) of a way: the end, and what goes
    rise: tuple[int, tuple[Piece, ...]] | None = None


@dataclass(frozen=True)
class HeadRun:
    """A head (or the wire) on a stretch, and the bodies it is held against."""

    head: str
    stretch: Stretch
    face_z: float
    parts: tuple[Part, ...]
    bodies: tuple[int, ...]
    wire_margin: SideHeight | None = None

    def face_of(self, part: Part) -> float:
        """Machine Z of a part's face."""
        return self.face_z if part.face_z is None else part.face_z

    def margin(self, body: Body) -> SideHeight:
        return body.margin if self.wire_margin is None else self.wire_margin


def runs_of(stretch: Stretch, wire_margin: float, level_ends: bool = False) -> list[HeadRun]:
    """The heads of a stretch and the wire, where it is in.

    Args:
        level_ends: at both ends of a way between cuts the upper head is told of as one that goes up or down,
            also where it does neither.
    """
    upper_moves = stretch.upper_moves or stretch.moves
    along_upper = tuple(piece for piece in stretch.upper if not piece.lower_guide)
    along_lower = tuple(piece for piece in stretch.upper if piece.lower_guide)
    if upper_moves is stretch.moves:
        along_upper, along_lower = stretch.upper, ()
    upper = [Part(m, p) for m, p in ((upper_moves, along_upper), (stretch.moves, along_lower)) if p]
    if stretch.levels:
        upper = [Part(stretch.moves, each.pieces, each.only, each.low) for each in stretch.levels]
    for end, face_z in enumerate(stretch.upper_ends or ()):
        by = face_z - stretch.upper_z
        if by != 0.0 or level_ends:
            upper += [
                Part(
                    _standing(p.moves, end),
                    tuple(risen(x, by) for x in p.pieces),
                    face_z=face_z,
                    rise=(end, p.pieces),
                )
                for p in upper
                if p.rise is None
            ]
    runs = [
        HeadRun("lower", stretch, stretch.lower_z, (Part(stretch.moves, stretch.lower),), stretch.bodies),
        HeadRun("upper", stretch, stretch.upper_z, tuple(upper), stretch.bodies),
    ]
    if stretch.wire is not None and stretch.moves.threaded.any():
        others = tuple(b for b in stretch.bodies if b not in stretch.cut_bodies)
        part = Part(stretch.moves, (stretch.wire,), stretch.moves.threaded)
        margin = SideHeight(wire_margin, 0.0)
        runs.append(HeadRun("wire", stretch, stretch.lower_z, (part,), others, margin))
    return [run for run in runs if run.parts]


def _standing(moves: Moves, end: int) -> Moves:
    """A move of no length where moves begin (0) or end (1)."""
    return polyline(moves.end[-1:] if end else moves.start[:1], rapid=True)


class HeadJudge:
    """Both ways for one head; figures of its parts are taken together by the smallest."""

    def __init__(self, run: HeadRun, bodies: Sequence[Body], tree: TriangleTree, surfaces: Bodies) -> None:
        self.run, self.bodies, self.tree = run, bodies, tree
        self.flat = [
            FlatView(tree, chords_of(p.moves, p.only), p.pieces, run.face_of(p), run.bodies)
            for p in run.parts
        ]
        self.fcl = [FclHead(surfaces, p.moves, p.pieces, p.only, run.bodies) for p in run.parts]
        self.findings: list[Finding] = []
        #: for each body that clashes the moves (M,) on which it holds the head, surfaces apart
        self.swallowed: dict[int, NDArray[np.bool_]] = {}

    def pairs(self) -> list[Pair]:
        """The judged pairs, one for each body; fills ``findings``."""
        bodies = self.run.bodies
        margins = {b: self.run.margin(self.bodies[b]) for b in bodies}
        clear = [view.clearance() for view in self.flat]
        side = self._least([view.side({b: m.height for b, m in margins.items()}) for view in self.flat])
        height = self._least([view.height({b: m.side for b, m in margins.items()}) for view in self.flat])
        flat = self._flat_clearance = self._least(clear)
        levels = [
            {b: Growth(self.bodies[b].allow.side, self.bodies[b].allow.height) for b in bodies},
            {
                b: Growth(self.bodies[b].allow.side + m.side, self.bodies[b].allow.height + m.height)
                for b, m in margins.items()
            },
        ]
        near = [self._near(growths, flat) for growths in levels]
        for growth in {g for growths in levels for g in growths.values()} - {Growth(0.0, 0.0)}:
            asked = {
                b
                for growths in levels
                for b in bodies
                if growths[b] == growth and _may_touch(flat[b], growth)
            }
            for head in self.fcl:
                head.expect(growth.side, growth.height, sorted(asked))
        nearest_part = np.argmin([found.value for _, found in clear], axis=0)
        places: dict[int, Place] = {}
        for part, (view, answer) in enumerate(zip(self.flat, clear, strict=True)):
            places |= view.places(*answer, [b for b in bodies if nearest_part[b] == part])
        pairs = []
        for body in bodies:
            pairs.append(
                self._pair(
                    body,
                    margins[body],
                    float(flat[body]),
                    None if side[body] >= NOWHERE else float(side[body]),
                    None if height[body] >= NOWHERE else float(height[body]),
                    places.get(body),
                    [
                        (growths[body], float(touch[body]))
                        for growths, touch in zip(levels, near, strict=True)
                    ],
                )
            )
        return pairs

    def _least(self, found: list[tuple[Measure, Nearest]]) -> Array:
        return np.asarray(np.min([nearest.value for _, nearest in found], axis=0))

    def _near(self, growths: dict[int, Growth], flat: Array) -> Array:
        """For each body its flat distance from the head as grown, no larger than ``_NEAR``."""
        close = {b: g for b, g in growths.items() if _may_touch(flat[b], g)}
        out = np.full(len(flat), _NEAR)
        for view in self.flat if close else []:
            grown = view.distance_grown(close, _NEAR)
            out[list(close)] = np.minimum(out[list(close)], grown[list(close)])
        return out

    def _pair(
        self,
        body: int,
        margin: SideHeight,
        flat: float,
        side: float | None,
        height: float | None,
        place: Place | None,
        levels: list[tuple[Growth, float]],
    ) -> Pair:
        run, one = self.run, self.bodies[body]
        allow = one.allow
        fcl = min(part.distance(body).distance for part in self.fcl)
        held = [part.swallowed_by(body) for part in self.fcl] if fcl > 0.0 else [False]
        touching: tuple[tuple[int, int], ...] = ()
        if any(held):
            verdict, clearance, fcl, flat = "clash", 0.0, 0.0, 0.0
            side = height = 0.0
            self.swallowed[body] = self._there()
            touching = ranges(by_program(self._there(), run.stretch.moves))
        elif None in held:
            verdict, clearance = "undecided", better(fcl, flat)
            self._open(one.name, clearance)
        elif not agree(fcl, flat):
            verdict, clearance = "undecided", min(fcl, flat)
            self._contradiction(one.name, 0.0, 0.0, fcl, flat)
        else:
            clearance = better(fcl, flat)
            verdict = self._verdict(body, clearance, levels)
            if verdict == "clash":
                touched = self._touching(body, levels[0][0])
                if clearance <= TOUCH:
                    bare = Growth(0.0, 0.0)
                    by_surface = touched if levels[0][0] == bare else self._touching(body, bare)
                    place = self._place_on(body, by_surface) or place
                    self.swallowed[body] = self._swallowed_on(body, by_surface)
                    touched = touched | self.swallowed[body]
                touching = ranges(by_program(touched, run.stretch.moves))
        spares = [
            figure - a - m
            for figure, a, m in ((side, allow.side, margin.side), (height, allow.height, margin.height))
            if figure is not None
        ]
        moves, is_cut = run.stretch.moves, run.stretch.cut is not None
        at = place.move if place is not None and is_cut else None
        return Pair(
            head=run.head,
            item=one.name,
            body=one.kind,
            verdict=verdict,
            clearance=clearance,
            side=side,
            height=height,
            spare=min(spares) if spares else None,
            fcl=fcl,
            flat=flat,
            margin=margin,
            allow=allow,
            cut=run.stretch.name,
            move=None if at is None else int(moves.programmed[at]) + 1,
            line=None if at is None else int(moves.line[at]) or None,
            n=None if at is None else moves.block[at] or None,
            touching=touching if is_cut else (),
            head_at=None if place is None else place.head_at,
            on_head=None if place is None else place.on_head,
            on_item=None if place is None else place.on_item,
        )

    def _verdict(self, body: int, clearance: float, levels: list[tuple[Growth, float]]) -> str:
        """Clash, close or clear by the head as grown by allow, then by the margin too; judged twice again."""
        if clearance <= TOUCH:
            return "clash"
        for (growth, flat), verdict in zip(levels, ("clash", "close"), strict=True):
            if growth == Growth(0.0, 0.0) or not _may_touch(self._flat_clearance[body], growth):
                continue
            fcl = min(
                min(part.distance(body, growth.side, growth.height).distance, _NEAR) for part in self.fcl
            )
            if not agree(fcl, flat):
                self._contradiction(self.bodies[body].name, growth.side, growth.height, fcl, flat)
                return "undecided"
            if better(fcl, flat) <= TOUCH:
                return verdict
        return "clear"

    def _touching(self, body: int, growth: Growth) -> NDArray[np.bool_]:
        touched = [view.touching(body, growth, len(self.run.stretch.moves)) for view in self.flat]
        return np.asarray(np.any(touched, axis=0))

    def _there(self) -> NDArray[np.bool_]:
        """The moves (M,) on which any part of the head is there."""
        every = np.ones(len(self.run.stretch.moves), dtype=bool)
        return np.asarray(np.any([every if p.only is None else p.only for p in self.run.parts], axis=0))

    def _swallowed_on(self, body: int, touched: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """The moves on which the head is inside the body: it went in by its surface on others (``touched``).

        Between two touches it is inside throughout or not at all, so each such stretch is asked about once.
        """
        one = self.bodies[body]
        inside = np.zeros(len(touched), dtype=bool)
        for part, head in zip(self.run.parts, self.fcl, strict=True):
            free = ~touched if part.only is None else ~touched & part.only
            for first, last in ranges(free):
                only = np.zeros(len(touched), dtype=bool)
                only[first - 1 : last] = True
                crowd = head.bodies.crowd(body)
                runs = straight_runs(part.moves, only)
                if body_swallows(one.triangles_M, crowd, one.closed, runs, part.pieces):
                    inside |= only
        return inside

    def _place_on(self, body: int, touched: NDArray[np.bool_]) -> Place | None:
        """Where it touches on the first move that does."""
        if not touched.any():
            return None
        first = np.arange(len(touched)) == int(np.argmax(touched))
        best: tuple[float, Place] | None = None
        for part in self.run.parts:
            only = first if part.only is None else first & part.only
            if only.any():
                view = FlatView(
                    self.tree, chords_of(part.moves, only), part.pieces, self.run.face_of(part), [body]
                )
                measure, found = view.clearance()
                place = view.places(measure, found, [body]).get(body)
                if place is not None and (best is None or found.value[body] < best[0]):
                    best = (float(found.value[body]), place)
        return None if best is None else best[1]

    def _name(self) -> str:
        return "wire" if self.run.head == "wire" else f"{self.run.head} head"

    def _tell(self, kind: str, item: str, message: str) -> None:
        self.findings.append(Finding(kind, "undecided", message, item, self.run.stretch.name))

    def _open(self, item: str, distance: float) -> None:
        self._tell(
            "open model",
            item,
            f"the {self._name()} may stand inside {item}: its surface is not closed, so nobody can tell"
            f" inside from outside (the surface itself is {distance:.3f} mm away)",
        )

    def _contradiction(self, item: str, side: float, height: float, fcl: float, flat: float) -> None:
        grown = f" grown by {side:g} sideways and {height:g} in height" if side or height else ""
        self._tell(
            "contradiction",
            item,
            f"the two ways of measuring the {self._name()}{grown} against {item} disagree:"
            f" {fcl:.4f} mm by FCL, {flat:.4f} mm by the flat view; treat it as not clear and report it",
        )


def agree(fcl: float, flat: float) -> bool:
    """Whether [fcl, fcl + WIDTH] and [flat, flat + WIDTH] have a value in common.

    Each figure is a lower bound that is short by at most ``WIDTH``; so the truth is in both, if both hold.
    """
    return abs(fcl - flat) <= WIDTH


def better(fcl: float, flat: float) -> float:
    """The larger of two lower bounds is the nearer one."""
    return max(fcl, flat)


def _may_touch(clearance: float, growth: Growth) -> bool:
    """Whether a body that far away can come near a head that is grown so much."""
    return clearance <= hypot(growth.side, growth.height) + _NEAR


def by_program(touched: NDArray[np.bool_], moves: Moves) -> NDArray[np.bool_]:
    """What holds for some part of a move of the program holds for it."""
    out = np.zeros(moves.count, dtype=bool)
    out[moves.programmed[touched]] = True
    return out


def ranges(touched: NDArray[np.bool_]) -> tuple[tuple[int, int], ...]:
    """Runs of true values (M,) as (first, last), counted from 1."""
    edge = np.flatnonzero(np.diff(np.r_[False, touched, False].astype(np.int8)))
    return tuple((int(a) + 1, int(b)) for a, b in zip(edge[::2], edge[1::2], strict=True))
