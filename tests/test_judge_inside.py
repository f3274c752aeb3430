"""One body inside another, and moves that no edge is near to: what surfaces alone do not show."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from clearance.geometry.aabb import AabbSet, boxes_of
from clearance.geometry.transforms import apply, pose
from clearance.kernels.containment import body_swallows, head_swallows, holds_point
from clearance.kernels.fcl.lines import straight_runs
from clearance.kernels.meridian.bvh import ChordTree, TriangleTree
from clearance.kernels.meridian.chords import chords_of
from clearance.kernels.meridian.profile import NOWHERE, ClearanceMeasure
from clearance.kernels.meridian.view import Sweep, smallest
from clearance.kernels.sweeps import BARE
from clearance.scene.heads import HeadPiece, piece_of_box, pieces_of_profile
from clearance.toolpath.moves import polyline


def box(low: Any, high: Any) -> Any:
    """A block's twelve triangles (12, 3, 3), outward."""
    c = np.array([[(low, high)[i >> k & 1][k] for k in range(3)] for i in range(8)], dtype=float)
    quads = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]
    return np.array([c[[q[0], q[i], q[i + 1]]] for q in quads for i in (1, 2)])


def octahedron(size: Any) -> Any:
    """Eight triangles; its corners lie on the axes."""
    e = size * np.eye(3)
    signs = [(a, b, c) for a in (1, -1) for b in (1, -1) for c in (1, -1)]
    return np.array([[a * e[0], b * e[1], c * e[2]] if a * b * c > 0 else [b * e[1], a * e[0], c * e[2]]
                     for a, b, c in signs])  # fmt: skip


def aabbs(triangles: Any) -> Any:
    return AabbSet(*boxes_of(triangles))


def inside(triangles: Any, point: Any, closed: Any = True) -> Any:
    return holds_point(triangles, boxes_of(triangles), closed, np.asarray(point, dtype=float))


BLOCK = box((-10, -10, -10), (10, 10, 10))
TURNED_IN = BLOCK[:, ::-1]
DOUBLED = np.concatenate([BLOCK, BLOCK])
DOUBLED_BOTH_WAYS = np.concatenate([BLOCK, TURNED_IN])
MIXED = np.concatenate([BLOCK[:5], TURNED_IN[5:]])
HOLLOW = np.concatenate([BLOCK, box((-9, -9, -9), (9, 9, 9))[:, ::-1]])
OVERLAPPING = np.concatenate([BLOCK, box((-5, -5, -5), (15, 5, 5))])


@pytest.mark.parametrize(
    "triangles", [BLOCK, TURNED_IN, DOUBLED, DOUBLED_BOTH_WAYS, MIXED, HOLLOW, OVERLAPPING, octahedron(30.0)]
)
@pytest.mark.parametrize("turn", [(0, 0, 0), (20, 30, 40)])
def test_the_middle_of_a_closed_body_is_inside(triangles: Any, turn: Any) -> None:
    """Whatever is wrong with its windings; a void counts as solid, since no head can be in one."""
    turned = apply(pose((1000, 2, 3), turn), triangles)
    assert inside(turned, (1000, 2, 3)) is True
    assert inside(turned, (1000, 2, 60)) is False
    assert inside(turned, (1045, 2, 3)) is False


def test_a_line_through_a_corner_tells_nothing_so_another_is_taken() -> None:
    """Straight above and below the point are corners of the body: a ray along Z would meet no facet."""
    body = octahedron(10.0)
    assert inside(body, (0, 0, 1)) is True
    assert inside(body, (0, 0, 11)) is False


def test_a_needle_that_stands_inside_is_swallowed() -> None:
    body = octahedron(10.0)
    needle = (HeadPiece(np.array([-2.0, 2.0]), np.zeros(2)),)
    assert body_swallows(body, aabbs(body), True, straight_runs(polyline(np.zeros((1, 2)))), needle) is True


def test_of_an_open_body_only_the_surface_is_a_fact() -> None:
    bowl = BLOCK[2:]  # its lowest face is missing
    assert inside(bowl, (0, 0, 0), closed=False) is None
    assert inside(bowl, (0, 0, 500), closed=False) is False
    assert inside(bowl, (60, 55, 0), closed=False) is False


