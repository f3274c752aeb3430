"""Where the wire's offset cuts into the contour farther on: known slots, and random necks under shapely."""

from __future__ import annotations

import random
import re
import time
from itertools import pairwise
from math import cos, pi, sin
from pathlib import Path

import numpy as np
import pytest
import shapely
import shapely.ops

import clearance
from clearance.toolpath.moves import Moves
from clearance.toolpath.nc.reader import read_nc
from clearance.toolpath.read import PathOptions
from tests.pace import slowness
from tests.setup_writer import setup, write


def read(program: str, d: float = 0.2) -> Moves:
    return read_nc(program + "\nM02", "a.nc", PathOptions(offsets={1: d}))


def pocket(slot: float) -> str:
    """A room of 10 x 15, a slot out of its right side at Y 10, and a room of 5 x 2.6 behind the slot."""
    return "\n".join(
        ["G90 G00 X5. Y5.", "G41 D1 G01 X10. Y5.", "Y10.", "X15.", "Y9.", "X20.", "Y11.6", "X15.",
         f"Y{10 + slot:.3f}", "X10.", "Y15.", "X0.", "Y0.", "X10.", "Y5.", "G40 X5."]
    )  # fmt: skip


def test_a_slot_that_is_too_narrow_with_room_behind() -> None:
    (said,) = read(pocket(0.3)).doubts
    # 0.3 of slot leave 0.1 from the wire to the other wall, and 0.2 are wanted
    assert "the wire on line 4 cuts 0.100 mm into the contour of line 10" in said
    assert "Some controls stop there, others cut" in said
    assert read(pocket(0.3), d=0.14).doubts == ()
    assert read(pocket(0.41)).doubts == ()
    assert "cuts 0.010 mm into" in read(pocket(0.39)).doubts[0]


def test_such_a_cut_is_not_clear(tmp_path: Path) -> None:
    tables = setup(cuts__0__path="program.nc", cuts__0__offsets={"1": 0.2}, cuts__0__held_by="tab")
    for slot, verdict in ((0.41, "clear"), (0.3, "close")):
        file = write(tmp_path, tables)
        (tmp_path / "program.nc").write_text("G71\n" + pocket(slot).replace("G41", "M71 G41") + "\nM02\n")
        result = clearance.check(clearance.load(str(file)))
        assert result.verdict == verdict
        found = [each for each in result.findings if each.kind == "wire offset"]
        assert [each.severity for each in found] == ["close"] * (verdict == "close")


def test_a_contour_that_begins_at_a_corner_is_no_such_place() -> None:
    """Start and end are settled by nobody, and no control looks at both."""
    for word in ("G41", "G42"):
        program = f"G90 G00 X5. Y5.\n{word} D1 G01 X0. Y0.\nX10.\nY10.\nX0.\nY0.\nG40 X5. Y5."
        assert read(program).doubts == ()
        assert read(program.replace("G40", "X3.\nG40")).doubts == ()


ROUND = "X10. Y0.\nY10.\nX0.\nY0."
LEADS = {
    "arcs on and off": f"X4. Y1.\nG03 X5. Y0. I1. J0.\nG01 {ROUND}\nX5.\nG03 X6. Y1. I0. J1.\nG01",
    "straight, past the start": f"X5. Y3.\nY0.\n{ROUND}\nX6.5\nY3.",
    "arc on, slanting off": f"X4. Y1.\nG03 X5. Y0. I1. J0.\nG01 {ROUND}\nX6.5\nX4. Y3.",
}


@pytest.mark.parametrize("way", LEADS.values(), ids=LEADS)
def test_the_way_onto_a_contour_and_off_it_is_no_wall(way: str) -> None:
    """What is cut on these ways is what falls out (common practice, no source)."""
    assert read(f"G90 G00 X5. Y5.\nG41 D1 G01 {way}\nG40 X5. Y5.").doubts == ()
    outside = way.replace("Y1.", "Y-1.").replace("J1.", "J-1.").replace("G03", "G02").replace("Y3.", "Y-3.")
    assert read(f"G90 G00 X5. Y-5.\nG42 D1 G01 {outside}\nG40 X5. Y-5.").doubts == ()


def test_behind_such_a_way_a_slot_is_found_at_its_place() -> None:
    slot = "X10. Y0.\nY4.\nX15.\nY3.\nX20.\nY6.\nX15.\nY4.3\nX10.\nY10.\nX0.\nY0."
    for on, off in (
        ("X5. Y3.\nY0.", "X6.5\nY3."),
        ("X4. Y1.\nG03 X5. Y0. I1. J0.\nG01", "X5.\nG03 X6. Y1. I0. J1."),
    ):
        (said,) = read(f"G90 G00 X5. Y5.\nG41 D1 G01 {on}\n{slot}\n{off}\nG40 G01 X5. Y5.").doubts
        assert "cuts 0.100 mm into" in said
        x, y = (float(n) for n in re.search(r"near X(\S+) Y(\S+?)[;.]? ", said).groups())
        assert 9.8 <= x <= 15.3
        assert 4.0 <= y <= 4.3


