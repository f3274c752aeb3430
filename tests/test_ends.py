"""How a command ends where something is in its way: no standard output, no room, names as long as they may
be, what is no file. One message and exit code 2, and what was asked for in files is written.

Exit codes and messages are the project's own. POSIX.1-2017: 255 bytes is NAME_MAX of the usual file systems;
RLIMIT_FSIZE, <sys/resource.h>; a pipe without a reader, write(), EPIPE.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from clearance import cli, ending, files
from tests.test_cli_bad_input import MACHINE, PROGRAM, SETUP, plate

CODE = "from clearance.__main__ import main; main()"
posix = pytest.mark.skipif(sys.platform == "win32", reason="as POSIX has it")


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a setup that is clear."""
    folder = tmp_path / "job"
    folder.mkdir()
    monkeypatch.chdir(folder)
    (folder / "setup.toml").write_text(SETUP)
    (folder / "machine.toml").write_text(MACHINE)
    (folder / "opening.nc").write_text(PROGRAM)
    (folder / "plate.stl").write_bytes(plate())
    return folder


def shell(line: str, **options: object) -> subprocess.CompletedProcess[str]:
    """Run a line by the shell, in which ``$CLEARANCE`` is the command."""
    command = f"{sys.executable} -P -c '{CODE}'"
    return subprocess.run(  # type: ignore[call-overload]
        ["bash", "-c", line.replace("$CLEARANCE", command)],
        capture_output=True, text=True, timeout=120, check=False, **options,
    )  # fmt: skip


def one_message(done: subprocess.CompletedProcess[str]) -> str:
    assert "Traceback" not in done.stderr
    assert "defect" not in done.stderr
    assert done.stderr.startswith("error: ")
    assert done.stderr.count("\n") == 1, done.stderr
    return done.stderr


# ------------------------------------------------------------------------------------------ standard output
COMMANDS = {
    "help": "--help",
    "version": "--version",
    "check": "check setup.toml --json r.json",
    "json": "check setup.toml --json -",
    "raise": "raise setup.toml --json r.json",
    "placement": "placement setup.toml --json r.json",
    "keepout": "keepout setup.toml -o k.svg --json r.json",
    "approve": "approve setup.toml -o r.json --by me",
    "new": "new plate.stl opening.nc -o n.toml",
    "holders": "holders rail --json r.json && $CLEARANCE holders rail",
    "sheet": "sheet setup.toml -o s.html",
}
QUICK = ("check",)


@pytest.mark.few(1)
@posix
@pytest.mark.parametrize(
    "name", [n if n in QUICK else pytest.param(n, marks=pytest.mark.slow) for n in COMMANDS]
)
@pytest.mark.parametrize("how", ["closed", "no reader", "full"])
def test_an_answer_that_nobody_can_read_is_no_verdict(job: Path, name: str, how: str) -> None:
    if how == "full" and not os.path.exists("/dev/full"):
        pytest.skip("this system has no /dev/full")
    end = {"closed": ">&-", "full": "> /dev/full", "no reader": "| (exec <&-; true)"}[how]
    # the reader has gone for certain before anything is written
    line = f"set -o pipefail; (sleep 0.3; $CLEARANCE {COMMANDS[name]}) {end}"
    done = shell(line)
    said = one_message(done)
    assert "standard output" in said
    assert done.returncode == 2
    for word in COMMANDS[name].split():
        if word in ("r.json", "k.svg", "n.toml", "s.html"):
            assert (job / word).stat().st_size > 100, "files that were asked for are written all the same"
            if "&&" not in COMMANDS[name]:
                assert word in said
    if name == "check":
        assert json.loads((job / "r.json").read_text())["verdict"] == "clear"


@posix
def test_closed_streams_are_not_given_to_the_next_file(job: Path) -> None:
    """A file that is opened where descriptor 1 or 2 is closed would get what is printed there."""
    done = shell("$CLEARANCE check setup.toml --json r.json <&- >&- 2>&-")
    assert done.returncode == 2
    assert json.loads((job / "r.json").read_text())["verdict"] == "clear"


