"""What a picture says, as numbers: dimension lines, figures, where the heads stand, colours, words."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from clearance.checking.per_move import Along
from clearance.errors import InputError
from clearance.scene.model import StretchKind
from clearance.view import looks
from clearance.view.drawing import (
    MOST_PLACES,
    VIEWS,
    describe,
    move_bands,
    pair_sentence,
    small_places,
    worst_pair,
)
from clearance.view.panels import plan_height, section_azimuth
from tests.view_scenes import block, body, pair, plate_on_rails


def test_a_dimension_line_runs_from_point_to_point_and_carries_the_clearance() -> None:
    result = plate_on_rails(clash=False)
    drawing = describe(result)
    by_item = {p.item: p for p in result.pairs}
    assert [p.item for p in drawing.places] == ["front rail", "die plate", "left strap", "back rail"]
    for place in drawing.places:
        told = by_item[place.item]
        assert np.array_equal(place.on_head, told.on_head)
        assert np.array_equal(place.on_item, told.on_item)
        assert np.linalg.norm(place.on_item - place.on_head) == pytest.approx(told.clearance, abs=1e-9)
        assert place.verdict == told.verdict
    assert [p.figure for p in drawing.places] == ["0.82", "0.10", "10.00", "1.00"]
    assert drawing.places[0].words == "lower head – front rail"
    assert drawing.places[0].where == "opening, move 3, N30, line 13"


@given(st.floats(0.0, 5000.0))
def test_a_figure_never_says_more_than_was_found(clearance: float) -> None:
    text = looks.figure(clearance)
    if text == "touches":
        assert clearance <= 1e-6
    elif text == "under 0.01":
        assert 1e-6 < clearance < 0.01
    else:
        assert clearance - 0.01 - 1e-9 < float(text) <= clearance + 1e-9


@pytest.mark.parametrize(
    ("clearance", "text"),
    [
        (0.0, "touches"),
        (1e-6, "touches"),
        (0.004, "under 0.01"),
        (0.8199, "0.81"),
        (0.29, "0.29"),
        (12.0, "12.00"),
    ],
)
def test_figures(clearance: float, text: str) -> None:
    assert looks.figure(clearance) == text


def test_the_worst_comes_first_one_an_item_and_far_ones_stay_out() -> None:
    result = plate_on_rails()
    extra = tuple(
        pair(f"pin {k}", "upper", "clear", 2.0 + k, (0, 0, 0), (0, 2.0 + k, 0), (0, 0, 0), 1)
        for k in range(8)
    )
    twice = pair("front rail", "upper", "clear", 3.0, (0, 0, 0), (0, 3, 0), (0, 0, 0), 1)
    undecided = pair("heel", "lower", "undecided", 0.5, (0, 0, 0), (0, 0.5, 0), (0, 0, 0), 1)
    places = small_places(replace(result, pairs=(twice, *result.pairs, *extra, undecided)))
    assert len(places) == MOST_PLACES
    assert [p.item for p in places[:2]] == ["front rail", "heel"]
    assert places[0].figure == "touches"
    assert len({p.item for p in places}) == len(places)
    assert "table frame, left" not in {p.item for p in small_places(result)}, "94 mm away is no news"
    alone = replace(result, pairs=result.pairs[-1:])
    assert [p.item for p in small_places(alone)] == ["table frame, left"], (
        "but it is drawn where it is all there is"
    )


def test_a_pair_with_nothing_measured_has_no_place_and_breaks_nothing() -> None:
    result = plate_on_rails()
    blind = replace(result.pairs[0], on_head=None, on_item=None, head_at=None)
    drawing = describe(replace(result, pairs=(blind, *result.pairs[1:])))
    assert drawing.places[0].item == "die plate"
    assert drawing.sentence == "Lower head touches front rail"
    nothing = describe(replace(result, pairs=(), verdict="clear"))
    assert nothing.places == ()
    assert len(nothing.panels) == 1


def test_both_heads_stand_where_it_is_closest() -> None:
    result = plate_on_rails()
    for role, radius in (("lower head", 36.0), ("upper head", 36.0)):
        shape = next(s for s in describe(result).shapes if s.role == role)
        points = shape.triangles.reshape(-1, 3)
        r = np.hypot(points[:, 0] - 94.0, points[:, 1] - 62.0)
        assert r.max() == pytest.approx(radius)
        face = points[:, 2].max() if role == "lower head" else points[:, 2].min()
        assert face == pytest.approx(-0.1 if role == "lower head" else 22.1)
        nozzle = np.abs(points[:, 2] - face) < 1e-9
        assert r[nozzle].max() == pytest.approx(5.5)


def test_with_u_and_v_the_heads_stand_at_one_moment() -> None:
    result = plate_on_rails()
    stretch = result.scene.stretches[0]
    away = stretch.moves.moved(np.array([3.0, -2.0]), 0.0)
    scene = replace(result.scene, stretches=(replace(stretch, upper_moves=away),))
    for worst, at in (
        (result.pairs[0], (94.0, 62.0)),
        (replace(result.pairs[0], head="upper", head_at=np.array([94.0, 60.0, 22.1])), (91.0, 62.0)),
    ):
        told = describe(replace(result, scene=scene, pairs=(worst, *result.pairs[1:])))
        middle = {
            s.role: s.triangles.reshape(-1, 3)[:, :2].min(axis=0) / 2
            + s.triangles.reshape(-1, 3)[:, :2].max(axis=0) / 2
            for s in told.shapes
            if s.role in ("lower head", "upper head")
        }
        assert middle["lower head"] == pytest.approx(np.array(at), abs=0.02)
        assert middle["upper head"] == pytest.approx([at[0] + 3.0, at[1] - 2.0], abs=0.02)
        wire = told.wires[0]
        assert wire[1, :2] - wire[0, :2] == pytest.approx([3.0, -2.0], abs=0.02)


def test_the_wire_is_drawn_only_where_it_is_threaded() -> None:
    result = plate_on_rails()
    assert len(describe(result).wires) == 1
    last = len(result.scene.stretches[0].moves) - 1
    on_the_way_out = replace(result.pairs[0], head_at=np.array([85.0, 100.0, -0.1]), move=last + 1)
    stretch = result.scene.stretches[0]
    cut_early = replace(stretch.moves, threaded=np.zeros(len(stretch.moves), dtype=bool))
    scene = replace(result.scene, stretches=(replace(stretch, moves=cut_early),))
    assert describe(replace(result, scene=scene, pairs=(on_the_way_out,))).wires == ()


def spare_figures(head: str, *spare: float) -> Along:
    none = np.full(len(spare), np.nan)
    return Along("opening", head, np.zeros(len(spare), dtype=np.intp), none, none, none, np.array(spare))


def test_the_path_is_coloured_by_the_least_that_either_head_has_to_spare() -> None:
    result = plate_on_rails(clash=False)
    lower = spare_figures("lower", 9.0, -0.01, 0.5, 30.0, 0.0, 6.0, np.nan, 0.85)
    upper = spare_figures("upper", np.nan, 40.0, 1.5, 2.0, 7.0, 19.99, np.nan, 3.0)
    result = replace(result, pairs=())
    vars(result)["along"] = (lower, upper)
    drawing = describe(result)
    path = result.scene.stretches[0].moves
    for k, want in ((1, 1), (2, 2), (3, 3), (4, 2), (5, 4), (6, 5)):
        at = (path.start[k] + path.end[k]) / 2 if k != 3 else path.end[k]
        found = {t.band for t in drawing.tracks if _on(t.points, at)}
        assert want in found if k == 3 else found == {want}, k
    found = {t.band for t in drawing.tracks if _on(t.points, (path.start[0] + path.end[0]) / 2)}
    assert found == {4, 2}, "the way in and the way back lie on one line"


def test_what_touches_is_darkest_whatever_was_measured() -> None:
    result = plate_on_rails()
    vars(result)["along"] = (spare_figures("lower", *[30.0] * 8),)
    assert [t.band for t in describe(result).tracks] == [5, 0, 5, 5], "move 3 of the pair with the rail"


def test_the_path_leaves_out_the_part_that_is_cut() -> None:
    """The face rides 0.1 over the plate all the way. By hand: the lower nut, radius 19, on y = 62 is 0.82
    from the ledge's end at 42.18, where 1 is wanted. On the first move, to x = 70, the least is over the
    strap, whose top is at 34: the upper flange, radius 31, is at 22.1 + 19, which leaves 6.6 of 7.1."""
    result = replace(plate_on_rails(clash=False), pairs=())
    stretch = result.scene.stretches[0]
    bands = move_bands(result, stretch)
    assert (bands[2], bands[0]) == (1, 4)
    there = replace(stretch, bodies=(0,))
    alone = replace(result, scene=replace(result.scene, stretches=(there,)))
    assert set(move_bands(alone, there)) == {len(looks.BANDS) - 1}


def _on(points: np.ndarray, p: np.ndarray) -> bool:
    for a, b in zip(points[:-1, :2], points[1:, :2], strict=True):
        d = b - a
        t = np.clip(np.dot(p - a, d) / max(np.dot(d, d), 1e-12), 0, 1)
        if np.hypot(*(a + t * d - p)) < 1e-6:
            return True
    return False


def test_a_way_between_cuts_has_the_colour_of_its_worst() -> None:
    result = plate_on_rails(clash=False)
    way = replace(result.scene.stretches[0], cut=None, kind=StretchKind.BETWEEN)
    scene = replace(result.scene, stretches=(way,))
    one = replace(result.pairs[0], spare=3.0, verdict="clear")
    for pairs, want in (((one,), 3), ((one, replace(one, spare=-2.0, verdict="clash")), 0), ((), None)):
        assert {t.band for t in describe(replace(result, scene=scene, pairs=pairs)).tracks} == {want}


def test_words_of_the_title() -> None:
    close = plate_on_rails(clash=False)
    drawing = describe(close)
    assert drawing.sentence == "Lower head passes 0.82 mm from front rail; 1 mm beside it is wanted"
    assert drawing.lines[0] == "Side-plate die, first opening"
    worst = worst_pair(close)
    assert worst is not None
    over = replace(worst, clearance=0.03, side=4.0, height=0.03, spare=-0.02)
    assert pair_sentence(over).endswith("0.05 mm in height is wanted")
    assert "could not be decided" in pair_sentence(replace(worst, verdict="undecided"))
    assert "less than it may be off" in pair_sentence(replace(worst, verdict="clash", clearance=0.02))


def test_names_from_files_cannot_break_the_sheet() -> None:
    result = plate_on_rails()
    name = "front\nrail\x07 \u202e" + "with a name that never ends " * 9
    bodies = tuple(replace(b, name=name) if b.name == "front rail" else b for b in result.scene.bodies)
    pairs = (replace(result.pairs[0], item=name), *result.pairs[1:])
    scene = replace(result.scene, bodies=bodies, title="two\r\nlines\ttab")
    drawing = describe(replace(result, scene=scene, pairs=pairs))
    said = [
        drawing.sentence,
        *drawing.lines,
        *(p.words for p in drawing.places),
        *(x.text for x in drawing.labels),
    ]
    assert all(text.isprintable() for text in said)
    assert drawing.lines[0] == "two\\r\\nlines\\ttab"
    assert max(len(p.words) for p in drawing.places) < 60
    assert any(
        text.startswith("front\\nrail\\u0007 \\u202ewith a name") and text.endswith("…") for text in said
    )


def test_a_finding_that_decides_is_the_sentence() -> None:
    from clearance.scene.model import Finding

    result = plate_on_rails(clash=False)
    finding = Finding("swallowed", "clash", "the lower head stands inside the back rail", "back rail")
    assert (
        describe(replace(result, verdict="clash", findings=(finding,))).sentence
        == f'"back rail": {finding.message}'
    )


def test_what_is_off_for_this_cut_is_see_through_and_says_so() -> None:
    result = plate_on_rails()
    stretch = result.scene.stretches[0]
    other = replace(stretch, name="second", cut=1)
    scene = replace(result.scene, stretches=(replace(stretch, bodies=(0, 1, 2, 4, 5)), other))
    drawing = describe(replace(result, scene=scene))
    strap = next(k for k, s in enumerate(drawing.shapes) if s.name == "left strap")
    assert strap in drawing.panels[0].ghost
    assert "left strap (off for this cut)" in [label.text for label in drawing.labels]


@pytest.mark.few("iso", "along_wire")
@pytest.mark.parametrize("view", VIEWS)
def test_every_view_holds_the_worst_place_off_the_words(view: str) -> None:
    for size in ((1600, 1200), (900, 1400), (640, 480)):
        drawing = describe(plate_on_rails(), view, size)
        panel = drawing.panels[0]
        x, y, depth = panel.camera.project(drawing.places[0].on_item)
        top, foot = 140 * min(size[0] / 1600, size[1] / 1200), 76 * min(size[0] / 1600, size[1] / 1200)
        assert 0 < x < size[0]
        assert top < y < size[1] - foot
        if panel.camera.cut is not None:
            assert depth <= panel.camera.cut + 0.5, "the place itself must not be cut away"
        for inset in drawing.panels[1:]:
            bx, by, bw, bh = inset.box
            assert not (bx < x < bx + bw and by < y < by + bh), "the inset must not hide the place"


def test_the_overview_holds_every_item() -> None:
    drawing = describe(plate_on_rails(), "iso")
    inset = drawing.panels[1].box
    for shape in drawing.shapes:
        if shape.role not in ("part", "holder", "laid"):
            continue
        q = drawing.panels[0].camera.project(shape.triangles.reshape(-1, 3))
        assert q[:, 0].min() >= 0
        assert q[:, 0].max() <= inset[0]
        assert q[:, 1].min() >= 140
        assert q[:, 1].max() <= 1200 - 76


def test_the_section_holds_wire_and_gap() -> None:
    drawing = describe(plate_on_rails(clash=False), "close_up")
    place = drawing.places[0]
    camera = drawing.panels[0].camera
    q = camera.project(np.stack([place.on_head, place.on_item, [94.0, 62.0, -6.0]]))
    assert np.abs(q[:, 2]).max() < 1e-9, "head point, item point and wire lie in the plane of the cut"
    assert np.hypot(*(q[1] - q[0])[:2]) == pytest.approx(0.82 * camera.scale), (
        "the gap is seen at its true length"
    )


def test_a_section_never_grazes_a_face() -> None:
    """The post's face lies in the plane of wire and gap: the cut moves into it, by no more than a hair."""
    result = plate_on_rails()
    rail = body("post", "laid", block((94, 120), (20, 44), (-40, -6)))
    stretch = replace(result.scene.stretches[0], bodies=(0, 1))
    scene = replace(result.scene, bodies=(result.scene.bodies[0], rail), stretches=(stretch,))
    at = replace(result.pairs[0], item="post")
    drawing = describe(replace(result, scene=scene, pairs=(at,)), "close_up")
    camera = drawing.panels[0].camera
    assert camera.cut is not None
    assert 0 < abs(camera.cut) < 0.5
    inside = camera.centre + camera.cut * camera.back
    assert 94 < inside[0] < 120
    free = describe(result, "close_up").panels[0].camera
    assert free.cut == 0.0


