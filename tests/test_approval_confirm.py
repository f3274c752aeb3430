"""``confirm``: any change of an input is seen and named, no other is; wherever the files have gone together.

That the words of a program are what counts is in test_paths_fingerprint.py. No outside source.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance import cli
from clearance.files import shipped_machine
from clearance.report import approval_confirm
from clearance.report.approval_record import checksum, read_record
from tests.setup_writer import PROGRAM, Tables, machine, setup, write

LINUX = pytest.mark.skipif(
    sys.platform == "win32", reason="Windows has no such files, or wants rights for them"
)
FILES = ("setup.toml", "ours.toml", "die.stl", "stop.stl", "program.nc")


def job(
    folder: Path, record: str | Path = "r.json", *more: str, bench: Tables | None = None, **tables: Any
) -> Path:
    """A folder with an approved setup; returns the record. Tables are changed by path, as in setup_writer."""
    folder.mkdir(exist_ok=True)
    file = write(folder, setup(**{"cuts__0__path": "program.nc", **tables}), bench)
    assert cli.run(["approve", str(file), "-o", str(folder / record), "--by", "First shift", *more]) == 0
    return folder / record


@pytest.fixture(scope="module")
def approved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of an approved setup; a test that changes it takes a copy."""
    return job(tmp_path_factory.mktemp("approved") / "job").parent


