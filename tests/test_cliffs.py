"""What costs leap on: inputs of the benchmark, and what bounds them.

Times are processor seconds of this process against those of a demo's check in the same run, so that other
work on the computer counts for little. What is bounded gives the same figures as what it stands in for:
outsiders (shapely on single segments, plain loops) say which.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import shapely
from numpy.testing import assert_array_equal

from clearance import check, load
from clearance.geometry.intervals import first_of_each, tangled, ways
from clearance.kernels.fcl.lines import first_time
from clearance.process.findings import look
from clearance.process.runs import kerf
from clearance.scene.overlaps import farthest
from clearance.toolpath.moves import polyline
from clearance.view import meshes
from tests.bench.cliffs import CLIFFS, DEMO, DEMO_SECONDS, Cliff, command_of, demo_seconds, run, written
from tests.bench.inputs import FIELD, write

WIRE = 0.25


def chords(count: int) -> np.ndarray:
    """Points of a path that crosses itself everywhere."""
    turn = 2 * np.pi * 0.618034 * np.arange(count + 1)
    return np.column_stack([np.cos(turn), np.sin(turn)]) * FIELD


def zigzag(count: int) -> np.ndarray:
    """Points of a zigzag of so many moves, and back the same way."""
    y = np.repeat(np.linspace(-FIELD[1], FIELD[1], count // 2 + 1), 2)
    x = np.tile([-FIELD[0], FIELD[0], FIELD[0], -FIELD[0]], len(y) // 4 + 1)[: len(y)]
    there = np.column_stack([x, y])[: count + 1]
    return np.concatenate([there, there[-2::-1]])


def seconds(work: Callable[[], object]) -> float:
    """Processor seconds of this process."""
    begin = time.process_time()
    work()
    return time.process_time() - begin


# ----------------------------------------------------------------------------------------- same figures
@pytest.mark.parametrize("points", [0.2 * chords(220), zigzag(300), np.concatenate([chords(40)] * 9)])
def test_a_long_line_that_goes_over_itself_draws_what_its_segments_draw(points: np.ndarray) -> None:
    """The oracle: each segment by itself as shapely's buffer draws it, all laid over each other."""
    each = shapely.linestrings(np.stack([points[:-1], points[1:]], axis=1))
    truth = shapely.union_all(shapely.buffer(each, WIRE / 2, quad_segs=4))
    drawn = kerf([points], WIRE)
    # 0.012 mm2 was seen: lines are simplified by 0.002 mm, and facets of round corners are other ones
    assert drawn.symmetric_difference(truth).area < 0.05


def test_a_line_drawn_nine_times_is_drawn_as_once() -> None:
    once, nine = chords(60), np.concatenate([chords(60)] * 9)
    assert kerf([nine], WIRE).area == pytest.approx(kerf([once, np.array([once[-1], once[0]])], WIRE).area)


def test_rows_that_repeat_earlier_ones_are_told_exactly() -> None:
    rng = np.random.default_rng(4)
    rows = rng.integers(0, 4, (500, 4))
    seen: list[tuple[int, ...]] = []
    first = []
    for k, row in enumerate(map(tuple, rows)):
        if row not in seen:
            seen.append(row)
            first.append(k)
    assert_array_equal(first_of_each(rows.astype(np.int64)), first)
    segments = rng.uniform(-9, 9, (50, 2, 2))
    assert_array_equal(ways(segments, 1e-6), ways(segments[:, ::-1], 1e-6))


def test_moves_that_repeat_others_are_left_out_and_no_others() -> None:
    points = zigzag(300)
    moves = polyline(points)
    kept = first_time(moves, None)
    assert kept is not None
    assert_array_equal(np.flatnonzero(kept), np.arange(300))
    # what differs by the last digit is another line
    points[300 + 150, 0] = np.nextafter(points[300 + 150, 0], np.inf)
    kept = first_time(polyline(points), None)
    assert kept is not None
    assert_array_equal(np.flatnonzero(kept)[300:], [300 + 149, 300 + 150])
    assert first_time(polyline(chords(400)), None) is None


