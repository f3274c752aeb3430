"""Plane distances against shapely (GEOS), which the code under test does not use."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from shapely.geometry import LineString, MultiPoint, Point

from clearance.geometry.planar import segment_segment, segment_swept_rectangle
from clearance.kernels.meridian.search import nearest_points

N = 1500


@pytest.fixture(scope="module")
def segments() -> Any:
    rng = np.random.default_rng(20)
    a, b, p, q = (rng.uniform(-10, 10, (N, 2)) + 1000.0 for _ in range(4))
    kind = rng.integers(0, 8, N)
    q[kind == 0] = p[kind == 0]
    b[kind == 1] = a[kind == 1]
    q[kind == 2, 0] = p[kind == 2, 0]
    q[kind == 3, 1] = p[kind == 3, 1]
    b[kind == 4, 0] = a[kind == 4, 0]
    b[kind == 5] = a[kind == 5] + (q - p)[kind == 5]
    return rng, a, b, p, q


def test_segment_to_segment(segments: Any) -> None:
    _, a, b, p, q = segments
    mine = segment_segment(a, b, p, q)
    theirs = [LineString([a[i], b[i]]).distance(LineString([p[i], q[i]])) for i in range(N)]
    assert mine == pytest.approx(theirs, abs=1e-9)
    assert 0.05 < np.mean(mine == 0.0) < 0.5


def test_segment_to_a_rectangle_that_slides(segments: Any) -> None:
    rng, a, b, p, q = segments
    low = rng.uniform(-4, 2, (N, 2))
    high = low + rng.uniform(0, 5, (N, 2))
    mine = segment_swept_rectangle(
        a, b, p, q, np.stack([low[:, 0], high[:, 0], low[:, 1], high[:, 1]], axis=1)
    )

    def sweep(i: Any) -> Any:
        xs, ys = (low[i, 0], high[i, 0]), (low[i, 1], high[i, 1])
        return MultiPoint([(c[0] + x, c[1] + y) for c in (p[i], q[i]) for x in xs for y in ys]).convex_hull

    theirs = [LineString([a[i], b[i]]).distance(sweep(i)) for i in range(N)]
    assert mine == pytest.approx(theirs, abs=1e-9)
    assert 0.1 < np.mean(mine == 0.0) < 0.5


def test_a_segment_wholly_inside_the_sweep_is_at_no_distance() -> None:
    zero, one = np.zeros((1, 2)), np.array([[0.1, 0.1]])
    rect = np.array([[-1.0, 1.0, -1.0, 1.0]])
    assert segment_swept_rectangle(zero, one, zero, one * 3, rect)[0] == 0.0
    assert segment_swept_rectangle(zero - 9, one + 9, zero, one, rect)[0] == 0.0


def test_a_corner_in_line_with_an_outline_without_area_is_not_held_by_it() -> None:
    """The head stands, and a corner of its box is in line with a side far away: rounding must not decide."""
    angles = np.radians(np.linspace(0.0, 180.0, 400))
    way = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    corner = np.array([-16.71, -13.43])
    for far in (20.0, 47.3, 123.456):
        a, b = corner + far * way, corner + (far + 0.011) * way
        still = np.full_like(a, 0.1)
        rect = np.tile([corner[0], corner[0] + 3.4, corner[1], corner[1] + 1.2], (len(a), 1))
        found = segment_swept_rectangle(a + 0.1, b + 0.1, still, still, rect)
        assert found.min() > far - 6.0


def test_the_nearest_points_are_that_far_apart_and_where_they_must_be(segments: Any) -> None:
    """Also where a way is hardly aslant and its rectangle passes the end of an edge."""
    rng, a, b, p, q = segments
    for i in range(N):
        end, way = q[i], q[i] - p[i]
        if i % 3 == 0:  # nearly along an axis
            end = p[i] + np.array([way[0], 10.0 ** -rng.uniform(1, 12)])[:: rng.choice([1, -1])]
        low = rng.uniform(-4, 2, 2)
        high = low + (rng.uniform(0, 5, 2) if i % 4 else 0.0)
        if i % 4 == 0:
            low = high = np.zeros(2)
        rect = np.array([[low[0], high[0], low[1], high[1]]])
        (item,), (wire,) = nearest_points(a[i : i + 1], b[i : i + 1], p[i : i + 1], end[None], rect)
        corners = [
            (c[0] + x, c[1] + y) for c in (p[i], end) for x in (low[0], high[0]) for y in (low[1], high[1])
        ]
        true = LineString([a[i], b[i]]).distance(MultiPoint(corners).convex_hull)
        beside = item - wire - np.clip(item - wire, low, high)
        assert np.hypot(*beside) == pytest.approx(true, abs=1e-8)
        assert LineString([a[i], b[i]]).distance(Point(item)) < 1e-9
        assert LineString([p[i], end]).distance(Point(wire)) < 1e-9
