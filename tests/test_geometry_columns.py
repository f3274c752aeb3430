"""Normals, lengths, boxes, heights by columns: against numpy's own functions, and by looking at every box."""

from __future__ import annotations

import numpy as np
import pytest
from manifold3d import Manifold

from clearance.geometry.aabb import AabbSet, boxes_of
from clearance.geometry.facets import cross, lengths, normals, outward
from clearance.geometry.planar import following, preceding
from clearance.mesh import sections

RNG = np.random.default_rng(11)


@pytest.mark.parametrize("count", [0, 1, 2, 9, 1000])
def test_normals_and_lengths_are_those_of_numpy(count: int) -> None:
    triangles = RNG.normal(size=(count, 3, 3)) * 10.0 ** RNG.integers(-4, 5, size=(count, 1, 1))
    p, q = triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]
    assert np.array_equal(cross(p, q), np.cross(p, q))
    assert np.array_equal(normals(triangles), np.cross(p, q))
    np.testing.assert_allclose(lengths(p), np.linalg.norm(p, axis=1), rtol=4e-16)


@pytest.mark.parametrize("shape", [(1,), (5,), (7, 2)])
def test_neighbours_around_an_outline_are_those_of_numpy(shape: tuple[int, ...]) -> None:
    corners = RNG.normal(size=shape)
    assert np.array_equal(following(corners), np.roll(corners, -1, axis=0))
    assert np.array_equal(preceding(corners), np.roll(corners, 1, axis=0))


@pytest.mark.parametrize("count", [3, 64, 65, 1000])
def test_boxes_that_meet_one_or_that_a_level_passes(count: int) -> None:
    # in rows, so that coarser boxes lie within, beside and across what is asked for
    low = np.sort(RNG.random((count, 3)), axis=0)
    boxes = AabbSet(low, low + 0.1 * RNG.random((count, 3)))
    for size in np.repeat([0.05, 0.4, 2.0], 40):
        first = 1.4 * RNG.random(3) - 0.3
        last = first + size
        meet = [k for k in range(count) if (boxes.low[k] <= last).all() and (boxes.high[k] >= first).all()]
        assert boxes.meeting(first, last).tolist() == meet
        z = float(first[2])
        passed = [k for k in range(count) if boxes.low[k, 2] < z <= boxes.high[k, 2]]
        assert boxes.crossing(z).tolist() == passed


@pytest.mark.parametrize("span", [1.0, 1e6])
def test_very_many_heights_are_told_as_few_are(span: float) -> None:
    z = span * RNG.normal(size=sections.MANY_HEIGHTS + 10)
    z[::3] = np.round(z[::3], 1)
    assert np.array_equal(sections.heights(z), np.unique(np.round(z, 4)))


@pytest.mark.parametrize("level", [False, True])
def test_which_side_is_outside_against_what_manifold_makes(level: bool) -> None:
    """manifold3d (the source) winds what it makes so that normals look outward. At a lone highest corner the
    levellest facet may look down."""
    leans = 0
    for _ in range(400):
        points = RNG.normal(size=(int(RNG.integers(4, 9)), 3)) * RNG.uniform(0.2, 5.0, 3)
        if level:
            points[:3, 2] = points[:, 2].max() + 1.0
        mesh = Manifold.hull_points(points).to_mesh64()
        triangles = np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts)]
        for turned, want in ((triangles, 1.0), (triangles[:, ::-1], -1.0)):
            assert outward(turned, AabbSet(*boxes_of(turned))) == want
        top = triangles[(triangles[..., 2] == triangles[..., 2].max()).any(axis=1)]
        n = np.cross(top[:, 1] - top[:, 0], top[:, 2] - top[:, 0])
        up = n[:, 2] / np.linalg.norm(n, axis=1)
        leans += bool(up[np.argmax(np.abs(up))] < 0.0)
    assert leans > 5 or level


def test_which_side_of_an_open_tray_is_outside() -> None:
    """All that reaches its top is upright: five faces of a block, wound outward, by plane geometry."""
    mesh = Manifold.cube((4.0, 3.0, 2.0)).to_mesh64()
    triangles = np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts)]
    tray = triangles[~(triangles[..., 2] == 2.0).all(axis=1)]
    assert outward(tray, AabbSet(*boxes_of(tray))) == 1.0
    assert outward(tray[:, ::-1], AabbSet(*boxes_of(tray))) == -1.0
