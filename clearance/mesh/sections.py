"""Sections: a body's slices at given heights as segments, rings and circles; its outline seen from above.

``Slabs`` has two slices in each slab between a body's own levels, from which areas, volumes and centres of
what stands over a flat region come (two-point Gauss rule).
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property, reduce
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import AabbSet, boxes_of
from clearance.geometry.planar import areas, following, preceding
from clearance.mesh.topology import shells
from clearance.records import record

Array = NDArray[np.float64]

#: a corner that lies so near to the line between its neighbours is none (mm): STL files keep 7 digits
STRAIGHT = 2e-5
#: a ring is round where its corners keep the same distance from a centre within this (mm, and share)
ROUND, ROUND_SHARE = 0.01, 0.005


@record
class HoleRing:
    """A ring that is a hole, horizontal, machine frame, mm.

    ``diameter`` is that of the circle through its corners where it is round, else that of the largest circle
    about ``centre`` that it holds. ``centre`` is the circle's, else the centroid of the ring's area.
    """

    centre: tuple[float, float]
    diameter: float
    is_round: bool


def section(triangles: Array, z: float, boxes: AabbSet | None = None) -> Array:
    """Segments (S, 2, 2) in X Y at which triangles (N, 3, 3) pass the height ``z``.

    Segments of triangles that share an edge meet in the very same doubles. ``boxes`` of the triangles spare
    time where there are many slices.
    """
    if boxes is None:
        low, high = boxes_of(triangles)
        rows = np.flatnonzero((low[:, 2] < z) & (high[:, 2] >= z))
    else:
        rows = boxes.crossing(z)
    if not len(rows):
        return np.empty((0, 2, 2))
    corner = triangles[rows]
    above = corner[..., 2] >= z
    alone = np.where(above.sum(axis=1) == 1, above.argmax(axis=1), above.argmin(axis=1))
    row = np.arange(len(rows))
    ends = []
    for step in (1, 2):
        a, b = corner[row, alone], corner[row, (alone + step) % 3]
        swap = (a[:, 2] >= z)[:, None]
        low, high = np.where(swap, b, a), np.where(swap, a, b)
        share = (z - low[:, 2]) / (high[:, 2] - low[:, 2])
        point = low[:, :2] + share[:, None] * (high[:, :2] - low[:, :2])
        # reached from whichever edge, a corner is itself
        ends.append(np.where((high[:, 2] == z)[:, None], high[:, :2], point))
    segments = np.stack(ends, axis=1) + 0.0
    return np.asarray(segments[(segments[:, 0] != segments[:, 1]).any(axis=1)])


def rings(segments: Array) -> list[Array]:
    """Closed rings (n, 2), last point not repeated, without corners that are none; open ends are left out.

    Not by shapely's ``polygonize``: it takes segments that stand twice once, so that a wall between two
    shells or a body written twice is lost, and makes a third face where two shells cross in corners.
    """
    if not len(segments):
        return []
    flat = np.ascontiguousarray(segments.reshape(-1, 2))
    # complex numbers are sorted by x, then by y
    _, first, number = np.unique(flat.view(np.complex128)[:, 0], return_index=True, return_inverse=True)
    points = flat[first]
    ends = number.reshape(-1, 2)
    paired = bool((np.bincount(number) == 2).all())
    chains = _loops(ends) if paired else _closed(ends.tolist(), len(points))
    found = (_plain(points[chain]) for chain in chains)
    return [ring for ring in found if len(ring) >= 3]


def _loops(ends: NDArray[np.intp]) -> Iterator[list[int]]:
    """Loops of points along segments, ``ends`` (S, 2), where at each point two of them end: each point is
    on one loop. Of two that meet, or of a segment's ends, the other one is their sum less the one."""
    at_point = np.zeros(int(ends.max()) + 1, dtype=np.intp)
    np.add.at(at_point, ends, np.arange(len(ends))[:, None])
    segments, across = at_point.tolist(), ends.sum(axis=1).tolist()
    used = [False] * len(ends)
    for k, (start, point) in enumerate(ends.tolist()):
        if used[k]:
            continue
        used[k] = True
        chain, segment = [start], k
        while point != start:
            chain.append(point)
            segment = segments[point] - segment
            used[segment] = True
            point = across[segment] - point
        yield chain


def _closed(ends: list[list[int]], count: int) -> Iterator[list[int]]:
    """The same where any number of segments end at a point, out of ``count``; those that close."""
    at: list[list[int]] = [[] for _ in range(count)]
    for k, (a, b) in enumerate(ends):
        at[a].append(k)
        at[b].append(k)
    used = [False] * len(ends)
    for k in range(len(ends)):
        if used[k]:
            continue
        used[k] = True
        chain = list(ends[k])
        while chain[-1] != chain[0]:
            step = next((s for s in at[chain[-1]] if not used[s]), None)
            if step is None:
                break
            used[step] = True
            a, b = ends[step]
            chain.append(b if a == chain[-1] else a)
        if chain[-1] == chain[0]:
            yield chain[:-1]


