"""Holders fitted to a part: what is measured on it, what is set, what cannot be."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from clearance.errors import InputError
from fixtures_lib import library
from fixtures_lib.holder import between
from tests.oracles.holder_shells import beside_faces, winding

CORNERS = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], dtype=float)
FACES = [(0, 1, 3), (0, 3, 2), (4, 6, 7), (4, 7, 5), (0, 4, 5), (0, 5, 1)]
FACES += [(2, 3, 7), (2, 7, 6), (0, 2, 6), (0, 6, 4), (1, 5, 7), (1, 7, 3)]


def block(low: Any, high: Any) -> Any:
    """Twelve triangles of a box, outward, by hand."""
    return (np.asarray(low, float) + CORNERS * (np.asarray(high, float) - low))[FACES]


def rod(diameter: Any, low: Any, high: Any, along: Any = "z", middle: Any = (0.0, 0.0), n: Any = 64) -> Any:
    """A faceted bar with its corners on the circle, outward, by hand."""
    angle = 2 * np.pi * np.arange(n) / n
    ring = np.column_stack([np.cos(angle), np.sin(angle)]) * diameter / 2 + middle
    nxt = np.roll(ring, -1, axis=0)

    def put(p: Any, h: Any) -> Any:
        return np.column_stack([p, np.full(n, h)])

    a, b, c, d = put(ring, low), put(nxt, low), put(nxt, high), put(ring, high)
    centre_low, centre_high = (np.tile([*middle, h], (n, 1)) for h in (low, high))
    triangles = np.concatenate(
        [np.stack(t, axis=1) for t in ((a, b, c), (a, c, d), (b, a, centre_low), (d, c, centre_high))]
    )
    return triangles if along == "z" else triangles[..., [2, 0, 1]]


def overlap(part: Any, holder: Any, seat: Any) -> Any:
    """Points just within the part that lie in the holder's metal, and the other way round."""
    T = holder.seats[seat].T_HS
    part = part @ T[:3, :3].T + T[:3, 3]
    count = 0
    _, in_part = beside_faces(part, away=5e-3, many=80)
    for shell in holder.shells:
        _, in_shell = beside_faces(shell, away=5e-3, many=80)
        count += int((winding(shell, in_part) > 0.5).sum() + (winding(part, in_shell) > 0.5).sum())
    return count


def test_between_cuts_exactly() -> None:
    """A 45 degree prism's side 10 long, cut off at 3 and 7: x runs from 3 to 7 with the height (geometry)."""
    slope = np.array(
        [[[0, 0, 0], [0, 5, 0], [10, 0, 10]], [[0, 5, 0], [10, 5, 10], [10, 0, 10]]], dtype=float
    )
    left = between(slope, 2, 3, 7)
    area = np.linalg.norm(np.cross(left[:, 1] - left[:, 0], left[:, 2] - left[:, 0]), axis=1).sum() / 2
    assert area == pytest.approx(4 * math.sqrt(2) * 5)
    assert left[..., 0].min() == pytest.approx(3)
    assert left[..., 0].max() == pytest.approx(7)
    assert len(between(slope, 2, 11, 12)) == 0
    assert np.array_equal(between(slope, 2, -1, 11), slope)


@pytest.mark.parametrize("name", ["side_jaw_vise", "wide_vise", "side_arm"])
def test_jaws_open_to_the_part(name: Any) -> None:
    part = block((0, 0, 0), (37.3, 30, 40))
    fitted = library.fit(name, {}, part)
    assert fitted.params["opening"] == pytest.approx(37.3)
    assert fitted.problems == ()
    assert any("opening set to 37.3 mm" in each for each in fitted.said)
    assert overlap(part, library.build(name, fitted.params), "top") == 0


def test_jaws_pass_by_what_is_above_and_in_front_of_them() -> None:
    """A flange over the jaws and a foot in front of them do not count: the jaws do not touch there."""
    part = np.concatenate(
        [block((0, 0, 0), (50, 40, 20)), block((-8, 0, 12.5), (60, 40, 20)), block((-9, 61, 0), (66, 70, 20))]
    )
    assert library.fit("side_jaw_vise", {"jaw_above": 12}, part).params["opening"] == pytest.approx(50)
    wider = library.fit("side_jaw_vise", {"jaw_above": 13}, part)
    assert wider.problems
    assert "-8.000 mm from the fixed jaw" in wider.problems[0]


def test_part_away_from_the_fixed_jaw_is_a_problem_that_says_how_far() -> None:
    fitted = library.fit("side_jaw_vise", {"below": 40}, block((5, 0, 0), (65, 60, 20)))
    assert fitted.params == {"below": 40}
    assert "5.000 mm from the fixed jaw" in fitted.problems[0]
    assert "by -5.000" in fitted.problems[0]


