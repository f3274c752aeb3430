"""The oracles themselves: against closed forms, and one way against the other.

Closed forms are geometry; where a published figure is used it is named. The second way is manifold3d's exact
gap of faceted hulls, shapely on slices and scipy's linear programs (tests/oracles/facets.py).
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from tests.oracles.board import bit_of_arc
from tests.oracles.convex import Pairs, distance, least_height, least_side
from tests.oracles.facets import brackets
from tests.oracles.scenes import SeedDice, case_of, draw_recipe, recipe_of_seed
from tests.oracles.shapes import block, post, tetrahedron
from tests.oracles.truth import truths

FAR = np.array([1e5])


def pair(
    corners: Any, z: Any, r: Any, a: Any = (0.0, 0.0), b: Any = (0.0, 0.0), rect: Any = (0.0, 0.0, 0.0, 0.0)
) -> Pairs:
    one = np.asarray
    return Pairs(
        one([corners], float),
        one([z], float),
        one([r], float),
        one([a], float),
        one([b], float),
        one([rect], float),
        np.zeros(1),
    )


def test_disc_to_disc() -> None:
    """Radius 2 at z 0, radius 3 at z 4, axes 10 apart: 10 - 5 = 5 sideways, 4 up: sqrt 41 (geometry)."""
    t = 2 * np.pi * np.arange(360) / 360
    disc = np.column_stack([10 + 3 * np.cos(t), 3 * np.sin(t), np.full(360, 4.0)])
    got = distance(pair(disc, (0, 0), (2, 2)))
    assert got.lo[0] <= np.sqrt(41) <= got.hi[0] + 1e-9


def test_point_to_triangle() -> None:
    """(0,0,0) to the triangle (1,0,0), (0,1,0), (0,0,1): 0.5774 = 1/sqrt 3 (octave matgeom,
    distancePointTriangle3d)."""
    got = distance(pair(np.eye(3), (0, 0), (0, 0)))
    assert got.hi[0] == pytest.approx(1 / np.sqrt(3), abs=1e-9)


def test_line_to_line() -> None:
    """(2,4,0)-(0,2,-1) and (-1,0,3)+t(1,-1,2): 3/2 sqrt 2 (MathWorld, Line-Line Distance). The second line is
    turned upright into the draw's frame, long enough on both sides."""
    p, q = np.array([2.0, 4, 0]), np.array([0.0, 2, -1])
    o, d = np.array([-1.0, 0, 3]), np.array([1.0, -1, 2]) / np.sqrt(6)
    x = np.cross(d, [0, 0, 1.0])
    x /= np.linalg.norm(x)
    R = np.stack([x, np.cross(d, x), d])
    line = np.array([p + s * (q - p) for s in (-50.0, 50.0)])
    got = distance(pair((line - o) @ R.T, (-300, 300), (0, 0)))
    assert got.lo[0] == pytest.approx(1.5 * np.sqrt(2), abs=1e-8)
    assert got.hi[0] == pytest.approx(1.5 * np.sqrt(2), abs=1e-8)


def test_nose_of_45_degrees_to_an_edge() -> None:
    """A nose from radius 2 at its face to 12 at 10 mm; an edge level with the face, 6 from the axis: the
    flank's line r = 2 + z lies (6 - 2) / sqrt 2 = 2.8284271 off (checks: an exact CAD kernel gives the
    same)."""
    got = distance(pair(block([6, -20, -30], [40, 20, 0]).corners, (0, 10), (2, 12)))
    assert got.lo[0] == pytest.approx(2.8284271247, abs=1e-9)
    assert got.hi[0] == pytest.approx(2.8284271247, abs=1e-9)


def test_side_and_height_by_hand() -> None:
    """A disc of radius 5 from z 0 to 10; a block 8 from the axis, from z 12 up.

    Side needs the heights to meet: 2 mm apart, so none within 1.9, and 3 within 2.1. Height needs the block
    over the disc: 3 mm beside it, so none within 2.9, and 2 within 3.1.
    """
    p = pair(block([8, -1, 12], [20, 1, 30]).corners, (0, 10), (5, 5))
    assert least_side(p, np.array([1.9]), FAR).lo[0] > 1e5 - 1
    assert least_side(p, np.array([2.1]), FAR).hi[0] == pytest.approx(3.0, abs=1e-8)
    assert least_height(p, np.array([2.9]), FAR).lo[0] > 1e5 - 1
    assert least_height(p, np.array([3.1]), FAR).hi[0] == pytest.approx(2.0, abs=1e-8)


