"""What would tip: centres of gravity and hulls by hand, contacts against shapely (the source)."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from clearance.errors import InputError
from clearance.scene.model import Body, Scene, SideHeight
from clearance.scene.stability import (
    MANY,
    _contact,
    _Faces,
    _hull,
    _outside,
)
from fixtures_lib import library
from tests.holding_bench import block, checked, found, rod, scene
from tests.setup_writer import Tables
from tests.test_setup_overlaps import brick

FREE = SideHeight(0.0, 0.0)


def part(model: str, **placed: Any) -> Tables:
    return {"name": "part", "part": model, "units": "mm", "material": "steel", **placed}


def told(there: Scene) -> list[tuple[str, str | None, str]]:
    return [(f.severity, f.item, f.message) for f in there.findings if f.kind == "off its feet"]


BASE: Tables = {"name": "base", "shape": {"box": [40, 60, 20]}, "at": [20, 30, 0]}


@pytest.mark.parametrize(("length", "beside"), [(70, None), (80, None), (80.1, None), (82, 1.0), (130, 25.0)])
def test_plate_that_stands_out_over_its_base(tmp_path: Path, length: float, beside: float | None) -> None:
    """From X 0 on a base that ends at 40: the middle is length / 2, and 40 carries it exactly."""
    plate = part(block(tmp_path, length, 60, 10), on="base", seat="top", at=[-20, -30, 0])
    there = scene(tmp_path, [BASE, plate], upper_z=90)
    if beside is None:
        assert told(there) == []
    else:
        ((severity, item, message),) = told(there)
        assert (severity, item) == ("close", "part")
        assert f"is {beside:.1f} mm outside what carries it; it would tip" in message


def test_exit_code_is_that_of_close(tmp_path: Path) -> None:
    plate = part(block(tmp_path, 130, 60, 10), on="base", seat="top", at=[-20, -30, 0])
    code, report = checked(tmp_path, [BASE, plate], part="part", zero=[100, -9, 0])
    assert (code, report["verdict"]) == (1, "close")
    assert [(s, i) for s, i, _ in found(report, "off its feet")] == [("close", "part")]


def test_a_second_carrier_that_the_part_is_not_said_to_stand_on(tmp_path: Path) -> None:
    plate = part(block(tmp_path, 130, 60, 10), on="base", seat="top", at=[-20, -30, 0])
    other = {"name": "other", "shape": {"box": [10, 10, 20]}, "at": [110, 30, 0]}
    assert told(scene(tmp_path, [BASE, plate, other], upper_z=90)) == []
    low = {**other, "shape": {"box": [10, 10, 19.4]}}
    assert len(told(scene(tmp_path, [BASE, plate, low], upper_z=90))) == 1, "0.6 below it carries nothing"
    off = scene(tmp_path, [BASE, plate, other], upper_z=90, without=["other"])
    assert [s for s, _, _ in told(off)] == ["close"], "off for this cut"


def test_held_down_it_is_a_note(tmp_path: Path) -> None:
    plate = part(block(tmp_path, 130, 60, 10), on="base", seat="top", at=[-20, -30, 0])
    weight = {"name": "weight", "shape": {"box": [10, 10, 5]}, "at": [10, 30, 30]}
    ((severity, item, message),) = told(scene(tmp_path, [BASE, plate, weight], upper_z=90))
    assert (severity, item) == ("note", "part")
    assert "only what clamps it" in message


def test_gripped_it_is_a_note(tmp_path: Path) -> None:
    """A part 145 long in jaws 60 long: its middle is 12.5 in front of the ledges."""
    vise = {"name": "vise", "holder": "side_jaw_vise", "fit": "part"}
    there = scene(tmp_path, [vise, part(block(tmp_path, 60, 145, 40), on="vise")], upper_z=90)
    ((severity, item, message),) = told(there)
    assert (severity, item) == ("note", "part")
    assert "12.5 mm" in message


def test_what_stands_on_a_part_counts(tmp_path: Path) -> None:
    """A plate of 70 x 60 x 10 that stands well, and a block of 20 x 60 x 30 at its far end, both steel.

    42000 mm3 at 35 and 36000 mm3 at 60: together at 46.54, 6.54 outside the base's 40.
    """
    plate = part(block(tmp_path, 70, 60, 10), on="base", seat="top", at=[-20, -30, 0])
    load = {"name": "load", "shape": {"box": [20, 60, 30]}, "on": "part", "seat": "top", "at": [60, 30, 0]}
    ((severity, item, message),) = told(scene(tmp_path, [BASE, plate, load], upper_z=90))
    assert (severity, item) == ("close", "part")
    assert "with what stands on it, is 6.5 mm" in message


def test_densities_weigh(tmp_path: Path) -> None:
    """The same with a load of aluminium, 2.70 against 7.85 (Gere, table of densities)."""
    plate = part(block(tmp_path, 70, 60, 10), on="base", seat="top", at=[-20, -30, 0])
    load = {"name": "load", "shape": {"box": [20, 60, 30]}, "on": "part", "seat": "top", "at": [60, 30, 0]}
    there = scene(tmp_path, [BASE, plate, {**load, "density": 2.7}], upper_z=90)
    at = (42000 * 7.85 * 35 + 36000 * 2.70 * 60) / (42000 * 7.85 + 36000 * 2.70)
    assert f"is {at - 40:.1f} mm" in told(there)[0][2]


def test_v_block_that_its_bar_would_tip(tmp_path: Path) -> None:
    """A bar that stands out far to one side takes the loose block with it."""
    vee: Tables = {"name": "vee", "holder": "v_block", "fit": "part", "on": "base", "seat": "top"}
    base = {**BASE, "shape": {"box": [120, 120, 20]}, "at": [100, 60, 0]}
    bar = part(rod(tmp_path, 60, 300), on="vee", seat="axis", at=[-25, 0, 0], turn=[0, 90, 0])
    there = scene(tmp_path, [base, vee, bar], upper_z=190, axes="machine")
    assert sorted((s, i) for s, i, _ in told(there)) == [("close", "part"), ("close", "vee")]
    # the bar: 300 long, 25 behind the block's middle, so its own middle is 125 before it, and 100 outside
    message = next(m for _, i, m in told(there) if i == "part")
    assert float(message.split(" mm")[0].split()[-1]) == pytest.approx(100, abs=0.05)
    short = part(rod(tmp_path, 60, 60), on="vee", seat="axis", at=[-25, 0, 0], turn=[0, 90, 0])
    assert told(scene(tmp_path, [base, vee, short], upper_z=190, axes="machine")) == []


#: loose elements of 40 x 60 x 35, solid
LOOSE: dict[str, Tables] = {
    "magnet_block": {"length": 40, "width": 60, "height": 35, "groove": 0, "knob": 0},
    "parallel": {"length": 40, "width": 60, "height": 35},
    "spacer": {"length": 40, "width": 60, "height": 35},
}


def stacked(folder: Path, holder: str, length: float, **keys: Any) -> list[Tables]:
    """A plate that something holds to a loose element, on a base that is as long as that: X 0 to 40."""
    loose = {"name": "it", "holder": holder, "params": LOOSE[holder], "on": "base", **keys}
    plate = part(block(folder, length, 60, 40), on="it", seat="top", at=[-20, -30, 0], held_by="two screws")
    return [BASE, loose, plate]


@pytest.mark.parametrize("holder", LOOSE)
@pytest.mark.parametrize(("length", "beside"), [(70, None), (90, None), (130, 15.5)])
def test_a_loose_element_tips_with_the_part_that_is_held_to_it(
    tmp_path: Path, holder: str, length: float, beside: float | None
) -> None:
    """84000 mm3 at X 20 and length x 2400 at length / 2, all steel: with 70 together at 30, with 90 at
    38, and with 130 at (84000 x 20 + 312000 x 65) / 396000 = 55.45, and the base ends at 40."""
    there = [f for f in told(scene(tmp_path, stacked(tmp_path, holder, length), upper_z=190)) if f[1] == "it"]
    if beside is None:
        assert there == []
    else:
        ((severity, _, message),) = there
        assert severity == "close"
        assert f"with what stands on it, is {beside:.1f} mm outside what carries it; it would tip" in message
        assert "stands by its own weight: say what fastens it (held_by)" in message


def test_a_job_on_a_loose_magnet_that_would_tip_is_not_clear(tmp_path: Path) -> None:
    """The magnet holds the plate well; with it it falls off the base."""
    items = stacked(tmp_path, "magnet_block", 130)
    del items[-1]["held_by"]
    code, report = checked(tmp_path, items, part="part", zero=[100, -9, 0])
    assert (code, report["verdict"]) == (1, "close")
    assert [(s, i) for s, i, _ in found(report, "off its feet")] == [("close", "it")]


def test_a_loose_element_that_words_or_a_magnet_fasten_is_a_note(tmp_path: Path) -> None:
    screwed = stacked(tmp_path, "parallel", 130, held_by="two screws M6")
    ((severity, item, message),) = (f for f in told(scene(tmp_path, screwed, upper_z=190)) if f[1] == "it")
    assert (severity, item) == ("note", "it")
    assert 'only "two screws M6" (held_by) keeps it from tipping' in message
    _, *more = stacked(tmp_path, "parallel", 130)
    table = {"name": "base", "holder": "magnet_block", "params": {**LOOSE["magnet_block"], "height": 20}}
    on_it = told(scene(tmp_path, [{**table, "at": [20, 30, 0]}, *more], upper_z=190))
    assert ("note", 'only "base" keeps it from tipping') in [
        (s, m.split("; ")[-1]) for s, i, m in on_it if i == "it"
    ]
    # the magnet itself, on what the machine file does not describe: three bodies, 48000 mm3 at 20 besides
    at = (48000 * 20 + 84000 * 20 + 312000 * 65) / 444000
    assert [(s, f"is {at - 40:.1f} mm" in m) for s, i, m in on_it if i == "base"] in ([], [("close", True)])


def test_what_is_screwed_down_through_a_loose_element_keeps_it(tmp_path: Path) -> None:
    """A rail on a spacer of 10 at its end; the rail's screws go through it. A strap is screwed to it only."""
    base = {**BASE, "shape": {"box": [40, 60, 20]}}
    under = {
        "name": "it",
        "holder": "spacer",
        "params": {"length": 30, "width": 25, "height": 10},
        "on": "base",
    }
    rail = {"name": "rail", "holder": "rail", "on": "it", "at": [-15, -12.5, 25], "params": {"length": 200}}
    strap = {
        "name": "strap",
        "holder": "strap",
        "on": "it",
        "params": {"reach": 150, "back": 14, "screw_below": 0},
    }
    for above, severity in ((rail, "note"), (strap, "close")):
        plate = {**part(block(tmp_path, 130, 60, 10)), "at": [300, 0, 0]}
        items = [{**base}, under, above, plate]
        there = told(scene(tmp_path, items, upper_z=190))
        assert [(s, i) for s, i, _ in there if i == "it"] == [(severity, "it")]


