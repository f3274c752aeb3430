"""What an item lies on where it lies on several: who takes how much, by way of others too, and what tips.

Truths are the lever rule (statics of rigid bodies; any textbook), written out beside each figure, and the
rails' own limit of 15 kg, which the library gives as common practice. A part of 7.7 g/cm3 is taken.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.access_bench import block, line, plate_with
from tests.setup_writer import Tables
from tests.test_process_states import grave, judged, message, states

#: 200 x 150 x 78 mm of 7.7 g/cm3
BIG, MASS = block(200, 150, 78), 200 * 150 * 78 * 7.7e-6
#: pads from Y 80 to 105 and from Y 235 to 260, their tops at Z = 0
RAIL: Tables = {"holder": "rail", "params": {"length": 300, "pads": [150], "pad_length": 180}}
FRONT = {"name": "front rail", **RAIL, "at": [50, 80, 0]}
BACK = {"name": "back rail", **RAIL, "at": [350, 260, 0], "turn": [0, 0, 180]}
CUT = {"nc": line((-5, 75), (3, 75)), "zero": [0, 0, 0]}


def spacer(name: str, on: str, y: float, height: float = 10.0) -> Tables:
    """A block of the library, 40 x 10 in plan, Y from ``y`` on, on a rail's pad."""
    params = {"length": 40, "width": 10, "height": height}
    at = [150, y - 75, 0] if on == "front rail" else [150, 260 - y - 5, 0]
    return {"name": name, "holder": "spacer", "params": params, "on": on, "seat": "top", "at": at}


#: their tops at Z 10, from Y 85 to 95 and from Y 245 to 255
SPACERS = [spacer("spacer A", "front rail", 85), spacer("spacer B", "back rail", 245)]


def bridge(on: Any) -> Tables:
    """A flat bar without a mass of its own, Y 75 to 265, Z 10 to 20."""
    middle = [0, 80, 0]
    return {"name": "bridge", "shape": {"box": [30, 190, 10]}, "on": on, "seat": "top", "at": middle}


def on_bridge(y: float) -> Tables:
    """The plate with its middle at a Y of the machine, on the bridge, whose middle is at Y 170."""
    at = [-100, y - 75 - 170, 0]
    return plate_with(on="bridge", seat="top", at=at, held_by="glue")


def checked(tmp_path: Path, items: list[Tables], plate: Tables, **more: Any) -> Any:
    cut = {**CUT, **more}
    return judged(tmp_path, BIG, cut, items=items, plate=plate, heads={"upper_z": 100.0})


@pytest.mark.parametrize(("y", "severity"), [(125.0, None), (119.0, "close")])
def test_a_load_goes_by_way_of_others_to_the_rails(y: float, severity: str | None, tmp_path: Path) -> None:
    """The front spacer's force at Y 95 at the most, the back one's at 255: (255 - y) / 160 on the front."""
    items = [FRONT, BACK, *SPACERS, bridge(["spacer A", "spacer B"])]
    result = checked(tmp_path, items, on_bridge(y))
    heavy = [f for f in result.findings if f.kind == "too heavy"]
    most = MASS * (255 - y) / 160 + 40 * 10 * 10 * 7.85e-6
    assert (most > 15.0) == (severity is not None)
    assert [(f.item, f.severity) for f in heavy] == ([] if severity is None else [("front rail", "close")])
    if severity:
        assert f"carries up to {most:.1f} kg; 15 kg at most" in heavy[0].message
    assert [f for f in result.findings if f.kind in ("off its feet", "not carried")] == []


def test_a_bar_on_one_of_two_spacers_only(tmp_path: Path) -> None:
    """Its other spacer is 3 mm too low; or both stand under one of its ends."""
    low = [FRONT, BACK, SPACERS[0], spacer("spacer B", "back rail", 245, 7.0)]
    result = checked(tmp_path, [*low, bridge(["spacer A", "spacer B"])], on_bridge(170))
    assert message(result, "not carried") == 'is to lie on "spacer B", which is 3.00 mm below it'
    assert (1, "not carried", "bridge") in grave(result)
    # bridge and plate are at Y 170, what carries ends at Y 95
    assert (1, "off its feet", "bridge") in grave(result)
    assert 'Y170.0) lies 75.0 mm outside "spacer A"; it would tip' in message(result, "off its feet")
    away = [FRONT, BACK, SPACERS[0], spacer("spacer B", "back rail", 245)]
    away[-1]["at"] = [70, 260 - 245 - 5, 0]
    result = checked(tmp_path, [*away, bridge(["spacer A", "spacer B"])], on_bridge(170))
    assert message(result, "not carried") == 'is to lie on "spacer B", which does not reach under it'
    good = checked(tmp_path, [FRONT, BACK, *SPACERS, bridge(["spacer A", "spacer B"])], on_bridge(170))
    assert grave(good) == []


def test_a_part_on_both_rails(tmp_path: Path) -> None:
    """Its middle at Y 170, half way between the rails; each may take (260 - 170) / (260 - 105) of it."""
    plate = plate_with(on=["front rail", "back rail"], seat="top", at=[50, 15, 0], held_by="glue")
    result = checked(tmp_path, [FRONT, BACK], plate)
    assert grave(result) == []
    loads = {c.item: (c.least, c.most) for c in states(result)[0].parts[0].carried_by}
    # the part ends at Y 95 + 150 = 245: the rails' patches are Y 95 to 105 and Y 235 to 245
    most = MASS * (245 - 170) / (245 - 105)
    assert loads["front rail"] == pytest.approx((MASS - most, most), rel=1e-3)
    assert [f.kind for f in result.findings if f.kind in ("too heavy", "load unknown", "off its feet")] == []
    # without one of them, the other has all of it and it tips
    plate = {**plate, "held_by": "glue"}
    result = checked(tmp_path, [FRONT, BACK], plate, without=["back rail"])
    assert [f.kind for f in result.findings if f.kind == "too heavy"] == ["too heavy"]
    assert '"plate" stands on "back rail", which is off for this cut' in message(result, "stands on")


@pytest.mark.parametrize(
    ("on", "said"),
    [
        (["front rail", "rear rail"], 'there is no item "rear rail"'),
        (["front rail", "front rail"], "a name stands twice"),
        ([], "the list is empty"),
        (["front rail", "bridge"], "a circle"),
    ],
)
def test_what_it_lies_on_is_there(on: list[str], said: str, tmp_path: Path) -> None:
    from clearance.errors import ClearanceError

    with pytest.raises(ClearanceError, match=said):
        checked(tmp_path, [FRONT, BACK, {**bridge("plate")}], plate_with(on=on, seat="top"))
