"""The wire offset: known mitres, rounded corners, and everywhere the right distance from the contour."""

from __future__ import annotations

import time
from math import cos, hypot, pi, radians, sin, tan

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.errors import InputError
from clearance.toolpath.moves import Moves
from clearance.toolpath.nc.program import ROUNDED
from clearance.toolpath.nc.reader import read_nc
from clearance.toolpath.read import PathOptions
from tests.pace import slowness


def read(program: str, **offsets: float) -> Moves:
    sizes = {int(name[1:]): value for name, value in offsets.items()} or {1: 0.2}
    return read_nc(program + "\nM02", "a.nc", PathOptions(offsets=sizes))


def points(moves: Moves) -> np.ndarray:
    return np.vstack([moves.start[:1], moves.end])


def dense(moves: Moves, each: int = 400) -> np.ndarray:
    """Points along moves, written anew here."""
    out = []
    for a, b, c, turn in zip(moves.start, moves.end, moves.centre, moves.sweep, strict=True):
        t = np.linspace(0, 1, each)
        if turn == 0:
            out.append(a + t[:, None] * (b - a))
        else:
            z = complex(*c) + (complex(*a) - complex(*c)) * np.exp(1j * turn * t)
            out.append(np.stack([z.real, z.imag], axis=1))
    return np.concatenate(out)


def square(word: str, size: float = 10) -> str:
    s = size
    return f"G00 X0 Y0\n{word} D1 G01 X{s}\nY{s}\nX-{s}\nY-{s}\nX{s}\nY0\nG40 X0 Y0"


def test_inside_a_square_the_corners_lie_on_the_mitres() -> None:
    moves = read(square("G41"))
    want = [(0, 0), (9.8, 0), (9.8, 9.8), (-9.8, 9.8), (-9.8, -9.8), (9.8, -9.8), (9.8, 0), (0, 0)]
    assert points(moves) == pytest.approx(np.array(want), abs=1e-12)
    assert moves.line.tolist() == [2, 3, 4, 5, 6, 7, 8]
    assert moves.grow == 0
    assert moves.notes == (ROUNDED,)


def test_outside_a_square_the_corners_are_quarter_turns() -> None:
    moves = read(square("G42"))
    assert len(moves) == 11
    corners = moves.sweep != 0
    assert np.degrees(moves.sweep[corners]) == pytest.approx([90] * 4)
    assert np.hypot(*(moves.start[corners] - moves.centre[corners]).T) == pytest.approx([0.2] * 4)
    assert np.abs(moves.centre[corners]) == pytest.approx(np.full((4, 2), 10.0))
    # Round corners outside: area grows by perimeter x d + pi d^2 (Steiner's formula).
    z = dense(moves)[400:-400]
    area = abs(np.sum(z[:-1, 0] * z[1:, 1] - z[1:, 0] * z[:-1, 1])) / 2
    assert area == pytest.approx(400 + 80 * 0.2 + pi * 0.04, rel=1e-6)
    # A corner counts to the move behind it.
    assert moves.line.tolist() == [2, 3, 4, 4, 5, 5, 6, 6, 7, 7, 8]


# Plane geometry: offset lines that enclose the angle a meet d / sin(a / 2) from the corner.
@pytest.mark.parametrize("angle", [20, 60, 90, 135, 179, 179.99])
@pytest.mark.parametrize("word", ["G41", "G42"])
def test_known_mitres(angle: float, word: str) -> None:
    side = 1 if word == "G41" else -1
    a = radians(angle)
    # Along X to the origin, then back at the angle, on the side where the offset is.
    end = (-30 * cos(a), side * 30 * sin(a))
    moves = read(f"G00 X-30 Y1\n{word} D1 G01 X-30 Y0\nX0 Y0\nX{end[0]:.12f} Y{end[1]:.12f}", D1=0.3)
    corner = moves.end[1]
    assert hypot(*corner) == pytest.approx(0.3 / sin(a / 2), rel=1e-9)
    assert corner == pytest.approx((-0.3 / tan(a / 2), side * 0.3), abs=1e-9)


