"""Each kind of holder in a setup of its own, checked end to end against figures by hand.

The demo's setups have the base rail, chuck, turning and levelling holder, ring clamp with pads, wide vise
with its straps reversed, parts frame, spacer, support rail, straps and the small V-block. Here are the
others, and other uses of those. Dimensions that a setup does not give are the defaults that
``clearance holders`` prints.
What is reported may lie under the true figure by 0.005 mm, never over.
"""

from __future__ import annotations

from math import sqrt
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from clearance.scene.load import load
from tests.holding_bench import block, checked, found, quiet, rod, row, scene, write
from tests.setup_writer import Tables

LOWER = -0.4  # the lower head's face; 6 behind it the head becomes wide
WIDE = LOWER - 6


def steel(model: str, hole: tuple[float, float] | None = None, **placed: object) -> Tables:
    """A part of steel named "part", with a start hole where one is wanted."""
    drilled = {} if hole is None else {"start_holes": [{"at": list(hole), "diameter": 3.0}]}
    return {"name": "part", "part": model, "units": "mm", "material": "steel", **drilled, **placed}


def reads(reported: float, true: float) -> bool:
    return true - 0.005 <= reported <= true + 1e-9


def test_side_jaw_vise_fitted_to_a_machined_part(tmp_path: Path) -> None:
    items = [
        {"name": "vise", "holder": "side_jaw_vise", "fit": "part", "at": [100, 20, 0]},
        steel(block(tmp_path, 60, 50, 20), (20, 25), on="vise", seat="top"),
    ]
    code, report = checked(tmp_path, items, "x,y\n-10,0\n10,0\n", part="part", zero=[30, 25, 0])
    assert (code, report["verdict"]) == (0, "clear")
    assert quiet(report)
    assert found(report, "fitted") == [("note", "vise", 'opening set to 60 mm, fitted to "part"')]
    # Under the part hangs the jaw beside it, 32 deep. The lower head's box reaches 14 to the right and begins
    # at Z -20.4; the path goes 10 to the right of the part's middle.
    assert reads(row(report, "lower", "vise")["side"], 30 - 10 - 14)
    # The jaws end 8 below the part's top; nothing of the upper head stands over them.
    assert row(report, "upper", "vise")["verdict"] == "clear"


def test_upper_head_passes_over_jaws_that_end_below_the_part_s_top(tmp_path: Path) -> None:
    items = [
        {"name": "vise", "holder": "side_jaw_vise", "fit": "part", "at": [100, 20, 0]},
        steel(block(tmp_path, 60, 50, 20), (30, 25), on="vise", seat="top"),
    ]
    code, report = checked(tmp_path, items, "x,y\n0,0\n35,0\n", part="part", zero=[30, 25, 0])
    assert reads(row(report, "upper", "vise")["height"], 20.2 - 12)
    # ... but the lower one runs into the jaw's arm.
    assert (code, row(report, "lower", "vise")["verdict"]) == (1, "clash")


def test_side_arm_on_a_turning_holder(tmp_path: Path) -> None:
    items: list[Tables] = [
        {
            "name": "base",
            "holder": "base_rail",
            "params": {"length": 200, "width": 75},
            "at": [20, 0, 0],
        },
        {"name": "chuck", "holder": "chuck", "on": "base", "seat": "top", "at": [80, 0, 0]},
        {
            "name": "turner",
            "holder": "turning_holder",
            "params": {"table": 0, "angle": -30},
            "on": "chuck",
            "seat": "shank",
        },
        {
            "name": "arm",
            "holder": "side_arm",
            "params": {"below": 20},
            "fit": "part",
            "on": "turner",
            "seat": "front",
        },
        steel(block(tmp_path, 30, 20, 16), (15, 10), on="arm", seat="top"),
    ]
    cut = {"part": "part", "zero": [15, 10, 0], "axes": "part"}
    code, report = checked(tmp_path, items, "x,y\n0,0\n0,5\n", **cut)
    assert (code, report["verdict"]) == (0, "clear")
    assert quiet(report)
    # The chuck's front is 12 before the rail's reference side, the axis 40 from it; from the axis 24 to the
    # plate's front, then the arm's 70, its beam 18 and throat 6 to the jaws, the fixed one 25 to the left.
    # The part's middle is 15 and 10 on from there. Rotation by scipy.
    axis = np.array([20 + 80, 12 + 40, 0.0])
    middle = axis + Rotation.from_euler("z", -30, degrees=True).apply([-25 + 15, 24 + 70 + 18 + 6 + 10, 0])
    there = scene(tmp_path, items, "x,y\n0,0\n0,5\n", **cut).stretches[0].zero_M
    assert there == pytest.approx(middle, abs=1e-9)
    # The jaws hang 20 deep, no lower than Z -20.05 with the margin: there the head's cone, from 11 at 6 to 12
    # at 20 behind its face, has grown to this. The jaws' faces stand 15 to either side of the path.
    grown = 11 + (20.05 + LOWER - 6) / 14
    assert reads(row(report, "lower", "arm")["side"], 15 - grown)


