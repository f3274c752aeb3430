"""Reading STL bytes: every way in which a file can be broken has its own message."""

from __future__ import annotations

import hashlib
import struct
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.errors import InputError
from clearance.mesh import stl
from clearance.mesh.model import Solid
from clearance.mesh.read import MEMORY, read_model

# a box 10 x 20 x 30 with one corner at the origin, wound outward; written by hand as quads
_P = [(x, y, z) for z in (0, 30) for y in (0, 20) for x in (0, 10)]
_QUADS = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (1, 3, 7, 5), (3, 2, 6, 7), (2, 0, 4, 6)]
BOX = np.array([[_P[i] for i in t] for a, b, c, d in _QUADS for t in ((a, b, c), (a, c, d))], dtype=float)


def binary(triangles: np.ndarray, header: bytes = b"made by hand") -> bytes:
    """Binary STL by the format's description, with struct and no numpy layout."""
    body = b"".join(struct.pack("<12fH", 0, 0, 0, *map(float, t.reshape(-1)), 0) for t in triangles)
    return header.ljust(80, b" ") + struct.pack("<I", len(triangles)) + body


def ascii_lines(triangles: np.ndarray, name: str = "box") -> list[str]:
    lines = [f"solid {name}"]
    for t in triangles:
        lines += ["  facet normal 0 0 0", "    outer loop"]
        lines += ["      vertex " + " ".join(repr(float(c)) for c in corner) for corner in t]
        lines += ["    endloop", "  endfacet"]
    return [*lines, f"endsolid {name}"]


def text(lines: list[str]) -> bytes:
    return ("\n".join(lines) + "\n").encode()


def refused(data: bytes) -> str:
    with pytest.raises(InputError) as caught:
        stl.read_stl(data, "model.stl")
    assert str(caught.value).startswith("model.stl: ")
    return str(caught.value)


def test_binary_and_ascii_say_the_same() -> None:
    assert np.array_equal(stl.read_stl(binary(BOX), ""), BOX)
    assert np.array_equal(stl.read_stl(text(ascii_lines(BOX)), ""), BOX)


def test_the_word_solid_in_a_binary_header_means_nothing() -> None:
    assert np.array_equal(stl.read_stl(binary(BOX, b"solid box"), ""), BOX)


def test_normals_are_not_trusted() -> None:
    data = bytearray(binary(BOX))
    data[84:96] = struct.pack("<3f", np.nan, np.inf, 1.0)
    assert np.array_equal(stl.read_stl(bytes(data), ""), BOX)


@pytest.mark.parametrize("cut", [1, 12, 49])
def test_a_binary_file_cut_off_says_how_much_is_there(cut: int) -> None:
    message = refused(binary(BOX)[:-cut])
    assert "cut off" in message
    assert "promises 12 facets (684 bytes)" in message
    assert "holds 11" in message


def test_a_binary_file_cut_off_in_its_header() -> None:
    assert "byte 40" in refused(binary(BOX)[:40])


def test_a_binary_file_that_goes_on_past_its_end() -> None:
    message = refused(binary(BOX) + b"more")
    assert "byte 684" in message
    assert "4 bytes follow" in message


def test_a_binary_file_without_facets() -> None:
    assert "no facets" in refused(binary(BOX[:0]))


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf])
def test_a_binary_corner_that_is_no_number_names_its_facet(value: float) -> None:
    bad = BOX.copy()
    bad[4, 1, 2] = value
    message = refused(binary(bad))
    assert "facet 5 (byte 284)" in message
    assert str(value) in message


def test_ascii_cut_off_in_the_middle_names_the_line() -> None:
    lines = ascii_lines(BOX)
    message = refused(text(lines[:40]))
    assert "cut off" in message
    assert "inside a facet, after 5 whole facets" in message
    assert "line 41" in message
    message = refused("\n".join(lines[:-1]).encode())
    assert "without endsolid, after 12 whole facets" in message


