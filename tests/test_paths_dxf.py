"""Drawings: what each entity becomes, how curves become a path, and what is said when they do not."""

from __future__ import annotations

from math import cos, hypot, pi, radians, sin, sqrt, tan
from pathlib import Path
from typing import Any

import ezdxf
import ezdxf.path
import numpy as np
import pytest
import shapely

from clearance.errors import InputError
from clearance.paths import dxf
from clearance.paths.dxf_child import answer
from clearance.paths.moves import Moves
from clearance.paths.read import PathOptions, read_path


@pytest.fixture(autouse=True)
def _in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """Starting a process takes longer than reading a small drawing; test_paths_dxf_limits starts it."""
    monkeypatch.setattr(dxf, "ask_child", lambda request, shown: answer(request))


class Drawing:
    """A drawing in mm to add entities to."""

    def __init__(self, tmp_path: Path, units: int = 4, version: str = "R2010") -> None:
        self.file = tmp_path / "a.dxf"
        self.doc = ezdxf.new(version)
        if units >= 0:
            self.doc.header["$INSUNITS"] = units
        self.space = self.doc.modelspace()

    def read(self, **options: Any) -> Moves:
        self.doc.saveas(self.file)
        moves, _ = read_path(self.file, PathOptions(**options), "a.dxf")
        assert np.array_equal(moves.start[1:], moves.end[:-1])
        return moves

    def refused(self, **options: Any) -> str:
        with pytest.raises(InputError) as caught:
            self.read(**options)
        text = str(caught.value)
        assert text.startswith("a.dxf: ")
        assert "\n" not in text
        return text.removeprefix("a.dxf: ")


@pytest.fixture
def drawing(tmp_path: Path) -> Drawing:
    return Drawing(tmp_path)


def lengths(moves: Moves) -> np.ndarray:
    straight = np.hypot(*(moves.end - moves.start).T)
    return np.where(
        moves.sweep == 0, straight, np.hypot(*(moves.start - moves.centre).T) * np.abs(moves.sweep)
    )


def corners(moves: Moves) -> list[tuple[float, float]]:
    return [tuple(p) for p in np.vstack([moves.start[:1], moves.end]).round(6).tolist()]


SQUARE = [(0, 0), (10, 0), (10, 10), (0, 10)]


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
        (6, {}, "$INSUNITS: the drawing is in m (6), the setup in mm"),
    ],
)
def test_a_clash_of_units(tmp_path: Path, units: int, options: dict[str, Any], says: str) -> None:
    drawing = Drawing(tmp_path, units)
    drawing.space.add_circle((0, 0), 1)
    assert drawing.refused(**options).startswith(says)


# --- chains, order, direction --------------------------------------------------------------------------


def square_of_lines(drawing: Drawing, points: Any = SQUARE, **attribs: Any) -> None:
    for k in (2, 0, 3, 1):
        a, b = points[k], points[(k + 1) % 4]
        drawing.space.add_line(*((a, b) if k % 2 else (b, a)), dxfattribs=attribs)


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
    assert "the contour crosses or touches itself (Self-intersection[5" in bow.refused()


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
