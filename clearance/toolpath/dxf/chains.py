"""Curves of a drawing go in, in any order and direction; the contours and open ways that they form come out.

Lines and arcs are measured, turned round, cut in two, and asked what is nearest to a point.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import field
from math import acos, atan2, ceil, cos, hypot, pi, sin, sqrt

import numpy as np
from numpy.typing import NDArray

from clearance.records import changing, record

Piece = tuple[float, float, float, float, float, float, float]


def line(x0: float, y0: float, x1: float, y1: float) -> Piece:
    """The straight piece from one point to another.

    Args:
        x0, y0: where it begins.   x1, y1: where it ends; drawing units.
    """
    return (x0, y0, x1, y1, 0.0, 0.0, 0.0)


def turned_round(pieces: Sequence[Piece]) -> list[Piece]:
    """The same way from its end to its start.

    Args:
        pieces: of a chain, in order.
    """
    return [(x1, y1, x0, y0, cx, cy, -sweep) for x0, y0, x1, y1, cx, cy, sweep in reversed(pieces)]


def length(piece: Piece) -> float:
    """How long a ``piece`` is, in drawing units."""
    x0, y0, x1, y1, cx, cy, sweep = piece
    return hypot(x1 - x0, y1 - y0) if sweep == 0 else abs(sweep) * hypot(x0 - cx, y0 - cy)


def at(piece: Piece, t: float) -> tuple[float, float]:
    """The point at the fraction ``t`` of a piece."""
    x0, y0, x1, y1, cx, cy, sweep = piece
    if sweep == 0:
        return x0 + t * (x1 - x0), y0 + t * (y1 - y0)
    c, s = cos(sweep * t), sin(sweep * t)
    return cx + c * (x0 - cx) - s * (y0 - cy), cy + s * (x0 - cx) + c * (y0 - cy)


def split(piece: Piece, t: float) -> tuple[Piece, Piece]:
    """A piece cut in two at the fraction ``t``."""
    x0, y0, x1, y1, cx, cy, sweep = piece
    x, y = at(piece, t)
    return (x0, y0, x, y, cx, cy, sweep * t), (x, y, x1, y1, cx, cy, sweep * (1 - t))


def area(pieces: Sequence[Piece]) -> float:
    """Area that closed pieces enclose, positive anticlockwise: the polygon's and the segments of the arcs."""
    total = 0.0
    for x0, y0, x1, y1, cx, cy, sweep in pieces:
        total += (x0 * y1 - x1 * y0) / 2
        if sweep:
            total += ((x0 - cx) ** 2 + (y0 - cy) ** 2) * (sweep - sin(sweep)) / 2
    return total


def nearest(pieces: Sequence[Piece], x: float, y: float) -> tuple[float, int, float]:
    """(distance, index, fraction) of the place on ``pieces`` nearest to a point.

    Args:
        pieces: lines and arcs, drawing units.   x, y: the point.
    """
    best = (float("inf"), 0, 0.0)
    for i, piece in enumerate(pieces):
        x0, y0, x1, y1, cx, cy, sweep = piece
        if sweep == 0:
            dx, dy = x1 - x0, y1 - y0
            long = dx * dx + dy * dy
            t = min(1.0, max(0.0, ((x - x0) * dx + (y - y0) * dy) / long)) if long else 0.0
        else:
            begin = atan2(y0 - cy, x0 - cx)
            turn = (atan2(y - cy, x - cx) - begin) * (1 if sweep > 0 else -1) % (2 * pi)
            if turn <= abs(sweep):
                t = turn / abs(sweep)
            else:
                t = 0.0 if hypot(x - x0, y - y0) <= hypot(x - x1, y - y1) else 1.0
        px, py = at(piece, t)
        away = hypot(px - x, py - y)
        if away < best[0]:
            best = (away, i, t)
    return best


def outline(pieces: Sequence[Piece], bound: float = 0.001) -> NDArray[np.float64]:
    """Points (n, 2) of a polyline within ``bound`` mm of the pieces, which must follow each other."""
    points = [pieces[0][:2]]
    for piece in pieces:
        sweep = piece[6]
        if sweep:
            r = hypot(piece[0] - piece[4], piece[1] - piece[5])
            n = 4 if bound >= r else ceil(abs(sweep) / (2 * acos(1 - bound / r)))
            n = max(n, 4)
            points += [at(piece, k / n) for k in range(1, n)]
        points.append(piece[2:4])
    return np.array(points)


SAME = 1e-6  # mm: ends so near to each other are one point
_KEY = np.array([6364136223846793005, 1442695040888963407], dtype=np.int64)


