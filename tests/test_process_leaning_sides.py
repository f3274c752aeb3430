"""Parts whose sides lean, between parallel jaws: these meet them along a line.

Sides that both lean by an angle stay within 0.05 of upright jaws over 0.05 / tan of it, one alone over twice
as much (trigonometry). That less than a millimetre of that is hardly a grip is common practice, no source.
"""

from __future__ import annotations

from math import radians, tan
from pathlib import Path

import pytest
from manifold3d import CrossSection, Manifold

from tests.access_bench import write_stl
from tests.holding_bench import checked, found, rod
from tests.setup_writer import Tables

LEANS = "since its sides lean away from them"


def gripped(folder: Path, part: Tables, **params: float) -> list[str]:
    """What is close of how a vise with steps holds a part that it is fitted to."""
    size = {"step": 3, "jaw_above": 4, **params}
    vise = {"name": "vise", "holder": "side_jaw_vise", "params": size, "fit": "blank", "at": [100, 20, 0]}
    blank = {"name": "blank", "units": "mm", "material": "tool steel", "on": "vise", "seat": "top", **part}
    report = checked(folder, [vise, blank], part="blank", zero=[15, 45, 0])[1]
    told = found(report, "hardly gripped") + found(report, "does not grip")
    return [message for severity, _, message in told if severity == "close"]


def prism(folder: Path, left: float, right: float) -> Tables:
    """60 wide below, 40 long, 25 high, its sides leaning inward by so many degrees."""
    a, b = (25 * tan(radians(angle)) for angle in (left, right))
    section = CrossSection([[(0, 0), (60, 0), (60 - b, 25), (a, 25)]])
    body = Manifold.extrude(section, 40).rotate((90, 0, 0)).translate((0, 40, 0))
    write_stl(folder / "prism.stl", body)
    return {"part": "prism.stl", "at": [0, 10, 0]}


@pytest.mark.parametrize(
    ("left", "right", "touched"),
    [
        (0.0, 0.0, None),
        (1.0, 1.0, None),
        (2.5, 2.5, None),  # 1.15
        (3.3, 3.3, 0.9),
        (4.6, 4.6, 0.6),
        (0.0, 4.6, None),  # 1.24
        (0.0, 7.0, 0.8),
    ],
)
def test_leaning_sides(left: float, right: float, touched: float | None, tmp_path: Path) -> None:
    told = gripped(tmp_path, prism(tmp_path, left, right))
    assert told == (
        [] if touched is None else [f'only "vise" holds it, on {touched} mm of its height, {LEANS}']
    )


def test_words_hold_it_all_the_same(tmp_path: Path) -> None:
    """A drafted part under clamps that are told in words: nothing is asked of the jaws."""
    part = prism(tmp_path, 4.6, 4.6)
    told = gripped(tmp_path, {**part, "held_by": "two clamps"})
    assert told == []


@pytest.mark.parametrize("size", [4.0, 6.0, 12.0])
def test_a_round_bar_that_lies_between_jaws(size: float, tmp_path: Path) -> None:
    """It is met along lines, too, on both sides of its middle: jaws hold it (common practice, no source)."""
    bar = rod(tmp_path, size, 40)
    lies = {"part": bar, "axis": "y", "at": [size / 2, 10, size / 2]}
    told = gripped(tmp_path, lies, step=1.9, jaw_above=0.9 * size)
    assert [message for message in told if LEANS in message] == []
