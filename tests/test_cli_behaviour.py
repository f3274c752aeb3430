"""The command line's manners: exit codes, one message per error, nothing half written, quick help.

Exit codes and commands are the project's own; no outside source. The judge is replaced by results made by
hand here, so that each kind of ending can be had at will; the whole way is in test_cli_closed_forms.py.
"""

from __future__ import annotations

import ast
import importlib.util
import json
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import clearance
from clearance import cli
from clearance.checking.result import Result
from clearance.errors import CannotDraw, InputError, Undecided
from tests.results_by_hand import a_clear_pair, a_pair, a_result

Answer = Callable[[Any], None]


@pytest.fixture
def answer(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Answer:
    """Set what the check answers (a result, or an exception that it raises). The folder is a new one."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "setup.toml").write_text("title = 'x'\n")

    def set_answer(outcome: Any) -> None:
        def check(scene: object, **_: object) -> Result:
            if isinstance(outcome, BaseException):
                raise outcome
            return outcome

        monkeypatch.setattr(clearance, "load", lambda setup, **_: a_result().scene)
        monkeypatch.setattr(clearance, "check", check)

    return set_answer


CLOSE, CLEAR = a_pair(), a_clear_pair("bed", 3.0)
CLASH, UNDECIDED = a_pair(verdict="clash", clearance=0.0), a_pair(verdict="undecided")


@pytest.mark.parametrize(("pair", "code"), [(CLEAR, 0), (CLOSE, 1), (CLASH, 1), (UNDECIDED, 3)])
def test_exit_code_is_the_verdict(
    pair: Any, code: int, answer: Answer, capsys: pytest.CaptureFixture[str]
) -> None:
    answer(a_result(pair))
    assert cli.run(["check", "setup.toml"]) == code
    out, err = capsys.readouterr()
    assert out.startswith(pair.verdict.upper())
    assert err == ""


@pytest.mark.parametrize(
    ("error", "code", "said"),
    [
        (
            InputError("ours.toml", "line 3", "wire is -1", "a diameter above 0"),
            2,
            "ours.toml: line 3: wire is -1;",
        ),
        (Undecided("no way to say"), 3, "no way to say"),
        (ValueError("two\nlines"), 3, "a defect of this tool"),
        (KeyError("spam"), 3, "KeyError: 'spam'"),
        (AssertionError(), 3, "AssertionError"),
        (RecursionError("maximum recursion depth exceeded"), 3, "a defect"),
        (MemoryError(), 3, "memory"),
        (OSError(5, "Input/output error"), 3, "Input/output error"),
        (SystemExit(0), 3, None),
        (SystemExit(1), 3, None),
        (BrokenPipeError(32, "Broken pipe"), 3, None),
    ],
)
def test_error_is_one_line_with_its_code_and_never_a_verdict(
    error: BaseException, code: int, said: str | None, answer: Answer, capfd: pytest.CaptureFixture[str]
) -> None:
    answer(error)
    assert cli.run(["check", "setup.toml", "--json", "r.json"]) == code
    out, err = capfd.readouterr()
    assert out == ""
    assert "Traceback" not in err
    if said is not None:
        assert said in err
        assert err.startswith("error: ")
        assert err.count("\n") == 1
    assert os.listdir() == ["setup.toml"], "nothing was written"


def test_debug_shows_where(
    answer: Answer, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("CLEARANCE_DEBUG", "1")
    answer(ZeroDivisionError("float division by zero"))
    assert cli.run(["check", "setup.toml"]) == 3
    assert "Traceback" in capsys.readouterr().err


@pytest.mark.parametrize(
    "arguments",
    [
        ["check"],
        ["check", "setup.toml", "--jsn", "r.json"],
        ["check", "setup.toml", "again.toml"],
        ["chekc", "setup.toml"],
        ["picture", "setup.toml"],
        ["picture", "setup.toml", "-o", "p.png", "--size", "huge"],
        ["picture", "setup.toml", "-o", "p.png", "--size", "0x0"],
        ["picture", "setup.toml", "-o", "p.png", "--view", "nowhere"],
        ["picture", "setup.toml", "-o", "p.jpg"],
        ["check", "setup.toml", "--json", "no/such/folder/r.json"],
        ["check", "setup.toml", "--json", "."],
        ["check", "setup.toml", "--json", "setup.toml"],
        ["check", "setup.toml", "--json", "./setup.toml"],
        ["check", "setup.toml", "--picture", "no/such/folder/p.png"],
        ["check", "setup.toml", "--json", "p.png", "--picture", "p.png"],
        ["holders", "no such holder"],
    ],
)
def test_wrong_command_line_is_one_message_and_exit_2(
    arguments: list[str], answer: Answer, capsys: pytest.CaptureFixture[str]
) -> None:
    answer(a_result(CLEAR))
    before = Path("setup.toml").read_bytes()
    assert cli.run(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    assert os.listdir() == ["setup.toml"]
    assert Path("setup.toml").read_bytes() == before


def test_no_input_of_the_setup_is_overwritten(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("job").mkdir()
    scene = a_result(setup_file="job/setup.toml", inputs=(("job/setup.toml", ""), ("opening.nc", ""))).scene
    monkeypatch.setattr(clearance, "load", lambda setup, **_: scene)
    monkeypatch.setattr(clearance, "check", lambda scene, **_: pytest.fail("judged all the same"))
    assert cli.run(["check", "job/setup.toml", "--json", "job/opening.nc"]) == 2
    assert "would be overwritten" in capsys.readouterr().err


def test_json_to_a_file_and_the_table_on_the_terminal(
    answer: Answer, capsys: pytest.CaptureFixture[str]
) -> None:
    answer(a_result(CLOSE))
    assert cli.run(["check", "setup.toml", "--json", "r.json"]) == 1
    assert json.loads(Path("r.json").read_text())["verdict"] == "close"
    assert capsys.readouterr().out.startswith("CLOSE")


def test_json_to_standard_output_is_all_there_is(answer: Answer, capsys: pytest.CaptureFixture[str]) -> None:
    answer(a_result(CLOSE))
    assert cli.run(["check", "setup.toml", "--json", "-"]) == 1
    assert json.loads(capsys.readouterr().out)["pairs"][0]["clearance"] == 0.82


def test_picture_that_cannot_be_drawn_changes_no_verdict(
    answer: Answer, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def draw(*_: object) -> None:
        raise CannotDraw("no OpenGL here; install libegl1")

    monkeypatch.setattr(cli.checking, "draw_picture", draw)
    for pair, code in ((CLEAR, 0), (CLASH, 1), (UNDECIDED, 3)):
        answer(a_result(pair))
        assert cli.run(["check", "setup.toml", "--picture", "p.png", "--json", "r.json"]) == code
        out, err = capsys.readouterr()
        assert out.startswith(pair.verdict.upper())
        assert err == "error: no OpenGL here; install libegl1\n"
        assert json.loads(Path("r.json").read_text())["verdict"] == pair.verdict
    assert cli.run(["picture", "setup.toml", "-o", "p.png"]) == 2, "the picture was all that was asked for"


@pytest.mark.parametrize("stop", [KeyboardInterrupt(), EOFError()])
def test_stopped_by_hand(stop: BaseException, answer: Answer, capsys: pytest.CaptureFixture[str]) -> None:
    answer(stop)
    assert cli.run(["check", "setup.toml", "--json", "r.json"]) == 130
    assert capsys.readouterr().err.strip() == "stopped; nothing was written"
    assert os.listdir() == ["setup.toml"]


def test_stopped_while_drawing_tells_what_is_there(
    answer: Answer, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def draw(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(cli.checking, "draw_picture", draw)
    answer(a_result(CLEAR))
    assert cli.run(["check", "setup.toml", "--json", "r.json", "--picture", "p.png"]) == 130
    assert capsys.readouterr().err.strip() == "stopped; r.json had been written"
    assert sorted(os.listdir()) == ["r.json", "setup.toml"]


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-8"])
def test_any_name_prints_on_any_console(
    encoding: str, answer: Answer, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    answer(a_result(a_pair(item="Spannpratze \u2192 gro\u00df \U0001f6b2")))
    with open(tmp_path / "console", "w", encoding=encoding) as console:
        monkeypatch.setattr(sys, "stdout", console)
        assert cli.run(["check", "setup.toml"]) == 1
    assert "Spannpratze" in (tmp_path / "console").read_text(encoding=encoding)


def test_colour_only_on_a_terminal_and_only_if_wanted(
    answer: Answer, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    answer(a_result(CLOSE))
    for variable in ("NO_COLOR", "TERM"):
        monkeypatch.delenv(variable, raising=False)
    cli.run(["check", "setup.toml"])
    assert "\x1b" not in capsys.readouterr().out
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True)
    cli.run(["check", "setup.toml"])
    assert "\x1b[1;33mCLOSE" in capsys.readouterr().out
    monkeypatch.setenv("NO_COLOR", "1")
    cli.run(["check", "setup.toml"])
    assert "\x1b" not in capsys.readouterr().out


# ------------------------------------------------------------------------------------------- true processes
def process(*arguments: str, **options: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "clearance", *arguments], capture_output=True, text=True, timeout=60, **options
    )


def test_help_lists_what_exists_and_loads_nothing_heavy() -> None:
    code = (
        "import sys; from clearance import cli; cli.run(['--help']); "
        "heavy = {'numpy', 'trimesh', 'fcl', 'shapely', 'pyvista', 'pydantic', 'scipy'}; "
        "print(sorted(heavy & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.stdout.rstrip().endswith("[]"), "each heavy import costs more than the whole help may take"
    assert re.findall(r"^  (\w+)  +[A-Z]", done.stdout, re.M) == sorted(cli.commands.commands)
    for command in cli.commands.commands:
        assert cli.run([command, "--help"]) == 0


def test_what_a_command_imports_when_it_runs_is_there() -> None:
    # Imports stand inside the functions, so that a command listed before its work exists would not show.
    tree = ast.parse(Path(cli.__file__).read_text(encoding="utf-8"))
    late = [node for node in ast.walk(tree) if isinstance(node, ast.ImportFrom) and node.module]
    ours = [
        (node.module, alias.name) for node in late for alias in node.names if "clearance" in str(node.module)
    ]
    assert len(ours) >= 8
    for module, name in ours:
        loaded = importlib.import_module(str(module))
        assert hasattr(loaded, name) or importlib.util.find_spec(f"{module}.{name}"), f"{module}.{name}"


def test_version() -> None:
    done = process("--version")
    assert (done.returncode, done.stdout) == (0, "clearance 0.1.0\n")


DEMOS = Path(__file__).parent.parent / "demo_models"
NIGHT = str(DEMOS / "nights" / "friday.toml")
PLATE = str(DEMOS / "side_plate_die_clash.toml")


@pytest.mark.parametrize(
    ("words", "file"),
    [
        (["picture", PLATE, "-o"], "place.png"),
        (["sheet", PLATE, "-o"], "sheet.html"),
        pytest.param(["night", NIGHT, "--other-version", "-o"], "night.html", marks=pytest.mark.slow),
        pytest.param(["where", PLATE, "--item", "left strap", "-o"], "plan.svg", marks=pytest.mark.slow),
        (["holders", "spacer", "--picture"], "spacer.svg"),
        (["recheck", PLATE, "--fresh", "-o"], "rows.html"),
    ],
    ids=lambda words: words[0] if isinstance(words, list) else "",
)
def test_a_file_that_was_asked_for_is_named_when_it_is_there(
    words: list[str], file: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    """In one line; on error output where standard output carries the data."""
    monkeypatch.setattr("clearance.view.picture.draw", lambda _, name, **more: Path(name).write_bytes(b"-"))
    target = str(tmp_path / file)
    assert cli.run([*words, target]) in (0, 1)
    out, err = capsys.readouterr()
    assert Path(target).exists()
    assert (out.splitlines()[-1], err) == (f"{target} is written.", "")
    if words[0] in ("picture", "sheet"):
        return
    assert cli.run([*words, target, "--json", "-"]) in (0, 1)
    out, err = capsys.readouterr()
    assert json.loads(out)
    assert err == f"{target} is written.\n"