def test_a_section_is_seen_from_the_operators_side() -> None:
    drawing = describe(plate_on_rails(), "close_up")
    place = replace(drawing.places[0], on_head=np.array([10.0, 5.0, 0.0]), on_item=np.array([11.0, 5.0, 0.0]))
    assert section_azimuth(place, np.zeros(2)) == pytest.approx(-90.0)


def test_the_level_cut_meets_head_and_item() -> None:
    drawing = describe(plate_on_rails(clash=False), "along_wire")
    z = plan_height(drawing, drawing.places[0])
    assert -40 < z < -6, "inside the rail's ledge, and inside the nut"
    over = replace(
        drawing.places[0],
        on_head=np.array([94.0, 62.0, -0.1]),
        on_item=np.array([94.0, 62.0, 0.0]),
        item="die plate",
    )
    assert plan_height(drawing, over) > 0.0, "one over the other: just inside the upper"


@pytest.mark.parametrize(
    "size",
    [(0, 100), (100, 100), (99999, 1200), (1600.5, 1200), ("a", "b"), (1600,), None, (float("nan"), 900)],
)
def test_a_size_that_cannot_be_is_one_clear_message(size: object) -> None:
    with pytest.raises(InputError, match="320 to 6000"):
        describe(plate_on_rails(), "iso", size)


