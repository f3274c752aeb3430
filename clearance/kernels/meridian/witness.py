"""Witness points: where the smallest measures were found goes in; the points on head and item come out.

A pair of triangle and chord is searched once more for the slice of the triangle that is nearest; on that
segment, and on what the piece's rectangle sweeps along the chord, the two nearest points; from there outward
to the piece's own round.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.kernels.meridian.chords import Chords
from clearance.kernels.meridian.profile import Measure, Profiles
from clearance.kernels.meridian.search import search
from clearance.kernels.meridian.strips import strips_of
from clearance.scene.heads import Piece
from clearance.tolerances import DEFAULT

Array = NDArray[np.float64]
Index = NDArray[np.integer[Any]]


@dataclass(frozen=True)
class Witness:
    """Where a measure was found: the move (0-based), and points in the machine frame (3,)."""

    move: int
    head_at: Array
    on_head: Array
    on_item: Array


def witnesses(
    triangles: Array,
    chords: Chords,
    row: Index,
    measure: Measure,
    pieces: Sequence[Piece],
    face_z: Array,
) -> list[Witness]:
    """The points of each of n pairs.

    Args:
        triangles: (n, 3, 3).   chords: (n) of them.   row: (n,) of the measure's profiles.
        pieces: (n,) ungrown.   face_z: (n,) machine Z of the head's face.
    """
    n = len(triangles)
    if not n:
        return []
    strips, owner = strips_of(triangles)
    many = len(owner)
    value, at = search(
        strips, chords, owner, row[owner], measure, np.full(many, np.inf), np.zeros(many), want_slice=True
    )
    order = np.lexsort((value, owner))
    i = order[np.r_[True, np.diff(owner[order]) > 0]]
    t = at[i]
    a = strips.a0[i] + t[:, None] * (strips.a1[i] - strips.a0[i])
    b = strips.b0[i] + t[:, None] * (strips.b1[i] - strips.b0[i])
    z = strips.z0[i] + t * (strips.z1[i] - strips.z0[i])
    table = Profiles(pieces)
    item, wire = np.empty((n, 2)), np.empty((n, 2))
    for some in (table.boxed, ~table.boxed):
        k = np.flatnonzero(some)
        if len(k):
            item[k], wire[k] = nearest_points(a[k], b[k], chords.p[k], chords.q[k], table.rect[k])
    on_head = _on_piece(item, z, wire, table, pieces)
    return [
        Witness(
            int(chords.move[k]),
            np.r_[wire[k], face_z[k]],
            on_head[k],
            np.array([item[k, 0], item[k, 1], z[k]]),
        )
        for k in range(n)
    ]


def nearest_points(
    a: Array, b: Array, p: Array, q: Array, rect: Array, rim: float = DEFAULT.meridian.rim
) -> tuple[Array, Array]:
    """The points (n, 2) of segments a-b, and the wire's places on p-q, at which the rectangles about it are
    nearest.

    What a rectangle sweeps is convex, and its sides run between corners that it has at p and at q: all
    segments between these are tried, for those that are no sides lie within.

    Args:
        rect: (n, 4) x0, x1, y0, y1; all of them boxes, or all of them points.
        rim: what rounding may do to a point on the rim of what a rectangle sweeps, mm.
    """
    low, high = rect[:, 0::2], rect[:, 1::2]
    picks = [(i, j) for i in (0, 1) for j in (2, 3)] if rect.any() else [(0, 2)]
    corners = np.stack([rect[:, list(pick)] for pick in picks], axis=1)
    ends = np.concatenate([p[:, None] + corners, q[:, None] + corners], axis=1)
    first, last = np.triu_indices(ends.shape[1], 1)
    c, d = ends[:, first], ends[:, last]
    a_, b_ = a[:, None], b[:, None]
    both = np.stack([a, b], axis=1)
    inside = np.stack([_within(x, p, q, low, high) for x in (a, b)], axis=1)
    crossing, crosses = _crossing(a_, b_, c, d)
    full = np.ones(c.shape[:2], dtype=bool)
    from_ends = _onto(ends, a_, b_)
    item = np.concatenate(
        [both, crossing, np.broadcast_to(a_, c.shape), np.broadcast_to(b_, c.shape), from_ends], axis=1
    )
    swept = np.concatenate([both, crossing, _onto(a_, c, d), _onto(b_, c, d), ends], axis=1)
    there = np.concatenate([inside, crosses, full, full, np.ones(ends.shape[:2], dtype=bool)], axis=1)
    off = item - swept
    gap = np.where(there, np.hypot(off[..., 0], off[..., 1]), np.inf)
    rows = np.arange(len(a))
    k = np.argmin(gap, axis=1)
    begin, end = _share(swept[rows, k], p, q, low - rim, high + rim)
    share = np.minimum(np.maximum((begin + end) / 2.0, 0.0), 1.0)
    return item[rows, k], p + share[:, None] * (q - p)


def _share(x: Array, p: Array, q: Array, low: Array, high: Array) -> tuple[Array, Array]:
    """Between which shares (n,) of the way p-q the rectangle low-high about it holds x (n, 2); not at all
    where the first is the larger."""
    begin, end = np.zeros(len(x)), np.ones(len(x))
    never = np.zeros(len(x), dtype=bool)
    for axis in (0, 1):
        at, way = x[:, axis] - p[:, axis], q[:, axis] - p[:, axis]
        goes = way != 0.0
        safe = np.where(goes, way, 1.0)
        one, other = (at - low[:, axis]) / safe, (at - high[:, axis]) / safe
        begin = np.where(goes, np.maximum(begin, np.minimum(one, other)), begin)
        end = np.where(goes, np.minimum(end, np.maximum(one, other)), end)
        never |= ~goes & ~((low[:, axis] <= at) & (at <= high[:, axis]))
    return np.where(never, 1.0, begin), np.where(never, 0.0, end)


def _within(x: Array, p: Array, q: Array, low: Array, high: Array) -> NDArray[np.bool_]:
    begin, end = _share(x, p, q, low, high)
    return begin <= end


def _onto(x: Array, c: Array, d: Array) -> Array:
    """The points (n, m, 2) of segments c-d that are nearest to x."""
    way = d - c
    length2 = (way * way).sum(axis=-1)
    share = np.clip(((x - c) * way).sum(axis=-1) / np.where(length2 > 0.0, length2, 1.0), 0.0, 1.0)
    return np.asarray(c + share[..., None] * way)


def _crossing(a: Array, b: Array, c: Array, d: Array) -> tuple[Array, NDArray[np.bool_]]:
    """Where segments a-b (n, 1, 2) cross segments c-d (n, m, 2), and whether they do (n, m)."""
    along, way = b - a, d - c
    det = along[..., 0] * way[..., 1] - along[..., 1] * way[..., 0]
    off, safe = c - a, np.where(det != 0.0, det, 1.0)
    t = (off[..., 0] * way[..., 1] - off[..., 1] * way[..., 0]) / safe
    s = (off[..., 0] * along[..., 1] - off[..., 1] * along[..., 0]) / safe
    cross = (det != 0.0) & (t >= 0.0) & (t <= 1.0) & (s >= 0.0) & (s <= 1.0)
    return a + t[..., None] * along, cross


def _on_piece(item: Array, z: Array, wire: Array, table: Profiles, pieces: Sequence[Piece]) -> Array:
    """The points (n, 3) of pieces, standing with the wire at ``wire``, that are nearest to (item, z)."""
    low, high = table.rect[:, 0::2], table.rect[:, 1::2]
    offset = item - wire
    on_rect = np.minimum(np.maximum(offset, low), high)
    outward = offset - on_rect
    g = np.hypot(outward[:, 0], outward[:, 1])
    direction = np.where((g > 0.0)[:, None], outward / np.where(g > 0.0, g, 1.0)[:, None], 0.0)
    radius = np.array([np.interp(at, piece.z, piece.r) for at, piece in zip(z, pieces, strict=True)])
    bottom, top = table.z[:, 0], table.z[:, 2]
    inside = (bottom <= z) & (z <= top) & (g <= radius)
    best, best_r, best_z = np.where(inside, 0.0, np.inf), g.copy(), z.copy()
    zero = np.zeros(len(z))
    rs = [zero, *table.r.T, zero]
    zs = [bottom, *table.z.T, top]
    padded = np.array([len(piece.z) < 3 for piece in pieces])
    for k in range(4):
        dr, dz = rs[k + 1] - rs[k], zs[k + 1] - zs[k]
        length2 = dr * dr + dz * dz
        along = (g - rs[k]) * dr + (z - zs[k]) * dz
        t = np.where(length2 > 0.0, along / np.where(length2 > 0.0, length2, 1.0), 0.0)
        t = np.minimum(np.maximum(t, 0.0), 1.0)
        r, height = rs[k] + t * dr, zs[k] + t * dz
        gap = np.hypot(g - r, z - height)
        better = gap < best
        if k == 2:
            # a piece of two corners has its last one twice
            better &= ~padded
        best, best_r = np.where(better, gap, best), np.where(better, r, best_r)
        best_z = np.where(better, height, best_z)
    return np.column_stack([wire + on_rect + direction * best_r[:, None], best_z])