def test_words_of_a_holder_that_is_fastened_anyway_are_refused(tmp_path: Path) -> None:
    rail = {"name": "rail", "holder": "rail", "held_by": "screws"}
    with pytest.raises(InputError, match=r"held_by.*means nothing for a rail.*screwed down") as caught:
        scene(tmp_path, [rail, part(block(tmp_path, 130, 60, 10))], upper_z=190)
    assert "stands by its own weight" in caught.value.want
    for until in (1, "N70"):
        loose = {"name": "it", "holder": "parallel", "held_by": {"by": "screws", "until": until}}
        with pytest.raises(InputError, match="until"):
            scene(tmp_path, [loose, part(block(tmp_path, 130, 60, 10))], upper_z=190)


def test_tilted_stack_tips_where_the_level_one_stands(tmp_path: Path) -> None:
    """A tower of 20 x 20 x 200 on a base tilted by 5 degrees: its middle, 100 up, goes 100 sin 5 = 8.7 to the
    side, less than 10; by 7 degrees 12.2, and its foot reaches 10 cos 7 = 9.9: 2.3 outside."""
    base = {**BASE, "shape": {"box": [60, 60, 20]}, "at": [100, 60, 30]}
    tower = part(block(tmp_path, 20, 20, 200), on="base", seat="top", at=[-10, -10, 0])
    for tilt, count in ((5.0, 0), (7.0, 1)):
        there = scene(tmp_path, [{**base, "turn": [0, tilt, 0]}, tower], upper_z=400, axes="machine")
        assert len(told(there)) == count
        if count:
            beside = 100 * np.sin(np.radians(7)) - 10 * np.cos(np.radians(7))
            assert f"is {beside:.1f} mm" in told(there)[0][2]


