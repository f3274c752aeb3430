"""Tables of points: what spreadsheets write, and every message when a table cannot be read."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from clearance.errors import InputError
from clearance.toolpath.moves import Moves
from clearance.toolpath.read import PathOptions, read_path, read_points
from tests.pace import slowness


def read(table: str, **options: Any) -> Moves:
    return read_points(table, "a.csv", PathOptions(**options))


def points(moves: Moves) -> list[tuple[float, float]]:
    return [tuple(p) for p in np.vstack([moves.start[:1], moves.end]).tolist()]


def test_points_and_lines() -> None:
    moves = read("x,y\n0,0\n\n10.5,0\n10.5,-2e-1\n")
    assert points(moves) == [(0, 0), (10.5, 0), (10.5, -0.2)]
    assert moves.line.tolist() == [4, 5]
    assert not moves.rapid.any()
    assert moves.threaded.all()
    assert moves.thread_points == (0,)
    assert np.isnan(moves.centre).all()


def test_rapid_is_of_the_move_that_ends_in_its_row() -> None:
    moves = read("rapid,y,x\n1,0,0\n0,1,0\n1,2,0\n0,3,0\n")
    assert points(moves) == [(0, 0), (0, 1), (0, 2), (0, 3)]
    assert moves.rapid.tolist() == [False, True, False]
    assert moves.threaded.tolist() == [True, False, True]
    assert moves.thread_points == (0, 2)


def test_inches() -> None:
    assert points(read("x,y\n1,0\n2,0\n", file_units="inch")) == [(25.4, 0), (50.8, 0)]


@pytest.mark.parametrize(
    "table",
    [
        "x;y\n1,5;-2,25\n3;4,125\n",
        "X;Y\n1.5;-2.25\n3;4.125\n",
        "x\ty\n1,5\t-2,25\n3\t4,125\n",
        "x\ty\n1.5\t-2.25\n3\t4.125\n",
        '"x","y"\n"1,5","-2,25"\n"3","4,125"\n',
        "sep=;\nx;y\n1,5;-2,25\n3;4,125\n",
        " x , y \n 1.5 , -2.25\n 3 , 4.125 \n,\n,\n",
        "y;x\n-2,25;1,5\n4,125;+3\n",
    ],
)
def test_separators_and_decimal_signs(table: str) -> None:
    assert points(read(table)) == [(1.5, -2.25), (3, 4.125)]


def test_three_decimals_behind_a_comma_are_decimals_where_semicolons_part() -> None:
    assert points(read("x;y\n12,500;3,250\n13,125;1,000\n")) == [(12.5, 3.25), (13.125, 1)]


def test_marks_and_line_ends(tmp_path: Path) -> None:
    table = "x;y\r\n1,5;2\r\n3;4\r\n"
    for name, data in {
        "a.csv": b"\xef\xbb\xbf" + table.encode(),
        "b.csv": table.encode("utf-16"),
        "c.CSV": table.replace("\r\n", "\r").encode(),
        "d.txt": table.encode(),
    }.items():
        (tmp_path / name).write_bytes(data)
        moves, _ = read_path(tmp_path / name, PathOptions())
        assert points(moves) == [(1.5, 2), (3, 4)]
        assert moves.line.tolist() == [3]


def test_a_row_at_the_same_point_is_no_move() -> None:
    moves = read("x,y\n0,0\n0,0\n1,0\n1,0\n2,0\n")
    assert points(moves) == [(0, 0), (1, 0), (2, 0)]
    assert moves.line.tolist() == [4, 6]
    assert points(read("x,y\n3,4\n")) == [(3, 4), (3, 4)]


def test_u_and_v_of_nothing_are_upright() -> None:
    assert points(read("x,y,u,v\n0,0,0,0\n1,0,0,0.0\n")) == [(0, 0), (1, 0)]


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ("1,2\n3,4\n", "line 1: the table begins with numbers"),
        ("x,z\n1,2\n", 'line 1: the header names a column "z"'),
        ("x,y,rapit\n1,2,0\n", 'a column "rapit" ("rapid"?)'),
        ("x,y,x\n1,2,3\n", 'line 1: the header names "x" twice'),
        ("x,rapid\n1,0\n", 'line 1: the header has no column "y"'),
        ("x,y,u\n1,0,0\n", 'line 1: the header has no column "v"'),
        ("x,y\n", "a header and no points"),
        ("x,y\n1\n", "line 2: 1 fields; as many as the header names: x,y"),
        ("x,y\n1,5,2,5\n", 'line 2: 4 fields; as many as the header names: x,y; decimal commas need ";"'),
        ("x,y\n\n1,2\n3,nan\n", 'line 4: y is "nan"'),
        ("x,y\n1,inf\n", 'line 2: y is "inf"'),
        ("x,y\n1,\n2,3\n", "line 2: y is empty"),
        ("x,y\n1,1_000\n", 'y is "1_000"'),
        ("x,y\n1,١\n", "y is"),
        ("x,y\n1,1e9\n", "line 2: a coordinate that is too large"),
        ("x,y\n1,1e999\n", "line 2: a coordinate that is too large"),
        ("x,y,rapid\n1,2,0\n1,3,yes\n", 'line 3: rapid is "yes"; 0 or 1'),
        ("x,y,rapid\n1,2,0\n1,3,\n", 'line 3: rapid is ""'),
        ("x;y\n1,5;2.5\n", '"1,5" has a comma and "2.5" (line 2) a point'),
        ("x;y\n1.234,5;2\n", '"1.234,5" has a comma'),
        ("x\ty\n1,234\t5,678\n", '"1,234": the comma may be a decimal sign or part thousands'),
        ('x,y\n"1,234","5,678"\n', '"1,234": the comma may be a decimal sign or part thousands'),
        ('x,y\n"1,2\n3",4\n', "line 2: the row cannot be read"),
        ("x y\n1 2\n", "the header names a column"),
        ("\n", "the table is empty"),
    ],
)
def test_messages(table: str, says: str) -> None:
    with pytest.raises(InputError) as caught:
        read(table)
    text = str(caught.value)
    assert text.startswith("a.csv: ")
    assert says in text
    assert "\n" not in text


@pytest.mark.parametrize(
    "cell", ["9" * 200_000 + "z", "1." + "9" * 200_000 + "z", "9" * 5_000, "," * 200_000]
)
@pytest.mark.timed
def test_one_cell_of_anything_is_answered_at_once(cell: str) -> None:
    before = time.process_time()
    with pytest.raises(InputError) as caught:
        read_points(f"x,y\n1,2\n{cell},5\n", "a.csv", PathOptions())
    assert time.process_time() - before < 2.0 * slowness()
    assert len(str(caught.value)) < 300
    assert "digit limit" not in str(caught.value)
