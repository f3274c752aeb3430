"""How long a job takes, against lengths and heights worked out by hand, on three programs; and what rates do.

Lengths of lines and arcs and heights of metal are plane geometry, written out beside each figure. Rates are
common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from math import asin, hypot, pi
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import clearance
from clearance.overnight.durations import Durations, durations, word_lines
from clearance.process.course import Course
from clearance.scene.night import Rates
from clearance.scene.night_tables import Times
from tests.access_bench import block, line, post, scene
from tests.test_process_states import LEFT, RIGHT, SECOND, STRAP

DEMO = Path(__file__).parent.parent / "demo_models"
#: one figure each, no two alike
PLAIN = Rates(*((v, v, v) for v in (100.0, 8.0, 20.0, 600.0, 500.0, 1.5, 0.25, 4.0, 10.0)))


def lasts(file_or_scene: Any, folder: Path, rates: Rates = PLAIN, told_by: Any = None) -> Durations:
    result = clearance.check(file_or_scene)
    return durations(Course(result), rates, told_by or {}, folder)


def minutes(found: Durations) -> Any:
    return sum(timed.minutes.sum(axis=0) for timed in found.stretches)


# ------------------------------------------------------------------------------------------- three programs
def test_a_slit_into_a_thin_plate() -> None:
    """32 long, the first 7 before the plate; 6 high, its edge broken by 0.3 above and below."""
    found = lasts(DEMO / "nights" / "middle_plate.toml", DEMO / "nights")
    length, metal, area = found.total("rough")
    assert (length, metal) == pytest.approx((32.0, 25.0), abs=1e-6)
    assert area == pytest.approx(25.0 * 6.0 - 2 * 0.3 * 0.3 / 2, abs=1e-6)
    assert found.cutting[0].height == pytest.approx(area / 25.0)
    assert minutes(found)[1] == pytest.approx(149.91 / 100.0 + 7.0 / 20.0, abs=1e-6)
    assert [len(timed.threads) for timed in found.stretches] == [1]


@pytest.mark.slow
def test_a_bore_with_a_keyway_in_a_blank_that_is_sawn_askew() -> None:
    """34 high on the axis, its lower face rises by 0.5 degrees; what goes there and back evens out."""
    found = lasts(DEMO / "nights" / "wheel.toml", DEMO / "nights")
    radius, half, floor = 17.82, 4.82, 20.82
    upper = (radius**2 - half**2) ** 0.5
    left = pi / 2 - asin(half / radius)  # from +X to the keyway's right wall
    arc = radius * left
    back = radius * (2 * pi - left - 2 * asin(half / radius)) - 4.0  # round, to a tab of 4
    by_hand = 17.82 + arc + (floor - upper) + 2 * half + (floor - upper) + back
    length, metal, area = found.total("rough")
    assert length == pytest.approx(by_hand, abs=2e-3)
    # the start hole is as large as it is: what is left of the lead-in is in metal
    (first,) = {round(float(c.length[0] - c.metal[0]), 3) for c in found.cutting}
    assert metal == pytest.approx(length - first, abs=1e-2)
    # the height is 34 less y tan 0.5 degrees: along the way's own middle
    assert area / metal == pytest.approx(34.0, abs=0.12)
    assert found.cutting[0].height == pytest.approx(area / metal)


@pytest.mark.slow
def test_a_notch_rough_and_trim_by_its_offsets() -> None:
    """The nest's notch: 40 wide, 30 deep, corners of 3; offset 0.185 and 0.145; the plate is 20 high."""
    found = lasts(DEMO / "riveting_nest.toml", DEMO)
    rough = next(c for c in found.cutting if c.bit.stretch.name == "front notch" and c.what == "rough")
    trim = next(c for c in found.cutting if c.bit.stretch.name == "front notch" and c.what == "trim")
    corner = pi / 2 * (3.0 - 0.185)  # the wire runs inside of the corner
    walls = 27.0 + 34.0 + 27.0
    # two walls in metal from the edge on, and between the corners
    in_metal = walls + 2 * corner
    assert rough.metal.sum() == pytest.approx(in_metal, abs=0.05)
    # edges broken by 0.5, above and below, where both walls begin
    assert rough.area.sum() == pytest.approx(20.0 * in_metal - 2 * 2 * 0.5 * 0.5 / 2, abs=1.0)
    assert trim.area.sum() == 0.0
    assert trim.metal.sum() == 0.0
    assert trim.length.sum() == pytest.approx(walls + 2 * 5.0 + pi * (3.0 - 0.145) + _lead(0.145), abs=0.3)


