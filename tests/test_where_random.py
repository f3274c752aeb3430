"""Where a block may stand among random heads and paths: each place against what heads of cylinders and
straight moves leave, worked out with shapely, and against a fresh check of the setup written out.

A head of revolution along a path comes as near to an upright block as the disc of each of its cylinders along
the path does to the block's plan, and their heights (a prism's distance, by hand).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

import clearance
from tests.advice_bench import Bench

#: the finest box is 0.2: a place this near to an edge may be told either way, mm
RESOLUTION = 0.45
SIDE, HEIGHT = 1.0, 0.5


class Job:
    """A plate, a block on it, two stepped heads and a path of straight moves."""

    def __init__(self, folder: Path, seed: int) -> None:
        rng = np.random.default_rng(seed)
        self.rng, self.folder = rng, folder
        folder.mkdir(parents=True, exist_ok=True)
        self.size = [float(v) for v in np.round(rng.uniform((4, 4, 8), (20, 20, 40)), 1)]
        nose, wide, step = (float(v) for v in np.round(rng.uniform((2, 6, 3), (6, 18, 15)), 1))
        self.profile = [[0, nose], [step, nose], [step, wide], [60, wide]]
        self.upper_z = float(np.round(rng.uniform(5, 30), 1))
        points = np.round(rng.uniform((-40, -30), (40, 30), (int(rng.integers(2, 7)), 2)), 2)
        self.path = shapely.LineString(points)
        words = [f"G90 G00 X{points[0, 0]} Y{points[0, 1]}"] + [f"G01 X{x} Y{y}" for x, y in points[1:]]
        self.program = "\n".join(words) + "\n"
        #: heights and radii of the upper head's cylinders, margins in; the lower one is far below
        self.pieces = [
            (self.upper_z - HEIGHT, self.upper_z + step + HEIGHT, nose + SIDE),
            (self.upper_z + step - HEIGHT, self.upper_z + 60 + HEIGHT, wide + SIDE),
        ]
        low = float(np.round(rng.uniform(-25, 0), 1))
        self.at = (low, float(np.round(rng.uniform(-15, 15), 1)))

    def write(self, name: str, at: tuple[float, float]) -> Path:
        """The setup with the block's middle at a place."""
        folder = self.folder / name
        folder.mkdir(exist_ok=True)
        job = Bench(
            folder, face_z=-90.0, heads=f"upper_z = {self.upper_z}", margins=(SIDE, HEIGHT),
            profile=self.profile, program=self.program,
        )  # fmt: skip
        job.block("plate", (-60, -50, -20), (60, 50, 0))
        job.items.append(
            f'[[items]]\nname = "block"\nshape = {{ box = {self.size} }}\non = "plate"\nseat = "top"\n'
            f"at = [{at[0]!r}, {at[1]!r}, 0]\nlaid = true\n"
        )
        return job.write()

    def room(self, at: Any) -> Any:
        """How far the heads, with their margins, stay away from the block at places (n, 2)."""
        x, y = np.asarray(at).T
        a, b = self.size[0] / 2, self.size[1] / 2
        g = shapely.distance(shapely.box(x - a, y - b, x + a, y + b), self.path)
        out = np.full(len(x), np.inf)
        for z0, z1, r in self.pieces:
            over = max(z0 - self.size[2], 0.0 - z1, 0.0)
            out = np.minimum(out, np.hypot(np.maximum(g - r, 0.0), over))
        # the wire, guide to guide
        wire = np.hypot(np.maximum(g - 0.125, 0.0), 0.0)
        return np.minimum(out, wire)


def stands(job: Job, at: Any) -> Any:
    """By how much places (n, 2) keep the block on the plate."""
    x, y = np.abs(np.asarray(at)).T
    return np.minimum(60 - job.size[0] / 2 - x, 50 - job.size[1] / 2 - y)


def ask(job: Job) -> Any:
    from clearance.advice.where.answer import find_item

    return find_item(clearance.load(job.write("asked", job.at)), "block", least=0.0)[0]


def clear(job: Job, name: str, at: tuple[float, float]) -> bool:
    result = clearance.check(job.write(name, at))
    return {p.verdict for p in result.pairs if p.item == "block"} == {"clear"} and not [
        f for f in result.findings if f.item == "block" and f.severity != "note"
    ]


def held_against(folder: Path, seed: int, places: int, checks: int, tries: int) -> None:
    job = Job(folder / str(seed), seed)
    found = ask(job)
    rng = np.random.default_rng(seed + 1)
    green = shapely.union_all([each.outline for each in found.regions])
    at = rng.uniform((-60, -50), (60, 50), (places, 2))
    told = shapely.intersects_xy(green, *at.T) if not green.is_empty else np.zeros(places, dtype=bool)
    room, on = job.room(at), stands(job, at)
    assert (room[told] > 0.0).all(), at[told & (room <= 0.0)]
    assert (on[told] >= 0.0).all()
    # what is not told of as a place is none, or lies within the resolution of an edge
    sure = (room > RESOLUTION) & (on > RESOLUTION)
    assert not (sure & ~told).any(), at[sure & ~told]
    for k in np.flatnonzero(told)[:checks]:
        assert clear(job, f"green {k}", (float(at[k, 0]), float(at[k, 1]))), at[k]
    off = np.flatnonzero(~told & (on > RESOLUTION) & (room <= 0.0))
    for k in off[:checks]:
        assert not clear(job, f"not {k}", (float(at[k, 0]), float(at[k, 1]))), at[k]
    some = rng.uniform((-60, -50), (60, 50), (tries, 2))
    right = some[(stands(job, some) >= 0.0)]
    most = float(job.room(right).max())
    if most > 1.0:
        assert found.best is not None
        from clearance.advice.where.best import ALIKE, ENOUGH

        assert job.room([found.best.at])[0] >= min(most, ENOUGH) - 2.5 * ALIKE
        assert clear(job, "best", found.best.at)


@pytest.mark.parametrize("seed", [3])
def test_a_random_job(tmp_path: Path, seed: int) -> None:
    held_against(tmp_path, seed, 400, 1, 2000)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 2, *range(4, 14)])
def test_random_jobs(tmp_path: Path, seed: int) -> None:
    held_against(tmp_path, seed, 400, 2, 2000)


@pytest.mark.slow
@pytest.mark.long
@pytest.mark.parametrize("first", range(0, 150, 10))
def test_3000_places_in_150_jobs(tmp_path: Path, first: int) -> None:
    for seed in range(100 + first, 110 + first):
        held_against(tmp_path, seed, 400, 10, 2000)