def test_arcs_shrink_and_grow() -> None:
    left = read("G00 X0 Y0\nG41 D1 G01 X5\nG03 X-5 I-5\nX5 I5\nG40 G01 X0")
    right = read("G00 X0 Y0\nG42 D1 G01 X5\nG03 X-5 I-5\nX5 I5\nG40 G01 X0")
    for moves, r in ((left, 4.8), (right, 5.2)):
        assert np.hypot(*(moves.start[1:3] - moves.centre[1:3]).T) == pytest.approx([r, r])
        assert np.degrees(moves.sweep[1:3]) == pytest.approx([180, 180])
        assert points(moves) == pytest.approx(np.array([(0, 0), (r, 0), (-r, 0), (r, 0), (0, 0)]), abs=1e-12)
    circle = read("G00 X0 Y0\nG42 D1 G01 X5\nG02 I-5\nG40 G01 X0")
    assert circle.sweep[1] == -2 * pi
    assert circle.start[1] == pytest.approx((4.8, 0))


def test_an_inside_corner_of_a_line_and_an_arc() -> None:
    # Half disc of radius 5 over y = 0, offset inwards by 0.2: its corner is on y = 0.2, 4.8 from the centre.
    moves = read("G00 X0 Y2\nG41 D1 G01 X0 Y0\nX5\nG03 X-5 I-5\nG01 X0\nG40 Y2")
    corner = (np.sqrt(4.8**2 - 0.2**2), 0.2)
    assert moves.end[1] == pytest.approx(corner, abs=1e-12)
    assert moves.end[2] == pytest.approx((-corner[0], 0.2), abs=1e-12)
    assert moves.sweep[2] == pytest.approx(pi - 2 * np.arcsin(0.2 / 4.8))


def test_an_inside_corner_of_two_arcs() -> None:
    # A lens of two circles of radius 5 about (+-3, 0); inwards by 0.2 the tips lie at y = sqrt(4.8^2 - 9).
    moves = read("G00 X0 Y0\nG41 D1 G01 X2 Y0\nG03 X0 Y4 I-5\nX0 Y-4 I3 J-4\nX2 Y0 I-3 J4\nG40 G01 X0")
    tip = np.sqrt(4.8**2 - 9)
    assert moves.end[1] == pytest.approx((0, tip), abs=1e-12)
    assert moves.end[2] == pytest.approx((0, -tip), abs=1e-12)


def test_straight_back_goes_round_the_tip() -> None:
    moves = read("G00 X0 Y1\nG41 D1 G01 X0 Y0\nX10\nX0\nG40 X0 Y1")
    assert points(moves) == pytest.approx(
        np.array([(0, 1), (0, 0.2), (10, 0.2), (10, -0.2), (0, -0.2), (0, 1)]), abs=1e-12
    )
    assert moves.sweep[2] == pytest.approx(-pi)


def test_rounding_between_tangent_moves_is_no_corner_to_fail_at() -> None:
    # A tangent arc whose centre is rounded to 0.001 mm, with the corner on either side by that rounding.
    for j in ("0.999", "1.000", "1.001"):
        for word in ("G41", "G42"):
            end = f"X{10 + 1:.3f} Y1.000"
            program = f"G00 X0 Y5\n{word} D1 G01 Y0\nX10\nG03 {end} I0.001 J{j}\nG01 Y9\nG40 X0"
            moves = read(program, D1=0.2)
            gaps = np.hypot(*np.diff(points(moves), axis=0).T)
            assert gaps.min() > 0
            assert len(moves) <= 8


