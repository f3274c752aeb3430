"""Pieces that came free: what they are called, how they leave, and which later cut runs in one of them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from clearance.process.removal import Piece
from clearance.process.runs import Run, kerf
from clearance.process.stock import Metal
from clearance.scene.model import Scene

#: so much of a bit's way in a free piece, as a share and in mm, and it cuts there: less is a lead-in
SHARE, LENGTH = 0.2, 1.0
#: a ring must be this much larger all round to let a piece through it, mm
ROOM = 0.005


def piece_name(piece: Piece) -> str:
    """What a piece is called: "slug of opening"."""
    return f"{piece.kind} of {piece.run.stretch.name}"


def leaves(scene: Scene, piece: Piece) -> str:
    """How a piece leaves: "drops", "lifts" (it must be lifted out) or "stuck".

    What lies on something is lifted out, as is what a leaning wire made wider above. What is wider below than
    above in one place and narrower in another is stuck.
    """
    below, above = goes_through(scene, piece)
    if below and not piece.lies_on:
        return "drops"
    return "lifts" if above else "stuck"


def lift_out(scene: Scene, piece: Piece) -> float:
    """By how much the upper head must go up, as it stands when a piece comes free, for the piece to pass
    between it and the part, mm; 0 where there is room.

    Its lowest point passes the part's highest one; the piece is as high as the model is over its outline.
    """
    import shapely

    body = scene.bodies[piece.part]
    t, crowd = body.triangles_M, body.crowd
    x0, y0, x1, y1 = piece.outline.bounds
    near = (crowd.low[:, 0] <= x1) & (crowd.high[:, 0] >= x0)
    near &= (crowd.low[:, 1] <= y1) & (crowd.high[:, 1] >= y0)
    over = t[near]
    corners = shapely.multipoints(
        shapely.points(over[..., :2].reshape(-1, 2)), indices=np.repeat(np.arange(len(over)), 3)
    )
    shared = shapely.area(shapely.intersection(shapely.convex_hull(corners), piece.outline))
    z = over[shared > 0.0][..., 2]
    if not z.size:
        return 0.0
    face = piece.run.stretch.upper_at(piece.run.last)
    return max(0.0, float(crowd.box[1][2]) + float(z.max() - z.min()) - face)


def goes_through(scene: Scene, piece: Piece) -> tuple[bool, bool]:
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

    drawn = kerf(piece.run.line(z), wire)
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
