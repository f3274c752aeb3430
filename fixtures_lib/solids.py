"""Boxes, round bars, prisms and what is cut out of them go in; closed shells of triangles come out.

Everything is double precision. Round bodies are faceted on the side that makes metal no thinner than the
real: a bar's facets lie outside its circle, a hole's corners on its circle, both within ``FACET`` mm.
Lengths are mm.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

Point = Sequence[float]

FACET = 0.02
"""How far the facets of a round bar or hole may lie from the circle, mm, always to the metal's side."""

THREAD_FACET = 0.1
"""The same for thread holes, which are no smooth circles anyway."""


def facets(radius: float, error: float = FACET) -> int:
    """Facets a turn, a multiple of 4, so that corner and facet middle are no more than ``error`` apart.

    A circle's sagitta is r (1 - cos(t / 2)); with the polygon outside, the corners stick out by
    r (1 / cos(t / 2) - 1), the larger of the two.
    """
    return max(8, 4 * math.ceil(math.pi / math.acos(radius / (radius + error)) / 4))


def ring(
    diameter: float, at: Point = (0.0, 0.0), *, hole: bool = False, error: float = FACET
) -> NDArray[np.float64]:
    """Corners (n, 2) of a circle's polygon: around it, or for a hole within it.

    The polygon around it touches the circle where the axes cross it, so its extents are exact.
    """
    radius = diameter / 2
    n = facets(radius, error)
    half = math.pi / n
    outer = radius if hole else radius / math.cos(half)
    angles = np.arange(n) * 2 * half + (0.0 if hole else half)
    return np.asarray(np.column_stack([np.cos(angles), np.sin(angles)]) * outer + np.asarray(at, dtype=float))


def slot(length: float, width: float, at: Point = (0.0, 0.0)) -> NDArray[np.float64]:
    """Corners (n, 2) of a hole with round ends along X, ``length`` overall; a round hole where equal."""
    radius = width / 2
    reach = max(length - width, 0.0) / 2
    n = facets(radius)
    turns = np.arange(n // 2 + (1 if reach else 0)) * 2 * math.pi / n - math.pi / 2
    right = np.column_stack([np.cos(turns), np.sin(turns)]) * radius + [reach, 0.0]
    return np.asarray(np.concatenate([right, -right]) + np.asarray(at, dtype=float))


def hexagon(across: float, at: Point = (0.0, 0.0)) -> NDArray[np.float64]:
    """Corners (6, 2) of a hexagon ``across`` flats, two flats parallel to X."""
    angles = np.radians(np.arange(6) * 60.0)
    corners = np.column_stack([np.cos(angles), np.sin(angles)]) * (across / math.sqrt(3))
    return np.asarray(corners + np.asarray(at, dtype=float))


def rectangle(low: Point, high: Point) -> NDArray[np.float64]:
    """Corners (4, 2)."""
    return np.array([[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]], dtype=float)


_AXES = {"x": (2, 0, 1), "y": (0, 2, 1), "z": (0, 1, 2)}
# which of (a, b, extruded) becomes x, y, z; along y that is a reflection, so the winding is turned there


def prism(outline: NDArray[np.float64] | Sequence[Point], low: float, high: float, axis: str = "z") -> Any:
    """A solid with the given outline (n, 2), anticlockwise or not, from ``low`` to ``high`` along ``axis``.

    The outline is in (x, y) along z, in (y, z) along x, in (x, z) along y. Returns a ``manifold3d.Manifold``.
    """
    import manifold3d

    outline = np.ascontiguousarray(outline, dtype=float)
    ahead = np.roll(outline, -1, axis=0)
    if float(np.sum(outline[:, 0] * ahead[:, 1] - ahead[:, 0] * outline[:, 1])) < 0:
        outline = np.ascontiguousarray(outline[::-1])
    n = len(outline)
    cap = np.asarray(manifold3d.triangulate([outline]), dtype=np.int64)
    this, following = np.arange(n), np.roll(np.arange(n), -1)
    sides = np.concatenate(
        [np.column_stack([this, following, following + n]), np.column_stack([this, following + n, this + n])]
    )
    faces = np.concatenate([cap[:, ::-1], cap + n, sides])
    flat = np.concatenate([outline, outline])
    along = np.repeat([float(low), float(high)], n)
    corners = np.column_stack([flat, along])[:, _AXES[axis]]
    if axis == "y":
        faces = faces[:, ::-1]
    return manifold3d.Manifold(
        manifold3d.Mesh64(np.ascontiguousarray(corners), np.ascontiguousarray(faces.astype(np.uint64)))
    )


def box(low: Point, high: Point) -> Any:
    """A block between two corners (3,)."""
    return prism(rectangle(low[:2], high[:2]), low[2], high[2])


def centred_block(p: Mapping[str, Any], *away: Any) -> NDArray[np.float64]:
    """The shell of a block of the given length, width and height on Z = 0, centred, less the others."""
    x, y = p["length"] / 2, p["width"] / 2
    return shell(cut(box((-x, -y, 0), (x, y, p["height"])), *away))


def bar(
    diameter: float, low: float, high: float, at: Point = (0.0, 0.0), axis: str = "z", error: float = FACET
) -> Any:
    """A round bar; its facets lie outside the circle."""
    return prism(ring(diameter, at, error=error), low, high, axis)


def hole(
    diameter: float, low: float, high: float, at: Point = (0.0, 0.0), axis: str = "z", error: float = FACET
) -> Any:
    """What a drill takes away; its corners lie on the circle. To be subtracted."""
    return prism(ring(diameter, at, hole=True, error=error), low, high, axis)


def join(*solids: Any) -> Any:
    """All of them as one solid."""
    import manifold3d

    return manifold3d.Manifold.batch_boolean(list(solids), manifold3d.OpType.Add)


def cut(solid: Any, *away: Any) -> Any:
    """The solid without the others."""
    import manifold3d

    return manifold3d.Manifold.batch_boolean([solid, *away], manifold3d.OpType.Subtract) if away else solid


def placed(solid: Any, T: NDArray[np.float64]) -> Any:
    """The solid at the pose T (4, 4)."""
    return solid.transform(np.ascontiguousarray(T[:3, :]))


def shell(solid: Any) -> NDArray[np.float64]:
    """The triangles (N, 3, 3) of a solid, anticlockwise seen from outside.

    Raises:
        ValueError: the solid came out empty or broken, which is a mistake in the holder's file.
    """
    import manifold3d

    if solid.status() != manifold3d.Error.NoError or solid.is_empty():
        raise ValueError(f"a shell that is no solid: {solid.status()}, {solid.num_tri()} triangles")
    mesh = solid.to_mesh64()
    return np.asarray(mesh.vert_properties[:, :3])[np.asarray(mesh.tri_verts).astype(np.int64)]


def at(x: float = 0.0, y: float = 0.0, z: float = 0.0) -> NDArray[np.float64]:
    """The pose (4, 4) of a seat that is only moved, not turned."""
    T = np.eye(4)
    T[:3, 3] = x, y, z
    return T
