"""What a cut parts from a part: which piece, how large, how heavy, on what it falls.

Truths are areas and volumes of plain bodies: the metal inside a path is that inside its line less half the
wire all round, less the lead-in. A part of 7.7 g/cm3 is taken; the wire is 0.2. What MathWorld calls a
conical frustum (Conical Frustum: V = pi h (R1^2 + R1 R2 + R2^2) / 3) is cut out by a tapered path.
"""

from __future__ import annotations

from math import pi, sin
from pathlib import Path

import pytest

from clearance.process.removal import Piece, Removals, removals
from tests.access_bench import AT, WIRE, block, box_path, findings, line, plate_with, post, scene
from tests.setup_writer import Tables

DENSITY = 7.7e-6  # kg / mm3
PLATE = block(80, 60, 20)
FRAME = PLATE - post(2, 22, (40, 30, -1))
#: rails under the plate's left and right edges
RAILS: list[Tables] = [
    {"name": "left rail", "shape": {"box": [10, 80, 15]}, "at": [AT[0] + 5, AT[1] + 30, -15]},
    {"name": "right rail", "shape": {"box": [10, 80, 15]}, "at": [AT[0] + 75, AT[1] + 30, -15]},
]
#: a bar over the left edge, as a strap lies there
STRAP: Tables = {
    "name": "strap",
    "shape": {"box": [10, 20, 6]},
    "at": [AT[0] + 3, AT[1] + 30, 20],
    "laid": True,
}
INNER = box_path(30, 20, 50, 40, (40, 30))


def told(*args: object, **more: object) -> Removals:
    return removals(scene(*args, **more))


def only(pieces: list[Piece]) -> Piece:
    (piece,) = pieces
    return piece


def test_closed_inner_cut_frees_a_slug(tmp_path: Path) -> None:
    loaded = scene(tmp_path, FRAME, INNER, items=[*RAILS, STRAP])
    piece = only(removals(loaded).pieces)
    assert (piece.kind, piece.held, piece.lies_on, piece.tab) == ("slug", (), (), None)
    # 19.8 square, less the hole of radius 1 (64 flats), less the lead-in from it to the side
    hole = 64 / 2 * sin(2 * pi / 64)
    area = 19.8**2 - hole - WIRE * (10 - 0.1 - 1)
    assert piece.area == pytest.approx(area, abs=0.01)
    assert piece.volume == pytest.approx(20 * area, abs=0.2)
    assert piece.mass == pytest.approx(20 * area * DENSITY, rel=1e-4)
    assert piece.longest == pytest.approx(20)
    assert piece.middle[2] == pytest.approx(10)
    (found,) = findings(loaded, "slug")
    assert (found.severity, found.item, found.cut) == ("note", "plate", "cut 1")
    assert f"{area:.0f} mm2, {20 * area * 7.7e-3:.3g} g, longest side 20.0 mm" in found.message
    assert "onto the lower head" in found.message
    assert "hold or catch it" in found.message


def test_closed_cut_from_outside_frees_the_good_part(tmp_path: Path) -> None:
    # From the right edge in, round a rectangle, back to where the round began.
    path = line((85, 30), (60, 30), (60, 50), (20, 50), (20, 10), (60, 10), (60, 30))
    loaded = scene(tmp_path, PLATE, path, items=[*RAILS, STRAP])
    piece = only(removals(loaded).pieces)
    assert piece.kind == "good part"
    assert piece.area == pytest.approx(39.8 * 39.8, abs=0.01)
    assert piece.mass == pytest.approx(39.8 * 39.8 * 20 * DENSITY, rel=1e-4)
    (found,) = findings(loaded, "good part")
    assert "the good part (a guess: threaded outside the path)" in found.message
    assert findings(loaded, "slug", "off-cut", "tab") == []


def test_cut_from_edge_to_edge_frees_what_is_not_held(tmp_path: Path) -> None:
    loaded = scene(tmp_path, PLATE, line((50, -5), (50, 65)), items=[RAILS[0], STRAP])
    piece = only(removals(loaded).pieces)
    assert piece.kind == "off-cut"
    # Right of the cut: 80 - 50 less half a wire, 60 wide.
    assert piece.area == pytest.approx(29.9 * 60, abs=0.01)
    assert piece.middle == pytest.approx((AT[0] + (50.1 + 80) / 2, AT[1] + 30, 10), abs=1e-3)
    assert piece.longest == pytest.approx(60)
    (found,) = findings(loaded, "off-cut")
    assert f"{29.9 * 60:.0f} mm2, {29.9 * 60 * 20 * DENSITY:.3g} kg, longest side 60.0 mm" in found.message
    assert "hold it (tab, magnets, glue" in found.message


