"""What ISO 6983 programs say, and every message when they say something wrong."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from clearance.errors import InputError
from clearance.toolpath.moves import Moves
from clearance.toolpath.nc.reader import read_nc
from clearance.toolpath.read import ControlWords, PathOptions, read_path


def read(program: str, **options: Any) -> Moves:
    return read_nc(program, "a.nc", PathOptions(**options))


def points(moves: Moves) -> list[tuple[float, float]]:
    return [tuple(p) for p in np.vstack([moves.start[:1], moves.end]).round(9).tolist()]


PLATE = """%
O1001 (side plate, opening)
N10 G90 G71 G17
N20 G92 X0 Y0
N30 G01 X10. F3.2 ; lead in
N40 Y5.5
N50 G03 X5 Y10.5 I-5 J0
N60 G1 X-5
N70 G00 X0 Y0
N80 M02
%
"""


def test_a_whole_program() -> None:
    moves = read(PLATE)
    assert points(moves) == [(0, 0), (10, 0), (10, 5.5), (5, 10.5), (-5, 10.5), (0, 0)]
    assert moves.line.tolist() == [5, 6, 7, 8, 9]
    assert moves.block == ("N30", "N40", "N50", "N60", "N70")
    assert moves.rapid.tolist() == [False] * 4 + [True]
    assert moves.threaded.tolist() == [True] * 4 + [False]
    assert moves.thread_points == (0,)
    assert moves.passed_over == (("F3.2", 5),)
    assert moves.notes == ()
    assert np.degrees(moves.sweep).tolist() == pytest.approx([0, 0, 90, 0, 0])
    assert moves.source == "a.nc"


def test_no_move_leads_to_the_first_point() -> None:
    assert points(read("G00 X5 Y6\nG01 X7\nM02")) == [(5, 6), (7, 6)]
    assert points(read("G00 X5\nG00 Y6\nG01 X7\nM02")) == [(5, 6), (7, 6)]
    assert points(read("X5 Y6\nG01 X7\nM02")) == [(5, 6), (7, 6)]


def test_a_program_of_one_point_stands_there() -> None:
    moves = read("G00 X5 Y6\nM02")
    assert points(moves) == [(5, 6), (5, 6)]
    assert not moves.threaded.any()


def test_g91_counts_from_where_the_wire_is() -> None:
    assert points(read("G90 G00 X5 Y6\nG91 G01 X1\nY-2\nG90 X0 Y0\nM02")) == [(5, 6), (6, 6), (6, 4), (0, 0)]
    # Before any point is named the count begins at the zero, and the way from there is kept: the safe side.
    moves = read("G91 G01 X3 Y4\nX1\nM02")
    assert points(moves) == [(0, 0), (3, 4), (4, 4)]
    assert "G91" in moves.notes[0]


def test_g92_renames_the_place() -> None:
    program = "G90 G00 X10 Y20\nG92 X0 Y0\nG01 X1 Y1\nG92 Y0\nX2 Y2\nM02"
    # Wire at (10, 20) is called (0, 0); then (11, 21) is called (1, 0).
    assert points(read(program)) == [(10, 20), (11, 21), (12, 23)]


# ISO 6983-1's inch word is G70 and its metric word G71; G20 and G21 are the usual controls' (from memory).
@pytest.mark.parametrize("word", ["G20", "G70"])
def test_inches(word: str) -> None:
    assert points(read(f"{word} G00 X1 Y2\nG01 X-1\nM02")) == [(25.4, 50.8), (-25.4, 50.8)]
    moves = read(f"{word} G00 X0 Y0\nG03 I1\nM02")
    assert moves.centre[0].tolist() == [25.4, 0]


@pytest.mark.parametrize("word", ["G21", "G71"])
def test_millimetres_though_the_setup_is_in_inches(word: str) -> None:
    assert points(read(f"{word}\nG00 X1 Y2\nG01 X3\nM02", file_units="inch")) == [(1, 2), (3, 2)]


def test_the_setups_unit_holds_where_the_program_names_none() -> None:
    assert points(read("G00 X1 Y0\nG01 X2\nM02", file_units="inch")) == [(25.4, 0), (50.8, 0)]
    assert points(read("G00 X1 Y0\nG01 X2\nM02")) == [(1, 0), (2, 0)]


def test_a_unit_word_acts_on_its_own_block_wherever_it_stands() -> None:
    assert points(read("X1 Y1 G70 G0\nG91 G01 X1 G71\nM02")) == [(25.4, 25.4), (26.4, 25.4)]


@pytest.mark.parametrize(
    "block",
    [
        "G01X10Y-2.5",
        "g1 x10. y-2.50",
        "Y-2.5 X+10 G01",
        "N7G01 X 10 Y -02.5",
        "G001 X10.000 Y-2.5",
        "\tG1\tX10\tY-2.5 ",
    ],
)
def test_spellings_of_one_block(block: str) -> None:
    assert points(read(f"G90 G00 X0 Y0\n{block}\nM02")) == [(0, 0), (10, -2.5)]


def test_comments_say_nothing() -> None:
    program = "(G18 X9 [#1=2])\nG00 X0 (to ; the) Y0 (start hole 5)\nG01 X4 ; (back\n; zurück, 2 mm\nM02"
    assert points(read(program)) == [(0, 0), (4, 0)]
    program = "(G18 X9 [#1=2])\nG00 X0 (to ; the) Y0 (start ;X7)\nG01 X4 ; (Y9\n; G28 é\nM02"
    assert points(read(program, codes=ControlWords(semicolon="comment"))) == [(0, 0), (4, 0)]


def test_line_ends_and_marks() -> None:
    for end in ("\n", "\r\n", "\r"):
        text = "\ufeff" + PLATE.replace("\n", end)
        assert points(_from_bytes(text.encode("utf-8"))) == points(read(PLATE))
        assert _from_bytes(text.encode("utf-8")).line.tolist() == [5, 6, 7, 8, 9]
    assert points(_from_bytes(PLATE.replace("side", "Säge").encode("latin-1"))) == points(read(PLATE))
    assert points(_from_bytes(PLATE.encode("utf-16"))) == points(read(PLATE))


def _from_bytes(data: bytes) -> Moves:
    from clearance.toolpath.nc.words import text_of

    return read_nc(text_of(data, "a.nc", ""), "a.nc", PathOptions())


def test_block_delete() -> None:
    program = "G00 X0 Y0\n/N10 G01 X5\n/2 G01 Y5\nG01 X1\nM02"
    moves = read(program)
    assert points(moves) == [(0, 0), (5, 0), (5, 5), (1, 5)]
    assert 'begin with "/" are carried out; the first is line 2' in moves.notes[0]
    moves = read(program, block_delete="skip")
    assert points(moves) == [(0, 0), (1, 0)]
    assert "left out" in moves.notes[0]


def test_a_dwells_words_are_no_places() -> None:
    moves = read("G00 X0 Y0\nG01 X5\nG04 X2.5\nG04 P500 M08\nY1\nM02")
    assert points(moves) == [(0, 0), (5, 0), (5, 1)]
    assert moves.passed_over == (("G04", 3), ("M08", 4))


def test_blocks_that_go_nowhere_are_no_moves() -> None:
    assert points(read("G00 X0 Y0\nG01 X0 Y0\nG01 X5\nX5\nG00 Y0\nM02")) == [(0, 0), (5, 0)]


def test_what_moves_nothing_is_listed_once_with_its_first_line() -> None:
    program = "G00 X0 Y0 S5 T84 M80\nG01 X1 F2 M80\nX2 F3 E12\nX3 M082 H001\nG64 X4\nM30"
    assert read(program).passed_over == (
        ("S5", 1), ("T84", 1), ("M80", 1), ("F2", 2), ("E12", 3), ("M082", 4), ("H001", 4), ("G64", 5),
    )  # fmt: skip


def test_behind_the_end_nothing_is_read() -> None:
    moves = read("G00 X0 Y0\nG01 X1\nM30\n(over)\n%\n\nG01 X99")
    assert points(moves) == [(0, 0), (1, 0)]
    assert moves.notes == ("line 7: what stands behind the program's end (M30) is not read",)
    assert read("%\nG00 X0 Y0\nG01 X1\n%\n").notes == ()


def test_a_program_without_an_end_is_told() -> None:
    assert "no end" in read("G00 X0 Y0\nG01 X1\n").notes[0]


def test_one_zero_is_the_setups_zero() -> None:
    moves = read("G54 G00 X0 Y0\nG54 G01 X1\nM02")
    assert points(moves) == [(0, 0), (1, 0)]
    assert "G54" in moves.notes[0]


# --- the wire ------------------------------------------------------------------------------------------

TWO_RUNS = "G00 X0 Y0\nG01 X1\nX2\n{a}\nG00 X5\n{b}\nG00 X6\nG01 X7\nG00 X8\n{c}\nM02"


def wire_of(a: str = "", b: str = "", c: str = "", **codes: Any) -> tuple[str, tuple[int, ...]]:
    moves = read(TWO_RUNS.format(a=a, b=b, c=c), codes=ControlWords(**codes))
    return "".join("#" if t else "." for t in moves.threaded), moves.thread_points


def test_with_no_cut_word_named_the_wire_is_cut_at_the_end_of_the_run() -> None:
    assert wire_of() == ("##..#.", (0, 4))
    assert wire_of(a="M50", b="M60") == ("##..#.", (0, 4))


def test_with_a_cut_word_named_the_wire_stays_until_it_stands_there() -> None:
    assert wire_of(cut=("M50",)) == ("######", (0,))
    assert wire_of(a="M50", cut=("M050",)) == ("##..##", (0, 4))
    assert wire_of(b="m50", cut=("M50",)) == ("###.##", (0, 4))
    # In the block of a move it acts behind the move.
    assert wire_of(b="G00 X5.5 M50", cut=("M50",)) == ("####.##", (0, 5))


def test_a_thread_word_threads_earlier() -> None:
    assert wire_of(b="M60", thread=("M60",)) == ("##.##.", (0, 3))
    assert wire_of(a="M50", b="M60", thread=("M60",), cut=("M50",)) == ("##.###", (0, 3))
    assert wire_of(a="M60", thread=("M60",)) == ("#####.", (0, 2))
    assert wire_of(b="G00 X5.5 M60", thread=("M60",)) == ("##.###.", (0, 3))
    # A run that begins without one is threaded all the same.
    assert wire_of(thread=("M60",)) == ("##..#.", (0, 4))


def test_other_letters_can_be_codes() -> None:
    assert wire_of(a="T90", cut=("T90",)) == ("##..##", (0, 4))
    assert wire_of(a="G900", cut=("G900",)) == ("##..##", (0, 4))


def test_ignored_words() -> None:
    moves = read("G00 X0 Y0\nG60 G01 X1 C123\nX2 C7 A1\nM02", codes=ControlWords(ignore=("G60", "C", "A01")))
    assert points(moves) == [(0, 0), (1, 0), (2, 0)]
    assert moves.passed_over == (("G60", 2), ("C123", 2), ("A1", 3))


@pytest.mark.parametrize(
    ("codes", "says"),
    [
        (ControlWords(ignore=("G01",)), 'codes.ignore: "G01" means something else'),
        (ControlWords(ignore=("X",)), 'codes.ignore: "X" means something else'),
        (ControlWords(ignore=("Z5",)), 'codes.ignore: "Z5" means something else'),
        (ControlWords(ignore=("Z",)), 'codes.ignore: "Z" means something else'),
        (ControlWords(cut=("50",)), 'codes.cut: "50" is no NC word'),
        (ControlWords(thread=("T",)), 'codes.thread: "T" has no number'),
        (ControlWords(cut=("M30",)), 'codes.cut: "M30" means something else'),
        (ControlWords(ignore=("G18",)), 'codes.ignore: "G18" means something else'),
    ],
)
def test_codes_that_cannot_be(codes: ControlWords, says: str) -> None:
    with pytest.raises(InputError) as caught:
        read("G00 X0 Y0\nM02", codes=codes)
    assert says in str(caught.value)


# --- the wire offset, unresolved -----------------------------------------------------------------------


def test_an_offset_grows_by_the_largest_the_setup_gives() -> None:
    program = "G00 X0 Y0\nG41 D1 G01 X5\nG40 X9\nM02"
    assert read(program, offset_max=0.3).grow == 0.3


def test_an_offset_that_the_setup_does_not_give() -> None:
    with pytest.raises(InputError) as caught:
        read("G00 X0 Y0\nG42 D1 G01 X5\nG40 X9\nM02")
    assert str(caught.value).startswith(
        "a.nc: line 2: G42 asks for a wire offset, and the setup gives none; offsets"
    )


# --- messages ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("block", "says"),
    [
        ("G01 Xnan Y0", 'the word "X" has no number in "G01 Xnan Y0"'),
        ("G01 Xinf", 'the word "X" has no number'),
        ("G01 X Y5", 'the word "X" has no number'),
        ("G01 X1 5", "a number that cannot be read"),
        ("G01 X1.2.3", "a number that cannot be read"),
        ("G01 X--1", 'the word "X" has no number'),
        ("G01 X1,5", 'the character ","'),
        ("G01 X١", 'the character "١" outside a comment'),
        ("5 G01 X1", "a number that cannot be read"),
        ("G01 X1e5", "E directly behind a number"),
        ("G01 X1e-5", 'the word "E" has no number|E directly behind'),
        ("G01 X#100", '"X" has no number'),
        ("#1=5", '"#": variables'),
        ("G01 X[1+2]", '"X" has no number'),
        ("IF [1 EQ 1] GOTO 5", 'the word "I" has no number'),
        ("G01 X1 (open", "bracket without its partner"),
        ("G01 X1 open)", "bracket without its partner"),
        ("G01 /X1", '"/" inside a block'),
        ("G00 G01 X1", "G01 excludes another word of its block"),
        ("G90 G91 X1", "G91 excludes"),
        ("G20 G71", "G71 excludes"),
        ("G41 G40 G01 X5", "G40 excludes"),
        ("G92 G01 X5", "G01 excludes"),
        ("G01 X1 X2", "two words X in one block"),
        ("N1 N2 X1", "two block numbers"),
        ("G01 X1 I2", "I in a straight move"),
        ("G00 X1 R2", "R in a straight move"),
        ("G18", "G18 puts arcs into the plane of Z X; G17"),
        ("G019", "G019 puts arcs into the plane of Y Z; G17"),
        ("G28 X0", "G28 is not known"),
        ("G51 A2", "G51 is not known"),
        ("G68 R45", "G68 is not known"),
        ("G81 X5", "G81 is not known"),
        ("G90.1", "G90.1 is not known"),
        ("G53 X0", "G53 is not known"),
        (
            "A5",
            'A5 is not known and could change the geometry; if it moves nothing on your control, name "A5"',
        ),
        ("G01 X5 L3", "L3 is not known"),
        ("M98 P100", "M98 leads to another program"),
        ("M99", "M99 leads to another program"),
        ("O2", "O2 begins another program"),
        ("D1.5", "D1.5 is no offset number"),
        ("G04 X1 Y1", "G04 together with Y"),
        ("G04 G01 X1", "G01 excludes"),
        ("G92", "G92 with no axis"),
        ("G92 X0 I5", "G92 with I"),
        ("G54", "G54 after the path has begun"),
        ("G01 X200000", "too large"),
        ("G01 X" + "9" * 400, "too large"),
        ("G02 X1 I" + "9" * 50, "too large"),
        ("G02 X1 I" + "9" * 400, "too large a number"),
        ("N" + "9" * 5000 + " X1.", "N999999999999... is too large a number to be one, with 5000 digits"),
        ("D" + "9" * 5000, "too large a number"),
        ("M" + "9" * 5000, "too large a number"),
        ("G" + "9" * 5000, "too large a number"),
        ("X1\x0cY2", "the control character 0x0C"),
        ("\x1bX1", "the control character 0x1B"),
        ("X1\x7fY2", "the control character 0x7F"),
        ("G01 (a(b) X200. )", "a comment bracket inside a comment"),
        ("G01 X1. (a (b)", "a comment bracket inside a comment"),
        ("G01 X" + "9" * 5000, "too large"),
        ("M50 M60", "thread and that cut the wire in one block"),
    ],
)
def test_every_message_names_its_line(block: str, says: str) -> None:
    program = f"%\n(first)\nG90 G00 X0 Y0\n\nG01 X3\n{block}\nM02\n"
    with pytest.raises(InputError) as caught:
        read(program, codes=ControlWords(thread=("M60",), cut=("M50",)), offset_max=0.2)
    text = str(caught.value)
    assert text.startswith("a.nc: line 6: "), text
    assert any(part in text for part in says.split("|")), text
    assert "\n" not in text
    assert len(text) < 250


@pytest.mark.parametrize(
    ("program", "says"),
    [
        ("G01 X5\nY3\nM02", "line 1: a cut begins here, and Y was not named"),
        ("G02 X5 Y5 I3\nM02", "line 1: an arc before any point is named"),
        ("X5 Y5\nX6\nM02", "line 2: a point, and none of G00 to G03 before it"),
        ("G54 X0 Y0 G0\nG01 X5\nG55 X0\nM02", "line 3: G55 chooses another zero than G54 of line 1"),
        ("G41 G01 X0 Y0\nG92 X1\nM02", "line 2: G92 while the wire offset is on"),
        ("G90\nM02", "the program names no point"),
        ("%\n%", "the program names no point"),
        ("O12\n%\nG00 X0 Y0\n%", "the program names no point before its end (% in line 2)"),
        ("O12\nM30\nG00 X0 Y0\n%", "the program names no point before its end (M30 in line 2)"),
        ("Dear colleague,", 'line 1: the word "D" has no number'),
    ],
)
def test_programs_that_cannot_run(program: str, says: str) -> None:
    with pytest.raises(InputError) as caught:
        read(program, offset_max=0.1)
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("program", "says"),
    [
        ("G02 X1. Y0. R.2",
         "an arc of radius 0.2 inch cannot reach an end 1 inch away; R of 0.5 inch or more"),
        ("G02 X1. Y0. I.4",
         "the arc's start lies 0.4 inch from its centre and its end 0.6 inch, 5.08 mm apart"),
        ("G41 D1 G01 X1. Y1.\nX2.\nY1.001\nX1.",
         "inside corner at X2 Y1 leaves no room for the wire offset of 0.01 inch"),
        ("G41 D1 G01 X1. Y1.\nG03 X1.002 J.001 I.001",
         "0.01 inch uses up the arc's radius of 0.00141421 inch"),
        ("G92 Z2.", "G92 puts the upper face 2 inch above the part zero, the setup 1 inch"),
    ],
)  # fmt: skip
def test_lengths_of_an_inch_program_are_told_in_inches(program: str, says: str) -> None:
    with pytest.raises(InputError) as caught:
        read(f"G70 G90 G00 X0. Y0.\n{program}\nM02", offsets={1: 0.254}, upper_height=25.4)
    assert says in str(caught.value)


# --- files ---------------------------------------------------------------------------------------------


def test_reading_a_file(tmp_path: Path) -> None:
    import hashlib

    file = tmp_path / "opening.nc"
    file.write_text(PLATE)
    moves, digest = read_path(file, PathOptions(), "opening.nc")
    assert points(moves) == points(read(PLATE))
    assert digest == hashlib.sha256(PLATE.encode()).hexdigest()
    assert moves.source == "opening.nc"


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "the file is empty"),
        (b" \n\n", "the file is empty"),
        (b"PK\x03\x04\x00\x00abc", "not text"),
        (b"\xff\xfeG\x00G", "UTF-16"),
    ],
)
def test_files_that_are_no_programs(tmp_path: Path, data: bytes, says: str) -> None:
    file = tmp_path / "a.nc"
    file.write_bytes(data)
    with pytest.raises(InputError) as caught:
        read_path(file, PathOptions(), "a.nc")
    assert says in str(caught.value)
    assert str(caught.value).startswith("a.nc: ")


def test_no_file_and_a_folder(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"gone\.nc: there is no such file"):
        read_path(tmp_path / "gone.nc", PathOptions(), "gone.nc")
    with pytest.raises(InputError, match="is a folder, not a file"):
        read_path(tmp_path, PathOptions(), "folder")


def test_a_letter_o_for_a_nought_is_no_program_number() -> None:
    for block in ("N20 G00 X2O.5 Y40.", "N15 G00 Z4O.5 X1. Y1.", "O.5"):
        with pytest.raises(InputError) as caught:
            read(f"G90\n{block}\nG01 X9.\nM02", upper_height=20.0)
        assert "line 2: O" in str(caught.value)
        assert "a letter O for a nought?" in str(caught.value)
    assert len(read("O1001\nG90 G00 X0 Y0\nG01 X9.\nM02")) == 1