def test_a_die_opening_by_its_outline_and_by_the_wires_centre() -> None:
    """Two lobes R4.3 joined by a waist of R10.8009, as outline under G41 with 0.18 and as centre path, in
    four decimals both: the same moves. The outline's joints lie 4.3 / 4.12 as far from the lobes' centres."""
    outline = """G90 G71 G00 X0 Y0
G41 D1 G01 X2.9 Y0
G02 X3.9013 Y4.5418 I10.8009 J0
G03 X-3.9013 Y4.5418 I-3.9013 J1.8082
G02 X-3.9013 Y-4.5418 I-9.7996 J-4.5418
G03 X3.9013 Y-4.5418 I3.9013 J-1.8082
G02 X2.9 Y0 I9.7996 J4.5418
G40 G01 X0 Y0"""
    centre = """G90 G71 G00 X0 Y0
G01 X2.72 Y0
G02 X3.738 Y4.6175 I10.9809 J0
G03 X-3.738 Y4.6175 I-3.738 J1.7325
G02 X-3.738 Y-4.6175 I-9.9629 J-4.6175
G03 X3.738 Y-4.6175 I3.738 J-1.7325
G02 X2.72 Y0 I9.9629 J4.6175
G01 X0 Y0"""
    a, b = read(outline, D1=0.18), read(centre)
    assert len(a) == len(b) == 7
    assert a.end == pytest.approx(b.end, abs=2e-4)
    assert a.sweep == pytest.approx(b.sweep, abs=1e-4)
    assert a.line.tolist() == b.line.tolist()
    assert 0 < a.chord_error < 2e-4


def test_offset_number_and_words() -> None:
    assert read("G00 X0 Y0\nD2\nG41 G01 X5\nY5", D1=0.1, D2=0.3).end[1] == pytest.approx((4.7, 5))
    assert read("G00 X0 Y0\nG41 H2 G01 X5\nY5", D1=0.1, D2=0.3).end[1] == pytest.approx((4.7, 5))
    assert read("G00 X0 Y0\nG41 D0 G01 X5\nY5", D1=0.1).end[1] == pytest.approx((5, 5))
    # A negative offset changes sides.
    assert read("G00 X0 Y0\nG41 D1 G01 X5\nY5", D1=-0.3).end[1] == pytest.approx((5.3, 5))
    # Alone under the offset, the lead-in ends beside its own end.
    assert read("G00 X0 Y0\nG42 D1 G01 X5\nG40 X9").end[0] == pytest.approx((5, -0.2))


@pytest.mark.parametrize(
    ("program", "says"),
    [
        ("G00 X0 Y0\nG41 D1 G01 X5\nG03 X5.1 Y0.1 J0.1",
         "line 3: the wire offset of 0.2 mm uses up the arc's radius"),
        ("G00 X0 Y0\nG41 D1 G01 X5\nG03 X5.2 Y0.2 J0.2", "line 3: the wire offset of 0.2 mm uses up"),
        ("G00 X0 Y0\nG41 D1 G01 X5\nY5\nX4.7\nY0", "line 4: between its two inside corners"),
        ("G00 X0 Y0\nG41 D1 G01 X5 Y0\nY0.1\nX0", "line 4: the inside corner at X5 Y0.1 leaves no room"),
        ("G00 X0 Y0\nG41 D1 G03 X5 I2.5", "line 2: the wire offset comes on on an arc"),
        ("G00 X0 Y0\nG41 D1 G01 X5\nY5\nG40 G03 X-5 I-5", "line 4: the wire offset goes off on an arc"),
        ("G00 X0 Y0\nG41 D1 G01 X5\nG42 Y5", "line 3: the wire offset changes while it is on"),
        ("G00 X0 Y0\nG41 D1 G01 X5\nD2 Y5", "line 3: the wire offset changes while it is on"),
        ("G00 X0 Y0\nG41 D7 G01 X5", "line 2: the setup gives no offset D7, only D1, D2; offsets = { 7"),
        ("G00 X0 Y0\nG41 G01 X5", "line 2: a wire offset, and no D word says which"),
        ("G00 X0 Y0\nG41 D1 G01 X5\nG92 X0", "line 3: G92 while the wire offset is on"),
    ],
)  # fmt: skip
def test_messages(program: str, says: str) -> None:
    with pytest.raises(InputError) as caught:
        read(program, D1=0.2, D2=0.3)
    assert str(caught.value).startswith(f"a.nc: {says}")


