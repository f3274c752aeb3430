"""The walls that the wire cut, against the model of the finished part.

Truths are plane geometry: an opening of 20 x 20 cut with an offset of half the wire and the gap, 0.1 + 0.02,
lies exactly on the model; on the wrong side it is twice that too deep. Models are made by manifold3d. The
tolerance of 0.05 is common practice, no source.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from manifold3d import CrossSection, Manifold

from clearance.errors import ClearanceError
from clearance.scene.model import Finding
from tests.access_bench import AT, block, plate_with, post
from tests.setup_writer import Tables
from tests.test_process_states import judged

X, Y = AT
PLATE = block(80, 60, 20)
BLANK = PLATE - post(2, 22, (40, 30, -1))
OPENING = block(20, 20, 30, (30, 20, -5))
FINISHED = PLATE - OPENING
#: half the wire and the gap
HALF = 0.12


def contour(side: str, *corners: tuple[float, float], start: tuple[float, float], d: int = 1) -> str:
    """From ``start`` onto a contour, round it, and back off it."""
    (x, y), *rest = corners
    words = [f"G90 G00 X{start[0]} Y{start[1]}", f"G01 {side} D{d} X{x} Y{y}"]
    words += [f"G01 X{a} Y{b}" for a, b in rest]
    return "\n".join([*words, f"G01 G40 X{start[0]} Y{start[1]}"])


#: anticlockwise from the middle of the right side: what is cut out is to the left
ROUND = [(50, 30), (50, 40), (30, 40), (30, 20), (50, 20), (50, 30)]


def told(
    tmp_path: Path,
    program: str,
    finished: Manifold = FINISHED,
    blank: Manifold = BLANK,
    plate: Tables | None = None,
    **cut: Any,
) -> list[Finding]:
    item = plate_with(**{"becomes": "finished.stl", **(plate or {})})
    keys = {"nc": program, **({"offsets": {"1": HALF}} | cut)}
    result = judged(tmp_path, blank, keys, plate=item, others={"finished.stl": finished})
    return [f for f in result.findings if f.kind == "becomes"]


def figures(message: str) -> tuple[float, float]:
    """Depth in mm, and mm2."""
    return float(message.split("up to ")[1].split(" mm")[0]), float(message.split(" mm2")[0].split()[-1])


def test_the_right_side_is_silent_and_the_wrong_one_is_found(tmp_path: Path) -> None:
    assert told(tmp_path, contour("G41", *ROUND, start=(40, 30))) == []
    (wrong,) = told(tmp_path, contour("G42", *ROUND, start=(40, 30)))
    assert (wrong.severity, wrong.item, wrong.cut) == ("close", "plate", "cut 1")
    depth, area = figures(wrong.message)
    assert depth == pytest.approx(2 * HALF, abs=0.005)
    # all four walls of 20 x 20; the wire runs 0.12 outside them, so a little more
    assert area == pytest.approx(4 * 20 * 20, rel=0.03)
    assert "is the wire offset on the right side (G41, G42)" in wrong.message
    x, y = (float(wrong.message.split(f" {axis}")[-1].split()[0]) for axis in "XY")
    assert min(abs(x - X - 30), abs(x - X - 50), abs(y - Y - 20), abs(y - Y - 40)) <= 2 * HALF + 0.05


@pytest.mark.parametrize(
    ("offset", "words"),
    [
        (HALF + 0.015, None),
        (HALF - 0.015, None),
        (HALF + 0.08, "leaves up to 0.08"),
        (HALF - 0.07, "cuts up to 0.07"),
    ],
)
def test_an_offset_that_is_a_little_off(offset: float, words: str | None, tmp_path: Path) -> None:
    found = told(tmp_path, contour("G41", *ROUND, start=(40, 30)), offsets={"1": offset})
    assert [f.message.count(words or "-") for f in found] == ([] if words is None else [1])


def test_the_tolerance_is_a_key(tmp_path: Path) -> None:
    program = contour("G41", *ROUND, start=(40, 30))
    assert told(tmp_path, program, offsets={"1": HALF + 0.08}, plate={"becomes_tolerance": 0.1}) == []
    assert len(told(tmp_path, program, offsets={"1": HALF + 0.015}, plate={"becomes_tolerance": 0.01})) == 1


def test_only_the_last_pass_counts(tmp_path: Path) -> None:
    """A rough cut 0.1 off, and a trim on the wall; without the trim 0.1 is left."""
    rough = contour("G41", *ROUND, start=(40, 30), d=2)
    trim = contour("G41", *ROUND, start=(40, 30)).replace("G90 G00 X40 Y30\n", "")
    offsets = {"1": HALF, "2": HALF + 0.1}
    assert told(tmp_path, "\n".join([rough, trim]), offsets=offsets) == []
    (left,) = told(tmp_path, rough, offsets=offsets)
    depth, area = figures(left.message)
    assert depth == pytest.approx(0.1, abs=0.005)
    assert area == pytest.approx(4 * 20 * 20, rel=0.03)
    assert "is a pass missing" in left.message


def test_chamfers_reliefs_and_stock_are_left_out(tmp_path: Path) -> None:
    """The finished plate is 17 high, 1 above the blank's foot, with a chamfer and a relief below."""
    square = CrossSection.square((20, 20))
    chamfer = square.extrude(1, scale_top=(1.1, 1.1)).translate((30 - 1e-9, 20, 17))
    relief = block(26, 26, 3, (27, 17, 1))
    finished = block(80, 60, 17, (0, 0, 1)) - OPENING - chamfer - relief
    assert told(tmp_path, contour("G41", *ROUND, start=(40, 30)), finished) == []
    (wrong,) = told(tmp_path, contour("G42", *ROUND, start=(40, 30)), finished)
    assert figures(wrong.message)[0] == pytest.approx(2 * HALF, abs=0.005)


