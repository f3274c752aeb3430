"""A clamp with a toe pushes a part from beside, and down only as it is pushed along: with nothing across, the
part slides away from under it (common practice, no source).

The plate is 80 x 60 x 20 and lies on two bars of the user's own; the toe's face is at its side.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.access_bench import AT, line, plate_with
from tests.setup_writer import Tables
from tests.test_process_states import PLATE, judged, message

X, Y = AT
SLIT = line((40, -5), (40, 20))
BARS: list[Tables] = [
    {"name": "left bar", "shape": {"box": [80, 90, 20]}, "at": [X - 20, Y + 30, -20]},
    {"name": "right bar", "shape": {"box": [80, 90, 20]}, "at": [X + 100, Y + 30, -20]},
]


def toe(name: str, x: float, y: float, turn: float = 0.0) -> Tables:
    """A toe clamp whose toe touches the part there and points along X, turned about Z."""
    params = {"length": 40, "width": 20, "screw": "M6", "screw_below": 10}
    return {"name": name, "holder": "toe_clamp", "params": params, "at": [x, y, 0], "turn": [0, 0, turn]}


def stop(x: float) -> Tables:
    """A stop whose left side is at X."""
    return {"name": "stop", "shape": {"box": [10, 20, 10]}, "at": [x + 5, Y + 35, 0]}


LEFT = toe("left toe", X, Y + 30)
STRAP: Tables = {
    "name": "strap", "holder": "strap", "at": [X + 95, Y + 40, 0], "turn": [0, 0, 180],
    "params": {"height": 20.0, "reach": 20.0, "back": 20.0, "width": 20.0, "screw_below": 10.0},
}  # fmt: skip
HELD: dict[str, list[Tables]] = {
    "another toe across": [LEFT, toe("right toe", X + 80, Y + 30, 180)],
    "a stop across": [LEFT, stop(X + 80)],
    "a stop across, with air that closes": [LEFT, stop(X + 80.3)],
    "two toes and one stop between": [toe("left toe", X, Y + 12), toe("other", X, Y + 48), stop(X + 80)],
    "a strap": [LEFT, STRAP],
}
LOOSE: dict[str, list[Tables]] = {
    "one toe": [LEFT],
    "two on one side": [toe("left toe", X, Y + 15), toe("other", X, Y + 45)],
    "a stop that is too far": [LEFT, stop(X + 83)],
    "a stop on the same side": [LEFT, stop(X - 10)],
    "two that turn it": [toe("left toe", X, Y + 12), toe("right toe", X + 80, Y + 48, 180)],
    "two round a corner": [LEFT, toe("rear toe", X + 15, Y + 60, -90)],
}


@pytest.mark.parametrize("items", HELD.values(), ids=HELD)
def test_a_toe_holds_where_something_is_across(items: list[Tables], tmp_path: Path) -> None:
    result = judged(tmp_path, PLATE, SLIT, items=[*BARS, *items])
    assert [f.message for f in result.findings if f.severity != "note"] == []


@pytest.mark.parametrize("items", LOOSE.values(), ids=LOOSE)
def test_a_toe_with_nothing_across_holds_nothing(items: list[Tables], tmp_path: Path) -> None:
    result = judged(tmp_path, PLATE, SLIT, items=[*BARS, *items])
    assert result.verdict == "close"
    assert "from beside, and nothing stands against that: it slides away" in message(result, "not held")


def test_words_hold_what_is_pushed(tmp_path: Path) -> None:
    glued = judged(tmp_path, PLATE, SLIT, items=[*BARS, LEFT], plate=plate_with(held_by="glue"))
    assert [f.message for f in glued.findings if f.severity != "note"] == []