@pytest.mark.parametrize(
    ("line", "instead", "want"),
    [
        (0, "bolid x", "solid"),
        (1, "facet norma 0 0 0", "normal"),
        (2, "outer lop", "loop"),
        (3, "vertex 0 zero 0", "a finite decimal number"),
        (3, "vertex 0 nan 0", "a finite decimal number"),
        (3, "vertex 0 1e 0", "a finite decimal number"),
        (3, "vertex 0 1_0 0", "a finite decimal number"),
        (3, "vertex 0 1,5 0", "a finite decimal number"),
        (3, "vertex 0 -inf 0", "a finite decimal number"),
        (3, "vertex 0 1 0 4", "vertex"),
        (6, "endlop", "endloop"),
        (7, "solid again", "endfacet"),
        (8, "face", "facet or endsolid"),
    ],
)
def test_ascii_with_one_wrong_word_names_line_and_word(line: int, instead: str, want: str) -> None:
    lines = ascii_lines(BOX)
    lines[line] = instead
    message = refused(b"solid" + text(lines) if line == 0 else text(lines))
    assert f"line {line + 1}" in message
    assert want in message


@pytest.mark.parametrize("number", ["1\x000", "10\x00", "\x00"])
def test_ascii_with_a_zero_byte_in_a_number(number: str) -> None:
    lines = ascii_lines(np.repeat(BOX, 3, axis=0))
    lines[150] = f"vertex 0 {number} 0" if "vertex" in lines[150] else pytest.fail("no vertex there")
    message = refused(text(lines))
    assert "line 151" in message
    assert message.isprintable()


def test_ascii_corner_beyond_all_numbers() -> None:
    lines = ascii_lines(BOX)
    lines[10] = "vertex 0 1e999 0"
    assert "facet 2" in refused(text(lines))


def test_ascii_words_after_the_end_and_between_solids() -> None:
    lines = ascii_lines(BOX)
    assert "line 87" in refused(text([*lines, "vertex 0 0 0"]))
    both = [*lines, "vertex 0 0 0", *lines]
    assert "line 87" in refused(text(both))


def test_ascii_without_facets() -> None:
    assert "no facets" in refused(b"solid empty\nendsolid empty\n")


def test_ascii_free_layout_capitals_and_several_solids() -> None:
    lines = ascii_lines(BOX)
    one_line = " ".join(lines[1:-1]).upper()
    assert np.array_equal(stl.read_stl(f"SOLID a b\r\n{one_line}\r\nENDSOLID\r\n".encode(), ""), BOX)
    halves = text(ascii_lines(BOX[:5], "")) + b"\n\n" + text(ascii_lines(BOX[5:], "two words"))
    assert np.array_equal(stl.read_stl(halves, ""), BOX)


numbers = st.floats(-1e6, 1e6, allow_nan=False)
spaces = st.sampled_from([" ", "\t", "  ", " \r\n", "\n", "\n\n\t"])


