"""Items that cut into each other: the depth against closed forms, and what must not be told.

Depths are plane geometry. What is told is checked with another library (trimesh) where shapes are random.
"""

from __future__ import annotations

import itertools
from dataclasses import replace
from math import cos, pi, sqrt
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from clearance.scene.model import Body, Scene, SideHeight
from clearance.scene.overlaps import LARGEST, NOTICED, depth, overlap_findings, shells_of
from tests.holding_bench import block, checked, found, rod, scene
from tests.setup_writer import Tables

FREE = SideHeight(0.0, 0.0)


def part(model: str, **placed: Any) -> Tables:
    return {"name": "part", "part": model, "units": "mm", "material": "steel", **placed}


def told(there: Scene) -> list[tuple[str, str | None, str]]:
    return [(f.severity, f.item, f.message) for f in there.findings if f.kind == "overlap"]


def box(name: str, size: list[float], at: list[float], **more: Any) -> Tables:
    return {"name": name, "shape": {"box": size}, "at": at, **more}


@pytest.mark.parametrize("pushed", [0.0, 0.04, 0.06, 0.5, 2.0, 11.0, 15.0])
def test_part_pushed_into_the_moving_jaw(tmp_path: Path, pushed: float) -> None:
    """As deep as it is pushed, past the middle of the jaw, 22 thick, as well; touching is as it should be."""
    vise = {"name": "vise", "holder": "side_jaw_vise", "params": {"opening": 60, "jaw_above": 18}}
    there = scene(
        tmp_path, [vise, part(block(tmp_path, 60, 50, 40), on="vise", at=[pushed, 0, 0])], upper_z=90
    )
    if pushed < NOTICED:
        assert told(there) == []
    else:
        assert told(there) == [("close", "part", f'cuts {pushed:.2f} mm deep into "vise"')]


def test_verdict_is_close_and_the_command_says_so(tmp_path: Path) -> None:
    vise = {"name": "vise", "holder": "side_jaw_vise", "params": {"opening": 60}, "at": [100, 0, 0]}
    pushed = part(block(tmp_path, 60, 50, 40), on="vise", at=[2, 0, 0])
    code, report = checked(tmp_path, [vise, pushed], part="part", zero=[30, 70, 0])
    assert (code, report["verdict"]) == (1, "close")
    assert found(report, "overlap") == [("close", "part", 'cuts 2.00 mm deep into "vise"')]


@pytest.mark.parametrize("deep", [0.5, 3.0])
def test_bar_sunk_into_a_vee(tmp_path: Path, deep: float) -> None:
    """Lowered by h, a bar is h / sqrt 2 deep in each flank of 90 degrees (plane geometry)."""
    vee = {"name": "vee", "holder": "v_block", "params": {"diameter": 40}, "at": [100, 60, 0]}
    bar = part(rod(tmp_path, 40, 100), on="vee", seat="axis", at=[-50, 0, -deep], turn=[0, 90, 0])
    ((severity, item, message),) = told(scene(tmp_path, [vee, bar], upper_z=150, axes="machine"))
    assert (severity, item) == ("close", "part")
    assert float(message.split()[1]) == pytest.approx(deep / sqrt(2), abs=0.03)


def test_ring_too_small_all_round(tmp_path: Path) -> None:
    """A bar of 31 in a ring for 30: 0.5 deep wherever one looks, not as deep as the ring is high.

    The bar's corners stand 15.5 / cos(pi / 96) from its axis, the ring's bore is 0.02 wider than it says.
    """
    ring = {"name": "ring", "holder": "ring_clamp", "params": {"diameter": 30}, "at": [100, 20, 0]}
    ((severity, _, message),) = told(
        scene(tmp_path, [ring, part(rod(tmp_path, 31, 50), on="ring")], upper_z=90)
    )
    assert severity == "close"
    assert float(message.split()[1]) == pytest.approx(15.5 / cos(pi / 96) - 15.0, abs=0.05)


def test_the_same_ring_with_its_own_bar_only_touches(tmp_path: Path) -> None:
    for n in (24, 48, 96, 200):  # the bar's flats lie outside its circle by up to 0.02 for 64 and more
        model = rod(tmp_path, 30 if n > 60 else 30 * cos(pi / n), 50, n=n)
        ring = {"name": "ring", "holder": "ring_clamp", "params": {"diameter": 30}, "at": [100, 20, 0]}
        assert told(scene(tmp_path, [ring, part(model, on="ring")], upper_z=90)) == [], n


