"""What the page draws of bodies of very many facets: their outlines, by hand and against another library."""

from __future__ import annotations

import numpy as np
import pytest

from clearance.live.shapes import MOST, drawn
from tests.bench.jobs import gridded_plate


def area(ring: np.ndarray) -> float:
    """Of a polygon (n, 2), positive where it goes round anticlockwise (the shoelace formula)."""
    x, y = ring.T
    return 0.5 * float((x * np.roll(y, -1) - np.roll(x, -1) * y).sum())


def outline(triangles: np.ndarray) -> np.ndarray:
    """Corners (n, 2), mm, of what is drawn of it from above: each edge's first end."""
    lines = np.array(drawn(triangles)["top"]["edges"], dtype=float).reshape(-1, 2, 2) / 100.0
    np.testing.assert_allclose(lines[:, 1], np.roll(lines[:, 0], -1, axis=0))
    return lines[:, 0]


def test_a_plate_of_very_many_facets_is_its_four_sides() -> None:
    plate = gridded_plate(64)
    assert len(plate) > MOST
    low, high = plate.min(axis=(0, 1)), plate.max(axis=(0, 1))
    assert abs(area(outline(plate))) == pytest.approx((high[0] - low[0]) * (high[1] - low[1]), rel=1e-6)
    assert len(outline(plate)) == 4


def test_a_heap_of_facets_is_its_convex_hull() -> None:
    """scipy's hull of the same points (Barber, Dobkin and Huhdanpaa, The quickhull algorithm, 1996)."""
    spatial = pytest.importorskip("scipy.spatial")
    triangles = np.random.default_rng(5).normal(size=(MOST + 1, 3, 3)) * 40.0
    wanted = spatial.ConvexHull(triangles.reshape(-1, 3)[:, :2])
    # in two dimensions its volume is the area; corners are drawn to hundredths
    assert abs(area(outline(triangles))) == pytest.approx(wanted.volume, rel=1e-4)