def test_nothing_is_said_of_what_touches_nothing(tmp_path: Path) -> None:
    """On packing that is not described, or sunk into what carries it (which is a finding of its own)."""
    for z in (3.0, -2.0):
        plate = part(block(tmp_path, 130, 60, 10), on="base", seat="top", at=[-20, -30, z])
        assert told(scene(tmp_path, [BASE, plate], upper_z=90)) == []


@pytest.mark.parametrize("z", [-5.0, 0.0, 5.0])
def test_a_table_of_which_nothing_is_said_is_at_z_0_alone(z: float, tmp_path: Path) -> None:
    """What stands loose over it or under it has nothing under it; on it nobody knows."""
    magnet: Tables = {"name": "magnet", "holder": "magnet_block", "at": [300, 200, z]}
    plate = part(block(tmp_path, 40, 60, 10), on="base", seat="top", at=[-20, -30, 0])
    there = scene(tmp_path, [BASE, plate, magnet], upper_z=90)
    assert [f.item for f in there.findings if f.kind == "floats"] == ([] if z == 0.0 else ["magnet"])


def test_fixed_elements_may_stand_out_as_they_do(tmp_path: Path) -> None:
    """A chuck grips a shank and its holder hangs in the air: nothing tips there."""
    items: list[Tables] = [
        {"name": "rail", "holder": "base_rail", "params": {"width": 80}},
        {"name": "chuck", "holder": "chuck", "on": "rail", "seat": "top", "at": [100, 0, 0]},
        {"name": "holder", "holder": "levelling_holder", "on": "chuck", "seat": "shank"},
        part(block(tmp_path, 40, 60, 20), on="holder", seat="top", at=[-20, -30, 0]),
    ]
    assert told(scene(tmp_path, items, upper_z=90)) == []


