"""Drawings: how curves become contours and a path, and what is said when they do not."""

from __future__ import annotations

from math import cos, hypot, pi, sin
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from clearance.toolpath.dxf import reader as dxf
from clearance.toolpath.dxf.child import answer
from tests.dxf_drawing import Drawing, corners, lengths, square_of_lines


@pytest.fixture(autouse=True)
def _in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """Starting a process takes longer than reading a small drawing; test_paths_dxf_limits starts it."""
    monkeypatch.setattr(dxf, "ask_child", lambda request, shown: answer(request))


@pytest.fixture
def drawing(tmp_path: Path) -> Drawing:
    return Drawing(tmp_path)


# --- chains, order, direction --------------------------------------------------------------------------


def test_curves_in_any_order_and_direction_are_one_contour(drawing: Drawing) -> None:
    square_of_lines(drawing)
    assert corners(drawing.read()) == [(0, 0), (10, 0), (10, 10), (0, 10), (0, 0)]
    assert corners(drawing.read(direction="cw")) == [(0, 0), (0, 10), (10, 10), (10, 0), (0, 0)]


def test_small_gaps_are_bridged_and_shown_as_moves(drawing: Drawing) -> None:
    square_of_lines(drawing)
    drawing.space[0].dxf.start = (0.006, 10)
    moves = drawing.read()
    assert len(moves) == 5
    assert lengths(moves).min() == pytest.approx(0.006)
    assert "open at" in drawing.refused(gap=0.005)


def test_curves_shorter_than_the_gap_are_curves(drawing: Drawing) -> None:
    n = 1000
    ring = [(5 * cos(2 * pi * k / n), 5 * sin(2 * pi * k / n)) for k in range(n)]
    for a, b in zip(ring, ring[1:] + ring[:1], strict=True):
        drawing.space.add_line(a, b)
    moves = drawing.read(gap=0.1)
    assert len(moves) == n
    assert lengths(moves).sum() == pytest.approx(10 * pi, rel=1e-5)


def test_the_point_is_where_the_wire_is_threaded(drawing: Drawing) -> None:
    square_of_lines(drawing)
    drawing.space.add_point((6, 3))
    assert corners(drawing.read()) == [(6, 3), (6, 0), (10, 0), (10, 10), (0, 10), (0, 0), (6, 0)]
    # A named place stands above it.
    assert corners(drawing.read(start=(9, 5)))[:3] == [(9, 5), (10, 5), (10, 10)]


def test_a_point_beside_an_arc(drawing: Drawing) -> None:
    drawing.space.add_circle((0, 0), 10)
    drawing.space.add_point((0, -4))
    moves = drawing.read()
    assert corners(moves)[:2] == [(0, -4), (0, -10)]
    assert corners(moves)[-1] == (0, -10)
    assert np.degrees(moves.sweep).sum() == pytest.approx(360)


def test_a_lead_that_is_drawn(drawing: Drawing) -> None:
    square_of_lines(drawing)
    drawing.space.add_point((3, 5))
    drawing.space.add_arc((3, 7), 2, 270, 0)
    drawing.space.add_line((5, 7), (5, 10))
    moves = drawing.read()
    assert corners(moves)[:5] == [(3, 5), (5, 7), (5, 10), (0, 10), (0, 0)]
    assert corners(moves)[-1] == (5, 10)
    to_corner = Drawing(drawing.file.parent)
    square_of_lines(to_corner)
    to_corner.space.add_point((5, 5))
    to_corner.space.add_line((10, 10), (5, 5))
    assert corners(to_corner.read())[:3] == [(5, 5), (10, 10), (0, 10)]


def test_an_open_cut_from_its_point(drawing: Drawing) -> None:
    drawing.space.add_line((10, 0), (0, 0))
    drawing.space.add_line((10, 0), (10, 7))
    drawing.space.add_point((10, 7))
    assert corners(drawing.read()) == [(10, 7), (10, 0), (0, 0)]


def test_what_lies_inside_is_cut_first(drawing: Drawing) -> None:
    for size in (20, 10, 5):
        drawing.space.add_circle((0, 0), size)
    drawing.space.add_circle((50, 0), 3)
    moves = drawing.read()
    cut = ~moves.rapid
    assert np.hypot(*(moves.start - moves.centre)[cut].T) == pytest.approx([5, 10, 20, 3])
    assert moves.thread_points == (0, 2, 4, 6)
    assert not moves.threaded[moves.rapid].any()
    assert "4 of 4 contours without a POINT" in moves.notes[0]
    moves = drawing.read(order="as drawn")
    assert np.hypot(*(moves.start - moves.centre)[~moves.rapid].T) == pytest.approx([20, 10, 5, 3])


