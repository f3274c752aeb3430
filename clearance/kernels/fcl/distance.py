"""FCL's side of the judgement: envelopes and bodies go in, their distance, swallowing included, comes out.

FCL sees surfaces only. A body that swallows another is no contact to it: see ``containment``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property, partial

import fcl
import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import Crowd
from clearance.kernels.containment import body_swallows, head_swallows
from clearance.kernels.fcl.boxes import Track
from clearance.kernels.fcl.culling import MANY, Neighbourhood, at_stand, near_any, neighbourhood
from clearance.kernels.fcl.envelope import Envelope, envelope, straight_runs
from clearance.kernels.sweeps import Growth, HeadRun
from clearance.scene.heads import Piece
from clearance.scene.model import Body
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]

#: distances up to this are a touch: FCL's own rounding on exact contacts stays below it
TOUCH = 1e-6


@dataclass(frozen=True)
class Gap:
    """Distance of two surfaces (0 where they touch or cross), the points (3,), and the first's triangle."""

    distance: float
    on_head: Array
    on_item: Array
    triangle: int


class Surface:
    """Triangles (N, 3, 3) as FCL holds them, relative to ``origin`` so that far scenes lose no digits."""

    def __init__(self, triangles: Array, origin: Array) -> None:
        vertices = (triangles - origin).reshape(-1, 3)
        faces = np.arange(len(vertices), dtype=np.int32).reshape(-1, 3)
        self.origin = origin
        self.model = fcl.BVHModel()
        self.model.beginModel(len(faces), len(vertices))
        self.model.addSubModel(vertices, faces)
        self.model.endModel()
        self.object = fcl.CollisionObject(self.model, fcl.Transform())


def gap(head: Surface, item: Surface) -> Gap:
    """The smallest distance between two surfaces given relative to the same origin."""
    result = fcl.DistanceResult()
    request = fcl.DistanceRequest(enable_nearest_points=True, enable_signed_distance=False)
    distance = fcl.distance(head.object, item.object, request, result)
    on_head, on_item = (np.asarray(p, dtype=float) + head.origin for p in result.nearest_points)
    distance = float(distance)
    return Gap(0.0 if distance <= TOUCH else distance, on_head, on_item, int(result.b1))


@dataclass(frozen=True)
class FclAnswer:
    """Distance (0: touching, or the body swallowed), the points it is between (3,), the move (0-based)."""

    distance: float
    on_head: Array
    on_item: Array
    move: int


class Bodies:
    """The bodies as FCL holds them, each made when it is first asked for."""

    def __init__(self, bodies: Sequence[Body], origin: Array) -> None:
        self.bodies, self.origin = bodies, origin
        self._whole: dict[int, Surface] = {}

    def triangles(self, index: int) -> Array:
        return self.bodies[index].triangles_M

    def boxes(self, index: int) -> tuple[Array, Array]:
        crowd = self.crowd(index)
        return crowd.low, crowd.high

    def crowd(self, index: int) -> Crowd:
        return self.bodies[index].crowd

    def whole(self, index: int) -> Surface:
        if index not in self._whole:
            self._whole[index] = Surface(self.triangles(index), self.origin)
        return self._whole[index]


#: points of the path times pieces up to which an envelope is small
_SMALL = 120


@dataclass
class _Grown:
    """A head grown by some amount: its pieces, its envelope for FCL, the bodies' near surfaces, and what of
    each body FCL is shown."""

    pieces: list[Piece]
    mesh: Envelope
    surface: Surface
    near: dict[int, Surface]
    places: dict[int, Neighbourhood]