def test_an_unknown_view_names_the_known_ones() -> None:
    with pytest.raises(InputError, match="close_up") as err:
        describe(plate_on_rails(), "isometric")
    assert '"isometric"' in str(err.value)


def test_lightness_of_known_colours() -> None:
    """White 100 and black 0 by definition; pure sRGB red 53.24 and green 87.73 are from memory of tables."""
    assert looks.lightness((255, 255, 255)) == pytest.approx(100.0, abs=0.01)
    assert looks.lightness((0, 0, 0)) == 0.0
    assert looks.lightness((255, 0, 0)) == pytest.approx(53.24, abs=0.02)
    assert looks.lightness((0, 255, 0)) == pytest.approx(87.73, abs=0.02)


def test_kinds_and_bands_differ_in_grey() -> None:
    kinds = [looks.lightness(looks.BODY[k]) for k in ("machine", "part", "holder", "laid", "head")]
    assert all(a - b > 3.5 for a, b in zip(kinds, kinds[1:], strict=False))
    bands = [looks.lightness(band[2]) for band in looks.BANDS]
    assert all(b - a > 15 for a, b in zip(bands, bands[1:], strict=False)), "the less to spare, the darker"
    widths = [band[3] for band in looks.BANDS]
    assert widths == sorted(set(widths), reverse=True), "and the wider"
    on = [looks.lightness(looks.BODY["part"]), 100.0]
    for colour in (band[2] for band in looks.BANDS):
        assert min(abs(looks.lightness(looks.edge_of(colour)) - g) for g in on) > 10 or all(
            abs(looks.lightness(colour) - g) > 10 for g in on
        ), "a light line on a light part has a dark edge"
    assert len({*looks.MARK.values()}) == len(looks.MARK), "each verdict has a mark of its own shape"


