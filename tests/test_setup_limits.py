"""A limit that is passed by a hair is passed, and one that is just met is not.

Masses are volume times density, sizes are those of plain blocks; both are exact in doubles.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.holding_bench import checked, found
from tests.setup_writer import Tables

#: a weight or a length that any scale or micrometer would show, far over what doubles round to
HAIR = 2e-5


def block(size: list[float], **keys: object) -> Tables:
    """A plain block that is cut, and so a part."""
    return {"name": "part", "shape": {"box": size}, **keys}


@pytest.mark.parametrize(("over", "told"), [(HAIR, True), (0.0, False), (-HAIR, False)])
def test_what_a_holder_may_carry(tmp_path: Path, over: float, told: bool) -> None:
    # A rail carries 15 kg. 100 x 50 x 20 mm are 100 cm3.
    items = [
        {"name": "rail", "holder": "rail", "at": [20, 20, 0]},
        block([100, 50, 20], density=(15.0 + over) / 0.1, on="rail", seat="top", at=[150, 20, 0]),
    ]
    report = checked(tmp_path, items, part="part")[1]
    assert [item for _, item, _ in found(report, "too heavy")] == (["rail"] if told else [])


@pytest.mark.parametrize(("over", "told"), [(HAIR, True), (0.0, False), (-HAIR, False)])
def test_what_the_machine_may_carry(tmp_path: Path, over: float, told: bool) -> None:
    # The machine of the bench takes 90 kg.
    items = [block([100, 50, 20], density=(90.0 + over) / 0.1, at=[100, 100, 0])]
    report = checked(tmp_path, items, part="part")[1]
    assert [item for _, item, _ in found(report, "too heavy")] == (["part"] if told else [])


@pytest.mark.few(3)
@pytest.mark.parametrize(("over", "told"), [(HAIR, True), (0.0, False), (-HAIR, False)])
@pytest.mark.parametrize(("limit", "way"), [(38.0, -1), (80.0, 1)])
def test_how_large_a_part_may_be(tmp_path: Path, limit: float, way: int, over: float, told: bool) -> None:
    # The small V-block set for 40 takes bars from 0.95 x 40 = 38 to 80 mm.
    size = limit + way * over
    items = [
        {"name": "block", "holder": "v_block", "params": {"diameter": 40}, "at": [100, 100, 0]},
        block([120, size, size], density=1.0, on="block", seat="bar"),
    ]
    report = checked(tmp_path, items, part="part")[1]
    assert [item for _, item, _ in found(report, "does not fit")] == (["part"] if told else [])


def test_a_part_that_stands_on_a_chuck_is_judged_like_any_other(tmp_path: Path) -> None:
    # A chuck's limit is a force, which no part is measured by.
    items = [
        {"name": "chuck", "holder": "chuck", "at": [100, 100, 0]},
        block([60, 60, 20], density=1.0, on="chuck", seat="top"),
    ]
    report = checked(tmp_path, items, part="part")[1]
    assert not found(report, "does not fit")