def test_what_falls_may_be_larger_than_what_stays(tmp_path: Path) -> None:
    loaded = scene(tmp_path, PLATE, line((20, -5), (20, 65)), items=[RAILS[0], STRAP])
    piece = only(removals(loaded).pieces)
    assert piece.larger
    assert piece.area == pytest.approx(59.9 * 60, abs=0.01)
    assert "the piece larger than what stays" in findings(loaded, "off-cut")[0].message


def test_what_is_clamped_or_lies_on_something_does_not_fall(tmp_path: Path) -> None:
    items = [*RAILS, STRAP]
    (tmp_path / "a").mkdir()
    loaded = scene(tmp_path / "a", PLATE, line((50, -5), (50, 65)), items=items)
    piece = only(removals(loaded).pieces)
    assert (piece.held, piece.lies_on) == ((), ("right rail",))
    assert 'lies loose on "right rail"' in findings(loaded, "off-cut")[0].message
    second = {**STRAP, "name": "second strap", "at": [AT[0] + 77, AT[1] + 30, 20], "laid": False}
    (tmp_path / "b").mkdir()
    loaded = scene(tmp_path / "b", PLATE, line((40.5, -5), (40.5, 65)), items=[*items, second])
    piece = only(removals(loaded).pieces)
    assert piece.held == ("second strap",)
    assert '"second strap" holds it' in findings(loaded, "off-cut")[0].message
    assert "hold it" not in findings(loaded, "off-cut")[0].message


@pytest.mark.parametrize("tab", [0.5, 3.0, 8.0])
def test_a_tab_is_left(tab: float, tmp_path: Path) -> None:
    path = box_path(30, 20, 50, 40, (40, 30), gap=tab + WIRE)
    loaded = scene(tmp_path, FRAME, path, items=[*RAILS, STRAP])
    done = removals(loaded)
    assert done.pieces == []
    piece = only(done.tabs)
    assert piece.kind == "slug"
    assert piece.tab == pytest.approx(tab, abs=1e-6)
    assert piece.area == pytest.approx(19.8**2 - 64 / 2 * sin(2 * pi / 64) - WIRE * 8.9, abs=0.01)
    (found,) = findings(loaded, "tab", "slug", "good part", "off-cut")
    assert found.kind == "tab"
    assert f"a tab of {tab:.2f} mm" in found.message


@pytest.mark.parametrize(("gap", "free"), [(0.21, True), (0.239, True), (0.33, True), (0.35, False)])
def test_a_tab_thinner_than_a_tenth_between_the_spark_gaps_is_none(
    gap: float, free: bool, tmp_path: Path
) -> None:
    """A kerf of the wire of 0.2 is 0.24 wide with its gap of 0.02 a side. Gaps vary by some hundredths: of a
    film of less than 0.1 between them nothing is sure to stay (common practice, no source)."""
    path = box_path(30, 20, 50, 40, (40, 30), gap=gap)
    done = removals(scene(tmp_path, FRAME, path, items=[*RAILS, STRAP]))
    assert (len(done.pieces), len(done.tabs)) == ((1, 0) if free else (0, 1))
    (piece,) = done.pieces or done.tabs
    assert piece.film == pytest.approx(max(gap - 0.24, 0.0) if free else 0.0, abs=1e-6)
    assert piece.area == pytest.approx(19.8**2 - 64 / 2 * sin(2 * pi / 64) - WIRE * 8.9, abs=0.02)


@pytest.mark.parametrize("gap", [0.239, 3.0])
def test_a_tab_short_of_an_edge_or_of_another_pass(gap: float, tmp_path: Path) -> None:
    """A window in one, two or three passes that all end 3 short; at an edge there is one spark gap alone."""
    ring = [(1, 0), (1, 1), (-1, 1), (-1, -1), (1, -1), (1, -gap)]
    way: list[tuple[float, float]] = []
    for k, r in enumerate((10.0, 10.05, 10.07)):
        one = [(40 + r * x, 30 + (y if abs(y) != 1 else r * y)) for x, y in ring]
        way += one[::-1] if k == 1 else one
        (folder := tmp_path / str(k)).mkdir()
        done = removals(scene(folder, FRAME, line((40, 30), *way), items=[*RAILS, STRAP]))
        (piece,) = done.tabs if gap > 1 else done.pieces
        assert piece.kind == "slug"
        assert piece.tab == (pytest.approx(gap - WIRE, abs=1e-6) if gap > 1 else None)
    for short, free in ((0.11, True), (0.21, True), (0.23, False)):
        (folder := tmp_path / f"edge {short}").mkdir()
        body = line((50, -5), (50, 60 - short))
        done = removals(scene(folder, PLATE, body, items=[RAILS[0], STRAP]))
        assert (len(done.pieces), len(done.tabs)) == ((1, 0) if free else (0, 1))


