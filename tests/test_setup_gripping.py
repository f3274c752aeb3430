"""What grips a part, in small setups that are checked end to end by the command.

The figures are worked out by hand from the lengths in the setup's text and from the mid-size machine's
(``holding_text``). Each kind of holder once, at its simplest, is in test_holders_in_setups.py. What is
reported may lie under the true figure by 0.005 mm, never over.
"""

from __future__ import annotations

from math import cos, hypot, radians, sin, sqrt
from pathlib import Path

import pytest

from tests.holding_bench import row
from tests.holding_text import HEAD, a_cut, assert_quiet, assert_reads, check, said, slot

# On the table frame's front bar; the front of what is in the chuck begins at Y -62 + 12 = -50.
CHAIN = """
[[items]]
name = "base rail"
holder = "base_rail"
params = { length = 300, width = 75 }
at = [50, -62, 0]
[[items]]
name = "chuck"
holder = "chuck"
on = "base rail"
seat = "top"
at = [150, 0, 0]
"""

LEVELLING = """
[[items]]
name = "carrier"
holder = "levelling_holder"
params = { table = 0 }
on = "chuck"
seat = "shank"
"""

TURNING = """
[[items]]
name = "carrier"
holder = "turning_holder"
params = { table = 0, angle = ANGLE }
on = "chuck"
seat = "shank"
"""


# ---------------------------------------------------------------------------------- the large V-block
def two_vees(bar: float = 120.0) -> str:
    """A bar across two large V-blocks, one on a beam each; its lowest line half a millimetre over Z = 0."""
    # apex 30 over the foot; the bar's axis r sqrt 2 over it, its lowest line r less
    foot = 0.5 - (30 + bar / 2 * (sqrt(2) - 1))
    text = HEAD.format(title="Bar for guide bushes, sawn through")
    for name, x in (("left", 125), ("right", 285)):
        text += f"""
[[items]]
name = "{name} beam"
shape = {{ box = [60, 300, 20] }}
at = [{x}, 150, {foot - 20!r}]
[[items]]
name = "{name} block"
holder = "v_block"
params = {{ mouth = 130, length = 60 }}
fit = "part"
on = "{name} beam"
seat = "top"
"""
    return (
        text
        + f"""
[[items]]
name = "part"
shape = {{ cylinder = [{bar}, 300] }}
density = 7.85
held_by = "glue"
on = "left block"
seat = "axis"
at = [-65, 0, 0]
turn = [0, 90, 0]
"""
        + a_cut("path.csv", axes="machine", zero=[0, 0, 140])
    )