def _plain(ring: Array) -> Array:
    """Without corners that lie on the line between their neighbours."""
    for _ in range(16):
        if len(ring) < 4:
            break
        x, y = ring.T
        x0, y0 = preceding(x), preceding(y)
        way_x, way_y = following(x) - x0, following(y) - y0
        aside = np.abs(way_x * (y - y0) - way_y * (x - x0))
        none = aside <= STRAIGHT * np.hypot(way_x, way_y)
        if not none.any():
            break
        # of corners in a row only every other one at a time, else a shallow curve would go as a whole
        both = none & preceding(none)
        both[::2] = False
        ring = ring[none == both]
    return ring


def area(ring: Array) -> float:
    """The area of a ring (n, 2), mm2, whichever way it runs (shoelace formula)."""
    x, y = ring[:, 0] - ring[0, 0], ring[:, 1] - ring[0, 1]
    return abs(float(x @ following(y) - y @ following(x))) / 2.0


def holds(ring: Array, point: Array) -> bool:
    """Whether the ring (n, 2) goes around the point (2,): the even-odd rule."""
    x, y = ring[:, 0] - point[0], ring[:, 1] - point[1]
    x1, y1 = following(x), following(y)
    across = (y > 0) != (y1 > 0)
    right = (x1 - x) * (0.0 - y) / np.where(across, y1 - y, 1.0) + x > 0.0
    return bool(np.count_nonzero(across & right) % 2)


def around(found: list[Array], point: Array) -> Array | None:
    """The narrowest of the rings that go around a point; None where none does.

    Args:
        found: rings (n, 2), mm, not closed.   point: (2,), mm, in their frame.
    """
    about = [ring for ring in found if holds(ring, point)]
    return min(about, key=area, default=None)


def hole_of(ring: Array) -> HoleRing:
    """The hole that a ring (n, 2) is: the circle through its corners by least squares, where it is round.

    The fit solves x^2 + y^2 = 2 a x + 2 b y + c (Kasa's linear fit; from memory): exact where all the corners
    lie on one circle, however they are spaced.
    """
    middle = ring.mean(axis=0)
    p = ring - middle
    if len(ring) >= 8:
        left = np.column_stack([2 * p, np.ones(len(p))])
        (a, b, _), *_ = np.linalg.lstsq(left, (p * p).sum(axis=1), rcond=None)
        radius = np.hypot(p[:, 0] - a, p[:, 1] - b)
        mean = float(radius.mean())
        if np.ptp(radius) <= max(ROUND, ROUND_SHARE * mean):
            return HoleRing((float(middle[0] + a), float(middle[1] + b)), 2.0 * mean, True)
    centre = _centroid(ring)
    way = following(ring) - ring
    share = ((centre - ring) * way).sum(axis=1) / np.maximum((way * way).sum(axis=1), 1e-300)
    off = ring + np.clip(share, 0.0, 1.0)[:, None] * way - centre
    inside = holds(ring, centre)
    nearest = float(np.hypot(off[:, 0], off[:, 1]).min()) if inside else 0.0
    return HoleRing((float(centre[0]), float(centre[1])), 2.0 * nearest, False)


def _centroid(ring: Array) -> Array:
    p = ring - ring[0]
    q = following(p)
    cross = p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0]
    total = cross.sum()
    if total == 0.0:
        return np.asarray(ring.mean(axis=0))
    return np.asarray(ring[0] + ((p + q) * cross[:, None]).sum(axis=0) / (3.0 * total))


#: Gauss's two points in a layer from 0 to 1: exact for what is cubic in height, as areas and their first
#: moments between two levels of corners are (Stroud and Secrest, Gaussian Quadrature Formulas, from memory)
_GAUSS = 0.5 - 0.5 / np.sqrt(3.0), 0.5 + 0.5 / np.sqrt(3.0)
#: layers thinner than this are none, mm
THIN = 1e-4
#: slices at most, and fewer where there are more facets than this
MOST, FEW, MANY = 24, 8, 100_000


def region(triangles: Array, z: float, boxes: AabbSet | None = None) -> Any:
    """The slice of a body at height ``z``: holes are holes; shells that cross each other count once.

    Args:
        triangles: of the body (N, 3, 3), mm, closed.
        z: height of the slice, mm, in the frame of the triangles.
        boxes: of the triangles, where they are known already.
    """
    return _filled(rings(section(triangles, z, boxes)), triangles, z)