def test_swallowed_is_zero_both_ways() -> None:
    small = pair(block([-1, -1, -1], [1, 1, 1]).corners, (-5, 5), (8, 8))
    large = pair(block([-50, -50, -50], [50, 50, 50]).corners, (-5, 5), (8, 8))
    assert distance(small).hi[0] == 0.0
    assert distance(large).hi[0] == 0.0


def test_bit_of_arc_strays_no_more_than_it_says() -> None:
    """The chord moved out by half the sagitta, R (1 - cos(t/2)) / 2, is never farther from the arc than
    that."""
    arcs = np.array([(3.0, -2.0, 10.0, 0.4, 0.9), (0.0, 0.0, 60.0, 2.0, 1.5), (1.0, 1.0, 0.5, -3.0, -2.6)])
    a, b, e = bit_of_arc(arcs)
    for i, (cx, cy, R, t0, t1) in enumerate(arcs):
        t = np.linspace(t0, t1, 2001)
        on_arc = np.column_stack([cx + R * np.cos(t), cy + R * np.sin(t)])
        along = (on_arc - a[i]) @ (b[i] - a[i]) / np.sum((b[i] - a[i]) ** 2)
        foot = a[i] + np.clip(along, 0, 1)[:, None] * (b[i] - a[i])
        assert np.linalg.norm(on_arc - foot, axis=1).max() <= e[i] * (1 + 1e-9)


@pytest.mark.slow
def test_brackets_are_narrow_on_random_scenes() -> None:
    cases = [case_of(recipe_of_seed(s)) for s in range(12)]
    for truth in (t for mine in truths(cases, per_move=False) for t in mine):
        assert truth.clearance[0] <= truth.clearance[1]
        assert truth.clearance[1] - truth.clearance[0] < 1e-6
        assert truth.wide[0] <= truth.grown[1]
        assert truth.grown[0] <= truth.clearance[1]


def _with_few_moves(seed: int, kinds: tuple[str, ...]) -> Any:
    recipe = draw_recipe(SeedDice(seed), kinds_of_move=kinds)
    track = recipe.tracks[0]
    start = replace(track, steps=track.steps[:2], upper_steps=track.upper_steps[:2])
    return replace(recipe, tracks=(start,), shapes=recipe.shapes[:2])


@pytest.mark.few(1)
@pytest.mark.parametrize(("kinds", "seeds"), [(("line", "axis line", "stand"), 4), (("line", "arc"), 2)])
def test_two_ways_agree(kinds: tuple[str, ...], seeds: int) -> None:
    figures = 0
    for seed in range(seeds):
        recipe = _with_few_moves(700 + seed, kinds)
        if abs(recipe.tracks[0].start[0]) > 100:
            continue  # the second way works in single steps of 1e-12 of its coordinates: near ones only
        case = case_of(recipe)
        for t in truths([case], per_move=False)[0]:
            number = [b.name for b in case.scene.bodies].index(t.item)
            second = brackets(recipe, case.scene, t.head, number, 0, t.margin, most=200.0)
            first = {"clearance": tuple(np.minimum(t.clearance, 200.0)), "side": t.side, "height": t.height}
            for figure, (lo, hi) in second.items():
                mine = first[figure] or (np.inf, np.inf)
                assert mine[0] <= hi + 1e-6, (seed, t.head, t.item, figure, mine, (lo, hi))
                assert mine[1] >= lo - 1e-6, (seed, t.head, t.item, figure, mine, (lo, hi))
                figures += 1
    assert figures > 3 * seeds


def test_parts_are_closed_and_turned_outward() -> None:
    """The faces' signed volume is that of the body: a block of 2 x 3 x 4 has 24, a tetrahedron 1/6."""

    def volume(part: Any) -> float:
        t = part.triangles
        return float(np.einsum("ij,ij->i", t[:, 0], np.cross(t[:, 1], t[:, 2])).sum() / 6)

    assert volume(block([0, 0, 0], [2, 3, 4])) == pytest.approx(24)
    assert volume(tetrahedron(np.array([(0, 0, 0), (1, 0, 0), (0, 1, 0), (0, 0, 1.0)]))) == pytest.approx(
        1 / 6
    )
    # 12 sides in a circle of radius 1: area 12 sin(30 degrees) / 2 = 3
    assert volume(post(2.0, 0.0, 1.0, sides=12)) == pytest.approx(3.0)
