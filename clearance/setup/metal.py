"""A body's triangles go in; its shells come out as solids that can be intersected, and how deep two cut in.

Glossary
    shell    a closed surface of a body; a body may have several, which may touch or overlap each other.
    depth    of two solids in each other: how wide a piece that they share is where it is narrowest, so how
             far they would have to be moved apart. Where that piece bends round (a ring too small for what
             is in it), it is the distance from the deepest place in the metal to where the metal ends.
"""

from __future__ import annotations

import copy
import math
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.crowd import Crowd, boxes_of
from clearance.setup.scene import Body
from clearance.solids.keys import corner_numbers
from clearance.solids.shells import shells

Array = NDArray[np.float64]

#: corners that agree to so many digits of a mm are one
DIGITS = 7
#: points at which the depth is looked for
POINTS = 400
#: what is thinner all over is the rounding of faces that touch, mm
FILM = 0.005
#: what fills so much of its convex hull does not bend round
PLUMP = 0.7
#: faces across which the width is looked for, the largest
FACES = 500
#: point-triangle pairs handled at a time
BATCH = 200_000


class Shell:
    """One closed shell where it stands: its triangles and their boxes, and the solid when it is asked for."""

    def __init__(self, triangles: Array, sunk: bool, crowd: Crowd | None = None) -> None:
        self.triangles, self.sunk = triangles, sunk
        self._crowd = Crowd(*boxes_of(triangles)) if crowd is None else crowd
        self.low, self.high = self._crowd.box
        self.whole = self

    def column(self, low: Array, high: Array) -> Shell:
        """Of its facets those that meet a box or stand over it; box and all facets are still known."""
        some = copy.copy(self)
        some.triangles = self.triangles[self._crowd.meeting(low, np.array([high[0], high[1], np.inf]))]
        return some

    @cached_property
    def solid(self) -> Any:
        """A ``manifold3d.Manifold``; None where the triangles are no solid."""
        return _solid(self.triangles)


def shells_of(body: Body) -> list[Shell]:
    """The shells of a closed body, machine frame, mm."""
    rounded = np.round(body.triangles_M, DIGITS) + 0.0
    if body.shells:
        parts = np.split(rounded, np.cumsum(body.shells)[:-1])
    else:
        label = shells(rounded)
        order = np.argsort(label, kind="stable")
        parts = np.split(rounded[order], np.cumsum(np.bincount(label))[:-1])
    return [Shell(part, k in body.sunk) for k, part in enumerate(parts)]


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

    Of several pieces that they share, the deepest counts.
    """
    shared = a.solid ^ b.solid
    return max((_thickness(piece, a, b) for piece in shared.decompose()), default=0.0)


def _thickness(shared: Any, a: Shell, b: Shell) -> float:
    """The depth in one connected piece of what two solids share."""
    sheet = 2.0 * shared.volume() / max(shared.surface_area(), 1e-12)
    if sheet < FILM:
        return max(sheet, 0.0)
    hull = shared.hull()
    if shared.volume() >= PLUMP * hull.volume():
        return _width(hull)
    # each facet in n * n, so that there are points in the middle of large ones
    n = min(max(round(math.sqrt(2 * POINTS / shared.num_tri())), 1), 12)
    points = np.asarray(shared.refine(n).to_mesh64().vert_properties)[:, :3]
    points = points[:: -(-len(points) // (2 * POINTS))]
    return max(sheet, *(float(distances(points, s.triangles).max()) for s in (a, b)))


def _width(hull: Any) -> float:
    """The width of a convex body across its faces, where it is least, mm."""
    mesh = hull.to_mesh64()
    corners = np.asarray(mesh.vert_properties)[:, :3]
    t = corners[np.asarray(mesh.tri_verts).astype(np.int64)]
    n = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
    length = np.linalg.norm(n, axis=1)
    largest = np.argsort(-length)[:FACES]
    largest = largest[length[largest] > 1e-9 * length.max()]  # a sliver has no direction
    n = n[largest] / length[largest, None]
    return float(np.ptp(corners @ n.T, axis=0).min())


def distances(points: Array, triangles: Array) -> Array:
    """The distance (N,) of each point to the nearest of the triangles, mm."""
    low, high, corner = triangles.min(axis=1), triangles.max(axis=1), triangles[:, 0]
    step = max(1, BATCH // len(triangles))
    best = []
    for k in range(0, len(points), step):
        p = points[k : k + step, None]
        # no nearer than its box, no farther than its corner: what lies between is measured
        nearest = np.linalg.norm(p - corner, axis=2).min(axis=1)
        box = np.linalg.norm(np.maximum(np.maximum(low - p, p - high), 0.0), axis=2)
        i, j = np.nonzero(box <= nearest[:, None])
        np.minimum.at(nearest, i, _to_triangles(p[i, 0], triangles[j]))
        best.append(nearest)
    return np.concatenate(best)


def _to_triangles(p: Array, triangles: Array) -> Array:
    """Distances (P,) of points to triangles, one each: to the plane where the foot lies within, else to an
    edge."""
    n = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    length = np.linalg.norm(n, axis=1)
    n = n / np.where(length > 0.0, length, 1.0)[:, None]
    best = np.full(len(p), np.inf)
    inside = length > 0.0
    for k in range(3):
        along, rel = triangles[:, (k + 1) % 3] - triangles[:, k], p - triangles[:, k]
        inside &= np.einsum("ij,ij->i", rel, np.cross(n, along)) >= 0.0
        square = np.einsum("ij,ij->i", along, along)
        share = np.einsum("ij,ij->i", rel, along) / np.where(square > 0.0, square, 1.0)
        foot = np.clip(share, 0.0, 1.0)[:, None] * along
        best = np.minimum(best, np.linalg.norm(rel - foot, axis=1))
    return np.where(inside, np.abs(np.einsum("ij,ij->i", p - triangles[:, 0], n)), best)
