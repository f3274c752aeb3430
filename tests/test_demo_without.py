"""The demo setups with what holds their parts taken away, or with a part lifted off what carries it.

What is taken for granted of a machine's table, nothing else: a part on which nothing presses slides, and one
that hangs in the air falls (common practice, no source). Whatever else a check says, such a job is not clear.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

import clearance

DEMO = Path(__file__).parents[1] / "demo_models"
#: those whose parts straps alone hold, and those of which a part is placed by where it is
STRAPPED = ("keyhole_inserts", "punch_blank", "side_plate_die_raised")
PLACED = ("punch_blank", "riveting_nest", "side_plate_die_raised")
#: how far a part is lifted, mm
UP = 2.0


def tables(setup: str) -> list[str]:
    """A setup's text, cut before each of its tables."""
    return re.split(r"(?m)^(?=\[\[)", (DEMO / f"{setup}.toml").read_text(encoding="utf-8"))


def judged(tmp_path: Path, text: str) -> clearance.Result:
    folder = Path(shutil.copytree(DEMO, tmp_path / "demo"))
    (folder / "changed.toml").write_text(text, encoding="utf-8")
    return clearance.check(folder / "changed.toml")


def kinds(result: clearance.Result) -> set[str]:
    return {one.kind for one in result.findings if one.severity != "note"}


@pytest.mark.parametrize("setup", STRAPPED)
def test_without_its_straps_no_part_is_held(tmp_path: Path, setup: str) -> None:
    left = [one for one in tables(setup) if not re.search(r'(?m)^holder = "strap"', one)]
    assert len(left) < len(tables(setup))
    result = judged(tmp_path, "".join(left))
    assert result.verdict != "clear"
    assert kinds(result) & {"not held", "off its feet"}, kinds(result)


@pytest.mark.parametrize("setup", PLACED)
def test_a_part_that_is_lifted_off_is_not_carried(tmp_path: Path, setup: str) -> None:
    def lifted(table: str) -> str:
        at = re.search(r"(?m)^at = \[([^\]]*)\]", table)
        if at is None or not re.search(r"(?m)^part = .*\.stl", table):
            return table
        x, y, z = (float(one) for one in at[1].split(","))
        return f"{table[: at.start()]}at = [{x}, {y}, {z + UP}]{table[at.end() :]}"

    up = "".join(map(lifted, tables(setup)))
    assert up != "".join(tables(setup))
    result = judged(tmp_path, up)
    assert result.verdict != "clear"
    assert "floats" in kinds(result), kinds(result)
