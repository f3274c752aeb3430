"""What differs from control to control and is said in the setup: decimal points, zeros, block delete."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from clearance.errors import InputError
from clearance.toolpath.moves import Moves
from clearance.toolpath.nc.reader import read_nc
from clearance.toolpath.read import PathOptions


def read(program: str, **options: Any) -> Moves:
    return read_nc(program + "\nM02", "a.nc", PathOptions(**options))


def points(moves: Moves) -> list[tuple[float, float]]:
    return [tuple(p) for p in np.vstack([moves.start[:1], moves.end]).round(9).tolist()]


# Common practice, no source: numbers without a point are whole units on some controls, the least increments
# (0.001 mm, 0.0001 inch) on others, and digits from the first place on the oldest.
@pytest.mark.parametrize(
    ("habit", "want"),
    [
        ("units", [(0, 0), (12.5, 250), (-15, 0.5)]),
        ("leading", [(0, 0), (12.5, 0.25), (-0.015, 0.5)]),
        ("trailing", [(0, 0), (12.5, 2500), (-1500, 0.5)]),
    ],
)
def test_numbers_without_a_decimal_point(habit: str, want: list[tuple[float, float]]) -> None:
    assert points(read("G71 G00 X0 Y0\nG01 X12.5 Y250\nX-15 Y.5", whole_numbers=habit)) == want


def test_the_places_are_those_of_the_unit_in_force() -> None:
    program = "G00 X0 Y0\nG01 X10000 G70\nG71 X10000"
    assert points(read(program, whole_numbers="leading")) == [(0, 0), (25.4, 0), (10, 0)]
    assert points(read("G00 X0 Y0\nG01 X012", whole_numbers="trailing")) == [(0, 0), (120, 0)]
    assert points(read("G00 X0 Y0\nG01 X012", whole_numbers="trailing", digits=(3, 3))) == [(0, 0), (12, 0)]
    assert points(read("G00 X0 Y0\nG01 X012", whole_numbers="leading", digits=(3, 2))) == [(0, 0), (0.12, 0)]


def test_arcs_count_alike() -> None:
    moves = read("G00 X0 Y0\nG02 X10000 Y0 I5000", whole_numbers="leading")
    assert moves.centre[0].tolist() == [5, 0]
    moves = read("G00 X0 Y0\nG02 X10000 Y0 R5000", whole_numbers="leading")
    assert moves.centre[0] == pytest.approx((5, 0))


def test_too_many_digits() -> None:
    with pytest.raises(InputError, match=r"line 2: X12345678 has more than 4 \+ 3 digits"):
        read("G00 X0 Y0\nG01 X12345678", whole_numbers="leading")


def test_a_thousand_whole_units_are_told() -> None:
    moves = read("G00 X0 Y0\nG01 X2000\nX-3000")
    assert moves.notes[0].startswith("line 2: X2000 is read as 2000 whole units")
    assert len([note for note in moves.notes if "whole units" in note]) == 1
    assert read("G00 X0 Y0\nN5000 G01 X999 F2000").notes == ()


def test_zeros_that_the_setup_places() -> None:
    zeros = {"G54": (0.0, 0.0), "G55": (50.0, 20.0)}
    program = "G54 G00 X1 Y1\nG01 X2\nG55\nG01 X0 Y0\nG91 X1\nG90 G54 X0 Y0"
    assert points(read(program, zeros=zeros)) == [(1, 1), (2, 1), (50, 20), (51, 20), (0, 0)]
    # G92 moves all of them along.
    program = "G54 G00 X10 Y0\nG92 X0 Y0\nG01 X1\nG55 X0 Y0"
    assert points(read(program, zeros=zeros)) == [(10, 0), (11, 0), (60, 20)]
    assert points(read("G55 G92 X0 Y0\nG01 X1", zeros=zeros)) == [(50, 20), (51, 20)]
    with pytest.raises(
        InputError, match="line 2: G56: the setup does not say where this zero lies, only G54, G55"
    ):
        read("G54 G00 X1 Y1\nG56 G01 X2", zeros=zeros)
