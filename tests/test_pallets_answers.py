"""What the commands say of a setup with pallets: report, record, sheet, cures, a part measured on a pallet.

That a part on a pallet is moved by its readings as one on the table is: the same readings, the same pose,
held against the same setup written flat. No outside source.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import clearance
from clearance import cli
from clearance.advice.cures import find_cures
from clearance.checking.verdict import check
from clearance.report.sheet.data import gather
from clearance.report.sheet.sections import fetching
from clearance.scene.load import load
from clearance.scene.measured import Asked
from tests import pallet_setups
from tests.measured_setups import form_text, motion, places
from tests.pallet_setups import PALLET, with_pallet
from tests.setup_writer import PROGRAM, Tables, changed, toml

PLATE = {
    "name": "plate", "part": "../die.stl", "units": "mm", "on": "front rail", "seat": "top",
    "at": [-60, -10, 0], "held_by": "glue",
}  # fmt: skip
#: the base so low that no head meets it
LOW = {"items__0__at": [130, 60, -150]}


def written(folder: Path, tables: Tables, pallet: Tables) -> Path:
    """The setup's file, with all beside it; its program threads the wire before it cuts."""
    file = pallet_setups.written(folder, tables, pallet)
    (folder / "program.nc").write_text(PROGRAM.replace("Y0.\n", "Y0.\nM71\n"), encoding="utf-8")
    return file


def whole(**changes: Any) -> tuple[Tables, Tables]:
    """The plate is on the pallet as well, and the rails stand where they did, on nothing."""
    pallet = changed(PALLET, {**LOW, "items__4": PLATE})
    for k, y in ((1, 20), (2, 100)):
        pallet["items"][k] = {**pallet["items"][k], "at": [130, y, -25]}
        del pallet["items"][k]["on"], pallet["items"][k]["seat"]
    pallet["items"][2]["at"] = [130, 265, -25]
    tables, pallet = with_pallet(pallet, cuts__0__path="program.nc", cuts__0__part="P3/plate", **changes)
    return {**tables, "items": []}, pallet


