"""The flat view of a stretch: a head's pieces, its moves and the bodies go in; clearance, side, height, touch
and the place of each come out, for each body or for each move.

Seen along the wire every move is a line, and a body's slice at one height is a segment; how far the two are
apart, against the head's radius at that height, is the whole question (see ``flat_fields``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from clearance.kernels.meridian.branch_and_bound import Nearest, nearest
from clearance.kernels.meridian.bvh import ChordTree
from clearance.kernels.meridian.bvh import TriangleTree as TriangleTree
from clearance.kernels.meridian.profile import (
    NOWHERE,
    SEARCH_WIDTH,
    Clearance,
    Height,
    Measure,
    Profiles,
    Side,
)
from clearance.kernels.meridian.search import Chords, search, strips_of
from clearance.scene.heads import Piece
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]
Index = NDArray[np.intp]

#: how far apart a chord and its arc may be, mm; half of it counts against every figure along an arc
SAGITTA = 2e-4
#: what rounding may do to a point on the rim of what a rectangle sweeps, mm
_HAIR = 1e-9
#: a touch is 1e-6 or less; the search's own width is taken off its answers, so this is 1e-6 of the truth
TOUCH = 1e-6 + SEARCH_WIDTH


def chords_of(moves: Moves, only: NDArray[np.bool_] | None = None) -> Chords:
    """The moves as chords. An arc's chords lie half outside and half inside it, and say so in their slack."""
    pick = np.arange(len(moves)) if only is None else np.flatnonzero(only)
    start, end, centre, sweep = moves.start[pick], moves.end[pick], moves.centre[pick], moves.sweep[pick]
    line = np.flatnonzero(sweep == 0.0)
    arc = np.flatnonzero(sweep)
    o, d = start[arc] - centre[arc], end[arc] - centre[arc]
    r0, r1 = np.hypot(o[:, 0], o[:, 1]), np.hypot(d[:, 0], d[:, 1])
    largest = np.maximum(np.maximum(r0, r1), SAGITTA)
    half = np.arccos(1.0 - SAGITTA / largest)
    count = np.ceil(np.abs(sweep[arc]) / (2.0 * half)).astype(np.intp)
    row = np.repeat(np.arange(len(arc)), count)
    step = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    bend = largest * (1.0 - np.cos(np.abs(sweep[arc]) / (2.0 * count)))
    begin = np.arctan2(o[:, 1], o[:, 0])

    def on_arc(k: Index) -> Array:
        share = k / count[row]
        angle = begin[row] + share * sweep[arc][row]
        radius = r0[row] + share * (r1 - r0)[row] + bend[row] / 2.0
        return np.asarray(
            centre[arc][row] + radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
        )

    # with a hair more for the angle between a chord and a radius that changes along it
    slack = (bend / 2.0) * 1.01 + 1e-9
    order = np.argsort(np.r_[line, arc[row]], kind="stable")
    return Chords(
        np.concatenate([start[line], on_arc(step)])[order],
        np.concatenate([end[line], on_arc(step + 1)])[order],
        np.r_[np.zeros(len(line)), slack[row]][order],
        pick[np.r_[line, arc[row]][order]],
    )


@dataclass(frozen=True)
class Growth:
    """By how much a head is grown, mm, before it is held against a body."""

    side: float
    height: float


@dataclass(frozen=True)
class Place:
    """Where a measure was found: the move (0-based), and points in the machine frame (3,)."""

    move: int
    head_at: Array
    on_head: Array
    on_item: Array


