"""Holders against closed forms and published tables; each figure's source stands beside it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from clearance.errors import InputError
from fixtures_lib import library, solids
from fixtures_lib.iso4762 import SCREWS, head, nut
from tests.oracles.holder_shells import volume


def box_of(triangles: Any) -> Any:
    points = triangles.reshape(-1, 3)
    return points.min(axis=0), points.max(axis=0)


def polygon(radius: Any, n: Any, outside: Any) -> Any:
    """Area of a regular n-gon, around the circle or in it (plane geometry)."""
    return n * radius**2 * (math.tan(math.pi / n) if outside else math.sin(2 * math.pi / n) / 2)


@pytest.mark.parametrize("radius", [0.5, 2.0, 5.0, 20.0, 90.0])
def test_round_bodies_are_never_thinner_and_little_thicker(radius: Any) -> None:
    """A circle's polygon: outside by up to r (1 / cos(pi / n) - 1), or within by r (1 - cos(pi / n))."""
    for hole in (False, True):
        corners = solids.ring(2 * radius, (3.0, -7.0), hole=hole) - [3.0, -7.0]
        middles = (corners + np.roll(corners, -1, axis=0)) / 2
        low, high = np.hypot(*middles.T).min(), np.hypot(*corners.T).max()
        if hole:
            assert high <= radius + 1e-12
            assert low >= radius - solids.FACET
        else:
            assert low >= radius - 1e-12
            assert high <= radius + solids.FACET
            assert corners.max(axis=0) == pytest.approx([radius, radius], abs=1e-12)


def test_box_with_a_hole() -> None:
    """10 x 20 x 30 less a round hole: a b c - pi r^2 h, and exactly so with the polygon's area."""
    block = solids.cut(solids.box((0, 0, 0), (10, 20, 30)), solids.hole(6, -1, 31, (5, 9)))
    made = volume(solids.shell(block))
    n = len(solids.ring(6, hole=True))
    assert made == pytest.approx(6000 - polygon(3, n, outside=False) * 30, rel=1e-12)
    assert 0 <= made - (6000 - math.pi * 9 * 30) < 2 * math.pi * 3 * solids.FACET * 30


@pytest.mark.parametrize("axis", ["x", "y", "z"])
def test_prism_stands_where_it_should(axis: Any) -> None:
    low, high = box_of(solids.shell(solids.prism([[1, 2], [4, 2], [4, 7]], 10, 12, axis)))
    assert (low.tolist(), high.tolist()) == {
        "x": ([10, 1, 2], [12, 4, 7]),
        "y": ([1, 10, 2], [4, 12, 7]),
        "z": ([1, 2, 10], [4, 7, 12]),
    }[axis]


# size, dk plain, dk knurled: ISO 4762 as tabled in public pages; k = d
ISO_4762 = [("M6", 10, 10.22), ("M8", 13, 13.27), ("M10", 16, 16.27), ("M12", 18, 18.27), ("M16", 24, 24.33)]
ISO_4762_PLAIN = [("M3", 5.5), ("M4", 7), ("M5", 8.5), ("M20", 30)]


@pytest.mark.parametrize(("size", "plain", "knurled"), ISO_4762)
def test_screw_heads(size: Any, plain: Any, knurled: Any) -> None:
    low, high = box_of(solids.shell(head(size, 5.0)))
    d = float(size[1:])
    assert SCREWS[size].dk == plain
    assert high - low == pytest.approx([knurled, knurled, d], abs=1e-9)
    assert low[2] == 5.0


@pytest.mark.parametrize(("size", "plain"), ISO_4762_PLAIN)
def test_screw_heads_plain(size: Any, plain: Any) -> None:
    assert SCREWS[size].dk == plain
    assert SCREWS[size].k == float(size[1:])
    assert SCREWS[size].dk_knurled >= plain


def test_socket_is_really_cut_out() -> None:
    """Head less a hexagon across flats s, area s^2 sqrt(3) / 2 (geometry); s = 6 for M8 (from memory)."""
    n = len(solids.ring(13.27))
    expected = polygon(13.27 / 2, n, outside=True) * 8 - 36 * math.sqrt(3) / 2 * 4
    assert volume(solids.shell(head("M8", 0.0))) == pytest.approx(expected, rel=1e-12)


def test_nut_is_a_hexagon_with_a_bore() -> None:
    """M10: 16 across flats, 8.4 high (ISO 4032, from memory)."""
    n = len(solids.ring(10, hole=True))
    expected = (16**2 * math.sqrt(3) / 2 - polygon(5, n, outside=False)) * 8.4
    assert volume(solids.shell(nut("M10", -20))) == pytest.approx(expected, rel=1e-12)