def _lead(offset: float) -> float:
    """Out along the last line's leads, from the offset wall to the point beside the plate."""
    return hypot(4.0 - offset, 2.0) + hypot(4.0 - offset, 2.0)


# ------------------------------------------------------------------------------------------------- heights
STEPS = block(40, 60, 10) + block(40, 60, 25, (40, 0, 0))


def stepped(tmp_path: Path, *programs: Any, **more: Any) -> Any:
    return scene(tmp_path, STEPS, *programs, items=[LEFT, RIGHT, STRAP, SECOND], **more)


def test_each_height_counts_where_it_is_met(tmp_path: Path) -> None:
    """From 5 before the plate, 40 through 10 mm, 40 through 25 mm, 5 behind it."""
    found = lasts(stepped(tmp_path, line((-5, 50), (85, 50))), tmp_path)
    length, metal, area = found.total("rough")
    assert (length, metal) == pytest.approx((90.0, 80.0))
    assert area == pytest.approx(40 * 10 + 40 * 25)
    assert minutes(found)[1] == pytest.approx(1400 / 100 + 10 / 20)


@pytest.mark.slow
def test_what_was_cut_before_and_came_free_is_air(tmp_path: Path) -> None:
    """The second cut crosses the first one's kerf, 0.24 wide, and what was taken out of the plate."""
    plate = block(80, 60, 20) - post(2, 22, (40, 30, -1))
    window = "\n".join(["G90 G00 X40 Y30", "G01 X50 Y30", "Y40", "X30", "Y20", "X50", "Y30"])
    across = {"nc": line((-5, 35), (60, 35)), "stop_before": True, "taken_out": ["cut 1"]}
    made = scene(tmp_path, plate, window, across, items=[LEFT, RIGHT, STRAP, SECOND])
    found = lasts(made, tmp_path)
    first, second = found.cutting
    # the lead-in begins in a hole of 2 (64 flats); the corners count once
    assert first.metal.sum() == pytest.approx(10 - 1 + 10 + 20 + 20 + 20 + 10, abs=1e-6)
    # 0 to 30 and 50 to 60, less half a kerf at each wall of the window
    kerf = 0.2 + 2 * 0.02
    assert second.metal.sum() == pytest.approx(40.0 - kerf, abs=1e-6)
    assert second.area.sum() == pytest.approx(20 * (40.0 - kerf), abs=1e-4)


@pytest.mark.slow
def test_what_goes_over_itself_is_cut_once(tmp_path: Path) -> None:
    found = lasts(stepped(tmp_path, line((-5, 50), (35, 50), (-5, 50))), tmp_path)
    length, metal, area = found.total("rough")
    assert (length, metal, area) == pytest.approx((80.0, 35.0, 350.0))


def test_an_arc_is_as_long_as_its_radius_and_angle_say(tmp_path: Path) -> None:
    """A quarter of a circle of 30 about the plate's corner, all of it in metal 10 mm high."""
    program = "G90 G00 X30 Y0\nG03 X0 Y30 I-30 J0"
    found = lasts(stepped(tmp_path, program), tmp_path)
    (one,) = found.cutting
    assert one.length.sum() == pytest.approx(30 * pi / 2, rel=1e-12)
    assert one.area.sum() == pytest.approx(10 * 30 * pi / 2, rel=1e-4)