@pytest.mark.parametrize(
    ("film", "free"), [(0.0, True), (0.01, True), (0.09, True), (0.11, False), (1.0, False)]
)
def test_a_tab_that_is_cut_short_of_the_kerf_of_an_earlier_cut(
    film: float, free: bool, tmp_path: Path
) -> None:
    """A window to a tab of 3, and a second cut down its side that ends a film before the first one's end.

    Between two kerfs of 0.24, half of each, and the film (see above).
    """
    first = box_path(30, 20, 50, 40, (40, 30), gap=3.0)
    second = line((40, 30), (50, 30), (50, 27 + 0.24 + film if film else 27))
    done = removals(scene(tmp_path, FRAME, first, second, items=[*RAILS, STRAP]))
    assert (len(done.pieces), len(done.tabs)) == ((1, 0) if free else (0, 1))
    (piece,) = done.pieces or done.tabs
    assert piece.run.stretch.name == ("cut 2" if free else "cut 1")
    assert piece.film == pytest.approx(film if free else 0.0, abs=1e-6)


def test_a_wide_gap_is_no_tab(tmp_path: Path) -> None:
    loaded = scene(tmp_path, FRAME, line((40, 30), (50, 30), (50, 40), (30, 40)), items=RAILS)
    assert (removals(loaded).pieces, removals(loaded).tabs) == ([], [])


def test_a_tab_short_of_the_edge(tmp_path: Path) -> None:
    loaded = scene(tmp_path, PLATE, line((50, -5), (50, 56)), items=[RAILS[0], STRAP])
    piece = only(removals(loaded).tabs)
    assert piece.tab == pytest.approx(60 - 56 - WIRE / 2, abs=1e-6)
    assert piece.area == pytest.approx(29.9 * 60, abs=0.01)


def test_the_cut_that_severs_the_tab_frees_it(tmp_path: Path) -> None:
    first = box_path(30, 20, 50, 40, (40, 30), gap=4)
    sever = line((40, 30), (50, 30), (50, 26))
    loaded = scene(tmp_path, FRAME, first, sever, items=[*RAILS, STRAP])
    done = removals(loaded)
    piece = only(done.pieces)
    assert (piece.kind, piece.run.stretch.name) == ("slug", "cut 2")
    assert done.tabs == []
    assert [f.cut for f in findings(loaded, "slug", "tab")] == ["cut 2"]


def test_a_second_pass_frees_nothing_again(tmp_path: Path) -> None:
    finish = box_path(29.95, 19.95, 50.05, 40.05, (40, 30))
    done = told(tmp_path, FRAME, INNER, finish, items=[*RAILS, STRAP])
    assert [p.run.stretch.name for p in done.pieces] == ["cut 1"]


def test_an_island_is_freed_with_what_is_around_it(tmp_path: Path) -> None:
    # First the small one, then the large one about it: the second piece is a frame.
    small, large = box_path(36, 26, 44, 34, (40, 30)), box_path(20, 12, 60, 48, (40, 30))
    done = told(tmp_path, FRAME, small, large, items=[*RAILS, STRAP])
    assert [p.kind for p in done.pieces] == ["slug", "slug"]
    assert done.pieces[1].area == pytest.approx(39.8 * 35.8 - 8.2**2 - WIRE * (60 - 44 - 0.2), abs=0.02)


def test_the_frame_falls_where_the_middle_is_held(tmp_path: Path) -> None:
    under: Tables = {"name": "pedestal", "shape": {"box": [20, 20, 9]}, "at": [AT[0] + 40, AT[1] + 30, -9]}
    over: Tables = {**STRAP, "shape": {"box": [10, 10, 5]}, "at": [AT[0] + 40, AT[1] + 30, 20]}
    path = line((85, 30), (60, 30), (60, 50), (20, 50), (20, 10), (60, 10), (60, 30))
    piece = only(told(tmp_path, PLATE, path, items=[under, over]).pieces)
    assert piece.kind == "off-cut"
    assert piece.area == pytest.approx(80 * 60 - 40.2**2, rel=0.002)