@pytest.mark.few(1)
@pytest.mark.parametrize("seed", range(3))
def test_the_farthest_of_points_from_triangles(seed: int) -> None:
    """The oracle: the smallest distance to points spread closely over every triangle, a little more."""
    rng = np.random.default_rng(seed)
    triangles = rng.uniform(-5, 5, (400, 1, 3)) + rng.uniform(-0.3, 0.3, (400, 3, 3))
    points = rng.uniform(-4, 4, (30, 3))
    s, t = (each.ravel() for each in np.meshgrid(*[np.linspace(0, 1, 41)] * 2))
    s, t = s[s + t <= 1], t[s + t <= 1]
    a, b, c = (triangles[:, None, k] for k in range(3))
    on = (a + s[:, None] * (b - a) + t[:, None] * (c - a)).reshape(-1, 3)
    truth = max(float(np.linalg.norm(on - p, axis=1).min()) for p in points)
    found = farthest(points, triangles)
    assert truth - 0.02 < found <= truth + 1e-9


def test_a_band_is_what_a_disc_sweeps() -> None:
    """The oracle: points, by their distance from every segment (shapely)."""
    points = chords(600)
    segments = np.stack([points[:-1], points[1:]], axis=1)
    made = meshes.band(segments, 3.0)
    assert made is not None
    places = np.random.default_rng(1).uniform(-1.1, 1.1, (2000, 2)) * (FIELD + 4.0)
    line = shapely.multilinestrings(list(segments))
    off = shapely.distance(shapely.points(places), line)
    inside = shapely.contains_xy(made.region, places)
    clear_cut = np.abs(off - 3.0) > 0.1
    assert_array_equal(inside[clear_cut], off[clear_cut] < 3.0)


def test_a_ring_is_no_tangle_and_is_drawn_as_ever() -> None:
    turn = np.linspace(0, 2 * np.pi, 3000)
    ring = np.column_stack([np.cos(turn), np.sin(turn)]) * FIELD
    assert not tangled(ring)
    assert tangled(chords(300))
    assert tangled(zigzag(20_000)[:20_001], 0.2)
    assert not tangled(ring, 0.2)
    assert meshes.band(np.stack([ring[:-1], ring[1:]], axis=1), 3.0) is None


# ----------------------------------------------------------------------------------------- cost
@pytest.fixture(scope="module")
def demo() -> float:
    """Processor seconds of the demo's check, in one process."""
    return seconds(lambda: check(load(DEMO)))


@pytest.mark.few("chain-100-load-6.0", "two_balls-25000-load-6.0")
@pytest.mark.parametrize(
    ("kind", "size", "what", "demos"),
    [
        ("again_and_again", 2_000, "look", 6.0),
        pytest.param("crossing", 1_000, "look", 30.0, marks=pytest.mark.slow),
        ("there_and_back", 5_000, "check", 8.0),
        ("chain", 100, "load", 6.0),
        ("two_balls", 25_000, "load", 6.0),
    ],
)
def test_a_light_share_of_the_cliffs(
    kind: str,
    size: int,
    what: str,
    demos: float,
    demo: float,
    tmp_path: Path,
) -> None:
    """Bounds are generous; at several times the size, each took far longer before it was mended."""
    setup = write(kind, size, tmp_path / kind)
    if what == "load":
        taken = seconds(lambda: load(setup))
    else:
        scene = load(setup)
        taken = seconds(lambda: check(scene) if what == "check" else look(scene))
    assert taken < demos * demo


@pytest.mark.slow
@pytest.mark.parametrize("cliff", CLIFFS, ids=lambda cliff: cliff.name.replace(" ", "-"))
def test_no_cliff_is_met_at_a_tenth_of_the_size(cliff: Cliff, tmp_path: Path) -> None:
    """A tenth of the size that is asked for within what is asked for the whole, and the memory too."""
    if len(cliff.sizes) < 2:
        pytest.skip("one size only")
    setup = written(cliff.kind, cliff.sizes[-2], tmp_path)
    taken = run(command_of(cliff, setup), patience=120.0)
    assert taken.code in (0, 1), taken.said
    assert taken.seconds / demo_seconds(1) < 2.0 * cliff.ask / DEMO_SECONDS
    assert taken.peak_mb < cliff.peak
