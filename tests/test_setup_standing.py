"""What stands on rails and parallels, in one setup checked end to end by the command, and its mistakes.

The figures are worked out by hand from the lengths in the setup's text and from the mid-size machine's
(``holding_text``). What is reported may lie under the true figure by 0.005 mm, never over.
"""

from __future__ import annotations

from math import hypot
from pathlib import Path

import pytest

from clearance import cli
from tests.holding_bench import row
from tests.holding_text import HEAD, a_cut, assert_quiet, assert_reads, check, said, slot

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
params = { length = 160, height = 12 }
on = "front rail"
at = [240, 15, 0]
seat = "top"
[[items]]
name = "back parallel"
holder = "parallel"
params = { length = 160, height = 12 }
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
name = "stop"
shape = { box = [10, 30, 20] }
at = [265, 107, 0]
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


@pytest.mark.few(2)
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