def test_what_lies_below_is_named_with_its_drop(tmp_path: Path) -> None:
    bar: Tables = {"name": "bar", "shape": {"box": [10, 60, 5]}, "at": [AT[0] + 40, AT[1] + 30, -12]}
    loaded = scene(tmp_path, FRAME, INNER, items=[*RAILS, STRAP, bar])
    (found,) = findings(loaded, "slug")
    assert 'or onto "bar" 7.0 mm below' in found.message


def test_what_is_a_little_lower_does_not_carry(tmp_path: Path) -> None:
    bar: Tables = {"name": "bar", "shape": {"box": [10, 60, 8]}, "at": [AT[0] + 40, AT[1] + 30, -10]}
    loaded = scene(tmp_path, FRAME, INNER, items=[*RAILS, STRAP, bar])
    assert only(removals(loaded).pieces).lies_on == ()
    assert 'or onto "bar" 2.0 mm below' in findings(loaded, "slug")[0].message


def test_a_rail_carries_by_its_pad_alone(tmp_path: Path) -> None:
    # It runs under the whole plate 2 mm lower, and reaches up to it by a pad under the front edge.
    rail: Tables = {"name": "rail", "model": "rail.stl", "units": "mm", "at": [AT[0] + 35, AT[1], -10]}
    others = {"rail.stl": block(10, 60, 8) + block(10, 8, 10)}
    loaded = scene(tmp_path, FRAME, INNER, items=[*RAILS, STRAP, rail], others=others)
    assert only(removals(loaded).pieces).lies_on == ()
    assert 'or onto "rail" 2.0 mm below' in findings(loaded, "slug")[0].message


def test_what_is_above_is_not_below(tmp_path: Path) -> None:
    over: Tables = {"name": "over", "shape": {"box": [10, 60, 5]}, "at": [AT[0] + 40, AT[1] + 30, 30]}
    loaded = scene(tmp_path, FRAME, INNER, items=[*RAILS, STRAP, over], heads={"upper_z": 40.0})
    assert "over" not in findings(loaded, "slug")[0].message


def test_with_nothing_held_the_frame_stays_though_it_is_lighter(tmp_path: Path) -> None:
    piece = only(told(tmp_path, FRAME, box_path(5, 5, 75, 55, (40, 30))).pieces)
    assert piece.kind == "slug"
    assert piece.area > 80 * 60 / 2


def test_heavy_ones_are_told_more_strongly(tmp_path: Path) -> None:
    thick = block(160, 120, 80) - post(2, 82, (80, 60, -1))
    loaded = scene(tmp_path, thick, box_path(20, 20, 140, 100, (80, 60)))
    piece = only(removals(loaded).pieces)
    assert piece.mass == pytest.approx(119.8 * 79.8 * 80 * DENSITY, rel=0.01)
    (found,) = findings(loaded, "slug")
    assert "too heavy for magnets alone" in found.message
    assert "instructions and qualified people" in found.message


def test_mass_needs_a_material(tmp_path: Path) -> None:
    loaded = scene(tmp_path, FRAME, INNER, plate=plate_with(density=None, material="aluminium"))
    # Aluminium 6061 is 2.70 g/cm3 (Gere, Mechanics of Materials, 5th ed., table of densities).
    piece = only(removals(loaded).pieces)
    assert piece.mass == pytest.approx(piece.volume * 2.70e-6)
    loaded = scene(tmp_path, FRAME, INNER, plate=plate_with(density=None))
    assert only(removals(loaded).pieces).mass is None
    assert "mass unknown" in findings(loaded, "slug")[0].message


def test_a_stepped_part_is_weighed_step_by_step(tmp_path: Path) -> None:
    # Half of the opening is 20 high, half 8.
    body = FRAME - block(60, 80, 20, (40, -10, 8))
    piece = only(told(tmp_path, body, box_path(30, 20, 50, 40, (40, 30)), items=RAILS).pieces)
    left, right = 9.9 * 19.8 - pi / 2 * 0.998, 9.9 * 19.8 - pi / 2 * 0.998 - WIRE * 8.9
    assert piece.volume == pytest.approx(20 * left + 8 * right, rel=0.002)
    assert piece.middle[2] == pytest.approx(
        (20 * left * 10 + 8 * right * 4) / (20 * left + 8 * right), rel=0.002
    )


