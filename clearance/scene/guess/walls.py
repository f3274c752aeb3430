"""A part so turned, or a path's moves, go in; its closed contours come out, and how points lie beside walls.

A wall that runs straight through the part shows at each height in the same place. Corners of a model lie on
the true surface, the middles of facets along a curve do not: how far these may lie inside or outside is
told from the angles between them (the sagitta of an arc of that turn).
"""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from clearance.geometry.aabb import AabbSet, boxes_of
from clearance.mesh.sections import (
    area,
    hole_of,
    rings,
    section,
)
from clearance.records import record
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]

#: heights of the part, as shares, at which walls are looked for: chamfers at its edges are passed over
HEIGHTS = (0.1004, 0.3001, 0.5003, 0.7002, 0.9003)
#: contours at two heights are one where centre and radius, or centre, area and length, differ by less, mm
SAME = 0.02
#: two facets that turn by less than this are facets of one curve, rad
SMOOTH = 0.9
#: no facet is taken to lie farther off its curve, mm
FARTHEST = 0.5
#: contours that are looked at, of a part and of a path
MANY = 300
#: points of a path, and of a part, that are held against the other
POINTS = 2000


@record
class Contour:
    """A closed contour.

    Attributes:
        points: (n, 2) mm, not closed.   centre: (2,).   radius: of a circle, else 0.
        area: mm2.   length: mm.
        straight: share of the part's heights at which it stands in this very place; 1 for a path's.
    """

    points: Array
    centre: Array
    radius: float
    area: float
    length: float
    straight: float = 1.0


def contour_of(points: Array) -> Contour:
    """The contour through points (n, 2), mm."""
    hole = hole_of(points)
    way = np.roll(points, -1, axis=0) - points
    length = float(np.hypot(way[:, 0], way[:, 1]).sum())
    radius = hole.diameter / 2 if hole.is_round else 0.0
    return Contour(points, np.array(hole.centre), radius, area(points), length)


# ---------------------------------------------------------------------------------------------- of a part
class _Level:
    """The rings of one height; which side of them is open."""

    def __init__(self, found: list[Array]) -> None:
        self.rings = found
        starts = np.concatenate([np.empty((0, 2)), *found])
        ends = np.concatenate([np.empty((0, 2)), *(np.roll(ring, -1, axis=0) for ring in found)])
        self.starts, self.ways = starts, ends - starts
        self.sagitta = np.concatenate([np.empty(0), *(_sagitta(ring) for ring in found)])
        self._walls = shapely.STRtree(shapely.linestrings(np.stack([starts, ends], axis=1)))
        self._areas = shapely.STRtree([shapely.Polygon(ring) for ring in found])

    def open_at(self, points: Array) -> NDArray[np.bool_]:
        """Which points (N, 2) lie where no metal is: inside an even number of rings."""
        hits = self._areas.query(shapely.points(points), predicate="within")[0]
        return np.asarray(np.bincount(hits, minlength=len(points)) % 2 == 0)

    def beside(self, points: Array) -> tuple[Array, Array]:
        """How far points (N, 2) lie from the nearest wall, mm, negative in the metal; and how far off the
        true wall the facet there may lie."""
        (_, wall), away = self._walls.query_nearest(
            shapely.points(points), all_matches=False, return_distance=True
        )
        return np.where(self.open_at(points), away, -away), self.sagitta[wall]


