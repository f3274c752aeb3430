"""U and V: what the words mean, and where the wire's line meets the guides' heights."""

from __future__ import annotations

from dataclasses import replace
from math import cos, pi, radians, sin, tan
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.errors import InputError
from clearance.toolpath.moves import Moves, polyline
from clearance.toolpath.nc.reader import read_nc
from clearance.toolpath.read import PathOptions, read_points
from clearance.toolpath.taper import guides


def read(program: str, words: Any = "relative", **more: Any) -> Moves:
    return read_nc(program + "\nM02", "a.nc", PathOptions(uv_words=words, planes=(0.0, 25.0), **more))


def uv(moves: Moves) -> list[list[float]]:
    assert moves.start_uv is not None
    assert moves.end_uv is not None
    assert np.array_equal(moves.start_uv[1:], moves.end_uv[:-1])
    return np.vstack([moves.start_uv[:1], moves.end_uv]).round(9).tolist()


# --- the words -----------------------------------------------------------------------------------------


def test_relative_words_count_from_x_and_y() -> None:
    moves = read("G90 G00 X10 Y0\nG01 X20 U1 V-2\nX30\nG91 U0.5\nX1 V1\nG90 U0 V0")
    assert uv(moves) == [[0, 0], [1, -2], [1, -2], [1.5, -2], [1.5, -1], [0, 0]]
    # A block with U alone tilts the wire where it stands; it is a move.
    assert moves.start[2].tolist() == moves.end[2].tolist() == [30, 0]


def test_absolute_words_are_the_upper_point() -> None:
    moves = read("G90 G00 X10 Y5\nG01 X20 U21 V3\nX30\nG91 X1 U10\nG90 X0 Y0 U0 V0", "absolute")
    # Upper point (21, 3), stays there, then 10 further in X.
    assert uv(moves) == [[0, 0], [1, -2], [-9, -2], [0, -2], [0, 0]]


def test_inches_and_shifts_hold_for_u_and_v() -> None:
    assert uv(read("G70 G00 X0 Y0\nG01 X1 U1 V2")) == [[0, 0], [25.4, 50.8]]
    moves = read("G00 X10 Y10\nG92 X0 Y0\nG01 X5 U6 V1", "absolute")
    assert moves.end[0].tolist() == [15, 10]
    assert uv(moves) == [[0, 0], [1, 1]]


def test_the_first_point_may_be_tilted() -> None:
    assert uv(read("G92 X0 Y0 U1 V0\nG01 X5")) == [[1, 0], [1, 0]]
    assert uv(read("G00 X0 Y0 U1 V2\nG01 X5")) == [[1, 2], [1, 2]]


def test_an_upright_program_has_no_u_and_v() -> None:
    assert read("G92 X0 Y0 U0 V0\nG01 X5 U0").start_uv is None


@pytest.mark.parametrize(
    ("program", "options", "says"),
    [
        (
            "G00 X0 Y0\nG01 X5 U1",
            PathOptions(planes=(0, 5)),
            "line 2: U V words, and the setup does not say what",
        ),
        (
            "G00 X0 Y0\nG01 X5 V1",
            PathOptions(uv_words="relative"),
            "line 2: U V words, and the setup does not say at",
        ),
    ],
)
def test_what_the_setup_must_say(program: str, options: PathOptions, says: str) -> None:
    with pytest.raises(InputError) as caught:
        read_nc(program, "a.nc", options)
    assert str(caught.value).startswith(f"a.nc: {says}")


@pytest.mark.parametrize(
    ("program", "says"),
    [
        ("G00 X0 Y0\nG01 X1 U1\nG02 I5", "line 3: a full circle with U V"),
        ("G00 X0 Y0\nG01 X1 U1\nG92 U0", "line 3: G92 with U V after the path has begun"),
        ("G00 X0 Y0\nG01 X1 U1 U2", "line 2: two words U"),
        ("G00 X0 Y0\nG01 X1 U1e9", "line 2: E directly"),
        ("G00 X0 Y0\nG01 X1 U999999", "line 2: a coordinate that is too large"),
        ("G00 X0 Y0\nG41 D1 G01 X1\nX5 U1", "line 2: G41 in a program with U V"),
    ],
)
def test_messages(program: str, says: str) -> None:
    with pytest.raises(InputError) as caught:
        read(program, offsets={1: 0.2})
    assert str(caught.value).startswith(f"a.nc: {says}")


