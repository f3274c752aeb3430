"""What two regions share is an area or nothing, whatever touches beside it; figures by hand.

That an intersection may hold lines and points, and a collection has no boundary, is as the Simple Features
standard has it (OGC 06-103r4, 6.1.15, from memory).
"""

from __future__ import annotations

from math import cos, radians, sin
from pathlib import Path

import numpy as np
import pytest
import shapely

from clearance.advice.where.conditions import Inside, Look
from clearance.geometry.planar import areas, common, polygons
from clearance.kernels.query import Boxes
from clearance.process.check import told
from tests.access_bench import AT, block, line, scene
from tests.setup_writer import Tables


def test_where_regions_only_touch_they_share_nothing() -> None:
    """An L and a square that share 1 x 1, and a side of it beyond that."""
    a = shapely.from_wkt("POLYGON ((0 0, 4 0, 4 2, 2 2, 2 1, 0 1, 0 0))")
    b = shapely.from_wkt("POLYGON ((0 1, 2 1, 3 1, 3 2, 4 2, 4 3, 0 3, 0 1))")
    assert a.intersection(b).geom_type == "GeometryCollection"
    both = common(a, b)
    assert both.geom_type == "Polygon"
    assert (both.area, both.boundary.length) == pytest.approx((1.0, 4.0))
    assert common(shapely.box(0, 0, 1, 1), shapely.box(1, 0, 2, 1)).is_empty


def test_areas_deep_in_a_collection_are_found() -> None:
    deep = shapely.from_wkt(
        "GEOMETRYCOLLECTION (MULTIPOLYGON (((0 0, 1 0, 1 1, 0 0)), ((5 5, 6 5, 6 6, 5 5))), "
        "LINESTRING (0 0, 9 9))"
    )
    assert len(polygons(deep)) == 2
    assert (areas(deep).geom_type, areas(deep).area) == ("MultiPolygon", 1.0)
    assert areas(shapely.from_wkt("LINESTRING (0 0, 9 9)")).is_empty


def turned(x: float, y: float, angle: float) -> tuple[float, float]:
    c, s = cos(radians(angle)), sin(radians(angle))
    return round(x * c - y * s, 6), round(x * s + y * c, 6)


@pytest.mark.parametrize("angle", [0.0, 6.2, 21.8, 23.1, 28.3, 36.1, 40.0])
def test_what_is_left_does_not_lie_on_where_the_off_cut_was(tmp_path: Path, angle: float) -> None:
    """A plate of 150 x 120, its back middle, 50 x 80, cut out, across the machine's axes; it lies on a
    block to X 70, Y 20 and on one to X 50 less half the kerf, Y 100 to 120.

    By hand: the off-cut reaches to half the kerf, 0.12, within the path, the kerf to 0.12 beyond it; what is
    left is 18000 less 50.24 x 80.12 mm2, its centre of gravity at X 75. It tips over the line from one
    block's corner to the other's.
    """
    away, out = 50.24 * 80.12, 0.12
    y = (18000.0 * 60.0 - away * (120.0 - 80.12 / 2.0)) / (18000.0 - away)
    (x0, y0), (x1, y1) = (70.0, 20.0), (50.0 - out, 120.0)
    beyond = ((75.0 - x0) * (y1 - y0) - (y - y0) * (x1 - x0)) / ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5
    feet = {"front": (0, -5, 70, 20), "back": (30, 100, 95, 125)}
    others = {
        f"{name}.stl": block(c - a, d - b, 15, (a, b, -15)).rotate((0, 0, angle))
        for name, (a, b, c, d) in feet.items()
    }
    items: list[Tables] = [
        {"name": name, "model": f"{name}.stl", "units": "mm", "at": [*AT, 0]} for name in feet
    ]
    path = line(*[turned(*p, angle) for p in ((50, 130), (50, 40), (100, 40), (100, 130))])
    body = block(150, 120, 20).rotate((0, 0, angle))
    loaded = scene(tmp_path, body, path, items=items, others=others, heads={"upper_z": 100.0})
    tips = [f for f in told(loaded)[0] if "would tip" in f.message and f.item == "plate"]
    assert [f.severity for f in tips] == ["close"]
    assert f"{beyond:.1f} mm outside what carries it" in tips[0].message


def test_a_strap_keeps_its_room_where_metal_is_only_touched(tmp_path: Path) -> None:
    """What is left of a plate, and something that shares one of its sides only: the strap's tip, 12 wide,
    reaches to Y 55 on metal that ends at Y 60. It may be off by 5: by a square of 3 either way, whose corner
    is 4.2 away, not by one of 4, whose corner is 5.7 away."""
    metal = shapely.union_all([shapely.box(0, 0, 100, 60), shapely.box(40, 80, 60, 90)])
    below = shapely.union_all([shapely.box(0, 0, 100, 60), shapely.box(60, 80, 90, 90)])
    assert metal.intersection(below).geom_type == "GeometryCollection"
    tip = np.array([[-6.0, -10.0], [-6.0, 0.0], [6.0, 0.0], [6.0, -10.0]])
    inside = Inside(tip, common(below, metal), "its tip would not lie on metal")
    assert inside.room(np.array([[50.0, 55.0]]), np.zeros(1)) == pytest.approx([5.0])
    at = np.array([[50.0, 55.0], [50.0, 55.0]])
    boxes = Boxes.plain(at, np.array([[4.0, 4.0], [3.0, 3.0]]), np.zeros(2), np.zeros(2))
    keeps, breaks = inside.tell(Look(boxes))
    assert (keeps.tolist(), breaks.tolist()) == ([False, True], [False, False])