def test_rail_without_holes_is_three_kinds_of_boxes() -> None:
    params = {"length": 200, "width": 20, "height": 30, "pads": [30, 150], "pad_length": 12, "pad_height": 4}
    rail = library.build("rail", params | {"ledge": 5, "ledge_below": 18, "hole_pitch": 0})
    body, pads, ledge = 200 * 20 * 26, 2 * 12 * 20 * 4, 200 * 5 * 12
    assert volume(rail.triangles) == pytest.approx(body + pads + ledge, rel=1e-12)
    low, high = box_of(rail.triangles)
    assert low.tolist() == [0, 0, -30]
    assert high.tolist() == [200, 25, 0]
    assert rail.seats["pad 2"].T_HS[:3, 3].tolist() == [150, 10, 0]


def test_rail_with_ears_lies_on_them() -> None:
    """Boxes added up: at each end a riser, 8 long as deep as the rail, and the ear beyond it."""
    plain = {"length": 200, "width": 20, "height": 30, "hole_pitch": 0}
    rail = library.build("rail", plain)
    ears = {"ear": 50, "ear_below": 2, "ear_thickness": 12}
    eared = library.build("rail", plain | ears)
    assert volume(eared.triangles) - volume(rail.triangles) == pytest.approx(
        2 * 20 * (8 * (30 + 10) + 42 * 12), rel=1e-12
    )
    low, high = box_of(eared.triangles)
    assert low.tolist() == [-50, 0, -30]
    assert high.tolist() == [250, 26, 10]
    out = eared.triangles.reshape(-1, 3)
    assert out[out[:, 0] < -8.5][:, 2].min() == -2
    for wrong in ({"ear": 9}, {"ear": 50, "ear_below": 118}):
        with pytest.raises(InputError):
            library.build("rail", plain | wrong)


def test_a_strap_stands_on_what_its_heel_is() -> None:
    """The same strap; packing is 16 long, a screw M8 begins 2 from the end."""
    block = library.build("strap", {})
    packed, screwed = (library.build("strap", {"heel": heel}) for heel in ("packing", "screw"))
    assert len(block.shells) == 3
    assert box_of(packed.shells[1])[0].tolist() == [-25, -12.5, 0]
    assert box_of(packed.shells[1])[1].tolist() == [-9, 12.5, 20]
    assert box_of(packed.shells[0])[0][2] == 20
    assert volume(block.shells[0]) - volume(packed.shells[0]) == pytest.approx(8 * 25 * 20, rel=1e-12)
    low, high = box_of(screwed.shells[1])
    assert (low[0], high[0], low[2]) == (-23, -15, 0)
    assert box_of(screwed.shells[2])[0][2] == 30
    for holder in (packed, screwed):
        assert [box_of(holder.shells[k])[1][2] for k in holder.sunk] == [0]
    with pytest.raises(InputError, match="heel"):
        library.build("strap", {"heel": "screw", "back": 14})


def test_a_levelling_holders_bare_screws_stand_at_their_levers() -> None:
    """Heads M5, 8.72 knurled: their middles are the lever away from the pivot, which is 2.5 past the body."""
    p = {"screws": "bare", "lever_x": 41, "lever_y": 18, "lever_z": 15, "body": 30}
    fixed = library.build("levelling_holder", p).shells[0]
    points = fixed.reshape(-1, 3)
    left = points[points[:, 0] < -25.2]
    assert left.mean(axis=0)[1:] == pytest.approx([30 + 2.5 - 15, 10], abs=0.02)
    over = points[points[:, 2] > 20.2]
    assert over.mean(axis=0)[:2] == pytest.approx([18, 22], abs=0.02)
    lower = points[(points[:, 2] < -24) & (points[:, 1] < 30 - 14 - 0.2)]
    assert (lower.min(axis=0) + lower.max(axis=0))[[0, 2]] / 2 == pytest.approx([0, 10 - 41], abs=0.02)
    # covered, the levers change nothing that can be touched
    shells = [library.build("levelling_holder", {"lever_x": x}).triangles for x in (20, 60)]
    assert np.array_equal(*shells)
    for wrong in ({"lever_x": 20}, {"lever_x": 90}, {"lever_y": 24}, {"lever_z": 30}):
        with pytest.raises(InputError):
            library.build("levelling_holder", p | wrong)


