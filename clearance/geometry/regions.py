"""Flat regions (shapely geometries, mm): their areas, their edges, and those of many that are near."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np


def polygons(region: Any) -> list[Any]:
    """The areas of any geometry; lines and points, which cutting may leave beside them, are left out.

    Args:
        region: a geometry, of whatever kind.
    """
    import shapely

    return [each for each in shapely.get_parts(region) if each.geom_type == "Polygon"]


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
