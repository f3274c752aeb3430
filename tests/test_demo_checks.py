"""Each figure that a demo setup shows, against a calculation by hand, through the command line.

The calculations use the dimensions written in the setup, machine and program files and plane geometry; they
share nothing with the project's code. What is reported may lie under the true figure by 0.005 mm, never over.
"""

from __future__ import annotations

import json
import tempfile
from functools import cache
from math import hypot, sqrt
from pathlib import Path
from typing import Any

import pytest

from clearance import cli

DEMO = Path(__file__).parent.parent / "demo_models"

# The lower head of the mid-size machine: face at Z -0.1; behind it the nozzle, a cone from radius 5.5 to 7.5
# over 5 mm; the union nut, radius 19, from 5 to 19 mm; the guide block, radius 31, from 19 to 46 mm.
FACE = -0.1
NUT_TOP, NUT = FACE - 5, 19.0
BLOCK_TOP, BLOCK = FACE - 19, 31.0

# The nearest place of the opening's path to the front: the near lobe, a circle of this radius (program line
# 15: I 3.738 J -1.7325 from its start) about the point half a pitch in front of the start hole.
LOBE = hypot(3.738, 1.7325)
ROW = 100.0 + 38.5  # machine Y of the row's start holes: the plate's front edge and the row's place on it
OPENING_FRONT = ROW - 12.7 / 2 - LOBE
HOLES_FRONT = ROW - 12.7 / 2 - 1.67  # the wire's circle in the nearer pierced hole

LEDGE_EDGE = 82.0 + 25 + 3  # front rail: outer face, width, ledge


@cache
def check(setup: str | Path) -> tuple[int, dict[str, Any]]:
    """Exit code and report of ``clearance check`` on a demo setup, by name, or on a file."""
    file = DEMO / f"{setup}.toml" if isinstance(setup, str) else setup
    with tempfile.TemporaryDirectory() as folder:
        report = Path(folder, "report.json")
        code = cli.run(["check", str(file), "--json", str(report)])
        return code, json.loads(report.read_text())


def assert_reads(reported: float, true: float) -> None:
    """The contract's bounds: never above the truth, at most 0.005 below."""
    assert true - 0.005 <= reported <= true + 1e-9


def test_plate_on_a_flat_rail_is_a_clash() -> None:
    code, report = check("side_plate_die_clash")
    assert (code, report["verdict"]) == (1, "clash")

    # In plan the opening comes within 18.03 mm of the ledge, less than the nut's radius; in height the ledge
    # hangs to Z -7 and the nut begins at Z -5.1: they share 1.9 mm.
    beside = OPENING_FRONT - LEDGE_EDGE
    assert beside == pytest.approx(18.03, abs=1e-4)
    assert beside < NUT
    assert NUT_TOP > -7

    worst = report["pairs"][0]
    assert (worst["head"], worst["item"], worst["verdict"]) == ("lower", "front rail", "clash")
    # Only the near lobe reaches in: its ends lie 4.6175 in front of the start hole, and that is too far.
    assert ROW - 4.6175 - LEDGE_EDGE > NUT
    assert (worst["cut"], worst["move"], worst["line"], worst["n"]) == ("opening", 5, 15, "N70")
    assert worst["touching"] == [[5, 5]]
    # They overlap in plan and in height, so side is 0, and less than the holder's margin of 1 by 1.
    assert (worst["clearance"], worst["side"]) == (0, 0)
    assert worst["spare"] == pytest.approx(0 - 1.0, abs=1e-9)
    x, y, z = worst["on_item"]
    assert hypot(x - worst["head_at"][0], y - worst["head_at"][1]) <= NUT + 0.005
    assert LEDGE_EDGE - 3 <= y <= LEDGE_EDGE + 0.005
    assert -7.005 <= z <= NUT_TOP + 0.005


@pytest.mark.slow
def test_holes_alone_beside_the_same_rail_are_clear(tmp_path: Path) -> None:
    text = (DEMO / "side_plate_die_clash.toml").read_text(encoding="utf-8")
    text, opening = text.rsplit("[[cuts]]", 1)
    assert 'name = "opening"' in opening
    for name in ("side_plate_die.stl", "rivet_holes.nc"):
        text = text.replace(f'"{name}"', f"'{DEMO / name}'")
    (tmp_path / "holes.toml").write_text(text, encoding="utf-8")
    code, report = check(tmp_path / "holes.toml")
    assert (code, report["verdict"]) == (0, "clear")

    (row,) = [p for p in report["pairs"] if (p["head"], p["item"]) == ("lower", "front rail")]
    true = HOLES_FRONT - LEDGE_EDGE - NUT  # 1.48
    assert_reads(row["side"], true)
    assert_reads(row["clearance"], true)
    assert_reads(row["spare"], true - 1.0)
    # Line 8 turns in the front pierced hole; the pilot holes have a smaller circle.
    assert (row["move"], row["line"], row["n"]) == (2, 8, "N40")


