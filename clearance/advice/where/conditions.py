"""Conditions on an item's places, as questions in plan about one outline of the item.

It must lie within a region, touch one, or stay apart from one. How far each is from being broken, and how
deeply it is broken, changes by no more than the place is shifted, so that one look at the middle of a box
of places tells of all of them. What slides along a line is looked at as the hull of both ends: all that it
covers.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.kernels.query import Boxes
from clearance.records import record
from clearance.scene.overlaps import NOTICED

Array = NDArray[np.float64]
Rows = NDArray[np.bool_]
Index = NDArray[np.intp]

#: so deep a tip must lie over metal to press it, mm
TOUCH = 0.05
#: how a condition's words begin that it must not cut into something, and what is said where it touches that
CUTS_INTO, TOUCHES = "it would cut into", "it touches"
#: depths that are told apart where a tip bears, mm
DEPTHS = (0.1, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 20.0)


class Look:
    """Boxes of places, as conditions look at them.

    Args:
        boxes: n of them.   slide: mm; turns are about a point that is no farther from the origin than this.
    """

    def __init__(self, boxes: Boxes, slide: float = 0.0) -> None:
        self.boxes, self.slide = boxes, slide
        self.lined = bool(boxes.along.any())
        self.half: Array = np.hypot(*boxes.half.T)
        self.angle: Array = np.minimum(np.radians(boxes.half_turn) / 2.0, np.pi / 2.0)

    def __len__(self) -> int:
        return len(self.boxes)

    def take(self, rows: NDArray[Any]) -> Look:
        """Some of them."""
        return Look(self.boxes.take(rows), self.slide)

    def swing(self, outline: Array) -> Array:
        """How far (n,) the turns of a box move any point of an outline, mm."""
        reach = float(np.hypot(*outline.T).max(initial=0.0)) + self.slide
        return np.asarray(2.0 * reach * np.sin(self.angle))

    def off(self, outline: Array) -> Array:
        """How far (n,) an outline at any place of a box is from that at its middle, mm."""
        return self.half + self.swing(outline)

    def rings(self, outline: Array) -> tuple[Any, Array]:
        """What an outline covers (n,), and how far it may be beyond that at any place of the box, mm."""
        if not self.lined:
            return rings(outline, self.boxes.centre, self.boxes.turn), self.off(outline)
        import shapely

        c, along, turn = self.boxes.centre, self.boxes.along, self.boxes.turn
        ends = np.concatenate([placed(outline, c - along, turn), placed(outline, c + along, turn)], axis=1)
        return shapely.convex_hull(shapely.multipoints(ends)), self.swing(outline)

    def near(self, region: Any, outline: Array) -> Index:
        """Numbers of boxes of which an outline may come to a region at all."""
        x0, y0, x1, y1 = region.bounds
        far = self.off(outline) + float(np.hypot(*outline.T).max(initial=0.0)) + 1e-6
        c = self.boxes.centre
        beside = np.maximum(np.maximum(x0 - c[:, 0], c[:, 0] - x1), np.maximum(y0 - c[:, 1], c[:, 1] - y1))
        return np.flatnonzero(beside <= far)

    def corners(self, points: Array) -> Array:
        """Points (m, 2) of the item at the middles: (n, m, 2)."""
        return placed(points, self.boxes.centre, self.boxes.turn)


@record
class Inside:
    """An outline of the item (m, 2), convex, from its origin, must lie within a region (machine X Y).

    ``sure``: where it does not the place is none for certain; else it is undecided.
    """

    outline: Array
    region: Any
    words: str
    sure: bool = True

    def tell(self, look: Look) -> tuple[Rows, Rows]:
        """Which boxes (n,) keep it at all of their places, and which break it at all."""
        import shapely

        n = len(look)
        keeps, breaks = np.zeros(n, dtype=bool), np.zeros(n, dtype=bool)
        if self.region.is_empty:
            return keeps, np.full(n, self.sure)
        shapely.prepare(self.region)
        covered, off = look.rings(self.outline)
        within = np.flatnonzero(shapely.covers(self.region, covered))
        if len(within):
            edge = self.region.boundary
            shapely.prepare(edge)
            some = off[within]
            keeps[within] = (some <= 0.0) | ~shapely.dwithin(edge, covered[within], some)
        rest = np.flatnonzero(~keeps & self.sure)
        points = shapely.points(look.corners(self.outline)[rest])
        off = look.off(self.outline)[rest, None]
        far = ~shapely.dwithin(self.region, points, np.broadcast_to(off, points.shape))
        breaks[rest] = far.any(axis=1)
        return keeps, breaks

    def room(self, at: Array, turn: Array) -> Array:
        """By how much (n,) each place keeps it, mm; 0 where it does not.

        Args:
            at: (n, 2) places, mm.   turn: (n,) degrees.
        """
        import shapely

        there = rings(self.outline, at, turn)
        inside = shapely.covers(self.region, there)
        return np.where(inside, shapely.distance(self.region.boundary, there), 0.0)


@record
class Bears:
    """An outline of the item (m, 2), convex, from its origin, must touch metal (shapely, machine X Y), and
    what it touches must lie over what carries (``over``; None: anywhere)."""

    outline: Array
    region: Any
    over: Any
    words: str
    sure: bool = True

    def tell(self, look: Look) -> tuple[Rows, Rows]:
        """Which boxes (n,) keep it at all of their places, and which break it at all."""
        import shapely

        n = len(look)
        keeps = np.zeros(n, dtype=bool)
        if self.region.is_empty:
            return keeps, np.full(n, self.sure)
        shapely.prepare(self.region)
        off = look.off(self.outline)
        sizes, which = np.unique(np.round(off, 9), return_inverse=True)
        at, turn = look.boxes.centre, look.boxes.turn
        for k, size in enumerate(sizes):
            rows = np.flatnonzero(which == k)
            inner = _offset(self.outline, -float(size) - TOUCH)
            if inner is None:
                continue
            touches = shapely.intersects(self.region, rings(inner, at[rows], turn[rows]))
            if self.over is not None and touches.any():
                some = np.flatnonzero(touches)
                outer = _offset(self.outline, float(size))
                assert outer is not None
                bears = shapely.intersection(self.region, rings(outer, at[rows[some]], turn[rows[some]]))
                touches[some] = shapely.covers(self.over, bears)
            keeps[rows] = touches
        breaks = np.zeros(n, dtype=bool)
        rest = np.flatnonzero(~keeps & self.sure)
        there = rings(self.outline, at[rest], turn[rest])
        breaks[rest] = ~shapely.dwithin(self.region, there, off[rest])
        if self.over is not None:
            breaks[rest] |= ~shapely.dwithin(self.over, there, off[rest] + 0.1)
        return keeps, breaks

    def room(self, at: Array, turn: Array) -> Array:
        """By how much (n,) each place keeps it, mm, as far as depths are told apart; 0 where it does not.

        Args:
            at: (n, 2) places, mm.   turn: (n,) degrees.
        """
        import shapely

        room = np.zeros(len(at))
        for depth in DEPTHS:
            inner = _offset(self.outline, -depth - TOUCH)
            if inner is None:
                break
            touches = shapely.intersects(self.region, rings(inner, at, turn))
            room = np.where(touches, depth, room)
        return room


@record
class Apart:
    """An outline of the item (m, 2), convex, from its origin, must not share anything with a region.

    ``core``: (k, 2) points of the item's slice there, and ``inner`` the slice's region, from which a depth is
    told for certain.
    """

    outline: Array
    region: Any
    core: Array
    inner: Any
    words: str

    def tell(self, look: Look) -> tuple[Rows, Rows]:
        """Which boxes (n,) keep it at all of their places, and which break it at all."""
        keeps, breaks = np.ones(len(look), dtype=bool), np.zeros(len(look), dtype=bool)
        near = look.near(self.region, self.outline)
        if len(near):
            keeps[near], breaks[near] = self._told(look if len(near) == len(look) else look.take(near))
        return keeps, breaks

    def _told(self, look: Look) -> tuple[Rows, Rows]:
        import shapely

        shapely.prepare(self.region)
        covered, off = look.rings(self.outline)
        keeps = ~shapely.dwithin(self.region, covered, off)
        breaks = np.zeros(len(look), dtype=bool)
        rest = np.flatnonzero(~keeps)
        if len(rest) and len(self.core) and not self.inner.is_empty:
            points = shapely.points(look.corners(self.core)[rest])
            shapely.prepare(self.inner)
            within = shapely.contains(self.inner, points)
            edge = self.inner.boundary
            shapely.prepare(edge)
            more = (look.off(self.core)[rest] + NOTICED)[:, None]
            deep = within & ~shapely.dwithin(edge, points, np.broadcast_to(more, points.shape))
            breaks[rest] = deep.any(axis=1)
        return keeps, breaks

    def room(self, at: Array, turn: Array) -> Array:
        """By how much (n,) each place keeps it, mm.

        Args:
            at: (n, 2) places, mm.   turn: (n,) degrees.
        """
        import shapely

        return np.asarray(shapely.distance(self.region, rings(self.outline, at, turn)))


Condition = Inside | Bears | Apart


class Work:
    """All conditions on an item's places.

    Args:
        conditions: of it.   judged: they say all that there is to say of its work; else candidates are looked
            at by the judge alone.
        fixed: conditions on what stays in its hole while the rest slides along its slot.
        slide: mm; the place is no farther from what the item turns about.
        partly: names of parts that its tip presses with a part of it where it stands now.
        in_part: that is enough.
    """

    def __init__(
        self,
        conditions: Sequence[Condition],
        judged: bool,
        fixed: Sequence[Condition] = (),
        slide: float = 0.0,
        partly: Sequence[str] = (),
        in_part: bool = False,
    ) -> None:
        self.conditions, self.judged, self.fixed = list(conditions), judged, list(fixed)
        self.slide, self.partly, self.in_part = slide, tuple(partly), in_part

    def look(self, boxes: Boxes, fixed: bool = False) -> tuple[Rows, Rows, Index]:
        """Which boxes (n,) keep all conditions at all of their places, which break one at all of them, and
        which that is, or may be (-1: none).

        Args:
            boxes: of places.   fixed: of what stays in its hole.
        """
        n, look = len(boxes), Look(boxes, 0.0 if fixed else self.slide)
        keeps, breaks, which = np.ones(n, dtype=bool), np.zeros(n, dtype=bool), np.full(n, -1, dtype=np.intp)
        asked, first = (self.fixed, len(self.conditions)) if fixed else (self.conditions, 0)
        for k, each in enumerate(asked, first):
            some = np.flatnonzero(~breaks)
            if not len(some):
                break
            kept, broken = each.tell(look if len(some) == n else look.take(some))
            keeps[some] &= kept
            breaks[some] |= broken
            which[some[~kept & (which[some] < 0)]] = k
            which[some[broken]] = k
        return keeps & ~breaks, breaks, which

    def room(self, at: Array, turn: Array) -> tuple[Array, Index]:
        """By how many mm (n,) each place may be off before a condition breaks, and which (-1: none).

        Args:
            at: (n, 2) places, mm.   turn: (n,) degrees.
        """
        least, which = np.full(len(at), np.inf), np.full(len(at), -1, dtype=np.intp)
        for k, each in enumerate(self.conditions):
            room = each.room(at, turn)
            which[room < least] = k
            least = np.minimum(least, room)
        return least, which

    def words(self, k: int) -> str:
        """What a condition is about, for a person."""
        return [*self.conditions, *self.fixed][k].words


def placed(points: Array, at: Array, turn: Array) -> Array:
    """Points (m, 2) of the item at places (n, 2) and turns (n,): (n, m, 2).

    Args:
        points: about the item's origin, mm.   at: mm.   turn: degrees.
    """
    angle = np.radians(turn)
    c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
    x, y = points[None, :, 0], points[None, :, 1]
    return np.stack([c * x - s * y + at[:, :1], s * x + c * y + at[:, 1:]], axis=-1)


def rings(outline: Array, at: Array, turn: Array) -> Any:
    """An outline (m, 2) at places (n, 2) and turns (n,), as shapely's; of one point a point.

    Args:
        outline: about the item's origin, mm.   at: mm.   turn: degrees.
    """
    import shapely

    corners = placed(outline, at, turn)
    if len(outline) == 1:
        return shapely.points(corners[:, 0])
    return shapely.polygons(corners)


def _offset(outline: Array, by: float) -> Array | None:
    """A convex outline (m, 2) larger or smaller by so much, mm; None where nothing is left."""
    import shapely

    shape = shapely.Polygon(outline).buffer(by, join_style="mitre")
    return None if shape.is_empty else np.asarray(shape.exterior.coords)[:-1]