def body(triangles: Any, name: str = "a") -> Body:
    return Body(name, "part", np.asarray(triangles, float), True, FREE, FREE, item=0)


def brick(low: Any, high: Any) -> Any:
    """Twelve triangles by hand."""
    corners = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)], float)
    faces = [(0, 1, 3), (0, 3, 2), (4, 6, 7), (4, 7, 5), (0, 4, 5), (0, 5, 1)]
    faces += [(2, 3, 7), (2, 7, 6), (0, 2, 6), (0, 6, 4), (1, 5, 7), (1, 7, 3)]
    return (np.asarray(low, float) + corners * (np.asarray(high, float) - low))[faces]


def deep(a: Any, b: Any) -> float:
    (one,), (other,) = shells_of(body(a)), shells_of(body(b))
    assert depth(one, other) == pytest.approx(depth(other, one), rel=1e-6)
    return depth(one, other)


def test_depths_of_bricks() -> None:
    a = brick([0, 0, 0], [10, 10, 10])
    assert deep(a, brick([7, 6, 5], [20, 20, 20])) == pytest.approx(3)  # a corner
    assert deep(a, brick([9, -5, -5], [20, 15, 15])) == pytest.approx(1)  # a face
    assert deep(a, brick([4, -5, 4], [6, 15, 6])) == pytest.approx(2)  # a bar right through
    assert deep(a, brick([4, 4, 4], [6, 6, 6])) == pytest.approx(2)  # swallowed
    assert deep(a, a) == pytest.approx(10)  # one thing placed twice
    assert deep(a, brick([10, 0, 0], [20, 10, 10])) == 0  # touching
    assert deep(a, brick([11, 0, 0], [20, 10, 10])) == 0
    assert deep(a, a[:, ::-1]) == pytest.approx(10)  # inside out
    # a wedge: the brick's corner 2 deep over a tilted plane, 45 degrees
    c = sqrt(0.5)
    turn = np.array([[c, 0, c], [0, 1, 0], [-c, 0, c]])
    tilted = brick([-9, -9, -9], [9, 9, 9]) @ turn.T
    corner = np.array([c * 9 + c * 9, 0, 0])  # its edge points along +X
    assert deep(brick([corner[0] - 2, -20, -20], [40, 20, 20]), tilted) == pytest.approx(2)


def test_depth_does_not_depend_on_where_and_how_it_stands() -> None:
    from scipy.spatial.transform import Rotation

    rng = np.random.default_rng(5)
    for _ in range(20):
        low = rng.uniform(-3, 3, 3)
        push = rng.uniform(0.2, 2.0)
        a = brick(low, low + np.array([20, 15, 12]))
        b = brick(low + np.array([20 - push, -2, -2]), low + np.array([40, 20, 15]))
        turn, shift = Rotation.random(random_state=rng.integers(1 << 30)), rng.uniform(-300, 300, 3)
        moved = [turn.apply(t.reshape(-1, 3)).reshape(-1, 3, 3) + shift for t in (a, b)]
        assert deep(*moved) == pytest.approx(push, abs=1e-5)


def test_only_bodies_that_meet_are_told_by_another_library_too() -> None:
    """Random boxes: told if and only if trimesh's own intersection has a width above what is noticed."""
    import trimesh

    rng = np.random.default_rng(11)
    count = 0
    for _ in range(60):
        boxes = []
        for k in range(2):
            T = trimesh.transformations.random_rotation_matrix(rng.random(3))
            T[:3, 3] = rng.uniform(-9, 9, 3)
            mesh = trimesh.creation.box(rng.uniform(3, 12, 3), T)
            boxes.append((mesh, Body(f"{k}", "part", mesh.triangles, True, FREE, FREE, item=k)))
        shared = trimesh.boolean.intersection([m for m, _ in boxes], engine="manifold")
        width = min(shared.bounding_box_oriented.primitive.extents) if len(shared.faces) else 0.0
        findings = overlap_findings([b for _, b in boxes], [(0, 1)])
        if width > 2 * NOTICED or width == 0.0:
            assert bool(findings) == (width > 0.0)
            count += bool(findings)
    assert 10 < count < 55


# -------------------------------------------------------------------------------------- what must not be told
STRAP: Tables = {"name": "strap", "holder": "strap", "params": {"height": 20, "back": 12}}
RAIL: Tables = {"name": "rail", "holder": "rail", "params": {"pads": [30, 150], "ledge": 0}}