def test_tables_with_u_and_v() -> None:
    options = PathOptions(uv_words="relative", planes=(0, 25))
    moves = read_points("x,y,u,v\n0,0,0,0\n10,0,1,-1\n10,0,2,0\n10,0,2,0\n20,0,2,0\n", "a.csv", options)
    assert uv(moves) == [[0, 0], [1, -1], [2, 0], [2, 0]]
    assert moves.line.tolist() == [3, 4, 6]
    options = PathOptions(uv_words="absolute", planes=(0, 25), file_units="inch")
    assert uv(read_points("x,y,u,v\n0,0,0,0\n1,0,2,1\n", "a.csv", options)) == [[0, 0], [25.4, 25.4]]
    for options, says in (
        (PathOptions(planes=(0, 25)), "line 3: u and v, and the setup does not say what they count from"),
        (PathOptions(uv_words="relative"), "line 3: u and v, and the setup does not say at which heights"),
    ):
        with pytest.raises(InputError) as caught:
            read_points("x,y,u,v\n0,0,0,0\n1,0,2,1\n", "a.csv", options)
        assert says in str(caught.value)


# --- the guides ----------------------------------------------------------------------------------------


def tapered(start_uv: list[list[float]], **more: Any) -> Moves:
    steps = np.array(start_uv, dtype=float)
    moves = polyline(np.stack([np.arange(len(steps)) * 10.0, np.zeros(len(steps))], axis=1), threaded=True)
    return replace(moves, start_uv=steps[:-1], end_uv=steps[1:], **more)


def test_the_sine_bar_handbooks_guide_offset() -> None:
    # Sine-bar handbook page: distance x tan, 120 mm at 10 degrees 21.159 mm.
    lean = 25 * tan(radians(10))
    moves = tapered([[lean, 0], [0, lean]])
    lower, upper = guides(moves, (0.0, 25.0), -10.0, 110.0, 0.0)
    assert np.hypot(*(upper.start[0] - lower.start[0])) == pytest.approx(21.159, abs=5e-4)
    assert np.hypot(*(upper.end[0] - lower.end[0])) == pytest.approx(21.159, abs=5e-4)
    # Below the plane of X Y the wire leans the other way.
    assert lower.start[0] == pytest.approx((-10 * tan(radians(10)), 0))
    assert lower.end[0] == pytest.approx((10, -10 * tan(radians(10))))


def test_upright_moves_are_handed_on() -> None:
    moves = polyline(np.array([[0, 0], [1, 1.0]]))
    assert guides(moves, (0, 25), -4, 30, 0) == (moves, moves)


def place(moves: Moves, i: int, t: float) -> complex:
    """The point of move i at fraction t, written anew here."""
    a, b = complex(*moves.start[i]), complex(*moves.end[i])
    if moves.sweep[i] == 0:
        return a + t * (b - a)
    c = complex(*moves.centre[i])
    return c + (a - c) * np.exp(1j * moves.sweep[i] * t)


word = st.floats(-3, 3).map(lambda x: round(x, 3))
shape = st.tuples(st.sampled_from(["line", "even", "still", "cone"]), word, word, st.floats(0.2, 3))


def leaning(kind: str, begin: complex, end: complex, turn: float, reading: str, t: float) -> complex:
    """u + i v at the fraction t of a move, by the two readings that the README gives."""
    if kind == "line" or reading == "even":
        return begin + t * (end - begin)
    return np.exp(1j * turn * t) * (begin + t * (end * np.exp(-1j * turn) - begin))


