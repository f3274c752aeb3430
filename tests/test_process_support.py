"""Where one body lies on another: by plane geometry, and random facets by points drawn at random.

A bar of radius r in a V-block of 90 degrees touches at r / sqrt 2 either side of its axis (geometry). That
0.05 under a fourth rest is touching is common practice, no source.
"""

from __future__ import annotations

import time
from math import cos, pi, radians, sqrt

import numpy as np
import pytest
import shapely
from manifold3d import CrossSection, Manifold

from clearance.process import support
from clearance.process.support import STEEP, Bearing, bearing
from clearance.scene.model import Body, SideHeight
from tests.bench.jobs import gridded_plate

FREE = SideHeight(0.0, 0.0)


def body(solid: Manifold | np.ndarray, kind: str = "part", allow: float = 0.0) -> Body:
    if isinstance(solid, Manifold):
        mesh = solid.to_mesh64()
        solid = np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts).astype(int)]
    return Body(kind, kind, solid, True, FREE, SideHeight(0.0, allow))


def block(x: float, y: float, z: float, at: tuple[float, float, float] = (0, 0, 0)) -> Manifold:
    return Manifold.cube((x, y, z)).translate(at)


RAIL = block(20, 100, 25, (0, 0, -25))


@pytest.mark.parametrize(
    ("up", "touches", "near"),
    [(0.0, True, False), (0.049, True, False), (0.051, False, True), (0.32, False, True),
     (0.51, False, False), (5.0, False, False), (-0.03, True, False)],
)  # fmt: skip
def test_a_plate_over_a_rail(up: float, touches: bool, near: bool) -> None:
    found = bearing(body(block(100, 60, 10, (-5, 20, up))), body(RAIL))
    assert found.touching.area == pytest.approx(20 * 60 if touches else 0.0)
    assert found.near.area == pytest.approx(20 * 60 if near else 0.0)
    assert found.gap == (pytest.approx(up) if near else float("inf"))
    if touches:
        assert found.touching.bounds == pytest.approx((0, 20, 20, 80))


def test_what_it_may_be_off_counts() -> None:
    plate, rail = block(100, 60, 10, (-5, 20, 0.07)), body(RAIL, allow=0.01)
    assert bearing(body(plate, allow=0.005), rail).touching.is_empty
    assert bearing(body(plate, allow=0.015), rail).touching.area == pytest.approx(1200)


def bar_in_vee(r: float, n: int, lift: float = 0.0) -> tuple[Body, Body]:
    """A bar along X, flats inside its circle, in a V-block of 90 degrees whose apex is at Y 0, Z 0."""
    bar = Manifold.cylinder(120, r, r, n).rotate((0, 90, 0)).translate((-10, 0, r * sqrt(2) + lift))
    outline = CrossSection([[(-60, -30), (60, -30), (60, 60), (0, 0), (-60, 60)]])
    vee = outline.extrude(50).rotate((90, 0, 90))
    return body(bar), body(vee)


def test_a_bar_in_a_vee_touches_on_two_lines() -> None:
    found = bearing(*bar_in_vee(16, 96))
    assert len(shapely.get_parts(found.touching)) == 2
    for part in shapely.get_parts(found.touching):
        x0, y0, x1, y1 = part.bounds
        assert (x0, x1) == pytest.approx((0, 50))
        # 0.05 away from the flank: half a chord of sqrt(2 r 0.05) each way, seen at 45 degrees
        assert abs(y0 + y1) / 2 == pytest.approx(16 / sqrt(2), abs=0.3)
        assert y1 - y0 < 2 * sqrt(2 * 16 * 0.05) * cos(pi / 4) + 1.1
    lifted = bearing(*bar_in_vee(16, 96, 0.2))
    assert lifted.touching.is_empty
    # straight up by 0.2: square to the flank 0.2 cos 45
    assert 0.12 < 0.2 * cos(pi / 4) < 0.2
    assert not lifted.near.is_empty


def test_a_wheel_on_a_rings_edge() -> None:
    """A cone of 60 degrees that stands in a round hole touches along the hole's edge."""
    ring = Manifold.cylinder(10, 40, 40, 256) - Manifold.cylinder(12, 20, 20, 256).translate((0, 0, -1))
    # at radius 20 the cone is 20 sqrt 3 up from its tip: that height lies at the ring's upper face, Z 10
    wheel = Manifold.cylinder(30, 10, 10 + 30 / sqrt(3), 256).translate((0, 0, 10 - 10 * sqrt(3)))
    found = bearing(body(wheel), body(ring))
    assert not found.touching.is_empty
    outer = np.hypot(*shapely.get_coordinates(found.touching).T)
    assert 19.9 < outer.min() <= outer.max() < 20.2
    assert shapely.convex_hull(found.touching).area == pytest.approx(pi * 400, rel=0.02)


@pytest.mark.parametrize(("lean", "carries"), [(74.0, True), (76.0, False)])
def test_steep_faces_carry_nothing(lean: float, carries: bool) -> None:
    wedge = block(40, 30, 20, (-20, 0, 0)).rotate((0, lean, 0))
    under = block(40, 30, 20, (-20, 0, -20)).rotate((0, lean, 0))
    assert pytest.approx(cos(radians(75))) == STEEP
    assert (bearing(body(wedge), body(under)).touching.area > 1.0) == carries


