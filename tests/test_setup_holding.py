"""Every kind of holder that no demo setup uses, in a small setup that is checked end to end by the command.

The figures are worked out here by hand from the lengths in the setup's text and from the mid-size machine's:
lower head, face at Z -0.1: nozzle to radius 7.5 down to Z -5.1, nut of radius 19 to -19.1, guide block of
radius 31 to -46.1, from there a slope to radius 36 at -58.1; its hose reaches from 31 to 47 to the right,
9 to either side, from Z -24.1 down. Upper head, from its face: nozzle 5, nut of radius 20 to 22, block of
radius 34 to 60. What is reported may lie under the true figure by 0.005 mm, never over.
"""

from __future__ import annotations

import json
from math import cos, hypot, radians, sin, sqrt
from pathlib import Path
from typing import Any

import pytest

from clearance import cli

Report = dict[str, Any]

HEAD = """
title = "{title}"
[machine]
use = "mid_size"
[heads]
flushing_distance = 0.1
"""

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


def a_cut(path: str, part: str = "part", **keys: Any) -> str:
    lines = "".join(f"{key} = {json.dumps(value)}\n" for key, value in keys.items())
    return f'[[cuts]]\nname = "cut"\npart = "{part}"\npath = "{path}"\n{lines}'


def slot(half: float, far: float, out: str = "+y") -> str:
    """A slot ``2 half`` wide that ends ``half`` behind the zero and is open towards ``out``, at ``far``."""
    points = [(half, far), (half, -half), (-half, -half), (-half, far)]
    turned = points if out == "+y" else [(-y, x) for x, y in points]
    return "x,y\n" + "".join(f"{x},{y}\n" for x, y in turned)


def check(folder: Path, capsys: pytest.CaptureFixture[str], text: str, path: str) -> tuple[int, Report]:
    """Exit code and report of ``clearance check`` on a setup with one path, path.csv."""
    (folder / "setup.toml").write_text(text, encoding="utf-8")
    (folder / "path.csv").write_text(path, encoding="utf-8")
    code = cli.run(["check", str(folder / "setup.toml"), "--json", "-"])
    out, err = capsys.readouterr()
    assert err == "", err
    return code, json.loads(out)


def row(report: Report, head: str, item: str) -> dict[str, Any]:
    (found,) = [p for p in report["pairs"] if (p["head"], p["item"]) == (head, item)]
    return found


def said(report: Report, item: str, kind: str) -> list[str]:
    return [f["message"] for f in report["findings"] if (f["item"], f["kind"]) == (item, kind)]


def assert_reads(reported: float, true: float) -> None:
    """The contract's bounds: never above the truth, at most 0.005 below."""
    assert true - 0.005 <= reported <= true + 1e-6


def assert_quiet(report: Report, *kinds: str) -> None:
    """Nothing cries wolf: notes only, and only of these kinds beside what is said of any job."""
    allowed = {"fitted", "below zero", "off-cut", "good part", "heavy", *kinds}
    assert [f for f in report["findings"] if f["severity"] != "note" or f["kind"] not in allowed] == []


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
on = "left block"
seat = "axis"
at = [-65, 0, 0]
turn = [0, 90, 0]
"""
        + a_cut("path.csv", axes="machine", zero=[0, 0, 140])
    )


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
    # lower than the guide block: at the height of a foot, less the margin of 0.05, the slope has its radius.
    foot = 0.5 - (30 + 60 * (sqrt(2) - 1))
    slope = 31 + 5 * (-46.1 - (foot - 0.05)) / 12
    assert_reads(row(report, "lower", "left block")["side"], 200 - (125 + 30) - slope)
    assert_reads(row(report, "lower", "right block")["side"], (285 - 30) - 200 - 47)  # the hose
    assert_reads(row(report, "lower", "left beam")["side"], 200 - (125 + 30) - 36)


@pytest.mark.parametrize(("bar", "words"), [(190.0, "at most 180")])
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


def test_side_jaw_vise(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = HEAD.format(title="Block in jaws") + CHAIN + LEVELLING + VISE.replace("PART", "50")
    code, report = check(tmp_path, capsys, text + a_cut("path.csv"), slot(8, 40))
    assert (code, report["verdict"]) == (0, "clear")
    assert_quiet(report)
    assert said(report, "vise", "fitted") == ['opening set to 100 mm, fitted to "part"']
    pair = row(report, "lower", "vise")
    # Jaws 50 to either side of the block's middle, down to Z -23, where the guide block of radius 31 is; the
    # hose passes under the right one.
    assert_reads(pair["side"], 50 - 8 - 31)
    assert_reads(pair["height"], 24.1 - 23)
    assert_reads(pair["spare"], 24.1 - 23 - 0.05)


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


@pytest.mark.parametrize("angle", [0.0, 20.0])
def test_side_arm_on_a_turning_holder(
    angle: float, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The arm grips the rear 25 of 90; the cut is 65 to 71 in front. Turning all keeps it."""
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