class FlatView:
    """One head along one stretch, against all bodies of a tree.

    Args:
        tree: over the bodies; built once for a scene.
        chords: of the moves.
        pieces: of the head, ungrown.
        face_z: machine Z of the head's face, for the places.
        present: indices of the bodies that count; the others are passed over.
    """

    def __init__(
        self,
        tree: TriangleTree,
        chords: Chords,
        pieces: Sequence[Piece],
        face_z: float,
        present: Sequence[int],
    ) -> None:
        self.tree, self.chords, self.pieces, self.face_z = tree, chords, list(pieces), face_z
        self.bodies = int(tree.body.max(initial=-1)) + 1
        self.present = [b for b in present if b < self.bodies]

    @cached_property
    def path(self) -> ChordTree:
        return ChordTree(self.chords)

    def _grown(self, growths: dict[int, Growth]) -> tuple[Profiles, list[Index]]:
        """One table of the pieces as grown for each body, and which of its rows each body is held against."""
        none = np.empty(0, dtype=np.intp)
        rows: list[Index] = [none] * self.bodies
        table: list[Piece] = []
        had: dict[Growth, Index] = {}
        for body, growth in growths.items():
            if growth not in had:
                had[growth] = np.arange(len(table), len(table) + len(self.pieces))
                table += [piece.grown(growth.side, growth.height) for piece in self.pieces]
            rows[body] = had[growth]
        return Profiles(table), rows

    def _start(self, value: float) -> Array:
        start = np.full(self.bodies, -1.0)
        start[self.present] = value
        return start

    def clearance(self) -> tuple[Measure, Nearest]:
        """For each body the distance in space."""
        profiles, rows = self._grown({b: Growth(0.0, 0.0) for b in self.present})
        measure = Clearance(profiles)
        return measure, nearest(self.tree, self.path, measure, rows, self._start(NOWHERE))

    def side(self, height_margin: dict[int, float]) -> tuple[Measure, Nearest]:
        """For each body the horizontal distance where the two share a height within the margin."""
        measure, rows = self._side(height_margin)
        return measure, nearest(self.tree, self.path, measure, rows, self._start(NOWHERE))

    def _side(self, height_margin: dict[int, float]) -> tuple[Measure, list[Index]]:
        profiles, rows = self._grown({b: Growth(0.0, m + SEARCH_WIDTH) for b, m in height_margin.items()})
        return Side(profiles), rows

    def height(self, side_margin: dict[int, float]) -> tuple[Measure, Nearest]:
        """For each body the vertical distance where one is over the other within the margin."""
        measure, rows = self._height(side_margin)
        return measure, nearest(self.tree, self.path, measure, rows, self._start(NOWHERE))

    def _height(self, side_margin: dict[int, float]) -> tuple[Measure, list[Index]]:
        profiles, rows = self._grown({b: Growth(m + SEARCH_WIDTH, 0.0) for b, m in side_margin.items()})
        return Height(profiles), rows

    def distance_grown(self, growths: dict[int, Growth], up_to: float) -> Array:
        """For each body its distance from the head as grown for it; ``up_to`` where it is no smaller."""
        profiles, rows = self._grown(growths)
        start = np.full(self.bodies, -1.0)
        start[list(growths)] = up_to
        found = nearest(self.tree, self.path, Clearance(profiles), rows, start, settled=0.0)
        return found.value

    def touching(self, body: int, growth: Growth, moves: int) -> NDArray[np.bool_]:
        """On which of the moves (M,) the grown head touches a body."""
        profiles, rows = self._grown({body: growth})
        found = nearest(
            self.tree,
            self.path,
            Clearance(profiles),
            rows,
            np.full(moves, 2.0 * TOUCH),
            by_move=True,
            settled=TOUCH,
        )
        return found.value <= TOUCH

    def along(
        self, moves: int, height_margin: dict[int, float], side_margin: dict[int, float], horizon: float
    ) -> tuple[Index, Array, Array, Array]:
        """For each move the nearest body (-1: none within the horizon), and its clearance, side, height."""
        profiles, rows = self._grown({b: Growth(0.0, 0.0) for b in self.present})
        found = nearest(
            self.tree, self.path, Clearance(profiles), rows, np.full(moves, horizon), by_move=True
        )
        body = np.where(found.triangle >= 0, self.tree.body[found.triangle], -1)
        figures = [np.where(body >= 0, found.value, np.nan)]
        for measure, rows_of in (self._side(height_margin), self._height(side_margin)):
            figure = np.full(moves, np.nan)
            for b in np.unique(body[body >= 0]):
                only = [rows_of[i] if i == b else rows_of[i][:0] for i in range(self.bodies)]
                start = np.where(body == b, horizon, -1.0)
                seen = nearest(self.tree, self.path, measure, only, start, by_move=True)
                figure = np.where((body == b) & (seen.triangle >= 0), seen.value, figure)
            figures.append(figure)
        return body, figures[0], figures[1], figures[2]

    def places(self, measure: Measure, found: Nearest, keys: Sequence[int]) -> dict[int, Place]:
        """Where the values of some keys were found; a key that has none is left out."""
        keys = [key for key in keys if found.triangle[key] >= 0]
        if not keys:
            return {}
        strips, owner = strips_of(self.tree.triangles[found.triangle[keys]])
        chord, piece = found.chord[keys][owner], found.piece[keys][owner]
        n = len(owner)
        value, at = search(strips, self.chords, chord, piece, measure, np.full(n, np.inf), np.zeros(n), True)
        out = {}
        for k, key in enumerate(keys):
            rows = np.flatnonzero(owner == k)
            i = int(rows[np.argmin(value[rows])])
            t = at[i]
            a = strips.a0[i] + t * (strips.a1[i] - strips.a0[i])
            b = strips.b0[i] + t * (strips.b1[i] - strips.b0[i])
            z = float(strips.z0[i] + t * (strips.z1[i] - strips.z0[i]))
            original = self.pieces[int(piece[i]) % len(self.pieces)]
            p, q = self.chords.p[chord[i]], self.chords.q[chord[i]]
            item, wire = _nearest_points(a, b, p, q, original.rect)
            on_head = _on_piece(item, z, wire, original)
            move = int(self.chords.move[chord[i]])
            out[key] = Place(move, np.r_[wire, self.face_z], on_head, np.array([item[0], item[1], z]))
        return out


