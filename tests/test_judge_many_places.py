"""One surface at many places of another one: what is left out by boxes and planes changes no distance."""

from __future__ import annotations

import fcl
import numpy as np
import pytest
from numpy.typing import NDArray

from clearance.kernels.fcl import surfaces
from clearance.kernels.fcl.surfaces import Groups, distances, parted

Array = NDArray[np.float64]
SLACK = 1e-9


def boxes(corners: Array) -> Array:
    """Boxes (N, 2, 3) as triangles (12 N, 3, 3), each side in two."""
    made = []
    for low, high in corners:
        for axis in range(3):
            u, v = (axis + 1) % 3, (axis + 2) % 3
            for level in (low[axis], high[axis]):
                p = np.empty((4, 3))
                p[:, axis] = level
                p[:, u] = [low[u], high[u], high[u], low[u]]
                p[:, v] = [low[v], low[v], high[v], high[v]]
                made += [p[[0, 1, 2]], p[[0, 2, 3]]]
    return np.array(made)


def some_boxes(rng: np.random.Generator, count: int, reach: float) -> Array:
    low = rng.uniform(-reach, reach, (count, 3))
    size = rng.uniform(0.05, 0.5 * reach, (count, 3)) * rng.choice([0.1, 1.0, 3.0], (count, 3))
    return np.stack([low, low + size], axis=1)


def by_intervals(a: Array, b: Array, shift: Array) -> float:
    """The distance of boxes from boxes: along each axis two intervals are so far apart (school geometry)."""
    low, high = a[:, None, 0] + shift, a[:, None, 1] + shift
    apart = np.maximum(np.maximum(low - b[:, 1], b[:, 0] - high), 0.0)
    return float(np.sqrt((apart * apart).sum(axis=-1)).min())


@pytest.mark.parametrize("seed", range(12))
def test_boxes_beside_boxes_are_as_far_apart_as_their_intervals(seed: int) -> None:
    """Also where faces lie parallel, and hundreds of facets are equally near."""
    rng = np.random.default_rng(seed)
    a, b = some_boxes(rng, 40, 10.0), some_boxes(rng, 25, 10.0)
    shifts = np.round(rng.uniform(-60, 60, (150, 3)), int(rng.integers(0, 4)))
    true = np.array([by_intervals(a, b, shift) for shift in shifts])
    found = distances(Groups(boxes(a)), Groups(boxes(b)), shifts, SLACK)
    # what lies wholly inside the other is no matter of surfaces
    apart = true > 0.0
    assert apart.sum() > 60
    assert found[apart] == pytest.approx(true[apart], abs=2.0 * SLACK)


@pytest.mark.parametrize("seed", range(6))
def test_any_surfaces_are_as_far_apart_as_fcl_says_of_all_their_facets(seed: int) -> None:
    rng = np.random.default_rng(100 + seed)

    def facets(count: int) -> Array:
        middle = rng.uniform(-15, 15, (count, 1, 3))
        return np.asarray(middle + rng.normal(0, 1, (count, 3, 3)) * rng.choice([0.1, 1, 12], (count, 1, 1)))

    def whole(triangles: Array) -> fcl.BVHModel:
        model = fcl.BVHModel()
        model.beginModel(len(triangles), 3 * len(triangles))
        model.addSubModel(triangles.reshape(-1, 3), np.arange(3 * len(triangles)).reshape(-1, 3))
        model.endModel()
        return model

    a, b = facets(int(rng.integers(1, 900))), facets(int(rng.integers(1, 900)))
    shifts = rng.uniform(-90, 90, (40, 3))
    model, other = whole(a), fcl.CollisionObject(whole(b), fcl.Transform())
    true = [
        fcl.distance(fcl.CollisionObject(model, fcl.Transform(shift)), other, fcl.DistanceRequest())
        for shift in shifts
    ]
    found = distances(Groups(a), Groups(b), shifts, SLACK)
    assert found == pytest.approx(np.maximum(true, 0.0), abs=2.0 * SLACK)


def test_groups_hold_each_facet_once() -> None:
    rng = np.random.default_rng(3)
    for count in (1, 2, 9, 61, 1200):
        triangles = rng.normal(0, 10, (count, 3, 3))
        rows = np.concatenate(parted(triangles, 16))
        assert sorted(rows.tolist()) == list(range(count))
        groups = Groups(triangles)
        assert groups.count.sum() == len(groups.small_low)
        assert (groups.small_low.min(axis=0) == triangles.min(axis=(0, 1))).all()


def test_an_fcl_that_finds_nothing_is_not_made_better() -> None:
    """Its figure stands, for the other way to contradict."""
    a = Groups(boxes(np.array([[(0, 0, 0), (1, 1, 1)]], dtype=float)))
    b = Groups(boxes(np.array([[(5, 0, 0), (6, 1, 1)]], dtype=float)))

    def nothing(_: object, __: object, ___: object, found: fcl.DistanceResult) -> float:
        found.nearest_points = [np.zeros(3), np.array([0.0, 0.0, 1e9])]
        return 1e9

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(surfaces.fcl, "distance", nothing)
        assert distances(a, b, np.zeros((1, 3)), SLACK)[0] == 1e9
    assert distances(a, b, np.zeros((1, 3)), SLACK)[0] == pytest.approx(4.0, abs=SLACK)
