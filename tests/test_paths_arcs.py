"""NC arcs against the rules of NISTIR 6556 and against geometry done another way."""

from __future__ import annotations

import cmath
from math import atan2, degrees, hypot, pi, sqrt

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.errors import InputError
from clearance.toolpath.moves import Moves
from clearance.toolpath.nc.reader import read_nc
from clearance.toolpath.read import PathOptions


def read(*blocks: str) -> Moves:
    return read_nc("\n".join([*blocks, "M30", ""]), "arc.nc", PathOptions())


def radius(moves: Moves, i: int = 0) -> float:
    return float(np.hypot(*(moves.start[i] - moves.centre[i])))


# NISTIR 6556 (The NIST RS274NGC Interpreter), arcs: "I J are from the arc's start; R > 0 turns less than 180
# degrees, R < 0 more". From memory of the report; the coordinates are geometry.
@pytest.mark.parametrize(
    ("block", "centre", "turn"),
    [
        ("G02 X10 Y0 R10", (0, 0), -90),
        ("G03 X10 Y0 R10", (10, 10), 90),
        ("G02 X10 Y0 R-10", (10, 10), -270),
        ("G03 X10 Y0 R-10", (0, 0), 270),
        ("G02 X10 Y0 I0 J-10", (0, 0), -90),
        ("G03 X10 Y0 J-10", (0, 0), 270),
        ("G02 X10 Y0 I10", (10, 10), -270),
        ("G03 X10 Y0 I10 J0", (10, 10), 90),
    ],
)
def test_quarter_and_three_quarter_arcs(block: str, centre: tuple[float, float], turn: float) -> None:
    moves = read("G00 X0 Y10", block)
    assert moves.centre[0] == pytest.approx(centre, abs=1e-12)
    assert degrees(moves.sweep[0]) == pytest.approx(turn, abs=1e-10)
    assert radius(moves) == pytest.approx(10, abs=1e-12)


@pytest.mark.parametrize(("word", "turn"), [("G02", -2 * pi), ("G03", 2 * pi)])
@pytest.mark.parametrize("end", ["", "X0 Y0 ", "X0 "])
def test_full_circle_by_centre(word: str, turn: float, end: str) -> None:
    moves = read("G00 X0 Y0", f"{word} {end}I5")
    assert len(moves) == 1
    assert moves.sweep[0] == turn
    assert moves.centre[0] == pytest.approx((5, 0))


def test_centre_words_stay_relative_under_g90_and_g91() -> None:
    far = read("G90 G00 X100 Y50", "G03 X110 Y60 I0 J10")
    near = read("G90 G00 X100 Y50", "G91 G03 X10 Y10 J10")
    for moves in (far, near):
        assert moves.centre[0] == pytest.approx((100, 60))
        assert degrees(moves.sweep[0]) == pytest.approx(90)
        assert moves.end[0] == pytest.approx((110, 60))


def test_half_circle_by_radius_either_sign() -> None:
    for r in ("R5", "R-5"):
        moves = read("G00 X0 Y0", f"G03 X10 Y0 {r}")
        assert abs(moves.sweep[0]) == pytest.approx(pi)
        assert moves.centre[0] == pytest.approx((5, 0), abs=1e-6)


def test_modal_arc_goes_on() -> None:
    moves = read("G00 X10 Y0", "G03 X0 Y10 I-10 J0", "X-10 Y0 J-10", "G01 Y-5")
    assert np.degrees(moves.sweep) == pytest.approx([90, 90, 0])
    assert np.isnan(moves.centre[2]).all()


