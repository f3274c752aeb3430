"""Whenever the tool says clear as measured, 95 of 100 parts that the readings allow are clear.

True poses are drawn from the estimate and its covariance (as JCGM 101:2008 does, from memory); each is judged
as a part that is known exactly. Blocks on the part stand so near to the head's path that they are just clear
as measured. ``python -m tests.test_measured_coverage`` prints the counts.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import clearance
from clearance.checking.verdict import check as judge
from clearance.scene.model import Scene
from tests.measured_setups import ORIGIN, at_and_turn, form_text, motion, places, plate_setup
from tests.setup_writer import Tables, setup

#: the zero on the plate, and where blocks of 4 x 4 x 5 stand around the path: start, and the way out
ZERO = np.array([70.0, 60.0])
SPOTS = [
    ((5.0, -8.0), (0, -1)), ((18.0, 2.5), (1, 0)), ((-8.0, 0.0), (-1, 0)), ((10.0, 13.0), (0, 1)),
    ((11.0, -8.0), (0, -1)), ((-8.0, 5.5), (-1, 0)),
]  # fmt: skip
T = motion(ORIGIN + np.array([50.0, 30.0, 10.0]), np.array([0.1, -0.1, 0.05]), np.array([0.03, -0.02, 0.1]))


def tables(count: int, out: list[float]) -> Tables:
    """The setup with so many blocks, each so far out on its way."""
    more: dict[str, Any] = {}
    for k in range(count):
        (x, y), (a, b) = SPOTS[k]
        at = [float(ZERO[0] + x + a * out[k]), float(ZERO[1] + y + b * out[k]), 20.0]
        block: dict[str, Any] = {
            "name": f"block {k}",
            "shape": {"box": [4, 4, 5]},
            "on": "die plate",
            "seat": "origin",
            "at": at,
        }
        more[f"items__{4 + k}"] = block
    return setup(heads__flushing_distance=0.4, **more)


def at_the_limit(folder: Path, count: int) -> Scene:
    """A scene as measured in which each block has next to nothing to spare, and all is clear."""
    form = folder / "form.csv"
    form.write_text(form_text("die plate", T, places()), encoding="utf-8")
    out = [0.0] * count
    for _ in range(6):
        scene = clearance.load(plate_setup(folder, tables(count, out)), measured=form)
        pairs = judge(scene).pairs
        for k in range(count):
            spare = min(p.spare for p in pairs if p.item == f"block {k}" and p.spare is not None)
            # what is reported may be 0.005 too little
            out[k] += 0.0005 - spare if spare < 0.0 or spare > 0.002 else 0.0
    assert all(p.verdict == "clear" for p in judge(scene).pairs), [p for p in pairs if p.verdict != "clear"]
    return scene


def drawn(scene: Scene, draws: int, seed: int) -> int:
    """How many of true poses that are drawn are clear."""
    assert scene.planned is not None
    (one,) = scene.lies
    rng = np.random.default_rng(seed)
    L = np.linalg.cholesky(one.fit.covariance)
    riding = {b.name for b in scene.bodies if b.moved is not None}
    clear = 0
    for _ in range(draws):
        x = np.r_[one.fit.shift, one.fit.turn] + L @ rng.normal(size=6)
        T_MM = motion(one.fit.about, x[:3], np.degrees(x[3:]))
        bodies = tuple(b.posed(T_MM) if b.name in riding else b for b in scene.planned.bodies)
        clear += all(p.verdict == "clear" for p in judge(replace(scene, bodies=bodies)).pairs)
    return clear


@pytest.mark.slow
def test_a_few_true_poses_are_clear(tmp_path: Path) -> None:
    scene = at_the_limit(tmp_path, 2)
    assert drawn(scene, 20, 1) >= 19


def test_a_pose_that_is_drawn_is_the_one_that_would_be_written_out(tmp_path: Path) -> None:
    """The part at the pose, in a setup file, is the body that was judged: scipy's angles."""
    form = tmp_path / "form.csv"
    form.write_text(form_text("die plate", T, places()), encoding="utf-8")
    scene = clearance.load(plate_setup(tmp_path, tables(1, [3.0])), measured=form)
    assert scene.planned is not None
    T_MM = motion(scene.lies[0].fit.about, np.array([0.01, 0.02, -0.01]), np.array([0.004, 0.003, -0.01]))
    at, turn = at_and_turn(T_MM @ scene.planned.items["die plate"].T_MI)
    written = tables(1, [3.0])
    written["items"][1].update(at=at, turn=turn)
    del written["items"][1]["on"], written["items"][1]["seat"]
    written["cuts"][0].update(axes="machine")
    there = clearance.load(plate_setup(tmp_path, written))
    for name in ("die plate", "block 0"):
        moved = scene.planned.items[name].posed(T_MM).triangles_M
        assert np.abs(moved - there.items[name].triangles_M).max() < 1e-9


@pytest.mark.slow
def test_without_any_room_for_doubt_true_poses_are_not_clear(tmp_path: Path) -> None:
    """The count can fail: with no standard uncertainty counted, about half of the parts are not clear."""
    scene = at_the_limit(tmp_path, 2)
    grown = scene.lies[0].grown
    by = {"die plate": 0.0, "block 0": grown.side, "block 1": grown.side}
    nearer = []
    assert scene.planned is not None
    for body in scene.planned.bodies:
        way = {"block 0": (0.0, 1.0, 0.0), "block 1": (-1.0, 0.0, 0.0)}.get(body.name, (0.0, 0.0, 0.0))
        shift = np.eye(4)
        shift[:3, 3] = by.get(body.name, 0.0) * np.array(way)
        nearer.append(body.posed(shift))
    planned = replace(scene.planned, bodies=tuple(nearer))
    assert drawn(replace(scene, planned=planned), 20, 1) < 19


@pytest.mark.slow
@pytest.mark.parametrize("count", [1, 2, 4, 6])
def test_a_thousand_true_poses(tmp_path: Path, count: int) -> None:
    clear = drawn(at_the_limit(tmp_path, count), 1000, count)
    print(f"{count} bodies at the limit: {clear} of 1000 true poses are clear")
    assert clear >= 950


if __name__ == "__main__":
    for bodies in (1, 2, 4, 6):
        with tempfile.TemporaryDirectory() as folder:
            found = drawn(at_the_limit(Path(folder), bodies), 1000, bodies)
        print(f"{bodies} bodies at the limit: {found} of 1000 true poses are clear")
