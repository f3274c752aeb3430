"""The demo setups that show how parts are held: each figure against a calculation by hand, end to end.

As in ``test_demo_checks``: dimensions from the setup, machine and holder files, plane geometry, and scipy's
Rotation for what is tilted; nothing of the project's code.
"""

from __future__ import annotations

from math import cos, hypot, pi, radians, sin, tan
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from tests.sheet_setups import changed
from tests.test_demo_checks import FACE, assert_reads, check

# The upper head of the mid-size machine, heights over its face: the nut, radius 20, from 5 to 22; the block,
# radius 34, from 22; the flushing hose 34 to 52 to the right, from 26.
NUT, NUT_FROM = 20.0, 5.0
HOSE_FROM = 26.0
# The lower one: the nut, radius 19, begins at Z -5.1 and the guide block at Z -19.1.
LOWER_NUT, LOWER_NUT_TOP = 19.0, FACE - 5
LOWER_BLOCK_TOP = FACE - 19
NOZZLE = 5.5

LOBE = hypot(3.738, 1.7325)  # radius of an opening's lobes: I and J of its program's line 15

# Both stacks stand alike: base rail at X 50, its reference side at Y -62 and 25 high; the chuck 150 along it,
# its front 12 over the reference side, its slot's floor 12 over the rail.
CHUCK = np.array([50.0 + 150, -62.0 + 12, 25.0 + 12])


def pair(report: dict[str, Any], head: str, item: str) -> dict[str, Any]:
    """A head against an item: of all cuts and ways the row with the least to spare, which comes first."""
    row: dict[str, Any] = next(p for p in report["pairs"] if (p["head"], p["item"]) == (head, item))
    return row


@pytest.mark.slow
def test_nothing_cries_wolf() -> None:
    for name in ("rivet_wheel", "keyhole_inserts", "stripper_plate", "riveting_nest"):
        _, report = check(name)
        assert {f["kind"] for f in report["findings"] if f["severity"] != "note"} == set()
        assert not {f["kind"] for f in report["findings"]} & {"overlap", "off its feet", "does not fit"}


# ------------------------------------------------------------------------- the round blank in the ring clamp
TILT = radians(0.5)


class Ring:
    """Where ring and blank stand. The ring's seat is tilted about the levelling holder's pivot, which lies
    28 + 5 / 2 in front of the chuck and half of the shank's 20 up; the ring's rear face is at 28 + 5 + 12."""

    tilted = Rotation.from_euler("x", 0.5, degrees=True)
    pivot = CHUCK + np.array([0, 28 + 2.5, 10])
    # The blank's corners in the ring's frame: a 96-gon about the circle, turned by the half degree, 0.15 to
    # the rear. From it the ring's diameter is taken, and from the highest the height of the straps.
    corner = (np.arange(96) + 0.5) * 2 * pi / 96
    rim = np.column_stack([np.cos(corner), np.sin(corner)]) * 45 / cos(pi / 96)
    low, high = np.c_[rim, rim[:, 1] * tan(TILT)], np.c_[rim, np.full(96, 34.0)]
    blank = Rotation.from_euler("x", -0.5, degrees=True).apply(np.r_[low, high]) + np.array([0, -0.15, 0])
    diameter = 2 * float(np.hypot(blank[:, 0], blank[:, 1]).max())
    strap_height = float(blank[:, 2].max())
    # bore: the part and 8 all round, wall 12, flange 12, 5 spare, rounded up
    reach = float(np.ceil(diameter / 2 + 8 + 12 + 12 + 5))

    def to_machine(self, p: Any) -> NDArray[np.float64]:
        """From the ring's seat: its axis, in its rest plane (the holder's rest plane is 37 down)."""
        seat = CHUCK + np.array([0, 28 + 5 + 12 + self.reach, -37])
        turned: NDArray[np.float64] = self.pivot + self.tilted.apply(seat - self.pivot + np.asarray(p))
        return turned


