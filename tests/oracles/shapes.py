"""Convex parts by name and size go out as corners and triangles: blocks, posts, wedges, slivers,
tetrahedra."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Part:
    """A convex polytope: corners (V, 3) mm and triangles as rows of three corner numbers, turned outward."""

    corners: Array
    faces: NDArray[np.int64]

    @property
    def triangles(self) -> Array:
        return self.corners[self.faces]

    def posed(self, R: Array, t: Array) -> Part:
        return Part(self.corners @ R.T + t, self.faces)

    def shifted(self, t: Sequence[float] | Array) -> Part:
        return Part(self.corners + np.asarray(t, dtype=float), self.faces)


def prism(outline: Array, low: float, high: float, top_scale: float = 1.0) -> Part:
    """A convex outline (N, 2), anticlockwise, drawn up from ``low`` to ``high``; the top may be smaller."""
    n = len(outline)
    corners = np.concatenate(
        [
            np.column_stack([outline, np.full(n, low)]),
            np.column_stack([outline * top_scale, np.full(n, high)]),
        ]
    )
    faces = []
    for i in range(n):
        j = (i + 1) % n
        faces += [(i, j, n + j), (i, n + j, n + i)]
    for i in range(1, n - 1):
        faces += [(0, i + 1, i), (n, n + i, n + i + 1)]
    return Part(corners, np.array(faces))


def block(low: Sequence[float], high: Sequence[float]) -> Part:
    """An upright block between two corners."""
    x0, y0, z0 = low
    x1, y1, z1 = high
    return prism(np.array([(x0, y0), (x1, y0), (x1, y1), (x0, y1)], dtype=float), z0, z1)


def post(diameter: float, low: float, high: float, sides: int = 12, turn: float = 0.0) -> Part:
    """A many-sided post about the z axis, its corners on the circle of ``diameter``."""
    t = turn + 2 * np.pi * np.arange(sides) / sides
    return prism(np.column_stack([np.cos(t), np.sin(t)]) * diameter / 2, low, high)


def tetrahedron(corners: Array) -> Part:
    """Four corners (4, 3), in any order."""
    c = np.asarray(corners, dtype=float)
    faces = np.array([(0, 2, 1), (0, 1, 3), (1, 2, 3), (2, 0, 3)])
    if np.linalg.det(c[1:] - c[0]) < 0:
        faces = faces[:, ::-1]
    return Part(c, faces)


def rotation(axis: Array, angle: float) -> Array:
    """Rotation (3, 3) about a unit axis by ``angle`` radians (Rodrigues)."""
    x, y, z = axis
    K = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + np.sin(angle) * K + (1 - np.cos(angle)) * K @ K
