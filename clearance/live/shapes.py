"""A body's triangles go in; what is drawn of it from above, from the front, from the right and in space comes
out.

Faces that look at the viewer, and of the edges those that bound the body or in which it is bent. Numbers are
hundredths of a millimetre, in pairs: across the page, and up it; in space X, Y, Z.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.mesh.topology import edges_of

Array = NDArray[np.float64]

#: machine axes across and up the page, and the axis along which it is looked, its sign towards the viewer
VIEWS: dict[str, tuple[int, int, int, float]] = {
    "top": (0, 1, 2, 1.0),
    "front": (0, 2, 1, -1.0),
    "right": (1, 2, 0, 1.0),
}
#: facets above which only an outline without notches is drawn, so that the page stays quick
MOST = 8000
#: two facets whose normals' cosine is less make an edge that is drawn
BENT = 0.9
#: numbers are multiples of this, mm
UNIT = 0.01


def drawn(triangles: Array) -> dict[str, dict[str, list[int]]]:
    """For each view ``faces`` (six numbers a triangle) and ``edges`` (four a line); in "space" ``points``
    (three numbers each), ``faces`` (numbers of three points) and ``edges`` (of two points and of the facets
    on both sides, -1 where there is none, and 1 where it is bent).

    Args:
        triangles: (N, 3, 3) mm, machine frame, normals outward.
    """
    if len(triangles) > MOST:
        flat = {name: _outline(triangles, across, up) for name, (across, up, _, _) in VIEWS.items()}
        return {**flat, "space": _in_space(_prism(triangles))}
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    size = np.linalg.norm(normal, axis=1, keepdims=True)
    unit = normal / np.where(size > 0.0, size, 1.0)
    edges = edges_of(triangles)
    start = np.r_[edges.use_start, len(edges.use_facet)]
    two = np.flatnonzero(edges.uses == 2)
    a, b = edges.use_facet[start[two]], edges.use_facet[start[two] + 1]
    p = triangles[edges.facet, edges.side]
    q = triangles[edges.facet, (edges.side + 1) % 3]
    out = {"space": _space(triangles, edges, two, a, b, (unit[a] * unit[b]).sum(axis=1) < BENT)}
    for name, (across, up, axis, sign) in VIEWS.items():
        seen = sign * unit[:, axis] > 1e-9
        flip = across == 0 and up == 2
        faces = triangles[seen][:, :, (across, up)]
        shown = np.ones(len(edges.uses), dtype=bool)
        bent = (unit[a] * unit[b]).sum(axis=1) < BENT
        shown[two] = (seen[a] != seen[b]) | (seen[a] & seen[b] & bent)
        shown[edges.uses != 2] = seen[edges.facet[edges.uses != 2]]
        lines = np.stack([p[shown], q[shown]], axis=1)[:, :, (across, up)]
        long = np.abs(lines[:, 0] - lines[:, 1]).max(axis=1) >= UNIT
        out[name] = {"faces": _numbers(faces[:, ::-1] if flip else faces), "edges": _numbers(lines[long])}
    return out


def _in_space(triangles: Array) -> dict[str, list[int]]:
    """The same of few triangles of which nothing is known yet."""
    edges = edges_of(triangles)
    normal = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    unit = normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    start = np.r_[edges.use_start, len(edges.use_facet)]
    two = np.flatnonzero(edges.uses == 2)
    a, b = edges.use_facet[start[two]], edges.use_facet[start[two] + 1]
    return _space(triangles, edges, two, a, b, (unit[a] * unit[b]).sum(axis=1) < BENT)


def _space(triangles: Array, edges: Any, two: Any, a: Any, b: Any, bent: Any) -> dict[str, list[int]]:
    """A body in space; ``two``: edges with two facets, ``a`` and ``b`` these, and where they are ``bent``."""
    whole = np.round(triangles.reshape(-1, 3) / UNIT).astype(np.int64)
    points, number = np.unique(whole, axis=0, return_inverse=True)
    faces = number.reshape(-1, 3)
    one = np.flatnonzero(edges.uses != 2)
    # a smooth edge is seen where the body turns away from the viewer, so it comes along
    which = np.r_[two, one]
    side = np.stack([faces[edges.facet, edges.side], faces[edges.facet, (edges.side + 1) % 3]], axis=1)[which]
    left = np.r_[a, edges.facet[one]]
    right = np.r_[b, np.full(len(one), -1)]
    kind = np.r_[bent, np.ones(len(one), dtype=bool)]
    lines = np.column_stack([side, left, right, kind]).astype(np.int64)
    return {
        "points": points.reshape(-1).tolist(),
        "faces": faces.reshape(-1).tolist(),
        "edges": lines[side[:, 0] != side[:, 1]].reshape(-1).tolist(),
    }


def _prism(triangles: Array) -> Array:
    """Triangles of the upright prism round a body."""
    points = triangles.reshape(-1, 3)
    low, high = points[:, 2].min(), points[:, 2].max()
    ring = _hull(points[:, :2])
    n = len(ring)
    after = np.roll(np.arange(n), -1)
    up, down = np.c_[ring, np.full(n, high)], np.c_[ring, np.full(n, low)]
    fan = np.stack([np.zeros(n - 2, dtype=int), np.arange(1, n - 1), np.arange(2, n)], axis=1)
    walls = [np.stack([down, down[after], up[after]], axis=1), np.stack([down, up[after], up], axis=1)]
    return np.concatenate([up[fan], down[fan[:, ::-1]], *walls])


def _outline(triangles: Array, across: int, up: int) -> dict[str, list[int]]:
    ring = _hull(triangles.reshape(-1, 3)[:, (across, up)])
    hull = np.vstack([ring, ring[:1]])
    fan = np.stack([np.repeat(hull[:1], max(len(hull) - 3, 0), axis=0), hull[1:-2], hull[2:-1]], axis=1)
    return {"faces": _numbers(fan), "edges": _numbers(np.stack([hull[:-1], hull[1:]], axis=1))}


def _hull(points: Array) -> Array:
    """Corners (n, 2), anticlockwise, of the convex hull of points (N, 2), to hundredths as they are drawn."""
    import shapely

    x, y = np.round(points.T / UNIT).astype(np.int64)
    # of very many points the lowest and the highest of each column are enough
    column = x - x.min()
    low, high = np.full(column.max() + 1, y.max()), np.full(column.max() + 1, y.min())
    np.minimum.at(low, column, y)
    np.maximum.at(high, column, y)
    there = np.flatnonzero(low <= high)
    corners = np.concatenate([np.c_[there, low[there]], np.c_[there, high[there]]])
    corners[:, 0] += x.min()
    hull = shapely.convex_hull(shapely.multipoints(corners * UNIT))
    return np.asarray(shapely.get_coordinates(shapely.orient_polygons(hull))[:-1])


def _numbers(points: Array) -> list[int]:
    """Points as whole hundredths."""
    numbers: list[int] = np.round(points / UNIT).astype(np.int64).reshape(-1).tolist()
    return numbers


def as_points(points: Any) -> list[int]:
    """Points (..., 2), mm, as the page takes them.

    Args:
        points: of a path, say.
    """
    return _numbers(np.asarray(points, dtype=np.float64))
