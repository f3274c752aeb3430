"""Paths written by chance and read back, and files spoilt by chance: moves or one message, nothing else."""

from __future__ import annotations

import random
from itertools import pairwise
from math import cos, hypot, pi, sin
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.errors import InputError
from clearance.toolpath.moves import Moves
from clearance.toolpath.read import ControlWords, PathOptions, read_path

# Places on a grid of 1/1000 mm, as programs write them, held as whole numbers so that nothing is lost.
place = st.tuples(st.integers(-90_000, 90_000), st.integers(-90_000, 90_000))
line = st.tuples(st.just("line"), place, st.booleans())
# Full circles and quarter turns keep every point on the grid.
circle = st.tuples(st.just("circle"), place, st.booleans())
quarter = st.tuples(st.just("quarter"), st.tuples(st.integers(-3, 3), st.integers(1, 20_000)), st.booleans())
drawn = st.lists(st.one_of(line, circle, quarter), min_size=1, max_size=25)


class Drawing:
    """What the moves must come back as, worked out with whole numbers."""

    def __init__(self, first: tuple[int, int], pieces: list, unit: int, rng: random.Random) -> None:  # type: ignore[type-arg]
        self.at = first
        self.rng = rng
        # One unit of the program in grid steps: 1000 steps a mm; an inch is written with 4 decimals.
        self.lengths: list[float] = []
        self.ends: list[tuple[int, int]] = []
        self.rapid: list[bool] = []
        self.lines: list[int] = []
        self.box = [first[0], first[1], first[0], first[1]]
        self.relative = False
        self.text = ["%", "(by chance)", f"G90 G71 G00 X{first[0] / 1000} Y{first[1] / 1000}"]
        for piece in pieces:
            self.draw(*piece)
        self.text.append("M30")

    def grow(self, x: float, y: float) -> None:
        self.box = [min(self.box[0], x), min(self.box[1], y), max(self.box[2], x), max(self.box[3], y)]

    def write(self, word: str, end: tuple[int, int] | None, rest: str = "") -> None:
        if self.rng.random() < 0.2:
            self.relative = not self.relative
            self.text.append("G91" if self.relative else "G90")
        target = ""
        if end is not None:
            origin = self.at if self.relative else (0, 0)
            words = [f"X{(end[0] - origin[0]) / 1000:.3f}", f"Y{(end[1] - origin[1]) / 1000:.3f}"]
            self.rng.shuffle(words)
            target = " ".join(words)
        self.text.append(f"N{len(self.text)} {word} {target} {rest}")
        self.lines.append(len(self.text))

    def draw(self, kind: str, where: tuple[int, int], flag: bool) -> None:
        x, y = self.at
        if kind == "line":
            if where == self.at:
                return
            self.write("G00" if flag else "G01", where)
            self.lengths.append(hypot(where[0] - x, where[1] - y))
            self.grow(*where)
            self.at = where
        elif kind == "circle":
            i, j = where
            if (i, j) == (0, 0):
                return
            self.write("G02" if flag else "G03", None, f"I{i / 1000:.3f} J{j / 1000:.3f}")
            r = hypot(i, j)
            self.lengths.append(2 * pi * r)
            self.grow(x + i - r, y + j - r)
            self.grow(x + i + r, y + j + r)
        else:
            turns, r = where
            spoke = turns % 4 * pi / 2
            cx, cy = x - r * round(cos(spoke)), y - r * round(sin(spoke))
            to = spoke + (-pi / 2 if flag else pi / 2)
            end = (cx + r * round(cos(to)), cy + r * round(sin(to)))
            word = "G02" if flag else "G03"
            rest = (
                f"R{r / 1000:.3f}"
                if self.rng.random() < 0.5
                else f"I{(cx - x) / 1000:.3f} J{(cy - y) / 1000:.3f}"
            )
            self.write(word, end, rest)
            self.lengths.append(pi / 2 * r)
            self.grow(*end)
            self.at = end
        self.ends.append(self.at)
        self.rapid.append(kind == "line" and flag)


def box_of(moves: Moves) -> list[float]:
    """The box of moves, from 2001 points of each."""
    t = np.linspace(0, 1, 2001)[:, None, None]
    lines = moves.start + t * (moves.end - moves.start)
    spoke = moves.start - moves.centre
    turn = t[..., 0] * moves.sweep
    arcs = moves.centre + np.stack(
        [
            spoke[:, 0] * np.cos(turn) - spoke[:, 1] * np.sin(turn),
            spoke[:, 0] * np.sin(turn) + spoke[:, 1] * np.cos(turn),
        ],
        axis=-1,
    )
    at = np.where((moves.sweep != 0)[:, None], arcs, lines).reshape(-1, 2)
    return [*at.min(axis=0), *at.max(axis=0)]


def length_of(moves: Moves) -> np.ndarray:
    straight = np.hypot(*(moves.end - moves.start).T)
    radius = np.hypot(*(moves.start - moves.centre).T)
    return np.where(moves.sweep == 0, straight, radius * np.abs(moves.sweep))


