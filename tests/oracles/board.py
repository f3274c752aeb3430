"""Pieces, paths and parts go in as they come; flat arrays of convex pairs come out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.oracles.convex import Array, Pairs

Index = NDArray[np.int64]


@dataclass
class Draws:
    """Rows of what pieces sweep along bits of path; see ``Pairs`` for the columns."""

    z: list[Array] = field(default_factory=list)
    r: list[Array] = field(default_factory=list)
    a: list[Array] = field(default_factory=list)
    b: list[Array] = field(default_factory=list)
    rect: list[tuple[float, ...]] = field(default_factory=list)
    e: list[float] = field(default_factory=list)
    arc: list[tuple[float, float, float, float, float]] = field(default_factory=list)


LEVELS = 4


def _padded(values: Array) -> Array:
    return np.concatenate([values, np.repeat(values[-1:], LEVELS - len(values))])


def bit_of_arc(arc: Array) -> tuple[Array, Array, Array]:
    """Straight bits for bits of arc (N, 5: centre x y, radius, from, to, radians): a, b (N, 2) and e (N,).

    The chord moved outward by half the sagitta: no point of either is farther than that from the other.
    """
    cx, cy, R, t0, t1 = arc.T
    half = (t1 - t0) / 2
    e = R * (1 - np.cos(half)) / 2
    e = np.where(np.abs(half) < 1e-3, R * half**2 / 4, e)
    mid = (t0 + t1) / 2
    out = e[:, None] * np.stack([np.cos(mid), np.sin(mid)], 1)
    c = np.stack([cx, cy], 1)
    a = c + R[:, None] * np.stack([np.cos(t0), np.sin(t0)], 1) + out
    b = c + R[:, None] * np.stack([np.cos(t1), np.sin(t1)], 1) + out
    return a, b, e


class Board:
    """All the draws and parts of many cases in flat arrays."""

    def __init__(self) -> None:
        self.draws = Draws()
        self.corners: list[Array] = []
        self._part_index: dict[tuple[int, int], list[int]] = {}

    def add_parts(self, case_no: int, body: int, parts: Sequence[Array], shift: Array) -> list[int]:
        key = (case_no, body)
        if key not in self._part_index:
            self._part_index[key] = list(range(len(self.corners), len(self.corners) + len(parts)))
            self.corners += [np.asarray(p, dtype=float) - shift for p in parts]
        return self._part_index[key]

    def add_draws(self, pieces: Any, path: Any, shift: Array, keep: Any) -> tuple[list[int], list[int]]:
        """Draws of all pieces along all kept moves: their row numbers and their move numbers."""
        rows, moves = [], []
        d = self.draws
        for piece in pieces:
            z = _padded(np.asarray(piece.z, dtype=float) - shift[2])
            r = _padded(np.asarray(piece.r, dtype=float))
            for m in keep:
                start, end = path.start[m] - shift[:2], path.end[m] - shift[:2]
                sweep = float(path.sweep[m])
                if sweep == 0.0:
                    bits = [(start, end, 0.0, (np.nan,) * 5)]
                else:
                    c = path.centre[m] - shift[:2]
                    R = float(np.hypot(*(start - c)))
                    t0 = float(np.arctan2(*(start - c)[::-1]))
                    n = int(np.ceil(abs(sweep) / (np.pi / 6) - 1e-9))
                    ts = t0 + np.linspace(0.0, sweep, n + 1)
                    arcs = np.array([(c[0], c[1], R, ts[i], ts[i + 1]) for i in range(n)])
                    a, b, e = bit_of_arc(arcs)
                    bits = [(a[i], b[i], float(e[i]), tuple(arcs[i])) for i in range(n)]
                for a_, b_, e_, arc in bits:
                    rows.append(len(d.e))
                    moves.append(m)
                    d.z.append(z)
                    d.r.append(r)
                    d.a.append(a_)
                    d.b.append(b_)
                    d.rect.append(tuple(piece.rect))
                    d.e.append(e_)
                    d.arc.append(arc)
        return rows, moves

    def close(self) -> None:
        d = self.draws
        self.z, self.r = np.array(d.z), np.array(d.r)
        self.a, self.b = np.array(d.a), np.array(d.b)
        self.rect, self.e = np.array(d.rect, dtype=float), np.array(d.e)
        self.arc = np.array(d.arc)
        most = max(len(c) for c in self.corners)
        self.V = np.array([np.concatenate([c, np.repeat(c[-1:], most - len(c), 0)]) for c in self.corners])

    def pairs(self, draw: Index, part: Index) -> Pairs:
        return Pairs(
            self.V[part],
            self.z[draw],
            self.r[draw],
            self.a[draw],
            self.b[draw],
            self.rect[draw],
            self.e[draw],
        )

    def split(self, draw: Index, ways: int = 8) -> Index:
        """Cut each of these bits of arc ``ways`` times: new row numbers (len(draw) * ways,)."""
        arc = self.arc[draw]
        f = np.linspace(0.0, 1.0, ways + 1)
        t = arc[:, 3:4] + (arc[:, 4:5] - arc[:, 3:4]) * f
        new = np.repeat(arc, ways, 0)
        new[:, 3], new[:, 4] = t[:, :-1].ravel(), t[:, 1:].ravel()
        a, b, e = bit_of_arc(new)
        first = len(self.e)
        old = np.repeat(draw, ways)
        for name, more in (("a", a), ("b", b), ("e", e), ("arc", new)):
            setattr(self, name, np.concatenate([getattr(self, name), more]))
        for name in ("z", "r", "rect"):
            column = getattr(self, name)
            setattr(self, name, np.concatenate([column, column[old]]))
        return np.arange(first, first + len(new))
