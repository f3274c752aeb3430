"""FCL's word on many heights of the same bodies: an envelope and bodies lifted by so much go in; which of
them touch or are swallowed comes out.

The envelope is made once, of what plain boxes say can touch, and the bodies are moved to each height.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import fcl
import numpy as np
from numpy.typing import NDArray

from clearance.kernels.containment import body_swallows, head_swallows
from clearance.kernels.fcl.bodies import Bodies
from clearance.kernels.fcl.envelope import envelope
from clearance.kernels.fcl.lines import straight_runs
from clearance.kernels.fcl.surfaces import Surface, gap
from clearance.scene.heads import HeadPiece
from clearance.scene.model import Body
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]
Rows = NDArray[np.bool_]


class TouchHead:
    """One head, grown, along one set of moves, against bodies at the lifts asked for.

    Args:
        lifts: for each body (its index) by how much it will be lifted against the head, mm.
    """

    def __init__(
        self,
        bodies: Bodies,
        moves: Moves,
        pieces: Sequence[HeadPiece],
        only: NDArray[np.bool_] | None,
        lifts: Mapping[int, Sequence[float]],
    ) -> None:
        self.bodies, self.moves, self.pieces, self.only = bodies, moves, tuple(pieces), only
        self.room = bodies.tolerances.room
        self.runs = straight_runs(moves, only, bodies.tolerances)
        self.box = self._box()
        self.near: dict[int, Surface] = {}
        around = []
        for body, heights in lifts.items():
            found = self._near(body, heights)
            if found is not None:
                around.append(found)
        self.surface: Surface | None = None
        if around:
            low, high = np.array([a for a, _ in around]), np.array([b for _, b in around])

            def wanted(first: Array, last: Array, r: float, _: HeadPiece) -> tuple[Rows, Rows]:
                room = np.array([r + self.room, r + self.room, self.room])
                meets = (first[:, None] <= high + room) & (last[:, None] >= low - room)
                some = np.asarray(np.any(np.all(meets, axis=2), axis=1))
                return some, some

            mesh = envelope(moves, self.pieces, only, wanted, bodies.tolerances)
            if len(mesh.triangles):
                self.surface = Surface(mesh.triangles, bodies.origin)

    def _box(self) -> tuple[Array, Array]:
        path = np.concatenate([points for points, _ in self.runs])
        low, high = path.min(axis=0), path.max(axis=0)
        boxes = []
        for piece in self.pieces:
            x0, x1, y0, y1 = piece.rect
            r = float(piece.r.max()) + self.room
            first = [low[0] + x0 - r, low[1] + y0 - r, piece.z[0] - self.room]
            boxes.append((first, [high[0] + x1 + r, high[1] + y1 + r, piece.z[-1] + self.room]))
        lows, highs = np.array([a for a, _ in boxes]), np.array([b for _, b in boxes])
        return lows, highs

    def _near(self, body: int, heights: Sequence[float]) -> tuple[Array, Array] | None:
        """The triangles of a body that come into the head's boxes at any height, for FCL; their box."""
        low, high = self.bodies.aabbs(body).low, self.bodies.aabbs(body).high
        rows = np.zeros(len(low), dtype=bool)
        for first, last in zip(*self.box, strict=True):
            flat = ((low[:, :2] <= last[:2]) & (high[:, :2] >= first[:2])).all(axis=1)
            for lift in heights:
                rows |= flat & (low[:, 2] + lift <= last[2]) & (high[:, 2] + lift >= first[2])
        if not rows.any():
            return None
        self.near[body] = Surface(self.bodies.triangles(body)[rows], self.bodies.origin)
        first, last = low[rows].min(axis=0), high[rows].max(axis=0)
        first[2] += min(heights)
        last[2] += max(heights)
        return first, last

    def touches(self, body: int, lift: float) -> bool:
        """Whether the head touches the body, lifted, or a shell of the body lies inside the head.

        A yes of FCL's collision query is always true, and quick; its no is not believed, since exact touches
        slip it (185 of 2000 in random frames): then the distance says, and a touch is one up to
        ``FclTolerances.touch``, as everywhere.

        Args:
            body: index of a body of the scene.   lift: mm by which it is raised.
        """
        if self.surface is not None and body in self.near:
            moved = self.near[body].at(np.array([0.0, 0.0, lift]))
            if fcl.collide(self.surface.object, moved.object, fcl.CollisionRequest(), fcl.CollisionResult()):
                return True
            if gap(self.surface, moved, self.bodies.tolerances.touch) == 0.0:
                return True
        pieces = [_lowered(piece, lift) for piece in self.pieces]
        return head_swallows(self.bodies.triangles(body), self.bodies.aabbs(body), self.runs, pieces)


def swallowed(
    bodies: Bodies,
    body: int,
    moves: Moves,
    pieces: Iterable[HeadPiece],
    only: NDArray[np.bool_] | None,
    lift: float,
) -> bool | None:
    """Whether the body, lifted, holds any of the pieces; None: its surface is open, so it is undecided.

    Args:
        bodies: of the scene, with their surfaces.   body: its index.   moves: of the wire, machine frame.
        pieces: of the head, machine Z.   only: (M,) moves on which the head is there; None: all.   lift:
            mm.
    """
    one: Body = bodies.bodies[body]
    lowered = [_lowered(piece, lift) for piece in pieces]
    runs = straight_runs(moves, only, bodies.tolerances)
    return body_swallows(one.triangles_M, bodies.aabbs(body), one.closed, runs, lowered, bodies.tolerances)


def _lowered(piece: HeadPiece, by: float) -> HeadPiece:
    return HeadPiece(piece.z - by, piece.r, piece.rect, piece.lower_guide)