def test_rail_hangs_below_the_rest_plane() -> None:
    for params in ({}, {"height": 80}, {"pad_height": 10, "height": 40}):
        assert box_of(library.build("rail", params).triangles)[1][2] == 0


@pytest.mark.parametrize("screw", ["M6", "M8", "M10", "M12"])
def test_strap_screw_stands_above_and_hangs_below(screw: Any) -> None:
    """Head ISO 4762, k = d, over strap and washer; the end below is as it was measured."""
    d = float(screw[1:])
    params = {"screw": screw, "height": 25, "thickness": 12, "washer": 2, "screw_below": 30, "nut_below": 28}
    strap = library.build("strap", params)
    low, high = box_of(strap.triangles)
    assert high[2] == pytest.approx(25 + 12 + 2 + d)
    assert low[2] == -30
    body, screw_above, screw_below, below = strap.shells
    assert strap.sunk == (2,)
    assert box_of(screw_below)[1][2] == 0
    assert box_of(below)[0][2] == -28
    assert box_of(body)[0].tolist() == [-25, -12.5, 0]
    assert box_of(body)[1].tolist() == [35, 12.5, 37]
    assert box_of(screw_above)[0][2] == 0


def test_strap_tip_bears_and_the_rest_is_clear_of_the_part() -> None:
    strap = library.build("strap", {"height": 20})
    points = strap.shells[0].reshape(-1, 3)
    under = points[(points[:, 0] > -15) & (points[:, 0] < 26.9)]
    assert under[:, 2].min() == 21
    assert points[points[:, 0] >= 27][:, 2].min() == 20


@pytest.mark.parametrize("angle", [60, 75, 90, 120])
@pytest.mark.parametrize(
    ("size", "diameter"), [("small", 10), ("small", 33.3), ("small", 80), ("large", 180)]
)
def test_bar_in_a_v_block_touches_both_flanks(size: Any, diameter: Any, angle: Any) -> None:
    """Axis r / sin(a / 2) over the apex, contacts r cos(a / 2) to either side (plane geometry).

    Checked on the solid itself: no corner nearer to the axis than r, and the flanks' planes just r from it.
    """
    block = library.build("v_block", {"size": size, "diameter": diameter, "angle": angle})
    r, half = diameter / 2, math.radians(angle / 2)
    axis = block.seats["axis"].T_HS[:3, 3]
    apex = block.params["height"] - block.params["mouth"] / 2 / math.tan(half)
    assert axis[2] - apex == pytest.approx(r / math.sin(half), rel=1e-12)
    assert block.seats["bar"].T_HS[2, 3] == pytest.approx(axis[2] - r, abs=1e-9)
    assert block.seats["top"].T_HS.tolist() == block.seats["bar"].T_HS.tolist()
    a, b, c = np.moveaxis(block.triangles, 1, 0)
    normals = np.cross(b - a, c - a)
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    flanks = (normals[:, 2] > 1e-6) & (np.abs(normals[:, 1]) > 1e-6)
    offsets = np.einsum("ij,ij->i", axis - a, normals)[flanks]
    assert len(offsets) >= 4
    assert offsets == pytest.approx(r, abs=1e-9)
    foot = axis[None, :] - offsets[:, None] * normals[flanks]
    assert np.abs(foot[:, 1]) == pytest.approx(r * math.cos(half), abs=1e-9)
    corners = block.triangles.reshape(-1, 3)[:, 1:] - axis[1:]
    assert np.hypot(*corners.T).min() > r


def test_v_block_at_90_degrees() -> None:
    """Centre over the apex 1.41421 r, top of the bar 2.41421 r (geometry; an exact CAD kernel agreed)."""
    block = library.build("v_block", {"diameter": 20})
    apex = block.params["height"] - block.params["mouth"] / 2
    assert block.seats["axis"].T_HS[2, 3] - apex == pytest.approx(14.1421, abs=5e-5)
    assert block.seats["axis"].T_HS[2, 3] + 10 - apex == pytest.approx(24.1421, abs=5e-5)


def test_v_block_limits() -> None:
    """Under 80 mm, and 80 to 180 mm: common practice, no source."""
    for size, diameter, largest in (("small", 40, 80), ("large", 100, 180)):
        limits = library.build("v_block", {"size": size, "diameter": diameter}).limits
        assert max(each.high for each in limits if each.high) == largest
        assert min(each.low for each in limits if each.low) == pytest.approx(0.95 * diameter)


