"""Strips of triangles between two heights, each against a chord: cut at heights, and how far they are off it.

Raises and places of an item are both looked for by such strips.
"""

from __future__ import annotations

from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.planar import segment_segment, segment_swept_rectangle
from clearance.kernels.meridian.profile import in_strip
from clearance.records import changing

Array = NDArray[np.float64]
Index = NDArray[np.integer[Any]]


@changing
class Cells:
    """Strips of triangles between two heights, each against a chord and a row: gathered once, then cut.

    Attributes:
        a0, a1, b0, b1: (n, 2) ends of the lower and the upper slice.   z0, z1: (n,) their heights.
        p, q, slack: of the chord.   row: (n,) of the table of pieces.   of: (n,) what each came from.
    """

    a0: Array
    a1: Array
    b0: Array
    b1: Array
    z0: Array
    z1: Array
    p: Array
    q: Array
    slack: Array
    row: Index
    of: Index

    def take(self, keep: NDArray[Any] | slice) -> Cells:
        """The strips that ``keep`` picks."""
        return Cells(*(getattr(self, name)[keep] for name in _CELL))

    def __len__(self) -> int:
        return len(self.row)

    def between(self, low: Array, high: Array) -> Cells:
        """Each cut to the heights between low and high (n,); those with nothing there are gone."""
        low, high = np.maximum(low, self.z0), np.minimum(high, self.z1)
        kept = self.take(low <= high)
        low, high = low[low <= high], high[low <= high]
        whole = (low == kept.z0) & (high == kept.z1)
        if whole.all():
            return kept
        rise = kept.z1 - kept.z0
        t0 = np.divide(low - kept.z0, rise, out=np.zeros_like(rise), where=rise > 0.0)[:, None]
        t1 = np.divide(high - kept.z0, rise, out=np.ones_like(rise), where=rise > 0.0)[:, None]
        da, db = kept.a1 - kept.a0, kept.b1 - kept.b0
        w = whole[:, None]
        return Cells(
            np.where(w, kept.a0, kept.a0 + t0 * da), np.where(w, kept.a1, kept.a0 + t1 * da),
            np.where(w, kept.b0, kept.b0 + t0 * db), np.where(w, kept.b1, kept.b0 + t1 * db),
            low, high, kept.p, kept.q, kept.slack, kept.row, kept.of,
        )  # fmt: skip

    def halves(self) -> Cells:
        """Each cut at its middle height."""
        a, b, z = (self.a0 + self.a1) / 2, (self.b0 + self.b1) / 2, (self.z0 + self.z1) / 2
        parts = (
            (self.a0, a, self.b0, b, self.z0, z),
            (a, self.a1, b, self.b1, z, self.z1),
        )
        own = (self.p, self.q, self.slack, self.row, self.of)
        return Cells(*(np.concatenate(pair) for pair in zip(*((*part, *own) for part in parts), strict=True)))

    def at(self, t: Array) -> tuple[Array, Array, Array]:
        """The slices at shares t (n,) of the strips: both ends (n, 2), and their heights."""
        t2 = t[:, None]
        a, b = self.a0 + t2 * (self.a1 - self.a0), self.b0 + t2 * (self.b1 - self.b0)
        return a, b, self.z0 + t * (self.z1 - self.z0)

    def from_(self, x: Array, y: Array, rect: Array) -> Array:
        """Distances (n,) in plan of segments x-y from what a rectangle covers along the chord.

        Args:
            x, y: (n, 2) ends, mm.   rect: (n, 2) half lengths of the rectangle in X and Y, mm.
        """
        boxed = (rect != 0.0).any(axis=1)
        if boxed.all():
            return segment_swept_rectangle(x, y, self.p, self.q, rect)
        out = segment_segment(x, y, self.p, self.q)
        i = np.flatnonzero(boxed)
        if len(i):
            out[i] = segment_swept_rectangle(x[i], y[i], self.p[i], self.q[i], rect[i])
        return out

    def distances(self, rect: Array, more: Array) -> tuple[Array, Array, Array]:
        """Distances (n,) in plan from what a rectangle covers along the chord: of the lower end slice, of the
        upper one, and the least of all; ``more`` is added to each.

        Args:
            rect: (n, 2) half lengths of the rectangle in X and Y, mm.   more: (n,) mm.
        """

        def from_(x: Array, y: Array) -> Array:
            return self.from_(x, y, rect)

        g0, g1 = from_(self.a0, self.b0), from_(self.a1, self.b1)
        g = np.minimum(np.minimum(g0, g1), np.minimum(from_(self.a0, self.a1), from_(self.b0, self.b1)))
        g[in_strip(self.p + rect[:, 0::2], self.a0, self.a1, self.b0, self.b1)] = 0.0
        return tuple(np.maximum(each + more, 0.0) for each in (g0, g1, g))  # type: ignore[return-value]


_CELL = tuple(f.name for f in fields(Cells))
