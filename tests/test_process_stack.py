"""Plates cut as a stack: what comes free of each, what it lies on and what holds it.

What lies loose on a slug does not hold it; a slug of an upper plate stands on that of the plate below
it (statics). Lengths in Z are written out beside each figure.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from clearance.process.findings import Checked
from tests.access_bench import AT, block, line, post
from tests.setup_writer import Tables
from tests.test_process_loose import loose
from tests.test_process_states import FRAME, INNER, LEFT, PLATE, RIGHT, grave, judged, states, strap

#: the same plate once more, 20 thick, on the first; both straps press the upper one, 40 over the rails
UPPER: Tables = {
    "name": "upper", "part": "upper.stl", "units": "mm", "density": 7.7, "at": [*AT, 20.0],
}  # fmt: skip
HIGH = [strap("strap", -15, 30, height=40.0), strap("second strap", 95, 30, 180, height=40.0)]
ITEMS = [LEFT, RIGHT, UPPER, *HIGH]
BOTH = {"part": ["plate", "upper"]}
#: a second cut in both, past the first one's slugs
PAST = line((-5, 56), (85, 56))


def stacked(folder: Path, *cuts: Tables, body: object = FRAME) -> Checked:
    return judged(folder, body, *({**cut, **BOTH} for cut in cuts), items=ITEMS, others={"upper.stl": body})


def test_both_slugs_stand_in_their_openings_when_the_next_cut_runs(tmp_path: Path) -> None:
    """The lower face is 0.1 under the stack: the lower slug drops by 0.1 and stands, the upper one on it."""
    result = stacked(tmp_path, {"nc": INNER}, {"nc": PAST})
    assert [(cut, severity) for cut, severity, _ in loose(result)] == [("cut 2", "close")]


def test_what_lies_on_a_slug_does_not_hold_it(tmp_path: Path) -> None:
    result = stacked(tmp_path, {"nc": INNER})
    (_, after) = states(result)
    assert [(one.piece, one.leaves, one.held) for one in after.free] == [
        ("slug of cut 1", "drops", False)
    ] * 2
    assert not [f for f in result.findings if "holds it" in f.message]


def test_taken_out_at_a_stop_it_is_clear(tmp_path: Path) -> None:
    result = stacked(tmp_path, {"nc": INNER}, {"nc": PAST, "stop_before": True, "taken_out": "all"})
    assert grave(result) == []


# -------------------------------------------------------------------------- what touches a piece of one plate
HOLD = [LEFT, RIGHT, strap("strap", -15, 30), strap("second strap", 95, 30, 180)]
#: the wire is threaded at (25, 30), round X 28 to 52, Y 18 to 42
ROUND = line((25, 30), (28, 30), (28, 42), (52, 42), (52, 18), (28, 18), (28, 30))
THREADED = PLATE - post(2, 22, (25, 30, -1))


@pytest.mark.parametrize(
    ("what", "at", "held"),
    [
        ({"shape": {"box": [10, 10, 5]}, "laid": True}, (40, 30), False),
        ({"shape": {"box": [10, 10, 5]}}, (40, 30), False),
        ({"part": "small.stl", "units": "mm", "density": 7.7}, (35, 25), False),
        # over the kerf from X 51.9 to 52.1, and not beyond it
        ({"shape": {"box": [10, 10, 5]}, "laid": True}, (47.05, 30), False),
        # on the frame as well: a magnet, say
        ({"shape": {"box": [10, 10, 5]}, "laid": True}, (40, 44), True),
    ],
)
def test_what_lies_on_a_piece_alone_goes_with_it(
    what: Tables, at: tuple[float, float], held: bool, tmp_path: Path
) -> None:
    lid: Tables = {"name": "lid", **what, "at": [AT[0] + at[0], AT[1] + at[1], 20]}
    heads = {"upper_z": 30.0}
    others = {"small.stl": block(10, 10, 5)}
    result = judged(tmp_path, THREADED, ROUND, PAST, items=[*HOLD, lid], heads=heads, others=others)
    assert bool(loose(result)) is not held


@pytest.mark.parametrize(("facing", "held"), [(False, False), (True, True)])
def test_a_stop_beside_a_piece_does_not_hold_it(facing: bool, held: bool, tmp_path: Path) -> None:
    """The strip behind Y 50 comes free, 10 deep and 80 long. One stop touches it behind; a U of one
    block with arms at both ends does so from three sides."""
    stop = block(10, 10, 20, (35, 60, 0))
    if facing:
        stop = block(100, 20, 20, (-10, 52, 0)) - block(80, 10, 20, (0, 50, 0))
    item: Tables = {"name": "stop", "model": "stop.stl", "units": "mm", "at": [*AT, 0]}
    result = judged(
        tmp_path, PLATE, line((-25, 50), (105, 50)), items=[*HOLD, item], others={"stop.stl": stop}
    )
    (_, after) = states(result)
    assert [(one.piece, one.held) for one in after.free] == [("off-cut of cut 1", held)]


def test_a_vise_whose_jaws_a_cut_parts_from_each_other_holds_no_half(tmp_path: Path) -> None:
    """80 wide between jaws, cut in two halfway: each half touches one jaw, its middle 20 beside it."""
    vise: Tables = {
        "name": "vise",
        "holder": "side_jaw_vise",
        "fit": "plate",
        "params": {"below": 20},
        "at": [100, 40, 0],
    }
    plate: Tables = {
        "name": "plate",
        "part": "plate.stl",
        "units": "mm",
        "density": 7.7,
        "on": "vise",
        "seat": "top",
    }
    result = judged(tmp_path, PLATE, line((40, 65), (40, -5)), items=[vise], plate=plate)
    (_, after) = states(result)
    assert [(one.piece, one.held) for one in after.free] == [("off-cut of cut 1", False)]


def test_a_clamp_holds_what_it_presses_by_way_of_the_upper_plate(tmp_path: Path) -> None:
    """Both plates cut in two at X 40: the second strap presses the upper half onto the lower, on its rail."""
    result = stacked(tmp_path, {"nc": line((40, -5), (40, 65))}, body=PLATE)
    (_, after) = states(result)
    assert {(one.piece, one.held_by) for one in after.free} == {("off-cut of cut 1", ("second strap",))}
