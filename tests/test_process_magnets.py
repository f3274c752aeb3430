"""A magnet holds a part of iron to what is of iron: that it does not hold aluminium is common practice, no
source.

The plate is 80 x 60 x 20; the magnet block of the library is 50 x 30 x 35.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.access_bench import AT, block, line, plate_with
from tests.setup_writer import Tables
from tests.test_process_states import PLATE, judged, message

X, Y = AT
PATH = line((-5, 58), (85, 58))


def beside(folder: Path, material: str | None, base: str | None, under: bool = False) -> Any:
    """The plate beside a magnet on one base, or on top of the magnet."""
    made = {} if base is None else {"material": base}
    low = -55 if under else -20
    items: list[Tables] = [
        {"name": "base", "shape": {"box": [200, 54, 20]}, "at": [X + 20, Y + 30, low], **made},
        {"name": "magnet", "holder": "magnet_block", "at": [X + 40 if under else X - 25, Y + 30, low + 20]},
    ]
    return judged(folder, PLATE, PATH, items=items, plate=plate_with(density=None, material=material))


def holding(result: Any) -> list[tuple[str, str | None]]:
    kinds = ("not held", "floats", "off its feet", "does not hold")
    return [(f.kind, f.item) for f in result.findings if f.severity != "note" and f.kind in kinds]


@pytest.mark.parametrize("under", [False, True])
@pytest.mark.parametrize(
    ("material", "base", "holds"),
    [
        ("tool steel", None, True),
        ("tool steel", "steel", True),
        ("tool steel", "aluminium", False),
        ("aluminium", "steel", False),
    ],
)
def test_iron_to_iron(material: str, base: str | None, holds: bool, under: bool, tmp_path: Path) -> None:
    told = holding(beside(tmp_path, material, base, under))
    assert (told == []) == holds
    assert holds or ("not held", "plate") in told


def test_why_is_told(tmp_path: Path) -> None:
    result = beside(tmp_path, "tool steel", "aluminium")
    assert message(result, "not held").startswith(
        'nothing presses or grips it ("magnet" holds to nothing else that is of iron): clamp it'
    )


def hung(folder: Path, x: float, y: float, z: float, top: bool) -> Any:
    """A block that hangs from a magnet over the middle of its left end, or at its left side, in the air."""
    low = z if top else 0.0
    at = [X + 25, Y + 30, low] if top else [X - 25, Y + 30, low]
    arm = {"box": [60, 60, 20]} if top else {"box": [20, 60, 60]}
    items: list[Tables] = [
        {"name": "magnet", "holder": "magnet_block", "at": at},
        {"name": "arm", "shape": arm, "at": [at[0], at[1], low + 35] if top else [X - 60, Y + 30, -10]},
        {"name": "post", "shape": {"box": [20, 20, 20]}, "at": [X + 150, Y + 180, -30]},
    ]
    body, path = block(x, y, z, (0, 30 - y / 2, 0)), line((x + 5, 30), (x - 5, 30))
    return judged(folder, body, path, items=items, plate=plate_with(), heads={"upper_z": 150.0})


@pytest.mark.parametrize(
    ("x", "y", "z", "top", "said"),
    [
        (50, 60, 20, True, ""),
        (50, 60, 20, False, ""),
        # 50 x 200 x 80 of 7.7 g/cm3
        (50, 200, 80, True, "it weighs 6.2 kg and nothing carries it; 5 kg at most"),
        (50, 200, 80, False, "it weighs 6.2 kg and nothing carries it; 5 kg at most"),
        # 50 of it are under the magnet, its middle 250 - 50 beside that: 4 times as much
        (498, 16, 16, True, ""),
        (
            506,
            16,
            16,
            True,
            "on 50.0 mm, and its centre of gravity is 203.0 mm beside that: it would tip or turn",
        ),
    ],
)
def test_what_hangs_on_a_magnet(x: float, y: float, z: float, top: bool, said: str, tmp_path: Path) -> None:
    """5 kg are the magnet's own limit, of the library (common practice, no source)."""
    result = hung(tmp_path, x, y, z, top)
    told = [(f.item, f.severity, f.message) for f in result.findings if f.kind == "hardly gripped"]
    assert told == ([("plate", "close", f'only "magnet" holds it, {said}')] if said else [])


@pytest.mark.parametrize(
    ("told", "clear"),
    [({}, False), ({"density": 7.8}, True), ({"material": "4140"}, True), ({"held_by": "glue"}, True)],
)
def test_what_nobody_says_to_be_of_iron(told: Tables, clear: bool, tmp_path: Path) -> None:
    """A part of which the setup says nothing may be brass: magnets alone are not taken to hold it."""
    items: list[Tables] = [
        {"name": "base", "shape": {"box": [200, 54, 20]}, "at": [X + 20, Y + 30, -55]},
        {"name": "magnet", "holder": "magnet_block", "at": [X + 40, Y + 30, -35]},
    ]
    plate = plate_with(**{"density": None, **told})
    result = judged(tmp_path, PLATE, PATH, items=items, plate=plate)
    kinds = [f.kind for f in result.findings if f.severity != "note"]
    assert kinds == ([] if clear else ["material not said"])
    assert clear or "nothing says that it is of iron" in message(result, "material not said")