def test_side_jaw_vise_grips_at_its_opening() -> None:
    vise = library.build("side_jaw_vise", {"opening": 42, "jaw_above": 15, "below": 30, "step": 2})
    fixed, moving = vise.shells
    seat = vise.seats["top"].T_HS[:3, 3]
    for shell, side in ((fixed, 0), (moving, 42)):
        points = shell.reshape(-1, 3) - seat
        grip = points[points[:, 2] > 1]
        face = grip[:, 0].max() if side == 0 else grip[:, 0].min()
        assert face == pytest.approx(side, abs=1e-12)
        assert grip[:, 2].max() == 15
        step = points[(np.abs(points[:, 2]) < 1e-9) & (points[:, 1] >= 0)]
        inner = step[:, 0].max() if side == 0 else step[:, 0].min()
        assert inner == pytest.approx(side + (2 if side == 0 else -2), abs=1e-12)
    assert box_of(vise.triangles)[0][2] == -30


def test_side_jaw_vise_is_open_between_the_jaws() -> None:
    """Nothing stands in the throat, from below the vise to above it."""
    vise = library.build("side_jaw_vise", {"opening": 60, "beam": 26, "throat": 30, "step": 3})
    x, y, _ = vise.seats["top"].T_HS[:3, 3]
    low, high = vise.triangles.min(axis=1), vise.triangles.max(axis=1)
    within = (
        (high[:, 0] > x + 3.001) & (low[:, 0] < x + 60 - 3.001) & (high[:, 1] > 26.001) & (low[:, 1] < y + 60)
    )
    assert not within.any()


def test_limits_of_common_practice() -> None:
    """Rail 15 kg, side-jaw vise 150 x 145 mm: common practice, no source."""
    (mass,) = library.build("rail", {}).limits
    assert (mass.quantity, mass.high, mass.source) == ("mass", 15.0, "common practice, no source")
    sizes = {each.quantity: each.high for each in library.build("side_jaw_vise", {}).limits if each.high}
    assert sizes == {"x": 150.0, "y": 145.0}


def test_spacer_is_a_box_less_slot_and_holes() -> None:
    """a b c, less the slot's box, less two polygons' prisms (plane geometry)."""
    params = {"length": 80, "width": 50, "height": 12, "slot_width": 10, "slot_depth": 22, "hole": 9}
    n = len(solids.ring(9, hole=True))
    expected = (80 * 50 - 10 * 22 - 2 * polygon(4.5, n, outside=False)) * 12
    spacer = library.build("spacer", params)
    assert volume(spacer.triangles) == pytest.approx(expected, rel=1e-12)
    assert spacer.seats["top"].T_HS[2, 3] == 12


def test_angle_plate_is_two_boxes_and_two_wedges() -> None:
    """An L of two boxes; a web is a right triangle's prism less the strips that lie in foot and upright."""
    params = {"width": 100, "depth": 60, "height": 70, "thickness": 10, "web": 6, "slot": 0}
    # the web runs from 4 short of the foot's end to 4 short of the upright's top, its legs 1 within both
    outside = 0.5 * (60 - 4 - 10 + 1) * (70 - 4 - 10 + 1)
    line_at_foot = (60 - 4 - 10 + 1) * (1 - 1 / (70 - 4 - 10 + 1))  # the leg's length 1 higher up
    within_foot = (60 - 4 - 10 + 1 + line_at_foot) / 2
    line_at_upright = (70 - 4 - 10 + 1) * (1 - 1 / (60 - 4 - 10 + 1))
    within_upright = (70 - 4 - 10 + 1 + line_at_upright) / 2
    web = outside - within_foot - within_upright + 1
    expected = 100 * (60 * 10 + 60 * 10) + 2 * 6 * web
    assert volume(library.build("angle_plate", params).triangles) == pytest.approx(expected, rel=1e-12)


def test_parallel_with_holes() -> None:
    params = {"length": 120, "width": 10, "height": 30, "hole": 12}
    n = len(solids.ring(12, hole=True))
    expected = 120 * 10 * 30 - 3 * polygon(6, n, outside=False) * 10
    assert volume(library.build("parallel", params).triangles) == pytest.approx(expected, rel=1e-12)


def test_base_rail_lets_its_screws_in() -> None:
    """ISO 4762 M10: head 16.27 knurled, 10 high; nothing of it stands out over the rail."""
    rail = library.build("base_rail", {"length": 200, "screw_pitch": 100})
    body, *screws = rail.shells
    assert len(screws) == 2
    for screw in screws:
        low, high = box_of(screw)
        assert high[2] < box_of(body)[1][2]
        assert high[2] - low[2] == pytest.approx(10)
        assert (high - low)[0] >= 16.27 - 1e-9