def test_a_changed_pallet_is_named_at_the_machine(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = written(tmp_path, *whole())
    record = tmp_path / "r.json"
    assert cli.run(["approve", str(file), "-o", str(record), "--by", "First shift"]) == 0
    said = json.loads(record.read_text(encoding="utf-8"))
    assert {"file": "pallets/two_rails.toml", "kind": "pallet"}.items() <= said["inputs"][1].items()
    assert cli.run(["confirm", str(record)]) == 0
    pallet = tmp_path / "pallets" / "two_rails.toml"
    pallet.write_text(pallet.read_text(encoding="utf-8") + "\n# looked at\n", encoding="utf-8")
    capsys.readouterr()
    assert cli.run(["confirm", str(record)]) == 1
    assert 'changed: "pallets/two_rails.toml"' in capsys.readouterr().out
    pallet.unlink()
    assert cli.run(["confirm", str(record)]) == 1
    assert 'missing: "pallets/two_rails.toml"' in capsys.readouterr().out


def test_report_names_the_pallet_s_file_and_nothing_writes_over_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    changes = [{"item": "P3/stop", "at": [3, 121, 0]}, {"item": "P3/base", "laid": True}]
    file = written(tmp_path, *whole(change=changes))
    out = tmp_path / "out.json"
    assert cli.run(["check", str(file), "--json", str(out)]) == 0
    report = json.loads(out.read_text(encoding="utf-8"))
    assert [one["file"] for one in report["inputs"]][1:3] == ["pallets/two_rails.toml", "ours.toml"]
    notes = [one for one in report["findings"] if one["kind"] == "changed"]
    assert [(one["item"], one["severity"]) for one in notes] == [("P3/base", "note"), ("P3/stop", "note")]
    # none of them is hidden behind "1 more note like this"
    shown = " ".join(capsys.readouterr().out.split())
    for one in notes:
        assert f"note: {one['item']}: {one['message']}" in shown
    target = tmp_path / "pallets" / "two_rails.toml"
    assert cli.run(["check", str(file), "--json", str(target), "--replace"]) == 2
    assert "is an input of this setup" in capsys.readouterr().err


def test_sheet_says_where_the_pallet_goes_and_lists_its_file(tmp_path: Path) -> None:
    sheet = gather(check(load(written(tmp_path, *whole(pallets__0__turn=[0, 0, 0])))), "today")
    by_name = {each.name: each for each in sheet.elements}
    assert (by_name["P3/stop"].on, by_name["P3/stop"].at) == ("P3", (3, 120.5, 0))
    assert (by_name["P3/plate"].on, by_name["P3/plate"].seat) == ("P3/front rail", "top")
    page = str(fetching(sheet))
    assert "pallets/two_rails.toml" in page
    assert "Where it goes" in page
    assert ("pallets/two_rails.toml" in [file for file, _ in sheet.inputs]) is True


def test_sheet_says_what_is_otherwise_than_on_the_pallet(tmp_path: Path) -> None:
    tables, pallet = whole(pallets__0__without=["stop"])
    rail = {"name": "clamp", "holder": "strap", "params": {"reach": 24}, "at": [600, 0, 0], "laid": True}
    pallet["items"].append(rail)
    tables["change"] = [{"item": "P3/clamp", "params": {"reach": 22, "height": 30}, "at": [610, 0, 0]}]
    sheet = gather(check(load(written(tmp_path, tables, pallet))), "today")
    by_name = {each.name: each for each in sheet.elements}
    file = "pallets/two_rails.toml"
    assert by_name["P3/clamp"].changed == (
        f"reach = 22 (24 in {file})",
        f"height = 30 (left out in {file})",
        f"at = [610, 0, 0] ([600, 0, 0] in {file})",
    )
    assert by_name["P3/plate"].changed == ()
    page = re.sub(r"<[^>]*>", "", str(fetching(sheet))).replace("&quot;", '"')
    assert 'without "stop"' in page
    assert 'Take "P3/stop" off pallet "P3".' in page
    assert f"changed: reach = 22 (24 in {file})" in page
    tables["units"] = "inch"
    tables["change"] = [{"item": "P3/clamp", "params": {"reach": 1}}]
    tables["pallets"][0]["at"] = [30 / 25.4, 20 / 25.4, 0]
    scene = load(written(tmp_path, tables, pallet))
    there = scene.items["P3/clamp"].written
    assert there is not None
    assert there.changed == (f"reach = 1 (24 in {file}; lengths here in inch, there in mm)",)
    pallet = {"units": "inch", "items": [{"name": "clamp", "holder": "strap", "params": {"reach": 0.9}}]}
    tables["pallets"][0]["without"] = []
    block = {"name": "block", "shape": {"box": [1, 1, 1]}}
    tables = {**tables, "items": [block], "cuts": [{**tables["cuts"][0], "part": "block"}]}
    there = load(written(tmp_path, tables, pallet)).items["P3/clamp"].written
    assert there is not None
    assert there.changed == (f"reach = 1 (0.9 in {file}; lengths here in inch)",)


@pytest.mark.slow
def test_a_cure_says_in_which_file_the_place_stands(tmp_path: Path) -> None:
    # the path begins 70 beside the plate's corner and 60 behind it: a block under it, as high as the plate
    tables, pallet = whole()
    pallet["items"].append({"name": "block", "shape": {"box": [20, 20, 10]}, "at": [155, 78, -8]})
    found = find_cures(check(load(written(tmp_path, tables, pallet))))
    texts = [c.text for one in found for c in one.cures if c.kind == "move" and c.items == ("P3/block",)]
    assert texts
    assert all(text.endswith("(its place stands in pallets/two_rails.toml)") for text in texts)
    tables["change"] = [{"item": "P3/block", "at": [155, 78, -8]}]
    found = find_cures(check(load(written(tmp_path, tables, pallet))))
    texts = [c.text for one in found for c in one.cures if c.kind == "move" and c.items == ("P3/block",)]
    assert texts
    assert not any("stands in" in text for text in texts)


# --------------------------------------------------------------------------------------------------- measured
#: where the plate lies: pallet (30, 20), rail (130, 20), plate (-60, -10)
ORIGIN = np.array([100.0, 30.0, 0.0])
T = motion(ORIGIN + np.array([60, 40, 10]), np.array([0.03, -0.02, 0.01]), np.array([0.0, 0.0, 0.05]))


def measured(folder: Path, tables: Tables, pallet: Tables, form: str | None = None) -> Any:
    scene = load(written(folder, tables, pallet), Asked(form))
    (lies,) = scene.lies
    assert lies.part == "P3/plate"
    assert lies.fit.matrix == pytest.approx(T, abs=1e-6)
    return scene


def test_a_part_on_a_pallet_lies_as_its_form_says(tmp_path: Path) -> None:
    text = form_text("P3/plate", T, places(origin=ORIGIN))
    (tmp_path / "form.csv").write_text(text, encoding="utf-8")
    scene = measured(tmp_path, *whole(), form=str(tmp_path / "form.csv"))
    # a form that the pallet names: seen from the pallet's folder, its part named in full or as there
    tables, pallet = whole()
    pallet["items"][4]["measured"] = "form.csv"
    (tmp_path / "pallets").mkdir(exist_ok=True)
    for part in ("P3/plate", "plate"):
        text = form_text(part, T, places(origin=ORIGIN))
        (tmp_path / "pallets" / "form.csv").write_text(text, encoding="utf-8")
        again = measured(tmp_path, tables, pallet)
        assert np.array_equal(again.items["P3/plate"].T_MI, scene.items["P3/plate"].T_MI)
        assert ("pallets/form.csv") in [name for name, _ in again.inputs]


def test_a_form_in_the_frame_of_an_item_of_the_pallet(tmp_path: Path) -> None:
    tables, pallet = whole()
    scene = load(written(tmp_path, tables, pallet))
    rail = np.asarray(scene.items["P3/front rail"].T_MI)[:3, 3]
    pallet["items"][4]["measured"] = "form.csv"
    for part, frame in (("P3/plate", "P3/front rail"), ("plate", "front rail")):
        rows = form_text(part, T, places(origin=ORIGIN)).splitlines()
        moved = [rows[0]]
        for row in rows[1:]:
            cells = row.split(",")
            cells[3:6] = [repr(float(c) - float(r)) for c, r in zip(cells[3:6], rail, strict=True)]
            moved.append(",".join(cells))
        text = "\n".join([*moved, f",{frame},frame,,,,,,,,"]) + "\n"
        (tmp_path / "pallets" / "form.csv").write_text(text, encoding="utf-8")
        measured(tmp_path, tables, pallet)


def test_touch_and_measured_take_names_with_the_pallet_in_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file, form = written(tmp_path, *whole()), tmp_path / "form.csv"
    named = ["--part", "P3/plate", "--at", "P3/front rail"]
    assert cli.run(["touch", str(file), "-o", str(form), *named]) == 0
    text = form.read_text(encoding="utf-8")
    rows = [row for row in text.splitlines() if row.startswith("P3/plate,")]
    assert len(rows) >= 6
    filled = "\n".join(
        row if not row.startswith("P3/plate,") else ",".join([*row.split(",")[:9], "0.0", row.split(",")[10]])
        for row in text.splitlines()
    )
    form.write_text(filled + "\n", encoding="utf-8")
    capsys.readouterr()
    assert cli.run(["measured", str(file), str(form)]) == 0
    assert '"P3/plate"' in capsys.readouterr().out


def test_from_python_items_of_pallets_have_their_names(tmp_path: Path) -> None:
    scene = clearance.load(written(tmp_path, *whole()))
    assert clearance.raised(scene, 1.0, items=["P3/front rail"]).items["P3/plate"].T_MI[2, 3] == 1.0


def test_the_pallet_s_file_is_read_once_and_written_whole(tmp_path: Path) -> None:
    file = written(tmp_path, *whole())
    text = (tmp_path / "pallets" / "two_rails.toml").read_text(encoding="utf-8")
    load(file)
    assert (tmp_path / "pallets" / "two_rails.toml").read_text(encoding="utf-8") == text == toml(whole()[1])