def test_tilted_ring_holds_an_upright_blank() -> None:
    code, report = check("rivet_wheel")
    assert (code, report["verdict"]) == (0, "clear")
    ring = Ring()
    assert ring.reach == 83
    origin = ring.to_machine([0, -0.15, 0])
    # Two half degrees cancel: the blank's top is level, 34 over its origin.
    (cut,) = report["cuts"]
    assert cut["upper_z"] == pytest.approx(origin[2] + 34 + 0.1, abs=2e-6)
    said = {f["message"] for f in report["findings"] if f["kind"] == "fitted"}
    assert said == {
        f'diameter set to {ring.diameter:.4g} mm, fitted to "wheel blank"',
        'size set to large, fitted to "wheel blank"',
        f'part_height set to {ring.strap_height:.4g} mm, fitted to "wheel blank"',
    }


def test_lower_head_under_the_face_that_is_sawn_askew() -> None:
    _, report = check("rivet_wheel")
    z = Ring().to_machine([0, -0.15, 0])[2]
    # The face falls towards the front. The bore's front is 17.82 before the axis, the nozzle's edge 5.5 more,
    # and what lies within the margin of 0.3 beside it counts as over it.
    under = z - (17.82 + NOZZLE + 0.3) * tan(TILT) - FACE
    row = pair(report, "lower", "wheel blank")
    assert_reads(row["height"], under)
    assert_reads(row["spare"], under - 0.05)


def test_upper_head_between_the_tilted_straps() -> None:
    _, report = check("rivet_wheel")
    ring = Ring()
    axis = ring.to_machine([0, -0.15, 0])
    nut = axis[2] + 34 + 0.1 + NUT_FROM
    beside = np.inf
    for turn in (30, 150, 270):
        # The strap's inner face: 5 over the blank's edge; 7 to either side (half an M6 washer of 12 and 1);
        # 8 thick. It shares heights with the nut above its lower end (and the margin of 0.05).
        z = np.linspace(ring.strap_height, ring.strap_height + 8, 801)
        y = np.linspace(-7, 7, 141)
        face = np.array([(ring.diameter / 2 - 5, side, up) for side in y for up in z])
        there = ring.to_machine(Rotation.from_euler("z", turn, degrees=True).apply(face))
        there = there[there[:, 2] > nut - 0.05]
        beside = min(beside, np.hypot(*(there - axis)[:, :2].T).min())
    beside -= 17.82 + NUT
    assert beside == pytest.approx(2.24, abs=0.01)
    row = pair(report, "upper", "ring")
    assert row["side"] == pytest.approx(beside, abs=0.006)
    assert (row["verdict"], row["cut"], row["move"]) == ("clear", "bore", 6)


# --------------------------------------------------------------------------- four inserts in the parts frame
# The frame's origin: the left spacer's middle at X -80, Y 120, 13 high, and 65 along it. Its first place
# begins 15 from its end, the places are 100 apart, the stop's face is at Y 120.
MIDDLES = [-80 + 65 + 15 + 100 * (i + 0.5) for i in range(4)]
REST = 13.0
STRAPS = [-80 + 65 + 15 + 100 * i for i in (1, 2, 3)]


@pytest.mark.slow
def test_four_inserts_are_clear() -> None:
    code, report = check("keyhole_inserts")
    assert (code, report["verdict"]) == (0, "clear")
    assert [c["name"] for c in report["cuts"] if "->" not in c["name"]] == [f"keyhole {i}" for i in "1234"]
    for i, middle in enumerate(MIDDLES, 1):
        row = pair(report, "upper", f"insert {i}")
        assert_reads(row["height"], 0.5)
        assert_reads(row["spare"], 0.45)
        assert row["head_at"][0] == pytest.approx(middle, abs=1e-6)
        assert row["cut"] == f"keyhole {i}"
    assert report["pairs"][0]["item"].startswith("insert ")


