"""What moves and is held against bodies: a stretch goes in; its heads and its wire, part by part, come
out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clearance.records import record
from clearance.scene.heads import HeadPiece, risen
from clearance.scene.model import Body, SideHeight, Stretch
from clearance.toolpath.moves import Moves, polyline


@dataclass(frozen=True)
class Growth:
    """By how much a head is grown, mm, before it is held against a body."""

    side: float
    height: float


#: a head as it is
BARE = Growth(0.0, 0.0)


@record
class HeadPart:
    """What moves as one: pieces, the moves they follow, and on which of these they are there."""

    moves: Moves
    pieces: tuple[HeadPiece, ...]
    only: NDArray[np.bool_] | None = None
    #: machine Z of its face, where that is not the run's
    face_z: float | None = None
    #: of an upper head that goes up or down at the begin (0) or end (1) of a way: the end, and what goes
    rise: tuple[int, tuple[HeadPiece, ...]] | None = None


@record
class HeadRun:
    """A head (or the wire) on a stretch, and the bodies it is held against."""

    head: str
    stretch: Stretch
    face_z: float
    parts: tuple[HeadPart, ...]
    bodies: tuple[int, ...]
    wire_margin: SideHeight | None = None

    def face_of(self, part: HeadPart) -> float:
        """Machine Z of a part's face."""
        return self.face_z if part.face_z is None else part.face_z

    def margin(self, body: Body) -> SideHeight:
        """The margin that is to be kept from a body."""
        return body.margin if self.wire_margin is None else self.wire_margin


@record
class WarmStart:
    """Where a search may look first, machine frame, mm: the wire's place (2,), a point on the head (3,) and
    one on the item (3,)."""

    wire: NDArray[np.float64]
    on_head: NDArray[np.float64]
    on_item: NDArray[np.float64]

    @property
    def apart(self) -> float:
        """How far these points are apart, mm."""
        return float(np.linalg.norm(self.on_head - self.on_item))


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
    upper = [HeadPart(m, p) for m, p in ((upper_moves, along_upper), (stretch.moves, along_lower)) if p]
    if stretch.levels:
        upper = [HeadPart(stretch.moves, each.pieces, each.only, each.low) for each in stretch.levels]
    for end, face_z in enumerate(stretch.upper_ends or ()):
        by = face_z - stretch.upper_z
        if by != 0.0 or level_ends:
            upper += [
                HeadPart(
                    _standing(p.moves, end),
                    tuple(risen(x, by) for x in p.pieces),
                    face_z=face_z,
                    rise=(end, p.pieces),
                )
                for p in upper
                if p.rise is None
            ]
    runs = [
        HeadRun("lower", stretch, stretch.lower_z, (HeadPart(stretch.moves, stretch.lower),), stretch.bodies),
        HeadRun("upper", stretch, stretch.upper_z, tuple(upper), stretch.bodies),
    ]
    if stretch.wire is not None and stretch.moves.threaded.any():
        others = tuple(b for b in stretch.bodies if b not in stretch.cut_bodies)
        part = HeadPart(stretch.moves, (stretch.wire,), stretch.moves.threaded)
        margin = SideHeight(wire_margin, 0.0)
        runs.append(HeadRun("wire", stretch, stretch.lower_z, (part,), others, margin))
    return [one for run in runs if run.parts for one in _while_there(run)]


def _while_there(run: HeadRun) -> list[HeadRun]:
    """A run as it is; where bodies are there on some of its moves only, one for each such share."""
    if not run.stretch.partly:
        return [run]
    off = {k for k, _ in run.stretch.partly}
    found = [replace(run, bodies=tuple(k for k in run.bodies if k not in off))]
    shares: dict[bytes, tuple[NDArray[np.bool_], list[int]]] = {}
    for k, rows in run.stretch.partly:
        if k in run.bodies:
            shares.setdefault(rows.tobytes(), (rows, []))[1].append(k)
    for rows, bodies in shares.values():
        # on a way up or down at an end nobody acts
        parts = [
            part
            if len(part.moves) != len(rows)
            else replace(part, only=rows if part.only is None else rows & part.only)
            for part in run.parts
        ]
        parts = [part for part in parts if part.only is None or part.only.any()]
        if parts:
            found.append(replace(run, parts=tuple(parts), bodies=tuple(bodies)))
    return found


def _standing(moves: Moves, end: int) -> Moves:
    """A move of no length where moves begin (0) or end (1)."""
    return polyline(moves.end[-1:] if end else moves.start[:1], rapid=True)