# ----------------------------------------------------------------------------------------- contacts and hulls
def faces(triangles: Any) -> _Faces:
    return _Faces(Body("x", "part", np.asarray(triangles, float), True, FREE, FREE, item=0))


def turned(triangles: Any, degrees: float, at: Any) -> Any:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return triangles @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]) + at


def outline(triangles: Any, z: float) -> shapely.Polygon:
    points = triangles.reshape(-1, 3)
    return shapely.MultiPoint(points[np.abs(points[:, 2] - z) < 1e-9][:, :2]).convex_hull


def contact_of(upper: _Faces, lower: _Faces) -> np.ndarray:
    """All handfuls of places together."""
    return np.concatenate([np.empty((0, 2)), *_contact(upper, lower)])


def test_contact_of_two_turned_blocks_is_what_their_faces_share() -> None:
    rng = np.random.default_rng(3)
    met = 0
    for _ in range(60):
        low = turned(brick([0, 0, 0], rng.uniform(4, 30, 3)), rng.uniform(0, 90), [*rng.uniform(-9, 9, 2), 0])
        z = float(low[..., 2].max())
        high = turned(
            brick([0, 0, 0], rng.uniform(4, 30, 3)), rng.uniform(0, 90), [*rng.uniform(-9, 9, 2), z]
        )
        if rng.random() < 0.5:
            high = high[:, ::-1]  # inside out: nobody trusts the order of corners
        contact = contact_of(faces(high), faces(low))
        shared = outline(low, z).intersection(outline(high, z))
        if shared.area < 1e-9:
            assert len(contact) == 0
            continue
        met += 1
        assert shapely.MultiPoint(contact).convex_hull.symmetric_difference(shared).area < 1e-6 * shared.area
    assert met > 20


def test_contact_is_seen_up_to_half_a_millimetre_and_only_from_above() -> None:
    low = brick([0, 0, 0], [10, 10, 10])
    for gap, rests in ((0.0, True), (0.49, True), (-0.49, True), (0.51, False), (-0.51, False), (5.0, False)):
        high = brick([2, 2, 10 + gap], [8, 8, 20])
        assert (len(contact_of(faces(high), faces(low))) > 0) == rests
        assert len(contact_of(faces(low), faces(high))) == 0
    beside = brick([10, 0, 0], [20, 10, 10])
    assert len(contact_of(faces(beside), faces(low))) == 0, "side by side nothing is carried"


def test_bar_rests_in_a_vee_along_two_lines() -> None:
    """At r / sqrt 2 to either side of the apex (plane geometry), as long as the block.

    Half a millimetre of height is 0.354 across the flank; so far from it the bar is sqrt(2 r 0.354) beside
    the line of contact (sagitta): 3.8 along the flank, 2.7 in plan, and a flat's 1.3.
    """
    vee = library.build("v_block", {"diameter": 40})
    n = 96
    r = 20 / np.cos(np.pi / n)
    angle = (np.arange(n) + 0.5) * 2 * np.pi / n
    ring = np.column_stack([np.cos(angle), np.sin(angle)]) * r
    nxt = np.roll(ring, -1, axis=0)
    a, b = (np.column_stack([np.full(n, -50.0), p]) for p in (ring, nxt))
    along = np.array([100.0, 0, 0])
    bar = np.concatenate([np.stack([a, b + along, b], 1), np.stack([a, a + along, b + along], 1)])
    bar = bar + vee.seats["axis"].T_HS[:3, 3]
    held = faces(bar)
    held._sign = 1.0  # the ends are left out, so there is no volume to tell
    contact = contact_of(held, faces(vee.shells[0]))
    if len(contact) == 0:
        held._sign = -1.0
        contact = contact_of(held, faces(vee.shells[0]))
    assert np.abs(contact[:, 0]).max() == pytest.approx(25, abs=1e-9)
    assert np.abs(contact[:, 1]) == pytest.approx(20 / np.sqrt(2), abs=2.7 + 1.3)
    assert contact[:, 1].min() < 0 < contact[:, 1].max()


