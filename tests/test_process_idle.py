"""A clamp that presses nothing is told why: how far its tip is from the part.

Truths are lengths of the plate, 80 x 60 x 20, and of the clamps (plane geometry, no other source).
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.access_bench import line
from tests.setup_writer import Tables
from tests.test_process_states import FRAME, LEFT, RIGHT, SECOND, STRAP, X, Y, judged, message


def test_a_clamp_that_touches_no_part_is_told(tmp_path: Path) -> None:
    """Its tip lies 20 above its heel's foot: on the plate's top where that is at 20, 6 above it where not."""
    up = {**STRAP, "name": "high strap", "at": [*STRAP["at"][:2], 6.0]}
    beside = {**STRAP, "name": "idle strap", "at": [X - 15, Y + 160, 0.0]}
    result = judged(tmp_path, FRAME, line((-5, 58), (85, 58)), items=[LEFT, RIGHT, SECOND, up, beside])
    told = {f.item: f.message for f in result.findings if f.kind == "clamp idle"}
    assert told == {
        "high strap": 'presses nothing: it is 6.00 mm above "plate"',
        "idle strap": "presses nothing: no part is under it",
    }
    good = judged(tmp_path, FRAME, line((-5, 58), (85, 58)), items=[LEFT, RIGHT, STRAP, SECOND])
    assert not [f for f in good.findings if f.kind == "clamp idle"]


@pytest.mark.parametrize(
    ("change", "told"),
    [
        ({"height": 26.0}, 'it is 6.00 mm above "plate"'),
        # its underside is relieved by 1 mm behind the tip: that is over the plate, the tip is in it
        ({"height": 19.4}, 'its tip is 0.60 mm too low, in the metal of "plate"'),
    ],
    ids=["too high", "too low"],
)
def test_a_clamp_is_as_far_off_as_its_tip(tmp_path: Path, change: dict[str, float], told: str) -> None:
    """The plate's top is at 20 over the strap's foot: its tip at 26 is 6 over it, at 19.4 it is 0.6 in it."""
    off = {**STRAP, "name": "idle strap", "params": {**STRAP["params"], **change}}
    result = judged(tmp_path, FRAME, line((-5, 58), (85, 58)), items=[LEFT, RIGHT, SECOND, off])
    assert message(result, "clamp idle") == f"presses nothing: {told}"


def test_a_clamp_whose_tip_is_past_the_part_is_told_so(tmp_path: Path) -> None:
    """It reaches 200 from a screw that stands 15 before a plate of 80: its tip is past the other side."""
    long = {**STRAP, "name": "idle strap", "params": {**STRAP["params"], "height": 26.0, "reach": 200.0}}
    result = judged(tmp_path, FRAME, line((-5, 58), (85, 58)), items=[LEFT, RIGHT, SECOND, long])
    assert message(result, "clamp idle") == "presses nothing: no part is under its tip"


def test_a_toe_clamp_is_as_far_off_as_it_is_beside_the_part(tmp_path: Path) -> None:
    """Its toe points along X and ends 5 before the plate's side."""
    toe: Tables = {"name": "toe clamp", "holder": "toe_clamp", "at": [X - 5.0, Y + 30.0, 0.0]}
    result = judged(tmp_path, FRAME, line((-5, 58), (85, 58)), items=[LEFT, RIGHT, STRAP, SECOND, toe])
    assert message(result, "clamp idle") == 'presses nothing: it is 5.00 mm from "plate"'
