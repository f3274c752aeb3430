"""Glue holds a part to what it lies on, and no more: a carrier that lies loose slides with it (common
practice, no source).

A plate of 80 x 60 x 20 is glued on a carrier of 120 x 60 x 10, which has an opening where the slit is cut and
lies on two bars.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.access_bench import AT, block, line, plate_with
from tests.setup_writer import Tables
from tests.test_process_states import PLATE, judged

X, Y = AT
SLIT = line((40, -5), (40, 20))
CARRIER = block(120, 60, 10) - block(60, 50, 12, (30, -1, -1))
BARS: list[Tables] = [
    {"name": "left bar", "shape": {"box": [80, 90, 20]}, "at": [X - 40, Y + 30, -20]},
    {"name": "right bar", "shape": {"box": [80, 90, 20]}, "at": [X + 120, Y + 30, -20]},
]
LYING: Tables = {"name": "carrier", "part": "carrier.stl", "units": "mm", "material": "steel"}
LYING["at"] = [X - 20, Y, 0]


def strap(x: float, turn: float) -> Tables:
    """On one of the bars, its tip on the carrier."""
    params = {"height": 10.0, "reach": 15.0, "back": 15.0, "width": 20.0, "screw_below": 10.0}
    return {"name": f"strap {turn:g}", "holder": "strap", "at": [x, Y + 30, 0], "turn": [0, 0, turn],
            "params": params}  # fmt: skip


STRAPS = [strap(X - 30, 0), strap(X + 110, 180)]


def magnet(name: str, x: float) -> Tables:
    size = {"length": 20, "width": 40, "height": 20, "groove": 4, "knob": 0}
    return {"name": name, "holder": "magnet_block", "params": size, "at": [x, Y + 30, 0]}


def wrong(
    folder: Path, carrier: list[Tables], z: float = 10.0, **cut: object
) -> list[tuple[str | None, str]]:
    """What is close of the job: on which item, and of which kind."""
    words = {} if cut else {"held_by": "glue"}
    plate = plate_with(at=[X, Y, z], **words)
    result = judged(
        folder,
        PLATE,
        {"nc": SLIT, **cut},
        items=[*BARS, *carrier],
        plate=plate,
        others={"carrier.stl": CARRIER},
    )
    return [(f.item, f.kind) for f in result.findings if f.severity != "note"]


def test_a_carrier_that_lies_loose(tmp_path: Path) -> None:
    assert wrong(tmp_path, [LYING]) == [("carrier", "not held")]
    assert wrong(tmp_path, [LYING], held_by="super glue") == [("carrier", "not held")]


@pytest.mark.parametrize(
    "carrier",
    [
        [LYING, *STRAPS],
        [{**LYING, "held_by": "glue"}],
        [{**LYING, "at": [X - 20, Y, 20]}, magnet("left", X - 15), magnet("right", X + 95)],
    ],
    ids=["strapped", "glued itself", "on magnets"],
)
def test_a_carrier_that_is_held(carrier: list[Tables], tmp_path: Path) -> None:
    assert wrong(tmp_path, carrier, float(carrier[0]["at"][2]) + 10.0) == []


def test_a_carrier_beside_a_fixed_base(tmp_path: Path) -> None:
    """The plate lies on the loose carrier and on a block that is fixed: it is glued to both."""
    fixed = {"name": "block", "shape": {"box": [10, 10, 10]}, "at": [X + 40, Y + 38, 0]}
    assert wrong(tmp_path, [LYING, fixed]) == []


def test_a_clamp_on_a_packing_that_lies_on_the_carrier_holds_it(tmp_path: Path) -> None:
    """The packing is 18 x 50 x 10, at the carrier's left end."""
    packing = {"name": "packing", "shape": {"box": [18, 50, 10]}, "laid": True, "at": [X - 10, Y + 30, 10]}
    higher = {**STRAPS[0], "params": {**STRAPS[0]["params"], "height": 20.0}}
    assert wrong(tmp_path, [LYING, packing, higher]) == []


def test_what_only_leans_on_words_of_other_kinds_is_not_asked(tmp_path: Path) -> None:
    """ "Two more clamps" press the carrier as well."""
    assert wrong(tmp_path, [LYING], held_by="two more toggles") == []
