"""Z words: how high the upper face is on each move, and what is refused.

The words are those of ISO 6983-1 (from memory); what Z means on a wire machine differs between controls and
is a choice of this project: the upper face above the part zero.
"""

from __future__ import annotations

from typing import Any

import pytest

from clearance.errors import InputError, NotYet
from clearance.toolpath.moves import Moves
from clearance.toolpath.nc.reader import read_nc
from clearance.toolpath.read import ControlWords, PathOptions


def read(program: str, own: float | None = 20.0, **options: Any) -> Moves:
    return read_nc(program, "a.nc", PathOptions(upper_height=own, **options))


def heights(program: str, own: float | None = 20.0, **options: Any) -> list[tuple[float, float]]:
    moves = read(program, own, **options)
    assert moves.start_z is not None
    assert moves.end_z is not None
    return list(zip(moves.start_z.round(9).tolist(), moves.end_z.round(9).tolist(), strict=True))


@pytest.mark.parametrize(
    ("program", "expected"),
    [
        # from the setup's own 20 to 30 on the second move, which is a column
        ("G90 G01 X0 Y0\nX5\nX9 Z30\nY4\nM02", [(20, 20), (20, 30), (30, 30)]),
        # Z by itself is a move of no length
        ("G90 G01 X0 Y0\nX5\nZ30\nY4\nM02", [(20, 20), (20, 30), (30, 30)]),
        # said before the path begins, or with its first point: no move
        ("G90 Z30\nG01 X0 Y0\nX5\nM02", [(30, 30)]),
        ("G90 G01 X0 Y0 Z30\nX5\nX6 Z10\nM02", [(30, 30), (30, 10)]),
        # G91 counts from where the face is, the setup's height at first
        ("G90 G01 X0 Y0\nG91 X5\nZ3\nX5 Z-1\nM02", [(20, 20), (20, 23), (23, 22)]),
        # inch
        ("G90 G70 G01 X0 Y0\nX1 Z1\nM02", [(20, 25.4)]),
        # G92 with the setup's own height changes nothing; later it gives the height a new figure
        ("G90 G92 X0 Y0 Z20\nG01 X5 Z25\nM02", [(20, 25)]),
        ("G90 G01 X0 Y0 Z30\nG92 Z0\nX5 Z2\nM02", [(30, 32)]),
        # an arc that climbs
        ("G90 G01 X0 Y0 Z30\nG03 X4 Y0 I2 J0 Z31\nM02", [(30, 31)]),
        # the same height again is no change
        ("G90 G01 X0 Y0 Z30\nX5 Z30\nZ30\nM02", [(30, 30)]),
    ],
)
def test_height_of_each_move(program: str, expected: list[tuple[float, float]]) -> None:
    assert heights(program) == expected


def test_without_z_words_there_are_none() -> None:
    moves = read("G90 G01 X0 Y0\nX5\nM02")
    assert moves.start_z is None
    assert moves.end_z is None


def test_a_rise_in_place_leaves_the_wire_as_it_was() -> None:
    """A G00 Z inside a contour does not end the cut: the wire stays in, and is threaded once."""
    moves = read("G90 G00 X0 Y0\nG01 X5\nG00 Z30\nG01 Y4\nM02")
    assert moves.rapid.tolist() == [False, False, False]
    assert moves.threaded.tolist() == [True, True, True]


def test_what_counts_from_the_setup_is_told() -> None:
    assert read("G90 G01 X0 Y0\nX5\nX9 Z30\nM02").own_height
    assert not read("G90 G01 X0 Y0 Z30\nX5\nX9 Z31\nM02").own_height
    assert read("G90 G01 X0 Y0\nG91 Z3\nX9\nM02").own_height


def test_what_z_means_is_said_once() -> None:
    notes = read("G90 G01 X0 Y0 Z30\nX5 Z31\nM02").notes
    assert (
        sum("Z is read as the height of the upper head's face above the part zero" in n for n in notes) == 1
    )


def test_the_wire_offset_keeps_the_heights_of_its_lines() -> None:
    """A square of 10, 0.2 inside, its third side 5 higher: the joints belong to the line after them."""
    program = "G90 G01 X5 Y5 Z30\nG42 D1 X5 Y0\nX10\nY10\nX0 Z35\nY0\nX5\nG40 Y5\nM02"  # fmt: skip
    moves = read(program, offsets={1: 0.2})
    assert moves.start_z is not None
    assert moves.end_z is not None
    by_line: dict[int, set[tuple[float, float]]] = {}
    for line, a, b in zip(moves.line.tolist(), moves.start_z.tolist(), moves.end_z.tolist(), strict=True):
        by_line.setdefault(line, set()).add((a, b))
    level, rise, high = {(30.0, 30.0)}, {(30.0, 35.0)}, {(35.0, 35.0)}
    assert by_line == {2: level, 3: level, 4: level, 5: rise, 6: high, 7: high, 8: high}


@pytest.mark.parametrize(
    ("program", "kind", "says"),
    [
        ("G90 G01 X0 Y0\nX5 Z30 Z31\nM02", InputError, "line 2: two words Z"),
        (
            "G90 G01 X0 Y0 Z30\nG41 D1 X5\nX9\nZ31\nX12\nM02",
            InputError,
            "line 4: the height changes by itself",
        ),
        ("G90 G92 X0 Y0 Z25\nG01 X5\nM02", InputError, "line 1: G92 puts the upper face 25 mm above"),
        ("G90 G01 X0 Y0\nX5 Z1000000\nM02", InputError, "line 2: a height that is too large"),
        ("G90 G01 X0 Y0 Z30\nX5 U1\nM02", NotYet, "Z words in a program with U V"),
    ],
)
def test_refused_with_its_line(program: str, kind: type[InputError], says: str) -> None:
    with pytest.raises(kind) as caught:
        read(program, offsets={1: 0.2}, planes=(0.0, 20.0), uv_words="relative")
    assert says in str(caught.value)
    assert caught.value.exit_code == 2


@pytest.mark.parametrize("word", ["Z", "Z10", "z10."])
def test_a_height_cannot_be_named_as_a_word_to_pass_over(word: str) -> None:
    """It would be followed all the same, against what the machine file says."""
    with pytest.raises(InputError, match="means something else in every program"):
        read("G90 G01 X0 Y0\nX5 Z10\nM02", codes=ControlWords(ignore=(word,)))