@given(st.lists(numbers, min_size=9, max_size=36), st.data())
@settings(max_examples=60, deadline=None)
def test_quick_and_strict_ascii_agree(values: list[float], data: st.DataObject) -> None:
    triangles = np.array(values[: len(values) // 9 * 9]).reshape(-1, 3, 3)
    words = " ".join(ascii_lines(triangles)[1:-1]).split()
    gaps = data.draw(st.lists(spaces, min_size=len(words), max_size=len(words)))
    body = "".join(w + g for w, g in zip(words, gaps, strict=True))
    file = f"solid\n{body}\nendsolid".encode()
    quick = stl._whole_table(file)
    assert quick is not None
    assert np.array_equal(quick, triangles)
    assert np.array_equal(stl._word_by_word(file, ""), triangles)


def read_or_message(file: Path) -> tuple[Solid, str] | str:
    try:
        return read_model(file)
    except InputError as error:
        return str(error)


edits = st.lists(
    st.tuples(
        st.integers(0, 2000), st.sampled_from(["set", "cut", "add", "end"]), st.binary(min_size=1, max_size=9)
    ),
    min_size=1,
    max_size=5,
)


def mutated(data: bytes, changes: list[tuple[int, str, bytes]]) -> bytes:
    for place, how, what in changes:
        at = place % (len(data) + 1)
        if how == "set":
            data = data[:at] + what + data[at + len(what) :]
        elif how == "cut":
            data = data[:at] + data[at + len(what) :]
        elif how == "add":
            data = data[:at] + what + data[at:]
        else:
            data = data[:at]
    return data


@given(st.booleans(), edits)
@settings(max_examples=300, deadline=None)
@pytest.mark.slow
def test_mutated_files_give_a_solid_or_a_message(
    tmp_path_factory: pytest.TempPathFactory, is_text: bool, changes: Any
) -> None:
    file = tmp_path_factory.getbasetemp() / "mutated.stl"
    data = mutated(text(ascii_lines(BOX)) if is_text else binary(BOX), changes)
    file.write_bytes(data)
    answer = read_or_message(file)
    if isinstance(answer, str):
        assert answer.isprintable()
        return
    solid, digest = answer
    assert isinstance(solid, Solid)
    assert np.isfinite(solid.triangles).all()
    assert solid.triangles.dtype == np.float64
    assert digest == hashlib.sha256(data).hexdigest()


@given(st.binary(max_size=300))
@settings(max_examples=200, deadline=None)
def test_the_quick_ascii_reader_never_takes_what_the_strict_one_refuses(noise: bytes) -> None:
    good = text(ascii_lines(BOX[:1]))
    for data in (noise, b"solid " + noise, good + noise, good[:-12] + noise + b"\nendsolid\n"):
        quick = stl._whole_table(data)
        if quick is not None:
            assert np.array_equal(quick, stl._word_by_word(data, ""))


def test_a_file_larger_than_the_memory_it_may_take(tmp_path: Path) -> None:
    file = tmp_path / "big.stl"
    with file.open("wb") as out:
        out.truncate(MEMORY)
    with pytest.raises(
        InputError, match=r"2147 MB and would need about 7\.5 GB of memory, the limit is 2\.1 GB"
    ):
        read_model(file)


def test_what_is_no_file(tmp_path: Path) -> None:
    for path, word in (
        (tmp_path / "none.stl", "no such file"),
        (tmp_path, "is a folder, not a file"),
        (Path("a\0b"), "no such file"),
    ):
        with pytest.raises(InputError, match=word):
            read_model(path)
    prose = tmp_path / "letter.stl"
    prose.write_text("Dear Sir, enclosed please find the model of the die plate. " * 9)
    with pytest.raises(InputError, match="not the beginning of a model"):
        read_model(prose)
    empty = tmp_path / "empty.stl"
    empty.write_bytes(b"")
    with pytest.raises(InputError, match=r"shown\.stl: the file is empty"):
        read_model(empty, shown_as="shown.stl")


def test_solids_of_an_ascii_file_are_chosen_by_name(tmp_path: Path) -> None:
    """Names as they stand behind "solid", with blanks and without; \\r\\n, an empty solid, one twice."""
    nothing = ["solid nothing", "endsolid nothing"]
    lines = [*ascii_lines(BOX, "left jaw"), *nothing, *ascii_lines(BOX[:3] + 100, "b")]
    file = tmp_path / "vise.stl"
    for end in ("\n", "\r\n"):
        file.write_bytes(end.join(lines).encode())
        assert len(read_model(file)[0].triangles) == 15
        assert len(read_model(file, bodies=["left jaw"])[0].triangles) == 12
        assert read_model(file, bodies=["b"])[0].triangles.min() == 100
        with pytest.raises(
            InputError, match=r'no body "left jar"; did you mean "left jaw"\? it has "b", "left'
        ):
            read_model(file, bodies=["left jar"])
    with pytest.raises(InputError, match='no body "nothing"'):
        read_model(file, bodies=["nothing"])
    file.write_bytes(
        text(ascii_lines(BOX, "jaw") + ascii_lines(BOX + 50, "bolt") + ascii_lines(BOX + 99, "jaw"))
    )
    assert len(read_model(file, bodies=["jaw"])[0].triangles) == 24


@pytest.mark.parametrize("name", ["", "endfacet", "facet endfacet", "SOLID solid"])
def test_names_that_look_like_words_of_the_format(tmp_path: Path, name: str) -> None:
    file = tmp_path / "a.stl"
    file.write_bytes(text(ascii_lines(BOX, name) + ascii_lines(BOX + 50, "other")))
    assert len(read_model(file, bodies=["other"])[0].triangles) == 12
    assert len(read_model(file)[0].triangles) == 24