@pytest.mark.parametrize(
    ("block", "says"),
    [
        ("G02 X0 Y0 R5", "end is its start"),  # NISTIR 6556: an error, not a full circle
        ("G03 R5", "end is its start"),
        ("G02 X10 Y0", "without I, J or R"),
        ("G02 X10 Y0 R4.9", "cannot reach an end 10 mm away"),
        ("G02 X10 Y0 R5 I5", "both R and I J"),
        ("G02 X10 Y0 R0", "R0"),
        ("G02 X10 Y0 I0 J0", "radius 0"),
        ("G02 X10 Y0 I4.9", "4.9 mm from its centre and its end 5.1 mm, 0.2 mm apart"),
        ("G02 X10 Y0 K5", "K5"),
    ],
)
def test_no_such_arc(block: str, says: str) -> None:
    with pytest.raises(InputError) as caught:
        read("G00 X0 Y0", block)
    assert str(caught.value).startswith("arc.nc: line 2: ")
    assert says in str(caught.value)


def test_unequal_radii_within_the_tolerance_are_owned_up_to() -> None:
    # Radii 5 and 5.004: the true curve lies at most 0.004 mm beside the arc that is handed on.
    moves = read("G00 X0 Y0", "G02 X10.004 Y0 I5")
    assert moves.chord_error == pytest.approx(0.004, abs=1e-9)
    assert read("G00 X0 Y0", "G02 X10 Y0 I5").chord_error == 0
    # A chord longer than the diameter by the last decimal is a half circle.
    moves = read("G00 X0 Y0", "G02 X10.001 Y0 R5")
    assert abs(moves.sweep[0]) == pytest.approx(pi)
    assert moves.chord_error == pytest.approx(0.0005, abs=1e-9)


coordinate = st.integers(-50_000, 50_000).map(lambda n: n / 1000)


@settings(deadline=None, max_examples=60)
@given(
    coordinate,
    coordinate,
    st.floats(0.5, 40),
    st.floats(0, 2 * pi),
    st.floats(0.05, 2 * pi - 0.05),
    st.booleans(),
)
def test_arcs_by_centre_and_by_radius_agree(
    cx: float, cy: float, r: float, begin: float, turn: float, ccw: bool
) -> None:
    """An arc drawn with complex numbers, written both ways, comes back as drawn."""
    centre = complex(cx, cy)
    start = centre + cmath.rect(r, begin)
    end = centre + cmath.rect(r, begin + (turn if ccw else -turn))
    word = "G03" if ccw else "G02"
    way = centre - start
    by_ij = read(f"G00 X{start.real:.9f} Y{start.imag:.9f}",
                 f"{word} X{end.real:.9f} Y{end.imag:.9f} I{way.real:.9f} J{way.imag:.9f}")  # fmt: skip
    signed = r if turn < pi else -r
    by_r = read(
        f"G00 X{start.real:.9f} Y{start.imag:.9f}", f"{word} X{end.real:.9f} Y{end.imag:.9f} R{signed:.9f}"
    )
    want = turn if ccw else -turn
    assert by_ij.sweep[0] == pytest.approx(want, abs=1e-6)
    # By R the centre is ill-conditioned near half a turn; there only the length of the rise is lost.
    near_half = abs(turn - pi) < 0.01
    assert by_r.sweep[0] == pytest.approx(want, abs=1e-3 if near_half else 1e-5)
    for moves in (by_ij, by_r):
        assert hypot(*(moves.end[0] - [end.real, end.imag])) < 1e-8
        # Turning the start about the centre by the sweep arrives at the end.
        c = complex(*moves.centre[0])
        arrived = c + (complex(*moves.start[0]) - c) * cmath.exp(1j * moves.sweep[0])
        assert abs(arrived - end) < 1e-4


def test_length_of_an_arc_against_a_fine_polygon() -> None:
    moves = read("G00 X3 Y4", "G03 X-4 Y3 I-3 J-4")
    steps = np.linspace(0, moves.sweep[0], 20001)
    at = moves.centre[0] + 5 * np.stack([np.cos(atan2(4, 3) + steps), np.sin(atan2(4, 3) + steps)], axis=1)
    polygon = np.hypot(*np.diff(at, axis=0).T).sum()
    assert abs(moves.sweep[0]) * radius(moves) == pytest.approx(polygon, rel=1e-8)
    assert at[-1] == pytest.approx((-4, 3))
    assert sqrt(50) < polygon < 8