class FclHead:
    """One head along one set of moves, grown as asked; each envelope is made once.

    Args:
        present: the bodies that will be asked for.
    """

    def __init__(
        self,
        bodies: Bodies,
        moves: Moves,
        pieces: Sequence[Piece],
        only: NDArray[np.bool_] | None,
        present: Sequence[int],
    ) -> None:
        self.bodies, self.moves, self.pieces, self.only = bodies, moves, tuple(pieces), only
        self.present = present
        self._made: dict[tuple[float, float], _Grown] = {}
        self._expected: dict[tuple[float, float], Sequence[int]] = {}

    def expect(self, side: float, height: float, bodies: Sequence[int]) -> None:
        """Say which bodies will be asked for with this growth; without it, all that are present."""
        self._expected[side, height] = bodies

    @cached_property
    def runs(self) -> list[tuple[Array, float]]:
        """The path as polylines, and how far each may lie from it."""
        return straight_runs(self.moves, self.only)

    @cached_property
    def _track(self) -> Track:
        return Track([points for points, _ in self.runs])

    def _is_small(self, asked: Sequence[int]) -> bool:
        """Whether it is quicker to show FCL everything than to ask what it needs to see."""
        few = all(len(self.bodies.triangles(body)) < MANY for body in asked)
        return few and sum(len(points) for points, _ in self.runs) * len(self.pieces) <= _SMALL

    def _grown(self, side: float, height: float) -> _Grown:
        key = (side, height)
        if key not in self._made:
            pieces = [piece.grown(side, height) for piece in self.pieces]
            places = {}
            asked = self._expected.get(key, self.present)
            if self._is_small(asked):
                mesh = envelope(self.moves, pieces, self.only)
                surface = Surface(mesh.triangles, self.bodies.origin)
                self._made[key] = _Grown(pieces, mesh, surface, {}, {})
                return self._made[key]
            for body in asked:
                crowd = self.bodies.crowd(body)
                places[body] = neighbourhood(self.bodies.triangles(body), crowd, self._track, pieces)
            near = {
                body: Surface(self.bodies.triangles(body)[place.rows], self.bodies.origin)
                for body, place in places.items()
                if len(self.bodies.triangles(body)) >= MANY
            }
            around = list(places.values())
            mesh = envelope(
                self.moves,
                pieces,
                self.only,
                partial(near_any, around),
            )
            surface = Surface(mesh.triangles, self.bodies.origin)
            self._made[key] = _Grown(pieces, mesh, surface, near, places)
        return self._made[key]

    def distance(self, body: int, side: float = 0.0, height: float = 0.0) -> FclAnswer:
        """From the head, grown by ``side`` and ``height``, to a body; 0 too where it swallows the body."""
        grown = self._grown(side, height)
        surface, mesh = grown.near.get(body) or self.bodies.whole(body), grown.mesh
        found = gap(grown.surface, surface)
        place = grown.places.get(body)
        if place is not None and not place.is_found(found.distance):
            # what the bound was had from lies beyond an open end: it is shown whole
            whole = self._at_stand(place)
            again = gap(Surface(whole.triangles, self.bodies.origin), surface)
            if again.distance < found.distance:
                found, mesh = again, whole
        distance = found.distance if place is None else place.holds(found.distance)
        if distance > 0.0 and head_swallows(
            self.bodies.triangles(body), self.bodies.crowd(body), self.runs, grown.pieces
        ):
            distance = 0.0
        return FclAnswer(distance, found.on_head, found.on_item, int(mesh.move[found.triangle]))

    def _at_stand(self, place: Neighbourhood) -> Envelope:
        """What the place's piece sweeps where its bound was had from."""

        def here(
            low: Array, high: Array, r: float, piece: Piece
        ) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
            bits = at_stand(place, low, high)
            return bits, bits

        return envelope(self.moves, [place.piece], self.only, here)

    def swallowed_by(self, body: int) -> bool | None:
        """Whether the body holds the whole head; None where its surface is open and nobody knows."""
        one = self.bodies.bodies[body]
        return body_swallows(one.triangles_M, self.bodies.crowd(body), one.closed, self.runs, self.pieces)


class FclRun:
    """A head in all its parts; what is nearest of them counts.

    Args:
        asked: for each growth which bodies will be asked for with it; without a word, all.
    """

    def __init__(self, bodies: Bodies, run: HeadRun, asked: Mapping[Growth, Sequence[int]]) -> None:
        self.parts = [FclHead(bodies, p.moves, p.pieces, p.only, run.bodies) for p in run.parts]
        for growth, some in asked.items():
            for part in self.parts:
                part.expect(growth.side, growth.height, some)

    def distance(self, body: int, growth: Growth, up_to: float = np.inf) -> float:
        """From the head as grown to a body; 0 too where it swallows the body, ``up_to`` where it is no
        less."""
        return min(
            min(part.distance(body, growth.side, growth.height).distance, up_to) for part in self.parts
        )

    def swallowed_by(self, body: int) -> bool | None:
        """Whether the body holds any part of the head whole; None where nobody knows."""
        held = [part.swallowed_by(body) for part in self.parts]
        return True if any(held) else None if None in held else False
