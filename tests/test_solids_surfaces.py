"""Surfaces in arrays: points and second derivatives against scipy's B-splines and closed forms.

Second derivatives that are compared come from differences of points; a quarter of a circle as a rational
curve of degree 2 has weights 1, sqrt(1/2), 1 (Piegl and Tiller, The NURBS Book, 7.3).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
import scipy.interpolate
from numpy.typing import NDArray

from clearance.mesh import facets
from clearance.mesh.surfaces import BSpline, Cone, Frame, Patch, Plane, Torus

Floats = NDArray[np.float64]
AXES = np.linalg.qr(np.random.default_rng(7).normal(size=(3, 3)))[0]
FRAME = Frame(np.array([3.0, -7.0, 11.0]), *AXES)
STEP = 1e-4


def second_by_differences(at: Callable[[Floats], Floats], uv: Floats) -> Floats:
    """|Suu|, |Suv|, |Svv| (N, 3) by central differences."""
    u, v = np.array([STEP, 0.0]), np.array([0.0, STEP])
    uu = at(uv + u) - 2 * at(uv) + at(uv - u)
    vv = at(uv + v) - 2 * at(uv) + at(uv - v)
    mixed = (at(uv + u + v) - at(uv + u - v) - at(uv - u + v) + at(uv - u - v)) / 4
    return np.stack([np.linalg.norm(d, axis=1) for d in (uu, mixed, vv)], axis=1) / STEP**2


def knots(draw: np.random.Generator, count: int, degree: int) -> Floats:
    """From 0 to 1, none twice within."""
    inner = np.sort(draw.uniform(0.05, 0.95, count - degree - 1))
    return np.concatenate([np.zeros(degree + 1), inner, np.ones(degree + 1)])


def wavy(seed: int, rational: bool) -> tuple[BSpline, Callable[[Floats], Floats]]:
    """A random surface, and its points by scipy."""
    draw = np.random.default_rng(seed)
    degree = tuple(draw.integers(1, 4, 2).tolist())
    shape = tuple(d + 1 + int(draw.integers(0, 4)) for d in degree)
    both = knots(draw, shape[0], degree[0]), knots(draw, shape[1], degree[1])
    poles = draw.uniform(-9.0, 9.0, (*shape, 3)) + 40.0
    w = draw.uniform(0.5, 2.0, shape) if rational else np.ones(shape)
    top, below = (scipy.interpolate.NdBSpline(both, c, degree) for c in (poles * w[..., None], w))
    return (
        BSpline(poles, both, (degree[0], degree[1]), w if rational else None),
        lambda uv: np.asarray(top(uv) / below(uv)[:, None]),
    )


@pytest.mark.parametrize("rational", [False, True])
@pytest.mark.parametrize("seed", range(12))
def test_points_of_b_splines_are_scipys_and_the_bounds_hold(seed: int, rational: bool) -> None:
    surface, at = wavy(seed, rational)
    uv = np.random.default_rng(seed).uniform(0.01, 0.99, (400, 2))
    assert surface.at(uv) == pytest.approx(at(uv), abs=1e-10)
    # within one span, over which a difference is a mean of the derivative
    same = np.ones(len(uv), dtype=bool)
    for axis in (0, 1):
        low, high = (np.searchsorted(surface._knots[axis], uv[:, axis] + s) for s in (-2 * STEP, 2 * STEP))
        same &= low == high
    got = surface.second(uv - STEP, uv + STEP)
    assert (second_by_differences(at, uv)[same] <= got[same] * (1 + 1e-6) + 1e-4).all()


def test_the_ends_of_a_b_spline_are_its_corners() -> None:
    surface, _ = wavy(3, True)
    first = surface.at(np.array([[0.0, 0.0], [1.0, 1.0]]))
    net = surface._net[..., :3] / surface._net[..., 3:] + surface._middle
    assert first == pytest.approx(np.stack([net[0, 0], net[-1, -1]]), abs=1e-12)


def test_a_crease_has_no_bound() -> None:
    poles = np.array([[0.0, 0, 0], [1, 2, 0], [2, 0, 0], [3, 2, 0], [4, 0, 0]])[:, None]
    twice = np.array([0.0, 0, 0, 0.5, 0.5, 1, 1, 1])
    curve = BSpline(poles, (twice, np.array([0.0, 1.0])), (2, 0))
    across = curve.second(np.array([[0.4, 0.0]]), np.array([[0.6, 0.0]]))
    within = curve.second(np.array([[0.1, 0.0]]), np.array([[0.4, 0.0]]))
    assert np.isinf(across[0, 0])
    assert np.isfinite(within).all()


def test_a_quarter_of_a_circle() -> None:
    """Radius 5; the bound on the second derivative is no less than the true one and at most 8 times that."""
    poles = np.array([[5.0, 0, 0], [5, 5, 0], [0, 5, 0]])[:, None]
    ends = np.array([0.0, 0, 0, 1, 1, 1])
    curve = BSpline(poles, (ends, np.array([0.0, 1.0])), (2, 0), np.array([[1.0], [np.sqrt(0.5)], [1.0]]))
    t = np.column_stack([np.linspace(0.01, 0.99, 99), np.full(99, 0.5)])
    assert np.linalg.norm(curve.at(t), axis=1) == pytest.approx(np.full(99, 5.0), abs=1e-12)
    true = second_by_differences(curve.at, t)[:, 0].max()
    got = float(curve.second(t, t)[0, 0])
    assert true <= got * (1 + 1e-6) <= 8 * true


@pytest.mark.parametrize(
    ("surface", "off"),
    [
        (Plane(FRAME), lambda p: p[:, 2]),
        (Cone(FRAME, 6.0), lambda p: np.hypot(p[:, 0], p[:, 1]) - 6.0),
        (Cone(FRAME, 6.0, 0.3), lambda p: np.hypot(p[:, 0], p[:, 1]) - 6.0 - p[:, 2] * np.tan(0.3)),
        (Torus(FRAME, 0.0, 6.0), lambda p: np.linalg.norm(p, axis=1) - 6.0),
        (Torus(FRAME, 9.0, 2.0), lambda p: np.hypot(np.hypot(p[:, 0], p[:, 1]) - 9.0, p[:, 2]) - 2.0),
    ],
)
def test_planes_cones_spheres_and_tori(surface: Patch, off: Callable[[Floats], Floats]) -> None:
    """Points satisfy the surface's equation in its own frame; second derivatives stay within the bound, which
    over a small box is sharp to a hundredth for the largest."""
    low = np.random.default_rng(1).uniform(-3.0, 9.0, (300, 2))
    own = (surface.at(low) - FRAME.origin) @ AXES.T
    assert np.abs(off(own)).max() < 1e-12
    true = second_by_differences(surface.at, low)
    assert (true <= surface.second(low - 1e-3, low + 1e-3) + 1e-5).all()
    wide = surface.second(low, low + 0.5)
    for share in np.random.default_rng(2).uniform(0.0, 1.0, (20, 1, 2)):
        assert (second_by_differences(surface.at, low + 0.5 * share[0]) <= wide + 1e-5).all()
    assert (surface.second(low, low) <= np.maximum(true, true.max(axis=0)) * 1.01 + 1e-5).all()


def facet(surface: Patch, uv: Floats) -> facets.Facets:
    """One facet on a surface, no side of it on an edge."""
    none = np.full((1, 3), -1)
    return facets.Facets(
        surface.at(uv), uv, np.array([[0, 1, 2]]), np.zeros(1, dtype=int), none, np.zeros((1, 3, 2))
    )


@pytest.mark.parametrize("wide", [1.0, 0.3, 0.05])
def test_how_far_a_facet_lies_off_a_ball(wide: float) -> None:
    """A ball's surface is farthest from a facet over its circumcentre, here within it: R less the centre's
    distance from the facet's plane. What is said is never less, and a fifth more at most."""
    ball = Torus(FRAME, 0.0, 6.0)
    one = facet(ball, np.array([[0.2, -0.5], [0.2 + wide, -0.5], [0.2 + wide / 2, -0.5 + wide]]))
    a, b, c = one.points - FRAME.origin
    normal = np.cross(b - a, c - a)
    true = 6.0 - abs(a @ normal) / np.linalg.norm(normal)
    got = facets._off_surface(one, [ball], 0.9 * true)[0]
    assert true - 1e-12 <= got <= 1.2 * true