def test_distance_from_hulls_against_shapely() -> None:
    rng = np.random.default_rng(8)
    for count in (1, 2, 3, 8, 40):
        for _ in range(20):
            points = rng.integers(-6, 7, (count, 2)).astype(float)
            p = rng.uniform(-12, 12, 2)
            true = shapely.MultiPoint(points).convex_hull.distance(shapely.Point(p))
            assert _outside(p, points) == pytest.approx(true, abs=1e-9)
    square = np.array([[0, 0], [4, 0], [4, 4], [0, 4], [2, 2], [2, 0]], float)
    assert len(_hull(square)) == 4


def tiled(n: int, low: list[float], high: list[float]) -> np.ndarray:
    """A block whose upper and lower faces are n by n squares of two facets each."""
    x, y = (np.linspace(low[k], high[k], n + 1) for k in (0, 1))
    squares = [
        [[a, c, 0], [b, c, 0], [b, d, 0], [a, c, 0], [b, d, 0], [a, d, 0]]
        for a, b in itertools.pairwise(x)
        for c, d in itertools.pairwise(y)
    ]
    top = np.array(squares, dtype=float).reshape(-1, 3, 3)
    upper, lower = top + np.array([0, 0, high[2]]), top[:, ::-1] + np.array([0, 0, low[2]])
    sides = brick(low, high)
    return np.concatenate([upper, lower, sides[np.ptp(sides[..., 2], axis=1) > 0]])


@pytest.mark.parametrize("n", [1, 40])
def test_fine_facets_say_the_same_and_are_looked_through_by_a_tree(n: int) -> None:
    """3200 facets on 3200: ten million pairs. The upper block's middle, 90, is 21.3 beside the lower one."""
    low, high = tiled(n, [111.3, 0, 0], [250, 80, 10]), tiled(n, [0, 3.3, 10], [180, 70, 31])
    assert (len(low) * len(high) > MANY) == (n > 1)
    contact = contact_of(faces(high), faces(low))
    assert contact.min(axis=0) == pytest.approx([111.3, 3.3], abs=1e-9)
    assert contact.max(axis=0) == pytest.approx([180, 70], abs=1e-9)
    assert _outside(np.array([90, 36.65]), _hull(contact)) == pytest.approx(21.3, abs=1e-9)


@pytest.mark.parametrize(
    ("up", "x", "severity"),
    [
        (0.0, 20.0, "note"),
        (0.04, 20.0, "note"),
        (0.3, 20.0, "close"),
        (0.0, 38.0, "note"),
        (0.0, 60.0, "close"),
    ],
)
def test_what_presses_a_part_that_waits(up: float, x: float, severity: str, tmp_path: Path) -> None:
    """A plate of 130 on a base that ends at X 40; on it a block of 10, its middle at X, or a little above."""
    plate = part(block(tmp_path, 130, 60, 10), on="base", seat="top", at=[-20, -30, 0])
    weight = {"name": "weight", "shape": {"box": [10, 10, 5]}, "at": [x, 30, 30 + up]}
    ((told_of, item, _),) = told(scene(tmp_path, [BASE, plate, weight], upper_z=90))
    assert (told_of, item) == (severity, "part")


@pytest.mark.parametrize(("left", "slips"), [(0.3, True), (0.45, True), (0.6, False), (5.0, False)])
def test_a_part_that_waits_slips_off_what_it_touches_at_its_edge(
    left: float, slips: bool, tmp_path: Path
) -> None:
    """A bar from X 40 - left to 131 on a base that ends at X 40, and on one from X 120 on: its middle is
    at (171 - left) / 2. On less than half a millimetre of its edge nothing stays (no source)."""
    far = {"name": "far", "shape": {"box": [40, 60, 20]}, "at": [140, 30, 0]}
    plate = part(block(tmp_path, 91 + left, 30, 10), at=[40 - left, 15, 20])
    messages = [message for _, _, message in told(scene(tmp_path, [BASE, far, plate], upper_z=90))]
    if not slips:
        assert messages == []
    else:
        (message,) = messages
        before, _ = message.split(" mm outside what carries it (not what it touches on less than 0.5 mm")
        off = float(before.split()[-1])
        assert off == pytest.approx(120 - (171 - left) / 2, abs=0.051)
