"""A part that lies on a slope of the user's own is not gripped by that; in jaws of the user's own it is.

A slope touches what lies on it from below alone (plane geometry); that something has to press it there is
common practice, no source.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.access_bench import AT, block, line, plate_with
from tests.setup_writer import Tables
from tests.test_process_states import PLATE, judged

X, Y = AT
PATH = line((-5, 30), (20, 30))
HEADS = {"upper_z": 160.0}


def holding(result: Any) -> list[tuple[str, str | None]]:
    kinds = ("not held", "floats", "off its feet")
    return [(f.kind, f.item) for f in result.findings if f.severity != "note" and f.kind in kinds]


@pytest.mark.parametrize("tilt", [0.0, 2.0, 10.0, 30.0, 50.0])
def test_a_plate_on_a_slope(tilt: float, tmp_path: Path) -> None:
    base: Tables = {
        "name": "base",
        "shape": {"box": [120, 120, 20]},
        "at": [X + 40, Y + 30, 20],
        "turn": [0, tilt, 0],
    }
    lies = {"on": "base", "seat": "top", "at": [-40, -30, 0]}
    bare = judged(tmp_path, PLATE, PATH, items=[base], plate=plate_with(**lies), heads=HEADS)
    assert holding(bare) == [("not held", "plate")]
    # a block of the user's own laid on its upper face presses it
    weight: Tables = {
        "name": "weight",
        "shape": {"box": [20, 20, 10]},
        "on": "plate",
        "seat": "top",
        "at": [40, 30, 0],
    }
    pressed = judged(tmp_path, PLATE, PATH, items=[base, weight], plate=plate_with(**lies), heads=HEADS)
    assert holding(pressed) == []


@pytest.mark.parametrize("tilt", [0.0, 10.0])
@pytest.mark.parametrize(("air", "holds"), [(0.0, True), (3.0, False)])
def test_a_plate_in_jaws_of_the_user_s_own(tilt: float, air: float, holds: bool, tmp_path: Path) -> None:
    """Two cheeks on a base, one model, between which 60 of it go, or 63."""
    vise = block(120, 100, 20) + block(120, 20, 12, (0, 0, 20)) + block(120, 20 - air, 12, (0, 80 + air, 20))
    items: list[Tables] = [{"name": "own", "model": "own.stl", "units": "mm", "at": [X - 20, Y - 20, 20],
                            "turn": [0, tilt, 0]}]  # fmt: skip
    plate = plate_with(on="own", seat="top", at=[20, 20, -12])
    result = judged(tmp_path, PLATE, PATH, items=items, plate=plate, heads=HEADS, others={"own.stl": vise})
    assert holding(result) == ([] if holds else [("not held", "plate")])
