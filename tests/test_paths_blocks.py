"""What ";" and nested brackets may hide: words that some controls run and others pass over.

That ";" ends a block on some controls and begins a comment on others: common practice, no source. Which
move is run under which meaning is worked out here by hand.
"""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import pytest

from clearance.errors import InputError
from clearance.toolpath.moves import Moves
from clearance.toolpath.nc.reader import read_nc
from clearance.toolpath.nc.words import words_by_block, words_sha256
from clearance.toolpath.read import ControlWords, PathOptions
from tests.pace import slowness

MEANINGS = (None, "comment", "end of block")


def read(program: str, semicolon: Any = None, **options: Any) -> Moves:
    return read_nc(program, "a.nc", PathOptions(codes=ControlWords(semicolon=semicolon), **options))


def points(moves: Moves) -> list[tuple[float, float]]:
    return [tuple(p) for p in np.vstack([moves.start[:1], moves.end]).round(9).tolist()]


TWO = "G90 G00 X0. Y0.\nN20 G01 X5. Y0.;N25 G01 X200. Y0.\nM02\n"


def test_words_behind_a_semicolon_wait_for_the_machine_file() -> None:
    with pytest.raises(InputError) as caught:
        read(TWO)
    assert str(caught.value) == (
        'a.nc: line 2: "N25 G01 X200. Y0." behind ";": a comment on some controls, a block that runs on '
        'others; codes.semicolon = "comment" or "end of block" in the machine file'
    )
    assert points(read(TWO, "comment")) == [(0, 0), (5, 0)]
    moves = read(TWO, "end of block")
    assert points(moves) == [(0, 0), (5, 0), (200, 0)]
    assert moves.line.tolist() == [2, 2]
    assert moves.block == ("N20", "N25")


@pytest.mark.parametrize(
    "behind",
    ["X5", "x5.", "N5 G01 X1", "X 5", "X-5", "X.5", "X -.5", "tool T1", "Y+1 back", "#1=5", "X#1", "X[2]",
     ":12", "M30", "(Y9", "(X5)", "/N5 X5", ";; X5", "a;b;G0"],
)  # fmt: skip
@pytest.mark.parametrize("before", ["X5. ", "", "(go) ", "/X5. "])
def test_what_looks_like_a_word_is_refused(before: str, behind: str) -> None:
    with pytest.raises(InputError, match=r'line 2: ".*" behind ";"'):
        read(f"G01 X0 Y0\n{before};{behind}\nX9.\nM02")
    with pytest.raises(InputError, match=r'line 2: ".*" behind ";"'):
        read(f"G01 X0 Y0\n{before};{behind}\nX9.\nM02", block_delete="skip")
    assert len(read(f"G01 X0 Y0\n{before};{behind}\nX9.\nM02", "comment")) <= 2


@pytest.mark.parametrize(
    "behind",
    ["", "  ", "back", " lead in, 5 mm ", "step 2", "2nd side", "100 %", "über 5", "- - -", ";", "(a)"],
)
def test_prose_behind_a_semicolon_is_a_comment(behind: str) -> None:
    assert points(read(f"G00 X0 Y0\nG01 X5.;{behind}\n;{behind}\nM02")) == [(0, 0), (5, 0)]


def test_a_semicolon_that_ends_each_block() -> None:
    program = "%;\nO1;\nG90 G00 X0. Y0.;\nG01 X5.; Y5.;; G91 X1.\n;X1.;(a)X1. Y1.;\nG90;\nM02; X99.;\n%;\nX3."
    moves = read(program, "end of block")
    assert points(moves) == [(0, 0), (5, 0), (5, 5), (6, 5), (7, 5), (8, 6)]
    assert moves.line.tolist() == [4, 4, 4, 5, 5]
    assert moves.notes == ("line 7: what stands behind the program's end (M02) is not read",)


def test_each_block_of_a_line_has_its_own_height_and_offset() -> None:
    """Z and the wire offset are kept by block, not by line: a height for each of three moves in one line."""
    moves = read("G90 G00 X0. Y0. Z30.;G01 X5.;X6. Z31.;X7.;G00 Z40.\nM02", "end of block", upper_height=30.0)
    assert moves.start_z is not None
    assert moves.end_z is not None
    assert moves.start_z.tolist() == [30, 30, 31, 31]
    assert moves.end_z.tolist() == [30, 31, 31, 40]
    moves = read("G90 G00 X0. Y0.;G41 D1 G01 X5.;Y5.;X9.\nG40 X12.\nM02", "end of block", offsets={1: 0.2})
    assert moves.line.tolist() == [1, 1, 1, 1, 2]
    assert moves.count == 4
    with pytest.raises(InputError, match="line 2: the inside corner"):
        read("G90 G00 X0. Y0.;G41 D1 G01 X5.\nY.1;X0.\nM02", "end of block", offsets={1: 0.2})
    with pytest.raises(InputError, match="line 2: a coordinate that is too large"):
        read("G90 G00 X0. Y0.;G01 X5.\nY.1;X300000.\nM02", "end of block")
    for rest in ("", "G01 X0.\n"):
        with pytest.raises(InputError, match="the first point has a coordinate that is too large"):
            read(f"G90 G00 X300000. Y0.\n{rest}M02", "end of block")


