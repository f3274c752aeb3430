"""The hash of a program's words: writing it otherwise changes nothing, writing something else always does.

What a comment, a block and a word are: ISO 6983-1:2009 (from memory). That a "%" before the first block and
behind the last one moves nothing, and comes and goes with the transfer: common practice, no source.
"""

from __future__ import annotations

import random
import re

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from clearance.errors import InputError
from clearance.toolpath.moves import ControlWords, Moves, PathOptions
from clearance.toolpath.nc.reader import read_nc
from clearance.toolpath.nc.words import Semicolon, text_of, words_by_block, words_sha256

PROGRAM = """%
O12 (opening)
N10 G90 G71 G92 X0. Y0.
N20 G01 X10.5 Y-3 F8
/N30 G04 X1.5
/2 N35 X11.25
N40 G03 X20. Y7. I4.75 J5.
N50 G01 X-2.5
N60 G00 X0. Y0. ; back
M30
%
"""


def same(one: str, other: str, semicolon: Semicolon = None) -> bool:
    return words_sha256(one.encode(), "a.nc", semicolon) == words_sha256(other.encode(), "b.nc", semicolon)


@pytest.mark.parametrize(
    ("what", "other"),
    [
        ("line ends of another system", PROGRAM.replace("\n", "\r\n")),
        ("line ends of an old one", PROGRAM.replace("\n", "\r")),
        ("lower case", PROGRAM.lower()),
        ("blank lines", PROGRAM.replace("\n", "\n\n  \n")),
        ("no spaces", PROGRAM.replace(" ", "")),
        ("spaces inside words", PROGRAM.replace("X10.5", "X \t10.5")),
        ("no comments", re.sub(r"\(.*?\)|;.*", "", PROGRAM)),
        ("other comments", PROGRAM.replace("(opening)", "(second opening)")),
        ("a comment in a block", PROGRAM.replace("X-2.5", "(X9)X-2.5(Y7)")),
        ("a comment with other letters", PROGRAM.replace("back", "zurück")),
        ("a line that is a comment", PROGRAM.replace("N50", "(N45 X3.)\nN50")),
        ("no % around it", PROGRAM.replace("%\n", "")),
        ("a comment before the tape's beginning", "(x)\n" + PROGRAM),
        ("no line end at the end", PROGRAM.rstrip("\n")),
        ("a byte order mark", "\ufeff" + PROGRAM),
    ],
)
def test_the_same_words_written_otherwise(what: str, other: str) -> None:
    assert other != PROGRAM
    assert same(PROGRAM, other), what


def test_an_encoding_is_no_word() -> None:
    assert words_sha256(PROGRAM.encode("utf-16"), "a.nc") == words_sha256(PROGRAM.encode(), "a.nc")
    assert words_sha256("(Öffnung)\nX1".encode("latin-1"), "a.nc") == words_sha256(b"X1", "a.nc")


@pytest.mark.parametrize(
    ("what", "before", "after"),
    [
        ("a coordinate", "X10.5", "X10.6"),
        ("a sign", "Y-3", "Y3"),
        ("a point that some controls need", "Y-3", "Y-3."),
        ("a nought behind it", "X-2.5", "X-2.50"),
        ("a plus", "Y7.", "Y+7."),
        ("a number", "N40", "N45"),
        ("a block that is deleted", "/N30", "N30"),
        ("a block that is deleted now", "N50", "/N50"),
        ("another switch of block delete", "/2 N35", "/3 N35"),
        ("a dwell", "X1.5", "X1.6"),
        ("a feed", "F8", "F9"),
        ("a letter", "I4.75", "R4.75"),
        ("a word more", "G01 X-2.5", "G01 X-2.5 M50"),
        ("the order in a block", "X20. Y7.", "Y7. X20."),
        ("two blocks of one", "X10.5 Y-3", "X10.5\nY-3"),
        ("one block of two", "X11.25\n", "X11.25 "),
        ("a block that is out of the way", "N50 G01 X-2.5", "(N50 G01 X-2.5)"),
        ("a block behind a semicolon", "N50 G01 X-2.5", ";N50 G01 X-2.5"),
        ("the name", "O12", "O13"),
        ("an end in the middle", "N50", "%\nN50"),
        ("what stands behind the end", "M30\n", "M30\nG00 X5.\n"),
        ("what cannot be read behind the end", "M30\n", "M30\n#1=5\n"),
        ("a % that says more", "%\nO12", "% 7\nO12"),
        ("a word before the tape's beginning: the reader stops there", "%\nO12", "O1\n%\nO12"),
        ("brackets in brackets: some controls end the comment at the first )", "(opening)", "((opening))"),
        ("a word behind a semicolon", "; back", "; back X5."),
    ],
)
def test_other_words(what: str, before: str, after: str) -> None:
    assert before in PROGRAM
    assert not same(PROGRAM, PROGRAM.replace(before, after, 1)), what