def test_lower_head_passes_under_the_frame() -> None:
    _, report = check("keyhole_inserts")
    row = pair(report, "lower", "frame")
    assert_reads(row["height"], REST - 12 - FACE)
    assert_reads(row["clearance"], REST - 12 - FACE)
    for cut in report["cuts"]:
        if "->" not in cut["name"]:
            assert cut["flushing"]["lower"] == pytest.approx(REST - FACE)


def test_wire_stands_in_the_frame_s_slot() -> None:
    _, report = check("keyhole_inserts")
    # The slot is 10 wide and the wire, 0.25 thick, in its middle; the keyhole itself, 40 and more in front
    # of the stop, is farther off.
    row = pair(report, "wire", "frame")
    assert 46 - 40 > 10 / 2
    assert_reads(row["side"], 10 / 2 - 0.25 / 2)


def test_upper_head_passes_the_straps() -> None:
    _, report = check("keyhole_inserts")
    said = {f["message"] for f in report["findings"] if f["item"] == "strap 1-2" and f["kind"] == "fitted"}
    # Its screw stands 20 behind the stop's face and its tip, 8 long, bears on the insert from its rear edge;
    # it stands on the stop, 6 over the rest plane of a part of 20.
    assert said == {
        'reach set to 28 mm, fitted to "insert 1"',
        'height set to 14 mm, fitted to "insert 1"',
    }
    # Strap 40 wide, halfway between two paths 100 apart: the nut beside it. Screw: strap 10, washer 1.6,
    # head 8 over the insert's top; the hose, 34 to 52 to the right, passes over it.
    row = pair(report, "upper", "strap 1-2")
    assert STRAPS[0] - MIDDLES[0] == 50
    assert MIDDLES[0] + 34 < STRAPS[0] < MIDDLES[0] + 52
    assert_reads(row["side"], 50 - 40 / 2 - NUT)
    screw = REST + 20 + 10 + 1.6 + 8
    assert_reads(row["height"], REST + 20 + 0.5 + HOSE_FROM - screw)
    assert_reads(row["clearance"], REST + 20 + 0.5 + HOSE_FROM - screw)


# ------------------------------------------------------------------------- the thin plate, reversed straps
# Turning holder: axis 40 in front of the chuck, plate's back 24 - 12 from it, 12 thick. Vise: beam 30 and
# throat 30 to the jaws; the fixed one half of the capacity of 140 to the left.
CORNER = np.array([CHUCK[0] - 70, CHUCK[1] + 40 + 24 + 30 + 30])


@pytest.mark.slow
def test_toes_of_reversed_straps_are_close() -> None:
    code, report = check("stripper_plate")
    assert (code, report["verdict"]) == (1, "close")
    said = {f["message"].split(",")[0] for f in report["findings"] if f["kind"] == "fitted"}
    assert said == {"opening set to 120 mm", "part_height set to 6 mm", "straps set to reversed"}

    # The toes reach 8 over the plate, from its top at Z 6 up to 20 + 7; the nut comes down to 6.1 + 5.
    assert 6 < 6.1 + NUT_FROM < 20 + 7
    beside = 32.5 - LOBE - 8 - NUT
    assert beside == pytest.approx(0.38, abs=1e-4)
    least = report["pairs"][0]
    assert (least["head"], least["item"], least["cut"]) == ("upper", "vise", "first opening")
    assert_reads(least["side"], beside)
    assert_reads(least["clearance"], beside)
    assert_reads(least["spare"], beside - 1.0)
    assert least["head_at"][0] == pytest.approx(CORNER[0] + 32.5 - LOBE, abs=1e-3)
    assert least["on_item"][0] == pytest.approx(CORNER[0] + 8, abs=0.005)
    # along Y the strap, 36 wide, stands halfway along the jaw of 60
    assert CORNER[1] + 30 - 18 < least["on_item"][1] < CORNER[1] + 30 + 18
    verdicts = {c["name"]: c["verdict"] for c in report["cuts"]}
    assert verdicts == {
        "first opening": "close",
        "first opening -> second opening": "clear",
        "second opening": "clear",
    }


