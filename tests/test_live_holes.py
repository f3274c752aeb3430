"""Which thread holes are free, and where a screw goes next.

Worked out by hand: the demo's rails have holes 40 apart (their own dimension hole_pitch, from 20 on), and the
straps' screws stand on their own points.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

import clearance
from clearance.errors import InputError
from clearance.live.desk import Desk
from clearance.live.holes import next_hole

DEMOS = Path(__file__).parents[1] / "demo_models"


@pytest.fixture(scope="module")
def desk() -> Desk:
    return Desk(clearance.load(DEMOS / "side_plate_die_clash.toml"), clearance.load)


def told(desk: Desk) -> dict[str, Any]:
    return desk.state(True)["items"]


def test_a_hole_in_which_another_strap_stands_is_named(desk: Desk) -> None:
    left, right = (told(desk)[f"{side} strap"]["screw"] for side in ("left", "right"))
    assert left["at"] == pytest.approx([160, 215.5])
    assert right["at"] == pytest.approx([240, 215.5])
    taken = {round(hole[0]): who for hole, who in zip(left["holes"], left["taken"], strict=True) if who}
    assert taken == {240: "right strap"}
    assert [round(x) for x in sorted(hole[0] for hole in left["holes"])] == list(range(-40, 441, 40))


def test_the_next_hole_is_one_that_is_free(desk: Desk) -> None:
    at = [160.0]
    for step, wanted in ((1, 200), (1, 280), (-1, 200), (-1, 160), (0, 160)):
        answer = desk.hear({"do": "hole", "item": "left strap", "step": step})
        assert answer["is"] == "state", answer
        at.append(answer["items"]["left strap"]["at"][0])
        assert at[-1] == pytest.approx(wanted, abs=1e-6)
    # between two holes the one on that side comes first
    desk.hear({"do": "move", "item": "left strap", "by": [5, 0, 0]})
    assert desk.hear({"do": "hole", "item": "left strap", "step": -1})["items"]["left strap"]["at"][
        0
    ] == pytest.approx(160)
    # once the other one is off its hole is free
    desk.hear({"do": "hole", "item": "left strap", "step": 1})
    desk.hear({"do": "toggle", "item": "right strap"})
    assert desk.hear({"do": "hole", "item": "left strap", "step": 1})["items"]["left strap"]["at"][
        0
    ] == pytest.approx(240)
    desk.hear({"do": "reset"})


def test_of_holes_in_a_column_the_next_one_is_farther_away() -> None:
    holes = [[10.0 + 1e-12 * k, 40.0 * k] for k in range(4)]
    screw = {"at": [10.0, 40.0], "holes": holes, "taken": [None] * 4, "on": "rail"}
    assert next_hole("strap", screw, 1) == pytest.approx((0, 40), abs=1e-9)
    assert next_hole("strap", screw, -1) == pytest.approx((0, -40), abs=1e-9)
    aside = {**screw, "at": [14.0, 42.0]}
    assert next_hole("strap", aside, -1) == pytest.approx((-4, -2))
    assert next_hole("strap", aside, 1) == pytest.approx((-4, 38))


def test_a_grid_is_gone_through_hole_by_hole() -> None:
    holes = [[50.0 * i, 30.0 * k] for i in range(3) for k in range(2)]
    seen = []
    at = np.array([0.0, 0.0])
    for _ in range(5):
        at = at + next_hole("strap", {"at": at.tolist(), "holes": holes, "taken": [None] * 6, "on": "x"}, 1)
        seen.append(tuple(np.round(at, 6)))
    assert sorted([(0.0, 0.0), *seen]) == sorted(map(tuple, holes))


def test_where_there_is_none_that_is_said() -> None:
    screw = {"at": [0.0, 0.0], "holes": [[0.0, 0.0], [40.0, 0.0]], "taken": [None, "stop"], "on": "rail"}
    with pytest.raises(
        InputError, match=r'"rail" has no free thread hole on that side for "s".*"stop" stands'
    ):
        next_hole("s", screw, 1)
    with pytest.raises(InputError, match='"s" is not held by a screw'):
        next_hole("s", None, 1)
    with pytest.raises(InputError, match="nobody says where the table has thread holes"):
        next_hole("s", {"at": [0, 0], "holes": [], "taken": [], "on": None}, 0)


def test_a_strap_on_a_holder_of_which_no_holes_are_known_says_so() -> None:
    desk = Desk(clearance.load(DEMOS / "punch_blank.toml"), clearance.load)
    screw = told(desk)["strap"]["screw"]
    assert (screw["on"], screw["off"], screw["holes"]) == ("V-block", None, [])
    answer = desk.hear({"do": "hole", "item": "strap", "step": 1})
    assert answer["is"] == "refused"
    assert answer["text"].startswith('nobody says where "V-block" has thread holes')