def test_each_contour_has_its_point(drawing: Drawing) -> None:
    drawing.space.add_circle((0, 0), 20)
    drawing.space.add_circle((0, 0), 5)
    for point in ((1, 0), (30, 0)):
        drawing.space.add_point(point)
    moves = drawing.read()
    assert corners(moves) == [(1, 0), (5, 0), (5, 0), (30, 0), (20, 0), (20, 0)]
    assert moves.rapid.tolist() == [False, False, True, False, False]
    assert moves.notes == ()


def test_layers(drawing: Drawing) -> None:
    square_of_lines(drawing, layer="Outline")
    drawing.space.add_circle((5, 5), 2, dxfattribs={"layer": "holes"})
    drawing.space.add_point((5, 5), dxfattribs={"layer": "holes"})
    drawing.space.add_text("plate", dxfattribs={"layer": "notes"})
    assert len(drawing.read(layers=("outline",))) == 4
    assert corners(drawing.read(layers=("HOLES",)))[0] == (5, 5)
    says = drawing.refused(layers=("outlines",))
    assert says == 'no curve on a layer "outlines"; layers with curves: "Outline", "holes"'
    assert 'no curve on a layer "notes"' in drawing.refused(layers=("notes",))
    drawing.doc.layers.add("holes").off()
    moves = drawing.read()
    assert len(moves) == 4
    assert 'layers that are off or frozen are left out: "holes"' in moves.notes
    assert "passed over, as no part of a path: 1 TEXT" in moves.notes


def test_the_setups_offset_grows(drawing: Drawing) -> None:
    drawing.space.add_circle((0, 0), 5)
    assert drawing.read(offset_max=0.25).grow == 0.25
    assert drawing.read(offsets={1: 0.2}).grow == 0


# --- troubles, each with its own message ---------------------------------------------------------------


def test_an_open_contour(drawing: Drawing) -> None:
    square_of_lines(drawing)
    # The second line goes from (10, 0) to (0, 0); now it stops short.
    drawing.space[1].dxf.end = (0.35, 0)
    says = drawing.refused()
    assert says.startswith("LINE #")
    assert "the contour is open at X0" in says
    assert "the nearest open end is 0.35 mm away, at X0" in says


def test_a_fork(drawing: Drawing) -> None:
    square_of_lines(drawing)
    drawing.space.add_line((10, 10), (15, 15))
    assert drawing.refused().startswith("X10 Y10: 3 ends of curves meet here: LINE #")
    assert " to X0 Y10; LINE #" in drawing.refused()


def test_crossings(drawing: Drawing) -> None:
    drawing.space.add_circle((0, 0), 5)
    drawing.space.add_circle((6, 0), 5)
    says = drawing.refused()
    assert "two contours cross or touch, CIRCLE #" in says
    x, y = says.split(":")[0].split()
    # Circles of radius 5 about centres 6 apart cross at (3, +-4).
    assert hypot(float(x[1:]) - 3, abs(float(y[1:])) - 4) < 0.05
    bow = Drawing(drawing.file.parent)
    bow.space.add_lwpolyline([(0, 0), (10, 10), (10, 0), (0, 12)], close=True)
    # y = x and y = 12 - 1.2 x meet at 12 / 2.2.
    assert "the contour crosses or touches itself at X5.45455 Y5.45455; a simple" in bow.refused()


@pytest.mark.parametrize("size", [10.0, 0.1])
def test_a_bow_tie_whose_halves_cancel_crosses_itself(tmp_path: Path, size: float) -> None:
    ring = [(0, 0), (size, size), (size, 0), (0, size)]
    bow = Drawing(tmp_path)
    bow.space.add_lwpolyline(ring, close=True)
    middle = f"{size / 2:g}"
    assert f"the contour crosses or touches itself at X{middle} Y{middle};" in bow.refused()
    lines = Drawing(tmp_path)
    square_of_lines(lines, ring)
    assert "crosses or touches itself at X" in lines.refused()
    # Two half circles of one radius, joined crosswise: an eight.
    eight = Drawing(tmp_path)
    eight.space.add_lwpolyline([(-9, 0, 1), (-9, 5, 0), (9, 0, -1), (9, 5, 0)], format="xyb", close=True)
    assert "crosses or touches itself at X0 Y2.5" in eight.refused()


def test_duplicates(drawing: Drawing) -> None:
    square_of_lines(drawing)
    drawing.space.add_line((10, 0), (0, 0))
    assert "stands there twice, first as LINE #" in drawing.refused()
    rings = Drawing(drawing.file.parent)
    rings.space.add_circle((1, 2), 3)
    rings.space.add_circle((1, 2), 3)
    assert "stands there twice, first as CIRCLE #" in rings.refused()


