"""What may be written over: an answer that the tool itself wrote, nothing else unless somebody says so.

Where a format keeps the name of what made it: PNG's text chunk (ISO/IEC 15948), DXF's comment (group code
999 of the DXF reference), HTML's meta element (the HTML standard), all from memory. Options are our own.
"""

from __future__ import annotations

import json
import os
import struct
import sys
import zlib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from clearance import cli, files
from clearance.errors import InputError
from clearance.files import check_replaceable
from tests.setup_writer import setup, write

COMMANDS = {
    "check": ["--json", "a.json"],
    "raise": ["--json", "a.json"],
    "placement": ["--json", "a.json"],
    "keepout": ["-o", "a.svg"],
    "keepout dxf": ["-o", "a.dxf"],
    "keepout json": ["-o", "b.svg", "--json", "a.json"],
    "holders": ["--json", "a.json"],
    "sheet": ["-o", "a.html"],
}
THEIRS = {
    "a.json": b'{"name": "mine"}\n',
    "a.svg": b"<svg/>",
    "a.dxf": b"0\nEOF\n",
    "a.html": b"<html></html>",
}


def words(name: str, folder: Path, *more: str) -> list[str]:
    command = name.split()[0]
    own = [str(folder / w) if w.startswith(("a.", "b.")) else w for w in COMMANDS[name]]
    return [command, *([] if command == "holders" else [str(folder / "setup.toml")]), *own, *more]


@pytest.mark.few("raise", "keepout", "keepout json", "holders")
@pytest.mark.parametrize(
    "name", [pytest.param(n, marks=[pytest.mark.slow] if n == "sheet" else []) for n in COMMANDS]
)
def test_what_the_tool_has_not_made_stays(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write(tmp_path, setup(cuts__0__path="program.nc"))
    target = next(tmp_path / w for w in COMMANDS[name] if w.startswith("a."))
    target.write_bytes(THEIRS[target.name])
    assert cli.run(words(name, tmp_path)) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert "is there already, and is no answer of this tool; name another file, or say --replace" in err
    assert target.read_bytes() == THEIRS[target.name]
    assert cli.run(words(name, tmp_path, "--replace")) in (0, 1)
    first = target.read_bytes()
    assert first != THEIRS[target.name]
    assert cli.run(words(name, tmp_path)) in (0, 1), "its own answer is replaced without a word"
    assert capsys.readouterr().err == ""


def test_an_input_is_never_written_over_whatever_is_said(tmp_path: Path) -> None:
    file = write(tmp_path, setup(cuts__0__path="program.nc"))
    for other in ("opening.csv", "stopping.nc"):
        (tmp_path / other).unlink()  # no input here
    before = {each: each.read_bytes() for each in tmp_path.iterdir()}
    for target in before:
        assert cli.run(["check", str(file), "--json", str(target), "--replace"]) == 2
    assert {each: each.read_bytes() for each in tmp_path.iterdir()} == before


def test_an_approval_record_is_no_report(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = write(tmp_path, setup(cuts__0__path="program.nc"))
    record = tmp_path / "r.json"
    assert cli.run(["approve", str(file), "-o", str(record)]) == 0
    before = record.read_bytes()
    assert cli.run(["check", str(file), "--json", str(record)]) == 2
    assert "is there already, and is an approval record; name another file" in capsys.readouterr().err
    assert cli.run(["confirm", str(record), "--json", str(record), "--replace"]) == 2
    assert record.read_bytes() == before
    assert cli.run(["approve", str(file), "-o", str(record)]) == 0


def png(*chunks: tuple[bytes, bytes]) -> bytes:
    """A PNG of one grey point."""
    out = b"\x89PNG\r\n\x1a\n"
    header = (b"IHDR", struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0))
    for kind, data in (header, *chunks, (b"IDAT", zlib.compress(b"\0\0")), (b"IEND", b"")):
        out += struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
    return out


OURS = {
    "a.png": png((b"tEXt", b"Software\0clearance")),
    "a.json": json.dumps({"schema": 1, "tool": {"name": "clearance", "version": "9"}}).encode(),
    "last.json": json.dumps({"x": [0] * 99_999, "tool": {"name": "clearance", "version": "9"}}).encode(),
    "empty": b"",
}
NOT_OURS = {
    "a.png": png(),
    "b.png": png((b"tEXt", b"Software\0paint")),
    "a.json": b"[]",
    "b.json": json.dumps({"tool": {"name": "other"}}).encode(),
    "c.json": json.dumps({"schema": 1, "record": "approval", "tool": {"name": "clearance"}}).encode(),
    "words.txt": b'our "tool": {"name": "clearance" said',
    "a.html": b"<!DOCTYPE html><p>clearance",
    "broken.json": b"{",
}


def test_how_a_file_is_told(tmp_path: Path) -> None:
    for name, data in OURS.items():
        (tmp_path / name).write_bytes(data)
        check_replaceable(tmp_path / name)
    for name, data in NOT_OURS.items():
        (tmp_path / name).write_bytes(data)
        with pytest.raises(InputError, match="--replace"):
            check_replaceable(tmp_path / name)
        check_replaceable(tmp_path / name, replace=True)
    check_replaceable(tmp_path / "gone.json")
    check_replaceable("-")
    check_replaceable(None)


@pytest.mark.skipif(sys.platform == "win32", reason="other names for these")
def test_what_holds_nothing_is_written_to(tmp_path: Path) -> None:
    check_replaceable(os.devnull)
    os.mkfifo(tmp_path / "pipe")
    check_replaceable(tmp_path / "pipe")


@pytest.mark.draws
@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="Windows wants rights for symbolic links")
def test_a_picture_goes_through_a_link_as_json_does(tmp_path: Path) -> None:
    file = write(tmp_path, setup(cuts__0__path="program.nc"))
    (tmp_path / "kept").mkdir()
    os.symlink(tmp_path / "kept" / "p.png", tmp_path / "p.png")
    os.symlink(tmp_path / "kept" / "r.json", tmp_path / "r.json")
    for _ in range(2):
        code = cli.run(
            ["check", str(file), "--json", str(tmp_path / "r.json"), "--picture", str(tmp_path / "p.png")]
        )
        assert code in (0, 1)
        assert (tmp_path / "p.png").is_symlink()
        assert (tmp_path / "r.json").is_symlink()
        assert (tmp_path / "kept" / "p.png").read_bytes().startswith(b"\x89PNG")
        assert (tmp_path / "kept" / "r.json").read_bytes().startswith(b"{")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_is_written_to_where_somebody_reads_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Opening a pipe for writing waits for its reader for ever, unless told not to (POSIX, open)."""
    monkeypatch.setattr(files, "_READER", 0.2)
    pipe = tmp_path / "pipe.json"
    os.mkfifo(pipe)
    with pytest.raises(InputError, match="nobody reads from this pipe"):
        files.write_whole(pipe, b"{}")
    content = b"0123456789" * 100_000  # more than a pipe holds
    with ThreadPoolExecutor(1) as pool:
        got = pool.submit(pipe.read_bytes)
        files.write_whole(pipe, content)
        assert got.result(timeout=30) == content


@pytest.mark.skipif(not os.path.isdir("/dev/fd"), reason="this system does not name open files")
def test_a_pipe_that_a_shell_made_is_written_to() -> None:
    """``--json >(...)``: the shell hands over /dev/fd/63 (the bash manual, "Process Substitution")."""
    end, begin = os.pipe()
    try:
        files.write_whole(f"/dev/fd/{begin}", b"{}")
        assert os.read(end, 9) == b"{}"
    finally:
        os.close(begin)
        os.close(end)
