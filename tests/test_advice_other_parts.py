"""Two parts, each picked up by itself: how far each zero may be off, against boxes worked out by hand.

The head of one cut meets the part of the other. Both zeros may be off in opposite ways, so that what lies
between them is shared by the two; and that holds whether or not a way leads from one cut to the other.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.advice_bench import Bench

BOUND = 0.005
RADIUS, MARGIN = 5.0, 1.0


def two_parts(folder: Path, between: bool, off: float = 0.0) -> Bench:
    """Cut "low" along Y = 0 with its upper face at 40, beside a part that is 60 high and begins at Y = 12.

    The upper head (radius 5, margin 1) leaves 12 - 6 = 6 to that part. The cut of the high part has its face
    at 61, over both; the low part ends at 30, under both. Lower faces, at -1, are under both parts. ``off``
    shifts the parts and their paths towards each other, each by as much.
    """
    bench = Bench(folder, heads=f"between = {str(between).lower()}", margins=(MARGIN, 0.0))
    bench.part("low part", (0, -10 + off, 0), (100, 2 + off, 30))
    bench.part("high part", (40, 12 - off, 0), (60, 32 - off, 60))
    bench.program = "G90 G00 X10 Y0\nG01 X90 Y0\n"
    bench.cut("low", "low part", (0, 10, 0), "upper_z = 40.0")
    bench.program = "G90 G00 X5 Y0\nG01 X15 Y0\n"
    bench.cut("high", "high part", (0, 10, 0), "upper_z = 61.0")
    return bench


@pytest.mark.parametrize("between", [False, True])
def test_the_gap_to_another_cut_s_part_is_shared_by_both_zeros(tmp_path: Path, between: bool) -> None:
    code, answer = two_parts(tmp_path, between).ask("placement")
    assert (code, answer["verdict"]) == (0, "clear")
    half = (12.0 - RADIUS - MARGIN) / 2.0
    low, high = answer["box"]["y"]
    assert half - BOUND <= -low <= half
    assert half - BOUND <= high <= half
    assert answer["box"]["x"] == [-20.0, 20.0]
    bound = {b["side"]: (b["head"], b["item"], b["cut"]) for b in answer["bound_by"] if b["side"][0] == "Y"}
    assert bound == dict.fromkeys(("Y-", "Y+"), ("upper", "high part", "low"))


@pytest.mark.parametrize(("off", "code"), [(2.99, 0), (3.01, 1)])
def test_the_check_of_parts_so_far_off_says_the_same(tmp_path: Path, off: float, code: int) -> None:
    assert two_parts(tmp_path, False, off).ask("check")[0] == code
