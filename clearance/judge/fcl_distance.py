"""FCL's figures: an envelope's mesh and a body's triangles go in, the distance and where it is come out.

FCL sees surfaces only. A body that swallows another is no contact to it: see ``inside``.
"""

from __future__ import annotations

from dataclasses import dataclass

import fcl
import numpy as np
from numpy.typing import NDArray

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
