"""A body's triangles go in; its shells come out as solids that can be intersected, and how deep two cut in.

Glossary
    shell    a closed surface of a body; a body may have several, which may touch or overlap each other.
    depth    of two solids in each other: the largest distance that a point on either one's surface, within
             the other, has from that other's surface.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.setup.scene import Body
from clearance.solids.keys import corner_numbers
from clearance.solids.shells import shells

Array = NDArray[np.float64]

#: corners that agree to so many digits of a mm are one
DIGITS = 7
#: points at which the depth is looked for, at most
POINTS = 300
#: what is thinner all over is the rounding of faces that touch, mm
FILM = 0.005
#: point-triangle pairs handled at a time
BATCH = 200_000


@dataclass(frozen=True)
class Shell:
    """One closed shell where it stands: the solid (None where it is none), its box, its triangles."""

    solid: Any
    low: Array
    high: Array
    triangles: Array
    sunk: bool


def shells_of(body: Body) -> list[Shell]:
    """The shells of a closed body, machine frame, mm."""
    rounded = np.round(body.triangles_M, DIGITS) + 0.0
    if body.shells:
        parts = np.split(rounded, np.cumsum(body.shells)[:-1])
    else:
        label = shells(rounded)
        order = np.argsort(label, kind="stable")
        parts = np.split(rounded[order], np.cumsum(np.bincount(label))[:-1])
    return [
        Shell(_solid(part), part.min(axis=(0, 1)), part.max(axis=(0, 1)), part, k in body.sunk)
        for k, part in enumerate(parts)
    ]


def _solid(triangles: Array) -> Any:
    """A ``manifold3d.Manifold`` of triangles that close, whichever way round they are wound; or None."""
    import manifold3d

    faces, count = corner_numbers(triangles)
    corners = np.empty((count, 3))
    corners[faces.reshape(-1)] = triangles.reshape(-1, 3)
    a, b, c = faces.T
    faces = faces[(a != b) & (b != c) & (c != a)]
    p, q, r = (corners[faces[:, k]] - corners[0] for k in range(3))
    if float(np.einsum("ij,ij->", p, np.cross(q, r))) < 0.0:
        faces = faces[:, ::-1]
    solid = manifold3d.Manifold(manifold3d.Mesh64(corners, np.ascontiguousarray(faces.astype(np.uint64))))
    return None if solid.status() != manifold3d.Error.NoError or solid.is_empty() else solid


def depth(a: Shell, b: Shell) -> float:
    """How deep two solids stand in each other, mm; 0 where they do not, or only touch.

    Looked for at the corners, edges' and facets' middles of what they share, so it may come out a little
    too small where they cut in with a curved face; never too large.
    """
    shared = a.solid ^ b.solid
    return max((_thickness(piece, a, b) for piece in shared.decompose()), default=0.0)


def _thickness(shared: Any, a: Shell, b: Shell) -> float:
    """The depth in one connected piece of what two solids share."""
    # where all faces coincide (one thing placed twice) every point lies on both surfaces; what is shared is
    # then at least as thick as a sheet of its volume and surface
    sheet = 2.0 * shared.volume() / max(shared.surface_area(), 1e-12)
    if sheet < FILM:
        return max(sheet, 0.0)
    mesh = shared.to_mesh64()
    corners = np.asarray(mesh.vert_properties)[:, :3]
    faces = np.asarray(mesh.tri_verts).astype(np.int64)
    t = corners[faces]
    points = np.concatenate([corners, t.mean(axis=1), (t + t[:, [1, 2, 0]]).reshape(-1, 3) / 2])
    points = points[:: -(-len(points) // POINTS)]
    return max(sheet, *(float(_distances(points, s.triangles).max()) for s in (a, b)))


def _distances(points: Array, triangles: Array) -> Array:
    """The distance (N,) of each point to the nearest of the triangles, mm."""
    # no point is farther from the surface than from its nearest corner: what lies beyond is left out
    near, far = points.min(axis=0), points.max(axis=0)
    corners = triangles[:, 0]
    step = max(1, BATCH // len(points))
    best = np.full(len(points), np.inf)
    for k in range(0, len(corners), step):
        apart = np.linalg.norm(points[:, None] - corners[None, k : k + step], axis=2)
        best = np.minimum(best, apart.min(axis=1))
    gap = np.maximum(near - triangles.max(axis=1), triangles.min(axis=1) - far).max(axis=1)
    triangles = triangles[gap <= best.max()]
    for k in range(0, len(triangles), step):
        best = np.minimum(best, _to_triangles(points, triangles[k : k + step]).min(axis=1))
    return best


def _to_triangles(points: Array, triangles: Array) -> Array:
    """Distances (N, M): to the plane where the foot lies in the triangle, else to the nearest edge."""
    a, n = triangles[:, 0], np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    length = np.linalg.norm(n, axis=1)
    n = n / np.where(length > 0.0, length, 1.0)[:, None]
    from_a = points[:, None] - a
    best = np.full(from_a.shape[:2], np.inf)
    inside = np.broadcast_to(length > 0.0, best.shape).copy()
    for k in range(3):
        start, along = triangles[:, k], triangles[:, (k + 1) % 3] - triangles[:, k]
        rel = points[:, None] - start
        inside &= np.einsum("nmi,mi->nm", rel, np.cross(n, along)) >= 0.0
        square = np.einsum("mi,mi->m", along, along)
        share = np.einsum("nmi,mi->nm", rel, along) / np.where(square > 0.0, square, 1.0)
        foot = np.clip(share, 0.0, 1.0)[..., None] * along
        best = np.minimum(best, np.linalg.norm(rel - foot, axis=2))
    return np.where(inside, np.abs(np.einsum("nmi,mi->nm", from_a, n)), best)
