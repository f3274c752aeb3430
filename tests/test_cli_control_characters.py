"""What steers a terminal, or turns the order of words, never reaches it raw, wherever it was written.

The characters: ESC and CSI of ECMA-48 (its C1 set, U+009B), bidirectional marks of UAX #9 (U+202E, U+2066),
carriage return, line feed, zero and delete of ISO/IEC 646.
"""

from __future__ import annotations

import io
import json
import os
import re
import sys
import unicodedata
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from clearance import cli
from clearance.errors import printable, printable_lines
from tests.setup_writer import MACHINE, PROGRAM, SETUP, setup, toml, write

NASTY = {
    "esc": "\x1b[31m", "csi": "\x9b31m", "turned": "\u202e", "isolated": "\u2066", "return": "\r",
    "feed": "\n", "zero": "\x00", "bell": "\x07", "delete": "\x7f", "line end": "\u2028", "next line": "\x85",
}  # fmt: skip


#: one for each way in which a reader may stumble, and all at once
MARKS = {
    "esc": NASTY["esc"], "return": "\r", "zero": "\x00", "turned": "\u202e",
    "all": "".join(mark for mark in NASTY.values() if mark != "\x00"),
}  # fmt: skip


def raw(text: str) -> list[str]:
    """The characters of a text that are not to reach a terminal; its own line ends are no such."""
    return [c for c in text if c != "\n" and unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp")]


def dxf(*rows: object) -> str:
    head = [0, "SECTION", 2, "HEADER", 9, "$INSUNITS", 70, 4, 0, "ENDSEC", 0, "SECTION", 2, "ENTITIES"]
    return "\n".join(map(str, [*head, *rows, 0, "ENDSEC", 0, "EOF", ""]))


def three_mf(unit: str, name: str) -> bytes:
    """ISO/IEC 25422: one tetrahedron, its unit and its name as said."""
    corners = "".join(
        f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in ((0, 0, 0), (60, 0, 0), (0, 60, 0), (0, 0, 60))
    )
    facets = "".join(
        f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in ((0, 2, 1), (0, 1, 3), (1, 2, 3), (0, 3, 2))
    )
    core = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
    model = (
        f'<model xmlns="{core}" unit="{unit}"><resources><object id="1" name="{name}"><mesh>'
        f"<vertices>{corners}</vertices><triangles>{facets}</triangles></mesh></object></resources>"
        '<build><item objectid="1"/></build></model>'
    )
    relation = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
    rels = (
        '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        f'<Relationship Target="/3D/m.model" Id="r" Type="{relation}"/></Relationships>'
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as package:
        package.writestr("_rels/.rels", rels)
        package.writestr("3D/m.model", model)
    return out.getvalue()


def as_xml(mark: str) -> str:
    return "".join(f"&#{ord(c)};" if c != "\x00" else "?" for c in mark)


def nc(text: str) -> Callable[[Path, str], Path]:
    def make(folder: Path, mark: str) -> Path:
        file = write(folder, setup(cuts__0__path="program.nc"))
        (folder / "program.nc").write_bytes((PROGRAM + text.replace("@", mark)).encode())
        return file

    return make


def table(text: str) -> Callable[[Path, str], Path]:
    def make(folder: Path, mark: str) -> Path:
        file = write(folder, setup())
        (folder / "opening.csv").write_bytes(text.replace("@", mark).encode())
        return file

    return make


def drawing(*rows: object, **keys: object) -> Callable[[Path, str], Path]:
    def make(folder: Path, mark: str) -> Path:
        said = {f"cuts__0__{key}": value for key, value in keys.items()}
        file = write(folder, setup(cuts__0__path="opening.dxf", **said))
        text = dxf(*(str(row).replace("@", mark) for row in rows))
        (folder / "opening.dxf").write_bytes(text.encode())
        return file

    return make


def model(name: str, data: Callable[[str], bytes]) -> Callable[[Path, str], Path]:
    def make(folder: Path, mark: str) -> Path:
        file = write(folder, setup(items__1__part=name, items__1__bodies=["jaw"]))
        (folder / name).write_bytes(data(mark))
        return file

    return make


def tables(text: str, of: str = "setup.toml") -> Callable[[Path, str], Path]:
    """A file of the job with a line before it, or a part of it, changed; "@" is the mark as TOML escapes it,
    "#" as it is."""

    def make(folder: Path, mark: str) -> Path:
        file = write(folder)
        own = toml(SETUP if of == "setup.toml" else MACHINE)
        line = text.replace("@", json.dumps(mark)[1:-1]).replace("#", mark)
        (folder / of).write_bytes((line + "\n" + own).encode())
        return file

    return make


LINE = (0, "LINE", 8, "CUT", 10, 0, 20, 0, 11, 10, 21, 0)
INPUTS: dict[str, Callable[[Path, str], Path]] = {
    "NC word": nc("G01 X1@2.\n"),
    "NC address": nc("@G01 X1.\n"),
    "NC comment": nc("(a@b) G28 X0.\n"),
    "NC number": nc("N1@ M98 P@\n"),
    "CSV cell": table("x,y\n0,0\n1@,2\n"),
    "CSV head": table("x,y@,z\n0,0\n1,2\n"),
    "3MF unit": model("a.3mf", lambda mark: three_mf(as_xml(mark), "jaw")),
    "3MF name": model("a.3mf", lambda mark: three_mf("millimeter", as_xml(mark) + "a")),
    "DXF code": drawing("@0", "LINE"),
    "DXF entity": drawing(0, "LI@NE", 8, "CUT"),
    "DXF layer": drawing(*LINE, 0, "LINE", 8, "A@B", 10, 0, 20, 5, 11, 10, 21, 5, layers=["CUT", "gone"]),
    "STL word": model("a.stl", lambda mark: f"solid a\nfacet normal 0 0 0\nouter {mark}loop\n".encode()),
    "OBJ word": model("a.obj", lambda mark: f"v 0 0 0\nv 1 0 0\nf 1 {mark}2\n".encode()),
    "OBJ group": model("a.obj", lambda mark: f"v 0 0 0\nv 9 0 0\nv 0 9 9\ng a{mark}\nf 1 2 3\n".encode()),
    "PLY word": model("a.ply", lambda mark: f"ply\nformat ascii 1.0\nelement {mark}\n".encode()),
    "TOML key": tables('"ti@tle" = 1'),
    "TOML value": tables('title = "a@b"'),
    "TOML text": tables("title = #"),
    "TOML word": tables('units = "m@m"'),
    "machine's key": tables('"na@me" = 1', "ours.toml"),
    "machine's word": tables('units = "@"', "ours.toml"),
    "machine's comment": tables("# a", "ours.toml"),
}  # fmt: skip


@pytest.mark.few(9)
@pytest.mark.parametrize(
    "mark", [m if m in ("esc", "all") else pytest.param(m, marks=pytest.mark.slow) for m in MARKS]
)
@pytest.mark.parametrize("where", INPUTS)
def test_nothing_raw_from_a_file(
    where: str, mark: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = INPUTS[where](tmp_path, MARKS[mark])
    for command in ([], ["--json", "-"]):
        code = cli.run(["check", str(file), *command])
        assert code in (0, 1, 2, 3)
        out, err = capsys.readouterr()
        assert "a defect of this tool" not in err
        assert raw(out + err) == []
        assert err.count("\n") <= 1, "one message on one line"
        if out and "--json" in command:
            json.loads(out)


COMMANDS = (
    ["check"], ["raise"], ["placement"], ["keepout", "-o", "zones.svg"], ["picture", "-o", "p.png"], ["view"],
    ["sheet", "-o", "s.html"], ["holders"], ["new", "program.nc"], ["approve", "-o", "r.json"], ["confirm"],
)  # fmt: skip


@pytest.mark.parametrize("command", COMMANDS, ids=lambda c: c[0])
def test_nothing_raw_from_the_command_line(
    command: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A name that is not there, an option that is none, a value that is wrong; each command by itself."""
    monkeypatch.chdir(tmp_path)
    for mark in (MARKS["esc"], MARKS["all"]):
        for words in (
            [command[0], f"a{mark}b", *command[1:]],
            [command[0], *command[1:], f"--{mark}"],
            [command[0], f"a{mark}b", *command[1:], "--json", f"no{mark}/x.json"],
            [command[0], f"a{mark}b", *command[1:], "too", f"many{mark}"],
            [f"che{mark}ck"],
        ):
            assert cli.run(words) in (2, 0)
            out, err = capsys.readouterr()
            assert raw(out + err) == []
            assert err.count("\n") <= 1


@pytest.mark.slow
@pytest.mark.few(1)
@pytest.mark.skipif(sys.platform == "win32", reason="Windows allows no such names")
@pytest.mark.parametrize("mark", ["esc", "csi", "turned", "return", "feed"])
def test_nothing_raw_from_the_name_of_a_file_that_is_there(
    mark: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A whole job runs in a folder of that name, under a name of that kind; every file it makes is sound."""
    folder = tmp_path / f"jo{NASTY[mark]}b"
    folder.mkdir()
    file = write(folder, setup(cuts__0__path="program.nc"))
    named = folder / f"set{NASTY[mark]}up.toml"
    named.write_bytes(file.read_bytes())
    record = str(folder / f"r{NASTY[mark]}.json")
    part, path = str(folder / "die.stl"), str(folder / "program.nc")
    for words in (
        ["check", str(named), "--json", str(folder / f"c{NASTY[mark]}.json")],
        ["check", str(named), "--json", "-"],
        ["approve", str(named), "-o", record],
        ["confirm", record],
        ["keepout", str(named), "-o", str(folder / f"z{NASTY[mark]}.svg")],
        ["new", part, path, "-o", str(folder / f"n{NASTY[mark]}.toml")],
        ["new", part, path, "-o", "-"],
    ):  # fmt: skip
        assert cli.run(words) in (0, 1, 2)
        out, err = capsys.readouterr()
        assert raw(out + err) == [], words
        assert "defect" not in err


@pytest.mark.skipif(sys.platform == "win32", reason="Windows allows no such names")
def test_a_name_that_is_no_text_is_shown_as_its_bytes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A lone byte of Latin-1, as an old memory stick has it, decoded as Python does (PEP 383)."""
    name = os.fsdecode(b"gr\xfcn.toml")
    assert cli.run(["check", name]) == 2
    assert "gr\\udcfcn.toml" in capsys.readouterr().err


def test_what_is_shown_can_be_found_in_the_file() -> None:
    assert printable("a\x1b[31m\u202eb\n\r\tc\x9b") == "a\\u001b[31m\\u202eb\\n\\r\\tc\\u009b"
    assert printable("\U000e0041") == "\\U000e0041"
    assert printable("Größe 12 µm \u00a0x\u3000y") == "Größe 12 µm  x y"
    assert printable_lines("a\n\x1b[1;31mCLASH\x1b[0m\r\n") == "a\n\\u001b[1;31mCLASH\\u001b[0m\\r\n"
    coloured = "\x1b[1;31mCLASH\x1b[0m of \x1b[5mblink"
    assert printable_lines(coloured, colours=True) == "\x1b[1;31mCLASH\x1b[0m of \\u001b[5mblink"


def test_names_on_the_sheet_are_neutral() -> None:
    from clearance.report.sheet.markup import esc
    from clearance.report.sheet.scene import words_of

    for mark in NASTY.values():
        assert raw(esc(f"a{mark}<b>") + words_of(f"a{mark}<b>")) == []
        assert "<" not in esc(f"a{mark}<b>")
        assert not re.search("[\n\x7f]", esc(f"a{mark}b"))


def test_json_has_no_raw_delete() -> None:
    from clearance.report.data import as_json

    text = as_json({"a": "x\x7f\x1b\u202e", "b": ["\x7f"]})
    assert raw(text) == []
    assert json.loads(text) == {"a": "x\x7f\x1b\u202e", "b": ["\x7f"]}
