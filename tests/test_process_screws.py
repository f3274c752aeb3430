"""Whether a clamp's screw stands over a thread hole of what it is screwed to.

Truths: the holes of the library's rail lie half its width from its outer face, half a pitch from its left end
and then a pitch apart, where no pad is; written out beside each figure.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from clearance.process.findings import Checked
from tests.access_bench import block, line, plate_with
from tests.setup_writer import Tables
from tests.test_process_states import judged

#: holes at 20, 60, 140 and 180 along it, 12.5 across (that at 100 is under the pad)
RAIL: Tables = {
    "name": "rail",
    "holder": "rail",
    "at": [100, 100, 0],
    "params": {"length": 200, "width": 25, "pads": [100], "hole_pitch": 40, "ledge": 0},
}


def on_rail(folder: Path, at: list[float], turn: float = 0.0, **params: Any) -> Checked:
    strap: Tables = {
        "name": "strap",
        "holder": "strap",
        "params": {"height": 23, "reach": 24, "back": 12, "width": 24, "screw_below": 12},
        "on": "rail",
        "seat": "top",
        "at": [*at, -3],
        "turn": [0, 0, 90],
    }
    rail = {**RAIL, "params": {**RAIL["params"], **params}, "turn": [0, 0, turn]}
    plate = plate_with(at=[160, 105, 0], held_by="wax")
    return judged(folder, block(80, 60, 20), line((-5, 50), (85, 50)), items=[rail, strap], plate=plate)


def told(result: Checked) -> list[tuple[str | None, str, str]]:
    return [(f.item, f.severity, f.message) for f in result.findings if f.kind == "no thread hole"]


@pytest.mark.few(3)
@pytest.mark.parametrize(
    ("at", "off"),
    [
        ([140, 12.5], None),
        ([140.9, 12.5], None),
        ([146, 12.5], 6.0),
        ([160, 12.5], 20.0),
        ([100, 12.5], 40.0),  # over the pad there is none
        ([137, 8.5], 5.0),  # 3 along and 4 across
    ],
)
def test_how_far_a_screw_stands_beside_its_hole(at: list[float], off: float | None, tmp_path: Path) -> None:
    found = told(on_rail(tmp_path, at))
    if off is None:
        assert found == []
        return
    ((item, severity, message),) = found
    assert (item, severity) == ("strap", "close")
    assert f'its screw stands {off:.1f} mm beside the nearest thread hole of "rail"' in message


def test_it_says_where_the_nearest_hole_is(tmp_path: Path) -> None:
    """The rail turned by 90 degrees: 140 along it is Y 240, 12.5 across X 87.5."""
    ((_, _, message),) = told(on_rail(tmp_path, [146, 12.5], turn=90.0))
    assert "at X87.5 Y240.0" in message


def test_other_holes_by_the_rail_s_own_figures_and_none(tmp_path: Path) -> None:
    """A pitch of 48 puts holes at 24, 72, 120, 168; a pitch of 0 says nothing of holes."""
    assert "8.0 mm beside" in told(on_rail(tmp_path, [160, 12.5], hole_pitch=48))[0][2]
    assert told(on_rail(tmp_path, [168, 12.5], hole_pitch=48)) == []
    assert told(on_rail(tmp_path, [146, 12.5], hole_pitch=0)) == []


@pytest.mark.parametrize(
    ("turn", "at"),
    [([180, 0, 0], [100, 125, -25]), ([-90, 0, 0], [100, 100, -25]), ([90, 0, 0], [100, 125, 0])],
)
def test_a_rail_upside_down_or_on_its_side_has_no_holes_for_it(
    turn: list[float], at: list[float], tmp_path: Path
) -> None:
    """Its holes are drilled from the pads' side, not through; a strap over where one lies, from above."""
    rail = {**RAIL, "at": at, "turn": turn}
    # upside down, or on its side, what lies highest of it is at Z 0
    params = {"height": 20, "reach": 24, "back": 12, "width": 24, "screw_below": 12}
    strap: Tables = {"name": "strap", "holder": "strap", "params": params, "on": "rail", "seat": "top"}
    back = {"turn": [-turn[0], 0, 0]}
    # the rail's frame: along X, then as it is turned
    place = {180: [140, 12.5, -25], -90: [140, 25, -12], 90: [140, 0, -12]}[turn[0]]
    plate = plate_with(at=[160, 105, 0], held_by="wax")
    path = line((-5, 30), (20, 30))
    result = judged(
        tmp_path, block(80, 60, 20), path, items=[rail, {**strap, "at": place, **back}], plate=plate
    )
    ((item, severity, message),) = told(result)
    assert (item, severity) == ("strap", "close")
    assert message.startswith('the thread holes of "rail" are not open to its screw')


@pytest.mark.parametrize(
    ("below", "up", "said"), [(12, 0, ""), (4, 0, ""), (3, 0, "3.0"), (12, 9, "3.0"), (12, 14, "0.0")]
)
def test_how_far_a_screw_is_in_its_hole(below: float, up: float, said: str, tmp_path: Path) -> None:
    """The holes are for M8, 6.8 wide: half of that at least. The strap lies on the rail, 3 under Z 0, or
    higher on packing."""
    strap: Tables = {
        "name": "strap",
        "holder": "strap",
        "params": {"height": 23, "reach": 24, "back": 12, "width": 24, "screw_below": below},
        "on": "rail",
        "seat": "top",
        "at": [140, 12.5, up - 3],
        "turn": [0, 0, 90],
    }
    plate = plate_with(at=[160, 105, 0], held_by="wax")
    path = line((-5, 30), (20, 30))
    result = judged(tmp_path, block(80, 60, 20), path, items=[RAIL, strap], plate=plate)
    words = f'its screw is only {said} mm in "rail": 3.4 at least'
    assert told(result) == ([("strap", "close", words)] if said else [])