def test_small_ring_screwed_on_a_round_part(tmp_path: Path) -> None:
    items = [
        {"name": "ring", "holder": "ring_clamp", "fit": "part", "at": [100, 20, 0]},
        steel(rod(tmp_path, 30, 40), (0, 0), on="ring", seat="top"),
    ]
    code, report = checked(tmp_path, items, "x,y\n0,0\n8,0\n", part="part")
    assert (code, report["verdict"]) == (0, "clear")
    assert quiet(report)
    said = {message for _, _, message in found(report, "fitted")}
    assert said == {'diameter set to 30.02 mm, fitted to "part"', 'size set to small, fitted to "part"'}
    # The model's corners stand 15 / cos(pi / 96) = 15.008 from its axis. The wide part of the lower head, 11,
    # goes 8 to the right of it and reaches under the ring.
    lower = row(report, "lower", "ring")
    assert reads(lower["height"], 0 - WIDE)
    assert lower["side"] is None
    assert lower["head_at"][1] == pytest.approx(20 + 70, abs=1e-6), (
        "the ring's axis is 70 before its rear face"
    )


def test_large_v_block_takes_a_bar_of_a_hundred(tmp_path: Path) -> None:
    items = [
        {"name": "vee", "holder": "v_block", "params": {"bow": 20}, "fit": "part", "at": [100, 90, 0]},
        # the bow of a V-block is not screwed down on a bar of this length, which is glued
        steel(
            rod(tmp_path, 100, 140), on="vee", seat="axis", at=[-70, 0, 0], turn=[0, 90, 0], held_by="glue"
        ),
    ]
    # from outside, over the bar's end at X 170, to X 155
    cut = {"part": "part", "axes": "machine", "zero": [0, 0, 125]}
    code, report = checked(tmp_path, items, "x,y\n20,0\n0,0\n", **cut)
    assert (code, report["verdict"]) == (0, "clear")
    assert quiet(report)
    assert ("note", "vee", 'size set to large, fitted to "part"') in found(report, "fitted")
    # A bar of radius r lies r / sin(a / 2) over the apex (plane geometry); the floor under it is 30.
    top = 30 + 50 * sqrt(2) + 50
    assert report["cuts"][0]["upper_z"] == pytest.approx(top + 0.2, abs=1e-3)
    # The path ends 55 along the bar from the block's middle. The bow is 20 wide and stands 4 over the bar, 10
    # thick; the upper arm, from 9 over the face, reaches 26 to the left.
    assert top + 0.2 + 9 < top + 4 + 10
    assert reads(row(report, "upper", "vee")["side"], 55 - 26 - 20 / 2)


def test_wide_vise_with_its_straps_over_a_raw_block(tmp_path: Path) -> None:
    items = [
        {"name": "vise", "holder": "wide_vise", "fit": "part", "at": [150, 0, 0]},
        steel(block(tmp_path, 90, 60, 31), (45, 20), on="vise", seat="top"),
    ]
    code, report = checked(tmp_path, items, "x,y\n0,-10\n0,10\n", part="part", zero=[45, 30, 0])
    assert (code, report["verdict"]) == (0, "clear")
    assert quiet(report)
    said = {message.split(",")[0] for _, _, message in found(report, "fitted")}
    assert said == {"opening set to 90 mm", "part_height set to 31 mm", "straps set to over"}
    # The straps reach 8 over the block, from its top 31 to 39; the upper box begins at 31.2 + 7 and reaches
    # 17 to the right.
    assert reads(row(report, "upper", "vise")["side"], 45 - 8 - 17)
    # Beside the jaws' bodies the lower head's box, 14 to the right.
    assert reads(row(report, "lower", "vise")["side"], 45 - 14)