@posix
def test_an_error_keeps_its_code_where_there_is_no_standard_output(job: Path) -> None:
    done = shell("$CLEARANCE check nothing.toml >&-")
    assert done.returncode == 2
    assert "nothing.toml" in one_message(done)


# ------------------------------------------------------------------------------------------------ no room
@posix
@pytest.mark.draws
@pytest.mark.slow
def test_nothing_needs_a_folder_for_temporary_files(job: Path) -> None:
    for line in (
        "check setup.toml --picture p.png",
        "sheet setup.toml -o s.html",
        "holders rail --picture h.png",
        "new plate.stl opening.nc -o n.toml",
    ):
        done = shell(
            f"$CLEARANCE {line}", env={**os.environ, "TMPDIR": "/nowhere/at/all", "HOME": "/nowhere"}
        )
        assert (done.returncode, done.stderr) == (0, "")
    assert {"p.png", "s.html", "h.png", "n.toml"} <= set(os.listdir(job))


@pytest.mark.few(1)
@posix
@pytest.mark.parametrize(
    "line",
    [
        "check setup.toml --json r.json",
        "keepout setup.toml -o k.svg",
        pytest.param("sheet setup.toml -o s.html", marks=pytest.mark.slow),
        pytest.param("picture setup.toml -o p.png", marks=[pytest.mark.slow, pytest.mark.draws]),
        pytest.param("approve setup.toml -o a.json --by me", marks=pytest.mark.slow),
        pytest.param("new plate.stl opening.nc -o n.toml", marks=pytest.mark.slow),
    ],
)
def test_a_limit_of_file_sizes_leaves_nothing_half_written(job: Path, line: str) -> None:
    before = sorted(os.listdir(job))
    done = shell(f"ulimit -f 1; $CLEARANCE {line}", env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"})
    assert done.returncode == 2
    assert "cannot be written" in one_message(done)
    assert sorted(os.listdir(job)) == before


@posix
@pytest.mark.draws
@pytest.mark.slow
def test_names_as_long_as_they_may_be(job: Path) -> None:
    for stem, words in {
        ".png": "picture setup.toml -o", ".html": "sheet setup.toml -o", ".json": "check setup.toml --json",
        ".toml": "new plate.stl opening.nc -o", ".svg": "keepout setup.toml -o",
    }.items():  # fmt: skip
        name = "ü" * ((255 - len(stem)) // 2) + stem
        done = shell(f"$CLEARANCE {words} {name}")
        assert (done.returncode, done.stderr) == (0, "")
        assert (job / name).stat().st_size > 100
        done = shell(f"$CLEARANCE {words} {'x' * 256}{stem}")
        assert done.returncode == 2
        assert "too long" in one_message(done)


def test_a_long_name_is_written_whole(tmp_path: Path) -> None:
    target = tmp_path / ("ü" * 120 + ".json")
    files.write_whole(target, b"{}")
    assert os.listdir(tmp_path) == [target.name]


def test_what_a_killed_run_left_is_cleared_away(tmp_path: Path) -> None:
    old, new, other = Path(files.part_name(tmp_path)), Path(files.part_name(tmp_path)), tmp_path / "x.part"
    for file in (old, new, other):
        file.write_text("half")
    for file in (old, other):
        os.utime(file, (time.time() - 7200.0,) * 2)
    files.write_whole(tmp_path / "r.json", b"{}")
    assert {f.name for f in tmp_path.iterdir()} == {new.name, "x.part", "r.json"}, (
        "who writes now is left alone"
    )


# ------------------------------------------------------------------------------------------ what is no file
@posix
@pytest.mark.parametrize("what", ["pipe", "/dev/zero", "/dev/null", "/dev/tty", "folder"])
def test_what_is_no_file_is_said_at_once(job: Path, what: str, capsys: pytest.CaptureFixture[str]) -> None:
    os.mkfifo(job / "pipe")
    (job / "folder").mkdir()
    kind = {"pipe": "a named pipe", "folder": "a folder"}.get(what, "a device")
    began = time.monotonic()
    for name in ("setup.toml", "machine.toml", "opening.nc", "plate.stl"):
        kept = job / f"{name}.kept"
        (job / name).rename(kept)
        (job / name).symlink_to(what)
        assert cli.run(["check", "setup.toml"]) == 2
        err = capsys.readouterr().err
        assert name in err
        assert f"is {kind}" in err
        assert err.count("\n") == 1
        (job / name).unlink()
        kept.rename(job / name)
    for words in (
        ["confirm", what], ["new", what, "opening.nc", "-o", "-"], ["new", "plate.stl", what, "-o", "-"],
        ["new", "plate.stl", "opening.nc", "--machine", what, "-o", "-"],
    ):  # fmt: skip
        assert cli.run(words) == 2
        err = capsys.readouterr().err
        assert f"is {kind}" in err
        assert err.count("\n") == 1
    assert time.monotonic() - began < 30.0


# ---------------------------------------------------------------------------------------- two at one output
@posix
@pytest.mark.slow
def test_two_runs_on_one_output_leave_one_whole_file(job: Path) -> None:
    alone = shell("$CLEARANCE check setup.toml --json alone.json --moves")
    assert alone.returncode == 0
    keys = json.loads((job / "alone.json").read_text()).keys()
    for _ in range(3):
        done = shell(
            " & ".join(["$CLEARANCE check setup.toml --json r.json --moves > /dev/null"] * 2) + "; wait"
        )
        assert done.stderr == ""
        assert json.loads((job / "r.json").read_text()).keys() == keys
        assert [name for name in os.listdir(job) if name.endswith(".part")] == []


def test_writers_at_once_leave_one_whole_file(tmp_path: Path) -> None:
    from concurrent.futures import ThreadPoolExecutor

    target = tmp_path / "r.bin"
    contents = [bytes([k]) * 500_000 for k in range(8)]
    with ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda content: files.write_whole(target, content), contents * 4))
    assert target.read_bytes() in contents
    assert os.listdir(tmp_path) == ["r.bin"]


