"""Poses of items on seats several deep, against scipy.spatial.transform.Rotation (scipy is the source)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from clearance.scene.load import load
from tests.setup_writer import DIE, setup, write

lengths = st.floats(-300, 300)
angles = st.floats(-400, 400)
points = st.tuples(lengths, lengths, lengths)
turns = st.tuples(angles, angles, angles)


def placed(p: np.ndarray, at: tuple[float, ...], turn: tuple[float, ...]) -> np.ndarray:
    """Points turned about the fixed X, then Y, then Z (lower case: extrinsic), then moved."""
    return Rotation.from_euler("xyz", turn, degrees=True).apply(p) + np.array(at)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.tuples(points, turns), min_size=3, max_size=3))
def test_three_deep(
    tmp_path_factory: pytest.TempPathFactory, poses: list[tuple[tuple[float, ...], tuple[float, ...]]]
) -> None:
    """A part on a block's top, which stands on another block's top."""
    (at0, turn0), (at1, turn1), (at2, turn2) = poses
    items = [
        {"name": "plate", "part": "die.stl", "on": "upper", "at": list(at2), "turn": list(turn2)},
        {"name": "upper", "shape": {"box": [9, 8, 7]}, "on": "lower", "at": list(at1), "turn": list(turn1)},
        {"name": "lower", "shape": {"box": [9, 8, 5]}, "at": list(at0), "turn": list(turn0)},
    ]
    cut = {"name": "c", "part": "plate", "path": "opening.csv", "axes": "machine", "zero": [1, 2, 3]}
    scene = load(write(tmp_path_factory.mktemp("s"), setup(items=items, cuts=[cut], heads={"upper_z": 9999})))
    corner = np.array([[0.0, 0.0, 0.0], DIE, (1.0, 2.0, 3.0)])
    p = placed(corner, at2, turn2) + np.array([0, 0, 7])
    p = placed(p, at1, turn1) + np.array([0, 0, 5])
    p = placed(p, at0, turn0)
    there = scene.bodies[0].triangles_M.reshape(-1, 3)
    for each in p[:2]:
        assert np.linalg.norm(there - each, axis=1).min() < 1e-4  # the model is written in single precision
    assert scene.stretches[0].zero_M == pytest.approx(p[2], abs=1e-9)
    assert scene.stretches[0].moves.start[0] == pytest.approx(p[2][:2], abs=1e-9)


@settings(max_examples=25, deadline=None)
@given(turns, st.floats(-180, 180))
def test_the_programs_axes_follow_the_parts_heading(
    tmp_path_factory: pytest.TempPathFactory, turn: tuple[float, ...], rotate: float
) -> None:
    """The part's X axis as scipy turns it, seen from above, is the program's X; then ``rotate``."""
    x_axis = Rotation.from_euler("xyz", turn, degrees=True).apply([1.0, 0.0, 0.0])[:2]
    if np.linalg.norm(x_axis) < 1e-3:
        return
    tables = setup(items__1__turn=list(turn), cuts__0__axes="part", cuts__0__rotate=rotate)
    moves = (
        load(write(tmp_path_factory.mktemp("s"), {**tables, "heads": {"upper_z": 9999}})).stretches[0].moves
    )
    along = moves.end[0] - moves.start[0]  # 10 along the program's X
    expected = Rotation.from_euler("z", rotate, degrees=True).apply([*x_axis, 0.0])[:2]
    assert along == pytest.approx(10 * expected / np.linalg.norm(expected), abs=1e-6)


#: where a model's X, Y and Z point in its seat: Z along the axis named, X or Y as it was where it can be
LAID = {
    "z": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "-z": ((1, 0, 0), (0, -1, 0), (0, 0, -1)),
    "x": ((0, 0, -1), (0, 1, 0), (1, 0, 0)),
    "-x": ((0, 0, 1), (0, 1, 0), (-1, 0, 0)),
    "y": ((1, 0, 0), (0, 0, -1), (0, 1, 0)),
    "-y": ((1, 0, 0), (0, 0, 1), (0, -1, 0)),
}


@pytest.mark.parametrize("axis", LAID)
@pytest.mark.parametrize("turn", [(0.0, 0.0, 0.0), (20.0, -35.0, 70.0)])
def test_a_part_is_laid_along_an_axis_then_turned(
    tmp_path: Path, axis: str, turn: tuple[float, float, float]
) -> None:
    tables = setup(items__1__axis=axis, items__1__turn=list(turn), cuts__0__axes="machine")
    scene = load(write(tmp_path, {**tables, "heads": {"upper_z": 9999}}))
    X, Y, Z = (np.array(each, dtype=float) for each in LAID[axis])
    assert np.cross(X, Y).tolist() == Z.tolist()
    zero = placed(70 * X + 60 * Y + 3 * Z, (90, 40, 0), turn)
    assert scene.stretches[0].zero_M == pytest.approx(zero, abs=1e-9)
    far = placed(DIE[0] * X + DIE[1] * Y + DIE[2] * Z, (90, 40, 0), turn)
    there = scene.bodies[1].triangles_M.reshape(-1, 3)
    assert np.linalg.norm(there - far, axis=1).min() < 1e-4


def test_a_bar_drawn_upright_lies_in_a_v_block(tmp_path: Path) -> None:
    """Its axis on the block's: radius over the sine of half the V's angle above the apex (plane geometry)."""
    items = [
        {"name": "v", "holder": "v_block", "params": {"diameter": 40}, "at": [100, 100, 0]},
        {
            "name": "bar", "shape": {"cylinder": [40, 90]}, "axis": "x", "on": "v", "seat": "axis",
            "at": [-45, 0, 0],
        },
    ]  # fmt: skip
    cut = {"name": "c", "path": "opening.csv", "upper_z": 999}
    bar = load(write(tmp_path, setup(items=items, cuts=[cut]))).bodies[1].triangles_M.reshape(-1, 3)
    # the block's V is as wide as bars of 80 need, 3 more, and its floor is 20 thick
    apex = 20.0
    axis = apex + 20 / np.sin(np.radians(45))
    assert bar.min(axis=0) == pytest.approx([55, 80, axis - 20], abs=1e-9)
    assert bar.max(axis=0) == pytest.approx([145, 120, axis + 20], abs=1e-9)


def test_a_holders_first_seat_is_taken_where_none_is_named(tmp_path: Path) -> None:
    """A rail's first seat is "top", at its left end; others stand on its pads."""
    rail = {"name": "r", "holder": "rail", "at": [20, 40, 0]}
    on = {"name": "b", "shape": {"box": [10, 10, 10]}, "on": "r"}
    cut = {"name": "c", "path": "opening.csv", "upper_z": 99}
    low = [
        load(write(tmp_path, setup(items=[rail, {**on, **seat}], cuts=[cut])))
        .bodies[1]
        .triangles_M.min((0, 1))
        for seat in ({}, {"seat": "top"}, {"seat": "pad 2"})
    ]
    assert low[0] == pytest.approx([15, 35, 0])
    assert low[1] == pytest.approx(low[0])
    assert low[2][0] > 100