def _filled(found: list[Array], triangles: Array, z: float) -> Any:
    """The region of the rings of a slice."""
    import shapely

    if not found:
        return shapely.Polygon()
    loops = [shapely.linearrings(np.vstack([ring, ring[:1]])) for ring in found]
    polygons = shapely.polygons(loops)
    if len(loops) == 1:
        return areas(shapely.make_valid(polygons[0]))
    tree = shapely.STRtree(polygons)
    across = tree.query(polygons, predicate="overlaps")
    twice = tree.query(polygons, predicate="contains_properly")
    if across.shape[1]:
        return _by_shell(triangles, z)
    depth = np.zeros(len(loops), dtype=int)
    np.add.at(depth, twice[1], 1)
    holes: list[list[Any]] = [[] for _ in loops]
    for outer, inner in twice.T:
        if depth[inner] % 2 == 1 and depth[outer] == depth[inner] - 1:
            holes[outer].append(loops[inner])
    solid = [shapely.polygons(loops[k], holes[k] or None) for k in np.flatnonzero(depth % 2 == 0)]
    return areas(shapely.make_valid(solid[0] if len(solid) == 1 else shapely.multipolygons(solid)))


def _by_shell(triangles: Array, z: float) -> Any:
    """The same, each shell by itself; rings of one shell that cross are filled."""
    import shapely

    z_low, z_high = triangles[..., 2].min(axis=1), triangles[..., 2].max(axis=1)
    label = shells(triangles)
    near = np.flatnonzero((z_low <= z) & (z_high >= z))
    parts = []
    for one in np.unique(label[near]):
        found = rings(section(triangles[near[label[near] == one]], z))
        whole = shapely.Polygon()
        for ring in found:
            whole = areas(whole ^ areas(shapely.make_valid(shapely.Polygon(ring))))
        parts.append(whole)
    return shapely.union_all(parts)