def test_raw_block_too_heavy_for_the_wide_vise(tmp_path: Path) -> None:
    """12 kg at most (common practice, no source); 120 x 100 x 140 mm of steel, 7.85 g/cm3, are 13.2 kg."""
    items = [
        {
            "name": "vise",
            "holder": "wide_vise",
            "params": {"jaw_length": 100},
            "fit": "part",
            "at": [150, 0, 0],
        },
        steel(block(tmp_path, 120, 100, 140), (60, 50), on="vise"),
    ]
    code, report = checked(tmp_path, items, part="part", zero=[60, 50, 0])
    assert [(s, i) for s, i, _ in found(report, "too heavy")] == [("close", "vise")]
    assert "13.2 kg; 12 kg at most (common practice, no source)" in found(report, "too heavy")[0][2]
    assert (code, report["verdict"]) == (1, "close")


@pytest.mark.slow
def test_adapter_plate_takes_an_electrode_holder_s_shank(tmp_path: Path) -> None:
    """A shank of 20 in a bore of 20: facets of both lie up to 0.02 in each other, which is touching."""
    items = [
        {"name": "plate", "holder": "adapter_plate", "at": [100, 60, 0]},
        steel(rod(tmp_path, 20, 60), (0, 0), on="plate", seat="top", at=[0, 0, -16]),
    ]
    code, report = checked(tmp_path, items, "x,y\n0,0\n0,3\n", part="part")
    assert (code, report["verdict"]) == (0, "clear")
    assert quiet(report)
    # Under the plate goes the wide part of the head; its nose, 5 at most, stays in the bore's shadow.
    assert 3 + 5 + 1 < 10
    assert reads(row(report, "lower", "plate")["height"], 0 - WIDE)
    assert reads(row(report, "upper", "plate")["height"], 60.2 + 7 - 16)


def test_what_lies_about_parallels_angle_plate_toe_clamp_magnet(tmp_path: Path) -> None:
    part = block(tmp_path, 100, 60, 20)
    stand = {"params": {"length": 60, "height": 20}, "turn": [0, 0, 90]}
    items = [
        {"name": "left parallel", "holder": "parallel", **stand, "at": [54, 70, 0]},
        {"name": "right parallel", "holder": "parallel", **stand, "at": [115, 70, 0]},
        # the parallel is turned: along its X is the machine's Y
        steel(part, (75, 30), on="left parallel", seat="top", at=[-30, 4, 0], turn=[0, 0, -90]),
        {"name": "angle plate", "holder": "angle_plate", "at": [100, 40, 0]},
        {
            "name": "spacer",
            "holder": "spacer",
            "params": {"length": 50, "width": 60, "height": 20},
            "at": [100, 130, 0],
        },
        # its toe looks to the front, at the part's rear side, 30 before the spacer's middle
        {
            "name": "toe clamp",
            "holder": "toe_clamp",
            "on": "spacer",
            "seat": "top",
            "at": [0, -30, 0],
            "turn": [0, 0, -90],
        },
        {
            "name": "low spacer",
            "holder": "spacer",
            "params": {"length": 40, "width": 30, "height": 10},
            "at": [175, 70, 0],
        },
        {
            "name": "magnet",
            "holder": "magnet_block",
            "params": {"height": 25},
            "on": "low spacer",
            "seat": "top",
        },
    ]
    cut = {"part": "part", "zero": [75, 30, 0], "axes": "machine"}
    code, report = checked(tmp_path, items, "x,y\n0,0\n20,0\n0,0\n0,20\n", **cut)
    assert (code, report["verdict"]) == (0, "clear"), report["pairs"][0]
    assert quiet(report)
    # The upper face is at 40.2; the magnet ends at 35, its left end is at X 150, the nozzle goes to X 145 ...
    assert 145 + 4.5 + 3 > 175 - 25
    assert reads(row(report, "upper", "magnet")["height"], 40.2 - 35)
    # ... the toe clamp stands on a spacer of 20 and rises from 8 at Y 100 to 14 over 16 mm; the box begins 7
    # over the face and reaches to Y 109, and 3 more by the margin for what is laid.
    assert reads(
        row(report, "upper", "toe clamp")["height"], 40.2 + 7 - (28 + 6 * (70 + 20 + 19 + 3 - 100) / 16)
    )
    # the lower head's wide part goes under the right parallel, which ends at X 119; the path is at X 125
    assert reads(row(report, "lower", "right parallel")["height"], 0 - WIDE)
    # the angle plate stands up to 90; its face is 30 before the path, the box reaches 18 to the front
    assert reads(row(report, "upper", "angle plate")["side"], 30 - 18)