@settings(deadline=None, max_examples=60)
@given(
    st.lists(shape, min_size=1, max_size=6),
    st.floats(-5, 5),
    st.floats(8, 60),
    st.floats(-20, -0.5),
    st.floats(20, 90),
    st.floats(-3, 3),
    st.sampled_from(["even", "cone"]),
)  # fmt: skip
def test_the_line_through_both_guides_goes_through_both_planes(
    shapes: list[tuple[str, float, float, float]],
    xy: float,
    apart: float,
    low: float,
    high: float,
    zero_z: float,
    reading: Any,
) -> None:
    """At any moment of any move the point of the line at each plane's height is the programmed one."""
    at, tilt = 0j, 1 + 0.5j
    program = ["G90 G00 X0 Y0 U1 V0.5"]
    wanted: list[tuple[str, complex, complex, complex, float, complex]] = []
    for kind, a, b, turn in shapes:
        begin = tilt
        if kind == "line":
            to = at + complex(a, b) + 4
            tilt = complex(b, a)
            program.append(f"G01 X{to.real:.6f} Y{to.imag:.6f} U{tilt.real:.6f} V{tilt.imag:.6f}")
            wanted.append((kind, at, to, 0j, 0.0, begin))
        else:
            centre = at + complex(5, 2)
            to = centre + (at - centre) * np.exp(1j * turn)
            if kind == "cone":
                tilt = begin * np.exp(1j * turn)
            elif kind == "even":
                tilt = complex(a, b)
            program.append(f"G03 X{to.real:.9f} Y{to.imag:.9f} I5 J2 U{tilt.real:.9f} V{tilt.imag:.9f}")
            wanted.append((kind, at, to, centre, turn, begin))
        at = to
    moves = read_nc(
        "\n".join(program) + "\nM02", "a.nc", PathOptions(uv_words="relative", planes=(xy, xy + apart))
    )
    lower, upper = guides(moves, (xy, xy + apart), low, high, zero_z, reading=reading)
    assert len(lower) == len(upper)
    assert lower.again is None
    for path in (lower, upper):
        assert np.array_equal(path.start[1:], path.end[:-1])
        assert path.origin is not None
        assert path.line.tolist() == [moves.line[i] for i in path.origin]
    allowed = (lower.chord_error + upper.chord_error + 2e-6) * (1 + 2 * (high - low) / apart)
    for i in range(len(lower)):
        k = int(lower.origin[i])
        of = np.flatnonzero(lower.origin == k)
        kind, start, to, centre, turn, begin = wanted[k]
        end = wanted[k + 1][5] if k + 1 < len(wanted) else tilt
        for t in (0.0, 0.3, 1.0):
            whole = (i - of[0] + t) / len(of)
            q = leaning(kind, begin, end, turn, reading, whole)
            p = centre + (start - centre) * np.exp(1j * turn * whole)
            if kind == "line":
                p = start + whole * (to - start)
            a, b = place(lower, i, t), place(upper, i, t)
            for z, point in ((zero_z + xy, p), (zero_z + xy + apart, p + q)):
                met = a + (b - a) * (z - low) / (high - low)
                assert abs(met - point) <= allowed, (kind, whole)
    both = guides(moves, (xy, xy + apart), low, high, zero_z)
    for path, whole_path in zip(both, (lower, upper), strict=True):
        assert np.array_equal(path.start[1:], path.end[:-1])
        there = steps_of(path)
        assert all(step in there for step in steps_of(whole_path))


def steps_of(moves: Moves) -> set[tuple[float, ...]]:
    """Each step, in both directions."""
    rows = np.hstack([moves.start, moves.end, np.nan_to_num(moves.centre), moves.sweep[:, None]]).round(7)
    back = np.hstack([rows[:, 2:4], rows[:, :2], rows[:, 4:6], -rows[:, 6:]])
    return {tuple(row) for row in np.vstack([rows, back]) + 0.0}


def test_a_cone_keeps_its_arcs() -> None:
    # Quarter turn of radius 10 leaning out by 1 in 25: at the heights -5 and 30 radii of 9.8 and 11.2.
    moves = read("G00 X10 Y0 U1 V0\nG03 X0 Y10 I-10 J0 U0 V1")
    lower, upper = guides(moves, (0.0, 25.0), -5.0, 30.0, 0.0, reading="cone")
    for path, r in ((lower, 9.8), (upper, 11.2)):
        assert len(path) == 1
        assert path.sweep[0] == pytest.approx(pi / 2)
        assert path.centre[0] == pytest.approx((0, 0), abs=1e-12)
        assert path.start[0] == pytest.approx((r, 0))
        assert path.chord_error <= 1e-9


# A quarter of radius 40 whose V ends a few micrometres beside the turn of a cone, over planes 25 apart.
def nearly_a_cone(beside: float, reading: Any = None) -> tuple[Moves, Moves]:
    moves = read(f"G00 X40 Y0 U8 V0\nG03 X0 Y40 I-40 U0 V{8 + beside:.4f}")
    return guides(moves, (0.0, 25.0), -5.0, 30.0, 0.0, reading=reading)


def test_micrometres_of_v_are_micrometres_of_the_path() -> None:
    """Whichever reading a control has: what is enclosed does not leap where U V nearly turn with the arc."""
    for at in (0, 1):
        reach = [
            np.sort(np.hypot(*nearly_a_cone(beside)[at].start.T)) for beside in (0.0, 0.004, 0.006, 0.02)
        ]
        ends = np.array([[r[0], r[-1]] for r in reach])
        # 8 mm x 6 / 5 at the upper guide: 49.6 about the corner, and 9.6 (1 - cos 45) = 2.81 mm less inside.
        assert np.ptp(ends, axis=0).max() < 0.03
    low, high = ends[0]
    assert (low, high) == pytest.approx((49.6 - 2.81, 49.6), abs=0.03)


