"""Pieces that came free: what they are called, how they leave, and which later cut runs in one of them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

from clearance.process.removal import Piece
from clearance.process.runs import Run
from clearance.process.stock import Metal
from clearance.scene.model import Scene

#: so much of a bit's way in a free piece, as a share and in mm, and it cuts there: less is a lead-in
SHARE, LENGTH = 0.2, 1.0
#: a ring must be this much larger all round to let a piece through it, mm
ROOM = 0.005


@dataclass(frozen=True)
class Fate:
    """A piece that came free, how it leaves (``leaves``), and what the setup says that holds it, or None.

    ``washed``: it is so small that it is gone as it comes free, as the setup says.
    """

    piece: Piece
    leaves: str
    held_by: str | None
    washed: bool = False

    @property
    def held(self) -> bool:
        """Whether something keeps it where it is."""
        return bool(self.piece.held) or self.held_by is not None

    @property
    def gone(self) -> bool:
        """Whether it is gone as soon as it is free."""
        return self.washed or (self.leaves == "drops" and not self.held)

    def taken_out(self, names: Collection[str]) -> bool:
        """Whether it is among what is taken out: "all", the cut that freed it, or its own name."""
        return not {"all", self.piece.run.stretch.name, piece_name(self.piece)}.isdisjoint(names)


def fate(scene: Scene, piece: Piece) -> Fate:
    """What becomes of a piece."""
    cut, below = scene.cut_of(piece.run.stretch), scene.gone_below
    light = below is not None and piece.mass is not None and piece.mass < below.mass
    small = light and below is not None and piece.longest < below.size
    held_by = None if cut is None else cut.held_by
    return Fate(piece, leaves(scene, piece), held_by, small and not piece.held and held_by is None)


def way_out(scene: Scene, one: Fate) -> str:
    """How a piece leaves, for whoever stands at the machine."""
    lift = f"lift it out, upper head up by {lift_by(scene, one.piece):.2f} at least"
    if one.washed:
        return "washed away as it comes free"
    if one.held:
        by = [f'"{name}"' for name in one.piece.held] or [str(one.held_by)]
        return f"held by {' and '.join(by)}"
    if one.piece.lies_on:
        return f"lies loose on {' and '.join(chr(34) + name + chr(34) for name in one.piece.lies_on)}: {lift}"
    if one.leaves == "drops":
        return "drops onto the lower head: hold or catch it"
    if one.leaves == "lifts":
        return f"cannot drop for its taper: {lift}"
    return "goes neither down nor up through its cut, for its taper"


def lift_by(scene: Scene, piece: Piece) -> float:
    """By how much the upper head must go up for a piece to be lifted out under it, mm; 0 where it need not.

    The piece is taken to be as high as its part.
    """
    low, high = (float(corner[2]) for corner in scene.bodies[piece.part].crowd.box)
    return max(0.0, high + (high - low) - piece.run.stretch.upper_z)


def piece_name(piece: Piece) -> str:
    """What a piece is called: "slug of opening"."""
    return f"{piece.kind} of {piece.run.stretch.name}"


def leaves(scene: Scene, piece: Piece) -> str:
    """How a piece leaves: "drops", "lifts" (it must be lifted out) or "stuck".

    What lies on something is lifted out, as is what a leaning wire made wider above. What is wider below than
    above in one place and narrower in another is stuck.
    """
    below, above = _goes_through(scene, piece)
    if below and not piece.lies_on:
        return "drops"
    return "lifts" if above else "stuck"


def _goes_through(scene: Scene, piece: Piece) -> tuple[bool, bool]:
    """Whether a piece can go down, and up, through what the wire cut around it."""
    if piece.run.upright:
        return True, True
    body = scene.bodies[piece.part]
    low, high = float(body.crowd.box[0][2]), float(body.crowd.box[1][2])
    bottom, top = (_ring(piece, z, float(scene.known_machine.wire)) for z in (low, high))
    if bottom is None or top is None:
        return True, True
    return bool(bottom.buffer(ROOM).contains(top)), bool(top.buffer(ROOM).contains(bottom))


def _ring(piece: Piece, z: float, wire: float) -> Any:
    """What the wire goes around at a height; None where its way is no ring."""
    import shapely

    drawn = piece.run.kerf(z, wire)
    rings = [
        shapely.Polygon(hole)
        for each in shapely.get_parts(drawn)
        if each.geom_type == "Polygon"
        for hole in each.interiors
    ]
    return max(rings, key=lambda ring: float(ring.area), default=None)


def cut_again(bit: Run, pieces: Sequence[tuple[Piece, Metal]], z: float) -> Piece | None:
    """The free piece in which a bit of a run cuts, at height ``z``; None where it cuts in none.

    Going through a lead-in of its own, or trimming along an edge, is no such cut.
    """
    import shapely

    chains = [shapely.linestrings(chain) for chain in bit.line(z) if len(chain) > 1]
    if not chains or not pieces:
        return None
    way = shapely.multilinestrings(chains)
    for piece, metal in pieces:
        length = float(way.intersection(metal.region).length)
        if length > max(LENGTH, SHARE * float(way.length)):
            return piece
    return None
