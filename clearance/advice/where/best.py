"""The map of an item's places goes in; the place with the most room comes out.

The room of a place is the distance of the item there from the heads grown by allow and margin. It changes by
no more than the place is shifted, so branch and bound over boxes of places finds the largest: what a box can
hold is its middle's room and half its diagonal at most. Of places with as much room the nearest to where the
item stands is taken.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.advice.edits import turned, with_bodies
from clearance.advice.where.free import Reason
from clearance.advice.where.seats import ItemSeat
from clearance.kernels.query import SweepQuery
from clearance.records import record
from clearance.scene.model import Body

Array = NDArray[np.float64]

#: more room than this is not told apart, mm
ENOUGH = 20.0
#: rooms that differ by less are alike, mm
ALIKE = 0.1
#: places looked at together, and boxes that are begun with along a side
TOGETHER, SIDE = 24, 6
#: looks at most
LOOKS = 40


class Rooms:
    """How far the heads, grown by allow and margin, stay away from an item at its places.

    Args:
        query: about the scene.   seat: of the item.
    """

    def __init__(self, query: SweepQuery, seat: ItemSeat) -> None:
        self.query, self.seat = query, seat
        #: with the item as large as it is anywhere along its slot
        self.scene = query.scene
        if seat.slot is not None:
            self.scene = with_bodies(query.scene, {seat.index: seat.slot.body})
        self._turned: dict[float, list[Body]] = {0.0: [self.scene.bodies[b] for b in seat.moving]}
        #: what is asked of each that moves: run, part and pieces, grown
        self.asked = [
            (run, part, k, query.lifted(run, b, part.pieces))
            for run in query.runs
            for k, b in enumerate(seat.moving)
            if b in run.bodies
            for part in run.parts
        ]

    def _at(self, turn: float) -> list[Body]:
        if turn not in self._turned:
            there = turned(self.scene, self.seat.moving, self.seat.origin, turn)
            self._turned[turn] = [there.bodies[b] for b in self.seat.moving]
        return self._turned[turn]

    def of(
        self,
        at: Array,
        turn: float,
        below: float = ENOUGH,
        settled: float = -1.0,
        push: Array | None = None,
    ) -> Array:
        """The room (n,) of places (n, 2), mm, at a turn, degrees; ``below`` where it is no less. What is no
        more than ``settled`` may be less still. ``push``: (n, 2) how far each is pushed along its slot, mm.

        All places are bodies of one query: the item once for each.
        """
        bodies, n = self._at(turn), len(at)
        copies = []
        slot = self.seat.slot
        for k, body in zip(self.seat.moving, bodies, strict=True):
            for j, place in enumerate(at):
                t = body.triangles_M + np.array([*(place - self.seat.origin), 0.0])
                if push is not None and slot is not None:
                    way = np.array([*push[j], 0.0])
                    t = t + (way * slot.goes[:, None, None] if k == self.seat.index else way)
                copies.append(replace(body, triangles_M=t))
        query = SweepQuery(
            replace(self.query.scene, bodies=tuple(copies)), like=self.query, tolerances=self.query.tolerances
        )
        wanted = [
            (run, part, {k * n + j: grown for j in range(n)}, {k * n + j: below for j in range(n)})
            for run, part, k, grown in self.asked
        ]
        room = np.full(n, below)
        for values, _ in query.clearance_below(wanted, settled, points=False):
            for k, value in values.items():
                room[k % n] = min(room[k % n], value)
        return room


@record
class Spot:
    """A place of the item.

    Attributes:
        at: (x, y) of its origin, machine X Y, mm.   turn: degrees from how it stands.
        slide: how far it is pushed along its slot towards its tip, mm.
        spare: how much farther than their margins all heads stay away, mm; ``ENOUGH`` where it is no less.
        room: by how much it may be off in X and Y, mm.
    """

    at: tuple[float, float]
    turn: float
    spare: float
    room: float
    slide: float = 0.0


def best_of(
    rooms: Rooms, regions: Mapping[float, Any], near: Array
) -> tuple[float, tuple[float, float], float] | None:
    """The place with the most room, then the nearest: turn, at, room; None where there is none.

    Args:
        rooms: of the item.   regions: by turn (degrees) where it may stand (shapely, machine X Y).
        near: (2,) where it stands.
    """
    import shapely

    found: tuple[float, tuple[float, float], float] | None = None
    for turn, region in sorted(regions.items(), key=lambda one: abs(one[0])):
        if region.is_empty:
            continue
        shapely.prepare(region)
        here = _largest(rooms, turn, region, near)
        if found is None or here[1] > found[2] + ALIKE:
            found = (turn, here[0], here[1])
        if found[2] >= ENOUGH - ALIKE:
            break
    return found


def _largest(rooms: Rooms, turn: float, region: Any, near: Array) -> tuple[tuple[float, float], float]:
    """Of one turn: the place, and its room."""

    x0, y0, x1, y1 = region.bounds
    size = max(x1 - x0, y1 - y0, 1e-3) / SIDE
    nx, ny = max(int(np.ceil((x1 - x0) / size)), 1), max(int(np.ceil((y1 - y0) / size)), 1)
    grid = np.stack(
        np.meshgrid(x0 + size * (np.arange(nx) + 0.5), y0 + size * (np.arange(ny) + 0.5)), axis=-1
    )
    centre = grid.reshape(-1, 2)
    half = np.full(len(centre), size / 2.0)
    at, seen = [np.empty((0, 2))], [np.empty(0)]
    best, bound = -np.inf, np.full(len(centre), np.inf)
    first = _nearest(region, near[None])
    at.append(first)
    seen.append(rooms.of(first, turn))
    best = float(seen[-1].max())
    for _ in range(LOOKS):
        keep = (bound > best + ALIKE) & _meets(region, centre, half)
        centre, half, bound = centre[keep], half[keep], bound[keep]
        if not len(centre) or best >= ENOUGH:
            break
        order = np.argsort(-bound, kind="stable")[:TOGETHER]
        points = _nearest(region, centre[order])
        room = rooms.of(points, turn, settled=max(best - ALIKE, 0.0))
        at.append(points)
        seen.append(room)
        best = max(best, float(room.max()))
        # a place of the box is no farther from the point than this
        away = np.hypot(*(points - centre[order]).T) + np.sqrt(2.0) * half[order]
        again = np.minimum(room + away, ENOUGH)
        rest = np.ones(len(centre), dtype=bool)
        rest[order] = False
        quarter = half[order] / 2.0
        steps = np.array([(-1, -1), (1, -1), (-1, 1), (1, 1)], dtype=float)
        parts = (centre[order][:, None] + steps[None] * quarter[:, None, None]).reshape(-1, 2)
        centre = np.concatenate([centre[rest], parts])
        half = np.concatenate([half[rest], np.repeat(quarter, 4)])
        bound = np.concatenate([bound[rest], np.repeat(again, 4)])
        fine = half > ALIKE / 4.0
        centre, half, bound = centre[fine], half[fine], bound[fine]
    places, room = np.concatenate(at), np.concatenate(seen)
    alike = places[room > best - ALIKE]
    k = int(np.argmin(np.hypot(*(alike - near).T)))
    place = _towards(rooms, turn, region, alike[k], near, best - ALIKE)
    place = _plain(rooms, turn, region, place, best - 2.0 * ALIKE)
    return (float(place[0]), float(place[1])), float(rooms.of(place[None], turn)[0])


def _towards(rooms: Rooms, turn: float, region: Any, place: Array, near: Array, least: float) -> Array:
    """From a place as near to another one as the region and so much room let it, in ever smaller steps."""
    import shapely

    angle = np.arange(8) * np.pi / 4.0
    ways = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    for step in (16.0, 8.0, 4.0, 2.0, 1.0, 0.5, 0.25):
        for _ in range(4):
            way = near - place
            far = float(np.hypot(*way))
            if far < 1e-9:
                return place
            straight = place + way * min(step / far, 1.0)
            points = np.concatenate([straight[None], place + step * ways])
            away = np.hypot(*(points - near).T)
            points = points[(away < far - 0.1 * step) & shapely.intersects_xy(region, *points.T)]
            if not len(points):
                break
            fits = points[rooms.of(points, turn, least + ALIKE, least * (1.0 - 1e-9)) >= least]
            if not len(fits):
                break
            place = fits[np.argmin(np.hypot(*(fits - near).T))]
    return place


def _plain(rooms: Rooms, turn: float, region: Any, place: Array, least: float) -> Array:
    """The same with as few digits as it bears, as a person measures it."""
    import shapely

    for digits in (0, 1, 2):
        there = np.round(place, digits)
        if shapely.intersects_xy(region, *there) and rooms.of(there[None], turn)[0] >= least:
            return np.asarray(there)
    return place


def _nearest(region: Any, points: Array) -> Array:
    """The places (n, 2) of a region that are nearest to points."""
    import shapely

    lines = shapely.shortest_line(region, shapely.points(points))
    return np.asarray(shapely.get_coordinates(lines).reshape(-1, 2, 2)[:, 0])


def _meets(region: Any, centre: Array, half: Array) -> NDArray[np.bool_]:
    import shapely

    x, y = centre.T
    return np.asarray(shapely.intersects(region, shapely.box(x - half, y - half, x + half, y + half)))


@record
class Bound:
    """What bounds a place on one side: how far away, mm, and by what; ``side``: "X+", "X-", "Y+", "Y-"."""

    side: str
    far: float
    reason: Reason
