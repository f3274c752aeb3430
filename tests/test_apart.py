"""How far surfaces are apart: against python-fcl's distance of meshes (the source), and by plane geometry."""

from __future__ import annotations

from typing import Any

import fcl
import numpy as np
import pytest

from clearance.geometry.aabb import AabbSet, boxes_of
from clearance.geometry.apart import BoxedTriangles, apart, of_pairs
from tests.test_setup_overlaps import brick


def surface(triangles: Any) -> BoxedTriangles:
    t = np.asarray(triangles, dtype=float)
    return BoxedTriangles(t, AabbSet(*boxes_of(t)))


def by_fcl(a: Any, b: Any) -> float:
    """0 where they touch."""
    made = []
    for t in (a, b):
        mesh = fcl.BVHModel()
        mesh.beginModel(len(t), 3 * len(t))
        mesh.addSubModel(t.reshape(-1, 3), np.arange(3 * len(t)).reshape(-1, 3))
        mesh.endModel()
        made.append(fcl.CollisionObject(mesh, fcl.Transform()))
    if fcl.collide(*made, fcl.CollisionRequest(), fcl.CollisionResult()):
        return 0.0
    return float(fcl.distance(*made, fcl.DistanceRequest(), fcl.DistanceResult()))


def test_triangles_at_random_against_fcl() -> None:
    rng = np.random.default_rng(4)
    a, b = rng.uniform(-1, 1, (300, 3, 3)), rng.uniform(-1, 1, (300, 3, 3))
    b[:200] += rng.uniform(-2, 2, (200, 1, 3))
    found = of_pairs(a, b)
    true = [by_fcl(x[None], y[None]) for x, y in zip(a, b, strict=True)]
    assert found == pytest.approx(true, abs=1e-6)
    assert 20 < sum(t == 0.0 for t in true) < 250


def test_clouds_of_triangles_at_random_against_fcl() -> None:
    rng = np.random.default_rng(5)
    for count in (1, 9, 130, 700):
        for off in (0.0, 3.0, 12.0):
            a, b = (rng.uniform(-1, 1, (count, 3, 3)) * 0.3 for _ in range(2))
            a += rng.uniform(-3, 3, (count, 1, 3))
            b += rng.uniform(-3, 3, (count, 1, 3)) + np.array([off, 0.3 * off, 0.0])
            true = by_fcl(a, b)
            assert apart(surface(a), surface(b), np.inf) == pytest.approx(true, abs=1e-6)
            if true > 0.0:
                assert apart(surface(a), surface(b), true - 1e-4) is None
                assert apart(surface(a), surface(b), true + 1e-4) == pytest.approx(true, abs=1e-6)
                near = apart(surface(a), surface(b), np.inf, enough=2.0 * true)
                assert near is not None
                assert true - 1e-6 <= near


def test_degenerate_triangles_against_plane_geometry() -> None:
    """A needle, a point and an edge on a face that it lies in."""
    floor = np.array([[[0, 0, 0], [4, 0, 0], [0, 4, 0]]], float)
    needle = np.array([[[1, 1, 2], [1, 1, 2], [1, 1, 5]]], float)
    point = np.full((1, 3, 3), [1.0, 1.0, 3.0])
    flat = np.array([[[0.5, 0.5, 0], [1, 0.5, 0], [0.5, 1, 0]]], float)
    beside = np.array([[[-3, 0, 4], [-3, 1, 4], [-3, 0, 6]]], float)
    for other, true in ((needle, 2.0), (point, 3.0), (flat, 0.0), (beside, 5.0)):
        assert of_pairs(floor, other)[0] == pytest.approx(true, abs=1e-12)
        assert of_pairs(other, floor)[0] == pytest.approx(true, abs=1e-12)


@pytest.mark.parametrize(("gap", "within", "told"), [(0.0, 0.5, 0.0), (0.4, 0.5, 0.4), (0.6, 0.5, None)])
def test_blocks_side_by_side(gap: float, within: float, told: float | None) -> None:
    found = apart(
        surface(brick([0, 0, 0], [10, 10, 10])), surface(brick([10 + gap, 2, 3], [30, 40, 5])), within
    )
    assert found == (None if told is None else pytest.approx(told, abs=1e-12))
