"""Drawings: what each entity becomes, and in which unit."""

from __future__ import annotations

from math import cos, pi, radians, sin, sqrt, tan
from pathlib import Path
from typing import Any

import ezdxf.path
import numpy as np
import pytest
import shapely

from clearance.toolpath.dxf import reader as dxf
from clearance.toolpath.dxf.child import answer
from clearance.toolpath.read import PathOptions, read_path
from tests.dxf_drawing import SQUARE, Drawing, corners, lengths


@pytest.fixture(autouse=True)
def _in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """Starting a process takes longer than reading a small drawing; test_paths_dxf_limits starts it."""
    monkeypatch.setattr(dxf, "ask_child", lambda request, shown: answer(request))


@pytest.fixture
def drawing(tmp_path: Path) -> Drawing:
    return Drawing(tmp_path)


# --- by hand: a drawing with no library behind it ------------------------------------------------------

BY_HAND = """0
SECTION
2
ENTITIES
0
LINE
8
cut
10
0.0
20
0.0
11
10.0
21
0.0
0
ARC
8
cut
10
10.0
20
5.0
40
5.0
50
270.0
51
90.0
0
LINE
8
cut
10
0.0
20
10.0
11
10.0
21
10.0
0
LINE
8
cut
10
0.0
20
10.0
11
0.0
21
0.0
0
POINT
8
cut
10
5.0
20
5.0
0
ENDSEC
0
EOF
"""


def test_a_drawing_written_by_hand(tmp_path: Path) -> None:
    file = tmp_path / "tab.dxf"
    file.write_text(BY_HAND)
    moves, digest = read_path(file, PathOptions(), "tab.dxf")
    assert len(digest) == 64
    # From the point straight to the nearest place, 5 mm away, then once round anticlockwise.
    assert corners(moves)[0] == (5, 5)
    assert lengths(moves).sum() == pytest.approx(5 + 30 + 5 * pi)
    assert moves.sweep.sum() == pytest.approx(pi)
    assert corners(moves)[-1] == corners(moves)[1]
    assert not moves.rapid.any()
    assert moves.thread_points == (0,)
    assert moves.threaded.all()
    assert moves.line.tolist() == [0] * len(moves)
    assert moves.chord_error <= 1e-9
    assert moves.notes == ("the drawing names no unit and is read in mm, as the setup",)


def test_a_drawing_is_told_by_its_content(tmp_path: Path) -> None:
    file = tmp_path / "tab.nc"
    file.write_text(BY_HAND)
    assert len(read_path(file, PathOptions())[0]) == 6


# --- entities ------------------------------------------------------------------------------------------


# DXF reference: the bulge is tan(included angle / 4), negative clockwise; 90 degrees 0.414214, half circle 1.
@pytest.mark.parametrize(
    ("angle", "bulge"), [(90, 0.414214), (180, 1.0), (-90, -0.414214), (270, tan(3 * pi / 8))]
)
def test_bulges(drawing: Drawing, angle: float, bulge: float) -> None:
    drawing.space.add_lwpolyline([(0, 0, bulge), (10, 0, 0), (5, 20, 0)], format="xyb", close=True)
    moves = drawing.read()
    arc = moves.sweep != 0
    assert np.degrees(moves.sweep[arc]) == pytest.approx([angle], abs=1e-4)
    radius = np.hypot(*(moves.start[arc] - moves.centre[arc]).T)
    assert radius == pytest.approx([5 / abs(sin(radians(angle) / 2))], rel=1e-5)


def test_old_and_new_polylines_are_the_same(tmp_path: Path) -> None:
    points = [(0, 0, 0), (10, 0, 0.5), (10, 10, 0), (0, 10, -0.2)]
    new, old = Drawing(tmp_path), Drawing(tmp_path, units=-1, version="R12")
    new.space.add_lwpolyline(points, format="xyb", close=True)
    old.space.add_polyline2d(points, format="xyb", close=True)
    a, b = new.read(), old.read()
    assert a.end == pytest.approx(b.end)
    assert a.sweep == pytest.approx(b.sweep)