def test_there_and_back(drawing: Drawing) -> None:
    drawing.space.add_lwpolyline([(0, 0), (5, 0), (5, 0), (0, 0)], close=True)
    assert "goes there and back and encloses nothing" in drawing.refused()
    bent = Drawing(drawing.file.parent)
    bent.space.add_lwpolyline([(0, 0, 0.4), (5, 0, 0), (9, 3, 0), (5, 0, -0.4)], format="xyb", close=True)
    assert "goes there and back and encloses nothing" in bent.refused()


def test_two_points_for_one_contour(drawing: Drawing) -> None:
    drawing.space.add_circle((0, 0), 5)
    drawing.space.add_point((1, 0))
    drawing.space.add_point((2, 0))
    assert drawing.refused().startswith("X2 Y0: two POINTs for one contour, the other at X1 Y0")


def test_a_point_too_many(drawing: Drawing) -> None:
    drawing.space.add_circle((0, 0), 5)
    drawing.space.add_point((1, 0))
    drawing.space.add_point((99, 0))
    assert "the POINT at X99 Y0 belongs to no contour and is not used" in drawing.read().notes


def test_an_empty_model_space(drawing: Drawing) -> None:
    assert "no curve in the model space, which holds nothing" in drawing.refused()
    drawing.space.add_text("nothing here")
    assert "which holds 1 TEXT" in drawing.refused()
    drawing.doc.blocks.new("plate").add_circle((0, 0), 4)
    assert 'the block "plate" is never inserted' in drawing.refused()
    drawing.doc.layout("Layout1").add_line((0, 0), (5, 5))
    assert 'the model space is empty; the layout "Layout1" holds 1 LINE' in drawing.refused()


def test_all_layers_off(drawing: Drawing) -> None:
    drawing.doc.layers.add("cut").freeze()
    drawing.space.add_circle((0, 0), 4, dxfattribs={"layer": "cut"})
    assert 'all curves are on layers that are off or frozen: "cut"' in drawing.refused()
    assert len(drawing.read(layers=("cut",))) == 1


def test_broken_splines(drawing: Drawing) -> None:
    spline = drawing.space.add_spline(degree=3)
    spline.control_points = [(0, 0, 0), (5, 9, 0), (9, 5, 0), (0, 0, 0)]
    spline.knots = [0, 0, 0, 0, 1, 1, 1]
    assert "the SPLINE is broken: degree 3, 4 control points, 7 knots; 8 knots" in drawing.refused()
    spline.knots = [0, 0, 0, 2, 1, 1, 1, 1]
    assert "its knots do not rise" in drawing.refused()
    spline.knots = [0, 0, 0, 0, 1, 1, 1, 1]
    spline.weights = [1, 1, -1, 1]
    assert "a weight for each control point" in drawing.refused()
    spline.weights = []
    assert corners(drawing.read())[0] == (0, 0)
    spline.control_points = [(0, 0, 0), (5, 9, 1), (9, 5, 0), (0, 0, 0)]
    assert "the curve is not flat, Z from 0 to 1" in drawing.refused()
    fitted = Drawing(drawing.file.parent)
    fitted.space.add_spline(fit_points=[(0, 0), (5, 9), (9, 5)])
    assert "fit points and no control points" in fitted.refused()


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda s: s.add_line((0, 0, 0), (5, 0, 3)), "the curve is not flat, Z from 0 to 3"),
        (lambda s: s.add_circle((0, 0), 0), "the CIRCLE is broken (its radius is 0)"),
        (lambda s: s.add_circle((0, 0), -1), "the CIRCLE is broken (its radius is -1)"),
        (lambda s: s.add_circle((0, 0), 5, dxfattribs={"extrusion": (0, 1, 1)}), "not lie in the X Y plane"),
        (lambda s: s.add_solid([(0, 0), (1, 0), (0, 1)]), "SOLID is not read as a path"),
        (lambda s: s.add_3dface([(0, 0), (1, 0), (0, 1)]), "3DFACE is not read as a path"),
        (lambda s: s.add_polyline3d([(0, 0, 0), (1, 0, 2)]), "the curve is not flat"),
        (lambda s: s.add_blockref("gone", (0, 0)), 'a block "gone" that the drawing does not have'),
        (lambda s: s.add_circle((1e13, 0), 1), "no number or too large"),
        (lambda s: s.add_circle((1e9, 0), 1), "a coordinate that is too large; at most 100000 mm"),
    ],
)
def test_entities_that_are_no_path(drawing: Drawing, make: Any, says: str) -> None:
    make(drawing.space)
    assert says in drawing.refused()


def test_lines_of_no_length_are_told(drawing: Drawing) -> None:
    square_of_lines(drawing)
    drawing.space.add_line((3, 3), (3, 3))
    assert "1 curves of no length are left out" in drawing.read().notes
