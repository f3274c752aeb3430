"""What ``approve`` writes down, what it refuses, and that it never does half a thing.

Hashes are checked with the platform's own hashlib over the files' bytes, and over words written out by hand.
Commands, keys and exit codes are the project's own; no outside source.
"""

from __future__ import annotations

import hashlib
import json
import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import clearance
from clearance import cli
from clearance.checking.result import Result
from tests.results_by_hand import a_pair, a_result
from tests.setup_writer import PROGRAM, machine, setup, write

#: the words of ``PROGRAM``, a block a line
WORDS = "G90 G71\nG00 X0. Y0.\nM71 G01 X10.\nY5.\nM30"
NC = {"cuts__0__path": "program.nc"}
#: the rail stands 5 mm beside the lower head: nearer than this margin; and wider, so that the head is in it
CLOSE = {**NC, "margins": {"holder": {"side": 6.5}}}
CLASH = {**NC, "items__0__shape__box": [300, 70, 25]}


def sha256(data: bytes | str) -> str:
    return hashlib.sha256(data.encode() if isinstance(data, str) else data).hexdigest()


def approve(
    folder: Path, *more: str, tables: dict[str, Any] | None = None, bench: dict[str, Any] | None = None
) -> int:
    """Run ``approve`` on a setup written into the folder; the record is r.json there."""
    file = write(folder, setup(**(NC if tables is None else tables)), bench)
    return cli.run(["approve", str(file), "-o", str(folder / "r.json"), *more])


def record(folder: Path) -> dict[str, Any]:
    content: dict[str, Any] = json.loads((folder / "r.json").read_text())
    return content