def test_screws_in_their_thread_holes_are_as_they_should_be(tmp_path: Path) -> None:
    for placed in ({"on": "rail", "seat": "top"}, {}):  # named, or only standing there
        strap = {**STRAP, **placed, "at": [80, 12.5, -3], "turn": [0, 0, 90]}
        there = scene(tmp_path, [RAIL, strap], upper_z=90)
        assert told(there) == []


def test_clamp_that_stands_on_the_part_may_sink_its_screw_in_it(tmp_path: Path) -> None:
    plate = part(block(tmp_path, 100, 60, 30))
    clamp = {"name": "clamp", "holder": "toe_clamp", "at": [50, 30, 0], "on": "part", "seat": "top"}
    assert told(scene(tmp_path, [plate, clamp], upper_z=90)) == []
    beside = {**clamp, "at": [50, 30, 30]}
    del beside["on"], beside["seat"]
    assert [s for s, _, _ in told(scene(tmp_path, [plate, beside], upper_z=90))] == ["close"]


@pytest.mark.parametrize("order", list(itertools.permutations(range(3))))
def test_every_pair_is_looked_at_in_whatever_order_they_stand_in_the_file(
    order: tuple[int, ...], tmp_path: Path
) -> None:
    """Two parallels of 40 x 20 x 20, one 3 deep in the end of the other, and a part 2 deep in that one's top:
    from X 80 to 120 and 117 to 157; the part from X 82 to 112, Z 18 to 38."""
    size = {"length": 40, "width": 20, "height": 20}
    one = {"name": "one", "holder": "parallel", "params": size, "at": [100, 60, 0]}
    two = {"name": "two", "holder": "parallel", "params": size, "at": [137, 60, 0]}
    items = [one, part(block(tmp_path, 30, 10, 20), at=[82, 55, 18]), two]
    there = told(scene(tmp_path, [items[k] for k in order], upper_z=90))
    pairs = {
        (frozenset({str(item), message.split('"')[1]}), message.split()[1]) for _, item, message in there
    }
    assert len(there) == 2
    assert pairs == {(frozenset({"part", "one"}), "2.00"), (frozenset({"one", "two"}), "3.00")}
    assert {severity for severity, _, _ in there} == {"close"}


def test_items_that_are_never_there_together(tmp_path: Path) -> None:
    items = [box("left", [20, 20, 20], [0, 0, 0]), box("right", [20, 20, 20], [5, 0, 0]), part_box()]
    assert len(told(scene(tmp_path, items, upper_z=90))) == 1
    assert told(scene(tmp_path, items, upper_z=90, without=["left"])) == []


def part_box() -> Tables:
    return box("far", [5, 5, 5], [90, 90, 0])


def test_models_of_the_user_s_own_are_notes_unless_a_part_is_concerned(tmp_path: Path) -> None:
    """Nobody knows where their screws go; in a part nothing goes."""
    stop = {"name": "stop", "model": block(tmp_path, 20, 20, 20, "stop.stl"), "units": "mm"}
    rail = {**RAIL, "at": [-50, -12, 5]}
    assert [s for s, _, _ in told(scene(tmp_path, [stop, rail], upper_z=90))] == ["note"]
    assert [s for s, _, _ in told(scene(tmp_path, [stop, part_at(tmp_path)], upper_z=90))] == ["close"]


def part_at(folder: Path) -> Tables:
    return part(block(folder, 30, 30, 30), at=[15, 0, 0])


def test_two_library_holders_on_one_spot(tmp_path: Path) -> None:
    """The same line copied: nothing is hidden by faces that all coincide."""
    one = {"name": "one", "holder": "parallel", "at": [50, 50, 0]}
    ((severity, item, message),) = told(scene(tmp_path, [one, {**one, "name": "two"}], upper_z=90))
    assert (severity, item) == ("close", "one")
    assert message == 'cuts 8.00 mm deep into "two"'  # a parallel is 8 wide


def test_in_the_machine_a_holder_is_a_note_and_open_bodies_are_left_out(tmp_path: Path) -> None:
    """The machine's own bodies are described generously; an open surface has no inside."""
    a, b = brick([0, 0, 0], [9, 9, 9]), brick([5, 0, 0], [14, 9, 9])
    machine = Body("frame", "machine", b, True, FREE, FREE)
    opened = Body("open", "part", b[:-1], False, FREE, FREE, item=1)
    for other in (machine, opened):
        for kind, severity in (("part", "close"), ("holder", "note")):
            found = overlap_findings([replace(body(a), kind=kind), other], [(0, 1)])
            assert [(f.severity, f.message) for f in found] == (
                [(severity, 'cuts 4.00 mm deep into "frame"')] if other is machine else []
            )


