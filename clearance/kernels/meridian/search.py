"""The leaf test of the search, and witness points.

Leaf test (``search``): pairs of strip and chord go in, the smallest measure of each comes out. Along a strip
the distance g to a convex outline is a convex function of how far the slice has moved, and every measure has
one valley. Golden section search finds it (Kiefer, Sequential minimax search for a maximum, Proc. AMS 4
(1953), from memory); what is returned has the search's own width already taken off, so it is never above the
truth.

Witness points: where the smallest measures were found goes in, the points on head and item come out. A pair
of triangle and chord is searched once more for the slice of the triangle that is nearest; on that segment,
and on what the piece's rectangle sweeps along the chord, the two nearest points; from there outward to the
piece's own round.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.kernels.meridian.chords import Chords
from clearance.kernels.meridian.profile import (
    NOWHERE,
    Measure,
    Profiles,
    Strips,
    in_strip,
    outline,
    strips_of,
)
from clearance.records import changing, record
from clearance.scene.heads import HeadPiece
from clearance.tolerances import DEFAULT, MeridianTolerances

Array = NDArray[np.float64]
Index = NDArray[np.integer[Any]]


@record
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
    pieces: Sequence[HeadPiece],
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
    head_at, on_item = np.column_stack([wire, face_z]), np.column_stack([item, z])
    return [
        Witness(move, *places)
        for move, *places in zip(chords.move.tolist(), head_at, on_head, on_item, strict=True)
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


def _on_piece(item: Array, z: Array, wire: Array, table: Profiles, pieces: Sequence[HeadPiece]) -> Array:
    """The points (n, 3) of pieces, standing with the wire at ``wire``, that are nearest to (item, z)."""
    low, high = table.rect[:, 0::2], table.rect[:, 1::2]
    offset = item - wire
    on_rect = np.minimum(np.maximum(offset, low), high)
    outward = offset - on_rect
    g = np.hypot(outward[:, 0], outward[:, 1])
    direction = np.where((g > 0.0)[:, None], outward / np.where(g > 0.0, g, 1.0)[:, None], 0.0)
    radius = np.empty(len(z))
    rows: dict[int, list[int]] = {}
    for k, piece in enumerate(pieces):
        rows.setdefault(id(piece), []).append(k)
    for same in rows.values():
        radius[same] = np.interp(z[same], pieces[same[0]].z, pieces[same[0]].r)
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


_GOLDEN = (np.sqrt(5.0) - 1.0) / 2.0
#: pairs worked on at a time: the arrays of one search stay in the processor's cache
CHUNK = 4096
#: steps between two looks at which pairs can still matter
_STRIDE = 3
#: no more searches than this are cut into so many sections at once
_FEW, _SECTIONS = 150, 16
#: slices looked at for a quick value
_LOOKS = (0.0, 0.05, 0.2, 0.5, 0.8, 0.95, 1.0)


@changing
class _Open:
    """Searches that are not decided: everything they need, gathered once and narrowed as they are decided."""

    row: Index
    a0: Array
    a1: Array
    b0: Array
    b1: Array
    z: Array
    dz: Array
    p: Array
    q: Array
    slack: Array
    piece: Index
    speed: Array

    @classmethod
    def of(cls, strips: Strips, chords: Chords, chord: Index, piece: Index, measure: Measure) -> _Open:
        s = strips
        da, db, dz = s.a1 - s.a0, s.b1 - s.b0, s.z1 - s.z0
        speed = (np.maximum(np.hypot(*da.T), np.hypot(*db.T)) + np.abs(dz)) * measure.steepness[piece]
        p, q, slack = chords.p[chord], chords.q[chord], chords.slack[chord]
        return cls(np.arange(len(piece)), s.a0, s.a1, s.b0, s.b1, s.z0, dz, p, q, slack, piece, speed)

    def take(self, keep: NDArray[Any]) -> _Open:
        return _Open(*(getattr(self, name)[keep] for name in _OPEN))

    def at(self, t: Array, measure: Measure) -> Array:
        """The measure at slices t (n,)."""
        t2 = t[:, None]
        a, b = self.a0 + t2 * (self.a1 - self.a0), self.b0 + t2 * (self.b1 - self.b0)
        g = outline(a, b, self.p, self.q, measure.profiles.rect, measure.profiles.boxed, self.piece)
        return measure(np.maximum(g - self.slack, 0.0), self.z + t * self.dz, self.piece)

    def each(self, t: Array, measure: Measure) -> Array:
        """The same at several slices t (k, n) of each: (k, n)."""
        many, n = t.shape
        return self.take(np.tile(np.arange(n), many)).at(t.ravel(), measure).reshape(many, n)

    def level(self, measure: Measure) -> Array:
        """The slice t (n,) at the height at which the measure is smallest for a given g."""
        low, high = np.minimum(self.z, self.z + self.dz), np.maximum(self.z, self.z + self.dz)
        rise = measure.profiles.nearest_height(low, high, self.piece) - self.z
        t = np.divide(rise, self.dz, out=np.zeros_like(rise), where=self.dz != 0.0)
        return np.asarray(np.minimum(np.maximum(t, 0.0), 1.0))

    def bound(self, measure: Measure) -> Array:
        """What no slice can be below: the smallest g of the whole strip, at the best of its heights.

        Where the strip is level this is the answer.
        """
        profiles = measure.profiles
        x = np.concatenate([self.a0, self.a1, self.a0, self.b0])
        y = np.concatenate([self.b0, self.b1, self.a1, self.b1])
        p, q = np.tile(self.p, (4, 1)), np.tile(self.q, (4, 1))
        g = (
            outline(x, y, p, q, profiles.rect, profiles.boxed, np.tile(self.piece, 4))
            .reshape(4, -1)
            .min(axis=0)
        )
        start = self.p + profiles.rect[self.piece][:, 0::2]
        g[in_strip(start, self.a0, self.a1, self.b0, self.b1)] = 0.0
        low, high = np.minimum(self.z, self.z + self.dz), np.maximum(self.z, self.z + self.dz)
        best = profiles.nearest_height(low, high, self.piece)
        return measure(np.maximum(g - self.slack, 0.0), best, self.piece)


_OPEN = tuple(f.name for f in fields(_Open))


def search(
    strips: Strips,
    chords: Chords,
    chord: Index,
    piece: Index,
    measure: Measure,
    enough: Array,
    low: Array,
    want_slice: bool = False,
    tolerances: MeridianTolerances = DEFAULT.meridian,
    hurried: bool = False,
) -> tuple[Array, Array]:
    """The smallest measure (N,) of each strip against its chord and piece, and the slice t (N,) it is at.

    Args:
        strips: N of them.   chord, piece: (N,) what each is held against.
        enough: (N,) a search that cannot get below this may stop early; it then returns a value that is not
            below ``enough`` (and not to be used for anything else).
        low: (N,) a bound that is known already; a search that meets it is done.
        want_slice: t is wanted; without it, what is decided by bounds alone is not searched.
        tolerances: the search ends within ``search_width`` of the lowest place, and it is taken off.
        hurried: of few searches many slices are looked at in one call. It saves half the time of a drag, and
            a figure's last digits then depend on how many others were searched for with it.

    A returned value is below the true one by at most 2 * ``search_width``, and never above it.
    """
    width = tolerances.search_width
    todo = _Open.of(strips, chords, chord, piece, measure)
    floor = np.maximum(low, todo.bound(measure))
    best, where = np.full(len(piece), np.inf), np.zeros(len(piece))
    if not want_slice:
        known = (todo.dz == 0.0) | (floor >= enough)
        best[known] = floor[known]
        todo = todo.take(~known)
    valley = _Valley.opened(todo, measure)
    while len(valley.todo.row):
        row = valley.todo.row
        value, t = valley.lowest()
        _keep_better(best, where, row, value, t)
        floor[row] = np.maximum(floor[row], np.minimum(valley.floor() - tolerances.rounding, best[row]))
        open_ = (best[row] > floor[row] + width) & (valley.x[4] - valley.x[1] > tolerances.finest)
        open_ &= (floor[row] < enough[row]) | (best[row] >= NOWHERE)
        if not open_.all():
            valley = valley.take(open_)
        if hurried and len(valley.todo.row) <= _FEW:
            valley.cut(measure)
        else:
            for _ in range(_STRIDE):
                valley.narrow(measure)
    return np.maximum(best - width, floor), where


@changing
class _Valley:
    """A bracket about the lowest place of each search: golden section, or many sections at once where few
    searches are left, with a floor from convexity.

    Slices x (k, n) with values f (k, n): the bracket runs from x[1] to x[-2] with one or two inside, and
    x[0], x[-1] are the slices next outside (or the ends again). Between two slices a convex function stays
    above the lines through its neighbours; where their crossing meets what is had, the search is over.
    """

    todo: _Open
    x: Array
    f: Array

    @classmethod
    def opened(cls, todo: _Open, measure: Measure) -> _Valley:
        n = len(todo.row)
        x = np.stack([np.full(n, v) for v in (0.0, 0.0, 1.0 - _GOLDEN, _GOLDEN, 1.0, 1.0)])
        f = np.empty_like(x)
        f[1:5] = todo.each(x[1:5], measure)
        f[0], f[5] = f[1], f[4]
        return cls(todo, x, f)

    def take(self, keep: NDArray[np.bool_]) -> _Valley:
        return _Valley(self.todo.take(keep), self.x[:, keep], self.f[:, keep])

    def narrow(self, measure: Measure) -> None:
        """One step of golden section."""
        x, f = self.x, self.f
        left = f[2] <= f[3]
        step = np.where(left, x[3] - x[1], x[4] - x[2]) * _GOLDEN
        new = np.where(left, x[3] - step, x[2] + step)
        f_new = self.todo.at(new, measure)
        for v, v_new in ((x, new), (f, f_new)):
            to_left = (v[0], v[1], v_new, v[2], v[3], v[4])
            to_right = (v[1], v[2], v[3], v_new, v[4], v[5])
            v[:] = [np.where(left, a, b) for a, b in zip(to_left, to_right, strict=True)]

    def cut(self, measure: Measure) -> None:
        """Many sections at once: for few searches numpy's cost of a call is more than that of the slices."""
        x, f = self.x, self.f
        share = np.arange(1, _SECTIONS)[:, None] / _SECTIONS
        within = x[1] + share * (x[-2] - x[1])
        inside = self.todo.each(within, measure)
        every_x, every_f = (np.concatenate([v[:2], new, v[-2:]]) for v, new in ((x, within), (f, inside)))
        lowest = np.argmin(every_f[1:-1], axis=0) + 1
        first, last = np.maximum(lowest - 1, 1), np.minimum(lowest + 1, _SECTIONS + 1)
        rows = np.stack([first - 1, first, lowest, last, last + 1])
        self.x, self.f = (np.take_along_axis(v, rows, axis=0) for v in (every_x, every_f))

    def lowest(self) -> tuple[Array, Array]:
        """The smallest value had in the bracket, and its slice."""
        x, f = self.x[1:-1], self.f[1:-1]
        at = np.argmin(f, axis=0)[None]
        return np.take_along_axis(f, at, 0)[0], np.take_along_axis(x, at, 0)[0]

    def floor(self) -> Array:
        """What the measure cannot be below in the bracket, save for rounding, by convexity and by how fast it
        can change.

        Outside where it exists a measure says nothing: such a slice gives no line.
        """
        x, f, fastest = self.x, self.f, self.todo.speed
        there = f < NOWHERE
        run = np.diff(x, axis=0)
        slope = np.divide(np.diff(f, axis=0), run, out=np.zeros_like(run), where=run > 0.0)
        known = (run > 0.0) & there[:-1] & there[1:]
        # from the left neighbour's side and from the right one's, across [x[k], x[k + 1]]
        down = np.where(known[:-2], np.maximum(slope[:-2], -fastest), -fastest)
        up = np.where(known[2:], np.minimum(slope[2:], fastest), fastest)
        a, b, width = f[1:-2], f[2:-1], run[1:-1]
        from_left = a + np.minimum(down, 0.0) * width
        from_right = b - np.maximum(up, 0.0) * width
        crossed = (down < 0.0) & (up > 0.0)
        t = np.divide(b - a - up * width, down - up, out=np.zeros_like(a), where=crossed)
        both = np.where(crossed, a + down * np.clip(t, 0.0, width), np.where(down >= 0.0, a, b))
        left, right = there[1:-2], there[2:-1]
        value = np.where(left, np.where(right, both, from_left), from_right)
        return np.asarray(np.where(left | right, value, -np.inf).min(axis=0))