# -------------------------------------------------------- rails, parallels, spacer, toe clamp, magnet
PLATE = """
[[items]]
name = "front rail"
holder = "rail"
params = { length = 520, width = 30, pads = [150, 330], pad_length = 120 }
at = [-60, 82, 0]
[[items]]
name = "back rail"
holder = "rail"
params = { length = 520, width = 30, pads = [190, 370], pad_length = 120 }
at = [460, 242, 0]
turn = [0, 0, 180]
[[items]]
name = "front parallel"
holder = "parallel"
params = { length = 140, height = 12 }
on = "front rail"
at = [240, 15, 0]
seat = "top"
[[items]]
name = "back parallel"
holder = "parallel"
params = { length = 140, height = 12 }
on = "back rail"
at = [280, 15, 0]
seat = "top"
[[items]]
name = "part"
shape = { box = [160, 140, 10] }
density = 7.85
on = "front parallel"
at = [0, 65, 0]
seat = "top"
[[items]]
name = "spacer"
holder = "spacer"
params = { length = 50, width = 30, height = 12 }
on = "front rail"
seat = "pad 1"
at = [-15, 0, 0]
[[items]]
name = "toe clamp"
holder = "toe_clamp"
params = { screw = "M6", height = 9.5, toe = 6 }
on = "spacer"
at = [25, 0, 0]
[[items]]
name = "magnet"
holder = "magnet_block"
on = "part"
seat = "top"
at = [50, 55, 0]
"""


