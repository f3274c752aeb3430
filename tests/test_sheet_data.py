"""What the setup sheet tells, as values: against the demos' own arithmetic.

Sources: ISO 4762 (head of an M8 screw: 8 mm); the rest is in the demos' setups, and added up in each test.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

import clearance
from clearance.advice.cures import find_cures
from clearance.checking.per_move import Along
from clearance.report.sheet.data import Sheet, gather
from clearance.report.sheet.evidence import chart, columns, top_of
from clearance.report.sheet.markup import down, kilograms, position, up
from clearance.report.sheet.scene import Turnable, lighter, packed, shares, sharp_edges, turnable, welded
from clearance.report.sheet.sections import fetching
from clearance.view.drawing import describe
from tests.sheet_setups import DEMOS, changed
from tests.view_scenes import block, opening


@lru_cache
def told(demo: str) -> Sheet:
    return gather(clearance.check(clearance.load(str(DEMOS / f"{demo}.toml"))), "today")


@pytest.mark.slow
def test_what_to_fetch_and_where_it_goes() -> None:
    """The plate at 180, 18 of the front rail's seat, which is at -60, 82: 120, 100 on the machine. The left
    strap at 300, 12.5, -3 of the back rail, which is at 460, 228 and turned half round: 160, 215.5, -3."""
    sheet = told("side_plate_die_clash")
    by_name = {each.name: each for each in sheet.elements}
    assert [each.number for each in sheet.elements] == [1, 2, 3, 4, 5]
    plate = by_name["die plate"]
    assert (plate.on, plate.seat, plate.kind) == ("front rail", "top", "part")
    assert plate.origin == pytest.approx((120, 100, 0))
    assert plate.low == pytest.approx((120, 100, 0))
    assert plate.high == pytest.approx((280, 210, 22))
    assert ("material", "tool steel") in plate.settings
    strap = by_name["left strap"]
    assert strap.origin == pytest.approx((160, 215.5, -3))
    assert strap.turn == (0, 0, 90)
    assert strap.what == "strap"
    assert ("reach", "24 mm") in strap.settings
    assert ("screw", "M8") in strap.others
    assert by_name["back rail"].on is None


@pytest.mark.slow
def test_what_carries_comes_first_and_fitted_sizes_are_told() -> None:
    for demo in ("rivet_wheel", "keyhole_inserts", "punch_blank"):
        number = {each.name: each.number for each in told(demo).elements}
        for each in told(demo).elements:
            assert each.on is None or number[each.on] < each.number
    ring = next(each for each in told("rivet_wheel").elements if each.name == "ring")
    assert dict(ring.settings)["size"] == "large (fitted to wheel blank)"
    strap = next(each for each in told("keyhole_inserts").elements if each.name == "strap 1-2")
    assert dict(strap.settings)["reach"] == "28 mm (fitted to insert 1)"
    assert "fitted" not in dict(strap.others)["slot"]


def test_a_part_placed_by_the_machines_zero_is_told_on_what_carries_it() -> None:
    """The nest plate's item has no "on"; both rails' pads end at Z 0, at which it begins."""
    nest = told("riveting_nest")
    plate = next(each for each in nest.elements if each.name == "nest plate")
    rails = [each for each in nest.elements if each.what == "rail"]
    assert plate.on is None
    assert plate.low[2] == 0.0
    assert [each.high[2] for each in rails] == [0.0, 0.0]
    assert plate.lies_on == ("left rail", "right rail")
    rows = fetching(nest)
    assert rows.count("on <strong>the table</strong>") == 2, "the rails themselves"
    assert "on <strong>left rail and right rail</strong>" in rows
    assert "Z 0.00</span> of the machine" in rows


@pytest.mark.slow
def test_zero_heads_and_thread_points() -> None:
    """Zero of the rivet holes is at 44, 38.5 of the plate: 164, 138.5. Faces: -0.1 below a plate that lies at
    0, and 1.5 over its 22: 23.5. The program threads first at X0 Y-6.35."""
    first, second = told("side_plate_die_clash").cuts
    assert (first.name, second.name) == ("rivet holes", "opening")
    assert first.zero == pytest.approx((164, 138.5, 0))
    assert second.zero == pytest.approx((236, 138.5, 0))
    assert first.threads[0].at == pytest.approx((164, 132.15))
    assert first.below == pytest.approx(0.1)
    assert first.above == pytest.approx(1.5)
    assert first.upper_z == pytest.approx((23.5, 23.5))
    assert (first.verdict, second.verdict) == ("clear", "clash")
    assert second.near is not None
    assert (second.near.head, second.near.item) == ("lower", "front rail")


def test_rapid_moves_pass_over_the_highest_screw() -> None:
    """The strap's foot 3 below the pads, it clamps 25, is 10 thick, a washer of 1.6 and a screw head of 8:
    41.6, and 0.5 of margin for what is laid by hand."""
    sheet = told("side_plate_die_clash")
    assert sheet.over == pytest.approx(-3 + 25 + 10 + 1.6 + 8 + 0.5)
    assert sheet.over_item in ("left strap", "right strap")


def test_travel_left_on_both_sides() -> None:
    """Y ends at 148.97 of 300 and begins at 128.03: what is left is the smaller, 128.03."""
    sheet = told("side_plate_die_clash")
    y = next(axis for axis in sheet.axes if axis.name == "Y")
    assert y.left == pytest.approx(min(y.low - 0.0, 300.0 - y.high))
    assert y.left == pytest.approx(128.03, abs=0.005)


@pytest.mark.slow
def test_stops_say_what_to_move(tmp_path: Path) -> None:
    setup = changed(
        tmp_path,
        "side_plate_die_clash",
        ('name = "rivet holes"', 'name = "rivet holes"\nwithout = ["left strap"]'),
        ('name = "opening"', 'name = "opening"\nwithout = ["right strap"]\nstop_before = true'),
    )
    sheet = gather(clearance.check(clearance.load(str(setup))), "today")
    (stop,) = sheet.stops
    assert (stop.cut, stop.off, stop.on, stop.asked) == ("opening", ("right strap",), ("left strap",), True)
    off = {each.name: each.off_in for each in sheet.elements}
    assert off["left strap"] == ("rivet holes",)
    assert off["right strap"] == ("opening",)
    assert sheet.cuts[0].absent == ("left strap",)


def test_places_masses_and_inputs() -> None:
    sheet = told("side_plate_die_clash")
    assert sheet.places[0].item == "front rail"
    assert all(p.head != "wire" and p.head_at is not None for p in sheet.places)
    plate = sheet.masses[0]
    # 160 x 110 x 22 mm of 7.7 g/cm3 is 2.98 kg, less its holes
    assert (plate.what, plate.when) == ("die plate", "as put up")
    assert 2.8 < (plate.mass or 0.0) < 2.98
    assert [m.count for m in sheet.masses[1:]] == [2, 2, 1]
    assert all(len(digest) == 64 for _, digest in sheet.inputs)


@pytest.mark.slow
def test_cures_are_told_as_on_the_terminal() -> None:
    """The raise is the demo's own: it has its arithmetic in the demo's tests."""
    result = clearance.check(clearance.load(str(DEMOS / "side_plate_die_clash.toml")))
    (words,) = gather(replace(result, cures=find_cures(result)), "today").cures
    assert words == "cures everything: raise the part zero and all on the table by 2.41 mm."


def test_figures_are_rounded_the_safe_way() -> None:
    assert (down(1.119), down(None), up(41.6000001), up(42.1)) == ("1.11", "–", "41.61", "42.10")
    assert (position(-0.0), position(163.98707), position(5)) == ("0.00", "163.987", "5.00")
    assert (kilograms(0.0167), kilograms(1.5), kilograms(None)[:9]) == ("16.7 g", "1.50 kg", "not known")


# ------------------------------------------------------------------------------------------------ the chart
def test_a_column_never_shows_more_than_its_worst_move() -> None:
    spare = np.random.default_rng(5).uniform(-1, 30, 1003)
    spare[spare > 20] = np.nan
    found = columns(spare, [f"item {k}" for k in range(1003)], 100)
    assert len(found) == 100
    assert (found[0].first, found[-1].last) == (1, 1003)
    for before, after in zip(found, found[1:], strict=False):
        assert after.first == before.last + 1
    for c in found:
        inside = spare[c.first - 1 : c.last]
        assert c.spare is None if np.isnan(inside).all() else c.spare == np.nanmin(inside)
        assert c.spare is None or (spare[c.move - 1] == c.spare and c.item == f"item {c.move - 1}")


def test_chart_heights_numbers_and_words() -> None:
    """Nine moves, the axis to 5: a move with -1 stands as far under the zero line as one with 1 over it."""
    moves = opening()
    spare = np.array([1.0, -1.0, 3.0, np.nan, 2.0, 2.0, 2.0, 2.0])
    item = np.where(np.isnan(spare), -1, 0)
    line = Along("opening", "lower", item, spare, spare, spare, spare)
    text = chart("opening", [line], moves, ['<"rail&'])
    points = [float(p.split(",")[1]) for p in text.partition('points="')[2].partition('"')[0].split()]
    heights = points[::2]
    zero = float(text.partition('class="zero"')[2].partition('y1="')[2].partition('"')[0])
    assert zero - heights[0] == pytest.approx(heights[1] - zero, abs=0.11)
    assert zero - heights[4] == pytest.approx(2 * (zero - heights[0]), abs=0.11)
    assert min(heights) == heights[3]
    assert top_of(2.9) == 5.0
    assert ">N20<" in text
    assert "-1.00  lower, move 2, &lt;&quot;rail&amp;" in text


# ------------------------------------------------------------------------------------------------ the scene
@lru_cache
def scene() -> Turnable:
    result = clearance.check(clearance.load(str(DEMOS / "side_plate_die_clash.toml")))
    return turnable(result, describe(result), told("side_plate_die_clash").along)


def unpacked(values: dict[str, str]) -> np.ndarray:
    import base64

    return np.frombuffer(base64.b64decode(values["bdata"]), dtype="<" + values["dtype"])


@pytest.mark.slow
def test_every_trace_and_label_has_one_switch() -> None:
    traces = sorted(k for switch in scene().switches for k in switch.traces)
    labels = sorted(k for switch in scene().switches for k in switch.labels)
    assert traces == list(range(len(scene().traces)))
    assert labels == list(range(len(scene().layout["scene"]["annotations"])))
    words = [switch.words for switch in scene().switches]
    assert {"die plate", "front rail", "upper head", "swept by the lower head", "opening"} <= set(words)


def test_bodies_stand_where_they_were_checked() -> None:
    switch = next(s for s in scene().switches if s.words == "die plate")
    mesh = scene().traces[switch.traces[0]]
    points = np.stack([unpacked(mesh[axis]) for axis in "xyz"], axis=1)
    assert points.min(axis=0) == pytest.approx([120, 100, 0], abs=1e-4)
    assert points.max(axis=0) == pytest.approx([280, 210, 22], abs=1e-4)
    assert mesh["opacity"] == 1.0
    veil = scene().traces[next(s for s in scene().switches if s.words.startswith("swept")).traces[0]]
    assert veil["opacity"] < 0.3
    assert scene().thinned == ()


def test_heads_stand_at_the_worst_place() -> None:
    """The clash is at X 236, Y 128.03 (its figures are in the demo's own test)."""
    switch = next(s for s in scene().switches if s.words == "lower head")
    mesh = scene().traces[switch.traces[0]]
    x, y = unpacked(mesh["x"]), unpacked(mesh["y"])
    assert ((x.min() + x.max()) / 2, (y.min() + y.max()) / 2) == pytest.approx((236.0, 128.03), abs=0.01)


def test_path_tells_move_block_and_figure() -> None:
    switch = next(s for s in scene().switches if s.words == "opening" and s.group == "Paths")
    words = {w for k in switch.traces for w in scene().traces[k].get("text", ())}
    assert any(
        w.startswith("opening, move 5, N70<br>-1.00 mm to spare, lower head - front rail") for w in words
    )


def test_edges_of_a_block() -> None:
    """A block has 12 edges; the diagonals of its faces are none. Shaded flat it has three corners at each."""
    box = block((0, 1), (0, 2), (0, 3))
    assert len(sharp_edges(*welded(box))) == 12
    assert len(welded(box)[0]) == 8
    assert len(welded(box, creased=True)[0]) == 24
    points, faces = welded(box, creased=True)
    assert points[faces] == pytest.approx(box)
    assert unpacked(packed(faces[:, 0])).tolist() == faces[:, 0].tolist()


def test_large_bodies_share_what_is_left() -> None:
    assert shares([10, 1000, 20], 430) == [10, 400, 20]
    assert shares([500, 500], 400) == [200, 200]
    assert sum(shares([7, 90_000, 1_000_000, 3], 90_000)) <= 90_000


def test_fewer_triangles_of_the_same_form() -> None:
    """A plate of 60 x 40 x 10 in 1 mm squares is told by 12 triangles; what does not close is thinned too."""
    from manifold3d import Manifold

    mesh = Manifold.cube((60, 40, 10)).refine_to_length(1.0).to_mesh64()
    fine = np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts).astype(int)]
    few = lighter(fine, 1000, np.zeros((0, 3)))
    assert len(fine) > 5000
    assert len(few) <= 1000
    assert few.min(axis=(0, 1)) == pytest.approx([0, 0, 0], abs=1e-3)
    assert few.max(axis=(0, 1)) == pytest.approx([60, 40, 10], abs=1e-3)
    open_ = lighter(fine[: len(fine) // 2], 1000, np.zeros((0, 3)))
    assert 0 < len(open_) <= 1000
