"""Judging a shell of triangles by plain formulas, none of them the library's that made it."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np


def unmatched_edges(triangles: Any) -> Any:
    """Directed edges that have no opposite, by the corners' exact coordinates. None: watertight."""
    corners = [[tuple(p) for p in triangle] for triangle in triangles.tolist()]
    edges = Counter()  # type: ignore[var-annotated]
    for a, b, c in corners:
        edges.update([(a, b), (b, c), (c, a)])
    return [edge for edge, count in edges.items() if edges[edge[::-1]] != count]


def volume(triangles: Any) -> Any:
    """By the divergence theorem: the sum of the tetrahedra that each triangle makes with the origin."""
    a, b, c = np.moveaxis(triangles, 1, 0)
    return float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6)


def winding(triangles: Any, points: Any) -> Any:
    """How often the shell goes round each point: 1 inside, 0 outside, anything else where it crosses itself.

    Solid angle of a triangle: van Oosterom and Strackee, IEEE Trans. Biomed. Eng. BME-30 (1983), 125-126.
    """
    a, b, c = (triangles[None, :, i] - points[:, None] for i in range(3))
    la, lb, lc = (np.linalg.norm(x, axis=2) for x in (a, b, c))
    top = np.einsum("ijk,ijk->ij", a, np.cross(b, c))
    bottom = (
        la * lb * lc
        + np.einsum("ijk,ijk->ij", a, b) * lc
        + np.einsum("ijk,ijk->ij", b, c) * la
        + np.einsum("ijk,ijk->ij", c, a) * lb
    )
    return np.arctan2(top, bottom).sum(axis=1) / (2 * np.pi)


def beside_faces(triangles: Any, away: Any = 1e-3, many: Any = 40, seed: Any = 7) -> Any:
    """Points just outside and just inside of faces, chosen at random by area: two (many, 3) arrays."""
    a, b, c = np.moveaxis(triangles, 1, 0)
    normals = np.cross(b - a, c - a)
    area = np.linalg.norm(normals, axis=1)
    chosen = np.random.default_rng(seed).choice(len(triangles), size=many, p=area / area.sum())
    middle = triangles[chosen].mean(axis=1)
    normal = normals[chosen] / area[chosen, None]
    return middle + away * normal, middle - away * normal


def gap(point: Any, triangles: Any) -> Any:
    """Smallest distance of a point from triangles: to planes where its foot lies inside, else to edges."""
    a, b, c = np.moveaxis(triangles, 1, 0)
    best = np.inf
    for p, q in ((a, b), (b, c), (c, a)):
        along = q - p
        t = np.clip(np.einsum("ij,ij->i", point - p, along) / np.einsum("ij,ij->i", along, along), 0, 1)
        best = min(best, np.linalg.norm(p + t[:, None] * along - point, axis=1).min())
    normal = np.cross(b - a, c - a)
    size = np.linalg.norm(normal, axis=1)
    good = size > 1e-9
    a, b, c, normal = a[good], b[good], c[good], normal[good] / size[good, None]
    high = np.einsum("ij,ij->i", point - a, normal)
    foot = point - high[:, None] * normal
    inside = np.ones(len(a), dtype=bool)
    for p, q in ((a, b), (b, c), (c, a)):
        inside &= np.einsum("ij,ij->i", np.cross(q - p, foot - p), normal) >= 0
    return float(min(best, np.abs(high[inside]).min())) if inside.any() else float(best)
