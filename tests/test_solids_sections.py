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
SQUARE = np.array([(0.0, 0.0), (4.0, 0.0), (4.0, 4.0), (0.0, 4.0)])
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


@pytest.mark.parametrize("turn", [1, -1])
def test_rings_are_followed_whichever_way_their_segments_run(turn: int) -> None:
    far = 10.0 + 2.0 * SQUARE
    loops = [np.stack([ring, np.roll(ring, -1, axis=0)], axis=1) for ring in (SQUARE, far)]
    segments = np.concatenate(loops)[::turn]
    segments[::3] = segments[::3, ::-1]
    assert sorted(map(area, rings(segments))) == pytest.approx([16, 64])


def test_a_ring_that_does_not_close_is_left_out_and_spoils_no_other() -> None:
    closed = np.stack([SQUARE, np.roll(SQUARE, -1, axis=0)], axis=1)
    opened = (closed + 10.0)[1:]
    assert list(map(area, rings(np.concatenate([opened, closed])))) == pytest.approx([16])
