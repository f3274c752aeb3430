"""Triangles of a part as it stands go in; the round holes in its underside, and what is open, come out."""

from __future__ import annotations

from collections import defaultdict

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

#: a loop of edges is a round hole where its corners lie on a circle within this share of its radius
ROUND = 0.03
#: holes that are looked at
HOLES = 200


def round_holes(triangles: Array) -> Array:
    """Middles (K, 2) of the round holes in the face that is down; ``triangles`` (N, 3, 3) mm, so turned."""
    low = float(triangles[..., 2].min())
    face = triangles[(np.abs(triangles[..., 2] - low) < 0.01).all(axis=1)][..., :2]
    if len(face) == 0:
        return np.empty((0, 2))
    points, corner = np.unique(np.round(face.reshape(-1, 2), 5), axis=0, return_inverse=True)
    corner = corner.reshape(-1, 3)
    edges = np.sort(np.concatenate([corner[:, [0, 1]], corner[:, [1, 2]], corner[:, [2, 0]]]), axis=1)
    each, uses = np.unique(edges, axis=0, return_counts=True)
    middles = []
    size = np.ptp(points, axis=0).max()
    for loop in _loops(each[uses == 1]):
        ring = points[loop]
        middle = (ring.min(axis=0) + ring.max(axis=0)) / 2
        radius = np.hypot(*(ring - middle).T)
        if len(loop) >= 8 and np.ptp(radius) <= ROUND * radius.mean() and radius.mean() < 0.4 * size:
            middles.append(middle)
    return np.array(middles[:HOLES]).reshape(-1, 2)


def _loops(edges: NDArray[np.int64]) -> list[list[int]]:
    """Closed rings of corners; where more than two edges meet in one, none of its rings."""
    at: defaultdict[int, list[int]] = defaultdict(list)
    for a, b in edges.tolist():
        at[a].append(b)
        at[b].append(a)
    loops, seen = [], set[int]()
    for begin in at:
        loop, before, here = [], -1, begin
        while here not in seen and len(at[here]) == 2:
            seen.add(here)
            loop.append(here)
            before, here = here, at[here][0] if at[here][0] != before else at[here][1]
        if loop and here == begin:
            loops.append(loop)
    return loops


def is_open(triangles: Array, points: Array) -> NDArray[np.bool_]:
    """Which points (K, 2) no triangle lies over or under: the wire passes there. ``triangles`` so turned."""
    a, b, c = (triangles[:, k, :2] for k in range(3))
    low, high = np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)
    found = np.ones(len(points), dtype=bool)
    for k, p in enumerate(points):
        near = ((low <= p) & (high >= p)).all(axis=1)
        sides = [_side(u[near], v[near], p) for u, v in ((a, b), (b, c), (c, a))]
        least, most = np.min(sides, axis=0), np.max(sides, axis=0)
        found[k] = not (((least >= 0) | (most <= 0)) & (most > least)).any()
    return found


def _side(u: Array, v: Array, p: Array) -> Array:
    return np.asarray((v[:, 0] - u[:, 0]) * (p[1] - u[:, 1]) - (v[:, 1] - u[:, 1]) * (p[0] - u[:, 0]))