def test_part_beyond_the_range_names_number_and_limit() -> None:
    fitted = library.fit("side_jaw_vise", {}, block((0, 0, 0), (162, 60, 20)))
    assert fitted.params["opening"] == 150
    assert len(fitted.problems) == 1
    assert "162" in fitted.problems[0]
    assert "at most 150 mm" in fitted.problems[0]
    library.build("side_jaw_vise", fitted.params)


def test_part_that_is_not_there_is_a_problem() -> None:
    for name in ("side_jaw_vise", "strap", "ring_clamp", "v_block", "wide_vise"):
        fitted = library.fit(name, {}, block((-900, 500, 300), (-890, 510, 310)))
        assert fitted.problems, name
        assert "does not reach the part" in fitted.problems[0], name


@pytest.mark.parametrize(("diameter", "size"), [(31.7, "small"), (80, "small"), (127, "large")])
def test_v_block_takes_the_bar_s_diameter(diameter: Any, size: Any) -> None:
    """The bar then touches the flanks: r / sin(a / 2) over the apex, at 90 degrees 1.41421 r (geometry)."""
    part = rod(diameter, -60, 60, along="x", middle=(0, diameter / 2))
    fitted = library.fit("v_block", {"bow": 20}, part)
    assert fitted.params["diameter"] == pytest.approx(diameter)
    assert fitted.params["size"] == size
    assert fitted.params["bow"] == 20
    block_ = library.build("v_block", fitted.params)
    apex = block_.params["height"] - block_.params["mouth"] / 2
    assert block_.seats["axis"].T_HS[2, 3] - apex == pytest.approx(1.41421356 * diameter / 2, rel=1e-8)
    assert overlap(part, block_, "bar") == 0


@pytest.mark.parametrize(("diameter", "wide"), [(79.5, 77.569), (80, 77.569), (180, 154.279)])
def test_the_bow_s_legs_stand_beside_the_thickest_bars(diameter: Any, wide: Any) -> None:
    """The block is d cos 45 + 3 + 18 (or 24) wide, 77.57 for 80: a bar of 80 is wider than it (geometry)."""
    part = rod(diameter, -60, 60, along="x", middle=(0, diameter / 2))
    block_ = library.build("v_block", library.fit("v_block", {"bow": 20}, part).params)
    assert block_.params["width"] == pytest.approx(wide, abs=1e-3)
    axis = block_.seats["axis"].T_HS[2, 3]
    bow = block_.shells[1].reshape(-1, 3)
    legs = np.abs(bow[np.abs(bow[:, 2] - (axis + diameter / 2)) < 16, 1])
    assert legs.size
    assert legs.min() >= diameter / 2
    feet = np.abs(bow[bow[:, 2] < block_.params["height"] / 2, 1])
    assert feet.min() < wide / 2 - 3, "they still reach into the block's grooves"


def test_v_block_measures_the_bar_where_it_lies_and_not_its_flange() -> None:
    part = np.concatenate([rod(30, -80, 80, "x", (0, 15)), rod(44, 60, 70, "x", (0, 15))])
    assert library.fit("v_block", {}, part).params["diameter"] == pytest.approx(30)


@pytest.mark.parametrize("turn", [0, 3, 5, 8])
def test_v_block_takes_a_bar_of_few_facets_however_it_is_turned(turn: float) -> None:
    """Its corners lie on the circle, 10 degrees apart, and its flats 16 (1 - cos 5) = 0.06 within. The V
    meets it at 45 degrees: there it is as thick as the corner next to that (geometry)."""
    part = rod(32.0, -60, 60, along="x", middle=(0, 0), n=36)
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    part = part @ np.array([[1.0, 0.0, 0.0], [0.0, c, s], [0.0, -s, c]]) + (0.0, 0.0, 16.0)
    diameter = library.fit("v_block", {}, part).params["diameter"]
    beside = (45.0 - turn) % 10.0
    at_45 = 32.0 * np.cos(np.radians(min(beside, 10.0 - beside)))
    assert at_45 - 0.1 <= diameter <= 32.0 + 1e-6


def test_v_block_too_thick_a_bar() -> None:
    fitted = library.fit("v_block", {}, rod(210, -60, 60, "x", (0, 105)))
    assert fitted.params["diameter"] == 180
    assert "210" in fitted.problems[0]
    assert "at most 180 mm" in fitted.problems[0]


@pytest.mark.parametrize(("diameter", "size"), [(22.5, "small"), (60, "small"), (113, "large")])
def test_ring_takes_the_part_s_diameter(diameter: Any, size: Any) -> None:
    part = rod(diameter, 0, 50)
    fitted = library.fit("ring_clamp", {}, part)
    assert fitted.params["diameter"] == pytest.approx(diameter)
    assert fitted.params["size"] == size
    assert overlap(part, library.build("ring_clamp", fitted.params), "top") == 0