def fine(triangles: Any) -> Any:
    """The same body with each facet in four until there are more than are intersected."""
    while len(triangles) <= LARGEST:
        a, b, c = (triangles[:, k] for k in range(3))
        ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
        quarters = ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))
        triangles = np.concatenate([np.stack(q, axis=1) for q in quarters])
    return triangles


@pytest.mark.parametrize(
    ("low", "high", "deep"),
    [
        pytest.param([9, -5, -5], [20, 15, 15], 1.0, marks=pytest.mark.slow),  # a face
        ([7, 6, 5], [20, 20, 20], 3.0),  # a corner
        ([9.93, 2, 2], [20, 8, 8], 0.07),
        pytest.param([4, -5, 4], [6, 15, 6], 4.0, marks=pytest.mark.slow),  # a bar right through
        ([4, 4, 4], [6, 6, 6], 4.0),  # swallowed: how deep it sits
        pytest.param([-1, -1, -1], [11, 11, 11], 1.0, marks=pytest.mark.slow),  # swallows
        ([10, 0, 0], [20, 10, 10], 0.0),  # touching
        ([9.97, 0, 0], [20, 10, 10], 0.0),  # no more than is noticed
        pytest.param([2, 2, 10], [8, 8, 20], 0.0, marks=pytest.mark.slow),
    ],
)
def test_bodies_of_very_many_facets_are_looked_at_in_points(low: Any, high: Any, deep: float) -> None:
    """The deepest point, a little less at most; either of the two is the fine one, tilted as well."""
    from scipy.spatial.transform import Rotation

    tilted = Rotation.from_euler("xyz", [11, -7, 33], degrees=True)
    for turn, fine_is in ((Rotation.identity(), "first"), (tilted, "second")):
        a, b = (
            turn.apply(t.reshape(-1, 3)).reshape(-1, 3, 3)
            for t in (brick([0, 0, 0], [10, 10, 10]), brick(low, high))
        )
        one, other = (fine(a), b) if fine_is == "first" else (a, fine(b))
        pair = [body(one), Body("b", "holder", other, True, FREE, FREE, item=1)]
        findings = overlap_findings(pair, [(0, 1)])
        if deep <= NOTICED:
            assert findings == []
        else:
            (finding,) = findings
            assert (finding.severity, finding.item) == ("close", "a")
            told = float(finding.message.split()[1])
            assert 0.75 * deep - 0.005 <= told <= deep + 0.006


def test_what_stands_on_the_other_cuts_into_it(tmp_path: Path) -> None:
    """A strap 2 mm lower than its rail's top cuts into the rail, wherever the two stand in the file."""
    strap = {**STRAP, "on": "rail", "seat": "top", "at": [80, 12.5, -5], "turn": [0, 0, 90]}
    for items in ([RAIL, strap], [{**strap, "name": "another"}, RAIL]):
        ((severity, item, message),) = told(scene(tmp_path, items, upper_z=90))
        assert (severity, item) == ("close", next(one["name"] for one in items if one["name"] != "rail"))
        assert message == 'cuts 2.00 mm deep into "rail"'


def test_of_two_that_stand_apart_the_smaller_cuts_into_the_larger(tmp_path: Path) -> None:
    pin, plate = box("pin", [6, 6, 40], [0, 0, -3]), box("plate", [90, 90, 20], [0, 0, -20])
    for items in ([pin, plate], [plate, pin]):
        assert told(scene(tmp_path, items, upper_z=90)) == [("note", "pin", 'cuts 3.00 mm deep into "plate"')]


def test_a_clamp_that_stands_on_a_part_cuts_into_it(tmp_path: Path) -> None:
    plate = part(block(tmp_path, 100, 60, 30))
    clamp = {"name": "clamp", "holder": "toe_clamp", "at": [50, 30, -2], "on": "part", "seat": "top"}
    ((severity, item, message),) = told(scene(tmp_path, [plate, clamp], upper_z=90))
    assert (severity, item, message) == ("close", "clamp", 'cuts 2.00 mm deep into "part"')
