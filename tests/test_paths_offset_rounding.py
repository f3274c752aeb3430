"""The wire offset of programs as generators write them: places rounded to three or four decimals.

The oracle measures in closed form, on complex numbers, from the contour that the rounded program says (for
an arc whose end lies off its circle: radius even along its angle), and shares no code with the reader.
Polylines are measured with shapely. Distances of a parallel are plane geometry.
"""

from __future__ import annotations

import random
from itertools import pairwise
from math import cos, pi, radians, sin

import numpy as np
import pytest
import shapely

from clearance.errors import InputError
from clearance.toolpath.moves import Moves
from clearance.toolpath.nc.reader import read_nc
from clearance.toolpath.read import PathOptions

Array = np.ndarray


Piece = tuple[complex, complex, complex | None, float]


def places(piece: Piece, n: int) -> Array:
    """Points along a line (centre None) or an arc, ends included."""
    a, b, c, turn = piece
    t = np.linspace(0, 1, n)
    if c is None:
        return a + t * (b - a)
    r0, r1 = abs(a - c), abs(b - c)
    return c + (r0 + (r1 - r0) * t) * np.exp(1j * (np.angle(a - c) + turn * t))


def distance(pieces: list[Piece], z: Array) -> Array:
    """Of points from lines and arcs, in closed form."""
    best = np.full(len(z), np.inf)
    for a, b, c, turn in pieces:
        best = np.minimum(best, np.minimum(np.abs(z - a), np.abs(z - b)))
        if c is None:
            t = np.clip(((z - a) * np.conj(b - a)).real / max(abs(b - a) ** 2, 1e-30), 0, 1)
            best = np.minimum(best, np.abs(z - a - t * (b - a)))
        else:
            share = np.angle((z - c) / (a - c)) * np.sign(turn) % (2 * pi) / abs(turn)
            radius = abs(a - c) + (abs(b - c) - abs(a - c)) * share
            best = np.where(share <= 1, np.minimum(best, np.abs(np.abs(z - c) - radius)), best)
    return best


class Drawn:
    """Two moves with a corner between them, written with so many decimals, and what the words then say."""

    def __init__(self, rng: random.Random, kind: str, decimals: int, corner: float) -> None:
        self.decimals = decimals
        self.at = self.rounded(complex(rng.uniform(-9, 9), rng.uniform(-9, 9)))
        self.true = self.at
        self.heading = rng.uniform(-pi, pi)
        self.words: list[str] = []
        self.pieces: list[Piece] = []
        for k, one in enumerate(kind.split("-")):
            if k:
                self.heading += corner
            if one == "line":
                self.line(rng.uniform(3, 12))
            else:
                self.arc(rng.uniform(2, 40), rng.choice((-1, 1)) * radians(rng.uniform(20, 120)))

    def rounded(self, z: complex) -> complex:
        return complex(round(z.real, self.decimals), round(z.imag, self.decimals))

    def say(self, word: str, end: complex, centre: complex | None) -> None:
        text = f"{word} X{end.real:.{self.decimals}f} Y{end.imag:.{self.decimals}f}"
        if centre is not None:
            way = centre - self.at
            text += f" I{way.real:.{self.decimals}f} J{way.imag:.{self.decimals}f}"
        self.words.append(text)

    def line(self, long: float) -> None:
        self.true += long * np.exp(1j * self.heading)
        end = self.rounded(self.true)
        self.say("G01", end, None)
        self.pieces.append((self.at, end, None, 0.0))
        self.at = end

    def arc(self, radius: float, turn: float) -> None:
        side = 1 if turn > 0 else -1
        centre = self.true + radius * side * 1j * np.exp(1j * self.heading)
        self.true = centre + (self.true - centre) * np.exp(1j * turn)
        self.heading += turn
        end = self.rounded(self.true)
        said = self.at + self.rounded(centre - self.at)
        self.say("G03" if turn > 0 else "G02", end, said)
        back = float(np.angle((end - said) / (self.at - said)))
        back += 2 * pi * round((turn - back) / (2 * pi))
        self.pieces.append((self.at, end, said, back))
        self.at = end

    def program(self, word: str, d: float) -> str:
        first, way = places(self.pieces[0], 1000)[:2]
        way -= first
        lead = first + 1j * way / abs(way) * (5 if word == "G41" else -5)
        begin = [f"X{z.real:.{self.decimals}f} Y{z.imag:.{self.decimals}f}" for z in (lead, first)]
        return "\n".join([f"G90 G00 {begin[0]}", f"{word} D1 G01 {begin[1]}", *self.words, "M02"])


def pieces_of(moves: Moves) -> list[Piece]:
    return [
        (complex(*a), complex(*b), complex(*c) if turn else None, float(turn))
        for a, b, c, turn in zip(moves.start, moves.end, moves.centre, moves.sweep, strict=True)
    ]


def true_parallel(pieces: list[Piece], side: int, d: float) -> Array:
    """Points beside the contour at the offset's distance, those that no other part of it is nearer to."""
    out = []
    for piece in pieces:
        fine = places(piece, 20001)
        for k in range(7, 20000, 400):
            way = fine[k + 1] - fine[k]
            out.append((fine[k] + fine[k + 1]) / 2 + side * 1j * d * way / abs(way))
    z = np.array(out)
    return z[distance(pieces, z) >= d - 1e-7]