def test_a_semicolon_in_brackets() -> None:
    assert points(read("G00 X0 Y0\nG01 (a ; b) X5.\nM02")) == [(0, 0), (5, 0)]
    with pytest.raises(InputError, match=r'line 2: "X5.*" behind ";"'):
        read("G00 X0 Y0\nG01 (a ; X5) X5.\nM02")
    assert points(read("G00 X0 Y0\nG01 (a ; X7) X5.\nM02", "comment")) == [(0, 0), (5, 0)]
    with pytest.raises(InputError, match='line 2: ";" inside a comment'):
        read("G00 X0 Y0\nG01 (a ; b) X5.\nM02", "end of block")


def test_behind_the_programs_end_nothing_is_refused() -> None:
    assert len(read("G00 X0 Y0\nG01 X5.\nM02\n; X5\n(a(b))\nX7")) == 1


@pytest.mark.parametrize("block", ["(a(b) X200. )", "(a (b))", "((X1.))", "X5. (a(b(c)))"])
@pytest.mark.parametrize("meaning", MEANINGS)
def test_nested_brackets_are_refused(block: str, meaning: str | None) -> None:
    with pytest.raises(InputError, match="line 2: a comment bracket inside a comment: some controls end"):
        read(f"G01 X0 Y0\n{block}\nM02", meaning)


def test_a_comment_before_the_tapes_beginning() -> None:
    for first in ("(made on a Monday)\n", "\n(a)\n\n(b)\n", "; by hand\n"):
        text = f"{first}%\nO1\nG00 X0. Y0.\nG01 X5.\nM02\n%\n"
        assert points(read(text)) == [(0, 0), (5, 0)]


@pytest.mark.parametrize(
    "line",
    ["(" * 100_000 + ")" * 100_000, "()" * 100_000, "(" * 100_000, ")" * 100_000, "(;" * 100_000,
     ";" * 100_000, "(a;)" * 50_000, "E1 " * 100_000, "X1.E2 " * 100_000, "X" * 100_000, "X 1" * 100_000,
     "; " + "X" * 100_000, "; " + "X " * 100_000, "; X" + " " * 100_000, "X" + "9" * 1_000_000,
     ";a" * 100_000, " " * 300_000 + "!"],
)  # fmt: skip
@pytest.mark.parametrize("meaning", MEANINGS)
@pytest.mark.timed
def test_one_line_of_anything_is_answered_at_once(line: str, meaning: str | None) -> None:
    before = time.process_time()
    message = ""
    try:
        read(f"G00 X0. Y0.\n{line}\nM02\n", meaning)
    except InputError as error:
        message = str(error)
    words_by_block(f"G00 X0. Y0.\n{line}\nM02\n", meaning)
    assert time.process_time() - before < 2.0 * slowness()
    assert len(message) < 300
    assert "\n" not in message


# ------------------------------------------------------------------------------------------- the fingerprint


def test_a_block_added_behind_a_semicolon_is_another_program() -> None:
    one = TWO.replace(";N25 G01 X200. Y0.", "")
    for meaning in (None, "end of block"):
        assert words_sha256(TWO.encode(), "", meaning) != words_sha256(one.encode(), "", meaning)
    assert words_sha256(TWO.encode(), "", "comment") == words_sha256(one.encode(), "", "comment")
    prose = TWO.replace("N25 G01 X200. Y0.", "back")
    for meaning in (None, "comment"):
        assert words_sha256(prose.encode(), "", meaning) == words_sha256(one.encode(), "", meaning)
    assert words_sha256(prose.encode(), "", "end of block") != words_sha256(one.encode(), "", "end of block")


def test_one_meaning_of_the_semicolon_is_not_another() -> None:
    for text in (TWO, TWO.replace(";N25 G01 X200. Y0.", "")):
        assert len({words_sha256(text.encode(), "", meaning) for meaning in MEANINGS}) == 3


def test_blocks_as_they_are_hashed() -> None:
    assert words_by_block(TWO) == ["G90 G00 X0. Y0.", "?N20 G01 X5. Y0.;N25 G01 X200. Y0.", "M02"]
    assert words_by_block(TWO, "comment") == ["G90 G00 X0. Y0.", "N20 G01 X5. Y0.", "M02"]
    assert words_by_block(TWO, "end of block") == [
        "G90 G00 X0. Y0.", "N20 G01 X5. Y0.", "N25 G01 X200. Y0.", "M02",
    ]  # fmt: skip
    assert words_by_block("X1.\n(a(b) X200. )") == ["X1.", "?(a(b) X200. )"]