@pytest.mark.parametrize("known", [True, False])
def test_how_far_a_facet_lies_off_a_cylinder(known: bool) -> None:
    """R (1 - cos(w / 2)) for a facet w wide. Of a surface of which no more is known than its points at least
    that is said, and that it is an estimate."""
    surface: Patch = Cone(FRAME, 6.0)
    if not known:
        surface = Patch(surface.at)
    one = facet(surface, np.array([[0.0, 0.0], [0.4, 0.0], [0.4, 9.0]]))
    true = 6.0 * (1.0 - np.cos(0.2))
    got = facets._off_surface(one, [surface], 0.5 * true)[0]
    assert true - 1e-12 <= got <= (1.1 if known else 2.0) * true + 1e-12
    split, off, estimate = facets.refined(one, [surface], [], true / 10, 10_000)
    assert off <= true / 10
    assert estimate is not known
    # what was one is covered as before: areas in (u, v)
    corners = split.uv[split.corners]
    a, b = corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]
    assert np.abs(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum() / 2 == pytest.approx(0.4 * 9.0 / 2)


def test_more_facets_than_there_may_be() -> None:
    ball = Torus(FRAME, 0.0, 6.0)
    with pytest.raises(facets.TooMany):
        facets.refined(facet(ball, np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])), [ball], [], 1e-4, 50)