def test_rest_pads_and_a_strap_on_two_rails(tmp_path: Path) -> None:
    """A support rail in front, one behind, the part on two pads of each, a fitted strap on the front one."""
    rail = {"length": 200, "height": 18, "ledge": 0, "hole_pitch": 0}
    items = [
        {"name": "front", "holder": "rail", "params": {**rail, "pads": [30, 130]}, "at": [20, 20, 0]},
        {
            "name": "rear",
            "holder": "rail",
            "params": {**rail, "pads": [70, 170]},
            "at": [220, 140, 0],
            "turn": [0, 0, 180],
        },
        steel(block(tmp_path, 120, 90, 18), (60, 45), on="front", seat="top", at=[20, 12, 0]),
        {
            "name": "strap",
            "holder": "strap",
            "params": {"back": 12, "screw_below": 12},
            "fit": "part",
            "on": "front",
            "seat": "top",
            "at": [80, 4, -3],
            "turn": [0, 0, 90],
        },
    ]
    code, report = checked(tmp_path, items, "x,y\n0,0\n10,0\n", part="part", zero=[60, 45, 0])
    assert (code, report["verdict"]) == (0, "clear")
    assert quiet(report)
    # The strap's screw stands 4 into the rail, the part begins at 12 and the tip bears 8 of it; it clamps 18
    # and the pads' 3.
    said = {message.split(",")[0] for _, _, message in found(report, "fitted")}
    assert said == {"reach set to 16 mm", "height set to 21 mm"}
    # In plan the front rail ends at Y 45, the path is at Y 77 and the head, at the rail's underside (Z -18,
    # and the margin of 0.05), has this radius; the box is below all rails.
    grown = 11 + (18.05 + LOWER - 6) / 14
    assert reads(row(report, "lower", "front")["side"], 77 - 45 - grown)
    assert reads(row(report, "lower", "rear")["height"], -18 - (LOWER - 20))
    # The strap's tip ends at Y 40 and is bevelled by 4 of its 10, from Z 24 on; the upper box begins at
    # Z 25.2 and, with the margin for what is laid, 0.5 lower.
    assert reads(row(report, "upper", "strap")["side"], 77 - 18 - (40 - (25.2 - 0.5 - 24)))


def test_the_same_figures_in_another_unit_are_another_size(tmp_path: Path) -> None:
    """One inch is 25.4 mm exactly (international yard and pound agreement of 1959; from memory)."""
    spacer = {"name": "spacer", "holder": "spacer", "params": {"length": 8, "width": 6, "height": 2}}
    part = {"name": "blank", "part": block(tmp_path, 10, 10, 10), "units": "mm"}
    file = write(tmp_path, [part | {"at": [50, 50, 0]}, spacer], part="blank", zero=[5, 5, 0])
    text = file.read_text(encoding="utf-8")
    for unit, mm in (("mm", 1.0), ("inch", 25.4), ("mm", 1.0)):
        file.write_text(f'units = "{unit}"\n{text}', encoding="utf-8")
        low, high = load(file).items["spacer"].aabbs.box
        assert high - low == pytest.approx(mm * np.array([8.0, 6.0, 2.0]), abs=1e-9)