def test_a_step_that_is_done_or_not_is_ended_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A signal between a file's getting its name and that being noted: the words would be wrong."""
    ended: list[str] = []
    monkeypatch.setattr(ending, "clean_up", lambda: ended.append("cleaned"))
    monkeypatch.setattr(ending, "on_signals", lambda handler: None)
    monkeypatch.setattr(os, "write", lambda fd, text: ended.append(text.decode()))
    monkeypatch.setattr(os, "_exit", lambda code: ended.append(str(code)))
    monkeypatch.setattr(ending, "written", [])
    monkeypatch.setattr(ending, "_told", False)
    with ending.held():
        ending.leave()
        assert ended == []
        ending.written.append("r.json")
    assert ended == ["cleaned", "stopped; r.json had been written\n", "130"]


# ------------------------------------------------------------------------------------------------ flat models
SQUARES = {
    "one plane": [[(0, 0, 5), (80, 0, 5), (80, 60, 5)], [(0, 0, 5), (80, 60, 5), (0, 60, 5)]],
    "one plane, leaning": [[(0, 0, 0), (80, 0, 20), (80, 60, 50)]],
    "one line": [[(0, 0, 0), (10, 5, 1), (50, 25, 5)]] * 2,
    "one point": [[(5, 5, 5)] * 3] * 4,
}


@pytest.mark.parametrize("name", SQUARES)
def test_a_model_that_is_no_body_is_a_message(
    job: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    import struct

    facets = SQUARES[name]
    body = b"".join(struct.pack("<12fH", 0, 0, 0, *(c for p in facet for c in p), 0) for facet in facets)
    (job / "plate.stl").write_bytes(b"flat".ljust(80) + struct.pack("<I", len(facets)) + body)
    for words in (["check", "setup.toml"], ["keepout", "setup.toml", "-o", "k.svg"]):
        assert cli.run(words) == 2
        err = capsys.readouterr().err
        assert err.startswith("error: plate.stl: all facets ")
        assert name.split(",")[0] in err