def test_both_readings_are_told_once_and_a_key_says_which() -> None:
    lower, _ = nearly_a_cone(0.006)
    assert [note for note in lower.notes if "U V" in note] == [
        "on an arc in line 2 a control may change U V evenly or turn them with the arc, 2.81 mm apart at a "
        'guide: both are checked; codes.uv_on_arcs = "even" or "cone" in the machine file says which'
    ]
    assert lower.again is not None
    assert lower.count == 1
    # What is no part of the path comes back to where the path is.
    there = ~lower.again
    assert lower.start[np.flatnonzero(~there)[0]] == pytest.approx(lower.end[np.flatnonzero(there)[-1]])
    assert lower.end[-1] == pytest.approx(lower.end[np.flatnonzero(there)[-1]])
    for reading in ("even", "cone"):
        lower, _ = nearly_a_cone(0.006, reading)
        assert not [note for note in lower.notes if "U V" in note]
        assert lower.again is None


def test_a_full_circle_whose_u_and_v_stay_may_be_a_cone() -> None:
    """Programs with one are refused; what other readers say is enclosed."""
    lean = np.array([[5.0, 0.0]])
    moves = replace(read("G00 X10 Y0\nG03 X10 Y0 I-10 J0"), start_uv=lean, end_uv=lean)
    _, upper = guides(moves, (0.0, 25.0), 0.0, 25.0, 0.0)
    circles = {
        (*np.round(c, 9).tolist(), round(float(np.hypot(*(s - c))), 9))
        for s, c in zip(upper.start, upper.centre, strict=True)
    }
    assert circles == {(0.0, 0.0, 15.0), (5.0, 0.0, 10.0)}


def test_readings_that_agree_are_one() -> None:
    """Upright arcs of a tapered program, and arcs so short that it makes no difference."""
    moves = read("G00 X0 Y0\nG01 X10 U1\nX20 U0\nG03 X20 Y10 J5\nG01 X10 U.0005\nG03 X9.99 Y9.99 J-.01")
    lower, upper = guides(moves, (0.0, 25.0), -5.0, 30.0, 0.0)
    assert lower.again is None
    assert len(lower) == len(moves)
    assert upper.chord_error <= 0.001


def test_a_cone_may_come_to_its_point() -> None:
    moves = read("G00 X1 Y0 U-1 V0\nG03 X0 Y1 I-1 U0 V-1\nG01 X0 Y2")
    _, upper = guides(moves, (0.0, 25.0), 0.0, 25.0, 0.0, reading="cone")
    assert upper.sweep[0] == 0
    assert upper.start[0] == pytest.approx((0, 0), abs=1e-12)
    assert upper.end[0] == pytest.approx((0, 0), abs=1e-12)


def test_chords_keep_their_bound_and_the_wires_state() -> None:
    moves = read("G00 X-5 Y0\nG01 X10 U1\nG03 X0 Y10 I-10 U3 V0\nG00 X0 Y0")
    for bound in (0.1, 0.01, 0.001):
        for reading in ("even", "cone"):
            lower, upper = guides(moves, (0.0, 25.0), -5.0, 30.0, 0.0, bound, reading)
            # Half the bound in both planes, and 1.4 times that where the upper guide is, 5 above them.
            assert upper.chord_error == pytest.approx(bound if reading == "even" else 0.7 * bound)
            assert lower.threaded.tolist() == upper.threaded.tolist()
            assert lower.thread_points == (0,)
            assert lower.threaded.sum() == len(lower) - 1
            inner = upper.origin == 1
            t = np.linspace(0, 1, 20001)
            lean = [leaning("arc", 1, 3, pi / 2, reading, float(x)) for x in t]
            true = 10 * np.exp(1j * pi / 2 * t) + 1.2 * np.array(lean)
            chords = np.append(upper.start[inner], upper.end[inner][-1:], axis=0) @ [1, 1j]
            # Each true point against the chord of its own time.
            n = inner.sum()
            piece = np.minimum((t * n).astype(int), n - 1)
            a, b = chords[piece], chords[piece + 1]
            along = np.clip(((true - a) * np.conj(b - a)).real / abs(b - a) ** 2, 0, 1)
            worst = abs(true - a - along * (b - a)).max()
            assert worst <= bound
            assert worst >= bound / 20


def test_turned_with_the_part() -> None:
    moves = read("G00 X0 Y0 U1\nG01 X5 V2").moved(np.array([3.0, 4.0]), 30.0)
    c, s = cos(radians(30)), sin(radians(30))
    assert uv(moves)[0] == pytest.approx([c, s])
    assert uv(moves)[1] == pytest.approx([c - 2 * s, s + 2 * c])