def test_plate_on_parallels_with_toe_clamp_and_magnet(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = HEAD.format(title="Plate on parallels") + PLATE + a_cut("path.csv")
    code, report = check(tmp_path, capsys, text, slot(5, 85, "-x"))
    assert (code, report["verdict"]) == (0, "clear")
    assert_quiet(report)
    assert report["cuts"][0]["upper_z"] == pytest.approx(12 + 10 + 0.1)
    # The plate's middle is at X 180, Y 162. The rails' feet stand out to Y 118 and 206, as deep as the block.
    assert_reads(row(report, "lower", "front rail")["side"], 162 - 5 - 118 - 31)
    assert_reads(row(report, "lower", "back rail")["side"], 206 - (162 + 5) - 31)
    # over the head: the plate 12.1 over its face, the parallels as high over the nozzle but never over it
    assert_reads(row(report, "lower", "part")["height"], 12.1)
    # the magnet's corner is at X 205, Y 202, and 35 high: beside the block of radius 34, which begins 22 up
    magnet = row(report, "upper", "magnet")
    assert magnet["body"] == "laid"
    assert_reads(magnet["side"], hypot(205 - 185, 202 - 167) - 34)
    assert_reads(magnet["spare"], hypot(205 - 185, 202 - 167) - 34 - 3.0)
    # the toe clamp ends at the plate's side, X 100, Z 21.5; its head is let in: 0.6 under the upper face
    clamp = row(report, "upper", "toe clamp")
    assert clamp["body"] == "laid"
    assert clamp["verdict"] == "clear"


def test_moving_the_rail_moves_all_that_stands_on_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Front rail 7 to the right, 4 back, 3 up: all that stands on it and the cut go along."""
    text = HEAD.format(title="Plate on parallels") + PLATE + a_cut("path.csv")
    _, before = check(tmp_path, capsys, text, slot(5, 85, "-x"))
    moved = text.replace("at = [-60, 82, 0]", "at = [-53, 86, 3]")
    _, after = check(tmp_path, capsys, moved, slot(5, 85, "-x"))
    assert after["cuts"][0]["upper_z"] == pytest.approx(before["cuts"][0]["upper_z"] + 3)
    assert_reads(row(after, "lower", "part")["height"], 15.1)
    for item in ("front rail", "part", "toe clamp", "magnet"):
        # seen from the upper head, which goes along, nothing has changed
        old, new = row(before, "upper", item), row(after, "upper", item)
        assert new["side"] == pytest.approx(old["side"], abs=0.005), item
        assert new["height"] == pytest.approx(old["height"], abs=0.005), item
    old, new = (row(each, "upper", "magnet") for each in (before, after))
    step = [b - a for a, b in zip(old["on_item"][:2], new["on_item"][:2], strict=True)]
    assert step == pytest.approx([7, 4], abs=0.02)
    # the back rail stays, and the cut comes 4 nearer to it
    was = row(before, "lower", "back rail")["side"]
    assert row(after, "lower", "back rail")["side"] == pytest.approx(was - 4, abs=0.01)


def test_overhanging_plate_would_tip(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """On the front parallel alone: its middle is 65 behind the parallel's, whose half width is 4."""
    text = HEAD.format(title="Plate that tips") + PLATE + a_cut("path.csv")
    for name in ("back parallel", "spacer", "toe clamp", "magnet"):
        item = text.index(f'[[items]]\nname = "{name}"')
        text = text[:item] + text[text.index("[[", item + 2) :]
    code, report = check(tmp_path, capsys, text, slot(5, 85, "-x"))
    assert (code, report["verdict"]) == (1, "close")
    (message,) = said(report, "part", "off its feet")
    assert "61.0 mm outside" in message


# --------------------------------------------------------------------- what is wrong says what exists
@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('seat = "pad 1"', 'seat = "pad 3"', ("pad 1", "pad 2")),
        ('on = "spacer"', 'on = "spacers"', ('"spacer"',)),
        (
            'on = "front rail"\nseat = "pad 1"',
            'on = "toe clamp"\nseat = "top"',
            ("circle", "spacer", "toe clamp"),
        ),
        ('holder = "spacer"', 'holder = "spacr"', ("spacer",)),
        ('holder = "spacer"', 'holder = "spacer"\nfit = "part"', ("cannot be fitted", "v_block", "strap")),
        ('holder = "toe_clamp"', 'holder = "v_block"\nfit = "front rail"', ("is a holder", "part")),
        ('holder = "toe_clamp"', 'holder = "v_block"\nfit = "prat"', ('"part"',)),
    ],
)
def test_wrong_names(
    old: str, new: str, says: tuple[str, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = HEAD.format(title="Wrong") + PLATE + a_cut("path.csv")
    assert old in text
    text = text.replace(old, new).replace('params = { screw = "M6", height = 9.5, toe = 6 }\n', "")
    (tmp_path / "setup.toml").write_text(text, encoding="utf-8")
    (tmp_path / "path.csv").write_text(slot(5, 85, "-x"), encoding="utf-8")
    assert cli.run(["check", str(tmp_path / "setup.toml")]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert "setup.toml" in err
    for word in says:
        assert word in err, err


@pytest.mark.parametrize(("lower", "tips"), [(0.06, False), (0.3, False), (0.7, True)])
def test_rails_of_uneven_height_carry_what_comes_to_rest(
    lower: float, tips: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A part that settles by some tenths is no part that tips over (common practice, no source)."""
    text = HEAD.format(title="Uneven rails") + PLATE + a_cut("path.csv")
    text = text.replace("at = [460, 242, 0]", f"at = [460, 242, {-lower}]")
    code, report = check(tmp_path, capsys, text, slot(5, 85, "-x"))
    assert bool(said(report, "part", "off its feet")) == tips
    assert code == tips
