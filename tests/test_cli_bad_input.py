"""Wrong files: each is one message that names the file, exit code 2, no traceback, nothing written.

Wording and codes are the project's own. The binary STL layout (80 bytes, a count, 50 bytes a
facet) is that of the format's common description, from memory.
"""

from __future__ import annotations

import os
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import click
import pytest

from clearance import cli
from clearance.cli.common import commands

SETUP = """\
title = "A plate on blocks"

[machine]
file = "machine.toml"

[heads]
flushing_distance = 0.1

[[items]]
name = "block"
shape = { box = [20, 20, 15] }
at = [-60, 10, 0]

[[items]]
name = "plate"
part = "plate.stl"
units = "mm"
held_by = "glue"
at = [0, 0, 0]

[[cuts]]
name = "opening"
part = "plate"
path = "opening.nc"
zero = [20, 20, 0]
"""

MACHINE = """\
name = "plain"
wire = 0.25
max_part_mass = 500
travel = { x = [-500, 500], y = [-500, 500], z = [0, 250], u = [-50, 50], v = [-50, 50] }

[lower_head]
face_z = -0.1
guide = 4.0
profile = [[0, 5.0], [40, 5.0]]

[upper_head]
guide = 4.0
profile = [[0, 5.0], [40, 5.0]]
"""

PROGRAM = "N10 G90 G00 X0 Y0\nN20 G01 X30 Y0\nN30 G02 X40 Y10 I0 J10\nN40 G01 X40 Y30\n"


def plate() -> bytes:
    """A block of 80 x 60 x 25 as a binary STL."""
    corners = [(x, y, z) for z in (0.0, 25.0) for y in (0.0, 60.0) for x in (0.0, 80.0)]
    quads = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (1, 3, 7, 5), (3, 2, 6, 7), (2, 0, 4, 6)]
    facets = [(q[0], q[k], q[k + 1]) for q in quads for k in (1, 2)]
    body = b"".join(
        struct.pack("<12fH", 0, 0, 0, *(c for corner in facet for c in corners[corner]), 0)
        for facet in facets
    )
    return b"plate".ljust(80) + struct.pack("<I", len(facets)) + body


@pytest.fixture
def job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a setup that is in order."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "setup.toml").write_text(SETUP)
    (tmp_path / "machine.toml").write_text(MACHINE)
    (tmp_path / "opening.nc").write_text(PROGRAM)
    (tmp_path / "plate.stl").write_bytes(plate())
    return tmp_path


def change(file: str, old: str, new: str) -> Callable[[Path], None]:
    def do(folder: Path) -> None:
        text = (folder / file).read_text()
        assert old in text
        (folder / file).write_text(text.replace(old, new, 1))

    return do


def put(file: str, content: bytes) -> Callable[[Path], None]:
    def do(folder: Path) -> None:
        (folder / file).write_bytes(content)

    return do


def drop(file: str) -> Callable[[Path], None]:
    return lambda folder: (folder / file).unlink()


def folder_instead(file: str) -> Callable[[Path], None]:
    def do(folder: Path) -> None:
        (folder / file).unlink()
        (folder / file).mkdir()

    return do


