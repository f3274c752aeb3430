"""A body's triangles go in; its slices as flat regions, its outline seen from above, and the volume and
middle of what stands over any flat region come out.

Regions are shapely geometries in machine X Y, mm.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.access.slices import rings, section
from clearance.geometry.crowd import Boxes, boxes_of
from clearance.solids.shells import shells

Array = NDArray[np.float64]

#: Gauss's two points in a layer from 0 to 1: exact for what is cubic in height, as areas and their first
#: moments between two levels of corners are (Stroud and Secrest, Gaussian Quadrature Formulas, from memory)
_GAUSS = 0.5 - 0.5 / np.sqrt(3.0), 0.5 + 0.5 / np.sqrt(3.0)
#: layers thinner than this are none, mm
THIN = 1e-4
#: slices at most, and fewer where there are more facets than this
MOST, FEW, MANY = 24, 8, 100_000


def region(triangles: Array, z: float, boxes: Boxes | None = None) -> Any:
    """The slice of a body at height ``z``: holes are holes; shells that cross each other count once."""
    import shapely

    found = rings(section(triangles, z, boxes))
    if not found:
        return shapely.Polygon()
    loops = [shapely.linearrings(np.vstack([ring, ring[:1]])) for ring in found]
    polygons = shapely.polygons(loops)
    if len(loops) == 1:
        return shapely.make_valid(polygons[0])
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
    return shapely.make_valid(solid[0] if len(solid) == 1 else shapely.multipolygons(solid))


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
            whole = whole ^ shapely.make_valid(shapely.Polygon(ring))
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

    def __init__(self, triangles: Array, most: int | None = None, boxes: Boxes | None = None) -> None:
        if most is None:
            most = MOST if len(triangles) <= MANY else FEW
        self.triangles = triangles
        self.boxes = boxes_of(triangles) if boxes is None else boxes
        heights = np.concatenate([each[:, 2] for each in self.boxes])
        self.low, self.high = float(heights.min()), float(heights.max())
        levels = np.unique(np.round(heights, 4))
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
        made: list[Any] = []
        for z in self.z:
            new = region(self.triangles, float(z), self.boxes)
            made.append(made[-1] if made and _alike(made[-1], new) else new)
        return made

    @cached_property
    def shadow(self) -> Any:
        """All the slices laid over each other."""
        import shapely

        different = list({id(one): one for one in self.slices}.values())
        return shapely.union_all(different) if len(different) > 1 else different[0]

    def over(self, areas: list[Any]) -> list[tuple[float, Array]]:
        """For each flat area the volume (mm3) of the body over and under it, and its middle (3,)."""
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


def _alike(a: Any, b: Any) -> bool:
    """Whether two regions are the same but for rounding."""
    import shapely

    return bool(
        shapely.get_num_coordinates(a) == shapely.get_num_coordinates(b)
        and abs(a.area - b.area) <= 1e-7 * (1.0 + a.area)
        and shapely.equals_exact(shapely.normalize(a), shapely.normalize(b), 1e-5)
    )