def test_a_block_inside_the_head() -> None:
    head = pieces_of_profile([(0, 5.0), (6, 17.5), (40, 25.0)], -0.1, up=False)
    small = box((-1, -1, -5), (1, 1, -3))
    path = straight_runs(polyline(np.array([[-20.0, 0], [20, 0]])))
    assert head_swallows(small, aabbs(small), path, head)
    away = small + np.array([0, 40, 0])
    assert not head_swallows(away, aabbs(away), path, head)
    below = small + np.array([0, 0, 20])
    assert not head_swallows(below, aabbs(below), path, head)


def test_a_block_in_the_head_but_for_one_corner_that_the_envelope_s_facets_hold_too() -> None:
    """A corner 0.002 outside the true round may lie in a facet that is circumscribed about it: FCL finds no
    touch then, and the corner alone says that the block is outside."""
    head = [HeadPiece(np.array([-9.0, -0.1]), np.array([25.0, 25.0]))]
    path = straight_runs(polyline(np.array([[0.0, 0.0], [1e-6, 0.0]])))
    at = 25.002 / np.sqrt(2.0)
    held = box((-at, -at, -5), (1 - at, 1 - at, -3))
    assert np.hypot(*held[0, 0, :2]) > 25.001
    assert head_swallows(held, aabbs(held), path, head)
    beside = box((at, at, -5), (at + 1, at + 1, -3))
    assert np.hypot(*beside[0, 0, :2]) < 25.003
    assert not head_swallows(beside, aabbs(beside), path, head)


@pytest.mark.parametrize("piece", [HeadPiece(np.array([-9.0, -0.1]), np.array([1.0, 1.0])),
                                   piece_of_box((-1, 2), (-1, 1), (0, 5), -0.1, up=False)])  # fmt: skip
@pytest.mark.parametrize("bend", [0.0, 1e-15])
def test_a_move_in_the_middle_of_a_large_facet(piece: Any, bend: Any) -> None:
    """No side of the facet is anywhere near the move: 1 - (-0.1) = 1.1 below it, by hand."""
    corners = np.array([[[-300.0, -200.0, 1.0], [400.0, -250.0, 1.0 + bend], [10.0, 500.0, 1.0]]])
    for order in ((0, 1, 2), (1, 2, 0), (2, 0, 1), (2, 1, 0)):
        tree = TriangleTree([corners[:, order]])
        path = polyline(np.array([[3.0, 4.0], [3.02, 4.01], [3.05, 4.0]]))
        sweep = Sweep(ChordTree(chords_of(path)), {0: ([piece], BARE)}, -0.1, np.array([NOWHERE]))
        found = smallest(tree, ClearanceMeasure, [sweep])
        assert found.nearest[0].value[0] == pytest.approx(1.1, abs=1e-9)
        place = found.witnesses([[0]])[0][0]
        assert place.on_item[2] == pytest.approx(1.0)
        assert np.linalg.norm(place.on_item - place.on_head) == pytest.approx(1.1, abs=1e-6)


#: a bar 60 long, turned so that a line along Z may go in and out of it
BAR = apply(pose((0, 0, 0), (20, 50, 10)), box((-30, -2, -2), (30, 2, 2)))


@pytest.mark.parametrize("facets", [[0], [0, 1, 5], [2, 3, 7, 8], list(range(6)), list(range(0, 12, 2))])
def test_facets_that_face_different_ways_do_not_hold_a_point_beside_them(facets: Any) -> None:
    """Two facets over a point that both look up are no count of two: they are turned to agree first."""
    mixed = BAR.copy()
    mixed[facets] = mixed[facets][:, ::-1]
    rng = np.random.default_rng(5)
    local = rng.uniform(-1.0, 1.0, (200, 3)) * [33.0, 6.0, 6.0]
    points = apply(pose((0, 0, 0), (20, 50, 10)), local)
    clearly = np.abs(np.abs(local) - [30, 2, 2]).min(axis=1) > 1e-6
    truly = (np.abs(local) < [30, 2, 2]).all(axis=1)
    assert truly.sum() > 15
    for point, there in zip(points[clearly], truly[clearly], strict=True):
        assert inside(mixed, point) is bool(there)


def test_where_facets_cannot_be_turned_to_agree_nobody_knows() -> None:
    """Every facet twice and at random turned: a line that goes in and out tells nothing."""
    both = np.concatenate([BAR, BAR[:, ::-1]])
    both[[1, 4, 9]] = both[[1, 4, 9]][:, ::-1]
    assert inside(both, (0, 0, 0)) is True
    under = pose((0, 0, 0), (20, 50, 10))[:3, :3] @ np.array([3.0, 0.0, -4.0])
    assert inside(both, under) is not True