class Walls:
    """A part's walls along Z, as it stands.

    Args:
        triangles: (N, 3, 3) mm, so turned.
    """

    def __init__(self, triangles: Array) -> None:
        low, high = float(triangles[..., 2].min()), float(triangles[..., 2].max())
        boxes = AabbSet(*boxes_of(triangles))
        each = [rings(section(triangles, low + share * (high - low), boxes)) for share in HEIGHTS]
        #: what each height shows that shows something; heights that show the same are one
        self.levels: list[_Level] = []
        self.counts: list[int] = []
        for found in each:
            known = next((k for k, level in enumerate(self.levels) if _alike(level.rings, found)), None)
            if known is not None:
                self.counts[known] += 1
            elif found:
                self.levels.append(_Level(found))
                self.counts.append(1)

    @cached_property
    def _found(self) -> list[tuple[Contour, _Level]]:
        """Each contour once, with the first height that shows it; straight and long ones first."""
        kept: list[tuple[Contour, _Level]] = []
        counts: list[int] = []
        places = np.empty((0, 4))
        for level, times in zip(self.levels, self.counts, strict=True):
            for ring in level.rings:
                contour = contour_of(ring)
                place = np.array([*contour.centre, contour.area / contour.length, contour.length / 6.0])
                near = np.flatnonzero((np.abs(places - place) < SAME).all(axis=1))
                if len(near):
                    counts[near[0]] += times
                else:
                    kept.append((contour, level))
                    counts.append(times)
                    places = np.vstack([places, place])
        order = sorted(range(len(kept)), key=lambda k: (-counts[k], -kept[k][0].length))
        found = []
        for k in order[:MANY]:
            c, level = kept[k]
            straight = min(1.0, counts[k] / len(HEIGHTS))
            found.append((Contour(c.points, c.centre, c.radius, c.area, c.length, straight), level))
        return found

    @property
    def contours(self) -> list[Contour]:
        """The part's contours."""
        return [contour for contour, _ in self._found]

    @cached_property
    def places(self) -> tuple[Array, Array]:
        """Points (V, 2) on the true walls, mm, and the directions (V, 2) away from the metal there."""
        points, normals = [np.empty((0, 2))], [np.empty((0, 2))]
        for contour, level in self._found:
            p, n = _true_places(contour.points)
            if len(p):
                some = slice(None, None, max(len(p) // 7, 1))
                outward = level.open_at(p[some] + 1e-3 * n[some]).mean() > 0.5
                points.append(p)
                normals.append(n if outward else -n)
        p, n = np.concatenate(points), np.concatenate(normals)
        step = max(-(-len(p) // POINTS), 1)
        return p[::step], n[::step]

    def along(self, points: Array, beside: float, near: float) -> Array:
        """At what share of the heights, from 0 to 1, points (N, 2) have a wall at a distance ``beside`` (mm,
        negative in the metal), within ``near`` and what the facet there may lie off."""
        share = np.zeros(len(points))
        for level, times in zip(self.levels, self.counts, strict=True):
            away, sagitta = level.beside(points)
            share += times / len(HEIGHTS) * (np.abs(away - beside) <= near + sagitta)
        return share


def _alike(some: list[Array], others: list[Array]) -> bool:
    """Whether two heights show the same rings, from the same corners on, to a thousandth of a mm."""
    return len(some) == len(others) and all(
        len(a) == len(b) and bool(np.abs(a - b).max() < 1e-3) for a, b in zip(some, others, strict=True)
    )


def _turns(ring: Array) -> tuple[Array, Array, Array]:
    """Ways (n, 2) from each corner to the next, their lengths, and the turn (rad) at each corner."""
    way = np.roll(ring, -1, axis=0) - ring
    before = np.roll(way, 1, axis=0)
    turn = np.arctan2(before[:, 0] * way[:, 1] - before[:, 1] * way[:, 0], (before * way).sum(axis=1))
    return way, np.hypot(way[:, 0], way[:, 1]), turn


def _sagitta(ring: Array) -> Array:
    """How far the middle of each side (n,) may lie off a curve through the corners, mm."""
    _, length, turn = _turns(ring)
    turn = np.abs(turn)
    out = np.zeros(len(ring))
    for at, beside in ((turn, np.roll(length, 1)), (np.roll(turn, -1), np.roll(length, -1))):
        # a straight side that runs into a curve is as long as it likes
        part = np.minimum(length, 2.0 * beside)
        out = np.maximum(out, np.where(at < SMOOTH, part / 2.0 * np.tan(at / 4.0), 0.0))
    return np.minimum(out, FARTHEST)


def _true_places(ring: Array) -> tuple[Array, Array]:
    """Points on the true contour and directions across it there: smooth corners, points on straight sides."""
    way, length, turn = _turns(ring)
    across = np.column_stack([way[:, 1], -way[:, 0]]) / np.maximum(length, 1e-12)[:, None]
    smooth = np.abs(turn) < SMOOTH
    both = across + np.roll(across, 1, axis=0)
    both /= np.maximum(np.hypot(both[:, 0], both[:, 1]), 1e-12)[:, None]
    points, normals = [ring[smooth]], [both[smooth]]
    flat = (_sagitta(ring) < 1e-3) & (length > 0.05)
    for share in (0.1, 0.3, 0.5, 0.7, 0.9):
        points.append(ring[flat] + share * way[flat])
        normals.append(across[flat])
    return np.concatenate(points), np.concatenate(normals)


# ---------------------------------------------------------------------------------------------- of a path
class DrawnPath:
    """A path's closed contours, points on them, and the way from any point to the nearest of its moves.

    Args:
        moves: as read, mm.
    """

    def __init__(self, moves: Moves) -> None:
        self.moves = moves
        loops = _loops(moves)
        sampled = [(contour_of(_along(moves, loop, 200)), loop) for loop in loops]
        real = [(c, loop) for c, loop in sampled if c.area > 1e-3 * c.length**2 and c.length > 0.5]
        self.contours: list[Contour] = []
        chosen: list[list[int]] = []
        for contour, loop in sorted(real, key=lambda each: -each[0].length):
            # passes that follow each other along one contour are one
            if len(self.contours) < MANY and not any(_one(contour, other) for other in self.contours):
                self.contours.append(contour)
                chosen.append(loop)
        self._sample(chosen)

    def _sample(self, loops: list[list[int]]) -> None:
        """Points along the contours: ``points`` (N, 2), ``weights`` (N,) mm each stands for, ``of`` (N,)."""
        total = sum(contour.length for contour in self.contours)
        step = max(total / POINTS, 0.05)
        points, weights, of = [np.empty((0, 2))], [np.empty(0)], [np.empty(0, dtype=np.int64)]
        for k, loop in enumerate(loops):
            count = max(int(self.contours[k].length / step), 24)
            points.append(_along(self.moves, loop, count))
            weights.append(np.full(len(points[-1]), self.contours[k].length / len(points[-1])))
            of.append(np.full(len(points[-1]), k))
        self.points: Array = np.concatenate(points)
        self.weights: Array = np.concatenate(weights)
        self.of: NDArray[np.int64] = np.concatenate(of)
        which = np.array(sorted({k for loop in loops for k in loop}), dtype=np.int64)
        chords, move = _chords(self.moves, which)
        self._chords, self._move = chords, move
        self._tree: Any = shapely.STRtree(shapely.linestrings(chords)) if len(chords) else None

    def feet(self, points: Array) -> Array:
        """The nearest points (N, 2) of the contours to points (N, 2), mm; on arcs, those of the arc."""
        (_, chord) = self._tree.query_nearest(shapely.points(points), all_matches=False)
        a, b = self._chords[chord, 0], self._chords[chord, 1]
        way = b - a
        share = ((points - a) * way).sum(axis=1) / np.maximum((way * way).sum(axis=1), 1e-300)
        foot = a + np.clip(share, 0.0, 1.0)[:, None] * way
        k = self._move[chord]
        arc = self.moves.sweep[k] != 0
        centre = self.moves.centre[k][arc]
        radius = np.hypot(*(self.moves.start[k][arc] - centre).T)
        spoke = points[arc] - centre
        out = np.hypot(spoke[:, 0], spoke[:, 1])
        foot[arc] = centre + spoke * (radius / np.maximum(out, 1e-9))[:, None]
        return np.asarray(foot)


def _one(a: Contour, b: Contour) -> bool:
    near = np.hypot(*(a.centre - b.centre)) < 0.1
    return bool(near and abs(a.length - b.length) < 2.0 and abs(a.area - b.area) < 0.3 * b.length)


def _loops(moves: Moves) -> list[list[int]]:
    """Closed chains of cutting moves, without what leads to them."""
    cut = ~moves.rapid if moves.again is None else ~moves.rapid & ~moves.again
    keys = np.round(np.concatenate([moves.start, moves.end]), 3) + 0.0
    _, number = np.unique(keys, axis=0, return_inverse=True)
    number = number.reshape(-1)
    first, last = number[: len(moves)].tolist(), number[len(moves) :].tolist()
    loops: list[list[int]] = []
    chain: list[int] = []
    at: dict[int, int] = {}
    for k in range(len(moves)):
        if not cut[k]:
            chain, at = [], {}
            continue
        if not chain or last[chain[-1]] != first[k]:
            chain, at = [], {first[k]: 0}
        chain.append(k)
        begun = at.get(last[k])
        if begun is None:
            at[last[k]] = len(chain)
            continue
        loops.append(chain[begun:])
        for each in chain[begun:-1]:
            at.pop(last[each], None)
        chain = chain[:begun]
        if not chain:
            at = {last[k]: 0}
    return loops


def _along(moves: Moves, loop: list[int], count: int) -> Array:
    """About so many points (n, 2) along a chain of moves, evenly, on lines and arcs themselves; its corners
    too, where it has fewer."""
    k = np.array(loop)
    sweep = moves.sweep[k]
    chord = np.hypot(*(moves.end[k] - moves.start[k]).T)
    spoke = np.hypot(*(moves.start[k] - moves.centre[k]).T)
    length = np.where(sweep != 0, np.abs(sweep) * np.nan_to_num(spoke), chord)
    each = np.maximum(np.round(count * length / max(float(length.sum()), 1e-12)).astype(np.int64), 1)
    row = np.repeat(np.arange(len(k)), each)
    share = (np.arange(len(row)) - np.repeat(np.cumsum(each) - each, each)) / each[row]
    return _at(moves, k[row], share)


def _at(moves: Moves, k: NDArray[np.int64], share: Array) -> Array:
    """The points (n, 2) of moves ``k`` at shares of their way, from 0 to 1."""
    points = moves.start[k] + share[:, None] * (moves.end[k] - moves.start[k])
    arc = moves.sweep[k] != 0
    centre = moves.centre[k][arc]
    spoke = moves.start[k][arc] - centre
    angle = share[arc] * moves.sweep[k][arc]
    c, s = np.cos(angle), np.sin(angle)
    turned = [spoke[:, 0] * c - spoke[:, 1] * s, spoke[:, 0] * s + spoke[:, 1] * c]
    points[arc] = centre + np.stack(turned, axis=1)
    return np.asarray(points)


def _chords(moves: Moves, which: NDArray[np.int64]) -> tuple[Array, NDArray[np.int64]]:
    """Chords (C, 2, 2) of moves, an arc's of 4 degrees at most, and the move of each."""
    each = np.maximum(np.ceil(np.abs(moves.sweep[which]) / np.radians(4.0)).astype(np.int64), 1)
    k = np.repeat(which, each)
    n = np.repeat(each, each)
    step = np.arange(len(k)) - np.repeat(np.cumsum(each) - each, each)
    return np.stack([_at(moves, k, step / n), _at(moves, k, (step + 1) / n)], axis=1), k