def test_a_thread_is_left_out(tmp_path: Path) -> None:
    """A hole of 10 through, its upper half threaded: rings of 10 to 11, one every mm, stand for it."""
    thread = Manifold()
    for k in range(8):
        thread += Manifold.cylinder(0.5, 5, 5.5, 96).translate((40, 30, 11 + k))
        thread += Manifold.cylinder(0.5, 5.5, 5, 96).translate((40, 30, 11.5 + k))
    finished = (
        PLATE - post(10, 22, (40, 30, -1)) - Manifold.cylinder(22, 5, 5, 96).translate((40, 30, -1)) - thread
    )
    words = ["G90 G00 X40 Y30", "G01 G41 D1 X45 Y30", "G03 X45 Y30 I-5 J0", "G01 G40 X40 Y30"]
    assert told(tmp_path, "\n".join(words), finished) == []


def test_a_punch_is_cut_from_outside(tmp_path: Path) -> None:
    """Clockwise round a punch of 20 x 20 the wire stands to the left; to the right it cuts into it."""
    blank = PLATE - post(2, 22, (55, 30, -1))
    punch = block(20, 20, 20, (30, 20, 0))
    around = [(50, 30), (50, 20), (30, 20), (30, 40), (50, 40), (50, 30)]
    assert told(tmp_path, contour("G41", *around, start=(55, 30)), punch, blank) == []
    (wrong,) = told(tmp_path, contour("G42", *around, start=(55, 30)), punch, blank)
    assert figures(wrong.message)[0] == pytest.approx(2 * HALF, abs=0.005)


@pytest.mark.parametrize("flats", [24, 400])
def test_flats_of_a_round_model_are_no_fault(flats: int, tmp_path: Path) -> None:
    """Flats of a circle of R 20 lie off it by R (1 - cos(180 / n)): 0.17 of 24, far above the tolerance."""
    finished = PLATE - Manifold.cylinder(22, 20, 20, flats).translate((40, 30, -1))
    words = ["G90 G00 X40 Y30", "G01 G41 D1 X60 Y30", "G03 X60 Y30 I-20 J0", "G01 G40 X40 Y30"]
    assert told(tmp_path, "\n".join(words), finished) == []
    wrong = told(tmp_path, "\n".join(words).replace("G41", "G42"), finished)
    assert [f.message.count("cuts up to 0.24") for f in wrong] == [1]


def test_a_taper_is_held_against_a_tapered_opening(tmp_path: Path) -> None:
    """The opening grows by 2 a side over 20: the wire leans as much; and by 2.2 where the model has 2."""
    corners = [(50, 40, 1, 1), (30, 40, -1, 1), (30, 20, -1, -1), (50, 20, 1, -1), (50, 40, 1, 1)]
    wide = CrossSection.square((20, 20), center=True).extrude(20, scale_top=(1.2, 1.2)).translate((40, 30, 0))
    for out, count in ((2.0, 0), (2.2, 1)):
        lines = [f"G01 X{x - HALF * u} Y{y - HALF * v} U{u * out} V{v * out}" for x, y, u, v in corners]
        program = "\n".join(["G90 G00 X40 Y30 U0 V0", *lines])
        more = {"uv_words": "relative", "planes": {"xy": 0.0, "uv": 20.0}, "offsets": {}}
        found = told(tmp_path, program, PLATE - wide, **more)
        assert len(found) == count, [f.message for f in found]


def test_what_cannot_be_held_against_it_is_said(tmp_path: Path) -> None:
    program = contour("G41", *ROUND, start=(40, 30))
    (found,) = told(tmp_path, program, FINISHED.translate((500, 0, 0)))
    assert "no cut wall meets" in found.message
    (found,) = told(tmp_path, program, offsets={}, offset_max=0.3)
    assert "sit at the control" in found.message
    with pytest.raises(ClearanceError, match=r'there is no file "gone\.stl"'):
        told(tmp_path, program, plate={"becomes": "gone.stl"})
    with pytest.raises(ClearanceError, match="means nothing without becomes"):
        told(tmp_path, program, plate={"becomes": None, "becomes_tolerance": 0.1})
