"""Pieces that came free: what they are called, how they leave, and which later cut runs in one of them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

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
    """What becomes of a piece that came free, as things stand.

    Attributes:
        piece: which.   leaves: how it leaves, see ``leaves``.
        clamps: names of items that hold it.   words: what the setup says that holds it.
        lies_on: names of what it lies on.
        washed: it is so small that it is gone as it comes free, as the setup says.
    """

    piece: Piece
    leaves: str
    clamps: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    lies_on: tuple[str, ...] = ()
    washed: bool = False

    @property
    def held(self) -> bool:
        """Whether something keeps it where it is."""
        return bool(self.clamps or self.words)

    @property
    def gone(self) -> bool:
        """Whether it is gone as soon as it is free."""
        return self.washed or (self.leaves == "drops" and not self.held)

    def taken_out(self, names: Collection[str]) -> bool:
        """Whether it is among what is taken out: "all", the cut that freed it, or its own name."""
        return not {"all", self.piece.run.stretch.name, piece_name(self.piece)}.isdisjoint(names)


def fate(scene: Scene, piece: Piece, present: Collection[int], stop: int) -> Fate:
    """What becomes of a piece.

    Args:
        present: indices of the bodies that are there.   stop: number of the last stop so far, 0 before any.
    """
    clamps, words = holders(scene, piece, present, stop)
    there = {scene.bodies[k].name for k in present}
    lies_on = tuple(name for name in piece.lies_on if name in there)
    gone = washed_away(scene, piece) and not clamps and not words
    return Fate(piece, leaves(scene, piece, lies_on), clamps, words, lies_on, gone)


def holders(
    scene: Scene, piece: Piece, present: Collection[int], stop: int
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What holds a piece: names of items that press it, and what the setup says that does.

    Args:
        present, stop: see ``fate``.
    """
    there = {scene.bodies[k].name for k in present}
    cut = scene.cut_of(piece.run.stretch)
    words = tuple(
        hold.by
        for hold in (() if cut is None else cut.holds)
        if hold.piece in (None, piece.kind) and (hold.until is None or stop < hold.until)
    )
    return tuple(name for name in piece.held if name in there), words


def washed_away(scene: Scene, piece: Piece) -> bool:
    """Whether a piece is so small that it is gone as it comes free, as the setup says."""
    below, mass = scene.gone_below, piece.mass
    return below is not None and mass is not None and mass < below.mass and piece.longest < below.size


def way_out(scene: Scene, one: Fate) -> str:
    """How a piece leaves, for whoever stands at the machine."""
    if one.washed:
        return "washed away as it comes free"
    if one.held:
        return f"held by {' and '.join([*(_quoted(name) for name in one.clamps), *one.words])}"
    if one.leaves == "drops":
        return "drops onto the lower head: hold or catch it"
    up = lift_out(scene, one.piece)
    lift = "lift it out" + (f", upper head up by {up:.2f} at least" if up > 0.0 else "")
    if one.lies_on:
        return f"lies loose on {' and '.join(map(_quoted, one.lies_on))}: {lift}"
    if one.leaves == "lifts":
        return f"cannot drop for its taper: {lift}"
    return "goes neither down nor up through its cut, for its taper"


def _quoted(name: str) -> str:
    return f'"{name}"'


def piece_name(piece: Piece) -> str:
    """What a piece is called: "slug of opening"."""
    return f"{piece.kind} of {piece.run.stretch.name}"


def leaves(scene: Scene, piece: Piece, lies_on: Collection[str] | None = None) -> str:
    """How a piece leaves: "drops", "lifts" (it must be lifted out) or "stuck".

    What lies on something is lifted out, as is what a leaning wire made wider above. What is wider below than
    above in one place and narrower in another is stuck.

    Args:
        lies_on: what it lies on; as it came free where left out.
    """
    below, above = goes_through(scene, piece)
    if below and not (piece.lies_on if lies_on is None else lies_on):
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