def test_lengths_are_those_of_the_drawing_library(drawing: Drawing) -> None:
    """ezdxf's own flattening at 1e-5 of each entity against the moves."""
    space = drawing.space
    made = [
        space.add_circle((0, 0), 7),
        space.add_ellipse((40, 0), (9, 2), 0.4),
        space.add_lwpolyline([(70, 0, 0.3), (80, 0, -0.2), (80, 12, 0)], format="xyb", close=True),
        space.add_rational_spline([(100, 0), (120, 3), (118, 20), (100, 0)], [1, 3, 0.7, 2], degree=3),
    ]
    moves = drawing.read(order="as drawn")
    runs = np.cumsum(moves.rapid)
    for k, entity in enumerate(made):
        flat = np.array([(p.x, p.y) for p in ezdxf.path.make_path(entity).flattening(1e-5, segments=64)])
        want = np.hypot(*np.diff(flat, axis=0).T).sum()
        ours = lengths(moves)[(runs == k) & ~moves.rapid].sum()
        assert ours == pytest.approx(want, rel=2e-4), entity.dxftype()


def test_an_ellipse_keeps_its_bound(drawing: Drawing) -> None:
    # Half axes 20 and 5, turned by 30 degrees: chords' middles against a very fine polygon of the curve.
    turn = np.exp(1j * pi / 6)
    drawing.space.add_ellipse((3, -2), (20 * turn.real, 20 * turn.imag), 0.25)
    t = np.linspace(0, 2 * pi, 40_001)
    curve = (20 * np.cos(t) + 5j * np.sin(t)) * turn + (3 - 2j)
    outline = shapely.LineString(np.stack([curve.real, curve.imag], axis=1))
    for bound in (0.1, 0.001):
        moves = drawing.read(chord_bound=bound)
        assert moves.chord_error == pytest.approx(bound)
        away = shapely.distance(outline, shapely.points((moves.start + moves.end)[::7] / 2))
        assert away.max() <= bound
        assert away.max() >= bound / 20


def test_an_ellipse_of_equal_axes_is_a_circle(drawing: Drawing) -> None:
    drawing.space.add_ellipse((0, 0), (5, 0), 1.0)
    moves = drawing.read()
    assert len(moves) == 1
    assert abs(moves.sweep[0]) == pytest.approx(2 * pi)


def test_a_rational_spline_that_is_a_circle(drawing: Drawing) -> None:
    # A circle of radius 10: degree 2, weights 1 and sqrt(1/2) (Piegl and Tiller, from memory).
    ring = [(1, 0), (1, 1), (0, 1), (-1, 1), (-1, 0), (-1, -1), (0, -1), (1, -1), (1, 0)]
    spline = drawing.space.add_spline(degree=2)
    spline.control_points = [(10 * x, 10 * y, 0) for x, y in ring]
    spline.knots = [0, 0, 0, 1, 1, 2, 2, 3, 3, 4, 4, 4]
    spline.weights = [1, sqrt(0.5)] * 4 + [1]
    for bound in (0.05, 0.001):
        moves = drawing.read(chord_bound=bound)
        ends = np.hypot(*moves.start.T)
        middles = np.hypot(*((moves.start + moves.end) / 2).T)
        assert ends == pytest.approx(np.full(len(moves), 10), abs=1e-9)
        assert (10 - middles).max() <= bound
        assert (10 - middles).max() > bound / 20


def test_a_spline_with_loose_knots(drawing: Drawing) -> None:
    # Uniform cubic knots, not clamped: a closed curve, at its knots by the uniform basis (1, 4, 1) / 6.
    ring = [(10 * cos(2 * pi * k / 7), 6 * sin(2 * pi * k / 7), 0) for k in range(7)]
    spline = drawing.space.add_spline(degree=3)
    spline.control_points = ring + ring[:3]
    spline.knots = list(range(14))
    moves = drawing.read()
    for k in range(7):
        a, b, c = (np.array(ring[(k + j) % 7][:2]) for j in range(3))
        joint = (a + 4 * b + c) / 6
        assert np.hypot(*(moves.start - joint).T).min() < 1e-9
    assert corners(moves)[0] == corners(moves)[-1]


