"""Triangles go in; fewer of them that look the same, their corners and edges come out. For display only."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from clearance.view import meshes

Array = NDArray[np.float64]

#: an edge is drawn where faces turn by more than this, degrees
EDGE_DEG = 25.0
#: how far a surface may move to be made of fewer triangles, mm, tried in turn
MOVED = (0.02, 0.1, 0.3)


def lighter(triangles: Array, most: int, near: Array) -> Array:
    """At most about ``most`` triangles that look like these.

    A sound closed surface keeps its form within ``MOVED``. What is none, or is too rough for that, has its
    corners put together by a grid, but for what is within 5 mm of a point of ``near`` (K, 3).
    """
    import manifold3d

    points, faces = welded(triangles)
    solid = manifold3d.Manifold(manifold3d.Mesh64(points.astype(np.float64), faces.astype(np.uint64)))
    if solid.status() == manifold3d.Error.NoError:
        for tolerance in MOVED:
            fewer = solid.simplify(tolerance)
            if 0 < fewer.num_tri() <= most:
                mesh = fewer.to_mesh64()
                corners = np.asarray(mesh.vert_properties, dtype=float)[:, :3]
                return meshes.outward(corners[np.asarray(mesh.tri_verts, dtype=np.int64)])
    return meshes.thinned(triangles, most, keep_near=near, reach=5.0)


def shares(counts: Sequence[int], most: int) -> list[int]:
    """How many of each may stay, ``most`` in all: small ones whole, the large ones evenly."""
    limit = [0] * len(counts)
    left = most
    for rank, k in enumerate(sorted(range(len(counts)), key=lambda each: counts[each])):
        limit[k] = min(counts[k], left // (len(counts) - rank))
        left -= limit[k]
    return limit


def welded(triangles: Array, creased: bool = False) -> tuple[NDArray[np.float32], NDArray[np.int32]]:
    """Corners (V, 3), each once, and triangles by their numbers (N, 3).

    ``creased``: a corner is there once for each way that its faces look, so that each face is shaded flat.
    """
    corners = np.ascontiguousarray(triangles.reshape(-1, 3), dtype=np.float32) + np.float32(0.0)
    key = corners
    if creased:
        normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
        normal /= np.maximum(np.linalg.norm(normal, axis=1), 1e-12)[:, None]
        looks_at = np.repeat((normal * 8.0).round().astype(np.float32) + np.float32(0.0), 3, axis=0)
        key = np.ascontiguousarray(np.concatenate([corners, looks_at], axis=1))
    whole = key.view(np.dtype((np.void, key.dtype.itemsize * key.shape[1]))).ravel()
    _, first, index = np.unique(whole, return_index=True, return_inverse=True)
    return corners[first], index.reshape(-1, 3).astype(np.int32)


def sharp_edges(points: NDArray[np.float32], faces: NDArray[np.int32]) -> Array:
    """Segments (S, 2, 3) where a surface ends or turns by more than ``EDGE_DEG``."""
    p = points.astype(float)
    normal = np.cross(p[faces[:, 1]] - p[faces[:, 0]], p[faces[:, 2]] - p[faces[:, 0]])
    length = np.linalg.norm(normal, axis=1)
    sound = length > 1e-9
    faces, normal = faces[sound], normal[sound] / length[sound, None]
    ends = np.sort(np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]]), axis=1)
    owner = np.tile(np.arange(len(faces)), 3)
    order = np.lexsort((ends[:, 1], ends[:, 0]))
    ends, owner = ends[order], owner[order]
    first = np.flatnonzero(np.r_[True, (ends[1:] != ends[:-1]).any(axis=1)]) if len(ends) else owner[:0]
    count = np.diff(np.r_[first, len(ends)])
    pair = first[count == 2]
    turn = np.einsum("ij,ij->i", normal[owner[pair]], normal[owner[pair + 1]])
    sharp = np.r_[first[count != 2], pair[turn < np.cos(np.radians(EDGE_DEG))]]
    return p[ends[sharp]]
