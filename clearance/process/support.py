"""Two bodies go in; where one lies on the other comes out: areas, lines and points, seen from above.

Facing places are looked for facet by facet, where one body's lower faces stand over the other's upper faces.
Both lean less than 75 degrees from level, so that a bar in a V-block and a wheel on a ring's edge are carried
as a plate on a rail is. How far two faces are apart is measured square to the flatter of the two. Only facets
where the bodies' boxes meet are looked at.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.facets import lengths, normals
from clearance.geometry.planar import common
from clearance.mesh.sections import Outline, region
from clearance.records import record
from clearance.scene.model import Body
from clearance.scene.stability import holds

Array = NDArray[np.float64]

#: surfaces nearer than this touch, mm; slices are made half as far beyond the part
NEAR = 0.1
#: a touch smaller than this, seen from above, is none (mm2)
LEAST = 0.01
#: slices of the part in which what touches it sideways is looked for
SIDEWAYS = 5


@record
class Contact:
    """One body that touches a part. ``under``: the part lies on it; else it holds it, from ``above`` (also by
    way of another part that lies between) or from beside."""

    body: int
    name: str
    under: bool
    where: Any
    above: bool = False

    def on_each(self, pieces: Sequence[Any]) -> NDArray[np.bool_]:
        """Which pieces of the part it touches; they are flat regions."""
        import shapely

        here = np.empty(len(pieces), dtype=object)
        here[:] = pieces
        shapely.prepare(self.where)
        touched = np.asarray(shapely.intersects(self.where, here), dtype=bool)
        some = np.flatnonzero(touched)
        over = shapely.intersection(self.where, here[some])
        touched[some] = shapely.area(over) > LEAST
        return touched


class Contacts:
    """What touches the parts of a scene; slices of what holds them are made once for each height."""

    def __init__(self, bodies: Sequence[Body]) -> None:
        self.bodies = bodies
        self._slices: dict[tuple[int, float], Any] = {}
        self._known: dict[tuple[int, tuple[int, ...]], list[Contact]] = {}

    def of(self, part: int, outline: Outline, present: tuple[int, ...]) -> list[Contact]:
        """What touches a part.

        Args:
            part: index of the body.   outline: its own.
            present: indices of the bodies that are there, the part itself passed over.

        What lies under it is looked for just below its lowest point, what clamps it just above its highest,
        what grips it sideways in some slices between.
        """
        key = (part, present)
        if key not in self._known:
            low, high = self.bodies[part].aabbs.box
            low, high = low - NEAR, high + NEAR
            self._known[key] = [
                contact
                for k in present
                if k != part and self._reaches(k, low, high)
                for contact in self._with(k, part, outline, present)
            ]
        return self._known[key]

    def meet(self, part: int, outline: Outline, other: int) -> bool:
        """Whether a body touches a part at all, from below, above or beside, be it held by that or not.

        Args:
            part: index of its body.   outline: of it, from above.   other: index of a body.
        """
        low, high = self.bodies[part].aabbs.box
        near = self._reaches(other, low - NEAR, high + NEAR)
        return near and any(True for _ in self._touches(other, outline, above=True, beside=True))

    def _reaches(self, k: int, low: Array, high: Array) -> bool:
        """Whether any triangle's box comes near."""
        return len(self.bodies[k].aabbs.meeting(low, high)) > 0

    def _with(self, k: int, part: int, outline: Outline, present: tuple[int, ...]) -> list[Contact]:
        """How a body bears or holds a part; where it touches without doing either is left out."""
        body, held = self.bodies[k], self.bodies[part]
        above, beside = holds(body, held, from_above=True), holds(body, held, from_above=False)
        touched = self._touches(k, outline, above=above, beside=beside)
        if body.kind != "part":
            return [Contact(k, body.name, place < 0, where, place > 0) for place, where in touched]
        found = []
        for place, where in touched:
            if place < 0:
                found.append(Contact(k, body.name, True, where))
            elif place > 0:
                found += self._by_way_of(k, part, where, present)
        return found

    def _by_way_of(self, lid: int, part: int, where: Any, present: tuple[int, ...]) -> list[Contact]:
        """What holds a part by way of another one that lies on it: what presses that one there. A
        lid's weight alone holds nothing that would fall."""
        if not self.bodies[lid].closed:
            return []
        rest = tuple(k for k in present if k != part)
        pressed = [(one, common(one.where, where)) for one in self.of(lid, self.bodies[lid].outline, rest)
                   if one.above]  # fmt: skip
        return [replace(one, where=here) for one, here in pressed if here.area > LEAST]

    def _touches(self, k: int, outline: Outline, *, above: bool, beside: bool) -> Iterator[tuple[int, Any]]:
        """Where a body touches a part: from below (-1), above (1) or beside (0), and the region in plan."""
        below = common(self.slice(k, outline.low - NEAR / 2), outline.shadow)
        if below.area > LEAST:
            yield -1, below
        if above:
            on_top = common(self.slice(k, outline.high + NEAR / 2), outline.shadow)
            if on_top.area > LEAST:
                yield 1, on_top
        if not beside:
            return
        for level in np.unique(np.linspace(0, len(outline.z) - 1, SIDEWAYS).astype(int)):
            cut = self.slice(k, float(outline.z[level]))
            if not cut.is_empty:
                at_its_side = common(cut.buffer(NEAR, quad_segs=2), outline.slices[level])
                if at_its_side.area > LEAST:
                    yield 0, at_its_side

    def slice(self, k: int, z: float) -> Any:
        """The slice of a body at a height; made once.

        Args:
            k: index of a body.   z: machine Z, mm.
        """
        key = (k, z)
        if key not in self._slices:
            self._slices[key] = region(self.bodies[k].triangles_M, z, self.bodies[k].aabbs)
        return self._slices[key]