@pytest.mark.slow
def test_heads_stand_where_the_plate_puts_them() -> None:
    for name, packing in (("side_plate_die_clash", 0), ("side_plate_die_raised", 3)):
        for cut in check(name)[1]["cuts"]:
            if cut["name"] in ("opening", "rivet holes"):
                assert cut["lower_z"] == pytest.approx(FACE)
                assert cut["upper_z"] == pytest.approx(packing + 22 + 1.5)
                assert cut["flushing"]["lower"] == pytest.approx(packing + 0.1)
                assert cut["flushing"]["upper"] == pytest.approx(1.5)


@pytest.mark.slow
def test_three_millimetres_of_packing_clear_it() -> None:
    code, report = check("side_plate_die_raised")
    assert (code, report["verdict"]) == (0, "clear")

    least = report["pairs"][0]
    assert (least["head"], least["item"]) == ("lower", "front rail")
    assert (least["cut"], least["move"], least["line"], least["n"]) == ("opening", 5, 15, "N70")
    # The ledge's underside is now at Z -4, over the nut by 1.1, and over is what it is: 18.03 < 19.
    height = (-7 + 3) - NUT_TOP
    assert height == pytest.approx(1.1)
    assert_reads(least["height"], height)
    assert_reads(least["clearance"], height)
    assert_reads(least["spare"], height - 0.5)
    # Beside it passes the nozzle. Within the margin in height of 0.5 the ledge shares heights with it down
    # to Z -4.5; there the cone has the radius 5.5 + 2 / 5 x 4.4 = 7.26.
    assert_reads(least["side"], OPENING_FRONT - LEDGE_EDGE - (5.5 + 2 / 5 * (4.5 + FACE)))


def test_punch_blank_in_a_vee_is_close() -> None:
    code, report = check("punch_blank")
    assert (code, report["verdict"]) == (1, "close")

    # The rail's pad lies 93 to 133 in X, the block's middle over its middle, half of 50 to its right face.
    face = 93 + 40 / 2 + 50 / 2
    # The tip stands 87 out from the block's middle; the program begins 30.5 from it, 22 off the axis (Y 150),
    # turned round with the blank. It is the path's nearest point to the block: the relief leads away from it.
    x, y = 93 + 40 / 2 + 87 - 30.5, 150 + 22
    side = x - face - BLOCK
    assert side == pytest.approx(0.5)
    # The block stands at Z -26.6, lower than where the head's guide block begins.
    assert BLOCK_TOP > -26.6

    least = report["pairs"][0]
    assert (least["head"], least["item"], least["verdict"]) == ("lower", "V-block", "close")
    assert (least["cut"], least["move"], least["line"], least["n"]) == ("flats", 1, 8, "N30")
    assert_reads(least["side"], side)
    assert_reads(least["clearance"], side)
    assert_reads(least["spare"], side - 1.0)
    assert least["head_at"][:2] == pytest.approx([x, y])
    assert least["on_item"][:2] == pytest.approx([face, y], abs=0.005)
    assert least["touching"] == []


def test_blank_lies_in_the_vee_where_geometry_puts_it() -> None:
    _, report = check("punch_blank")
    # A bar of radius r lies with its axis r sqrt 2 over the apex of a 90 degree vee (plane geometry); the
    # apex is 20 over the block's foot. The flange has the radius 21.
    axis = -26.6 + 20 + 16 * sqrt(2)
    (cut,) = [c for c in report["cuts"] if c["name"] == "flats"]
    assert cut["upper_z"] == pytest.approx(axis + 21 + 0.1, abs=1e-5)
    (row,) = [p for p in report["pairs"] if (p["head"], p["item"]) == ("lower", "punch blank")]
    assert_reads(row["height"], axis - 16 - FACE)
    assert_reads(row["spare"], axis - 16 - FACE - 0.05)


def test_nothing_is_undecided_and_nothing_cries_wolf() -> None:
    for name in ("side_plate_die_clash", "side_plate_die_raised", "punch_blank"):
        _, report = check(name)
        assert not [f for f in report["findings"] if f["severity"] != "note"]
        bad = [p for p in report["pairs"] if p["verdict"] != "clear"]
        assert len(bad) == (0 if name == "side_plate_die_raised" else 1)
