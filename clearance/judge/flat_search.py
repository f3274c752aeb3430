"""Exact places in the flat view: pairs of triangle and chord go in, the smallest measure of each comes out.

A triangle is cut at its middle height into two strips. Within a strip the horizontal slice is a segment
whose ends move in straight lines, and all slices are parallel; so its distance g to a convex outline is a
convex function of how far the slice has moved, and every measure has one valley. Golden section finds it;
what is returned has the search's own width already taken off, so it is never above the truth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.flat import segment_segment, segment_swept_rectangle
from clearance.judge.flat_fields import NOWHERE, SEARCH_WIDTH, Measure, Profiles

Array = NDArray[np.float64]
Index = NDArray[np.intp]

_GOLDEN = (np.sqrt(5.0) - 1.0) / 2.0
#: pairs worked on at a time: the arrays of one search stay in the processor's cache
CHUNK = 4096
#: steps between two looks at which pairs can still matter
_STRIDE = 6
#: brackets are not narrowed below this share of a strip: doubles end here
_FINEST = 1e-14


@dataclass(frozen=True)
class Chords:
    """Straight pieces of the path (n): ends (n, 2) mm; the true path lies within ``slack`` (n,) of them."""

    p: Array
    q: Array
    slack: Array
    move: Index


@dataclass(frozen=True)
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


def outline_distance(
    a: Array, b: Array, chords: Chords, which: Index, profiles: Profiles, piece: Index
) -> Array:
    """Distance (N,) from segments a-b to what the piece's rectangle covers along each chord, less its slack."""
    p, q = chords.p[which], chords.q[which]
    boxed = profiles.boxed[piece]
    if not boxed.any():
        g = segment_segment(a, b, p, q)
    else:
        g = np.empty(len(a))
        i, j = np.flatnonzero(~boxed), np.flatnonzero(boxed)
        g[i] = segment_segment(a[i], b[i], p[i], q[i])
        g[j] = segment_swept_rectangle(a[j], b[j], p[j], q[j], profiles.rect[piece[j]])
    return np.maximum(g - chords.slack[which], 0.0)


@dataclass
class _Problems:
    """The searches of one chunk, compressed as they are decided."""

    strips: Strips
    strip: Index
    chords: Chords
    chord: Index
    piece: Index
    measure: Measure

    def at(self, rows: Index, t: Array) -> Array:
        s, strips = self.strip[rows], self.strips
        t2 = t[:, None]
        a = strips.a0[s] + t2 * (strips.a1[s] - strips.a0[s])
        b = strips.b0[s] + t2 * (strips.b1[s] - strips.b0[s])
        z = strips.z0[s] + t * (strips.z1[s] - strips.z0[s])
        piece = self.piece[rows]
        g = outline_distance(a, b, self.chords, self.chord[rows], self.measure.profiles, piece)
        return self.measure(g, z, piece)


def search(
    strips: Strips,
    strip: Index,
    chords: Chords,
    chord: Index,
    piece: Index,
    measure: Measure,
    enough: Array,
    low: Array,
) -> tuple[Array, Array]:
    """The smallest measure (N,) of each strip against each chord and piece, and the slice t (N,) it is at.

    Args:
        enough: (N,) a search that cannot get below this may stop early; it then returns a value that is not
            below ``enough`` (and not to be used for anything else).
        low: (N,) a bound that is known already; a search that meets it is done.

    A returned value is below the true one by at most 2 * ``SEARCH_WIDTH``, and never above it.
    """
    n = len(strip)
    problems = _Problems(strips, strip, chords, chord, piece, measure)
    speed = np.maximum(
        np.hypot(*(strips.a1[strip] - strips.a0[strip]).T), np.hypot(*(strips.b1[strip] - strips.b0[strip]).T)
    ) + np.abs(strips.z1[strip] - strips.z0[strip])
    speed *= measure.steepness[piece]
    rows = np.arange(n)
    first, last = np.zeros(n), np.ones(n)
    best = problems.at(rows, first)
    where = np.zeros(n)
    end = problems.at(rows, last)
    where[end < best] = 1.0
    best = np.minimum(best, end)

    left, right = last - _GOLDEN, first + _GOLDEN
    f_left, f_right = problems.at(rows, left), problems.at(rows, right)
    while True:
        for value, t in ((f_left, left), (f_right, right)):
            better = value < best[rows]
            best[rows[better]] = value[better]
            where[rows[better]] = t[better]
        width = (last - first) * speed[rows]
        floor = best[rows] - width
        open_ = (width > SEARCH_WIDTH) & (last - first > _FINEST) & (best[rows] > 0.0)
        open_ &= (floor < enough[rows]) | (best[rows] >= NOWHERE)
        open_ &= best[rows] > low[rows]
        if not open_.any():
            break
        if not open_.all():
            rows, first, last = rows[open_], first[open_], last[open_]
            left, right, f_left, f_right = left[open_], right[open_], f_left[open_], f_right[open_]
        for _ in range(_STRIDE):
            go_left = f_left <= f_right
            last = np.where(go_left, right, last)
            first = np.where(go_left, first, left)
            new = np.where(go_left, last - _GOLDEN * (last - first), first + _GOLDEN * (last - first))
            f_new = problems.at(rows, new)
            left, right = np.where(go_left, new, right), np.where(go_left, left, new)
            f_left, f_right = np.where(go_left, f_new, f_right), np.where(go_left, f_left, f_new)
            better = f_new < best[rows]
            best[rows[better]] = f_new[better]
            where[rows[better]] = new[better]
    return np.maximum(np.maximum(best - SEARCH_WIDTH, low), 0.0), where
