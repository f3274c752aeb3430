"""Faces of more than three corners: a polygon goes in; triangles that cover it exactly come out, never a fan
that leaves a hollow face.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

#: A face of more corners than this is refused: cutting it into triangles would take too long.
MOST_CORNERS = 2000


def triangulated(points: Floats, face: Sequence[int]) -> list[tuple[int, int, int]]:
    """Triangles of corner numbers that cover the polygon ``face`` of ``points`` (N, 3) and keep its edges.

    The polygon is cut in its own plane, by Manifold's triangulator. A face that is not flat or crosses
    itself keeps its edges too, so that the body closes all the same.
    """
    if len(face) == 3:
        return [(face[0], face[1], face[2])]
    import manifold3d

    cut = manifold3d.triangulate([_flattened(points[list(face)])])
    return [(face[a], face[b], face[c]) for a, b, c in cut.tolist()]


def _flattened(corners: Floats) -> Floats:
    """The corners (N, 2) in the plane of the polygon, running anticlockwise (Newell's normal)."""
    centred = corners - corners[0]
    normal = np.cross(centred, np.roll(centred, -1, axis=0)).sum(axis=0)
    drop = int(np.argmax(np.abs(normal)))
    first, second = (drop + 1) % 3, (drop + 2) % 3
    flat = centred[:, [first, second]]
    return np.asarray(flat if normal[drop] >= 0.0 else flat[:, ::-1])