@pytest.mark.slow
def test_lower_head_between_the_ledges_and_below_the_vise() -> None:
    _, report = check("stripper_plate")
    row = pair(report, "lower", "vise")
    # Beside the ledge, 8 wide and 6 deep, passes the nut; under the body, 18 deep, the guide block.
    assert LOWER_NUT_TOP > -6
    assert_reads(row["side"], 32.5 - LOBE - 8 - LOWER_NUT)
    assert_reads(row["height"], -18 - LOWER_BLOCK_TOP)
    assert_reads(row["spare"], 32.5 - LOBE - 8 - LOWER_NUT - 1.0)


# ------------------------------------------------------------------ four cuts, four stops, a strap that moves
def test_nest_is_clear_with_its_strap_moved() -> None:
    code, report = check("riveting_nest")
    assert (code, report["verdict"]) == (0, "clear")
    # The plate's left edge is at X 76, the notches' middle 49 from it; the trim's wire stands 0.145 inside
    # the wall at 20 from that. The left rail's inner face is at 58 + 25, its underside at Z -18.
    row = pair(report, "lower", "left rail")
    assert_reads(row["side"], 76 + 49 - 20 + 0.145 - (58 + 25) - LOWER_NUT)
    assert_reads(row["height"], -18 - LOWER_BLOCK_TOP)
    assert_reads(row["spare"], -18 - LOWER_BLOCK_TOP - 0.5)
    states = [(s["begins"], s["move"]) for s in report["states"]]
    assert [begins for begins, _ in states] == [
        "start", "piece", "stop", "stop", "piece", "stop", "piece", "stop",
    ]  # fmt: skip
    assert states[5][1] == [
        'take off "left strap"',
        'put on "left strap at the back"',
        'take out what "window, tab" freed',
    ]
    assert [s["free"][0]["held"] if s["free"] else None for s in report["states"]] == [
        None,
        False,
        None,
        None,
        True,
        None,
        False,
        None,
    ]


@pytest.mark.slow
def test_nest_s_strap_has_to_be_moved(tmp_path: Path) -> None:
    """The straps' tips are at X 94.5, 24 beyond the screw at 58 + 12.5, and 12 wide: in front to Y 134, at
    the back to Y 186. The rough wire of the front notch turns about (108, 117) with a radius of 3 - 0.185;
    that of the back notch runs along X 105.185 from Y 193 on. Both are nearer than the nut's radius."""
    assert hypot(108 - 94.5, 134 - 117) - (3 - 0.185) < NUT
    assert hypot(105.185 - 94.5, 193 - 186) < NUT
    both = changed(
        tmp_path,
        "riveting_nest",
        ('without = ["left strap"]\n', ""),
        ('with = ["left strap at the back"]\n', ""),
    )
    code, report = check(both)
    assert (code, report["verdict"]) == (1, "clash")
    hit = {(p["head"], p["item"], p["cut"]) for p in report["pairs"] if p["verdict"] == "clash"}
    assert ("upper", "left strap", "front notch") in hit
    assert ("upper", "left strap at the back", "back notch") in hit
    assert not [cut for _, item, cut in hit if item == "left strap" and cut == "back notch"]


def test_figures_of_the_ring_are_no_round_ones() -> None:
    """The tilt is seen: without it the ring would be 0.85 lower and the straps farther off."""
    ring = Ring()
    assert ring.to_machine([0, 0, 0])[2] == pytest.approx(
        sin(TILT) * (28 + 5 + 12 + ring.reach - 30.5) + 47 - 47 * cos(TILT), abs=1e-9
    )
    assert ring.to_machine([0, 0, 0])[2] > 0.8
