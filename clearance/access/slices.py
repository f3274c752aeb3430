"""Triangles and a height go in; the slice at that height comes out: segments, closed rings, circles in them.

A corner at the very height counts as above it, so that a slice through corners and flat faces is that just
below. Nothing is asked of how the triangles are wound.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.crowd import Boxes, boxes_of

Array = NDArray[np.float64]

#: a corner that lies so near to the line between its neighbours is none (mm): STL files keep 7 digits
STRAIGHT = 2e-5
#: a ring is round where its corners keep the same distance from a centre within this (mm, and share)
ROUND, ROUND_SHARE = 0.01, 0.005


@dataclass(frozen=True)
class Hole:
    """A ring that is a hole, horizontal, machine frame, mm.

    ``diameter`` is that of the circle through its corners where it is round, else that of the largest circle
    about ``centre`` that it holds. ``centre`` is the circle's, else the centroid of the ring's area.
    """

    centre: tuple[float, float]
    diameter: float
    is_round: bool


def section(triangles: Array, z: float, boxes: Boxes | None = None) -> Array:
    """Segments (S, 2, 2) in X Y at which triangles (N, 3, 3) pass the height ``z``.

    Segments of triangles that share an edge meet in the very same doubles. ``boxes`` of the triangles spare
    time where there are many slices.
    """
    low, high = boxes_of(triangles) if boxes is None else boxes
    rows = np.flatnonzero((low[:, 2] < z) & (high[:, 2] >= z))
    if not len(rows):
        return np.empty((0, 2, 2))
    corner = triangles[rows]
    above = corner[..., 2] >= z
    alone = np.where(above.sum(axis=1) == 1, above.argmax(axis=1), above.argmin(axis=1))
    row = np.arange(len(rows))
    ends = []
    for step in (1, 2):
        a, b = corner[row, alone], corner[row, (alone + step) % 3]
        swap = (a[:, 2] >= z)[:, None]
        low, high = np.where(swap, b, a), np.where(swap, a, b)
        share = (z - low[:, 2]) / (high[:, 2] - low[:, 2])
        point = low[:, :2] + share[:, None] * (high[:, :2] - low[:, :2])
        # reached from whichever edge, a corner is itself
        ends.append(np.where((high[:, 2] == z)[:, None], high[:, :2], point))
    segments = np.stack(ends, axis=1) + 0.0
    return segments[(segments[:, 0] != segments[:, 1]).any(axis=1)]


def rings(segments: Array) -> list[Array]:
    """Closed rings (n, 2), last point not repeated, without corners that are none; open ends are left out."""
    if not len(segments):
        return []
    flat = np.ascontiguousarray(segments.reshape(-1, 2))
    keys = flat.view([("x", np.float64), ("y", np.float64)]).reshape(-1)
    _, first, number = np.unique(keys, return_index=True, return_inverse=True)
    points = flat[first]
    ends = number.reshape(-1, 2).tolist()
    at: list[list[int]] = [[] for _ in range(len(points))]
    for k, (a, b) in enumerate(ends):
        at[a].append(k)
        at[b].append(k)
    used = [False] * len(ends)
    found = []
    for k in range(len(ends)):
        if used[k]:
            continue
        used[k] = True
        chain = list(ends[k])
        while chain[-1] != chain[0]:
            step = next((s for s in at[chain[-1]] if not used[s]), None)
            if step is None:
                break
            used[step] = True
            a, b = ends[step]
            chain.append(b if a == chain[-1] else a)
        if chain[-1] == chain[0]:
            ring = _plain(points[chain[:-1]])
            if len(ring) >= 3:
                found.append(ring)
    return found


def _plain(ring: Array) -> Array:
    """Without corners that lie on the line between their neighbours."""
    for _ in range(16):
        if len(ring) < 4:
            break
        before, after = np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0)
        way, off = after - before, ring - before
        length = np.hypot(way[:, 0], way[:, 1])
        aside = np.abs(way[:, 0] * off[:, 1] - way[:, 1] * off[:, 0])
        none = aside <= STRAIGHT * length
        if not none.any():
            break
        # of corners in a row only every other one at a time, else a shallow curve would go as a whole
        drop = none & ~(np.roll(none, 1) & (np.arange(len(ring)) % 2 == 1))
        ring = ring[~drop]
    return ring


def area(ring: Array) -> float:
    """The area of a ring (n, 2), mm2, whichever way it runs (shoelace formula)."""
    x, y = ring[:, 0] - ring[0, 0], ring[:, 1] - ring[0, 1]
    return abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2.0


def holds(ring: Array, point: Array) -> bool:
    """Whether the ring (n, 2) goes around the point (2,): the even-odd rule."""
    x, y = ring[:, 0] - point[0], ring[:, 1] - point[1]
    x1, y1 = np.roll(x, -1), np.roll(y, -1)
    across = (y > 0) != (y1 > 0)
    right = (x1 - x) * (0.0 - y) / np.where(across, y1 - y, 1.0) + x > 0.0
    return bool(np.count_nonzero(across & right) % 2)


def around(found: list[Array], point: Array) -> Array | None:
    """The narrowest of the rings that go around a point; None where none does."""
    about = [ring for ring in found if holds(ring, point)]
    return min(about, key=area, default=None)


def hole_of(ring: Array) -> Hole:
    """The hole that a ring (n, 2) is: the circle through its corners by least squares, where it is round.

    The fit solves x^2 + y^2 = 2 a x + 2 b y + c (Kasa's linear fit; from memory): exact where all the corners
    lie on one circle, however they are spaced.
    """
    middle = ring.mean(axis=0)
    p = ring - middle
    if len(ring) >= 8:
        left = np.column_stack([2 * p, np.ones(len(p))])
        (a, b, _), *_ = np.linalg.lstsq(left, (p * p).sum(axis=1), rcond=None)
        radius = np.hypot(p[:, 0] - a, p[:, 1] - b)
        mean = float(radius.mean())
        if np.ptp(radius) <= max(ROUND, ROUND_SHARE * mean):
            return Hole((float(middle[0] + a), float(middle[1] + b)), 2.0 * mean, True)
    centre = _centroid(ring)
    way = np.roll(ring, -1, axis=0) - ring
    share = ((centre - ring) * way).sum(axis=1) / np.maximum((way * way).sum(axis=1), 1e-300)
    off = ring + np.clip(share, 0.0, 1.0)[:, None] * way - centre
    inside = holds(ring, centre)
    nearest = float(np.hypot(off[:, 0], off[:, 1]).min()) if inside else 0.0
    return Hole((float(centre[0]), float(centre[1])), 2.0 * nearest, False)


def _centroid(ring: Array) -> Array:
    p = ring - ring[0]
    q = np.roll(p, -1, axis=0)
    cross = p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]
    total = cross.sum()
    if total == 0.0:
        return np.asarray(ring.mean(axis=0))
    return np.asarray(ring[0] + ((p + q) * cross[:, None]).sum(axis=0) / (3.0 * total))