def test_what_stands_on_a_moved_item_moves_with_it(tmp_path: Path) -> None:
    before = load(write(tmp_path))
    after = load(write(tmp_path, setup(items__0__at=[151, 62, -22])))
    shift = [1.0, 2.0, 3.0]
    assert after.bodies[1].triangles_M == pytest.approx(before.bodies[1].triangles_M + shift, abs=1e-12)
    assert after.stretches[0].zero_M == pytest.approx(before.stretches[0].zero_M + shift, abs=1e-12)
    assert after.stretches[0].upper_z == pytest.approx(before.stretches[0].upper_z + 3, abs=1e-12)
    assert after.bodies[2].triangles_M == pytest.approx(before.bodies[2].triangles_M)


def test_a_thousand_deep_and_in_any_order(tmp_path: Path) -> None:
    blocks = [
        {"name": f"b{k}", "shape": {"box": [5, 5, 0.5]}, **({"on": f"b{k - 1}"} if k else {})}
        for k in range(1000)
    ]
    cut = {"name": "c", "path": "opening.csv"}
    scene = load(write(tmp_path, setup(items=blocks[::-1], cuts=[cut], heads={"upper_z": 9999})))
    assert scene.bodies[0].triangles_M[..., 2].max() == pytest.approx(500.0, abs=1e-9)


def test_quarter_turns_are_exact(tmp_path: Path) -> None:
    scene = load(write(tmp_path, setup(items__1__turn=[180, 0, 90], cuts__0__axes="part")))
    assert set(scene.bodies[1].triangles_M[..., 2].ravel()) == {0.0, -20.0}


@pytest.mark.parametrize(("diameter", "height"), [(0.2, 3.0), (10.0, 5.0), (160.0, 40.0)])
def test_a_cylinder_stands_around_the_true_one(tmp_path: Path, diameter: float, height: float) -> None:
    """No point of a facet lies inside the true cylinder's wall, none farther outside than stated."""
    items = [{"name": "post", "shape": {"cylinder": [diameter, height]}}]
    scene = load(
        write(tmp_path, setup(items=items, cuts=[{"name": "c", "path": "opening.csv", "upper_z": 99}]))
    )
    body = scene.bodies[0]
    t = body.triangles_M
    upright = np.ptp(t[..., 2], axis=1) > 0
    a, b, c = (t[upright][:, k, :2] for k in range(3))
    for p, q in ((a, b), (b, c), (c, a)):
        for share in (0.0, 0.5):
            r = np.linalg.norm(p * (1 - share) + q * share, axis=1)
            assert r.min() >= diameter / 2 - 1e-12
            assert r.max() <= diameter / 2 + 0.0002 + 1e-12
    assert body.triangles_M[..., 2].min() == 0.0
    assert body.triangles_M[..., 2].max() == height
    volume = abs(np.linalg.det(t).sum() / 6)
    assert volume == pytest.approx(np.pi * diameter**2 / 4 * height, rel=0.01)
    edges: dict[tuple[bytes, bytes], int] = {}
    for triangle in t:
        for k in range(3):
            edge = triangle[k].tobytes(), triangle[(k + 1) % 3].tobytes()
            edges[edge] = edges.get(edge, 0) + 1
    assert all(n == 1 and edges.get((e[1], e[0])) == 1 for e, n in edges.items())
    # facets face the axes, so a post beside a straight move loses nothing there
    assert np.abs(t[..., :2]).max() == pytest.approx(diameter / 2, abs=1e-12)