def test_describing_imports_no_graphics_library() -> None:
    code = (
        "import sys; from tests.view_scenes import plate_on_rails; import clearance.view.picture as p; "
        "from clearance.view.drawing import describe; describe(plate_on_rails()); "
        "print([m for m in ('pyvista', 'vtkmodules', 'matplotlib', 'PIL') if m in sys.modules])"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.strip() == "[]"


@pytest.mark.slow
def test_a_large_body_is_thinned_and_the_picture_says_so() -> None:
    result = plate_on_rails()
    x, y = np.meshgrid(np.linspace(0, 160, 400), np.linspace(0, 160, 400), indexing="ij")
    z = 40 + np.sin(x / 9) * np.cos(y / 7)
    p = np.stack([x, y, z], axis=-1)
    a, b, c, d = p[:-1, :-1], p[1:, :-1], p[1:, 1:], p[:-1, 1:]
    fine = np.concatenate([np.stack([a, b, c], axis=2), np.stack([a, c, d], axis=2)]).reshape(-1, 3, 3)
    assert len(fine) > 300_000
    hill = body("hill", "part", fine, block((0, 160), (0, 160), (30, 35)))
    stretch = replace(result.scene.stretches[0], bodies=(0, 1, 2, 3, 4, 5, 6))
    scene = replace(result.scene, bodies=(*result.scene.bodies, hill), stretches=(stretch,))
    drawing = describe(replace(result, scene=scene))
    shape = next(s for s in drawing.shapes if s.name == "hill")
    assert 20_000 < len(shape.triangles) <= 200_000
    assert any("hill" in note for note in drawing.notes)
    assert np.abs(shape.triangles.max(axis=(0, 1)) - hill.triangles_M.max(axis=(0, 1))).max() < 1.0
