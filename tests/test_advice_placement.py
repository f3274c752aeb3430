"""How far the zero may be off, against boxes worked out by hand, through the command line.

A bound is never past the truth, and at most 0.005 short of it.
"""

from __future__ import annotations

from math import asin, degrees, hypot, sqrt
from pathlib import Path
from typing import Any

import pytest

from clearance import cli
from tests.advice_bench import NOSE, Bench

BOUND = 0.005


def is_box(found: Any, x: tuple[float, float], y: tuple[float, float]) -> bool:
    """Each bound inside the true one, and at most ``BOUND`` short of it."""
    pairs = [(found["x"][0], x[0]), (found["x"][1], x[1]), (found["y"][0], y[0]), (found["y"][1], y[1])]
    return all(abs(true) - BOUND <= abs(a) <= abs(true) and a * true >= 0 for a, true in pairs)


def fenced(folder: Path, **keys: Any) -> Bench:
    """A path from (0, 0) to (100, 0) in the middle of four walls, heads of radius 5, a margin of 1."""
    bench = Bench(folder, margins=(1.0, 0.0), **keys)
    bench.block("right", (113, -5, -30), (120, 5, 60))
    bench.block("left", (-20, -5, -30), (-9, 5, 60))
    bench.block("back", (40, 9, -30), (60, 20, 60))
    bench.block("front", (40, -20, -30), (60, -14, 60))
    return bench


@pytest.mark.slow
def test_four_walls(tmp_path: Path) -> None:
    # 113 - 100 - 6 = 7 to the right, 9 - 6 = 3 to the left and to the back, 14 - 6 = 8 to the front.
    code, answer = fenced(tmp_path).ask("placement")
    assert (code, answer["verdict"]) == (0, "clear")
    assert is_box(answer["box"], (-3, 7), (-8, 3))
    binds = {b["side"]: (b["item"], b["cut"], b["move"]) for b in answer["bound_by"]}
    walls = {"X-": "left", "X+": "right", "Y-": "front", "Y+": "back"}
    assert binds == {side: (name, "cut", 1) for side, name in walls.items()}


@pytest.mark.slow
def test_each_bound_is_one(tmp_path: Path) -> None:
    # 0.01 past each, at the shift that is named, the check is no longer clear; on it, drawn back a little, it
    # is.
    bench = fenced(tmp_path)
    answer = bench.ask("placement")[1]
    for bound in answer["bound_by"]:
        x, y = bound["shift"]
        out = 0.01 if bound["side"][1] == "+" else -0.01
        beyond = (bound["at"] + out, y) if bound["side"][0] == "X" else (x, bound["at"] + out)
        within = (bound["at"] - out, y) if bound["side"][0] == "X" else (x, bound["at"] - out)
        for (dx, dy), wanted in ((beyond, 1), (within, 0)):
            bench.cuts.clear()
            bench.cut(zero=(dx, dy, 0))
            assert bench.ask("check")[0] == wanted


def test_corner_stops_both_sides(tmp_path: Path) -> None:
    # A wall's corner at (110, 10) off the path's end at (100, 0): grown evenly by t the box's corner is
    # sqrt 2 (10 - t) from it, and that must stay 6.
    bench = Bench(tmp_path, margins=(1.0, 0.0))
    bench.block("wall", (110, 10, -30), (130, 40, 60))
    answer = bench.ask("placement")[1]
    t = 10 - 6 / sqrt(2)
    assert is_box(answer["box"], (-20, t), (-20, t))


def test_cone_and_height_margin(tmp_path: Path) -> None:
    # The lower nose, face at -1, is 45 degrees from radius 2: with a margin of 0.5 in height it is 0.5
    # higher. A wall up to z -4 is beside a radius of 2 + 3 + 0.5; its side at y 10, a margin of 1 sideways:
    # 10 - 6.5.
    bench = Bench(tmp_path, margins=(1.0, 0.5), profile=NOSE)
    bench.block("wall", (40, 10, -6), (60, 20, -4))
    deepest = 2 + 5 + 0.5
    answer = bench.ask("placement")[1]
    assert is_box(answer["box"], (-20, 20), (-20, 10 - deepest - 1)), (
        "its underside at -6 sees the wider nose"
    )


def test_arc(tmp_path: Path) -> None:
    # A full circle of radius 30 about (0, 0): its rightmost point is 30; a wall at 44 leaves 44 - 30 - 6.
    bench = Bench(tmp_path, margins=(1.0, 0.0), program="G90 G00 X30 Y0\nG03 X30 Y0 I-30 J0\n")
    bench.block("wall", (44, -100, -30), (60, 100, 60))
    assert is_box(bench.ask("placement")[1]["box"], (-20, 8), (-20, 20))


def test_what_moves_with_the_path_does_not_bind(tmp_path: Path) -> None:
    # The part is 0.5 under the upper face and 0.9 over the lower one wherever it lies; the wall beside it
    # binds.
    bench = Bench(tmp_path, heads="flushing_distance = 0.5", margins=(0.3, 0.05), face_z=-0.9)
    bench.part("plate", (-10, -10, 0), (110, 60, 20))
    bench.block("wall", (40, -20, -30), (60, -11, 60))
    bench.cut(part="plate", zero=(10, 10, 0))
    assert is_box(bench.ask("placement")[1]["box"], (-20, 20), (-(11 - 5.3), 20))