def test_seen_from_behind(drawing: Drawing) -> None:
    """An arc on a plane that looks down is mirrored in X (DXF reference, arbitrary axis algorithm)."""
    drawing.space.add_arc((-10, 5), 5, 270, 90, dxfattribs={"extrusion": (0, 0, -1)})
    drawing.space.add_line((10, 0), (10, 10))
    moves = drawing.read()
    arc = moves.sweep != 0
    assert moves.centre[arc][0] == pytest.approx((10, 5))
    # Its belly, on the right as drawn, is on the left: anticlockwise it runs from the top down.
    assert np.degrees(moves.sweep[arc]) == pytest.approx([180])
    assert moves.start[arc][0] == pytest.approx((10, 10))


def test_blocks_placed_turned_and_scaled(drawing: Drawing) -> None:
    drawing.doc.blocks.new("slot").add_circle((2, 0), 1)
    drawing.doc.blocks.new("pair").add_blockref("slot", (0, 0))
    attribs = {"rotation": 90, "xscale": 2, "yscale": 2, "layer": "cut"}
    drawing.space.add_blockref("pair", (10, 20), dxfattribs=attribs)
    moves = drawing.read(layers=("CUT",))
    assert moves.centre[0] == pytest.approx((10, 24))
    assert np.hypot(*(moves.start[0] - moves.centre[0])) == pytest.approx(2)
    flat = Drawing(drawing.file.parent)
    flat.doc.blocks.new("slot").add_circle((0, 0), 1)
    flat.space.add_blockref("slot", (0, 0), dxfattribs={"xscale": 3})
    moves = flat.read()
    assert moves.start.max(axis=0) == pytest.approx((3, 1), abs=1e-3)
    assert moves.chord_error > 0


def test_a_grid_of_blocks(drawing: Drawing) -> None:
    drawing.doc.blocks.new("hole").add_circle((0, 0), 1)
    attribs = {"row_count": 2, "column_count": 3, "row_spacing": 10, "column_spacing": 5}
    drawing.space.add_blockref("hole", (0, 0), dxfattribs=attribs)
    moves = drawing.read()
    centres = {tuple(c) for c in moves.centre[~moves.rapid].tolist()}
    assert centres == {(x, y) for x in (0, 5, 10) for y in (0, 10)}


# --- units ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("units", "options", "size"),
    [
        (4, {}, 10.0),
        (1, {"file_units": "inch"}, 254.0),
        (0, {"file_units": "inch"}, 254.0),
        (0, {"path_units": "inch"}, 254.0),
        (1, {"path_units": "inch"}, 254.0),
        (1, {"path_units": "mm"}, 10.0),
        (6, {"path_units": "m"}, 10_000.0),
        (5, {"path_units": "cm"}, 100.0),
        (0, {"path_units": "m", "file_units": "inch"}, 10_000.0),
        (6, {"path_units": "mm"}, 10.0),
    ],
)
def test_units_of_drawing_and_setup(tmp_path: Path, units: int, options: dict[str, Any], size: float) -> None:
    drawing = Drawing(tmp_path, units)
    drawing.space.add_lwpolyline(SQUARE, close=True)
    assert drawing.read(**options).end.max() == pytest.approx(size)


@pytest.mark.parametrize(
    ("units", "options", "says"),
    [
        (1, {}, "$INSUNITS: the drawing is in inch (1), the setup in mm"),
        (4, {"file_units": "inch"}, "$INSUNITS: the drawing is in mm (4), the setup in inch"),
        (
            6,
            {},
            '$INSUNITS: the drawing is in m (6), the setup in mm; path_units = "m" of this cut where that is '
            'so, else "mm", "inch" or "cm", whichever the drawing is in',
        ),
        (
            2,
            {},
            '$INSUNITS: the drawing is in feet (2), the setup in mm; path_units = "mm", "inch", "cm" or "m", '
            "whichever the drawing is in, of this cut",
        ),
    ],
)
def test_a_clash_of_units(tmp_path: Path, units: int, options: dict[str, Any], says: str) -> None:
    drawing = Drawing(tmp_path, units)
    drawing.space.add_circle((0, 0), 1)
    assert drawing.refused(**options).startswith(says)
