"""FCL is shown what lies where the search may look first, then what can be nearer: no distance changes by it,
wherever it looks first."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from clearance.geometry.aabb import boxes_of, grouped
from clearance.kernels.fcl.bodies import Bodies
from clearance.kernels.fcl.distance import FclRun
from clearance.kernels.fcl.surfaces import Shown, smallest
from clearance.kernels.sweeps import BARE, HeadPart, HeadRun, WarmStart
from clearance.scene.heads import HeadPiece
from clearance.scene.model import Body, SideHeight
from clearance.toolpath.moves import polyline
from tests.test_judge_many_places import boxes, by_intervals, some_boxes

Array = NDArray[np.float64]
ORIGIN = np.zeros(3)


def shown(triangles: Array) -> Shown:
    first = np.arange(0, len(triangles), 12)
    return Shown(triangles, *grouped(*boxes_of(triangles), first), first)


def some_place(rng: np.random.Generator, triangles: Array) -> Array:
    """A point that may be on the triangles, near them or far away."""
    on = triangles[rng.integers(len(triangles))].mean(axis=0)
    return np.asarray(on + rng.choice([0.0, 1.0, 100.0]) * rng.uniform(-1, 1, 3))


@pytest.mark.parametrize("seed", range(60))
def test_boxes_are_as_far_apart_as_their_intervals_wherever_it_looks_first(seed: int) -> None:
    """Along each axis two intervals are so far apart (school geometry). Many faces lie parallel, and many
    facets are equally near."""
    rng = np.random.default_rng(seed)
    a, b = some_boxes(rng, 20, 10.0), some_boxes(rng, 15, 10.0)
    true = 0.0
    while true == 0.0:  # what lies inside another is no matter of surfaces
        b += np.round(rng.uniform(-60, 60, 3), int(rng.integers(0, 4)))
        true = by_intervals(a, b, np.zeros(3))
    head, item = boxes(a), boxes(b)
    start = WarmStart(np.zeros(2), some_place(rng, head), some_place(rng, item))
    assert smallest(head, shown(item), ORIGIN, start) == pytest.approx(true, abs=2e-9)
    assert smallest(head, shown(item), ORIGIN, None) == pytest.approx(true, abs=1e-9)
    # where only what is nearer than some distance matters
    assert smallest(head, shown(item), ORIGIN, start, matters=true + 0.5) == pytest.approx(true, abs=2e-9)
    assert smallest(head, shown(item), ORIGIN, start, matters=0.5 * true) >= true - 1e-9


@pytest.mark.parametrize("seed", range(40))
def test_of_boxes_that_overlap_nothing_is_left_between_the_surfaces(seed: int) -> None:
    """Two cubes that share a corner region cut each other's faces: a touch, wherever it looks first."""
    rng = np.random.default_rng(seed)
    far = some_boxes(rng, 20, 10.0) + 100.0
    cube = np.array([[[0.0, 0.0, 0.0], [10.0, 10.0, 10.0]]])
    head, item = (
        boxes(np.concatenate([far, cube])),
        boxes(np.concatenate([cube + rng.uniform(1, 9), far + 300.0])),
    )
    start = WarmStart(np.zeros(2), some_place(rng, head), some_place(rng, item))
    assert smallest(head, shown(item), ORIGIN, start) == 0.0


def test_nothing_is_without_end_away() -> None:
    block = boxes(np.array([[[0.0, 0.0, 0.0], [1.0, 1.0, 1.0]]]))
    nothing = np.zeros((0, 3, 3))
    assert smallest(nothing, shown(block), ORIGIN, None) == np.inf
    assert (
        smallest(block, Shown(nothing, nothing[:, 0], nothing[:, 0], np.zeros(0, dtype=int)), ORIGIN, None)
        == np.inf
    )


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("long", [False, True], ids=["short path", "long path"])
def test_of_a_head_in_parts_the_nearest_one_counts(seed: int, long: bool) -> None:
    """A head that stands at one height along its path and at another beside it, and posts all around. By
    hand: from a post to the nearest point of the path, less the radius, where they share a height; else the
    way up to it as well.

    Where to look first is told of one part for each post, of the wrong one for some, or is a lie.
    """
    rng = np.random.default_rng(seed)
    count = 60 if long else 4
    path = np.cumsum(rng.uniform(-3, 3, (count, 2)), axis=0)
    radius = 5.0
    pieces = [HeadPiece(np.array([low, low + 10.0]), np.array([radius, radius])) for low in (0.0, 40.0)]
    posts = []
    for _ in range(8):
        x, y = path[rng.integers(count)] + rng.uniform(30, 80) * np.array(
            [np.cos(a := rng.uniform(0, 7)), np.sin(a)]
        )
        z = rng.uniform(-30, 60)
        posts.append(np.array([[[x, y, z], [x + 4.0, y + 3.0, z + rng.uniform(1, 30)]]]))

    def by_hand(post: Array, piece: HeadPiece) -> float:
        (low, high), best = post[0], np.inf
        for p, q in zip(path[:-1], path[1:], strict=True):
            # a rectangle from a straight bit: by many points of it, refined where it is nearest
            a, b = 0.0, 1.0
            for _ in range(14):
                t = np.linspace(a, b, 9)
                at = p + t[:, None] * (q - p)
                off = np.maximum(np.maximum(low[:2] - at, at - high[:2]), 0.0)
                away = np.hypot(*off.T)
                k = int(np.argmin(away))
                a, b = t[max(k - 1, 0)], t[min(k + 1, 8)]
            best = min(best, float(away.min()))
        beside = max(best - radius, 0.0)
        over = max(low[2] - piece.z[-1], piece.z[0] - high[2], 0.0)
        return float(np.hypot(beside, over))

    bodies = [
        Body(f"post {k}", "holder", boxes(p), True, SideHeight(0, 0), SideHeight(0, 0))
        for k, p in enumerate(posts)
    ]
    moves = polyline(path)
    parts = tuple(HeadPart(moves, (piece,)) for piece in pieces)
    run = HeadRun("upper", None, 0.0, parts, tuple(range(len(bodies))))
    starts = {}
    for k, post in enumerate(posts):
        wire = path[rng.integers(count)]
        piece = pieces[rng.integers(2)]
        on_head = np.array([*wire, rng.uniform(*piece.z)]) + rng.choice([0.0, 5.0])
        starts[k] = WarmStart(wire, on_head, np.clip(on_head, *post[0]))
    held = FclRun(Bodies(bodies, ORIGIN), run, {}, starts)
    for k, post in enumerate(posts):
        true = min(by_hand(post, piece) for piece in pieces)
        assert held.distance(k, BARE) == pytest.approx(true, abs=0.005), k
        assert held.distance(k, BARE) <= true + 1e-6