@record
class Curve:
    """One entity: its name for messages, and its pieces in order, mm."""

    name: str
    pieces: tuple[Piece, ...]

    @property
    def start(self) -> tuple[float, float]:
        return self.pieces[0][:2]

    @property
    def end(self) -> tuple[float, float]:
        return self.pieces[-1][2:4]


@changing
class Chain:
    """Pieces that follow each other without a gap; ``first`` is the index of its first drawn curve."""

    pieces: list[Piece]
    closed: bool
    first: int
    names: list[str] = field(default_factory=list)

    @property
    def begin(self) -> tuple[float, float]:
        return self.pieces[0][:2]


class Tangle(Exception):
    """The curves form no path: where, what was found, what would be right."""

    def __init__(self, place: str, found: str, want: str) -> None:
        super().__init__(found)
        self.place, self.found, self.want = place, found, want


def chains_of(
    curves: Sequence[Curve], thread_points: Iterable[tuple[float, float]], gap: float
) -> tuple[list[Chain], list[Chain], int]:
    """The contours, the leads (each from its thread point on), and how many curves are shorter than ``SAME``.

    Raises Tangle where a curve stands twice, more than two curves meet, or a chain has open ends and no
    thread point at one of them.

    Args:
        curves: of the drawing, in file order, drawing units.   thread_points: the POINTs.
        gap: ends that are no farther apart count as joined.
    """
    kept = [(i, curve) for i, curve in enumerate(curves) if sum(map(length, curve.pieces)) > SAME]
    graph = _Graph(kept, gap)
    graph.no_duplicates()
    leads = []
    for point in thread_points:
        node = graph.open_end_near(point, gap)
        if node is not None:
            leads.append(graph.walk(node, stop_at_forks=True))
    graph.no_forks()
    graph.no_open_ends()
    return graph.loops(), leads, len(curves) - len(kept)


class _Graph:
    def __init__(self, curves: Sequence[tuple[int, Curve]], gap: float) -> None:
        self.curves = dict(curves)
        self.ends: dict[int, tuple[int, int]] = {}
        places = np.array([p for _, curve in curves for p in (curve.start, curve.end)]).reshape(-1, 2)
        node = _clusters(places, SAME)
        # Only ends that meet nothing are joined over the gap, so that curves shorter than it stay curves.
        loose = np.flatnonzero(np.bincount(node)[node] == 1)
        joined = _clusters(places[loose], gap)
        node[loose] = node.max(initial=0) + 1 + joined
        self.place: dict[int, tuple[float, float]] = {}
        self.at: defaultdict[int, list[int]] = defaultdict(list)
        for k, (i, _) in enumerate(curves):
            a, b = int(node[2 * k]), int(node[2 * k + 1])
            self.ends[i] = (a, b)
            self.at[a].append(i)
            self.at[b].append(i)
            self.place[a] = (float(places[2 * k, 0]), float(places[2 * k, 1]))
            self.place[b] = (float(places[2 * k + 1, 0]), float(places[2 * k + 1, 1]))

    def no_duplicates(self) -> None:
        """Refuse a curve that is drawn twice, in whatever direction."""
        between: defaultdict[tuple[int, int], list[int]] = defaultdict(list)
        for i, (a, b) in self.ends.items():
            between[min(a, b), max(a, b)].append(i)
        for curves in between.values():
            seen: dict[tuple[int, ...], str] = {}
            for i in curves if len(curves) > 1 else ():
                curve = self.curves[i]
                key = _likeness(curve)
                if key in seen:
                    x, y = curve.start
                    found = f"the curve at X{x:.6g} Y{y:.6g} stands there twice, first as {seen[key]}"
                    raise Tangle(curve.name, found, "each curve once, or layers = [...] of this cut")
                seen[key] = curve.name

    def open_end_near(self, point: tuple[float, float], gap: float) -> int | None:
        for node, curves in self.at.items():
            x, y = self.place[node]
            if len(curves) == 1 and hypot(x - point[0], y - point[1]) <= gap:
                return node
        return None

    def walk(self, node: int, stop_at_forks: bool) -> Chain:
        """The chain from a node on; its curves are taken out."""
        begin, used, pieces = node, [], list[Piece]()
        while self.at[node]:
            i = self.at[node][0]
            a, b = self.ends[i]
            way = list(self.curves[i].pieces)
            if a != node:
                way = turned_round(way)
            _append(pieces, way)
            used.append(i)
            self.at[a].remove(i)
            self.at[b].remove(i)
            node = b if a == node else a
            if node == begin or (stop_at_forks and len(self.at[node]) != 1):
                break
        if node == begin:
            _close(pieces)
        names = [self.curves[i].name for i in used]
        return Chain(pieces, node == begin, min(used), names)

    def no_forks(self) -> None:
        for node, curves in self.at.items():
            if len(curves) > 2:
                x, y = self.place[node]
                names = "; ".join(self._seen_from(node, i) for i in sorted(set(curves))[:4])
                raise Tangle(
                    f"X{x:.6g} Y{y:.6g}", f"{len(curves)} ends of curves meet here: {names}",
                    "two ends at every place; draw other lines on other layers and name the path's in layers",
                )  # fmt: skip

    def _seen_from(self, node: int, curve: int) -> str:
        """A curve by its name and where it goes from a node."""
        one = self.curves[curve]
        x, y = one.end if self.ends[curve][0] == node else one.start
        return f"{one.name} to X{x:.6g} Y{y:.6g}"

    def no_open_ends(self) -> None:
        loose = [node for node, curves in self.at.items() if len(curves) == 1]
        if not loose:
            return
        x, y = self.place[loose[0]]
        found = f"the contour is open at X{x:.6g} Y{y:.6g}"
        if len(loose) > 1:
            away, other = min((hypot(self.place[n][0] - x, self.place[n][1] - y), n) for n in loose[1:])
            ox, oy = self.place[other]
            found += f"; the nearest open end is {away:.4g} mm away, at X{ox:.6g} Y{oy:.6g}"
        raise Tangle(
            self.curves[self.at[loose[0]][0]].name, found,
            "a closed contour, a larger gap, or a POINT at the end where an open cut begins",
        )  # fmt: skip

    def loops(self) -> list[Chain]:
        chains = []
        for i in sorted(self.curves):
            a, _ = self.ends[i]
            if i in self.at[a]:
                chains.append(self.walk(a, stop_at_forks=False))
        return chains


