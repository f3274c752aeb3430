"""One of two straps does not reach the part: it is judged as if that one were not there.

Truths are the lever rule, written out beside each figure. The plate is 80 x 60 x 20 of 7.7 g/cm3; a strap's
tip lies 20 over its heel's foot, or 21. That one strap holds a part, when it presses over what carries it, is
common practice, no source: sideways forces are not judged.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.access_bench import line
from tests.setup_writer import Tables
from tests.test_process_states import LEFT, PLATE, RIGHT, SECOND, STRAP, judged, rail, states, strap

PATH = line((-5, 58), (85, 58))


def up(one: Tables, by: float = 1.0) -> Tables:
    """The same strap with its tip so much higher."""
    return {**one, "params": {**one["params"], "height": 20.0 + by}}


def close(result: Any) -> list[tuple[str, str | None]]:
    kinds = ("not held", "off its feet", "presses air", "clamp stands on nothing")
    return [(f.kind, f.item) for f in result.findings if f.severity != "note" and f.kind in kinds]


def held(folder: Path, *straps: Tables, base: Any = (LEFT, RIGHT)) -> Any:
    return judged(folder, PLATE, PATH, items=[*base, *straps])


@pytest.mark.parametrize("by", [0.3, 1.0])
def test_the_other_one_holds_it(by: float, tmp_path: Path) -> None:
    """It presses over a rail, and the plate lies on two."""
    result = held(tmp_path, STRAP, up(SECOND, by))
    assert close(result) == []
    idle = {f.item: (f.severity, f.message) for f in result.findings if f.kind == "clamp idle"}
    assert idle == {"second strap": ("note", f'presses nothing: it is {by:.2f} mm above "plate"')}
    assert {part.pressed_by for state in states(result) for part in state.parts} == {("strap",)}
    alone = held(tmp_path, STRAP)
    assert [f for f in alone.findings if f.kind != "clamp idle"] == [
        f for f in result.findings if f.kind != "clamp idle"
    ]


def test_neither_holds_it(tmp_path: Path) -> None:
    assert close(held(tmp_path, up(STRAP), up(SECOND))) == [("not held", "plate")]


def test_the_other_one_does_not_press_hard_enough(tmp_path: Path) -> None:
    """A rail under X -50 to 35, the plate's middle at X 40: 7.25 N times 5 want 36.3 Nmm. A tip at X 1 to 5
    has a lever of 32: 1.13 N in all, and each strap presses with 0.8."""
    one, two = (strap(name, -15, y, clamp_force=0.8) for name, y in (("strap", 45), ("second strap", 15)))
    for each in (one, two):
        each["clamp_force"] = each["params"].pop("clamp_force")
    base = [rail("left rail", -50, 35)]
    assert close(held(tmp_path, one, two, base=base)) == []
    assert close(held(tmp_path, one, up(two), base=base)) == [("off its feet", "plate")]


def test_the_other_one_presses_over_air(tmp_path: Path) -> None:
    """Its tip is at the plate's far side, which nothing carries."""
    base, far = [rail("left rail", -50, 45), rail("far rail", 90, 130)], SECOND
    assert ("presses air", "second strap") in close(held(tmp_path, STRAP, far, base=base))
    alone = close(held(tmp_path, up(STRAP), far, base=base))
    assert ("presses air", "second strap") in alone
    assert ("not held", "plate") in alone