def test_overlapping_shells_with_a_common_corner_each_count_by_themselves() -> None:
    """One is inside out: summed over both, the facets above a point in both would cancel."""
    two = np.concatenate([BLOCK, box((-10, -10, -10), (5, 5, 5))[:, ::-1]])
    two[3] = two[3, ::-1]
    assert inside(two, (0.3, 0.2, 0.1)) is True
    assert inside(two, (8.0, 8.3, 8.1)) is True
    assert inside(two, (12.0, 8.3, 8.1)) is False


@pytest.mark.parametrize(
    "seed", [*range(12), *(pytest.param(k, marks=pytest.mark.slow) for k in range(12, 60))]
)
def test_a_point_with_a_way_out_is_outside_however_facets_are_wound(seed: Any) -> None:
    """A tray of five blocks that share edges, each facet wound at random: air in it and beside it is air,
    and no point in a block is ever called outside.
    """
    rng = np.random.default_rng(seed)
    walls = [((-20, -20, -3), (20, 20, 0)), ((-20, -20, 0), (-15, 20, 9)), ((15, -20, 0), (20, 20, 9)),
             ((-15, -20, 0), (15, -15, 9)), ((-15, 15, 0), (15, 20, 9))]  # fmt: skip
    tray = np.concatenate([box(*wall) for wall in walls])
    flip = rng.random(len(tray)) < 0.5
    tray[flip] = tray[flip][:, ::-1]
    at = pose(tuple(rng.uniform(-500, 500, 3)), tuple(rng.choice([0.0, 17.0, 90.0], 3)))
    turned = apply(at, tray)
    for air in ((0, 0, 4), (-7, 12, 8), (-23, 0, 4), (0, 0, -5)):
        assert inside(turned, apply(at, np.array([[air]], dtype=float))[0, 0]) is False
    for wall in walls:
        low, high = np.array(wall, dtype=float)
        for _ in range(4):
            metal = low + rng.uniform(0.02, 0.98, 3) * (high - low)
            assert inside(turned, apply(at, metal.reshape(1, 1, 3))[0, 0]) is not False


def test_a_way_out_that_grazes_an_edge_is_none() -> None:
    """Straight up from the point is the edge of two facets, which both leave to the other."""
    from clearance.kernels.containment import _sees_out

    assert not _sees_out(BLOCK, np.zeros(3))
    assert not _sees_out(BLOCK, np.array([3.0, 3.0, 0.0]))
    for x in np.linspace(-9.9, 9.9, 41):
        for turn in ((0, 0, 0), (0, 0, 45), (30, 0, 0)):
            assert not _sees_out(
                apply(pose((0, 0, 0), turn), BLOCK), pose((0, 0, 0), turn)[:3, :3] @ [x, x, 0.0]
            )
    assert _sees_out(BLOCK, np.array([10.0 + 1e-6, 0.0, 0.0]))


def test_two_blocks_on_one_bottom_do_not_cancel_each_other() -> None:
    """The lower one inside out: what lies in both has as many ways in as out above it, and is metal."""
    tall, short = box((-50, -50, 2), (50, 50, 60)), box((-50, -50, 2), (50, 50, 40))
    for both in (np.concatenate([tall, short[:, ::-1]]), np.concatenate([tall[:, ::-1], short])):
        assert inside(both, (3.0, 4.0, 15.0)) is not False
        assert inside(both, (3.0, 4.0, 50.0)) is not False
        assert inside(both, (3.0, 4.0, 61.0)) is False
        assert inside(both, (53.0, 4.0, 15.0)) is False


def test_a_face_with_all_its_edges_in_common_with_other_blocks_belongs_to_its_own() -> None:
    """Four blocks stand on the edges of a block's upper face, one of them in it and inside out: a point in
    both is held, one between them is not."""
    block = box((0, 0, 0), (10, 10, 10))
    others = [
        box((0, -5, 10), (10, 0, 15)),
        box((-5, 0, 10), (0, 10, 15)),
        box((10, 0, 10), (15, 10, 15)),
        box((0, 4, 4), (10, 10, 10))[:, ::-1],
    ]
    triangles = apply(pose((0, 0, 0), (11, 23, 37)), np.concatenate([block, *others]))
    for point, held in (((5, 7, 7), True), ((5, 2, 5), True), ((5, 5, 12), False), ((5, -2, 5), False)):
        assert inside(triangles, apply(pose((0, 0, 0), (11, 23, 37)), np.array(point, dtype=float))) is held