@pytest.mark.slow
def test_bar_on_two_large_vees(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, report = check(tmp_path, capsys, two_vees(), "x,y\n0,-70\n0,70\n")
    assert (code, report["verdict"]) == (0, "clear")
    assert_quiet(report)
    for name in ("left block", "right block"):
        assert 'diameter set to 120 mm, fitted to "part"' in said(report, name, "fitted")
        assert 'size set to large, fitted to "part"' in said(report, name, "fitted")
    # The bar lies where geometry puts it: axis r sqrt 2 over the apex (V-block, plane geometry).
    assert_reads(row(report, "lower", "part")["height"], 0.5 + 0.1)
    assert report["cuts"][0]["upper_z"] == pytest.approx(0.5 + 120 + 0.1, abs=1e-3)
    # The bar begins at X 60, the cut is at 200: both halves lie over their block. The blocks' feet stand
    # lower than the guide block: at the height of a foot, less the margin of 0.5, the slope has its radius.
    foot = 0.5 - (30 + 60 * (sqrt(2) - 1))
    slope = 31 + 5 * (-46.1 - (foot - 0.5)) / 12
    assert_reads(row(report, "lower", "left block")["side"], 200 - (125 + 30) - slope)
    assert_reads(row(report, "lower", "right block")["side"], (285 - 30) - 200 - 47)  # the hose
    assert_reads(row(report, "lower", "left beam")["side"], 200 - (125 + 30) - 36)


@pytest.mark.parametrize(("bar", "words"), [(190.0, "at most 180")])
@pytest.mark.slow
def test_bar_too_large_for_any_vee(
    bar: float, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, report = check(tmp_path, capsys, two_vees(bar), "x,y\n0,-70\n0,70\n")
    assert code == 1
    assert report["verdict"] != "clear"
    (message,) = said(report, "left block", "does not fit")
    assert f"{bar:g}" in message
    assert words in message


# ---------------------------------------------------------------------------------------------- vises
VISE = """
[[items]]
name = "vise"
holder = "side_jaw_vise"
params = { below = 23 }
fit = "part"
on = "carrier"
seat = "front"
[[items]]
name = "part"
shape = { box = [100, 50, 30] }
density = 7.85
on = "vise"
seat = "top"
at = [PART, 25, 0]
"""


def test_part_pushed_into_a_jaw(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """0.8 mm too far: the vise cannot be fitted there, and stays open as it was, 60, with 40.8 in its jaw."""
    text = HEAD.format(title="Block in a jaw") + CHAIN + LEVELLING + VISE.replace("PART", "50.8")
    code, report = check(tmp_path, capsys, text + a_cut("path.csv"), slot(8, 40))
    assert code == 1
    (message,) = said(report, "vise", "does not fit")
    assert "0.800 mm from the fixed jaw" in message
    # with the opening typed in, only the moving jaw is cut into
    text = text.replace('fit = "part"\n', "").replace("below = 23", "below = 23, opening = 100")
    code, report = check(tmp_path, capsys, text + a_cut("path.csv"), slot(8, 40))
    assert (code, report["verdict"]) == (1, "close")
    (message,) = said(report, "part", "overlap")
    assert message == 'cuts 0.80 mm deep into "vise"'


def test_part_wider_than_the_vise_opens(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = HEAD.format(title="Wide block") + CHAIN + LEVELLING + VISE.replace("PART", "80")
    text = text.replace("[100, 50, 30]", "[160, 50, 30]")
    code, report = check(tmp_path, capsys, text + a_cut("path.csv"), slot(8, 40))
    assert code == 1
    (message,) = said(report, "vise", "does not fit")
    assert "opening would be 160 mm, it has at most 150 mm" in message


ARM = """
[[items]]
name = "arm"
holder = "side_arm"
fit = "part"
on = "carrier"
seat = "front"
[[items]]
name = "part"
shape = { box = [30, 90, 25] }
density = 7.85
on = "arm"
seat = "top"
at = [15, 45, 0]
"""


def test_long_part_at_a_side_arm_that_is_turned(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The arm grips the rear 25 of 90; the cut is 65 to 71 in front."""
    angle = 20.0
    text = HEAD.format(title="Long part at an arm") + CHAIN + TURNING.replace("ANGLE", str(angle)) + ARM
    text += a_cut("path.csv", axes="part", zero=[0, 23, 0])
    code, report = check(tmp_path, capsys, text, slot(3, 30))
    assert (code, report["verdict"]) == (0, "clear")
    # its middle is 45 in front of the jaws' rear end, they are 25 long: only the grip holds it
    assert_quiet(report, "off its feet", "overhang")
    (message,) = said(report, "part", "off its feet")
    assert "20.0 mm outside" in message
    pair = row(report, "lower", "arm")
    # jaws 15 to either side down to Z -22, their steps 2 under the part, down to -6
    guide_block, nut = hypot(15 - 3, 65 - 25) - 31, hypot(15 - 2 - 3, 65 - 25) - 19
    assert guide_block < nut
    assert_reads(pair["side"], guide_block)
    # Where the slot's end is: the axis 40 in front of the chuck (Y -50), 24 to the plate's front, the arm 70,
    # its beam 18, room 6, 65 along the part; the fixed jaw 25 to the left, the part's middle 15 from it.
    far, turned = 24 + 70 + 18 + 6 + 65, radians(angle)
    x = [200 + side * cos(turned) - far * sin(turned) for side in (-13, -7)]
    y = [-10 + far * cos(turned) + side * sin(turned) for side in (-13, -7)]
    near = [hypot(pair["head_at"][0] - a, pair["head_at"][1] - b) for a, b in zip(x, y, strict=True)]
    assert min(near) < 0.01


# -------------------------------------------------------- angle plate, adapter plate and an electrode
ELECTRODE = """
[[items]]
name = "angle plate"
holder = "angle_plate"
at = [200, 365, 0]
turn = [0, 0, 180]
[[items]]
name = "adapter"
holder = "adapter_plate"
on = "angle plate"
seat = "face"
at = [0, 0, 35]
turn = [-90, 0, 0]
[[items]]
name = "part"
shape = { cylinder = [20, 106] }
density = 8.9
on = "adapter"
seat = "top"
at = [0, 0, -16]
"""


@pytest.mark.slow
def test_electrode_in_an_adapter_on_an_angle_plate(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The plate stands upright at the angle plate; the electrode lies in its bore, its tip at Y 259."""
    text = HEAD.format(title="Electrode's tip") + ELECTRODE
    text += a_cut("path.csv", axes="machine", zero=[0, 0, 90])
    code, report = check(tmp_path, capsys, text, "x,y\n-14,0\n14,0\n")
    assert (code, report["verdict"]) == (0, "clear")
    # the shank fits its bore and bears on nothing: no overlap; what clamps it is the adapter's screw
    assert_quiet(report, "off its feet", "overhang")
    # axis 35 over the bar, radius 10
    assert report["cuts"][0]["upper_z"] == pytest.approx(35 + 10 + 0.1, abs=1e-3)
    assert_reads(row(report, "lower", "part")["height"], 35 - 10 + 0.1)
    # the cut is 90 from the electrode's end at Y 365; plate 16 thick, as high as the upper head's block
    pair = row(report, "upper", "adapter")
    assert 45.1 + 22 < 70 < 45.1 + 60
    assert_reads(pair["side"], (365 - 16) - (365 - 90) - 34)