def quick(strips: Strips, chords: Chords, chord: Index, piece: Index, measure: Measure) -> Array:
    """A value (N,) that is there: the exact one of a level strip, else the smallest of some slices.

    Args:
        strips: (N,) of triangles.   chords: of all paths.   chord, piece: (N,) which of them, and row of
            profiles.
        measure: clearance, side or height.
    """
    todo = _Open.of(strips, chords, chord, piece, measure)
    value = todo.bound(measure)
    steep = strips.z1 != strips.z0
    value[steep] = np.inf
    todo = todo.take(steep)
    n, looks = len(todo.row), len(_LOOKS) + 1
    if n:
        t = np.concatenate([np.repeat(_LOOKS, n), todo.level(measure)]).reshape(looks, n)
        value[todo.row] = todo.each(t, measure).min(axis=0)
    return value


def _keep_better(best: Array, where: Array, row: Index, value: Array, t: Array) -> None:
    better = value < best[row]
    best[row[better]] = value[better]
    where[row[better]] = t[better]


@changing
class Nearest:
    """For each key: the smallest measure, and the triangle, chord and row it was found at (-1: none)."""

    value: Array
    triangle: Index
    chord: Index
    row: Index

    def improve(self, key: Index, value: Array, triangle: Index, chord: Index, row: Index) -> None:
        """Take each value that is smaller than what its key has.

        Args:
            key, value: (n,) keys, and what was found for each, mm.
            triangle, chord, row: (n,) where it was found: of the trees, and of the table of profiles.
        """
        better = np.flatnonzero(value < self.value[key])
        if not len(better):
            return
        better = better[np.lexsort((value[better], key[better]))]
        first = better[np.r_[True, key[better][1:] != key[better][:-1]]]
        at = key[first]
        self.value[at], self.triangle[at] = value[first], triangle[first]
        self.chord[at], self.row[at] = chord[first], row[first]

    def with_rows_from(self, first: int) -> Nearest:
        """The same by rows of a part of the table: of what begins at ``first``."""
        return replace(self, row=np.where(self.row >= 0, self.row - first, self.row))