#: nearer than this touches, mm, on top of what both may be off (common practice: 0.05 under a fourth rest
#: is touching, no source)
TOUCHES = 0.05
#: what is farther apart than this carries nothing, mm; between the two a shim is wanted
SHIM = 0.5
#: a face that leans more carries nothing: the upward share of its normal at 75 degrees
STEEP = float(np.cos(np.radians(75.0)))
#: a touch smaller than this, seen from above, is none (mm2)
SUPPORT_LEAST = 1e-5
#: from so many level facets at one height the slice just beside it is taken instead
MANY_LEVEL = 400
#: pairs of facets handled at a time, and looked through one by one
BATCH, ONE_BY_ONE = 50_000, 300_000
#: places that come out are rounded to this, mm
GRID = 1e-6
#: a slice's distance from a level face, mm
_BESIDE = 1e-3


class Bearing:
    """Where one body lies on another.

    Args:
        touching: polygons seen from above (shapely) in which they touch, of each pair of faces.
        near: those in which they are farther apart, but no more than ``SHIM``.
        gap: the least gap there, upright, mm; infinite where there is no such place.
    """

    def __init__(self, touching: Sequence[Any], near: Sequence[Any], gap: float) -> None:
        self._touching, self._near, self.gap = touching, near, gap

    @cached_property
    def touching(self) -> Any:
        """Places where they touch (shapely; may be empty)."""
        return _union(self._touching)

    @cached_property
    def near(self) -> Any:
        """Places where they are farther apart, but no more than ``SHIM``."""
        return _union(self._near)

    @cached_property
    def touches(self) -> bool:
        """Whether there is a place where they touch: most askers want no more, and joining takes long."""
        import shapely

        found = np.array(self._touching, dtype=object)
        # one that is this wide stays, however its edges are rounded
        wide = shapely.area(found) > 10.0 * GRID * shapely.length(found)
        return bool(wide.any()) or not self.touching.is_empty


def bearing(above: Body, below: Body, reach: float = SHIM) -> Bearing:
    """Where ``above`` lies on ``below``.

    Args:
        reach: how far apart two faces may be to be told of, mm.
    """
    low = np.maximum(above.aabbs.box[0], below.aabbs.box[0])
    high = np.minimum(above.aabbs.box[1], below.aabbs.box[1])
    low[2], high[2] = low[2] - reach, high[2] + reach
    if (low > high).any():
        return Bearing((), (), float("inf"))
    upper, lower = _Faces(above, low, high, -1.0), _Faces(below, low, high, 1.0)
    if not (len(upper) and len(lower)):
        return Bearing((), (), float("inf"))
    touch = TOUCHES + above.allow.height + below.allow.height
    touching, near, gap = [], [], float("inf")
    if upper.many or lower.many:
        for z, where in upper.levels().items():
            for other, there in lower.levels().items():
                apart = z - other
                if abs(apart) > max(reach, touch):
                    continue
                both = common(where, there)
                if both.area > SUPPORT_LEAST and apart <= touch:
                    touching.append(both)
                elif both.area > SUPPORT_LEAST:
                    near.append(both)
                    gap = min(gap, apart)
        sides = [(upper.sloping, lower.every), (upper.flat, lower.sloping)]
    else:
        sides = [(upper.every, lower.every)]
    for a, b in sides:
        for polygons, far, least in _pairs(a, b, touch, reach):
            touching += polygons
            near += far
            gap = min(gap, least)
    return Bearing(touching, near, gap)