def test_the_record_of_a_clear_setup(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert approve(tmp_path, "--by", "Second shift") == 0
    out, err = capsys.readouterr()
    assert out.startswith("CLEAR:")
    assert "\nAPPROVED. " in out
    assert err == ""
    kept = record(tmp_path)
    assert (kept["schema"], kept["record"], kept["verdict"]) == (2, "approval", "clear")
    assert (kept["tool"]["name"], kept["tool"]["version"]) == ("clearance", clearance.__version__)
    assert kept["approved"].pop("when")[10] == "T"
    assert kept["approved"] == {"by": "Second shift", "draft": False, "overridden": False, "reason": None}
    assert (kept["setup"], kept["folder"]) == ("setup.toml", ".")
    assert {each["file"]: each["sha256"] for each in kept["inputs"]} == {
        name: sha256((tmp_path / name).read_bytes())
        for name in ("setup.toml", "ours.toml", "die.stl", "stop.stl", "program.nc")
    }
    assert [each["kind"] for each in kept["inputs"]] == ["setup", "machine", "model", "model", "program"]
    assert kept["inputs"][4]["words_sha256"] == sha256(WORDS)
    # 0.2 of flushing less the part's margin of 0.05
    assert kept["least"]["spare"] == pytest.approx(0.15, abs=0.005)
    assert (kept["least"]["head"], kept["least"]["item"]) == ("upper", "die plate")
    assert kept["margins"]["wire"] == {"side": 0.5}
    assert kept["margins"]["laid"] == {"side": 3.0, "height": 0.5}
    assert [cut["name"] for cut in kept["cuts"]] == ["opening"]
    assert {each["severity"] for each in kept["findings"]} == {"note"}


def test_lengths_in_a_record_are_mm(tmp_path: Path) -> None:
    """An inch is 25.4 mm exactly (ISO 80000-3); the part stands free, on the table, at X 3 Y 3 inch."""
    inch = {
        "units": "inch",
        "heads__flushing_distance": 0.02,
        "margins": {"holder": {"side": 0.1, "height": 0.01}},
        "items": [{"name": "die", "part": "die.stl", "units": "mm", "at": [3, 3, 0]}],
        "cuts": [{"name": "c", "part": "die", "path": "program.nc", "zero": [1, 1, 0]}],
    }
    assert approve(tmp_path, tables=inch) == 0
    kept = record(tmp_path)
    assert kept["margins"]["holder"] == {"side": pytest.approx(2.54), "height": pytest.approx(0.254)}
    # the lower face is 0.4 under Z = 0, the upper one 0.508 over the part: less the margin's 0.05
    assert kept["least"]["spare"] == pytest.approx(0.4 - 0.05, abs=0.005)


@pytest.mark.parametrize(("tables", "verdict"), [(CLOSE, "close"), (CLASH, "clash")])
def test_what_is_not_clear_is_not_approved(
    tables: dict[str, Any], verdict: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert approve(tmp_path, "--by", "Second shift", tables=tables) == 1
    out, err = capsys.readouterr()
    assert out.startswith(verdict.upper())
    assert err.startswith(f"error: not approved, nothing is written: the verdict is {verdict}")
    assert err.count("\n") == 1
    assert not (tmp_path / "r.json").exists()


def test_close_is_overridden_by_a_name_and_a_reason(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert approve(tmp_path, "--by", "Foreman", "--override", "feeler 6.1 went in", tables=CLOSE) == 0
    assert "APPROVED by Foreman ALTHOUGH the verdict is CLOSE" in capsys.readouterr().out
    kept = record(tmp_path)
    assert kept["verdict"] == "close"
    assert kept["approved"]["overridden"] is True
    assert kept["approved"]["reason"] == "feeler 6.1 went in"
    assert kept["least"]["spare"] < 0


def test_a_clash_is_never_overridden(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code = approve(tmp_path, "--by", "Foreman", "--override", "in a hurry", "--draft", tables=CLASH)
    assert code == 1
    assert "which nobody can override" in capsys.readouterr().err
    assert not (tmp_path / "r.json").exists()


@pytest.mark.parametrize(("verdict", "code"), [("undecided", 3), ("clash", 1), ("close", 1), ("", 3)])
def test_only_clear_is_clear(
    verdict: str, code: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Overridden or not; nor does a verdict that does not exist write anything."""
    answered = a_result(a_pair(), verdict=verdict or "cleared")
    monkeypatch.setattr(clearance, "check", lambda scene, **_: answered)
    reason = [] if verdict == "close" else ["--by", "Foreman", "--override", "in a hurry"]
    assert approve(tmp_path, *reason) == code
    assert not (tmp_path / "r.json").exists()


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--override", "went in"], "--override: goes with a name; say --by NAME"),
        (["--override", " ", "--by", "Foreman"], "--override: says nothing"),
        (["--override", "went in", "--by", " - "], "--by: says nothing"),
        (["--by", ""], "--by: says nothing"),
    ],
)
def test_a_name_and_a_reason_say_something(
    options: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert approve(tmp_path, *options) == 2
    assert said in capsys.readouterr().err
    assert not (tmp_path / "r.json").exists()


# ------------------------------------------------------------------------------------- which files it takes
def dxf(*lines: tuple[float, float, float, float]) -> str:
    """A drawing of a thread point and lines, in mm (ASCII DXF, group codes of its published reference)."""
    rows = [0, "SECTION", 2, "HEADER", 9, "$INSUNITS", 70, 4, 0, "ENDSEC", 0, "SECTION", 2, "ENTITIES"]
    rows += [0, "POINT", 8, 0, 10, 5.0, 20, 5.0]
    for x1, y1, x2, y2 in lines:
        rows += [0, "LINE", 8, 0, 10, x1, 20, y1, 11, x2, 21, y2]
    return "\n".join(map(str, [*rows, 0, "ENDSEC", 0, "EOF", ""]))


@pytest.mark.few(1)
@pytest.mark.parametrize(("path", "kind"), [("opening.csv", "table"), ("opening.dxf", "drawing")])
def test_only_the_program_that_will_run_is_approved(
    path: str, kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "opening.dxf").write_text(dxf((0, 0, 10, 0), (10, 0, 10, 10), (10, 10, 0, 0)))
    tables = {"cuts__0__path": path}
    assert approve(tmp_path, tables=tables) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert f'cuts[1].path "opening": "{path}" is a {kind}, not the NC program that will run' in err
    assert not (tmp_path / "r.json").exists()

    assert approve(tmp_path, "--draft", tables=tables) == 0
    assert "\nDRAFT, not approved to run. " in capsys.readouterr().out
    kept = record(tmp_path)
    assert kept["approved"]["draft"] is True
    assert [each["kind"] for each in kept["inputs"]][-1] == kind
    assert "words_sha256" not in kept["inputs"][-1]


def test_a_table_under_a_programs_name_is_a_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Though it begins with more blank lines than anyone looks at."""
    file = write(tmp_path, setup(**NC))
    (tmp_path / "program.nc").write_text("\n" * 9000 + "x,y\n0,0\n10,0\n")
    assert cli.run(["approve", str(file), "-o", str(tmp_path / "r.json")]) == 2
    assert "is a table" in capsys.readouterr().err


def test_a_program_in_parts_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The moves of a program that calls another are not all there, so nothing of it can be approved."""
    file = write(tmp_path, setup(**NC))
    (tmp_path / "program.nc").write_text(PROGRAM.replace("Y5.", "M98 P7\nY5."))
    assert cli.run(["approve", str(file), "-o", str(tmp_path / "r.json")]) == 2
    assert "program.nc: line 4: M98 leads to another program" in capsys.readouterr().err
    assert not (tmp_path / "r.json").exists()


def test_several_cuts_and_one_file_under_two_names(tmp_path: Path) -> None:
    names = {"one": "program.nc", "two": "./program.nc", "three": "sub/third.nc", "four": "program.nc"}
    (tmp_path / "sub").mkdir()
    (tmp_path / "sub" / "third.nc").write_text(PROGRAM.replace("Y5.", "Y6."))
    cuts = [
        {"name": name, "path": path, "part": "die plate", "zero": [40 + 20 * k, 60, 3]}
        for k, (name, path) in enumerate(names.items())
    ]
    assert approve(tmp_path, tables={"cuts": cuts}, bench=machine(codes__end_cuts=True)) == 0
    programs = [each for each in record(tmp_path)["inputs"] if each["kind"] == "program"]
    assert [each["file"] for each in programs] == ["program.nc", "./program.nc", "sub/third.nc"]
    words = [each["words_sha256"] for each in programs]
    assert words == [sha256(WORDS), sha256(WORDS), sha256(WORDS.replace("Y5.", "Y6."))]


# -------------------------------------------------------------------------------------- where it is written
@pytest.mark.parametrize("name", ["setup.toml", "program.nc", "r.txt", "-", "gone/r.json", "notes.json", ""])
def test_where_no_record_goes(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = write(tmp_path, setup(**NC))
    (tmp_path / "notes.json").write_text('{"schema": 1, "pairs": []}\n')
    before = {f: f.read_bytes() for f in tmp_path.iterdir()}
    target = name if name in ("-", "") else str(tmp_path / name)
    assert cli.run(["approve", str(file), "-o", target]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert {f: f.read_bytes() for f in tmp_path.iterdir()} == before


@pytest.mark.skipif(sys.platform == "win32", reason="Windows wants rights for symbolic links")
def test_no_record_in_place_of_an_input_whose_name_it_has(tmp_path: Path) -> None:
    """A model or program may be named .json, or be reached by a link of that name."""
    file = write(tmp_path, setup(cuts__0__path="program.json"))
    (tmp_path / "program.json").write_text(PROGRAM)
    os.symlink(tmp_path / "program.json", tmp_path / "link.json")
    for name in ("program.json", "link.json"):
        assert cli.run(["approve", str(file), "-o", str(tmp_path / name)]) == 2
    assert (tmp_path / "program.json").read_text() == PROGRAM


def test_an_earlier_record_is_replaced_and_stays_where_nothing_is_approved(tmp_path: Path) -> None:
    assert approve(tmp_path, "--by", "One") == 0
    assert approve(tmp_path, "--by", "Two") == 0
    assert record(tmp_path)["approved"]["by"] == "Two"
    assert approve(tmp_path, "--by", "Three", tables=CLASH) == 1
    assert record(tmp_path)["approved"]["by"] == "Two"
    assert [f.name for f in tmp_path.iterdir() if f.name.startswith(".")] == []


@pytest.mark.few(2)
@pytest.mark.parametrize(
    "change",
    [
        lambda folder: (folder / "program.nc").write_text(PROGRAM + "\n"),
        lambda folder: (folder / "ours.toml").write_text("name = 'x'\n"),
        lambda folder: (folder / "setup.toml").write_text("title = 'x'\n"),
        lambda folder: (folder / "die.stl").unlink(),
    ],
)
def test_what_changes_during_the_check_is_not_approved(
    change: Callable[[Path], object],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    check = clearance.check

    def slow(scene: Any, **options: Any) -> Result:
        result: Result = check(scene, **options)
        change(tmp_path)
        return result

    monkeypatch.setattr(clearance, "check", slow)
    assert approve(tmp_path) == 2
    assert "approve once more" in capsys.readouterr().err
    assert not (tmp_path / "r.json").exists()


def test_who_approves_is_the_user_of_the_computer_unless_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("LOGNAME", "second_shift")
    assert approve(tmp_path) == 0
    assert record(tmp_path)["approved"]["by"] == "second_shift"


def test_a_name_by_its_whole_path_is_told_of(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tables = {"cuts__0__path": str(tmp_path / "program.nc")}
    assert approve(tmp_path, tables=tables) == 0
    assert "is named by its whole path: on another computer" in capsys.readouterr().out
    assert record(tmp_path)["inputs"][-1]["file"] == str(tmp_path / "program.nc")
