"""Where what slides first meets what stands still, against closed forms and against linear programs.

Closed forms: blocks, a ball against a wall, two balls (all elementary geometry). Linear programs tell
whether two convex hulls share a point (from memory: they do exactly where convex weights of the corners of
each give one point).
"""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import pytest

from clearance.geometry.sliding import BESIDE, first_met
from clearance.mesh.model import box

Y = np.array([0.0, 1.0, 0.0])


def ball(radius: Any, at: Any, level: Any = 4) -> Any:
    import trimesh

    mesh = trimesh.creation.icosphere(subdivisions=level, radius=radius)
    return mesh.triangles + np.asarray(at, dtype=float)


def test_a_block_meets_a_block_face_to_face() -> None:
    jaw, part = box((0, 60), (40, 60), (0, 20)), box((10, 50), (-5, 27.25), (3, 30))
    assert first_met(jaw, part, Y) == pytest.approx(27.25 - 40, abs=1e-9)
    assert first_met(jaw, part, -Y) == pytest.approx(60 - -5, abs=1e-9), (
        "from the front its rear face comes first"
    )


def test_what_passes_by_is_not_met() -> None:
    jaw = box((0, 60), (40, 60), (0, 20))
    for aside in (box((70, 90), (0, 20), (0, 20)), box((10, 50), (0, 20), (20.5, 30))):
        assert first_met(jaw, aside, Y) is None


def test_what_lies_on_a_ledge_does_not_stop_it() -> None:
    """The ledge goes along under the part, whose underside lies on it, or a hair off."""
    ledge, jaw = box((0, 60), (30, 40), (-10, 0)), box((0, 60), (40, 60), (-10, 12))
    for sunk in (0.0, 1e-9, -1e-9, 1e-6, -1e-6, 0.004):
        part = box((10, 50), (0, 20), (-sunk, 15))
        assert first_met(np.concatenate([ledge, jaw]), part, Y) == pytest.approx(20 - 40, abs=1e-9)
    part = box((10, 50), (0, 20), (-0.02, 15))
    assert first_met(np.concatenate([ledge, jaw]), part, Y) == pytest.approx(20 - 30, abs=1e-9)


def test_a_round_bar_against_a_flat_jaw() -> None:
    """The bar's polygon stands about its circle, and touches it where the axes cross it."""
    from fixtures_lib.solids import bar, shell

    jaw = box((-30, 30), (40, 60), (0, 20))
    rod = shell(bar(20, -5, 25, axis="z"))
    assert first_met(jaw, rod, Y) == pytest.approx(10 - 40, abs=1e-9)


def test_balls_meet_where_their_facets_do() -> None:
    """Two balls, off each other by ``aside`` sideways, meet at the root of (r + R)^2 - aside^2.

    Facets lie inside the balls, so they meet later by their sagitta, and by BESIDE times the slope.
    """
    sag = 0.06
    for aside in (0.0, 3.0, 9.0):
        root = np.sqrt(22.0**2 - aside**2)
        slope = aside / root
        met = first_met(ball(10, (0, 50, 0)), ball(12, (aside, 0, 0)), Y)
        assert root - 50 - 2 * sag / (root / 22) - BESIDE * slope <= met <= root - 50 + 1e-9


def hulls_meet(a: Any, b: Any) -> Any:
    """Whether two convex hulls of points (N, 3) share a point: a linear program."""
    from scipy.optimize import linprog

    n, m = len(a), len(b)
    equal = np.zeros((5, n + m))
    equal[:3, :n], equal[:3, n:] = a.T, -b.T
    equal[3, :n] = equal[4, n:] = 1
    return linprog(np.zeros(n + m), A_eq=equal, b_eq=[0, 0, 0, 1, 1], bounds=(0, None)).status == 0


def test_drawn_hulls_against_linear_programs() -> None:
    import trimesh

    pytest.importorskip("scipy")
    rng = np.random.default_rng(5)
    compared = 0
    for _ in range(20):
        a, b = rng.normal(size=(2, 8, 3)) * [8.0, 8.0, 8.0]
        way = rng.normal(size=3)
        way /= np.linalg.norm(way)
        hulls = [trimesh.convex.convex_hull(points).triangles for points in (a, b)]
        met = first_met(hulls[0], hulls[1], way)
        if met is None:
            assert not any(hulls_meet(a + s * way, b) for s in np.linspace(-40, 40, 9))
            continue
        # ahead of it nothing is met; a little on, by what BESIDE and a slope of 85 degrees make, it is
        compared += 1
        late = BESIDE * 12
        assert not any(hulls_meet(a + (met + late + ahead) * way, b) for ahead in (1e-6, 0.1, 3.0))
        assert hulls_meet(a + (met - 1e-3) * way, b)
    assert compared >= 10


@pytest.mark.slow
def test_many_facets_take_moments() -> None:
    part = ball(30, (0, 0, 0), level=7)
    jaw = ball(12, (3, 80, 2), level=5)
    began = time.process_time()
    assert first_met(jaw, part, Y) == pytest.approx(np.sqrt(42.0**2 - 13) - 80, abs=0.05)
    assert time.process_time() - began < 5.0


def wavy(y: Any, many: Any = 120) -> Any:
    """A fine sheet that leans by 0.2 and waves by 0.01, off Y = ``y``: many x many points, X 0 to 60."""
    x, z = np.meshgrid(np.linspace(0, 60, many), np.linspace(0, 30, many))
    p = np.stack([x, y + 0.2 * x + 0.01 * np.sin(40 * x), z], axis=-1)
    a, b, c, d = p[:-1, :-1], p[1:, :-1], p[1:, 1:], p[:-1, 1:]
    return np.concatenate(
        [np.stack(corners, axis=-2).reshape(-1, 3, 3) for corners in ((a, b, c), (a, c, d))]
    )


@pytest.mark.slow
def test_fine_sheets_that_follow_each_other_take_moments() -> None:
    """They meet everywhere at once, 50 on; shifted sideways by BESIDE they lean by 0.2 + 0.4 at most."""
    began = time.process_time()
    met = first_met(wavy(50), wavy(0), Y)
    assert -50 - BESIDE * 0.6 <= met <= -50 + 1e-9
    assert time.process_time() - began < 5.0


def test_what_is_highest_beside_a_large_facet_does_not_count() -> None:
    """A sheet of Y = X + Z under one triangle, X + Z up to 60: they meet along its long edge, 60 over 0."""
    x, z = np.meshgrid(np.linspace(0, 60, 120), np.linspace(0, 60, 120))
    p = np.stack([x, x + z, z], axis=-1)
    a, b, c, d = p[:-1, :-1], p[1:, :-1], p[1:, 1:], p[:-1, 1:]
    sheet = np.concatenate([np.stack(t, axis=-2).reshape(-1, 3, 3) for t in ((a, b, c), (a, c, d))])
    jaw = np.array([[[0.0, 100.0, 0.0], [60.0, 100.0, 0.0], [0.0, 100.0, 60.0]]])
    assert -40 - 2 * BESIDE <= first_met(jaw, sheet, Y) <= -40 + 1e-9
