"""Other nozzles from the command line: one table against separate checks, cures, the sheet, the approval."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest

import clearance
from clearance import cli
from clearance.advice.cures import every_nozzle, find_cures
from clearance.advice.whole_job import Budget
from clearance.report.approval_values import differing, values_of
from clearance.report.changes import lines_of_cures
from clearance.report.sheet.data import gather
from clearance.report.sheet.sections import head_of, settings
from tests.setup_writer import machine, setup, write
from tests.test_setup_nozzles import HEAD, LONG, LOWER, NOSE

DEMO = Path(__file__).parent.parent / "demo_models"
PLATE = str(DEMO / "stripper_plate.toml")
SETS = ("own", "long nose", "steep taper")


@cache
def checked(setup_file: str, *options: str) -> tuple[int, str, dict[str, Any]]:
    """Exit code, what is printed, and the report."""
    import contextlib
    import io
    import tempfile

    with tempfile.TemporaryDirectory() as folder, contextlib.redirect_stdout(io.StringIO()) as printed:
        report = Path(folder, "report.json")
        code = cli.run(["check", setup_file, "--json", str(report), *options])
        return code, printed.getvalue(), json.loads(report.read_text())


@pytest.mark.slow
def test_the_table_says_what_separate_checks_say() -> None:
    code, text, report = checked(PLATE, "--every-nozzle")
    assert code == 1  # the setup's own choice is close
    assert report["heads"] == {"nozzles": None, "wire": 0.25}
    assert tuple(row["name"] for row in report["nozzles"]) == SETS
    for row in report["nozzles"]:
        alone, _, its = checked(PLATE, "--nozzles", row["name"])
        assert row["chosen"] == (row["name"] == "own")
        assert row["verdict"] == its["verdict"]
        assert alone == (0 if row["verdict"] == "clear" else 1)
        assert its["heads"] == {
            "nozzles": None if row["name"] == "own" else row["name"],
            "wire": row["wire"],
        }
        # to the last digit, and from the same pair
        spares = [pair["spare"] for pair in its["pairs"] if pair["spare"] is not None]
        assert row["spare"] == min(spares)
        worst = next(pair for pair in its["pairs"] if pair["verdict"] == its["verdict"])
        for key in ("head", "item", "cut", "move"):
            assert row[key] == worst[key]
    for name in SETS:
        (line,) = [each for each in text.splitlines() if name in each.split("  ") or f" {name} " in each]
        assert line.startswith("chosen") == (name == "own")


@pytest.mark.slow
def test_which_nozzles_clear_the_vise() -> None:
    """What stands on the vise reaches to 27: the own nozzle's nut, radius 20, begins at 11.1 and passes 0.37
    beside it. Of the one 18 longer the nut begins at 29.1, 2.1 over it, and the slope is 5.5 + 2 x 21.4 / 23
    wide at 27.5, a margin of 0.5 up."""
    _, _, report = checked(PLATE, "--every-nozzle")
    own, nose, steep = report["nozzles"]
    assert (own["verdict"], nose["verdict"], steep["verdict"]) == ("close", "clear", "close")
    assert (own["head"], own["item"]) == ("upper", "vise")
    near = {
        name: min(
            pair["side"]
            for pair in checked(PLATE, "--nozzles", name)[2]["pairs"]
            if (pair["head"], pair["item"]) == ("upper", "vise") and pair["side"] is not None
        )
        for name in ("own", "long nose")
    }
    assert near["own"] == pytest.approx(0.37, abs=0.01)
    assert near["long nose"] == pytest.approx(near["own"] + 20.0 - (5.5 + 2 * 21.4 / 23), abs=0.006)
    over = [pair["height"] for pair in checked(PLATE, "--nozzles", "long nose")[2]["pairs"]
            if (pair["head"], pair["item"]) == ("upper", "vise")]  # fmt: skip
    assert min(height for height in over if height is not None) == pytest.approx(29.1 - 27.0, abs=0.006)


@pytest.mark.slow
def test_a_cure_names_the_nozzles_that_clear_it() -> None:
    result = clearance.check(PLATE)
    cures = find_cures(result, Budget(600.0))
    (cure,) = [cure for cure in cures.of_all if cure.kind == "nozzles"]
    assert cure.text == 'mount other nozzles: nozzles = "long nose" in [heads]'
    assert (cure.by, cure.change, cure.all) == (0.0, 0.0, True)
    assert any(cure.text in line for line in lines_of_cures(cures) if line.startswith("cures everything"))
    # one that is raised is read anew so; a job that was changed since it was read is not
    raised = clearance.check(clearance.raised(result.scene, 0.01))
    by_hand = replace(raised, scene=replace(raised.scene, bodies=tuple(list(raised.scene.bodies))))
    for job, named in ((raised, 1), (by_hand, 0)):
        cures = find_cures(job, Budget(600.0)).of_all
        assert [c.text for c in cures if c.kind == "nozzles"] == [cure.text] * named
    # and with no time for it, that is said
    told = "\n".join(lines_of_cures(find_cures(result, Budget(0.0))))
    assert "other nozzles were not tried: clearance check SETUP --every-nozzle" in told


def leaning(folder: Path) -> str:
    """A straight taper of 10 degrees, which the machine's own guides do not allow and the set's do."""
    cut = {"planes": {"xy": 0.0, "uv": 20.0}, "uv_words": "relative"}
    tables = setup(**{f"cuts__0__{key}": value for key, value in cut.items()})
    tables["cuts"][0]["path"] = "leaning.csv"
    bench = machine(largest_lean=6.0, nozzles=[{"name": "steep", "largest_lean": 30.0}])
    file = write(folder, tables, bench)
    (folder / "leaning.csv").write_text("x,y,u,v\n0,0,3.5265,0\n10,0,3.5265,0\n", encoding="utf-8")
    return str(file)


def test_what_no_head_meets_may_be_cured_too(tmp_path: Path) -> None:
    file = leaning(tmp_path)
    code, text, report = checked(file)
    assert code == 1
    (lean,) = [f for f in report["findings"] if f["kind"] == "lean"]
    assert lean["severity"] == "close"
    assert 'cures everything: mount other nozzles: nozzles = "steep" in [heads].' in text
    assert checked(file, "--nozzles", "steep")[0] == 0
    _, text, report = checked(file, "--every-nozzle")
    assert report["nozzles"][0]["message"] == lean["message"]
    assert report["nozzles"][0]["head"] is None
    assert lean["message"] in " ".join(text.split())


def test_a_set_that_does_not_go_with_the_setup_has_its_line(tmp_path: Path) -> None:
    """With a lower face at 30 the upper one would stand below it."""
    high = {"name": "high", "lower": {**LOWER, "face_z": 30.0, "profile": [[0, 1.0], [36, 2.0]]}}
    file = str(write(tmp_path, setup(), machine(**HEAD, nozzles=[high, NOSE])))
    code, text, report = checked(file, "--every-nozzle")
    assert code == 0
    assert [row["verdict"] for row in report["nozzles"]] == ["clear", None, "clear"]
    assert "not above the lower one at 30 mm" in report["nozzles"][1]["message"]
    assert "refused" in text
    assert checked(file, "--nozzles", "long nose")[0] == 0


def test_exit_codes_and_messages(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = str(write(tmp_path, setup(), machine(**HEAD, nozzles=[LONG])))
    writing = {"keepout": "a.svg", "picture": "a.png", "sheet": "a.html"}
    for command in ("check", "raise", "placement", *writing):
        target = ["-o", str(tmp_path / writing[command])] if command in writing else []
        assert cli.run([command, file, *target, "--nozzles", "long nos"]) == 2
        said = capsys.readouterr().err
        assert 'error: --nozzles: the machine "test bench" has no nozzles "long nos"' in said
        assert 'did you mean "long nose"?' in said
    plain = str(write(tmp_path, setup(), machine()))
    assert cli.run(["check", plain, "--every-nozzle"]) == 2
    assert 'the machine "test bench" has its own heads only' in capsys.readouterr().err


@pytest.mark.slow
def test_in_python_the_table_is_had_too() -> None:
    result = clearance.check(PLATE)
    rows = every_nozzle(result)
    assert [row.name for row in rows] == list(SETS)
    with pytest.raises(clearance.InputError, match="was changed since it was read"):
        every_nozzle(replace(result, scene=replace(result.scene, bodies=result.scene.bodies[1:])))
    assert rows[0].spare == min(pair.spare for pair in result.pairs if pair.spare is not None)


def test_the_sheet_says_what_to_mount(tmp_path: Path) -> None:
    one = {**LONG, "wire": 0.25, "largest_lean": 8.0, "lower": LOWER}
    result = clearance.check(
        str(write(tmp_path, setup(heads__nozzles="long nose"), machine(**HEAD, nozzles=[one])))
    )
    sheet = gather(result, "today")
    assert sheet.mounted is not None
    assert (sheet.mounted.name, sheet.mounted.lower_z, sheet.wire) == ("long nose", pytest.approx(0.1), 0.25)
    assert (sheet.mounted.travel_z, sheet.mounted.z_shift) == ((-11.0, 141.0), 12.0)
    page = str(head_of(sheet)) + str(settings(sheet))
    for words in ("mount “long nose”", "for wire 0.25", "face at Z 0.10", "measure it anew",
                  "-11.00 to 141.00", "it ends 12.00 sooner"):  # fmt: skip
        assert words in page, words
    own = clearance.check(clearance.load(tmp_path / "setup.toml", nozzles="own"))
    assert gather(own, "today").mounted is None
    assert "mount “" not in str(head_of(gather(own, "today")))


def test_an_approval_counts_the_nozzles(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bench = machine(**HEAD, nozzles=[{**LONG, "largest_lean": 8.0}])
    tables = setup(cuts__0__path="program.nc", heads__nozzles="long nose")
    file, record = str(write(tmp_path, tables, bench)), str(tmp_path / "record.json")
    assert cli.run(["approve", file, "-o", record, "--by", "First shift"]) == 0
    assert cli.run(["confirm", record]) == 0
    noted = json.loads(Path(record).read_text())["values"]["machine"]
    assert (noted["nozzles"], noted["largest_lean"], noted["z_shift"]) == ("long nose", 8.0, 12.0)
    assert noted["upper_head"]["profile"][0] == [0.0, 2.0]
    # the same files read with the own heads are another job
    now = values_of(clearance.load(file, nozzles="own"))
    other = {
        each.what: (each.then, each.now)
        for each in differing(json.loads(Path(record).read_text())["values"], now)
    }
    assert other["machine.nozzles"] == ('"long nose"', "not given")
    assert "machine.travel.z" in other
    # a set that is measured anew is a changed input
    capsys.readouterr()
    bench["nozzles"][0]["largest_lean"] = 9.0
    write(tmp_path, tables, bench)
    assert cli.run(["confirm", record]) == 1
    assert "ours.toml" in capsys.readouterr().out


def test_the_demo_machine_is_the_shipped_one_but_for_its_sets() -> None:
    shipped = clearance.load(PLATE).known_machine
    text = Path(PLATE).read_text(encoding="utf-8")
    assert 'file = "machines/mid_size_nozzles.toml"' in text
    import tomllib

    here = tomllib.loads((DEMO / "machines" / "mid_size_nozzles.toml").read_text(encoding="utf-8"))
    there = tomllib.loads(
        (DEMO.parent / "clearance/scene/machines/mid_size.toml").read_text(encoding="utf-8")
    )
    assert [one["name"] for one in here.pop("nozzles")] == list(SETS[1:])
    assert {**here, "name": there["name"]} == there
    assert shipped.nozzles is None
