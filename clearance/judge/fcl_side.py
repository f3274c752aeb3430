"""FCL's side of the judgement: envelopes and bodies go in, their distance, swallowing included, comes out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from clearance.judge.fcl_distance import Surface, gap
from clearance.judge.inside import body_swallows, head_swallows
from clearance.paths.moves import Moves
from clearance.setup.scene import Body
from clearance.sweep.envelope import Envelope, envelope
from clearance.sweep.heads import Piece

Array = NDArray[np.float64]


@dataclass(frozen=True)
class FclAnswer:
    """Distance (0: touching, or the body swallowed), the points it was had between (3,), the move (0-based)."""

    distance: float
    on_head: Array
    on_item: Array
    move: int


@dataclass
class Bodies:
    """The bodies as FCL holds them, each made when it is first asked for."""

    bodies: Sequence[Body]
    origin: Array
    made: dict[int, Surface] = field(default_factory=dict)

    def surface(self, index: int) -> Surface:
        if index not in self.made:
            self.made[index] = Surface(self.bodies[index].triangles_M, self.origin)
        return self.made[index]


class FclHead:
    """One head along one set of moves, grown as asked; each envelope is made once."""

    def __init__(
        self, bodies: Bodies, moves: Moves, pieces: Sequence[Piece], only: NDArray[np.bool_] | None
    ) -> None:
        self.bodies, self.moves, self.pieces, self.only = bodies, moves, tuple(pieces), only
        self._made: dict[tuple[float, float], tuple[list[Piece], Envelope, Surface]] = {}

    def _grown(self, side: float, height: float) -> tuple[list[Piece], Envelope, Surface]:
        key = (side, height)
        if key not in self._made:
            pieces = [piece.grown(side, height) for piece in self.pieces]
            mesh = envelope(self.moves, pieces, self.only)
            self._made[key] = (pieces, mesh, Surface(mesh.triangles, self.bodies.origin))
        return self._made[key]

    def distance(self, body: int, side: float = 0.0, height: float = 0.0) -> FclAnswer:
        """From the head, grown by ``side`` and ``height``, to a body; 0 too where the head swallows the body."""
        pieces, mesh, surface = self._grown(side, height)
        found = gap(surface, self.bodies.surface(body))
        move = int(mesh.move[found.triangle]) if 0 <= found.triangle < len(mesh.move) else 0
        distance = found.distance
        if distance > 0.0 and head_swallows(
            self.bodies.bodies[body].triangles_M, self.moves, pieces, self.only
        ):
            distance = 0.0
        return FclAnswer(distance, found.on_head, found.on_item, move)

    def swallowed_by(self, body: int) -> bool | None:
        """Whether the body holds the whole head; None where its surface is open and nobody knows."""
        one = self.bodies.bodies[body]
        return body_swallows(one.triangles_M, one.closed, self.moves, self.pieces, self.only)
