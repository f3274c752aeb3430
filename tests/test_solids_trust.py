"""What is said about models that lie, and that shells and shared corners are found.

The oracle counts edges in a dictionary of coordinates, facet by facet; it shares nothing with the sums
that are tested.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from clearance.mesh import topology
from clearance.mesh.model import Solid
from clearance.mesh.topology import connected, judged, shells
from tests.test_solids_stl import BOX

Triangles = NDArray[np.float64]
AWAY = np.array([100.0, 0.0, 0.0])


def kinds(solid: Solid) -> list[str]:
    return [remark.kind for remark in solid.remarks]


def message(solid: Solid, kind: str) -> str:
    return next(remark.message for remark in solid.remarks if remark.kind == kind)


def edge_uses(triangles: Triangles) -> Counter[frozenset[tuple[float, ...]]]:
    """How many facets use each edge, by its two ends' coordinates."""
    uses: Counter[frozenset[tuple[float, ...]]] = Counter()
    for facet in triangles:
        for k in range(3):
            ends = frozenset((tuple(facet[k]), tuple(facet[(k + 1) % 3])))
            if len(ends) == 2:
                uses[ends] += 1
    return uses


def crossings(triangles: Triangles, point: tuple[float, float, float]) -> int:
    """How often a ray from the point crosses the triangles (Moeller-Trumbore), in an odd direction."""
    ray = np.array([0.3141, 0.2718, 0.9093])
    a = triangles[:, 0]
    e1, e2 = triangles[:, 1] - a, triangles[:, 2] - a
    p = np.cross(ray, e2)
    det = (e1 * p).sum(axis=1)
    s = np.array(point) - a
    q = np.cross(s, e1)
    with np.errstate(divide="ignore", invalid="ignore"):
        u, v, t = (s * p).sum(axis=1) / det, (q @ ray) / det, (e2 * q).sum(axis=1) / det
    return int(((u >= 0) & (v >= 0) & (u + v <= 1) & (t > 0)).sum())


def test_a_sound_box_gets_no_remark() -> None:
    solid = judged(BOX)
    assert solid.closed
    assert solid.remarks == ()
    assert solid.triangles is BOX


def test_a_missing_facet_opens_the_box_and_its_edges_are_named() -> None:
    solid = judged(np.delete(BOX, 1, axis=0))  # (0,0) (10,20) (10,0) of the floor
    assert not solid.closed
    assert kinds(solid) == ["open edges"]
    text = message(solid, "open edges")
    assert "3 edges" in text
    assert "(52.3607 mm in all" in text  # 10 + 20 + sqrt(500)
    assert "(10, 20, 0) to (0, 0, 0)" in text or "(0, 0, 0) to (10, 20, 0)" in text
    assert "one facet only" in text


def test_a_third_facet_on_an_edge_opens_it_too() -> None:
    fin = np.array([[[0, 0, 0], [10, 0, 0], [5, -9, 0]]], dtype=float)
    assert not judged(np.concatenate([BOX, fin])).closed


def test_one_corner_a_micrometre_off_is_a_crack_and_one_far_off_is_open() -> None:
    for shift, closed in ((1e-12, True), (9e-5, True), (1e-3, False)):
        bent = BOX.copy()
        bent[0, 0, 0] += shift
        solid = judged(bent)
        assert solid.closed is closed
        assert ("hairline cracks" in kinds(solid)) is (shift == 9e-5)
        assert solid.facet_error == pytest.approx(9e-5 if shift == 9e-5 else 0.0)
        assert np.abs(solid.triangles - bent).max() <= max(shift, 0.0) + 1e-15
        assert solid.closed is (set(edge_uses(solid.triangles).values()) == {2})


@given(
    st.lists(st.floats(-1e3, 1e3), min_size=3, max_size=3),
    st.lists(st.floats(-5e-5, 5e-5), min_size=3, max_size=3),
)
@settings(max_examples=100, deadline=None)
def test_cracks_close_wherever_they_lie(at: list[float], shift: list[float]) -> None:
    bent = BOX - BOX[0, 0] + at
    bent[0, 0] += shift
    assert judged(bent).closed


def test_minus_zero_is_zero() -> None:
    signed = BOX.copy()
    signed[::2][signed[::2] == 0.0] = -0.0
    assert judged(signed).remarks == ()