def _nearest_points(a: Array, b: Array, p: Array, q: Array, rect: tuple[float, ...]) -> tuple[Array, Array]:
    """The point (2,) of segment a-b, and the wire's place on p-q, at which the rectangle about it is nearest.

    What the rectangle sweeps is convex, and its sides run between corners that it has at p and at q: all
    segments between these are tried, for those that are no sides lie within.
    """
    low, high = np.array([rect[0], rect[2]]), np.array([rect[1], rect[3]])
    corners = (
        np.array([[rect[i], rect[j]] for i in (0, 1) for j in (2, 3)]) if np.any(rect) else np.zeros((1, 2))
    )
    ends = np.concatenate([p + corners, q + corners])
    first, last = np.triu_indices(len(ends), 1)
    c, d = ends[first], ends[last]
    crossing = _crossing(a, b, c, d)
    inside = np.array([x for x in (a, b) if _within(x, p, q, low, high)]).reshape(-1, 2)
    item = np.concatenate(
        [inside, crossing, np.tile(a, (len(c), 1)), np.tile(b, (len(c), 1)), _onto(ends, a, b)]
    )
    swept = np.concatenate([inside, crossing, _onto(a, c, d), _onto(b, c, d), ends])
    k = int(np.argmin(np.hypot(*(item - swept).T)))
    begin, end = _share(swept[k], p, q, low - _HAIR, high + _HAIR)
    return item[k], np.asarray(p + min(max((begin + end) / 2.0, 0.0), 1.0) * (q - p))


def _share(x: Array, p: Array, q: Array, low: Array, high: Array) -> tuple[float, float]:
    """Between which shares of the way p-q the rectangle low-high about it holds ``x``; not at all where the
    first is the larger."""
    begin, end = 0.0, 1.0
    for at, way, least, most in zip(x - p, q - p, low, high, strict=True):
        if way != 0.0:
            one, other = sorted(((at - least) / way, (at - most) / way))
            begin, end = max(begin, one), min(end, other)
        elif not least <= at <= most:
            return 1.0, 0.0
    return begin, end


def _within(x: Array, p: Array, q: Array, low: Array, high: Array) -> bool:
    begin, end = _share(x, p, q, low, high)
    return begin <= end


def _onto(x: Array, c: Array, d: Array) -> Array:
    """The points (n, 2) of segments c-d that are nearest to x."""
    way = d - c
    length2 = (way * way).sum(axis=-1)
    share = np.clip(((x - c) * way).sum(axis=-1) / np.where(length2 > 0.0, length2, 1.0), 0.0, 1.0)
    return np.asarray(c + share[..., None] * way)


def _crossing(a: Array, b: Array, c: Array, d: Array) -> Array:
    """Where segment a-b crosses segments c-d (n, 2)."""
    along, way = b - a, d - c
    det = along[0] * way[:, 1] - along[1] * way[:, 0]
    off, safe = c - a, np.where(det != 0.0, det, 1.0)
    t = (off[:, 0] * way[:, 1] - off[:, 1] * way[:, 0]) / safe
    s = (off[:, 0] * along[1] - off[:, 1] * along[0]) / safe
    cross = (det != 0.0) & (t >= 0.0) & (t <= 1.0) & (s >= 0.0) & (s <= 1.0)
    return np.asarray(a + t[cross, None] * along)


def _on_piece(item: Array, z: float, wire: Array, piece: Piece) -> Array:
    """The point of a piece, standing with the wire at ``wire``, that is nearest to (item, z)."""
    low, high = np.array(piece.rect)[[0, 2]], np.array(piece.rect)[[1, 3]]
    offset = item - wire
    on_rect = np.clip(offset, low, high)
    outward = offset - on_rect
    g = float(np.hypot(*outward))
    direction = outward / g if g > 0.0 else np.zeros(2)
    best = (np.inf, g, z)
    if piece.z[0] <= z <= piece.z[-1] and g <= np.interp(z, piece.z, piece.r):
        best = (0.0, g, z)
    corners = [(0.0, piece.z[0]), *zip(piece.r, piece.z, strict=True), (0.0, piece.z[-1])]
    for (r0, z0), (r1, z1) in zip(corners, corners[1:], strict=False):
        dr, dz = r1 - r0, z1 - z0
        length2 = dr * dr + dz * dz
        t = min(max(((g - r0) * dr + (z - z0) * dz) / length2, 0.0), 1.0) if length2 > 0.0 else 0.0
        r, height = r0 + t * dr, z0 + t * dz
        gap = float(np.hypot(g - r, z - height))
        if gap < best[0]:
            best = (gap, r, height)
    xy = wire + on_rect + direction * best[1]
    return np.array([xy[0], xy[1], best[2]])