class Outline:
    """A body seen from above, by its slices.

    Args:
        triangles: (N, 3, 3) mm, machine frame.
        most: slices to make at most; left out, fewer for a body of very many facets. Where
            corners stand at so few heights that this is enough, volumes and middles are exact.

    Attributes:
        low, high: lowest and highest Z.
        z, weight: heights of the slices, and how much height each stands for.
    """

    def __init__(self, triangles: Array, most: int | None = None, boxes: AabbSet | None = None) -> None:
        if most is None:
            most = MOST if len(triangles) <= MANY else FEW
        self.triangles = triangles
        self.boxes = AabbSet(*boxes_of(triangles)) if boxes is None else boxes
        corners = np.concatenate([self.boxes.low[:, 2], self.boxes.high[:, 2]])
        self.low, self.high = float(corners.min()), float(corners.max())
        levels = heights(corners)
        if not 2 <= len(levels) <= most // 2 + 1:
            levels = np.linspace(self.low, self.high, most // 2 + 1)
        levels[0], levels[-1] = self.low, self.high
        thick = np.diff(levels)
        keep = thick > THIN
        base, thick = levels[:-1][keep], thick[keep]
        self.z = (base[:, None] + thick[:, None] * np.array(_GAUSS)).reshape(-1)
        self.weight = np.repeat(thick / 2.0, 2)

    @cached_property
    def slices(self) -> list[Any]:
        """One region for each of ``z``; the same object where a slice repeats the one before."""
        return self.sliced()

    def sliced(self) -> list[Any]:
        """Those slices, made anew."""
        made: list[Any] = []
        before: list[Array] = []
        for z in self.z.tolist():
            found = rings(section(self.triangles, z, self.boxes))
            if made and len(found) == len(before) and all(map(np.array_equal, found, before)):
                made.append(made[-1])
                continue
            new, before = _filled(found, self.triangles, z), found
            made.append(made[-1] if made and _alike(made[-1], new) else new)
        return made

    @cached_property
    def shadow(self) -> Any:
        """All the slices laid over each other."""
        import shapely

        different = list({id(one): one for one in self.slices}.values())
        return shapely.union_all(different) if len(different) > 1 else different[0]

    def over(self, areas: list[Any]) -> list[tuple[float, Array]]:
        """For each flat area the volume (mm3) of the body over and under it, and its middle (3,).

        Args:
            areas: shapely, in X and Y of the body's frame, mm.
        """
        return self.over_each([areas] * len(self.z))

    def over_each(self, areas: list[list[Any]]) -> list[tuple[float, Array]]:
        """The same for areas that change with height: ``areas[k]`` holds at ``z[k]``."""
        import shapely

        count = len(areas[0]) if areas else 0
        volume, moment = np.zeros(count), np.zeros((count, 3))
        last: tuple[Any, Any] = (None, None)
        size, middle = np.zeros(count), np.zeros((count, 2))
        for z, weight, level, here in zip(self.z, self.weight, self.slices, areas, strict=True):
            if last[0] is not level or last[1] is not here:
                cut = shapely.intersection(level, np.array(here, dtype=object))
                size = shapely.area(cut)
                some = size > 0.0
                where = shapely.centroid(cut[some])
                middle = np.zeros((count, 2))
                middle[some] = np.column_stack([shapely.get_x(where), shapely.get_y(where)])
                last = (level, here)
            part = weight * size
            volume += part
            moment += part[:, None] * np.column_stack([middle, np.full(count, z)])
        with np.errstate(invalid="ignore"):
            middles = moment / volume[:, None]
        return [(float(v), m) for v, m in zip(volume, middles, strict=True)]


def heights(z: Array) -> Array:
    """Heights, rounded to 1e-4 mm, each once, rising; of many they are not sorted."""
    steps: Array = np.rint(z * 1e4)
    first, last = float(steps.min()), float(steps.max())
    if len(z) <= MANY_HEIGHTS or last - first > 20 * len(z):
        return np.asarray(np.unique(steps) / 1e4)
    there = np.zeros(int(last - first) + 1, dtype=bool)
    there[(steps - first).astype(np.intp)] = True
    return np.asarray((np.flatnonzero(there) + first) / 1e4)


def _alike(a: Any, b: Any) -> bool:
    """Whether two regions are the same but for rounding."""
    import shapely

    return bool(
        shapely.get_num_coordinates(a) == shapely.get_num_coordinates(b)
        and abs(a.area - b.area) <= 1e-7 * (1.0 + a.area)
        and shapely.equals_exact(shapely.normalize(a), shapely.normalize(b), 1e-5)
    )


#: levels at most; of more, every so many is taken (the 350 of a round bar would cost more than the whole
#: check; with these its volume is 3e-5 off)
LEVELS = 60
#: triangles that are looked at together
_SOME = 4096
#: more heights than this are not sorted: it is noted which there are
MANY_HEIGHTS = 20_000
#: a facet that covers less than this share of its box's longest side squared, in plan, is upright
UPRIGHT = 1e-7
#: heights that agree within this are one, mm
SAME = 1e-9
_SLABS_GAUSS = np.array([0.5 - 0.5 / np.sqrt(3.0), 0.5 + 0.5 / np.sqrt(3.0)])


def levels_of(triangles: Array) -> Array:
    """Heights (K,) between which no slice changes its make, the lowest and the highest included.

    They are those of all corners of facets that do not stand upright.

    Args:
        triangles: (N, 3, 3), mm.
    """
    # some at a time: what stays in the processor's own memory is quicker than all at once
    some = [_bends(triangles[k : k + _SOME]) for k in range(0, len(triangles), _SOME)]
    ends = [float(triangles[..., 2].min()), float(triangles[..., 2].max())]
    found = heights(np.concatenate([*some, ends]))
    if len(found) > LEVELS:
        found = found[np.unique(np.linspace(0, len(found) - 1, LEVELS).round().astype(int))]
    return np.asarray(found)


def _bends(triangles: Array) -> Array:
    """The heights of the corners of triangles that are not upright."""
    a, b, c = (triangles[:, k] for k in range(3))
    p, q = (b - a).T, (c - a).T
    flat = np.abs(p[0] * q[1] - p[1] * q[0])
    size = reduce(np.maximum, np.abs(np.concatenate([p, q])))
    z = triangles[flat > UPRIGHT * size * size, :, 2]
    # a level facet has one height, not three: sorting them is what takes the time
    level = (z[:, 0] == z[:, 1]) & (z[:, 1] == z[:, 2])
    return np.concatenate([z[level, 0], z[~level].reshape(-1)])


class Slabs(Outline):
    """A body by two slices in each slab between its own levels; see ``Outline``.

    ``like``: the same body's outline, whose slices are taken where they are at the same heights.
    """

    def __init__(self, triangles: Array, boxes: AabbSet, like: Outline | None = None) -> None:
        self.triangles, self.boxes = triangles, boxes
        levels = levels_of(triangles)
        self.low, self.high = float(levels[0]), float(levels[-1])
        thick = np.diff(levels)
        keep = thick > THIN
        base, thick = levels[:-1][keep], thick[keep]
        self.z = (base[:, None] + thick[:, None] * _SLABS_GAUSS).reshape(-1)
        self.weight = np.repeat(thick / 2.0, 2)
        self._like = like

    @cached_property
    def slices(self) -> list[Any]:
        """As those of ``Outline``."""
        like = self._like
        if like is not None and len(like.z) == len(self.z) and np.allclose(like.z, self.z, 0.0, SAME):
            return like.slices
        return self.sliced()
