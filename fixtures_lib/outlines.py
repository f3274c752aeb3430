"""Shells and a view go in; the lines that are seen in it, those that are hidden, and the outline come out.

Lines are the sharp edges of the shells and, on round ones, where a surface turns away from the eye. Whether a
bit of one is hidden is asked of each triangle that faces the eye, at points along the line: to both sides of
it, since the line itself may lie over the seam of two triangles.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.mesh.topology import corner_numbers
from clearance.records import record
from fixtures_lib.holder import VIEWS

Array = NDArray[np.float64]

#: an edge is sharp where its facets turn by more, degrees
SHARP = 30.0
#: which way the eye looks from, along the axis that a view does not show
EYE = {"front": (1, -1.0), "right": (0, 1.0), "above": (2, 1.0)}
#: points to both sides of a line at which is asked, mm; a triangle hides what is so far behind it
BESIDE, BEHIND = 0.01, 0.01
#: a facet faces the eye where its normal has more of the line of sight than that
LEVEL = 1e-6
#: so many pairs of a point and a triangle are looked at in one go
MOST = 2_000_000


@record
class ViewLines:
    """Of one view, mm, in its right and up: segments (N, 2, 2)."""

    seen: Array
    hidden: Array


def flat(points: Array, view: str) -> Array:
    """Points (..., 3) as (right, up, nearness) of a view, (..., 3)."""
    right, up = VIEWS[view]
    axis, sign = EYE[view]
    return np.stack([points[..., right], points[..., up], sign * points[..., axis]], axis=-1)


def outline(shells: Sequence[Array], view: str) -> list[list[Array]]:
    """The silhouette of shells in a view: for each piece its rings (N, 2), the outer one first."""
    import shapely

    triangles = flat(np.concatenate(list(shells)), view)[..., :2]
    shapes = shapely.polygons(triangles[np.abs(_area(triangles)) > 1e-9])
    whole: Any = shapely.union_all(shapely.set_precision(shapes, 1e-4)).buffer(0.005).simplify(0.005)
    pieces = [p for p in shapely.get_parts(whole) if p.geom_type == "Polygon"]
    return [[np.asarray(ring.coords) for ring in (p.exterior, *p.interiors)] for p in pieces]


def lines(shells: Sequence[Array], view: str, step: float) -> ViewLines:
    """The lines of shells (N, 3, 3) in a view.

    Args:
        step: a line is looked at in so many places, mm apart.
    """
    edges = np.concatenate([_edges(shell, view) for shell in shells])
    faces = _facing(np.concatenate([flat(shell, view) for shell in shells]))
    return _parted(edges, faces, step)


def _edges(shell: Array, view: str) -> Array:
    """Sharp and turning edges (N, 2, 3) of one shell, in the view's coordinates."""
    numbers, count = corner_numbers(shell)
    points = np.empty((count, 3))
    points[numbers.ravel()] = flat(shell, view).reshape(-1, 3)
    ends = np.concatenate([numbers[:, [0, 1]], numbers[:, [1, 2]], numbers[:, [2, 0]]])
    owner = np.tile(np.arange(len(numbers)), 3)
    ends.sort(axis=1)
    order = np.lexsort((ends[:, 1], ends[:, 0]))
    ends, owner = ends[order], owner[order]
    corners = points[numbers]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(normal, axis=1)
    normal = normal / np.where(size > 0, size, 1.0)[:, None]
    pair = np.flatnonzero((ends[:-1] == ends[1:]).all(axis=1))
    one, other = normal[owner[pair]], normal[owner[pair + 1]]
    sharp = np.einsum("ij,ij->i", one, other) < np.cos(np.radians(SHARP))
    turning = (one[:, 2] > LEVEL) != (other[:, 2] > LEVEL)
    return np.asarray(points[ends[pair[sharp | turning]]])


def _facing(triangles: Array) -> Array:
    """Those of (N, 3, 3) that are seen with an area, whichever way their shell is wound."""
    return np.asarray(triangles[np.abs(_area(triangles)) > 1e-6])


def _area(triangles: Array) -> Array:
    """Twice the area of each triangle (N, 3, 2 or 3) as the view shows it, signed."""
    e, f = triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]
    return np.asarray(e[:, 0] * f[:, 1] - e[:, 1] * f[:, 0])


def _parted(edges: Array, faces: Array, step: float) -> ViewLines:
    """Edges (N, 2, 3) cut where they go behind a face."""
    seen: list[Array] = []
    hidden: list[Array] = []
    long = np.linalg.norm(edges[:, 1, :2] - edges[:, 0, :2], axis=1)
    edges, long = edges[long > 1e-6], long[long > 1e-6]
    counts = np.maximum(1, np.ceil(long / step).astype(int))
    which = np.repeat(np.arange(len(edges)), counts)
    first = np.repeat(np.cumsum(counts) - counts, counts)
    share = (np.arange(len(which)) - first + 0.5) / counts[which]
    points = edges[which, 0] + share[:, None] * (edges[which, 1] - edges[which, 0])
    along = (edges[which, 1] - edges[which, 0])[:, :2] / long[which][:, None]
    side = np.column_stack([-along[:, 1], along[:, 0], np.zeros(len(which))]) * BESIDE
    behind = _behind(points + side, faces) & _behind(points - side, faces)
    at = 0
    for k, count in enumerate(counts):
        flags = behind[at : at + count]
        at += count
        begin = 0
        for i in range(1, count + 1):
            if i == count or flags[i] != flags[begin]:
                ends = np.array([begin, i]) / count
                bit = edges[k, 0, :2] + ends[:, None] * (edges[k, 1, :2] - edges[k, 0, :2])
                (hidden if flags[begin] else seen).append(bit)
                begin = i
    return ViewLines(_apart(seen), _apart(hidden))


def _apart(bits: Sequence[Array]) -> Array:
    """Segments without those that are there already."""
    if not bits:
        return np.zeros((0, 2, 2))
    rows = np.round(np.stack(bits), 3)
    swap = (rows[:, 0, 0] > rows[:, 1, 0]) | (
        (rows[:, 0, 0] == rows[:, 1, 0]) & (rows[:, 0, 1] > rows[:, 1, 1])
    )
    rows[swap] = rows[swap][:, ::-1]
    return np.asarray(np.unique(rows.reshape(-1, 4), axis=0).reshape(-1, 2, 2), dtype=float)


def _behind(points: Array, faces: Array) -> NDArray[np.bool_]:
    """Whether each point (N, 3) is behind some triangle (M, 3, 3): seen through its inside, farther away."""
    a, b, c = faces[:, 0], faces[:, 1], faces[:, 2]
    e, f, area = (b - a)[:, :2], (c - a)[:, :2], _area(faces)
    found = np.zeros(len(points), dtype=bool)
    for begin in range(0, len(points), max(1, MOST // max(1, len(faces)))):
        some = slice(begin, begin + max(1, MOST // max(1, len(faces))))
        d = points[some, None, :2] - a[None, :, :2]
        u = (d[..., 0] * f[:, 1] - d[..., 1] * f[:, 0]) / area
        v = (e[:, 0] * d[..., 1] - e[:, 1] * d[..., 0]) / area
        high = a[:, 2] + u * (b - a)[:, 2] + v * (c - a)[:, 2]
        inside = (u > 0) & (v > 0) & (u + v < 1)
        found[some] = (inside & (high > points[some, None, 2] + BEHIND)).any(axis=1)
    return found