def test_blocks_as_they_are_hashed() -> None:
    assert words_by_block(PROGRAM.replace("(opening)", "(opening)\n#1=2")) == [
        "O12", "?#1=2", "N10 G90 G71 G92 X0. Y0.", "N20 G01 X10.5 Y-3 F8", "/ N30 G04 X1.5", "/2 N35 X11.25",
        "N40 G03 X20. Y7. I4.75 J5.", "N50 G01 X-2.5", "N60 G00 X0. Y0.", "M30",
    ]  # fmt: skip


@pytest.mark.parametrize("data", [b"", b" \n", b"G00 X1\0", b"\xff\xfeX"])
def test_what_is_no_text_has_no_words(data: bytes) -> None:
    with pytest.raises(InputError, match=r"a\.nc: the file"):
        words_sha256(data, "a.nc")


# ------------------------------------------------------------------------------------------------ by chance
number = st.one_of(
    st.integers(-99, 99).map(lambda n: f"{n}."),
    st.integers(-9999, 9999).map(lambda n: f"{n / 1000}"),
    st.integers(-99, 99).map(str),
)
straight = st.tuples(st.sampled_from(["G00", "G01", ""]), number, number).map(
    lambda t: [w for w in (t[0], f"X{t[1]}", f"Y{t[2]}") if w]
)
still = st.sampled_from([["G40"], ["F8"], ["M50"], ["G90"], ["G91"], ["G04", "X1.5"], ["G04", "P20"]])
block = st.tuples(
    st.sampled_from(["", "", "", "/", "/2"]), st.integers(1, 999), st.one_of(straight, straight, still)
)
program = st.lists(block, min_size=1, max_size=12)


def written(blocks: list[tuple[str, int, list[str]]]) -> str:
    body = [f"{mark}N{n} {' '.join(words)}" for mark, n, words in blocks]
    return "\n".join(["%", "O1", "G90 G00 X0. Y0.", *body, "M30", "%", ""])


def written_otherwise(blocks: list[tuple[str, int, list[str]]], rng: random.Random) -> str:
    """The same words with other spacing, comments, case and line ends."""

    def gap() -> str:
        return rng.choice(["", " ", "\t", "  ", "(x)", " (X1. Y2. %) "])

    def word(text: str) -> str:
        text = text[0] + rng.choice(["", " ", "\t"]) + text[1:]
        return rng.choice([text, text.lower()])

    lines = [rng.choice(["", "%\n%", "  % "])]
    rows = [("", ["O1"]), ("", ["G90", "G00", "X0.", "Y0."])]
    rows += [(mark, [f"N{n}", *words]) for mark, n, words in blocks]
    for mark, words in [*rows, ("", ["M30"])]:
        lines.append(" " * rng.randrange(3) + mark + gap() + gap().join(map(word, words)) + gap())
        if rng.random() < 0.3:
            lines.append(rng.choice(["", "  ", "(G01 X5.)", "; and so on", "/(deleted)"]))
        if rng.random() < 0.2:
            lines[-1] += "; (or so"
    lines.append(rng.choice(["", "%", "(end)", "%\n(end)\n"]))
    return rng.choice(["\n", "\r\n", "\r"]).join(lines)


