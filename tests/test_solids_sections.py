"""Rings of slices through blocks that share walls, edges and corners; areas are products of their sides."""

from __future__ import annotations

import numpy as np
import pytest
from manifold3d import Manifold

from clearance.geometry.aabb import AabbSet, boxes_of
from clearance.mesh.model import box
from clearance.mesh.sections import (
    Outline,
    Slabs,
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


@pytest.mark.parametrize("turned", [False, True])
def test_each_slice_of_what_tapers_is_its_own(turned: bool) -> None:
    """A cone of n flats has slices of n r^2 sin(2 pi / n) / 2; the volume is a third of foot times height."""
    n, r, height = 48, 10.0, 30.0
    mesh = Manifold.cylinder(height, 0.0 if turned else r, r if turned else 0.0, n).to_mesh64()
    triangles = np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts)]
    foot = n * r * r * np.sin(2.0 * np.pi / n) / 2.0
    for one in (Outline(triangles), Slabs(triangles, AabbSet(*boxes_of(triangles)))):
        share = np.asarray(one.z) / height if turned else 1.0 - np.asarray(one.z) / height
        areas = [each.area for each in one.slices]
        assert areas == pytest.approx(foot * share**2, rel=1e-6)
        assert float(np.dot(one.weight, areas)) == pytest.approx(foot * height / 3.0, rel=1e-6)