def test_a_tip_touches_in_a_point() -> None:
    tip = Manifold.cylinder(10, 0.0, 10, 64).translate((3, 4, 0))
    found = bearing(body(tip), body(block(40, 40, 10, (-20, -20, -10))))
    assert found.touching.centroid.distance(shapely.Point(3, 4)) < 0.01
    assert found.touching.area == pytest.approx(pi * 0.05**2, rel=0.05)


def test_facets_that_look_the_wrong_way_are_turned() -> None:
    inward = body(block(100, 60, 10, (-5, 20, 0)))
    inward = Body("part", "part", inward.triangles_M[:, ::-1], True, FREE, FREE)
    assert bearing(inward, body(RAIL)).touching.area == pytest.approx(1200)


def test_very_many_facets_at_one_level() -> None:
    """The slice beside a level face is the face: a finely gridded plate lies as the plain one does."""
    plate = gridded_plate(64) + np.array([-5.0, 20.0, 0.0])
    pads = block(20, 30, 25, (0, 30, -25)) + block(20, 30, 24.7, (0, 90, -25))
    found = bearing(body(plate), body(pads))
    assert found.touching.area == pytest.approx(20 * 30)
    assert found.near.area == pytest.approx(20 * 30)
    assert found.gap == pytest.approx(0.3)
    # and the other way round: it carries
    found = bearing(body(block(20, 30, 5, (50, 60, 25))), body(plate))
    assert found.touching.area == pytest.approx(20 * 30)


@pytest.mark.timed
def test_a_model_of_786_432_facets_is_quick() -> None:
    """A ratio to sorting its coordinates in numpy, so that a busy computer does not matter."""
    plate = body(gridded_plate(256) + np.array([-5.0, -20.0, 0.0]))
    assert len(plate.triangles_M) == 786_432
    assert plate.aabbs is not None
    began = time.process_time()
    np.sort(plate.triangles_M.reshape(-1))
    one_sort = time.process_time() - began
    began = time.process_time()
    found = [bearing(plate, body(RAIL)), bearing(plate, body(RAIL.translate((250, 0, 0))))]
    assert time.process_time() - began < 6 * one_sort
    assert all(each.touching.area == pytest.approx(20 * 100) for each in found)


def test_random_facets_against_points_drawn_at_random() -> None:
    """For pairs of facets the shares of the plane that touch or are near, by 20 000 points each: solved for
    the weights of the corners by numpy.linalg (the source), which the code under test does not use."""
    rng = np.random.default_rng(3)
    inside = 0
    for _ in range(60):
        a = np.c_[rng.uniform(-10, 10, (3, 2)), rng.uniform(-0.3, 0.6, 3)]
        b = np.c_[rng.uniform(-10, 10, (3, 2)), rng.uniform(-0.3, 0.3, 3)]
        within, beyond, _ = support._shared(a[None], b[None], 0.05, 0.5)
        at = rng.uniform(-10, 10, (20_000, 2))
        heights = []
        for t in (a, b):
            w = np.linalg.solve(np.vstack([t[:, :2].T, np.ones(3)]), np.vstack([at.T, np.ones(len(at))]))
            heights.append(np.where((w >= 0).all(axis=0), t[:, 2] @ w, np.nan))
        gap = heights[0] - heights[1]
        normals = [np.cross(t[1] - t[0], t[2] - t[0]) for t in (a, b)]
        gap = gap * max(abs(n[2]) / np.linalg.norm(n) for n in normals)
        truth = np.count_nonzero((gap >= -0.5) & (gap <= 0.05)), np.count_nonzero((gap > 0.05) & (gap <= 0.5))
        found = sum(p.area for p in within), sum(p.area for p in beyond)
        for mine, count in zip(found, truth, strict=True):
            share = count / len(at)
            assert mine / 400 == pytest.approx(share, abs=4 * sqrt((share + 1e-4) / len(at)))
        inside += sum(truth) > 0
    assert inside > 20


def test_nothing_where_boxes_do_not_meet() -> None:
    found = bearing(body(block(10, 10, 10, (200, 0, 0))), body(RAIL))
    assert isinstance(found, Bearing)
    assert found.touching.is_empty
    assert found.near.is_empty


def test_whether_two_touch_is_told_as_by_the_places_where_they_do() -> None:
    wide, hair = shapely.box(0, 0, 2, 1), shapely.box(0, 2e-8, 1000, 3e-8)
    for polygons in ([], [wide], [hair], [hair, hair], [hair, wide]):
        found = Bearing(polygons, (), float("inf"))
        assert found.touches is not found.touching.is_empty
    # of hairlines that are joined nothing is left on the grid that edges are rounded to
    assert not Bearing([hair, hair], (), float("inf")).touches


@pytest.mark.parametrize("turn", [1, -1])
def test_the_outside_of_a_body_is_above_its_top_whichever_way_its_facets_run(turn: int) -> None:
    found = body(np.ascontiguousarray(body(RAIL).triangles_M[:, ::turn]))
    assert found.outward == turn
    on_top = bearing(body(block(10, 10, 10)), found)
    assert on_top.touching.area == pytest.approx(100)