@settings(max_examples=150, deadline=None)
@given(program, st.randoms(use_true_random=False))
@pytest.mark.slow
def test_writing_it_otherwise_changes_nothing(
    blocks: list[tuple[str, int, list[str]]], rng: random.Random
) -> None:
    other = written_otherwise(blocks, rng)
    assert words_by_block(text_of(other.encode(), "", "")) == words_by_block(written(blocks))
    assert same(other, written(blocks))


@settings(max_examples=200, deadline=None)
@given(program, st.data())
def test_any_number_changed_is_seen(blocks: list[tuple[str, int, list[str]]], data: st.DataObject) -> None:
    text = written(blocks)
    spots = list(re.finditer(r"(?<=[A-Z])[-0-9.]+", text))
    spot = data.draw(st.sampled_from(spots))
    new = data.draw(number.filter(lambda n: n != spot[0]))
    assert not same(text, text[: spot.start()] + new + text[spot.end() :])


def moves_or_none(text: str, semicolon: Semicolon) -> Moves | None:
    options = PathOptions(block_delete="skip", codes=ControlWords(semicolon=semicolon))
    try:
        return read_nc(text_of(text.encode(), "a.nc", ""), "a.nc", options)
    except InputError:
        return None


def test_what_is_written_here_can_be_read() -> None:
    """Else the test below compares errors with errors."""
    for semicolon in (None, "comment", "end of block"):
        moves = moves_or_none(written([("", 1, ["G01", "X1."]), ("/2", 2, ["X2.", "Y3"])]), semicolon)
        assert moves is not None
        assert len(moves) == 1


edit = st.one_of(
    st.text("XYGN/%();. \n\t19-+E", max_size=3),
    st.sampled_from(
        [";", "; b", ";X1.", "; X 9", ";N25 G01 X200. Y0.", ";G04 P1", ";;", "(a;b)", "(a;X1.)", ";%", "%;"]
    ),
    st.sampled_from(["\n;X1.\n", "\n(a;X1.)\n", "\n(a(b))\n", "\n; b\n", "\n;\n", "\n;N25 G01 X200. Y0.\n"]),
    st.sampled_from(
        ["(a(b) X200. )", "(a(b))", "((", "))", "(b)", "(a)\n%\n", ";(a", "(;)", ";/X1.", ";#1=2", "(a;"]
    ),
)


@settings(max_examples=600, deadline=None)
@given(
    program,
    st.lists(st.tuples(st.integers(0, 400), st.integers(0, 3), edit), min_size=1, max_size=3),
    st.sampled_from([None, "comment", "end of block"]),
)
@example([("", 1, ["X1."])], [(0, 0, "(")], None)
@example([("", 1, ["X1."])], [(0, 0, "(a)\n")], None)
@example([("", 1, ["X1."]), ("", 2, ["X2."])], [(31, 0, "\n%\n")], None)
@example([("", 1, ["X1."])], [(20, 0, ";X9.")], None)
@example([("", 1, ["X1."])], [(20, 0, "\n;X9.\n")], None)
@example([("", 1, ["X1."])], [(20, 0, "\n(a;X9.)\n")], None)
@example([("", 1, ["X1."])], [(20, 0, "\n(a(b)X9.)\n")], "comment")
@example([("", 1, ["X1."])], [(20, 0, "\n(a;b)\n")], "end of block")
@example([("", 1, ["X1."])], [(20, 0, ";b")], "end of block")
@example([("", 1, ["X1."])], [(20, 0, "(a(b)X200. )")], "comment")
@pytest.mark.slow
def test_equal_words_are_equal_paths(
    blocks: list[tuple[str, int, list[str]]], edits: list[tuple[int, int, str]], semicolon: Semicolon
) -> None:
    """Whatever was edited: where the hash does not see it, the reader does not either."""
    text = other = written(blocks)
    for at, gone, new in edits:
        at = min(at, len(other))
        other = other[:at] + new + other[at + gone :]
    if not other.strip() or not same(text, other, semicolon):
        return
    one, two = moves_or_none(text, semicolon), moves_or_none(other, semicolon)
    assert (one is None) == (two is None)
    if one is None or two is None:
        return
    for key in ("start", "end", "centre", "sweep", "rapid", "threaded"):
        np.testing.assert_array_equal(getattr(one, key), getattr(two, key))
    assert one.block == two.block
