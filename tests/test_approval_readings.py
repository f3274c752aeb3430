"""An approval counts the form of readings, and ``confirm`` names the readings that changed.

What a record keeps is the project's own; no outside source.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from clearance.cli import run
from tests.measured_setups import form_text, motion, places, plate_setup
from tests.setup_writer import setup
from tests.test_measured_scene import ABOUT


@pytest.mark.parametrize("by_option", [True, False])
def test_confirm_names_the_reading_that_changed(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], by_option: bool
) -> None:
    T = motion(ABOUT, ABOUT * 0, ABOUT * 0)
    form, record = tmp_path / "form.csv", tmp_path / "record.json"
    text = form_text("die plate", T, places())
    form.write_text(text, encoding="utf-8")
    item = {} if by_option else {"items__1__measured": "form.csv"}
    file = plate_setup(tmp_path, setup(cuts__0__path="program.nc", **item))
    words = ["--measured", str(form)] if by_option else []
    code = run(["approve", str(file), "-o", str(record), "--by", "ann", "--override", "known", *words])
    told = capsys.readouterr()
    assert code == 0, told.out + told.err
    kept = json.loads(record.read_text(encoding="utf-8"))
    (entry,) = (each for each in kept["inputs"] if each["kind"] == "form")
    assert entry["readings"]["die plate, top 2"] == pytest.approx(0.0, abs=1e-12)
    assert run(["confirm", str(record)]) == 0
    capsys.readouterr()
    rows = text.splitlines()
    cells = rows[2].split(",")
    cells[9] = "0.0125"
    form.write_text("\n".join([rows[0], rows[1], ",".join(cells), *rows[3:]]) + "\n", encoding="utf-8")
    assert run(["confirm", str(record)]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "die plate, top 2: was" in said
    assert "is +0.0125" in said
    assert "top 3" not in said
