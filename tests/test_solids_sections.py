"""Rings of slices through blocks that share walls, edges and corners; areas are products of their sides."""

from __future__ import annotations

import numpy as np
import pytest

from clearance.mesh.model import box
from clearance.mesh.sections import (
    area,
    region,
    rings,
    section,
)

TALL = (0.0, 10.0)
A = box((0, 10), (0, 10), TALL)


@pytest.mark.parametrize(
    ("others", "areas", "whole"),
    [
        ([box((10, 20), (0, 10), TALL)], [100, 100], 200),  # wall to wall
        ([box((10, 20), (10, 20), TALL)], [100, 100], 200),  # corner to corner
        ([box((5, 15), (5, 15), TALL)], [100, 100], 175),  # each in the other
        ([box((2, 8), (2, 8), TALL)[:, ::-1]], [36, 100], 64),  # a hollow
        ([box((10, 20), (0, 10), TALL), box((20, 30), (0, 10), TALL)], [100, 100, 100], 300),
    ],
)
def test_each_shell_keeps_its_own_ring(others: list[np.ndarray], areas: list[float], whole: float) -> None:
    bodies = np.concatenate([A, *others])
    found = rings(section(bodies, 5.0))
    assert sorted(map(area, found)) == pytest.approx(areas)
    assert region(bodies, 5.0).area == pytest.approx(whole)