def test_the_setup_is_in_order_before_it_is_spoilt(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # The part is 25 high and flushed at 0.1: close from above is 0.1 - 0.05 = 0.05 to spare: clear. Below
    # the same. The path runs in the plate's solid, so the heads are over and under it all the way.
    assert cli.run(["check", "setup.toml"]) == 0, capsys.readouterr().err


def path_of_an_unknown_kind(folder: Path) -> None:
    put("opening.xyz", b"1 2\n")(folder)
    change("setup.toml", "opening.nc", "opening.xyz")(folder)


NAN = struct.pack("<f", float("nan"))

#: what is spoilt: how, and the words that the message must hold
BAD: dict[str, tuple[Callable[[Path], None], list[str]]] = {
    "mistyped key": (
        change("setup.toml", "flushing_distance", "flushing_distence"),
        ["setup.toml", "flushing_distence", "flushing_distance"],
    ),
    "mistyped key of an item": (change("setup.toml", "shape =", "shap ="), ["setup.toml", "shap", "shape"]),
    "mistyped key of the machine": (
        change("machine.toml", "wire =", "wier ="),
        ["machine.toml", "wier", "wire"],
    ),
    "text for a number": (
        change("setup.toml", "0.1", '"0.1 mm"'),
        ["setup.toml", "flushing_distance", "0.1 mm"],
    ),
    "nan in the setup": (change("setup.toml", "= 0.1", "= nan"), ["setup.toml", "flushing_distance", "nan"]),
    "no TOML": (change("setup.toml", "[machine]", "[machine"), ["setup.toml", "line 3"]),
    "binary setup": (put("setup.toml", bytes(range(256))), ["setup.toml"]),
    "no setup": (drop("setup.toml"), ["setup.toml"]),
    "setup is a folder": (folder_instead("setup.toml"), ["setup.toml"]),
    "no machine": (drop("machine.toml"), ["machine.toml"]),
    "unknown machine": (
        change("setup.toml", 'file = "machine.toml"', 'use = "mid_siez"'),
        ["mid_siez", "mid_size"],
    ),
    "no such holder": (
        change("setup.toml", "shape = { box = [20, 20, 15] }", 'holder = "rial"'),
        ["rial", "rail"],
    ),
    "no such part": (change("setup.toml", 'part = "plate"', 'part = "palte"'), ["setup.toml", "palte"]),
    "missing model": (drop("plate.stl"), ["plate.stl"]),
    "model is a folder": (folder_instead("plate.stl"), ["plate.stl"]),
    "model of nothing": (put("plate.stl", b""), ["plate.stl"]),
    "model cut off in the middle": (put("plate.stl", plate()[:400]), ["plate.stl"]),
    "model cut off in its head": (put("plate.stl", plate()[:60]), ["plate.stl"]),
    "model that is no model": (put("plate.stl", b"%PDF-1.4\n" * 300), ["plate.stl"]),
    "nan in the model": (put("plate.stl", plate()[:96] + NAN + plate()[100:]), ["plate.stl"]),
    "unknown units": (change("setup.toml", 'units = "mm"', 'units = "mil"'), ["setup.toml", "units", "mil"]),
    "missing path": (drop("opening.nc"), ["opening.nc"]),
    "empty path": (put("opening.nc", b""), ["opening.nc"]),
    "path with nan": (change("opening.nc", "X30", "Xnan"), ["opening.nc", "line 2"]),
    "path with inf": (change("opening.nc", "X30", "X1e999"), ["opening.nc", "line 2"]),
    "unknown G word": (change("opening.nc", "N30 G02", "N30 G73"), ["opening.nc", "line 3", "G73"]),
    "arc without centre": (change("opening.nc", " I0 J10", ""), ["opening.nc", "line 3"]),
    "binary path": (put("opening.nc", bytes(range(256))), ["opening.nc"]),
    "path of an unknown kind": (path_of_an_unknown_kind, ["opening.xyz"]),
}


@pytest.mark.parametrize("name", BAD)
def test_wrong_file_is_one_message_and_nothing_is_written(
    name: str, job: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spoil, said = BAD[name]
    spoil(job)
    before = sorted(os.listdir(job))
    code = cli.run(["check", "setup.toml", "--json", "report.json", "--picture", "picture.png"])
    out, err = capsys.readouterr()
    assert code == 2, err
    assert out == ""
    assert err.startswith("error: ")
    assert err.count("\n") == 1, "one message"
    assert "Traceback" not in err
    assert "defect" not in err
    for words in said:
        assert words in err
    assert sorted(os.listdir(job)) == before


def test_csv_path_with_nan_names_its_line(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    change("setup.toml", "opening.nc", "opening.csv")(job)
    put("opening.csv", b"x,y\n0,0\n30,0\nnan,10\n")(job)
    assert cli.run(["check", "setup.toml"]) == 2
    err = capsys.readouterr().err
    assert "opening.csv" in err
    assert "line 4" in err


def test_wrong_file_through_a_true_process(job: Path) -> None:
    change("opening.nc", "X30", "Xnan")(job)
    done = subprocess.run(
        [sys.executable, "-m", "clearance", "check", "setup.toml", "--json", "report.json"],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("error: ")
    assert done.stderr.count("\n") == 1
    assert not Path("report.json").exists()


def test_json_to_standard_output_through_a_true_process(job: Path) -> None:
    import json

    done = subprocess.run(
        [sys.executable, "-m", "clearance", "check", "setup.toml", "--json", "-", "--moves"],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert json.loads(done.stdout)["verdict"] == "clear"
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.skipif(sys.platform == "win32", reason="signals as POSIX has them")
@pytest.mark.slow
def test_ctrl_c_while_the_check_runs_leaves_nothing(job: Path) -> None:
    # The true judge runs over and over, so that the signal is sure to meet it at work. Where the tests run in
    # the background a shell has the signal ignored, which the process would inherit.
    code = """
import clearance, signal, sys
from clearance import cli

signal.signal(signal.SIGINT, signal.default_int_handler)

judge = clearance.check

def held(scene, **options):
    judge(scene, **options)
    print("there", flush=True)
    while True:
        judge(scene, **options)

clearance.check = held
sys.argv = "clearance check setup.toml --json report.json --picture p.png".split()
cli.main()
"""
    before = sorted(os.listdir(job))
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as running:
        assert running.stdout is not None
        assert running.stdout.readline() == "there\n"
        time.sleep(0.3)
        running.send_signal(signal.SIGINT)
        try:
            out, err = running.communicate(timeout=60)
        finally:
            running.kill()
    assert running.returncode == 130
    assert err.strip() == "stopped; nothing was written"
    assert out == ""
    assert sorted(os.listdir(job)) == before


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["check", "s.toml", "--move", "strap", "1"], "Option '--move' wants 4 values: ITEM X Y Z"),
        (["check", "s.toml", "--set", "vise.opening"], "Option '--set' wants 2 values: ITEM.PARAM VALUE"),
        (["raise", "s.toml", "--range", "1"], "Option '--range' wants 2 values: FROM TO"),
        (["raise", "s.toml", "--by"], "Option '--by' wants a value: MM"),
        (["check", "s.toml", "--move", "strap", "--off", "a", "b"], 'found "--off", want mm'),
        (["check", "s.toml", "--move", "strap", "--off", "a", "b"], "such as 3.5, in ITEM X Y Z"),
    ],
)
def test_too_few_values_are_told_by_what_they_are(
    words: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.run(words) == 2
    told = " ".join(capsys.readouterr().err.split())
    assert says in told
    assert f"(clearance {words[0]} --help)" in told


def test_every_option_of_several_values_says_which() -> None:
    several = [
        (param.opts, param.metavar, param.nargs)
        for command in commands.commands.values()
        for param in command.params
        if isinstance(param, click.Option) and param.nargs > 1
    ]
    assert len(several) > 5
    assert all(metavar and len(metavar.split()) == nargs for _, metavar, nargs in several), several
