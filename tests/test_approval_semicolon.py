"""An approval holds under the meaning that ";" had on the control: what was approved is what the reader read.

Commands, keys and exit codes are the project's own; no outside source.
"""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from clearance import cli
from tests.setup_writer import PROGRAM, machine, setup, write

MORE = PROGRAM.replace("Y5.\n", "Y5.;N25 G01 X200. Y0.\n")
PROSE = PROGRAM.replace("Y5.\n", "Y5. ; and up\n")


def approved(folder: Path, semicolon: str | None, program: str) -> Path:
    bench = machine() if semicolon is None else machine(codes__semicolon=semicolon)
    file = write(folder, setup(cuts__0__path="program.nc"), bench)
    (folder / "program.nc").write_text(program)
    record = folder / "r.json"
    assert cli.run(["approve", str(file), "-o", str(record)]) == 0
    return record


@pytest.mark.few(2)
@pytest.mark.parametrize(
    ("semicolon", "before", "after", "code"),
    [
        (None, PROGRAM, MORE, 1),
        (None, PROGRAM, PROSE, 0),
        ("comment", PROGRAM, MORE, 0),
        ("end of block", PROGRAM, MORE, 1),
        ("end of block", PROGRAM, PROSE, 1),
        ("comment", MORE, PROGRAM, 0),
        ("end of block", PROGRAM, PROGRAM.replace("\n", ";\n"), 0),
    ],
)
def test_a_block_added_behind_a_semicolon(
    semicolon: str | None, before: str, after: str, code: int, tmp_path: Path
) -> None:
    record = approved(tmp_path, semicolon, before)
    assert cli.run(["confirm", str(record)]) == 0
    (tmp_path / "program.nc").write_text(after)
    assert cli.run(["confirm", str(record)]) == code


def test_words_behind_a_semicolon_are_not_approved_unread(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = write(tmp_path, setup(cuts__0__path="program.nc"))
    (tmp_path / "program.nc").write_text(MORE)
    assert cli.run(["approve", str(file), "-o", str(tmp_path / "r.json")]) == 2
    assert 'program.nc: line 4: "N25 G01 X200. Y0." behind ";"' in capsys.readouterr().err
    assert not (tmp_path / "r.json").exists()


def test_under_another_meaning_nothing_is_unchanged(tmp_path: Path) -> None:
    """The machine file says what ";" means, and counts by its bytes; the program's own hash holds the meaning
    as well, so that no machine file that is brought along can lend it another."""
    record = approved(tmp_path, "comment", MORE)
    kept = json.loads(record.read_text())
    entry = next(each for each in kept["inputs"] if each["kind"] == "program")
    assert entry["semicolon"] == "comment"
    words = "G90 G71\nG00 X0. Y0.\nM71 G01 X10.\nY5.\nM30"
    assert entry["words_sha256"] == hashlib.sha256(f'";" is comment\n{words}'.encode()).hexdigest()
    ours = tmp_path / "ours.toml"
    ours.write_text(ours.read_text().replace('"comment"', '"end of block"'))
    assert cli.run(["confirm", str(record)]) == 1
