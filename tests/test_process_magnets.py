"""A magnet holds a part of iron to what is of iron: that it does not hold aluminium is common practice, no
source.

The plate is 80 x 60 x 20; the magnet block of the library is 50 x 30 x 35.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.access_bench import AT, line, plate_with
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