@pytest.mark.parametrize("which", [[2, 7], [0, 7]])
def test_turned_facets_are_harmless_and_turned_back(which: list[int]) -> None:
    mixed = BOX.copy()
    mixed[which] = mixed[which, ::-1]
    solid = judged(mixed)
    assert solid.closed
    assert kinds(solid) == ["inconsistent winding"]
    assert "2 facets were wound against the others" in message(solid, "inconsistent winding")
    assert sorted(map(tuple, solid.triangles.sum(axis=1))) == sorted(map(tuple, BOX.sum(axis=1)))
    assert judged(solid.triangles).remarks == ()


def test_a_shell_wound_inside_out_is_closed() -> None:
    solid = judged(BOX[:, ::-1])
    assert solid.closed
    assert kinds(solid) == ["inside out"]
    both = judged(np.concatenate([BOX, (BOX + AWAY)[:, ::-1]]))
    assert both.closed
    assert "several shells" in kinds(both)


def test_a_surface_with_one_side_cannot_be_wound_alike_but_closes() -> None:
    """The projective plane on six corners, the classical triangulation: every edge in two facets."""
    facets = [(0, 1, 2), (0, 2, 3), (0, 3, 4), (0, 4, 5), (0, 5, 1)]
    facets += [(1, 2, 4), (2, 3, 5), (3, 4, 1), (4, 5, 2), (5, 1, 3)]
    corners = np.array([[0, 0, 9], [5, 0, 0], [2, 5, 1], [-4, 3, 2], [-4, -3, 3], [2, -5, 4]], dtype=float)
    surface = corners[facets]
    assert set(edge_uses(surface).values()) == {2}
    solid = judged(surface)
    assert solid.closed
    assert "cannot be made to agree" in message(solid, "inconsistent winding")


@pytest.mark.parametrize("turn", [False, True])
def test_a_body_written_twice_is_taken_once(turn: bool) -> None:
    """Otherwise every ray would cross it an even number of times, and what it swallows would look free."""
    again = BOX[:, ::-1] if turn else BOX
    solid = judged(np.concatenate([BOX, again]))
    assert solid.closed
    assert len(solid.triangles) == 12
    assert crossings(solid.triangles, (5, 10, 15)) % 2 == 1
    assert kinds(solid) == ["doubled facets"]
    assert "12 facets stand a second time; taken once each" in message(solid, "doubled facets")


def test_one_doubled_facet_is_taken_once() -> None:
    solid = judged(np.concatenate([BOX, BOX[3:4, [1, 2, 0]]]))
    assert solid.closed
    assert len(solid.triangles) == 12


def test_a_wall_between_two_boxes_stays() -> None:
    """The box beside itself, wall to wall with the same facets on it."""
    wall = (BOX[:, :, 0] == 0.0).all(axis=1)
    mirrored = BOX * [-1.0, 1.0, 1.0]
    two = np.concatenate([BOX, mirrored[:, ::-1]])
    assert wall.sum() == 2
    solid = judged(two)
    assert solid.closed
    assert len(solid.triangles) == 24
    for x in (5.0, -5.0):
        assert crossings(solid.triangles, (x, 10, 15)) % 2 == 1


@pytest.mark.parametrize("turn", [False, True])
def test_an_open_box_written_twice_stays_open(turn: bool) -> None:
    lidless = BOX[2:]
    again = lidless[:, ::-1] if turn else lidless
    solid = judged(np.concatenate([lidless, again]))
    assert not solid.closed
    assert kinds(solid) == ["doubled facets", "open edges"]


def test_a_doubled_box_beside_two_with_a_wall() -> None:
    """The rule holds shell by shell: neither hides the other."""
    two = np.concatenate([BOX, (BOX * [-1.0, 1.0, 1.0])[:, ::-1]])
    solid = judged(np.concatenate([two, BOX + AWAY, BOX + AWAY]))
    assert solid.closed
    assert len(solid.triangles) == 36
    for x in (5.0, -5.0, 105.0):
        assert crossings(solid.triangles, (x, 10, 15)) % 2 == 1
    assert "12 of them taken once" in message(solid, "doubled facets")


def test_two_boxes_that_share_an_edge_close() -> None:
    solid = judged(np.concatenate([BOX, BOX * [-1, -1, 1]]))
    assert solid.closed
    assert 4 in edge_uses(solid.triangles).values()