def test_travel_binds_too(tmp_path: Path) -> None:
    # The machine of the bench goes from -500 to 500.
    bench = Bench(tmp_path)
    bench.cut(zero=(395, -492, 0))
    bench.block("block", (0, 0, 0), (10, 10, 10))
    answer = bench.ask("placement")[1]
    assert is_box(answer["box"], (-20, 5), (-8, 20))
    assert {b["side"]: b.get("why") for b in answer["bound_by"]}["X+"] == "the travel ends"


def test_turn_of_a_straight_path(tmp_path: Path) -> None:
    # Turned about its beginning at (0, 0), a path of 100 meets the corner of a wall: at (95, 12), the far
    # reach of the path; the head's 6 are met where the line's distance from the corner is 6: the corner lies
    # at atan2(12, 95) from the X axis and hypot(95, 12) away: asin(6 / hypot) less.
    bench = Bench(tmp_path, margins=(1.0, 0.0))
    bench.block("wall", (40, 12, -30), (95, 40, 60))
    answer = bench.ask("placement")[1]
    far = hypot(95, 12)
    true = degrees(asin(12 / far) - asin(6 / far))
    low, high = answer["turn"]
    assert low == -5.0
    # nearer than 0.002 to the end is the end: at the corner's distance that is so many degrees
    assert true - degrees(0.005 / far) - 2e-4 <= high <= true
    assert answer["about"] == [0, 0]
    assert answer["turn_bound_by"] == [None, "wall"]


@pytest.mark.slow
def test_both_at_once_is_a_promise_that_holds(tmp_path: Path) -> None:
    bench = fenced(tmp_path)
    answer = bench.ask("placement")[1]
    share = answer["together"]
    assert share > 0
    for k in (0, 1):
        for j in (0, 1):
            for turn in answer["turn"]:
                zero = (share * answer["box"]["x"][k], share * answer["box"]["y"][j], 0)
                bench.cuts.clear()
                bench.cut(zero=zero, keys=f"rotate = {share * turn}")
                assert bench.ask("check")[0] == 0


def test_not_clear_as_planned(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench = Bench(tmp_path)
    bench.block("bar", (40, 2, -4), (60, 20, 6))
    code, answer = bench.ask("placement")
    assert (code, answer["verdict"], answer["box"], answer["turn"]) == (1, "clash", None, None)
    assert "no room to be off" in capsys.readouterr().out


def test_places_to_try_with_a_feeler(tmp_path: Path) -> None:
    # The left wall is the nearest: 9 - 5 from the head at the path's beginning.
    answer = fenced(tmp_path).ask("placement")[1]
    first = answer["places"][0]
    assert len(answer["places"]) == 5
    assert [p["spare"] for p in answer["places"]] == sorted(p["spare"] for p in answer["places"])
    assert first["clearance"] == pytest.approx(4.0, abs=BOUND)
    assert {p["item"] for p in answer["places"][:4]} == {"left", "back"}
    at_left = next(p for p in answer["places"] if p["item"] == "left" and p["head"] == "lower")
    assert at_left["head_at"] == pytest.approx([0, 0, -1], abs=BOUND)


@pytest.mark.slow
def test_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["placement", str(fenced(tmp_path).write())]) == 0
    text = capsys.readouterr().out
    assert text.startswith(
        "CLEAR as long as the picked-up zero lies within X -2.99 to +6.99, Y -7.99 to +2.99"
    )
    assert "feeler" in text
    assert len(text.splitlines()) < 20


def test_two_parts_are_picked_up_each_by_itself(tmp_path: Path) -> None:
    # The first cut's upper head, radius 5 and a margin of 0.3, runs 11.3 beside the second part, which stands
    # higher: 6 are left, and both zeros may be off: 3 each.
    bench = Bench(tmp_path, heads="flushing_distance = 0.5", margins=(0.3, 0.05), face_z=-0.1)
    bench.part("low plate", (0, -40, 0), (100, 2, 20))
    bench.part("high plate", (-50, 11.3, 0), (150, 80, 40))
    bench.program = "G90 G00 X0 Y0\nG01 X80 Y0\nM02\n"
    bench.cut("low", part="low plate", zero=(10, 40, 0))
    bench.cut("high", part="high plate", zero=(60, 25, 0))
    answer = bench.ask("placement")[1]
    assert is_box(answer["box"], (-20, 20), (-3, 3))
    assert {b["item"] for b in answer["bound_by"]} == {None, "high plate"}


def test_pick_up_stands_still_while_the_zero_may_be_off(tmp_path: Path) -> None:
    # An edge is picked up at (50, -120), the heads stand there whatever the zero: a stop 5.4 beside that
    # place, 0.1 more than radius and margin, does not bind. Its twin, 5.4 beside the path's end, binds at
    # 0.1.
    heads = "upper_z = 40.0\npickups = [[50, -120]]"
    bench = Bench(tmp_path, heads=heads, margins=(0.3, 0.05))
    bench.block("stop", (45, -140, -30), (55, -125.4, 60))
    bench.block("twin", (105.4, -5, -30), (120, 5, 60))
    assert is_box(bench.ask("placement")[1]["box"], (-20, 0.1), (-20, 20))


def test_a_disagreement_is_undecided(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from clearance.kernels.fcl.touch import TouchHead

    monkeypatch.setattr(TouchHead, "touches", lambda self, body, lift: True)
    code, answer = fenced(tmp_path).ask("placement")
    assert (code, answer["verdict"]) == (3, "undecided")
    assert answer["findings"][0]["kind"] == "contradiction"
    assert "UNDECIDED" in capsys.readouterr().out