def test_arcs_and_going_round_again() -> None:
    hole = "G90 G00 X0. Y0.\nG41 D1 G01 X5. Y0.\nG03 I-5.\nG03 I-5.\nG03 X-5. I-5.\nG40 G01 X0."
    assert read(hole).doubts == ()
    # A keyhole: a round of 5 and a slot of 0.3 whose end is round, entered from the round.
    y, x = 0.15, (25 - 0.15**2) ** 0.5
    key = (
        f"G90 G00 X0. Y0.\nG41 D1 G01 X0. Y5.\nG03 X{x:.4f} Y{-y} J-5. I0. (the long way round)\nG01 X9.\n"
        f"G03 X9. Y{y} I0.4 J0.15\nG01 X{x:.4f}\nG03 X0. Y5. I{-x:.4f} J{-y}\nG40 G01 Y0."
    )
    assert re.search("line [456] cuts 0.100 mm into the contour of line [456],", read(key).doubts[0])


@pytest.mark.few(2)
@pytest.mark.parametrize("seed", range(6))
def test_random_contours_against_shapely(seed: int) -> None:
    """Rooms in a row, each with a neck to the next. The oracle measures every move of the wire against every
    move of the contour."""
    rng = random.Random(seed)
    told = silent = 0
    for _ in range(40):
        n = rng.choice((4, 6, 9))
        width = [rng.uniform(0.3, 3.0) for _ in range(n)]
        x = [2.0 * k + rng.uniform(-0.5, 0.5) for k in range(n)]
        bend = [rng.uniform(-1, 1) for _ in range(n)]
        width[0] = width[-1] = 5.0
        below = [(x[k], bend[k] - width[k] / 2) for k in range(n)]
        above = [(x[k], bend[k] + width[k] / 2) for k in range(n)]
        corners = [(x[0], bend[0]), *below, *reversed(above), (x[0], bend[0])]
        d = rng.uniform(0.1, 0.5)
        word = rng.choice(("G41", "G41", "G42"))
        text = [f"X{x:.6f} Y{y:.6f}" for x, y in corners]
        try:
            moves = read("\n".join([f"G90 G00 X30. Y30.\n{word} D1 G01 {text[0]}", *text[1:]]), d)
        except clearance.ClearanceError:
            continue  # no room at a corner already
        chords = []
        for a, b, c, turn in zip(moves.start, moves.end, moves.centre, moves.sweep, strict=True):
            t = np.linspace(0, turn, 65)
            z = complex(*c) + (complex(*a) - complex(*c)) * np.exp(1j * t)
            chords.append(np.stack([z.real, z.imag], axis=1) if turn else np.stack([a, b]))
        wire = shapely.LineString(np.vstack(chords[1:]))
        wire = shapely.ops.substring(wire, 3 * d, wire.length - 3 * d)
        if wire.geom_type != "LineString" or wire.length < 1e-9:
            continue
        least = min(shapely.distance(wire, shapely.LineString(pair)) for pair in pairwise(corners))
        if d - least > 0.006:
            told += 1
            assert len(moves.doubts) == 1
        elif d - least < 0.002 and moves.doubts:
            # only the ends are left: there the oracle looks at what lies away from the seam
            raise AssertionError(f"{moves.doubts} where the least distance is {least} of {d}")
        else:
            silent += d - least < 0.002
    assert told > 1
    assert silent > 1


@pytest.mark.timed
def test_long_programs_are_searched_quickly() -> None:
    def ring(n: int) -> list[str]:
        return [f"X{50 * cos(2 * pi * k / n):.6f} Y{50 * sin(2 * pi * k / n):.6f}" for k in range(1, n + 1)]

    saw = [f"X{k * 0.5:.3f} Y{(k % 2) * 30}." for k in range(1, 20001)]
    first = "G90 G00 X40. Y0.\nG41 D1 G01 "
    for name, lines, d in (
        ("X50. Y0.", ring(20_000), 0.2),
        ("X50. Y0.", ring(100) * 200, 0.2),
        ("X0. Y0.", saw, 0.1),
    ):
        before = time.process_time()
        read("\n".join([first + name, *lines]), d)
        # reading and the search together; the search is about half of it
        assert time.process_time() - before < 4.0 * slowness(), name