def judged(drawn: Drawn, word: str, d: float) -> tuple[float, float, float]:
    """How far the wire strays from the offset's distance, how much of the true parallel it misses, and what
    the reader states; all mm."""
    moves = read_nc(drawn.program(word, d), "a.nc", PathOptions(offsets={1: d}))
    way = pieces_of(moves)[1:]
    z = np.concatenate([places(piece, 200) for piece in way])
    wanted = true_parallel(drawn.pieces, 1 if word == "G41" else -1, d)
    strays = np.abs(distance(drawn.pieces, z) - d).max()
    return float(strays), float(distance(way, wanted).max()), moves.chord_error


@pytest.mark.few("True-3-line-arc", "True-4-arc-line", "False-3-arc-arc", "False-4-line-line")
@pytest.mark.parametrize("kind", ["line-arc", "arc-line", "arc-arc", "line-line"])
@pytest.mark.parametrize("decimals", [3, 4])
@pytest.mark.parametrize("inward", [True, False])
def test_small_corners_of_rounded_programs(kind: str, decimals: int, inward: bool) -> None:
    """Where there is room the offset is followed, within what the reader states."""
    rng = random.Random(f"{kind} {decimals} {inward}")
    for _ in range(40):
        word = rng.choice(("G41", "G42"))
        corner = radians(rng.choice((rng.uniform(0.05, 2), rng.uniform(0.05, 10))))
        corner *= (1 if word == "G41" else -1) * (1 if inward else -1)
        drawn = Drawn(rng, kind, decimals, corner)
        strays, misses, stated = judged(drawn, word, 0.2)
        assert stated <= 3.1 * 10**-decimals
        assert strays <= stated + 1e-6, drawn.program(word, 0.2)
        assert misses <= stated + 1e-6, drawn.program(word, 0.2)


def test_the_arc_that_was_refused() -> None:
    program = (
        "G90 G00 X-1. Y-1.\nG41 D1 G01 X0. Y0.\nG03 X14.1421 Y5.8579 I0. J20.\nG01 X21.0887 Y13.0513\nM02"
    )
    moves = read_nc(program, "a.nc", PathOptions(offsets={1: 0.2}))
    assert len(moves) == 3
    # the corner of 1 degree trims both moves by about 0.2 x tan(0.5 degrees)
    assert np.hypot(*(moves.end[1] - (14.1421, 5.8579))) == pytest.approx(0.2 / cos(radians(0.5)), abs=1e-5)


@pytest.mark.few("G41-0.05-3", "G42-0.02-4", "G41-0.2-4", "G42-0.2-3")
@pytest.mark.parametrize("decimals", [3, 4])
@pytest.mark.parametrize("step", [0.01, 0.02, 0.05, 0.2])
@pytest.mark.parametrize("word", ["G41", "G42"])
def test_a_ring_in_short_steps(decimals: int, step: float, word: str) -> None:
    """A wavy ring as a polyline, its corners made by rounding more than by its shape: followed, and nowhere
    nearer to the contour than stated."""
    n = int(2 * pi * 6 / step)
    turn = 2 * pi / n
    place = [(6 + 0.4 * sin(5 * k * turn)) * np.exp(1j * k * turn) for k in range(n + 1)]
    z = [complex(round(p.real, decimals), round(p.imag, decimals)) for p in place]
    z = [p for k, p in enumerate(z) if k == 0 or p != z[k - 1]]
    text = [f"X{p.real:.{decimals}f} Y{p.imag:.{decimals}f}" for p in z]
    lead = "X4.000 Y0.000" if word == "G41" else "X9.000 Y0.000"
    program = "\n".join([f"G90 G00 {lead}", f"{word} D1 G01 {text[0]}", *text[1:], "M02"])
    moves = read_nc(program, "a.nc", PathOptions(offsets={1: 0.2}))
    assert moves.doubts == ()
    way = np.concatenate([places(piece, 3) for piece in pieces_of(moves)[1:]])
    lines = shapely.linestrings([[(a.real, a.imag), (b.real, b.imag)] for a, b in pairwise(z)])
    spots = shapely.points(way.real, way.imag)
    apart = shapely.STRtree(lines).query_nearest(spots, return_distance=True, all_matches=False)[1]
    ends = 0.05  # the seam is no corner of the path
    inner = (np.abs(way - way[0]) > ends) & (np.abs(way - way[-1]) > ends)
    assert (d := np.abs(apart - 0.2)[inner].max()) <= moves.chord_error + 1e-6, d
    assert moves.chord_error <= 5.1 * 10**-decimals


def test_what_has_more_decimals_is_taken_exactly() -> None:
    """The same corner, too narrow for its moves: written with three decimals it may be rounding, with six it
    is not."""
    zigzag = [(10.0 + 0.02 * k, 0.0008 * (k % 2)) for k in range(20)]
    for decimals, refused in ((3, False), (6, True)):
        # a step of 0.02 with 0.0008 up or down: corners of 4.6 degrees, trimmed by 0.008 on either side
        text = [f"X{x + 0.000001 * refused:.{decimals}f} Y{y * 3:.{decimals}f}" for x, y in zigzag]
        program = "\n".join(["G90 G00 X9. Y5.", f"G41 D1 G01 {text[0]}", *text[1:], "X20.\nM02"])
        if refused:
            with pytest.raises(InputError, match="leaves no"):
                read_nc(program, "a.nc", PathOptions(offsets={1: 0.2}))
        else:
            assert len(read_nc(program, "a.nc", PathOptions(offsets={1: 0.2}))) >= 20
