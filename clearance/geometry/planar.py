"""Figures in the plane: distances of segments and convex outlines; areas, edges, neighbours of regions.

Distances take N problems at once; points are (N, 2), mm, in any one horizontal frame. Regions are shapely
geometries, mm; shapely is loaded where one is asked for.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def _point_segment_squared(px: Array, py: Array, ax: Array, ay: Array, dx: Array, dy: Array) -> Array:
    """Squared distance from points to segments that begin at a and run by d; any shapes that broadcast."""
    ex, ey = px - ax, py - ay
    length2 = dx * dx + dy * dy
    # a segment of no length is its first point
    t = np.divide(ex * dx + ey * dy, length2, out=np.zeros_like(ex), where=length2 > 0.0)
    t = np.minimum(np.maximum(t, 0.0), 1.0)
    ex -= t * dx
    ey -= t * dy
    return ex * ex + ey * ey


def _two(a: Array, b: Array) -> Array:
    out = np.empty((2, len(a)))
    out[0], out[1] = a, b
    return out


def segment_segment(a: Array, b: Array, p: Array, q: Array) -> Array:
    """Smallest distance (N,) between the segments a-b and p-q, 0 where they cross or touch."""
    ax, ay, bx, by = a[:, 0], a[:, 1], b[:, 0], b[:, 1]
    px, py, qx, qy = p[:, 0], p[:, 1], q[:, 0], q[:, 1]
    dx, dy, ex, ey = bx - ax, by - ay, qx - px, qy - py
    # both ends of one against the other, each way
    first = _point_segment_squared(_two(ax, bx), _two(ay, by), px, py, ex, ey)
    other = _point_segment_squared(_two(px, qx), _two(py, qy), ax, ay, dx, dy)
    np.minimum(first, other, out=first)
    best = np.minimum(first[0], first[1])
    side_p = dx * (py - ay) - dy * (px - ax)
    side_q = dx * (qy - ay) - dy * (qx - ax)
    side_a = ex * (ay - py) - ey * (ax - px)
    side_b = ex * (by - py) - ey * (bx - px)
    crossing = (side_p * side_q < 0.0) & (side_a * side_b < 0.0)
    return np.where(crossing, 0.0, np.sqrt(best))


def segment_swept_rectangle(a: Array, b: Array, p: Array, q: Array, rect: Array) -> Array:
    """Smallest distance (N,) between the segment a-b and a rectangle that slides along p-q.

    Args:
        rect: (N, 4) x0, x1, y0, y1 of the rectangle relative to the point that runs from p to q.

    Seen from the rectangle, the segment runs over the parallelogram of all differences between points of the
    two segments. Two convex outlines are apart by the smallest of corner to outline, either way, unless
    they overlap: then a side of one crosses the other, or one holds a corner of the other.
    """
    corner = np.stack([a - p, a - q, b - q, b - p])
    side = np.roll(corner, -1, axis=0) - corner
    low, high = rect[:, 0::2], rect[:, 1::2]
    outside = np.maximum(np.maximum(low - corner, corner - high), 0.0)
    best = (outside * outside).sum(axis=2).min(axis=0)
    rx = np.stack([low[:, 0], high[:, 0], high[:, 0], low[:, 0]])[:, None]
    ry = np.stack([low[:, 1], low[:, 1], high[:, 1], high[:, 1]])[:, None]
    to_sides = _point_segment_squared(
        rx, ry, corner[None, ..., 0], corner[None, ..., 1], side[None, ..., 0], side[None, ..., 1]
    )
    np.minimum(best, to_sides.min(axis=(0, 1)), out=best)
    turn = side[..., 0] * (ry[0] - corner[..., 1]) - side[..., 1] * (rx[0] - corner[..., 0])
    holds = (turn >= 0.0).all(axis=0) | (turn <= 0.0).all(axis=0)
    holds &= (turn != 0.0).any(axis=0)
    # of an outline without area the turns are rounding, and say nothing about a corner in line with it
    first = np.stack([rx[0, 0], ry[0, 0]], axis=1)
    holds &= ((corner.min(axis=0) <= first) & (first <= corner.max(axis=0))).all(axis=1)
    overlap = holds | _side_enters(corner, side, low, high).any(axis=0)
    return np.where(overlap, 0.0, np.sqrt(best))


def _side_enters(start: Array, way: Array, low: Array, high: Array) -> NDArray[np.bool_]:
    """Whether ways (4, N, 2) from their starts enter the rectangles (N, 2): a slab test on their share."""
    with np.errstate(divide="ignore", invalid="ignore"):
        t0, t1 = (low - start) / way, (high - start) / way
    still = way == 0.0
    first = np.where(still, 0.0, np.minimum(t0, t1)).max(axis=2)
    last = np.where(still, 1.0, np.maximum(t0, t1)).min(axis=2)
    within = (~still | ((low <= start) & (start <= high))).all(axis=2)
    return np.asarray(within & (np.maximum(first, 0.0) <= np.minimum(last, 1.0)))


def following(corners: Array) -> Array:
    """Of corners around an outline (N, ...) the next one of each; as ``np.roll``, whose calls take long.

    Args:
        corners: along the first axis; anything else that stands at each corner, too.
    """
    return np.concatenate((corners[1:], corners[:1]))


def preceding(corners: Array) -> Array:
    """Of corners around an outline (N, ...) the one before each.

    Args:
        corners: as of ``following``.
    """
    return np.concatenate((corners[-1:], corners[:-1]))


def polygons(region: Any) -> list[Any]:
    """The areas of any geometry; lines and points, which cutting may leave beside them, are left out.

    Args:
        region: a geometry, of whatever kind.
    """
    import shapely

    # twice: what is made valid may be a collection with several areas as one of its parts
    parts = shapely.get_parts(shapely.get_parts(region))
    return [each for each in parts if each.geom_type == "Polygon"]


def areas(region: Any) -> Any:
    """The areas of any geometry as one: empty, a polygon or several.

    What two regions share is a collection with lines and points where they only touch, and such a
    collection has no edge (``boundary``), so that nothing can be asked about how far it is.

    Args:
        region: a geometry, of whatever kind.
    """
    if region.geom_type in ("Polygon", "MultiPolygon"):
        return region
    return as_one(polygons(region))


def as_one(found: Sequence[Any]) -> Any:
    """Polygons that share no area as one region: empty, a polygon or several.

    Args:
        found: shapely polygons.
    """
    import shapely

    return found[0] if len(found) == 1 else shapely.multipolygons(found) if len(found) else shapely.Polygon()


def common(a: Any, b: Any) -> Any:
    """The area that two regions share; where they only touch they share none.

    Args:
        a, b: shapely, in one plane.
    """
    return areas(a.intersection(b))


def edges(region: Any) -> Any:
    """The lines around the areas of any geometry.

    Args:
        region: a geometry, of whatever kind.
    """
    import shapely

    return shapely.union_all([each.boundary for each in polygons(region)])


def length_in(lines: Any, region: Any, within: float = 0.0) -> float:
    """How much of lines lies in a region, mm; where hardly any does, how much comes within ``within`` of it.

    Args:
        lines, region: shapely, in one plane, mm.
    """
    import shapely

    length = float(lines.intersection(region).length)
    if length > 2.0 * within or within == 0.0:
        return length
    near = shapely.clip_by_rect(region, *lines.buffer(2.0 * within).bounds)
    return max(length, float(lines.intersection(near.buffer(within)).length))


class Regions:
    """Flat regions that become more, and those of them that are near."""

    def __init__(self) -> None:
        self.all: list[Any] = []
        self._boxes = np.empty((64, 4))

    def append(self, region: Any) -> None:
        """One more.

        Args:
            region: not empty.
        """
        if len(self.all) == len(self._boxes):
            self._boxes = np.concatenate([self._boxes, np.empty_like(self._boxes)])
        self._boxes[len(self.all)] = region.bounds
        self.all.append(region)

    def near(self, bounds: Sequence[float]) -> list[Any]:
        """Those whose boxes meet one, in their order.

        Args:
            bounds: x and y at its lowest corner, then at its highest, mm.
        """
        return [self.all[k] for k in self.which(bounds)]

    def which(self, bounds: Sequence[float]) -> list[int]:
        """The numbers of those whose boxes meet one, from 0.

        Args:
            bounds: x and y at its lowest corner, then at its highest, mm.
        """
        x0, y0, x1, y1 = bounds
        a = self._boxes[: len(self.all)]
        meet = (a[:, 0] <= x1) & (a[:, 2] >= x0) & (a[:, 1] <= y1) & (a[:, 3] >= y0)
        return np.flatnonzero(meet).tolist()