@pytest.mark.parametrize("lean", [2.0, -3.0])
def test_a_tapered_slug_is_a_frustum(lean: float, tmp_path: Path) -> None:
    # Around the hole at radius 15 at Z 0, lean more at Z 20; the offset turns with the circle: a cone.
    r, u = 15.0, lean
    nc = (
        f"G90 G00 X40 Y30 U0 V0\nG01 X{40 + r} Y30 U{u} V0\n"
        + f"G03 X{40 - r} Y30 I{-r} J0 U{-u} V0\nG03 X{40 + r} Y30 I{r} J0 U{u} V0"
    )
    program = {"nc": nc, "planes": {"xy": 0.0, "uv": 20.0}, "uv_words": "relative"}
    piece = only(told(tmp_path, FRAME, program, items=[*RAILS, STRAP]).pieces)
    assert piece.kind == "slug"
    r1, r2, h = r - WIRE / 2, r + u - WIRE / 2, 20.0
    frustum = pi * h * (r1 * r1 + r1 * r2 + r2 * r2) / 3
    # the start hole of radius 1, and the lead-in from it
    less = 64 / 2 * sin(2 * pi / 64) * h + WIRE * ((r1 + r2) / 2 - 1) * h
    assert piece.volume == pytest.approx(frustum - less, rel=5e-4)
    rise = h * (r1 * r1 + 2 * r1 * r2 + 3 * r2 * r2) / (4 * (r1 * r1 + r1 * r2 + r2 * r2))
    assert piece.middle[2] == pytest.approx(rise, abs=0.03)
    assert piece.middle[:2] == pytest.approx((AT[0] + 40, AT[1] + 30), abs=0.1)


def test_it_does_not_matter_how_the_part_lies_and_is_turned(tmp_path: Path) -> None:
    # On its side: turned by 90 degrees about X the model's Z runs along -Y of what is then turned about Z.
    plate = plate_with(turn=[90, 0, 33.7], at=[*AT, 0])
    program = {"nc": box_path(30, -15, 50, -5, (60, -25)), "axes": "part"}
    piece = only(told(tmp_path, PLATE, program, plate=plate, items=[]).pieces)
    assert piece.kind == "good part"
    assert piece.area == pytest.approx(19.8 * 9.8, abs=0.01)
    assert piece.volume == pytest.approx(19.8 * 9.8 * 60, rel=1e-4)
    assert piece.longest == pytest.approx(60)


def test_a_wire_offset_that_is_followed_moves_the_kerf(tmp_path: Path) -> None:
    nc = "G90 G41 D1 G00 X40 Y30\nG01 X50 Y30\nG01 Y40\nG01 X30\nG01 Y20\nG01 X50\nG01 Y30\nG40 G01 X40 Y30"
    piece = only(told(tmp_path, FRAME, {"nc": nc, "offsets": {"1": 0.5}}, items=RAILS).pieces)
    assert piece.area == pytest.approx((20 - 1 - WIRE) ** 2 - pi - WIRE * (9.4 - 1), abs=0.15)


def test_two_stacked_plates_give_two_slugs(tmp_path: Path) -> None:
    upper = {"name": "upper", "part": "upper.stl", "units": "mm", "density": 2.7, "at": [*AT, 20]}
    program = {"nc": INNER, "part": ["plate", "upper"]}
    others = {"upper.stl": block(80, 60, 10) - post(2, 22, (40, 30, -1))}
    done = told(tmp_path, FRAME, program, items=[*RAILS, upper], others=others)
    assert sorted((p.part, round(p.volume / p.area)) for p in done.pieces) == [(0, 20), (3, 10)]


def test_circles_and_many_holes(tmp_path: Path) -> None:
    # Forty-nine holes, each a full circle of radius 1.4.
    body = PLATE
    program = []
    for i in range(7):
        for j in range(7):
            x, y = 8 + 7 * i, 6 + 5 * j
            body = body - post(1, 22, (x, y, -1))
            program.append(f"G00 X{x} Y{y}\nG01 X{x + 1.4}\nG03 X{x + 1.4} Y{y} I-1.4 J0\nG01 X{x}")
    loaded = scene(tmp_path, body, "G90\n" + "\n".join(program), items=[*RAILS, STRAP])
    done = removals(loaded)
    assert len(done.pieces) == 49
    area = pi * 1.3**2 - pi * 0.25 - WIRE * 0.8
    assert [p.area for p in done.pieces] == pytest.approx([area] * 49, abs=0.03)
    assert "frees 49 slugs" in findings(loaded, "slug")[0].message