@pytest.fixture
def folder(approved: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """A copy of the approved folder somewhere else: files moved together stay unchanged."""
    shutil.copytree(approved, tmp_path / "moved")
    capsys.readouterr()
    return tmp_path / "moved"


def confirm(record: Path, *more: str) -> int:
    return cli.run(["confirm", str(record), *more])


def test_files_that_moved_together_are_unchanged(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert confirm(folder / "r.json") == 0
    out, err = capsys.readouterr()
    assert out.startswith(
        'UNCHANGED: all 5 inputs of "Side-plate die, first opening" are as approved by First'
    )
    assert "The verdict was clear; least to spare 0.15 mm, the upper head" in " ".join(out.split())
    assert err == ""


@pytest.mark.parametrize("name", FILES)
@pytest.mark.parametrize("how", ["changed", "missing", "unreadable"])
def test_what_is_not_as_it_was_is_named(
    name: str, how: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = folder / name
    if how == "changed":
        file.write_bytes(file.read_bytes() + b"\n1")
    else:
        file.unlink()
    if how == "unreadable":
        file.mkdir()
    assert confirm(folder / "r.json") == 1
    out, err = capsys.readouterr()
    assert out.startswith("CHANGED: 1 of the 5 inputs")
    assert "UNCHANGED" not in out
    told = re.findall(r'^  (\w+): "([^"]*)"', out, re.MULTILINE)
    assert told == [(how, name)]
    assert err == ""


def test_several_changes_are_all_named(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "program.nc").write_text(PROGRAM.replace("X10.", "X10.1"))
    (folder / "ours.toml").unlink()
    assert confirm(folder / "r.json") == 1
    out = capsys.readouterr().out
    assert out.startswith("CHANGED: 2 of the 5 inputs")
    assert f'missing: "ours.toml"; it was looked for at {folder / "ours.toml"}' in " ".join(out.split())
    assert 'changed: "program.nc"' in out


def test_a_program_written_otherwise_is_unchanged_and_a_note(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "program.nc").write_text("%\n" + PROGRAM.replace("\n", " (as sent)\r\n").lower())
    assert confirm(folder / "r.json") == 0
    out = capsys.readouterr().out
    assert out.startswith("UNCHANGED")
    assert 'note: "program.nc": the same words, otherwise written' in out


@pytest.mark.parametrize("data", [b"", b"\0", b"\xff\xfeG", b"0\nSECTION\n", b"x,y\n0,0\n1,1\n"])
def test_a_program_that_is_none_any_more_is_changed(data: bytes, folder: Path) -> None:
    (folder / "program.nc").write_bytes(data)
    assert confirm(folder / "r.json") == 1


@LINUX
def test_what_is_no_file_is_not_waited_for(folder: Path) -> None:
    (folder / "program.nc").unlink()
    os.mkfifo(folder / "program.nc")
    assert confirm(folder / "r.json") == 1


def test_a_setup_written_otherwise_is_changed(folder: Path) -> None:
    """Of a setup each byte counts: nobody rewrites it on the way to the machine."""
    setup_file = folder / "setup.toml"
    setup_file.write_bytes(setup_file.read_bytes().replace(b"\n", b"\r\n"))
    assert confirm(folder / "r.json") == 1


numbers = st.integers(-10_000, 10_000).map(lambda n: f"{n / 100}")


@settings(max_examples=100, deadline=None)
@given(st.sampled_from(["setup.toml", "ours.toml", "program.nc"]), st.data())
def test_any_number_changed_is_seen(approved: Path, name: str, data: st.DataObject) -> None:
    content = read_record(approved / "r.json")
    text = (approved / name).read_text()
    spot = data.draw(st.sampled_from(list(re.finditer(r"-?[0-9]+(\.[0-9]*)?", text))))
    new = data.draw(numbers.filter(lambda n: n != spot[0]))
    other = approved / "other"
    other.mkdir(exist_ok=True)
    for each in FILES:
        shutil.copyfile(approved / each, other / each)
    (other / name).write_text(text[: spot.start()] + new + text[spot.end() :])
    found = approval_confirm.compare(content, str(approved / "r.json"), str(other))
    assert [each.name for each in found if not each.same] == [name]


# ------------------------------------------------------------------------------------------- where files are
def test_a_record_kept_elsewhere(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The record in a folder of records, the job in another; then both move, each for itself."""
    (tmp_path / "records").mkdir()
    record = job(tmp_path / "job", tmp_path / "records" / "r.json")
    assert json.loads(record.read_text())["folder"] == "../job"
    assert confirm(record) == 0
    shutil.move(tmp_path / "job", tmp_path / "at the machine")
    capsys.readouterr()
    assert confirm(record) == 1
    out = capsys.readouterr().out
    assert out.count("missing: ") == 5
    assert "say where the setup file is now, by --files FOLDER" in " ".join(out.split())
    assert confirm(record, "--files", str(tmp_path / "at the machine")) == 0
    assert confirm(record, "--files", str(tmp_path / "records")) == 1
    capsys.readouterr()
    assert confirm(record, "--files", str(tmp_path / "job")) == 2
    assert capsys.readouterr().err.startswith("error: --files: there is no folder")


def test_files_outside_the_setups_folder_move_along(tmp_path: Path) -> None:
    (tmp_path / "shop" / "programs").mkdir(parents=True)
    (tmp_path / "shop" / "programs" / "p.nc").write_text(PROGRAM)
    job(tmp_path / "shop" / "job", cuts__0__path="../programs/p.nc")
    shutil.move(tmp_path / "shop", tmp_path / "stick")
    assert confirm(tmp_path / "stick" / "job" / "r.json") == 0
    (tmp_path / "stick" / "programs" / "p.nc").write_text(PROGRAM.replace("Y5.", "Y5.1"))
    assert confirm(tmp_path / "stick" / "job" / "r.json") == 1


def test_a_whole_path_stays_where_it_is(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """As the setup itself would look for it there."""
    (tmp_path / "p.nc").write_text(PROGRAM)
    job(tmp_path / "job", cuts__0__path=str(tmp_path / "p.nc"))
    shutil.move(tmp_path / "job", tmp_path / "moved")
    assert confirm(tmp_path / "moved" / "r.json") == 0
    (tmp_path / "p.nc").unlink()
    (tmp_path / "moved" / "p.nc").write_text(PROGRAM)
    capsys.readouterr()
    assert confirm(tmp_path / "moved" / "r.json") == 1
    assert f'missing: "{tmp_path / "p.nc"}"' in " ".join(capsys.readouterr().out.split())


@LINUX
def test_symbolic_links(tmp_path: Path) -> None:
    """The content behind a link is what counts; a link to the folder or the record is as good as itself."""
    job(tmp_path / "job")
    os.symlink(tmp_path / "job", tmp_path / "link")
    (tmp_path / "records").mkdir()
    os.symlink(tmp_path / "job" / "r.json", tmp_path / "records" / "r.json")
    assert confirm(tmp_path / "link" / "r.json") == 0
    assert confirm(tmp_path / "records" / "r.json") == 0

    setup_file = tmp_path / "link" / "setup.toml"
    assert cli.run(["approve", str(setup_file), "-o", str(tmp_path / "records" / "two.json")]) == 0
    os.unlink(tmp_path / "link")
    assert confirm(tmp_path / "records" / "two.json") == 0

    program = tmp_path / "job" / "program.nc"
    program.rename(tmp_path / "real.nc")
    os.symlink(tmp_path / "real.nc", program)
    assert confirm(tmp_path / "records" / "r.json") == 0
    (tmp_path / "real.nc").write_text(PROGRAM + "G00 X1.\n")
    assert confirm(tmp_path / "records" / "r.json") == 1
    program.unlink()
    os.symlink(tmp_path / "gone.nc", program)
    assert confirm(tmp_path / "records" / "r.json") == 1


def test_from_the_folder_itself_and_by_the_shortest_names(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    assert cli.run(["approve", "setup.toml", "-o", "new.json"]) == 0
    assert json.loads(Path("new.json").read_text())["folder"] == "."
    assert cli.run(["confirm", "new.json"]) == 0
    assert cli.run(["confirm", "new.json", "--files", "."]) == 0


def test_one_file_under_two_names(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    cut = {"part": "die plate"}
    places = (("program.nc", [70, 60, 3]), ("./program.nc", [70, 75, 3]))
    cuts = [{"name": p, "path": p, "zero": zero, **cut} for p, zero in places]
    # the program leaves the wire in; a travel between the two would drag it through the plate
    bench = machine(codes__end_cuts=True)
    record = job(tmp_path / "job", bench=bench, cuts=cuts)
    (tmp_path / "job" / "program.nc").write_text(PROGRAM.replace("Y5.", "Y6."))
    capsys.readouterr()
    assert confirm(record) == 1
    assert capsys.readouterr().out.startswith("CHANGED: 2 of the 6 inputs")


def test_a_machine_that_ships_is_compared_with_the_one_that_ships_now(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    record = job(
        tmp_path / "job", machine={"use": "mid_size"}, heads__flushing_distance=2.0,
        items__0__at=[150, 60, 0], items__0__shape__box=[300, 40, 5],
    )  # fmt: skip
    assert confirm(record) == 0
    other = tmp_path / "mid_size.toml"
    other.write_bytes(shipped_machine("mid_size").read_bytes() + b"\n")
    monkeypatch.setattr(approval_confirm, "shipped_machine", lambda name: other)
    capsys.readouterr()
    assert confirm(record) == 1
    assert 'changed: "mid_size.toml (ships with the tool)"' in capsys.readouterr().out


@pytest.mark.parametrize("name", ["../machines/mid_size", "", "gone", "/etc/passwd"])
def test_no_other_file_is_a_machine_that_ships(name: str) -> None:
    assert not shipped_machine(name).exists()


# -------------------------------------------------------------------------------------- what is said loudly
def test_a_draft_says_so_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record = job(tmp_path / "job", "r.json", "--draft", cuts__0__path="opening.csv")
    capsys.readouterr()
    assert confirm(record) == 0
    out = capsys.readouterr().out
    assert out.startswith("DRAFT: this record approves no run.")
    assert "approved by" not in out
    (tmp_path / "job" / "opening.csv").write_text("x,y\r\n0,0\r\n10,0\r\n10,5\r\n")
    assert confirm(record) == 1, "of a table each byte counts"


def test_an_overridden_verdict_says_so_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record = job(tmp_path / "job", "r.json", "--override", 'a "feeler"\n6.1', margins__holder={"side": 6.5})
    capsys.readouterr()
    assert confirm(record) == 0
    out = capsys.readouterr().out
    assert out.startswith(
        "OVERRIDDEN: the verdict was CLOSE, not clear. First shift approved it all the same: "
    )
    assert "The verdict was close; least to spare -1.5" in " ".join(out.split())


def test_the_answer_as_data(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "die.stl").unlink()
    assert confirm(folder / "r.json", "--json", "-") == 1
    out, err = capsys.readouterr()
    answer = json.loads(out)
    assert (answer["unchanged"], answer["draft"], answer["overridden"]) == (False, False, False)
    assert {each["file"]: each["state"] for each in answer["inputs"]} == {
        **dict.fromkeys(FILES, "unchanged"), "die.stl": "missing",
    }  # fmt: skip
    assert err == ""
    for target in ("r.json", "program.nc"):
        before = (folder / target).read_bytes()
        assert confirm(folder / "r.json", "--json", str(folder / target)) == 2
        assert (folder / target).read_bytes() == before


# ------------------------------------------------------------------------------------ a record that is none
def edited(folder: Path, edit: Callable[[dict[str, Any]], object], seal: bool = False) -> Path:
    record = folder / "r.json"
    content = json.loads(record.read_text())
    edit(content)
    if seal:
        content["checksum"] = checksum(content)
    record.write_text(json.dumps(content, indent=1))
    return record


def test_set_out_otherwise_a_record_is_the_same(folder: Path) -> None:
    record = edited(folder, lambda content: None)
    assert confirm(record) == 0
    content = json.loads(record.read_text())
    record.write_text(json.dumps(dict(reversed(content.items())), separators=(",", ":")))
    assert confirm(record) == 0


@settings(max_examples=60, deadline=None)
@given(st.data())
@pytest.mark.slow
def test_any_edit_of_a_record_is_seen(approved: Path, data: st.DataObject) -> None:
    """Each number, word and truth value in it, wherever it stands."""
    content = json.loads((approved / "r.json").read_text())
    node: Any = content
    while True:
        key = data.draw(st.sampled_from(list(node) if isinstance(node, dict) else list(range(len(node)))))
        if not isinstance(node[key], dict | list) or not node[key]:
            break
        node = node[key]
    old = node[key]
    node[key] = data.draw(
        st.one_of(st.booleans(), st.floats(-9, 9), st.integers(0, 3), st.text(max_size=3), st.none()).filter(
            lambda new: json.dumps(new) != json.dumps(old)
        )
    )
    other = approved / "edited.json"
    other.write_text(json.dumps(content))
    assert cli.run(["confirm", str(other)]) == 2


BROKEN: dict[str, Callable[[dict[str, Any]], object]] = {
    "record": lambda c: c.update(record="other"),
    "schema": lambda c: c.update(schema=3),
    "earlier": lambda c: c.update(schema=1),
    "no values": lambda c: c.pop("values"),
    "a body": lambda c: c["values"]["bodies"].update({"die plate": 7}),
    "a pose": lambda c: c["values"]["bodies"]["die plate"].update(stands=[1, 2]),
    "a way": lambda c: c["values"]["ways"][0].pop("sha256"),
    "no libraries": lambda c: c["tool"].pop("libraries"),
    "later": lambda c: c.update(schema="x" * 900),
    "inputs": lambda c: c.update(inputs=[]),
    "an input": lambda c: c.update(inputs=[7]),
    "no hash": lambda c: c["inputs"][0].pop("sha256"),
    "no words": lambda c: c["inputs"][4].pop("words_sha256"),
    "no folder": lambda c: c.pop("folder"),
    "least": lambda c: c.update(least={"head": "lower"}),
    "approved": lambda c: c["approved"].update(draft="no"),
    "version": lambda c: c.update(tool={"version": 1}),
}


@pytest.mark.parametrize("what", BROKEN)
def test_a_record_of_another_shape_is_a_wrong_file(
    what: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Though its checksum fits."""
    assert confirm(edited(folder, BROKEN[what], seal=True)) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert len(err) < 500


@pytest.mark.parametrize(
    "data",
    [
        b"", b"{", b"[]", b"7", b"null", b"\xff\xfe", b"{" * 100_000, b"[" * 100_000, b'{"schema": NaN}',
        b'{"record": "approval", "record": "approval", "schema": 1}', b'{"schema": 1, "pairs": []}',
        b'{"record": "approval", "schema": 1, "checksum": "x"}', b"9" * 5000, b"solid x", b"\0",
    ],
)  # fmt: skip
def test_what_is_no_record(data: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "r.json").write_bytes(data)
    assert confirm(tmp_path / "r.json") == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert str(tmp_path / "r.json") in err


def test_no_record_at_all(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert confirm(tmp_path / "gone.json") == 2
    assert confirm(tmp_path) == 2
    assert cli.run(["confirm", "a\0b"]) == 2
    assert capsys.readouterr().err.count("\n") == 3


def test_a_figure_that_is_no_length_is_answered_all_the_same(folder: Path) -> None:
    assert confirm(edited(folder, lambda c: c["least"].update(spare=1e300), seal=True)) == 0
    data = (folder / "r.json").read_bytes().replace(b"1e+300", b"1e999")
    (folder / "r.json").write_bytes(data)
    assert confirm(folder / "r.json") == 2, "JSON has no such number"


def test_names_that_steer_a_terminal_are_shown_plain(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    record = edited(folder, lambda c: c.update(title="\x1b[2Jdie", verdict="cl\x1bear"), seal=True)
    assert confirm(record) == 0
    assert "\x1b" not in capsys.readouterr().out


# -------------------------------------------------------------------------------------------------- how quick
def test_at_the_machine_it_answers_within_a_second(folder: Path) -> None:
    """Process time, which other work on the computer does not stretch; and none of the heavy libraries."""
    (folder / "program.nc").write_text(PROGRAM + "\n")
    code = (
        "import sys; from clearance.cli import run; code = run(sys.argv[1:]);"
        "heavy = {'numpy', 'fcl', 'trimesh', 'pyvista', 'pydantic', 'shapely', 'ezdxf'} & set(sys.modules);"
        "sys.exit(code if not heavy else 'imports ' + ', '.join(heavy))"
    )
    before = os.times()
    done = subprocess.run(
        [sys.executable, "-c", code, "confirm", str(folder / "r.json")], capture_output=True, text=True
    )
    after = os.times()
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("UNCHANGED")
    assert sum(after[2:4]) - sum(before[2:4]) < 1.0  # of child processes, user and system
