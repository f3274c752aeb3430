"""Triangles as FCL holds them: a surface at one place, and one that stands at many places of another one.

Shifts go in, FCL's distance at each comes out.

Of the holes of a plate many have one envelope, which stands at many places. Both surfaces are parted into
groups of triangles, each with a tree of FCL's own that is made when it is first asked for. A pair of groups
is asked for only where it can hold something nearer than what FCL has found at that place (branch and
bound). Two bounds tell: the groups' boxes, and the plane between the two nearest points that FCL gave. What
lies wholly on either side of two parallel planes is no nearer than these are (separating axis): a product
with the corners, for all places at once. FCL is first asked for a few triangles, the best of the best pair
by their boxes; at most places that is all, also where a head rides parallel to a part and many facets are
equally near.

Groups are made by halving the one of the largest box where the boxes of both halves, each times what it
holds, are smallest (surface area heuristic: MacDonald and Booth, Heuristics for ray tracing using space
subdivision, The Visual Computer 6 (1990), from memory): long triangles beside each other come into one group,
which FCL's own trees, that halve by the middles, do not see to. The few triangles are halves of halves of a
group, by the middles.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable
from copy import copy

import fcl
import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import boxes_of
from clearance.kernels.fcl.positions import boxes_apart, nearest_points
from clearance.kernels.sweeps import WarmStart
from clearance.records import changing
from clearance.tolerances import DEFAULT, FclTolerances

Array = NDArray[np.float64]
Index = NDArray[np.intp]

#: groups of a surface: one for so many triangles, but no fewer and no more
_OF_GROUP, _FEWEST, _MOST = 60, 16, 64
#: groups of so few triangles are not parted
_LEAST = 8
#: triangles of a small group at most
_SMALL = 10
#: triangles of a head, and of a body, that are shown first; with so few in all there is no first look
_FEW, _FIRST = 8, 48
#: so few triangles of a body are given to FCL by themselves
_BY_THEMSELVES = 24
#: corners times ways in one product
_PRODUCT = 60_000
#: mixes three coordinates into one figure
_MIXED = np.array([1.0, 0.7548776662466927, 0.5698402909980532])
#: places that are looked at together: what bounds the memory
_TOGETHER = 128


class Surface:
    """Triangles (N, 3, 3) as FCL holds them, relative to ``origin`` so that far scenes lose no digits."""

    def __init__(self, triangles: Array, origin: Array) -> None:
        self.origin, self.size = origin, len(triangles)
        if not self.size:
            return  # FCL takes no model of nothing
        vertices, faces = _numbered((triangles - origin).reshape(-1, 3))
        self.model = fcl.BVHModel()
        self.model.beginModel(len(faces), len(vertices))
        self.model.addSubModel(vertices, faces)
        self.model.endModel()
        self.object = fcl.CollisionObject(self.model, fcl.Transform())

    def at(self, shift: Array) -> Surface:
        """The same surface moved by ``shift`` (3,); its tree is the same one."""
        if not self.size:
            return self
        moved = copy(self)
        moved.object = fcl.CollisionObject(self.model, fcl.Transform(shift))
        return moved


def _numbered(corners: Array) -> tuple[Array, NDArray[np.int32]]:
    """Corners of triangles (3 N, 3), each once, and the triangles (N, 3) by their numbers: FCL takes each
    corner over by itself, which is half of the time that it needs.

    Sorted by one figure made of all three coordinates; different corners of one figure stay what they are.
    """
    order = np.argsort(corners @ _MIXED, kind="stable")
    sorted_ = corners[order]
    new = np.ones(len(order), dtype=bool)
    new[1:] = (sorted_[1:] != sorted_[:-1]).any(axis=1)
    number = np.empty(len(order), dtype=np.int32)
    number[order] = np.cumsum(new) - 1
    return sorted_[new], number.reshape(-1, 3)


def gap(head: Surface, item: Surface, touch: float = DEFAULT.fcl.touch) -> float:
    """Smallest distance of ``head`` and ``item``, given relative to one origin, mm; 0 up to ``touch``."""
    if not head.size:
        return np.inf
    distance = float(fcl.distance(head.object, item.object, fcl.DistanceRequest(), fcl.DistanceResult()))
    return 0.0 if distance <= touch else distance


@changing
class Shown:
    """Some triangles of a body: what FCL can be shown of it.

    Attributes:
        triangles: (N, 3, 3) mm, neighbours one after the other.
        low, high: (G, 3) boxes about groups of neighbours.   first: (G,) where each group begins.
        whole: makes all of them as FCL holds them, where these are kept; else they are made as needed.
    """

    triangles: Array
    low: Array
    high: Array
    first: Index
    whole: Callable[[], Surface] | None = None


def smallest(
    head: Array,
    body: Shown,
    origin: Array,
    start: WarmStart | None,
    matters: float = np.inf,
    tolerances: FclTolerances = DEFAULT.fcl,
) -> float:
    """The smallest distance of triangles of a head from those of a body, mm; 0 up to a touch.

    FCL is first shown the few of both that lie where the search may look first, and after that what can be
    nearer than it has found there. Two bounds tell, for each triangle of the head and each group of the
    body: their boxes, and two planes square to the way between the two nearest points that FCL gave
    (separating axis). Where the first look was right nothing is left.

    Args:
        head: (N, 3, 3), in the frame of the body, mm.   origin: (3,) a point near to both.
        start: where to look first, if that is known.
        matters: what is no nearer than this need not be found, mm.
    """
    triangles = body.triangles
    if not len(head) or not len(triangles):
        return np.inf
    if start is None or len(head) + len(triangles) <= _FIRST:
        return gap(Surface(head, origin), _surface(body, triangles, origin), tolerances.touch)
    found = fcl.DistanceResult()
    few = (
        Surface(_nearest(head, start.on_head), origin),
        Surface(_nearest(triangles, start.on_item), origin),
    )
    request = fcl.DistanceRequest(enable_nearest_points=True)
    best = float(fcl.distance(few[0].object, few[1].object, request, found))
    if best <= tolerances.touch:
        return 0.0
    way = (found.nearest_points[1] - found.nearest_points[0]) / best
    up_to = min(best, matters) - tolerances.plane_slack
    reached, begins = ((head - origin) @ way).max(axis=1), ((triangles - origin) @ way).min(axis=1)
    planes = np.minimum.reduceat(begins, body.first) - reached[:, None]
    low, high = boxes_of(head)
    nearer = ~(np.fmax(boxes_apart(low[:, None], high[:, None], body.low, body.high), planes) >= up_to)
    left = nearer.any(axis=1)
    if not left.any():
        return best
    count = np.diff(np.append(body.first, len(triangles)))
    rows = np.repeat(nearer.any(axis=0), count) & ~(begins - reached[left].max() >= up_to)
    left &= ~(begins[rows].min(initial=np.inf) - reached >= up_to)
    if not left.any():
        return best
    return min(
        best,
        gap(Surface(head[left], origin), _surface(body, triangles[rows], origin), tolerances.touch),
    )


def _surface(body: Shown, some: Array, origin: Array) -> Surface:
    """Some triangles of a body for FCL: those that it holds already where that is as quick."""
    return Surface(some, origin) if body.whole is None or len(some) <= _BY_THEMSELVES else body.whole()


def _nearest(triangles: Array, point: Array) -> Array:
    """A few of the triangles (N, 3, 3): those nearest to a point (3,), hardly more."""
    if len(triangles) <= _FEW:
        return triangles
    low, high = boxes_of(triangles)
    away = np.maximum(np.maximum(low - point, point - high), 0.0)
    away = (away * away).sum(axis=1)
    # a point that is no number is near to all of them
    near = np.flatnonzero(~(away > np.partition(away, _FEW - 1)[_FEW - 1]))
    if len(near) > _FEW:
        # the boxes of many hold it
        off = nearest_points(triangles[near], np.broadcast_to(point, (len(near), 3))) - point
        near = near[np.argpartition((off * off).sum(axis=1), _FEW)[:_FEW]]
    return triangles[near]


class Groups:
    """A surface in groups, and in small ones.

    Args:
        triangles: (N, 3, 3) mm, one at least.

    Attributes:
        low, high: (G, 3) the groups' boxes.   small_low, small_high: (S, 3) those of the small ones.
        begin: (G,) the first small group of each.   count: (G,) how many.
    """

    def __init__(self, triangles: Array) -> None:
        groups = parted(triangles, int(np.clip(len(triangles) // _OF_GROUP, _FEWEST, _MOST)))
        order, first, self.begin = _in_small(triangles, groups)
        self.count = np.diff(np.r_[self.begin, len(first)])
        self._triangles = triangles[order]
        self._ends = np.r_[first, len(order)]
        self._models: dict[tuple[int, int], fcl.BVHModel] = {}
        low, high = boxes_of(self._triangles)
        self.small_low = np.minimum.reduceat(low, first)
        self.small_high = np.maximum.reduceat(high, first)
        self.low = np.minimum.reduceat(self.small_low, self.begin)
        self.high = np.maximum.reduceat(self.small_high, self.begin)
        of = np.repeat(np.arange(len(groups)), [3 * len(rows) for rows in groups])
        self._corners, self._first = _once(self._triangles.reshape(-1, 3), of)

    def model(self, group: int) -> fcl.BVHModel:
        """FCL's tree of a group."""
        begin = self.begin[group]
        return self._made(begin, begin + self.count[group])

    def small_model(self, small: int) -> fcl.BVHModel:
        """FCL's tree of a small group."""
        return self._made(small, small + 1)

    def _made(self, first: int, last: int) -> fcl.BVHModel:
        key = (int(first), int(last))
        if key not in self._models:
            vertices = self._triangles[self._ends[first] : self._ends[last]].reshape(-1, 3)
            made = self._models[key] = fcl.BVHModel()
            made.beginModel(len(vertices) // 3, len(vertices))
            made.addSubModel(vertices, np.arange(len(vertices), dtype=np.int32).reshape(-1, 3))
            made.endModel()
        return self._models[key]

    def reach(self, ways: Array) -> Array:
        """How far each group (G, n) reaches along each of some ways (n, 3)."""
        # a few ways at a time: for large products numpy wakes threads that are busy waiting long after
        few = max(_PRODUCT // len(self._corners), 1)
        parts = [self._corners @ ways[k : k + few].T for k in range(0, len(ways), few)]
        return np.concatenate([np.maximum.reduceat(part, self._first, axis=0) for part in parts], axis=1)


def parted(triangles: Array, most: int) -> list[Index]:
    """Groups (at most ``most``) of triangles (N, 3, 3): the rows of each."""
    low, high = boxes_of(triangles)
    middle = low + high
    whole = np.arange(len(triangles))
    waiting = [(-_cost(low, high, whole), 0, whole)]
    done: list[Index] = []
    number = 0
    while waiting and len(waiting) + len(done) < most:
        _, _, rows = heapq.heappop(waiting)
        if len(rows) <= _LEAST:
            done.append(rows)
            continue
        for half in _halves(low, high, middle, rows):
            number += 1
            heapq.heappush(waiting, (-_cost(low, high, half), number, half))
    return [*done, *(rows for _, _, rows in waiting)]


def _halves(low: Array, high: Array, middle: Array, rows: Index) -> tuple[Index, Index]:
    """Some triangles in two, along the axis and at the place where that is worth most."""
    best, halves = np.inf, (rows[:1], rows[1:])
    held = np.arange(1, len(rows))
    for axis in range(3):
        order = rows[np.argsort(middle[rows, axis], kind="stable")]
        a, b = low[order], high[order]
        before = np.maximum.accumulate(b)[:-1] - np.minimum.accumulate(a)[:-1]
        behind = (np.maximum.accumulate(b[::-1]) - np.minimum.accumulate(a[::-1]))[-2::-1]
        cost = _area(before) * held + _area(behind) * held[::-1]
        at = int(np.argmin(cost))
        if cost[at] < best:
            best, halves = float(cost[at]), (order[: at + 1], order[at + 1 :])
    return halves


def _cost(low: Array, high: Array, rows: Index) -> float:
    return len(rows) * float(_area(high[rows].max(axis=0) - low[rows].min(axis=0)))


def _area(size: Array) -> Array:
    """Half the surface of boxes, by their sizes (..., 3)."""
    x, y, z = size[..., 0], size[..., 1], size[..., 2]
    return np.asarray(x * y + y * z + z * x)


def _in_small(triangles: Array, groups: list[Index]) -> tuple[Index, Index, Index]:
    """An order (N,) of triangles, where in it each small group begins (S,), and which small group is the
    first of each group (G,)."""
    order = np.concatenate(groups)
    size = np.array([len(rows) for rows in groups])
    group = np.repeat(np.arange(len(groups)), size)
    middle = triangles.sum(axis=1)
    first = np.cumsum(size) - size
    while (size > _SMALL).any():
        # each that is too large is halved along the longest way of its middles
        own = middle[order]
        long = np.maximum.reduceat(own, first) - np.minimum.reduceat(own, first)
        label = np.repeat(np.arange(len(size)), size)
        along = own[np.arange(len(own)), long.argmax(axis=1)[label]]
        large = size > _SMALL
        along[~large[label]] = 0.0
        order = order[np.lexsort((along, label))]
        half = size[large] // 2
        size = np.insert(np.where(large, size // 2, size), np.flatnonzero(large) + 1, size[large] - half)
        first = np.cumsum(size) - size
    return order, first, np.searchsorted(group[first], np.arange(len(groups)))


def _once(points: Array, of: Index) -> tuple[Array, Index]:
    """Points (N, 3), each once in what it is of (N,), rising; and where each of these begins."""
    rows = np.lexsort((points[:, 2], points[:, 1], points[:, 0], of))
    points, of = points[rows], of[rows]
    new = np.r_[True, (points[1:] != points[:-1]).any(axis=1) | (of[1:] != of[:-1])]
    points, of = points[new], of[new]
    return points, np.searchsorted(of, np.arange(int(of[-1]) + 1))


def distances(surface: Groups, other: Groups, shifts: Array, slack: float) -> Array:
    """The distance (n,) of a surface, moved by each of ``shifts`` (n, 3), from another one that stands still.

    Each is FCL's figure for some pair of groups; no other pair is nearer by more than ``slack``, mm.
    """
    out = np.empty(len(shifts))
    for k in range(0, len(shifts), _TOGETHER):
        out[k : k + _TOGETHER] = _Places(surface, other, shifts[k : k + _TOGETHER], slack).found()
    return out


class _Places:
    """Some places of one surface beside another one."""

    def __init__(self, surface: Groups, other: Groups, shifts: Array, slack: float) -> None:
        self.surface, self.other, self.shifts, self.slack = surface, other, shifts, slack
        self.best = np.full(len(shifts), np.inf)
        #: (n, pairs) what each pair of groups is no nearer than
        self.bound = boxes_apart(
            surface.low[:, None] + shifts[:, None, None],
            surface.high[:, None] + shifts[:, None, None],
            other.low,
            other.high,
        ).reshape(len(shifts), -1)

    def found(self) -> Array:
        rows, groups = np.arange(len(self.shifts)), len(self.other.low)
        # of the pair that is best by its boxes what is best in it first: much is left out by that
        i, j = np.divmod(self.bound.argmin(axis=1), groups)
        self.ask(rows, *self.small(i, j), self.surface.small_model, self.other.small_model)
        while len(rows := rows[~(self.bound[rows].min(axis=1) >= self.best[rows] - self.slack)]):
            pair = self.bound[rows].argmin(axis=1)
            i, j = np.divmod(pair, groups)
            self.bound[rows, pair] = np.inf
            self.ask(rows, i, j, self.surface.model, self.other.model)
        return self.best

    def small(self, i: Index, j: Index) -> tuple[Index, Index]:
        """The small groups (n,) that are nearest to each other by their boxes, of a pair of groups of each
        place."""
        surface, other = self.surface, self.other
        many = other.count[j]
        row, k = _counted(surface.count[i] * many)
        i, j, many = surface.begin[i][row], other.begin[j][row], many[row]
        i, j = i + k // many, j + k % many
        shift = self.shifts[row]
        bound = boxes_apart(
            surface.small_low[i] + shift,
            surface.small_high[i] + shift,
            other.small_low[j],
            other.small_high[j],
        )
        order = np.lexsort((bound, row))
        best = order[np.r_[True, row[order[1:]] != row[order[:-1]]]]
        return i[best], j[best]

    def ask(
        self,
        rows: Index,
        i: Index,
        j: Index,
        model: Callable[[int], fcl.BVHModel],
        other: Callable[[int], fcl.BVHModel],
    ) -> None:
        """Ask FCL for one pair of each of some places."""
        nearer: list[int] = []
        ways: list[Array] = []
        request, origin = fcl.DistanceRequest(enable_nearest_points=True), fcl.Transform()
        for row, one, two in zip(rows.tolist(), i.tolist(), j.tolist(), strict=True):
            moved = fcl.CollisionObject(model(one), fcl.Transform(self.shifts[row]))
            found = fcl.DistanceResult()
            distance = float(fcl.distance(moved, fcl.CollisionObject(other(two), origin), request, found))
            if distance < self.best[row]:
                self.best[row] = max(distance, 0.0)
                if distance > 0.0:
                    nearer.append(row)
                    ways.append(found.nearest_points[1] - found.nearest_points[0])
        if nearer:
            self.by_planes(np.array(nearer), np.array(ways))

    def by_planes(self, rows: Index, ways: Array) -> None:
        """Raise the bounds of some places by how far groups are apart along a way of each (k, 3), from one
        surface to the other; a way that is no number bounds nothing."""
        ways = ways / np.sqrt((ways * ways).sum(axis=1))[:, None]
        along = (ways * self.shifts[rows]).sum(axis=1)[:, None, None]
        gap = -self.other.reach(-ways).T[:, None] - self.surface.reach(ways).T[:, :, None] - along
        self.bound[rows] = np.fmax(self.bound[rows], gap.reshape(len(rows), -1))


def _counted(count: Index) -> tuple[Index, Index]:
    """Numbers 0, 1 ... count[k] - 1 for each row k, one after the other: the rows, and these numbers."""
    rows = np.repeat(np.arange(len(count)), count)
    return rows, np.arange(len(rows)) - np.repeat(np.cumsum(count) - count, count)