def _union(polygons: Sequence[Any]) -> Any:
    import shapely

    # on a grid, so that no hairline stays between facets whose common edge was met in two ways
    return shapely.union_all(polygons, grid_size=GRID) if polygons else shapely.Polygon()


class _Faces:
    """A body's facets that meet a box and look up (``sign`` 1) or down (-1).

    ``flat`` are level ones, ``sloping`` the others; ``many``: they are so many that slices are quicker.
    """

    def __init__(self, body: Body, low: Array, high: Array, sign: float) -> None:
        self.body, self.sign = body, sign
        t = body.triangles_M[body.aabbs.meeting(low, high)]
        n = normals(t)
        length = lengths(n)
        up = sign * body.outward * n[:, 2] / np.where(length > 0.0, length, 1.0)
        self.every = t[(up > STEEP) & (length > 0.0)]
        level = np.ptp(self.every[..., 2], axis=1) <= 1e-6
        self.flat, self.sloping = self.every[level], self.every[~level]
        self.many = len(self.flat) > MANY_LEVEL

    def __len__(self) -> int:
        return len(self.every)

    def levels(self) -> dict[float, Any]:
        """The region of the level facets at each of their heights."""
        import shapely

        heights = np.round(self.flat[:, 0, 2], 5)
        found = {}
        for z in np.unique(heights):
            here = self.flat[heights == z]
            if len(here) <= MANY_LEVEL:
                found[float(z)] = shapely.union_all(shapely.polygons(here[..., :2]))
            else:
                # the slice just inside the metal
                level = float(z) - self.sign * _BESIDE
                found[float(z)] = region(self.body.triangles_M, level, self.body.aabbs)
        return found


# ------------------------------------------------------------------------------------------ facet by facet
def _pairs(above: Array, below: Array, touch: float, reach: float) -> Any:
    """Yields touching polygons, those farther apart, and their least gap, batch by batch."""
    if not (len(above) and len(below)):
        return
    a, b = _meeting(above, below, reach)
    for k in range(0, len(a), BATCH):
        yield _shared(above[a[k : k + BATCH]], below[b[k : k + BATCH]], touch, reach)


