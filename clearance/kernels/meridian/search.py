"""Leaf test: pairs of strip and chord go in, the smallest measure of each comes out.

Along a strip the distance g to a convex outline is a convex function of how far the slice has moved, and
every measure has one valley. Golden section search finds it (Kiefer, Sequential minimax search for a
maximum, Proc. AMS 4 (1953), from memory); what is returned has the search's own width already taken off, so
it is never above the truth.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.kernels.meridian.chords import Chords
from clearance.kernels.meridian.profile import NOWHERE, Measure
from clearance.kernels.meridian.strips import Strips, in_strip, outline
from clearance.tolerances import DEFAULT, MeridianTolerances

Array = NDArray[np.float64]
Index = NDArray[np.integer[Any]]

_GOLDEN = (np.sqrt(5.0) - 1.0) / 2.0
#: pairs worked on at a time: the arrays of one search stay in the processor's cache
CHUNK = 4096
#: steps between two looks at which pairs can still matter
_STRIDE = 3
#: slices looked at for a quick value
_LOOKS = (0.0, 0.05, 0.2, 0.5, 0.8, 0.95, 1.0)


@dataclass
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

    def take(self, keep: NDArray[np.bool_]) -> _Open:
        return _Open(*(getattr(self, name)[keep] for name in _OPEN))

    def at(self, t: Array, measure: Measure) -> Array:
        """The measure at slices t (n,)."""
        t2 = t[:, None]
        a, b = self.a0 + t2 * (self.a1 - self.a0), self.b0 + t2 * (self.b1 - self.b0)
        g = outline(a, b, self.p, self.q, measure.profiles.rect, measure.profiles.boxed, self.piece)
        return measure(np.maximum(g - self.slack, 0.0), self.z + t * self.dz, self.piece)

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
) -> tuple[Array, Array]:
    """The smallest measure (N,) of each strip against its chord and piece, and the slice t (N,) it is at.

    Args:
        strips: N of them.   chord, piece: (N,) what each is held against.
        enough: (N,) a search that cannot get below this may stop early; it then returns a value that is not
            below ``enough`` (and not to be used for anything else).
        low: (N,) a bound that is known already; a search that meets it is done.
        want_slice: t is wanted; without it, what is decided by bounds alone is not searched.
        tolerances: the search ends within ``search_width`` of the lowest place, and it is taken off.

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
        for _ in range(_STRIDE):
            valley.narrow(measure)
    return np.maximum(best - width, floor), where


@dataclass
class _Valley:
    """A bracket about the lowest place of each search: golden section, with a floor from convexity.

    Six slices x (6, n) with values f (6, n): the bracket runs from x[1] to x[4] with x[2], x[3] inside, and
    x[0], x[5] are the slices next outside (or the ends again). Between two slices a convex function stays
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
        for k in (1, 2, 3, 4):
            f[k] = todo.at(x[k], measure)
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

    def lowest(self) -> tuple[Array, Array]:
        """The smallest value had in the bracket, and its slice."""
        at = np.argmin(self.f[1:5], axis=0)[None]
        return np.take_along_axis(self.f[1:5], at, 0)[0], np.take_along_axis(self.x[1:5], at, 0)[0]

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
        worst = np.full_like(fastest, np.inf)
        for k in (1, 2, 3):
            # from the left neighbour's side and from the right one's, across [x[k], x[k + 1]]
            down = np.where(known[k - 1], np.maximum(slope[k - 1], -fastest), -fastest)
            up = np.where(known[k + 1], np.minimum(slope[k + 1], fastest), fastest)
            a, b, width = f[k], f[k + 1], run[k]
            from_left = a + np.minimum(down, 0.0) * width
            from_right = b - np.maximum(up, 0.0) * width
            crossed = (down < 0.0) & (up > 0.0)
            t = np.divide(b - a - up * width, down - up, out=np.zeros_like(a), where=crossed)
            both = np.where(crossed, a + down * np.clip(t, 0.0, width), np.where(down >= 0.0, a, b))
            value = np.where(there[k], np.where(there[k + 1], both, from_left), from_right)
            worst = np.minimum(worst, np.where(there[k] | there[k + 1], value, -np.inf))
        return worst


def quick(strips: Strips, chords: Chords, chord: Index, piece: Index, measure: Measure) -> Array:
    """A value (N,) that is there: the exact one of a level strip, else the smallest of some slices."""
    todo = _Open.of(strips, chords, chord, piece, measure)
    value = todo.bound(measure)
    steep = strips.z1 != strips.z0
    value[steep] = np.inf
    todo = todo.take(steep)
    for t in _LOOKS:
        seen = todo.at(np.full(len(todo.row), t), measure)
        value[todo.row] = np.minimum(value[todo.row], seen)
    return value


def _keep_better(best: Array, where: Array, row: Index, value: Array, t: Array) -> None:
    better = value < best[row]
    best[row[better]] = value[better]
    where[row[better]] = t[better]