@pytest.mark.parametrize("over", [0.0, 1e-5, 4e-4])
def test_a_part_of_the_largest_size_fits_as_a_model_s_digits_have_it(over: Any) -> None:
    """A coordinate of 100 in single precision is good to 4e-6 mm (IEEE 754: 24 bits)."""
    fitted = library.fit("ring_clamp", {}, rod(200 + over, 0, 50))
    assert fitted.problems == ()
    assert fitted.params["diameter"] == pytest.approx(200, abs=1e-9)


def test_what_is_hardly_too_large_is_told_with_the_digits_that_show_it() -> None:
    fitted = library.fit("ring_clamp", {}, rod(200.02, 0, 50))
    assert "diameter would be 200.02 mm, it has at most 200 mm" in fitted.problems[0]


def test_ring_that_would_stand_in_its_own_flange() -> None:
    """The fitted values do not go with another one: said, with its limit, and nothing is set."""
    fitted = library.fit("ring_clamp", {"reach": 60}, rod(113, 0, 50))
    assert fitted.params == {"reach": 60}
    assert fitted.said == ()
    assert "reach 60 puts the ring into its flange; want 80.5 or more" in fitted.problems[0]


def test_ring_says_how_far_off_its_axis_the_part_stands() -> None:
    fitted = library.fit("ring_clamp", {}, rod(30, 0, 50, middle=(1.5, -2)))
    assert "[1.500, -2.000]" in fitted.problems[0]
    assert "[-1.500, 2.000, 0]" in fitted.problems[0]


def test_ring_with_pads_holds_a_raw_part_from_below_and_above() -> None:
    part = rod(90, 0, 34.2)
    fitted = library.fit("ring_clamp", {"grip": "pads"}, part)
    assert fitted.params["part_height"] == pytest.approx(34.2)
    ring = library.build("ring_clamp", fitted.params)
    assert overlap(part, ring, "top") == 0
    T = ring.seats["top"].T_HS
    above = [shell for shell in ring.shells[1:] if np.isclose(shell[..., 2].max(), 34.2 + 8)]
    assert len(above) == 3
    for strap in above:
        inner = np.hypot(strap[..., 0] - T[0, 3], strap[..., 1] - T[1, 3]).min()
        assert inner < 45 - 4, "reaches over the part"


def test_strap_reaches_the_part_and_lies_on_its_top() -> None:
    part = block((22, -30, 0), (90, 30, 18.4))
    fitted = library.fit("strap", {"screw": "M8"}, part)
    assert fitted.params["reach"] == pytest.approx(22 + 8)
    assert fitted.params["height"] == pytest.approx(18.4)
    strap = library.build("strap", fitted.params)
    assert strap.seats["tip"].T_HS[:3, 3].tolist() == pytest.approx([26, 0, 18.4])
    count = sum(
        int((winding(part, beside_faces(shell, away=5e-3, many=80)[1]) > 0.5).sum()) for shell in strap.shells
    )
    assert count == 0


def test_strap_that_cannot_reach() -> None:
    fitted = library.fit("strap", {}, block((300, -30, 0), (390, 30, 18)))
    assert fitted.params["reach"] == 200
    assert "308" in fitted.problems[0]
    assert "at most 200 mm" in fitted.problems[0]


def test_wide_vise_turns_its_straps_round_for_a_thin_plate() -> None:
    thin, thick = block((0, 0, 0), (90, 60, 6)), block((0, 0, 0), (90, 60, 31))
    low, high = library.fit("wide_vise", {}, thin), library.fit("wide_vise", {}, thick)
    assert (low.params["straps"], low.params["part_height"]) == ("reversed", pytest.approx(6))
    assert (high.params["straps"], high.params["part_height"]) == ("over", pytest.approx(31))
    assert "straps set to reversed" in low.said
    for part, fitted in ((thin, low), (thick, high)):
        vise = library.build("wide_vise", fitted.params)
        assert overlap(part, vise, "top") == 0
        T = vise.seats["top"].T_HS[:3, 3]
        points = np.concatenate([s.reshape(-1, 3) for s in vise.shells[2:]]) - T
        over = points[(points[:, 0] > 1) & (points[:, 0] < 89)]
        assert over[:, 2].min() == pytest.approx(part[..., 2].max()), "the toe lies on the part"
    studs = len(library.build("wide_vise", low.params).shells) - 2
    assert studs == 2 * (1 + 2 * 2), "a strap, two studs and two nuts on each jaw"


def test_fit_of_what_cannot_be_fitted() -> None:
    with pytest.raises(InputError) as caught:
        library.fit("rail", {}, block((0, 0, 0), (1, 1, 1)), "items[3]", "setup.toml")
    assert "setup.toml: items[3].fit: rail cannot be fitted" in str(caught.value)
    assert "side_jaw_vise" in caught.value.want