def _meeting(above: Array, below: Array, reach: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Pairs of facets whose boxes come within ``reach`` of each other in height, and meet in plan."""
    low_a, high_a = above.min(axis=1), above.max(axis=1)
    low_b, high_b = below.min(axis=1), below.max(axis=1)
    if len(above) * len(below) <= ONE_BY_ONE:
        meet = np.ones((len(above), len(below)), dtype=bool)
        for axis, room in ((0, 0.0), (1, 0.0), (2, reach)):
            meet &= low_a[:, axis, None] <= high_b[:, axis] + room
            meet &= high_a[:, axis, None] >= low_b[:, axis] - room
        a, b = np.nonzero(meet)
        return a, b
    import shapely

    tree = shapely.STRtree(shapely.box(low_b[:, 0], low_b[:, 1], high_b[:, 0], high_b[:, 1]))
    a, b = tree.query(shapely.box(low_a[:, 0], low_a[:, 1], high_a[:, 0], high_a[:, 1]))
    level = (low_a[a, 2] <= high_b[b, 2] + reach) & (high_a[a, 2] >= low_b[b, 2] - reach)
    return a[level], b[level]


def _shared(a: Array, b: Array, touch: float, reach: float) -> tuple[list[Any], list[Any], float]:
    """Of pairs of facets (P, 3, 3): polygons where they touch, where they are near, the least gap there."""
    n_a, n_b = _plane(a), _plane(b)
    flatter = np.maximum(n_a[:, 3], n_b[:, 3])
    slope, rise = n_a[:, :2] - n_b[:, :2], n_a[:, 2] - n_b[:, 2]
    shape = _anticlockwise(a[..., :2])
    other = _anticlockwise(b[..., :2])
    for k in range(3):
        start, along = other[:, k], other[:, (k + 1) % 3] - other[:, k]
        left = np.column_stack([-along[:, 1], along[:, 0]])
        shape = _clip(shape, left, -(left * start).sum(axis=1))
    # most facets whose boxes meet share nothing
    some = ~np.isnan(shape[:, 0, 0])
    shape, slope, rise, flatter = shape[some], slope[some], rise[some], flatter[some]
    # a gap may be negative: they cut into each other there, which is told elsewhere
    wide = max(reach, touch)
    shape = _clip(shape, slope, rise + wide / flatter)
    within = _clip(shape, -slope, touch / flatter - rise)
    beyond = _clip(_clip(shape, slope, rise - touch / flatter), -slope, wide / flatter - rise)
    gap = (beyond * slope[:, None]).sum(axis=2) + rise[:, None]
    real = _areas(beyond) > SUPPORT_LEAST
    return _polygons(within), _polygons(beyond), float(gap[real].min(initial=np.inf))


def _plane(t: Array) -> Array:
    """(P, 4): z = p x + q y + r over each facet, and the upward share of its normal."""
    n = normals(t)
    p, q = -n[:, 0] / n[:, 2], -n[:, 1] / n[:, 2]
    r = t[:, 0, 2] - p * t[:, 0, 0] - q * t[:, 0, 1]
    return np.column_stack([p, q, r, np.abs(n[:, 2]) / lengths(n)])


def _anticlockwise(t: Array) -> Array:
    """Triangles in plan (P, 3, 2), each turned so that it runs anticlockwise."""
    turn = (t[:, 1, 0] - t[:, 0, 0]) * (t[:, 2, 1] - t[:, 0, 1])
    turn -= (t[:, 1, 1] - t[:, 0, 1]) * (t[:, 2, 0] - t[:, 0, 0])
    return np.where((turn < 0.0)[:, None, None], t[:, ::-1], t)


def _clip(shape: Array, normal: Array, offset: Array) -> Array:
    """Convex polygons (P, N, 2) cut back to where normal . x + offset >= 0 (Sutherland and Hodgman, Reentrant
    polygon clipping, CACM 17, 1974). Corners may repeat; nan throughout is none left."""
    count = shape.shape[1]
    side = shape[..., 0] * normal[:, :1] + shape[..., 1] * normal[:, 1:] + offset[:, None]
    keep = side >= 0.0
    if keep.all():
        return np.concatenate((shape, shape[:, :1]), axis=1)
    if not keep.any():
        return np.full((len(shape), count + 1, 2), np.nan)
    after, there = _following(shape), _following(side)
    crosses = keep != _following(keep)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(crosses, side / (side - there), 0.0)
    slots, used = np.empty((len(shape), 2 * count, 2)), np.empty((len(shape), 2 * count), dtype=bool)
    slots[:, ::2], used[:, ::2] = shape, keep
    slots[:, 1::2], used[:, 1::2] = shape + share[..., None] * (after - shape), crosses
    row, order = np.arange(len(shape))[:, None], np.argsort(~used, axis=1, kind="stable")[:, : count + 1]
    out, good = slots[row, order], used[row, order]
    first = np.where(good[:, :1, None], out[:, :1], np.nan)
    return np.where(good[..., None], out, first)


def _following(shape: NDArray[Any]) -> NDArray[Any]:
    """Of corners (P, N, ...) of polygons, or what stands at them, the next one of each."""
    return np.concatenate((shape[:, 1:], shape[:, :1]), axis=1)


def _areas(shape: Array) -> Array:
    """(P,) mm2; 0 of none."""
    x, y = shape[..., 0], shape[..., 1]
    twice = x * _following(y) - y * _following(x)
    return np.asarray(np.nan_to_num(np.abs(twice.sum(axis=1)) / 2.0))


def _polygons(shape: Array) -> list[Any]:
    import shapely

    # areas from a corner of their own, so that a small polygon far from the origin keeps its digits
    real = _areas(shape - shape[:, :1]) > SUPPORT_LEAST
    kept = shape[real]
    if not len(kept):
        return []
    return list(shapely.convex_hull(shapely.linestrings(kept)))