@settings(deadline=None, max_examples=30)
@given(
    st.lists(st.floats(8, 14), min_size=5, max_size=12),
    st.lists(st.floats(0.0, 1.0), min_size=12, max_size=12),
    st.floats(0.05, 0.4),
    st.booleans(),
)
@pytest.mark.slow
def test_the_wire_keeps_its_distance(radii: list[float], fillets: list[float], d: float, left: bool) -> None:
    """A star with some corners rounded, followed on either side: each point of the wire's way lies at the
    offset's distance from the contour (shapely measures), on the side asked for."""
    n = len(radii)
    corners = [r * np.exp(2j * pi * k / n) for k, r in enumerate(radii)]
    middles = [(corners[k] + corners[(k + 1) % n]) / 2 for k in range(n)]
    program = [f"G00 X{middles[-1].real / 2:.9f} Y{middles[-1].imag / 2:.9f}"]
    program.append(f"{'G41' if left else 'G42'} D1 G01 X{middles[-1].real:.9f} Y{middles[-1].imag:.9f}")
    outline = [middles[-1]]
    for k in range(n):
        before, corner, after = middles[k - 1], corners[k], middles[k]
        way_in, way_out = corner - before, after - corner
        turn = float(np.angle(way_out / way_in))
        back = fillets[k] * 0.8 * min(abs(way_in), abs(way_out))
        radius = back / tan(abs(turn) / 2) if abs(turn) > 0.05 else 0.0
        if 0.5 < radius < 200:
            a = corner - way_in / abs(way_in) * back
            b = corner + way_out / abs(way_out) * back
            c = a + way_in / abs(way_in) * 1j * (1 if turn > 0 else -1) * radius
            program.append(f"G01 X{a.real:.9f} Y{a.imag:.9f}")
            word = "G03" if turn > 0 else "G02"
            program.append(f"{word} X{b.real:.9f} Y{b.imag:.9f} I{(c - a).real:.9f} J{(c - a).imag:.9f}")
            outline += [a, *(c + (a - c) * np.exp(1j * turn * np.linspace(0, 1, 400)))]
        else:
            program.append(f"G01 X{corner.real:.9f} Y{corner.imag:.9f}")
            outline.append(corner)
        program.append(f"G01 X{after.real:.9f} Y{after.imag:.9f}")
        outline.append(after)
    moves = read("\n".join(program), D1=d)
    contour = shapely.LineString([(z.real, z.imag) for z in outline])
    inside = shapely.Polygon(contour)
    way = dense(moves, 60)[60:]
    away = shapely.distance(contour, shapely.points(way))
    assert away == pytest.approx(np.full(len(way), d), abs=2e-5 + 0.001 * d)
    within = shapely.contains_xy(inside, way[:, 0], way[:, 1])
    assert within.all() if left else not within.any()


@pytest.mark.timed
def test_a_long_offset_program_is_read_quickly() -> None:
    turn = 2 * pi / 50_000
    program = ["G90 G00 X0 Y0", "G41 D1 G01 X50 Y0"]
    program += [
        f"X{50 * cos(k * turn):.6f} Y{(50 + k % 2 * 0.0001) * sin(k * turn):.6f}" for k in range(1, 50_001)
    ]
    taken = []
    for _ in range(3):
        before = time.process_time()
        moves = read("\n".join(program))
        taken.append(time.process_time() - before)
        if taken[-1] < 2.0 * slowness():
            break
    assert min(taken) < 2.0 * slowness()
    assert len(moves) >= 50_000


def test_moves_are_counted_as_the_program_has_them() -> None:
    """A square cut outside gets an arc at each corner: each belongs to a move of the program, in order."""
    program = "G90 G71\nG00 X-5 Y-5\nG42 D1 G01 X0 Y0\nX10\nY10\nX0\nY0\nG40 X-5 Y-5\nM02"
    plain = read(program.replace("G42 D1 ", "").replace("G40 ", ""))
    moves = read(program, D1=0.2)
    assert len(moves) > len(plain)
    assert moves.count == len(plain)
    assert moves.origin is not None
    assert (np.diff(moves.origin) >= 0).all()
    assert [int(plain.line[k]) for k in moves.origin] == moves.line.tolist()
