"""``--moves`` where one move of the program became several: a row for each move of the program, whatever it
was cut into, with the least of all its parts. Figures by hand.
"""

from __future__ import annotations

import json
from math import hypot
from pathlib import Path
from typing import Any

from clearance import cli
from tests.advice_bench import Bench

BOUND = 0.005
RADIUS = 5.0


def rows(bench: Bench, head: str = "upper") -> dict[int, dict[str, Any]]:
    """What ``--moves`` says of a head, by the number of the move; each number once."""
    file = bench.folder / "report.json"
    assert cli.run(["check", str(bench.write()), "--moves", "--json", str(file)]) in (0, 1)
    found = [m for m in json.loads(file.read_text())["moves"] if m["head"] == head]
    assert len({m["move"] for m in found}) == len(found)
    return {m["move"]: m for m in found}


def reads(reported: float | None, true: float) -> bool:
    return reported is not None and true - BOUND <= reported <= true + 1e-9


def post(bench: Bench, name: str, x: float, y: float, z: tuple[float, float] = (30, 60)) -> None:
    """A block 2 mm wide with its corner that is lowest in X and Y at a place."""
    bench.block(name, (x, y, z[0]), (x + 2, y + 2, z[1]))


def offset_corner(folder: Path) -> Bench:
    """Right about a corner at (50, 0), the wire 2 mm to the left: Y = 2 to X = 50, a quarter turn, X = 52."""
    bench = Bench(folder, program="G90 G00 X0 Y20\nG41 D1 G01 X0 Y0\nX50\nY-40\nG40 X70\n")
    bench.cut(keys="offsets = { 1 = 2.0 }")
    return bench


def test_a_corner_of_the_offset_belongs_to_one_move(tmp_path: Path) -> None:
    # From the corner's middle to (60, 10) are 10 sqrt 2; the quarter turn of radius 2 comes 2 nearer, the
    # straight parts end at (50, 2) and (52, 0), both hypot(10, 8) away.
    bench = offset_corner(tmp_path)
    post(bench, "post", 60, 10)
    found = rows(bench)
    assert list(found) == [1, 2, 3, 4]
    assert [found[k]["line"] for k in found] == [2, 3, 4, 5]
    turn, straight = hypot(10, 10) - 2 - RADIUS, hypot(10, 8) - RADIUS
    near = sorted(found[k]["clearance"] for k in (2, 3))
    assert reads(near[0], turn)
    assert reads(near[1], straight)
    assert {found[k]["item"] for k in (2, 3)} == {"post"}


def test_the_nearest_part_says_which_item(tmp_path: Path) -> None:
    # One post beside the quarter turn, one beside each straight part, which is nearer to both moves: 4 beside
    # the path at Y = 2, 3 beside it at X = 52.
    bench = offset_corner(tmp_path)
    post(bench, "at the corner", 60, 10)
    post(bench, "behind", 20, 2 + RADIUS + 4)
    post(bench, "right", 52 + RADIUS + 3, -22)
    found = rows(bench)
    assert [found[k]["item"] for k in (2, 3)] == ["behind", "right"]
    assert reads(found[2]["clearance"], 4.0)
    assert reads(found[3]["clearance"], 3.0)


def test_all_figures_are_against_the_nearest_item(tmp_path: Path) -> None:
    # As before; and 7 under the face a plate, which the quarter turn alone has nearest. Its height is none of
    # the two moves': beside both stands something nearer, and nothing of that is under the head.
    bench = offset_corner(tmp_path)
    bench.block("plate", (50.5, 0.5, 0), (60, 10, 33))
    post(bench, "behind", 20, 2 + RADIUS + 4)
    post(bench, "right", 52 + RADIUS + 3, -22)
    found = rows(bench)
    assert [found[k]["item"] for k in (2, 3)] == ["behind", "right"]
    assert [found[k]["height"] for k in (2, 3)] == [None, None]
    assert reads(found[2]["side"], 4.0)
    assert reads(found[3]["side"], 3.0)


def test_a_taper_that_changes_on_an_arc_is_one_move(tmp_path: Path) -> None:
    # A half circle of radius 30 about (0, 0) from (30, 0) by (0, 30) to (-30, 0); U grows from 0 to 6 along
    # it, so the guides' ways are curves cut into many chords. The lower guide is 5 under the plane of X Y,
    # which is 1/5 of the planes' distance: at the top, half-way, U is 3, and it is at -3 / 5 beside X = 0,
    # and 30 in Y. A post stands there 4 in front of the head.
    bench = Bench(tmp_path, program="G90 G00 X30 Y0 U0 V0\nG03 X-30 Y0 I-30 J0 U6 V0\nG01 X-40\n")
    bench.more = '[codes]\nuv_on_arcs = "even"\n'
    bench.cut(keys="planes = { xy = 0.0, uv = 25.0 }\nuv_words = 'relative'")
    bench.block("beam", (-20, 30 + RADIUS + 4, -30), (20, 60, -1.5))
    found = rows(bench, "lower")
    assert list(found) == [1, 2]
    assert [found[k]["line"] for k in found] == [2, 3]
    assert found[1]["item"] == "beam"
    # chords lie within 0.001 of the curve, and the head is grown by as much
    assert 4.0 - BOUND - 0.002 <= found[1]["clearance"] <= 4.0 + 1e-9