def _likeness(curve: Curve) -> tuple[int, ...]:
    """The same for curves that go the same way, either way round: their mean point and length, rounded."""
    x, y = np.mean([at(piece, t) for piece in curve.pieces for t in (0.0, 0.5, 1.0)], axis=0)
    return tuple(round(v / SAME) for v in (x, y, sum(map(length, curve.pieces))))


def _close(pieces: list[Piece]) -> None:
    """Make the end of a closed chain its start."""
    (x0, y0), (x1, y1) = pieces[-1][2:4], pieces[0][:2]
    if hypot(x1 - x0, y1 - y0) > SAME:
        pieces.append(line(x0, y0, x1, y1))
    else:
        pieces[-1] = (*pieces[-1][:2], x1, y1, *pieces[-1][4:])


def _append(pieces: list[Piece], way: Sequence[Piece]) -> None:
    """Add a way; where its start lies beside the end, by less than the gap, a straight piece joins them."""
    if pieces:
        x0, y0 = pieces[-1][2:4]
        x1, y1 = way[0][:2]
        if (x0, y0) != (x1, y1):
            if hypot(x1 - x0, y1 - y0) > SAME:
                pieces.append(line(x0, y0, x1, y1))
            else:
                way = [(x0, y0, *way[0][2:]), *way[1:]]
    pieces.extend(way)


_HALF = [(dx, dy) for dx in range(-2, 3) for dy in range(-2, 3) if (dx, dy) > (0, 0)]


def _clusters(places: NDArray[np.float64], apart: float) -> NDArray[np.int64]:
    """A number for each place (n, 2), the same for places that steps of at most ``apart`` mm connect.

    Places of one cell of a grid of apart / sqrt 2 are together anyway, and only the first of each cell is
    measured against the cells around it: so many places in one spot cost no more than elsewhere.
    """
    if not len(places):
        return np.empty(0, dtype=np.int64)
    cells = np.floor(places * (sqrt(2.0) / apart)).astype(np.int64)
    # Cells as one number, modulo 2^64; what meets by chance is sorted out by its distance.
    keys, first, number = np.unique(cells @ _KEY, return_index=True, return_inverse=True)
    parent = list(range(len(keys)))

    def root(i: int) -> int:
        while parent[i] != i:
            parent[i] = parent[parent[i]]
            i = parent[i]
        return i

    for offset in _HALF:
        wanted = keys + np.array(offset, dtype=np.int64) @ _KEY
        found = np.minimum(np.searchsorted(keys, wanted), len(keys) - 1)
        pairs = np.flatnonzero(keys[found] == wanted)
        away = np.hypot(*(places[first[pairs]] - places[first[found[pairs]]]).T)
        for i in pairs[away <= apart].tolist():
            parent[root(i)] = root(int(found[i]))
    return np.asarray(np.array([root(i) for i in range(len(keys))], dtype=np.int64)[number.reshape(-1)])