@settings(deadline=None, max_examples=80)
@given(place, drawn, st.randoms(use_true_random=False))
def test_what_is_written_is_read_back(first: tuple[int, int], pieces: list, rng: random.Random) -> None:  # type: ignore[type-arg]
    from clearance.toolpath.nc.reader import read_nc

    drawing = Drawing(first, pieces, 1, rng)
    moves = read_nc("\n".join(drawing.text), "chance.nc", PathOptions())
    if not drawing.ends:
        assert len(moves) == 1
        return
    assert len(moves) == len(drawing.ends)
    assert moves.line.tolist() == drawing.lines
    assert moves.rapid.tolist() == drawing.rapid
    assert moves.end * 1000 == pytest.approx(np.array(drawing.ends), abs=1e-5)
    assert length_of(moves) * 1000 == pytest.approx(np.array(drawing.lengths), rel=1e-6, abs=1e-3)
    assert np.array(box_of(moves)) * 1000 == pytest.approx(np.array(drawing.box), abs=0.3)
    # The wire is in on every cutting move, and each run begins at a thread point.
    assert moves.threaded[~moves.rapid].all()
    assert not moves.threaded[moves.rapid].any()
    starts = [i for i, r in enumerate(drawing.rapid) if not r and (i == 0 or drawing.rapid[i - 1])]
    assert list(moves.thread_points) == starts


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.tuples(place, st.booleans()), min_size=1, max_size=30),
    st.sampled_from([",", ";", "\t", ";,"]),
)
def test_tables_are_read_back(rows: list[tuple[tuple[int, int], bool]], style: str) -> None:
    from clearance.toolpath.read import read_points

    separator, comma = style[0], len(style) > 1
    text = separator.join(["x", "y", "rapid"]) + "\n"
    for (x, y), rapid in rows:
        row = separator.join([f"{x / 1000:.3f}", f"{y / 1000:.3f}", str(int(rapid))])
        text += (row.replace(".", ",") if comma else row) + "\n"
    moves = read_points(text, "chance.csv", PathOptions())
    want = [(p, r) for (q, _), (p, r) in pairwise(rows) if p != q]
    if not want:
        assert len(moves) == 1
        return
    assert (moves.end * 1000).round(6).tolist() == [list(p) for p, _ in want]
    assert moves.rapid.tolist() == [r for _, r in want]


NC = b"""%\r\nO7 (a plate)\nN10 G90 G71 G92 X0 Y0 M60\n/N15 G04 X2.5\nN20 G41 D1 G01 X10. F3.2
G91 G02 X5 Y-5 R5
G03 I2.5 J0\nG90 G40 X0 Y0 M50\nG00 X-3.5\nG20 X1 ; end\nM30\n%\n"""
CSV = b"\xef\xbb\xbfx;y;rapid\r\n1,5;2;0\r\n\r\n3;-4,25;1\r\n5;6;0\r\n"
SPICE = b'nan inf 1e99 - . ( ) G R ; , " \r % / X G91 M30 #1 G02 0 \0 \xff \xff\xfe \xe2\x80\xa8'.split(b" ")
SPICE += [b"9" * 400, b"G02 ", b" "]


@pytest.mark.parametrize(("name", "whole"), [("a.nc", NC), ("a.csv", CSV)], ids=["nc", "csv"])
def test_spoilt_files_give_moves_or_one_message(tmp_path: Path, name: str, whole: bytes) -> None:
    rng = random.Random(5)
    options = PathOptions(offsets={1: 0.2}, codes=ControlWords(thread=("M60",), cut=("M50",)))
    file = tmp_path / name
    messages: set[str] = set()
    read = refused = 0
    for _ in range(1500):
        data = bytearray(whole)
        for _ in range(rng.randint(1, 2)):
            i = rng.randrange(len(data) + 1)
            kind = rng.randrange(4)
            if kind == 0:
                data[i : i + rng.randint(1, 6)] = b""
            elif kind == 1:
                data[i:i] = rng.choice(SPICE)
            elif kind == 2:
                data[i : i + 1] = bytes([rng.randrange(256)])
            else:
                data = data[:i] or bytearray(b"x")
        file.write_bytes(data)
        try:
            moves, _ = read_path(file, options, name)
        except InputError as error:
            refused += 1
            messages.add(str(error))
            continue
        read += 1
        assert len(moves) >= 1
        assert np.isfinite(moves.start).all()
        assert np.isfinite(moves.end).all()
        assert np.isfinite(moves.sweep).all()
        assert (np.isnan(moves.centre).all(axis=1) == (moves.sweep == 0)).all()
        assert np.array_equal(moves.start[1:], moves.end[:-1])
        assert len(moves.block) == len(moves.line) == len(moves.threaded)
    assert all(text.startswith(f"{name}: ") and "\n" not in text for text in messages)
    # Both happen, or the test sees nothing.
    assert read > 60
    assert refused > 60