# ------------------------------------------------------------------------------------- passes, dwells, moves
PASSES = "\n".join([
    "G90 G00 X-5 Y50", "G01 X35 Y50", "G00 X-5 Y50", "G04 X2.", "G01 X35 Y50", "G00 X-5 Y50", "E21",
    "G01 X35 Y50",
])  # fmt: skip


def test_a_pass_along_an_earlier_one_is_a_trim(tmp_path: Path) -> None:
    found = lasts(stepped(tmp_path, PASSES), tmp_path)
    assert [one.what for one in found.cutting] == ["rough", "trim", "trim"]
    # 350 mm2 and 5 in air; 2 x 40 by the trim's rate; 2 x 40 rapid; one dwell
    expected = 350 / 100 + 5 / 20 + 80 / 8 + 80 / 600 + 0.25
    assert minutes(found) == pytest.approx(np.full(3, expected), abs=1e-6)


@pytest.mark.slow
def test_words_say_what_a_pass_is(tmp_path: Path) -> None:
    made = stepped(tmp_path, PASSES)
    found = lasts(made, tmp_path, told_by={"E21": "rough"})
    assert [one.what for one in found.cutting] == ["rough", "trim", "rough"]
    assert word_lines(tmp_path / "cut1.nc", {"E21": "rough", "D1": "trim"}) == [(8, "rough")]


@pytest.mark.slow
def test_an_offset_s_number_says_what_a_pass_is() -> None:
    found = lasts(DEMO / "riveting_nest.toml", DEMO, told_by={"D1": "trim", "D2": "rough"})
    assert {(one.bit.stretch.name, one.what) for one in found.cutting} == {
        ("front notch", "trim"), ("front notch", "rough"), ("back notch", "trim"), ("back notch", "rough"),
        ("window", "trim"), ("window, tab", "trim"),
    }  # fmt: skip


def test_the_fastest_rate_is_the_shortest_time(tmp_path: Path) -> None:
    rates = replace(PLAIN, rough=(50.0, 100.0, 200.0), air=(10.0, 20.0, 40.0))
    found = lasts(stepped(tmp_path, line((-5, 50), (35, 50))), tmp_path, rates)
    assert minutes(found) == pytest.approx(np.array([2.0, 1.0, 0.5])[::-1] * (3.5 + 0.25))


@pytest.mark.slow
def test_the_way_between_cuts_and_the_head_s_way_up(tmp_path: Path) -> None:
    """From (35, 50) to (-5, 40) by the rapid rate; up to Z 60 and down again at 500 mm/min."""
    heads = {"flushing_distance": 0.1, "travel_z": 60.0}
    made = stepped(tmp_path, line((-5, 50), (35, 50)), line((-5, 40), (35, 40)), heads=heads)
    found = lasts(made, tmp_path)
    way = next(timed for timed in found.stretches if timed.stretch.cut is None)
    face = 25.1
    assert way.minutes.sum(axis=0)[1] == pytest.approx(hypot(40, 10) / 600 + 2 * (60 - face) / 500)


@pytest.mark.slow
def test_an_open_part_counts_as_its_box(tmp_path: Path) -> None:
    """Nobody can tell its inside: as much metal as its box has, 25 high throughout."""
    made = stepped(tmp_path, line((-5, 50), (85, 50)))
    file = tmp_path / "plate.stl"
    data = file.read_bytes()
    count = int.from_bytes(data[80:84], "little") - 1
    file.write_bytes(data[:80] + count.to_bytes(4, "little") + data[84 : 84 + 50 * count])
    found = lasts(tmp_path / "setup.toml", tmp_path)
    assert found.total("rough")[2] == pytest.approx(90 * 25)
    assert made.bodies[0].closed


def test_defaults_are_ranges() -> None:
    for key in Times.model_fields:
        least, likely, most = getattr(Times(), key)
        assert 0 < least < likely < most, key
