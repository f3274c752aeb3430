"""Measures in the meridian half-plane, and slices of triangles from which they are had.

The horizontal distance g and the height z of an item's point go in, with a head's profile; one figure comes
out: clearance, side or height.

Every measure is nondecreasing in g, and over z it falls towards the profile's widest height and rises
behind it. Along a horizontal slice of a triangle that moves up the triangle, g is convex; so each measure
has a single valley there (``search``), and for boxes a bound is had by taking the smallest g and the height
nearest to the widest one (``nearest``). One definition serves both.

Where a measure does not exist (no shared height, not one over the other) it is ``NOWHERE`` plus how far it
is from existing, so that a search still finds its way. ``steepness`` (P,) bounds how fast the measure
changes where it exists, per mm of g and z.

A triangle is cut at its middle height into two strips. Within a strip the horizontal slice is a segment whose
ends move in straight lines, and all slices are parallel.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.planar import segment_segment, segment_swept_rectangle
from clearance.records import record
from clearance.scene.heads import HeadPiece

Array = NDArray[np.float64]
Index = NDArray[np.integer[Any]]

NOWHERE = 1e6


class Profiles:
    """A table of pieces with up to three corners each, so that pairs can refer to them by number.

    Attributes:
        z, r: (P, 3) corners, the last repeated where there are two.
        slope, straight: (P, 2) dr/dz of each side, and whether it has any length.
        rect: (P, 4).   boxed: (P,) the rectangle is not a point.
        widest_z: (P, 2) the heights between which r is largest.   widest_r: (P,).
    """

    def __init__(self, pieces: Sequence[HeadPiece]) -> None:
        z, r = np.empty((len(pieces), 3)), np.empty((len(pieces), 3))
        for i, piece in enumerate(pieces):
            if len(piece.z) > 3:
                raise ValueError("a piece has at most three corners")
            z[i, : len(piece.z)], z[i, len(piece.z) :] = piece.z, piece.z[-1]
            r[i, : len(piece.r)], r[i, len(piece.r) :] = piece.r, piece.r[-1]
        self.z, self.r = z, r
        dz = np.diff(z, axis=1)
        self.straight = dz > 0.0
        self.slope = np.divide(np.diff(r, axis=1), dz, out=np.zeros_like(dz), where=self.straight)
        self.rect = np.array([piece.rect for piece in pieces], dtype=float).reshape(-1, 4)
        self.boxed = (self.rect != 0.0).any(axis=1)
        self.widest_r = r.max(axis=1, initial=0.0)
        at_widest = r == self.widest_r[:, None]
        self.widest_z = np.stack(
            [np.where(at_widest, z, np.inf).min(axis=1), np.where(at_widest, z, -np.inf).max(axis=1)], axis=1
        )

    def radius(self, z: Array, which: Index) -> Array:
        """r(z) of profile ``which``, extended in a straight line above and below."""
        radius = np.full(len(z), np.inf)
        for k in (0, 1):
            line = self.r[which, k] + self.slope[which, k] * (z - self.z[which, k])
            np.minimum(radius, np.where(self.straight[which, k], line, np.inf), out=radius)
        return radius

    def nearest_height(self, low: Array, high: Array, which: Index) -> Array:
        """The height within [low, high] at which every measure is smallest for a given g."""
        first, last = self.widest_z[which, 0], self.widest_z[which, 1]
        return np.asarray(np.minimum(np.maximum(np.minimum(np.maximum(low, first), last), low), high))


@record
class ClearanceMeasure:
    """Distance in the half plane from (g, z) to the profile and all that lies inside it."""

    profiles: Profiles

    @property
    def steepness(self) -> Array:
        return np.ones(len(self.profiles.z))

    def at_least(self, g: Array, which: Index) -> Array:
        """A bound (N,) on the measure that is had from g alone; so for each of them.

        Args:
            g: (N,) horizontal distances, mm.   which: (N,) rows of the table of profiles.
        """
        return np.asarray(g - self.profiles.widest_r[which])

    def __call__(self, g: Array, z: Array, which: Index) -> Array:
        table = self.profiles
        zs, rs = table.z[which], table.r[which]
        z0, z2 = zs[:, 0], zs[:, 2]
        over0, over2 = np.maximum(g - rs[:, 0], 0.0), np.maximum(g - rs[:, 2], 0.0)
        best = over0 * over0 + (z - z0) ** 2
        np.minimum(best, over2 * over2 + (z - z2) ** 2, out=best)
        for k in (0, 1):
            dr, dz = rs[:, k + 1] - rs[:, k], zs[:, k + 1] - zs[:, k]
            er, ez = g - rs[:, k], z - zs[:, k]
            length2 = dr * dr + dz * dz
            t = np.divide(er * dr + ez * dz, length2, out=np.zeros_like(g), where=length2 > 0.0)
            t = np.minimum(np.maximum(t, 0.0), 1.0)
            np.minimum(best, (er - t * dr) ** 2 + (ez - t * dz) ** 2, out=best)
        inside = (z >= z0) & (z <= z2) & (g <= table.radius(z, which))
        return np.where(inside, 0.0, np.sqrt(best))


@record
class SideMeasure:
    """Horizontal distance where (g, z) shares a height with the profile, grown by the height margin."""

    profiles: Profiles

    @property
    def steepness(self) -> Array:
        return np.asarray(1.0 + np.abs(self.profiles.slope).max(axis=1))

    def at_least(self, g: Array, which: Index) -> Array:
        """A bound (N,) on the measure that is had from g alone.

        Args:
            g: (N,) horizontal distances, mm.   which: (N,) rows of the table of profiles.
        """
        return np.asarray(g - self.profiles.widest_r[which])

    def __call__(self, g: Array, z: Array, which: Index) -> Array:
        table = self.profiles
        z0, z2 = table.z[which, 0], table.z[which, 2]
        gap = np.maximum(np.maximum(z0 - z, z - z2), 0.0)
        return np.where(gap > 0.0, NOWHERE + gap, np.maximum(g - table.radius(z, which), 0.0))


@record
class HeightMeasure:
    """Vertical distance where (g, z) is over or under the profile, which is grown by the side margin."""

    profiles: Profiles

    @property
    def steepness(self) -> Array:
        slope = np.abs(self.profiles.slope)
        return np.asarray(
            1.0 + np.divide(1.0, slope, out=np.zeros_like(slope), where=slope > 0.0).max(axis=1)
        )

    def at_least(self, g: Array, which: Index) -> Array:
        """A bound (N,) on the measure that is had from g alone.

        Args:
            g: (N,) horizontal distances, mm.   which: (N,) rows of the table of profiles.
        """
        beside = g - self.profiles.widest_r[which]
        return np.where(beside > 0.0, NOWHERE + beside, 0.0)

    def __call__(self, g: Array, z: Array, which: Index) -> Array:
        table = self.profiles
        low, high = table.z[which, 0].copy(), table.z[which, 2].copy()
        for k in (0, 1):
            slope = table.slope[which, k]
            reach = np.divide(g - table.r[which, k], slope, out=np.zeros_like(g), where=slope != 0.0)
            edge = table.z[which, k] + reach
            np.maximum(low, np.where(slope > 0.0, edge, -np.inf), out=low)
            np.minimum(high, np.where(slope < 0.0, edge, np.inf), out=high)
        beside = g - table.widest_r[which]
        gap = np.maximum(np.maximum(low - z, z - high), 0.0)
        return np.asarray(np.where(beside > 0.0, NOWHERE + beside, gap))


SingleMeasure = ClearanceMeasure | SideMeasure | HeightMeasure


@record
class Together:
    """Several measures asked at once: rows of one table after the other's, each measured in its own way.

    Attributes:
        profiles: all their pieces.   parts: the measures, each with its own table.
    """

    profiles: Profiles
    parts: tuple[SingleMeasure, ...]

    @property
    def steepness(self) -> Array:
        return np.concatenate([part.steepness for part in self.parts])

    def at_least(self, g: Array, which: Index) -> Array:
        """A bound (N,) on each row's own measure that is had from g alone.

        Args:
            g: (N,) horizontal distances, mm.   which: (N,) rows of the table of profiles.
        """
        return self._each(which, lambda part, rows, row: part.at_least(g[rows], row))

    def __call__(self, g: Array, z: Array, which: Index) -> Array:
        return self._each(which, lambda part, rows, row: part(g[rows], z[rows], row))

    def _each(self, which: Index, ask: Callable[[Any, Index, Index], Array]) -> Array:
        out = np.empty(len(which))
        first = 0
        for part in self.parts:
            end = first + len(part.profiles.z)
            rows = np.flatnonzero((which >= first) & (which < end))
            if len(rows):
                out[rows] = ask(part, rows, which[rows] - first)
            first = end
        return out


Measure = SingleMeasure | Together


@record
class Strips:
    """Halves of triangles: slice t in [0, 1] runs from a0 + t (a1 - a0) to b0 + t (b1 - b0), z alike."""

    a0: Array
    a1: Array
    b0: Array
    b1: Array
    z0: Array
    z1: Array


def strips_of(triangles: Array) -> tuple[Strips, NDArray[np.intp]]:
    """The strips (S) of triangles (N, 3, 3), and of which triangle each one is (S,)."""
    order = np.argsort(triangles[:, :, 2], axis=1)
    v = np.take_along_axis(triangles, order[:, :, None], axis=1)
    low, mid, high = v[:, 0], v[:, 1], v[:, 2]
    rise = high[:, 2] - low[:, 2]
    share = np.divide(mid[:, 2] - low[:, 2], rise, out=np.zeros(len(v)), where=rise > 0.0)
    across = low + share[:, None] * (high - low)
    # where two corners share a height one of the halves is an edge of the other
    lower = np.flatnonzero(mid[:, 2] > low[:, 2])
    upper = np.flatnonzero((high[:, 2] > mid[:, 2]) | (rise == 0.0))
    owner = np.concatenate([lower, upper])
    a0 = np.concatenate([low[lower], mid[upper]])
    a1 = np.concatenate([mid[lower], high[upper]])
    b0 = np.concatenate([low[lower], across[upper]])
    b1 = np.concatenate([across[lower], high[upper]])
    strips = Strips(a0[:, :2], a1[:, :2], b0[:, :2], b1[:, :2], a0[:, 2], a1[:, 2])
    return strips, owner


def outline(
    a: Array, b: Array, p: Array, q: Array, rect: Array, boxed: NDArray[np.bool_], row: Index
) -> Array:
    """Distance (n,) from segments a-b to what a rectangle, or a point, of a table covers along p-q.

    Args:
        a, b, p, q: (n, 2) ends, mm, in plan.   rect: (R, 2) half lengths in X and Y of each row's
            rectangle, mm.
        boxed: (R,) whether a row has a rectangle; else it is a point.   row: (n,) of the table.
    """
    some = boxed[row]
    j = np.flatnonzero(some)
    if not len(j):
        return segment_segment(a, b, p, q)
    g = np.empty(len(a))
    i = np.flatnonzero(~some)
    if len(i):
        g[i] = segment_segment(a[i], b[i], p[i], q[i])
    g[j] = segment_swept_rectangle(a[j], b[j], p[j], q[j], rect[row[j]])
    return g


def in_strip(x: Array, a0: Array, a1: Array, b0: Array, b1: Array) -> NDArray[np.bool_]:
    """Whether points (N, 2) lie in the quadrangles a0 a1 b1 b0; a quadrangle of no width holds none.

    The corners must be the triangle's own: an end that comes to a point must do so to the last digit, since a
    side of no length says nothing about where it points.

    Args:
        x: points, mm, in plan.   a0, a1, b0, b1: (N, 2) corners.
    """

    def side(c: Array, d: Array) -> Array:
        e, f = d - c, x - c
        return np.asarray(e[:, 0] * f[:, 1] - e[:, 1] * f[:, 0])

    sides = [side(a0, a1), side(a1, b1), side(b1, b0), side(b0, a0)]
    left = np.minimum.reduce(sides) >= 0.0
    right = np.maximum.reduce(sides) <= 0.0
    flat = np.maximum.reduce([np.abs(s) for s in sides]) == 0.0
    return np.asarray((left | right) & ~flat)


def triangle_box(triangles: Array, low: Array, high: Array) -> Array:
    """How far apart (N,) triangles and boxes are, seen in plan along the triangles' sides (separating axes).

    Args:
        triangles: (N, 3, 3), mm.   low, high: (N, 2) corners of the boxes.
    """
    middle, half = (low + high) / 2.0, (high - low) / 2.0
    apart = np.zeros(len(triangles))
    for k in range(3):
        a, b, c = (triangles[:, (k + i) % 3, :2] for i in range(3))
        nx, ny = a[:, 1] - b[:, 1], b[:, 0] - a[:, 0]
        length = np.hypot(nx, ny)
        at_side = nx * (middle[:, 0] - a[:, 0]) + ny * (middle[:, 1] - a[:, 1])
        at_corner = nx * (c[:, 0] - a[:, 0]) + ny * (c[:, 1] - a[:, 1])
        room = np.abs(nx) * half[:, 0] + np.abs(ny) * half[:, 1]
        gap = np.maximum(at_side - np.maximum(at_corner, 0.0), np.minimum(at_corner, 0.0) - at_side) - room
        np.maximum(apart, np.divide(gap, length, out=np.zeros_like(gap), where=length > 0.0), out=apart)
    return apart