def test_facets_without_area() -> None:
    a, b = BOX[0, 0], BOX[0, 1]
    middle = (a + b) / 2
    spike = np.array([[a, a, b], [a, middle, b]])
    solid = judged(np.concatenate([BOX, spike]))
    assert "2 facets have no area" in message(solid, "facets without area")
    assert not solid.closed  # the second one has edges of its own
    for box in (BOX, np.concatenate([BOX[:1, ::-1], BOX[1:]])):
        assert judged(np.concatenate([box, spike[:1]])).closed
    lines = judged(np.repeat(spike, 2, axis=0))
    assert not lines.closed
    assert kinds(lines) == ["nothing solid"]


def test_a_thin_facet_has_area() -> None:
    sliver = np.array([[[0, 0, 0], [100, 0, 0], [50, 1e-5, 0]]], dtype=float)
    assert "facets without area" not in kinds(judged(np.concatenate([BOX, sliver])))


def test_several_shells_are_counted() -> None:
    many = np.concatenate([BOX + k * AWAY for k in range(7)])
    solid = judged(many)
    assert solid.closed
    assert message(solid, "several shells").startswith("the model is 7 separate bodies; all of them count")
    assert np.array_equal(shells(many), np.repeat(np.arange(7), 12))


shifts = st.sampled_from([0.0, 10.0, 50.0, 1000.0])
sheets = st.lists(
    st.tuples(
        shifts,
        st.booleans(),
        st.sets(st.integers(0, 11), max_size=3),
        st.sets(st.integers(0, 11), max_size=3),
    ),
    min_size=1,
    max_size=3,
)


@given(sheets, st.randoms(use_true_random=False))
@settings(max_examples=150, deadline=None)
def test_closed_is_what_counting_edges_says(parts: Any, rnd: Any) -> None:
    """Boxes, some facets missing, some turned, in any order: closed if and only if no edge is odd."""
    bodies = []
    for shift, inside_out, missing, turned in parts:
        body = BOX[:, ::-1].copy() if inside_out else BOX.copy()
        body[list(turned)] = body[list(turned), ::-1]
        bodies.append(np.delete(body, list(missing), axis=0) + np.array([shift, 0, 0]))
    mixed = np.concatenate(bodies)
    order = list(range(len(mixed)))
    rnd.shuffle(order)
    solid = judged(mixed[order])
    odd = any(uses % 2 for uses in edge_uses(solid.triangles).values())
    assert solid.closed <= (not odd)
    doubled = len({frozenset(map(tuple, facet)) for facet in mixed}) < len(mixed)
    if not doubled:
        assert solid.closed is not odd
    if solid.closed:
        before = {frozenset(map(tuple, facet)) for facet in mixed}
        assert before == {frozenset(map(tuple, facet)) for facet in solid.triangles}
        for shift, *_ in parts:
            assert crossings(solid.triangles, (shift + 3.3, 12.1, 14.9)) % 2 == 1


@given(st.integers(1, 40), st.lists(st.tuples(st.integers(0, 39), st.integers(0, 39)), max_size=60))
@settings(max_examples=200, deadline=None)
def test_connected_is_what_a_flood_says(count: int, links: list[tuple[int, int]]) -> None:
    links = [(a % count, b % count) for a, b in links]
    want = list(range(count))
    for _ in range(count):
        for a, b in links:
            want[a] = want[b] = min(want[a], want[b])
    a, b = (np.array([link[k] for link in links], dtype=np.int64) for k in (0, 1))
    assert connected(count, a, b).tolist() == want


def test_a_long_chain_is_one_shell_in_few_rounds() -> None:
    """A strip of 200 000 facets in shuffled order; flooding one neighbour a round would never end."""
    n = 200_000
    k = np.arange(n)[:, None] + np.arange(3)
    strip = np.stack([k * 1.0, k % 2 * 1.0, k * 0.0], axis=2)
    np.random.default_rng(1).shuffle(strip)
    assert shells(strip).max() == 0


def test_no_facets_have_no_shells() -> None:
    assert shells(np.zeros((0, 3, 3))).tolist() == []


def test_sound_big_models_are_not_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(topology, "COUNT_SHELLS_UP_TO", 20)
    assert kinds(judged(np.concatenate([BOX, BOX + AWAY]))) == []
