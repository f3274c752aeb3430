"""Leaving out what cannot matter changes no distance: FCL shown everything is the check."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

import clearance.kernels.fcl.distance as side
from clearance.geometry.aabb import AabbSet, boxes_of
from clearance.geometry.transforms import apply, pose
from clearance.kernels.fcl.bodies import Bodies
from clearance.kernels.fcl.culling import neighbourhood
from clearance.kernels.fcl.distance import FclHead
from clearance.kernels.fcl.envelope import envelope
from clearance.kernels.fcl.positions import PathBoxes, started
from clearance.kernels.fcl.surfaces import Surface, gap
from clearance.kernels.fcl.touch import TouchHead
from clearance.kernels.sweeps import WarmStart
from clearance.mesh import model as shapes
from clearance.scene.heads import HeadPiece, piece_of_box, pieces_of_profile
from clearance.scene.model import Body, SideHeight
from clearance.tolerances import DEFAULT
from clearance.toolpath.moves import polyline

HEAD = [
    *pieces_of_profile([(0, 5.0), (6, 5.0), (6, 17.5), (40, 25.0)], -0.1, up=False),
    piece_of_box((-30, 30), (-20, 80), (40, 60), -0.1, up=False),
]


def grid(nx: Any, ny: Any, height: Any) -> Any:
    """A wavy sheet of 2 nx ny triangles over 100 x 80 mm."""
    x, y = np.meshgrid(np.linspace(0, 100, nx + 1), np.linspace(0, 80, ny + 1), indexing="ij")
    p = np.stack([x, y, height(x, y)], axis=-1)
    a, b, c, d = p[:-1, :-1], p[1:, :-1], p[1:, 1:], p[:-1, 1:]
    return np.concatenate(
        [np.stack([a, b, c], -2).reshape(-1, 3, 3), np.stack([a, c, d], -2).reshape(-1, 3, 3)]
    )


def body(triangles: Any) -> Any:
    return Body("sheet", "part", triangles, False, SideHeight(0.3, 0.05), SideHeight(0, 0))


def distance(
    triangles: Any,
    path: Any,
    monkeypatch: pytest.MonkeyPatch,
    everything: Any,
    start: WarmStart | None = None,
    alone: bool = True,
) -> Any:
    tolerances = DEFAULT.fcl
    with monkeypatch.context() as patch:
        if everything:
            patch.setattr(side, "SMALL", 10**9)
            patch.setattr(side, "MANY", 10**9)
            tolerances = replace(tolerances, coarse=np.inf)
        elif alone:
            patch.setattr(side, "SMALL", 0)
        else:
            patch.setattr(side, "SMALL", 10**9)
        starts = {} if start is None else {0: start}
        held = Bodies([body(triangles)], np.zeros(3), tolerances)
        head = FclHead(held, polyline(path), HEAD, None, [0], starts)
        return head.distance(0)


SHEETS = {
    "level, all facets equally near": lambda x, y: 0.0 * x,
    "slightly tilted": lambda x, y: 0.002 * x + 0.001 * y,
    "wavy above": lambda x, y: 3.0 + 2.0 * np.sin(x / 7) * np.cos(y / 5),
    "wavy through": lambda x, y: 1.0 * np.sin(x / 7) * np.cos(y / 5),
    "far below": lambda x, y: -90.0 - 5.0 * np.sin(x / 9) + 0.1 * y,
}


@pytest.mark.few(4)
@pytest.mark.parametrize("name", SHEETS)
@pytest.mark.parametrize("turn", [(0, 0, 0), (3, -2, 40)])
def test_what_is_left_out_does_not_matter(name: Any, turn: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    triangles = apply(pose((5, 3, 0), turn), grid(60, 50, SHEETS[name]))
    angle = np.linspace(0, 6, 90)
    path = np.stack([50 + 30 * np.cos(angle), 40 + 20 * np.sin(angle)], axis=1)
    whole = distance(triangles, path, monkeypatch, everything=True)
    shown = distance(triangles, path, monkeypatch, everything=False)
    assert shown <= whole + 1e-12
    assert shown == pytest.approx(whole, abs=5e-3)
    assert (shown == 0.0) == (whole == 0.0)


def test_a_level_face_is_not_shown_facet_by_facet() -> None:
    """The reason for all this: a million facets at one distance are one answer."""
    triangles = grid(200, 160, SHEETS["level, all facets equally near"])
    path = np.array([[10.0, 10.0], [90.0, 70.0]])
    place = neighbourhood(triangles, AabbSet(*boxes_of(triangles)), PathBoxes([path]), HEAD)
    assert place.floor == pytest.approx(0.1, abs=2e-5)
    assert place.floor <= 0.1
    assert len(place.rows) < 200


def wave(bits: Any, closed: Any) -> Any:
    """A path that goes round, in and out, so that parts of it come near to a thing again and again."""
    angle = np.linspace(0, 2 * np.pi if closed else 5.5, bits + 1)
    r = 40 + 4 * np.sin(9 * angle)
    return np.stack([50 + r * np.cos(angle), 40 + 0.8 * r * np.sin(angle)], axis=1)


def block(low: Any, high: Any) -> Any:
    x, y, z = (sorted(pair) for pair in zip(low, high, strict=True))
    return shapes.box(tuple(x), tuple(y), tuple(z))


@pytest.mark.few(5)
@pytest.mark.parametrize(
    "seed", [*range(12), *(pytest.param(k, marks=pytest.mark.slow) for k in range(12, 60))]
)
def test_parts_of_a_path_that_break_off_hold_all_that_is_near(
    seed: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Small things beside, under and over a head, some of them level with its faces: the path shown is in
    pieces, open where it breaks off, and FCL finds on it what it finds on the whole envelope.
    """
    rng = np.random.default_rng(seed)
    low = rng.uniform((-40, -30, -45), (130, 110, 5))
    high = low + rng.choice([0.5, 3.0, 30.0], 3)
    if seed % 3 == 0:
        low[2] = rng.choice([-0.1, -6.1, -40.1, 0.0])  # level with a face of the head
    triangles = apply(pose((0, 0, 0), (0, 0, rng.choice([0.0, 30.0]))), block(low, high))
    path = wave(int(rng.choice([60, 300, 900])), bool(seed % 2))
    whole = distance(triangles, path, monkeypatch, everything=True)
    shown = distance(triangles, path, monkeypatch, everything=False)
    assert shown <= whole + 1e-12
    assert shown == pytest.approx(whole, abs=5e-3)


STARTS = ("at a corner", "anywhere, and said to be far", "anywhere, and said to be near", "nowhere")


def told(how: str, triangles: Any, path: Any, rng: Any) -> WarmStart:
    """A place where to look first, none of them the nearest one but by chance."""
    on_item = triangles[rng.integers(len(triangles)), rng.integers(3)]
    wire = path[rng.integers(len(path))]
    if how == "nowhere":
        return WarmStart(wire * np.nan, on_item * np.nan, on_item + 1e3)
    if how == "at a corner":
        wire = path[int(np.argmin(np.hypot(*(path - on_item[:2]).T)))]
        return WarmStart(wire, np.array([*wire, -0.1]), on_item)
    apart = 500.0 if "far" in how else 1e-3
    return WarmStart(wire + rng.uniform(-50, 50, 2), on_item + np.array([0.0, 0.0, apart]), on_item)


@pytest.mark.few(6)
@pytest.mark.parametrize("how", STARTS)
@pytest.mark.parametrize("alone", [True, False])
@pytest.mark.parametrize("seed", range(8))
def test_where_to_look_first_is_not_believed(
    how: str, alone: bool, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A wrong place to begin at, also one that is said to be the best, changes nothing that is found."""
    rng = np.random.default_rng(seed)
    if seed % 2:
        triangles = grid(60, 50, SHEETS["wavy above" if seed % 4 == 1 else "far below"])
    else:
        low = rng.uniform((-40, -30, -45), (130, 110, 5))
        triangles = block(low, low + rng.choice([0.5, 3.0, 30.0], 3))
    path = wave(60 if alone else 12, True)
    whole = distance(triangles, path, monkeypatch, everything=True)
    shown = distance(triangles, path, monkeypatch, False, told(how, triangles, path, rng), alone)
    assert shown <= whole + 1e-12
    assert shown == pytest.approx(whole, abs=5e-3)
    assert (shown == 0.0) == (whole == 0.0)


def test_a_place_said_to_be_a_little_nearer_than_it_is_is_measured() -> None:
    """A cylinder of radius 5, its face at Z 0, goes by 7 beside a corner at Z 3: 2 apart."""
    head = pieces_of_profile([(0, 5.0), (20, 5.0)], 0.0, up=True)
    triangles = np.array([[[20.0, 7.0, 3.0], [21.0, 9.0, 3.0], [19.0, 9.0, 3.0]]])
    boxes, path = AabbSet(*boxes_of(triangles)), PathBoxes([np.array([[0.0, 0.0], [40.0, 0.0]])])
    for said in (1.96, 2.0, 2.5):
        start = WarmStart(np.array([20.0, 0.0]), np.array([20.0, 7.0 - said, 3.0]), triangles[0, 0])
        (found,) = started(path, head, [(triangles, boxes, start)])
        assert found is not None
        assert found.there == pytest.approx(2.0, abs=1e-12)
    # that is farther than was said: another part of the head was meant
    start = WarmStart(np.array([20.0, 0.0]), np.array([20.0, 5.1, 3.0]), triangles[0, 0])
    assert started(path, head, [(triangles, boxes, start)]) == [None]


@pytest.mark.parametrize("count", [1, 2, 23, 24, 25, 26, 49, 1000])
def test_a_few_boxes_hold_every_triangle_of_a_body(count: int) -> None:
    triangles = np.random.default_rng(count).normal(size=(count, 3, 3))
    low, high = Bodies([body(triangles)], np.zeros(3)).groups(0)
    lowest, highest = triangles.min(axis=1), triangles.max(axis=1)
    inside = ((lowest[:, None] >= low) & (highest[:, None] <= high)).all(axis=2)
    assert inside.any(axis=1).all()
    assert len(low) <= 25


def test_one_of_many_equal_bits_is_shown_to_its_ends(monkeypatch: pytest.MonkeyPatch) -> None:
    """A disc that rides level under a small thing: the place that is nearest lies beyond the bit shown."""
    triangles, path = block((14.5, 29.0, 0.0), (15.5, 30.0, 1.0)), wave(900, True)
    elsewhere = envelope(polyline(path[:2] + 1e3), HEAD)
    with monkeypatch.context() as patch:
        patch.setattr(FclHead, "_at_position", lambda self, place, piece: elsewhere)
        assert distance(triangles, path, patch, everything=False) == pytest.approx(0.1, abs=1e-4)
        near = side.near_any
        patch.setattr(side, "near_any", lambda *a: (near(*a)[0], np.zeros(len(a[1]), dtype=bool)))
        assert distance(triangles, path, patch, everything=False) > 0.2
    # and where it was not, it is shown once more before FCL is said to contradict the bound
    monkeypatch.setattr(side, "near_any", lambda *a: (near(*a)[0], np.zeros(len(a[1]), dtype=bool)))
    assert distance(triangles, path, monkeypatch, everything=False) == pytest.approx(0.1, abs=1e-4)


def lines_between(x: Any, count: Any) -> Any:
    """A zigzag of so many lines that all end at x and -x, 80 mm deep."""
    y = np.repeat(np.linspace(-40, 40, count // 2 + 1), 2)
    return np.column_stack([np.resize([-x, x, x, -x], len(y)), y])


@pytest.mark.parametrize(
    "piece",
    [
        HeadPiece(np.array([-10.0, 0.0]), np.array([20.0, 20.0])),
        HeadPiece(np.array([-10.0, 0.0]), np.array([15.0, 20.0])),
        HeadPiece(np.array([-10.0, 0.0]), np.array([0.0, 0.0]), (-20.0, 20.0, -20.0, 20.0)),
    ],
    ids=["disc", "cone", "box"],
)
@pytest.mark.parametrize("count", [400, 2000])
def test_of_lines_that_all_end_as_near_to_a_wall_few_are_shown(piece: Any, count: Any) -> None:
    """Each line ends 40 mm before the wall, and the piece reaches 20 mm: by hand, 20 mm from each."""
    wall = block((-150.0, -200.0, -60.0), (-120.0, 200.0, 60.0))
    head = FclHead(
        Bodies([body(wall)], np.zeros(3)), polyline(lines_between(80.0, count)), [piece], None, [0]
    )
    assert 20.0 - DEFAULT.width <= head.distance(0) <= 20.0 + 1e-9
    assert len(head._made[0.0, 0.0].seen[0]) < 4000


def test_boxes_about_long_lines_are_no_more_than_can_be_held_against_all() -> None:
    """Four kilometres of path, of bits as long as the field is wide."""
    boxes = PathBoxes([lines_between(80.0, 50_000)])
    assert len(boxes.p) < 150_000
    assert np.array_equal(boxes.p[1:], boxes.q[:-1])


@pytest.mark.parametrize("seed", range(8))
def test_what_a_standing_head_bounds_is_all_that_matters(seed: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """A short path: of its envelope FCL is shown only what is no farther than the head at one corner of
    it."""
    rng = np.random.default_rng(100 + seed)
    low = rng.uniform((-60, -60, -60), (60, 60, 20))
    triangles = apply(
        pose((0, 0, 0), tuple(rng.uniform(-40, 40, 3))), block(low, low + rng.uniform(1, 40, 3))
    )
    path = np.cumsum(rng.uniform(-6, 6, (5, 2)), axis=0)
    shown = FclHead(Bodies([body(triangles)], np.zeros(3)), polyline(path), HEAD, None, [0])
    near = shown.distance(0)
    whole = envelope(polyline(path), HEAD).triangles
    assert len(shown._made[0.0, 0.0].seen[0]) < len(whole)
    surface = Bodies([body(triangles)], np.zeros(3)).whole(0)
    assert near in (0.0, gap(Surface(whole, np.zeros(3)), surface))


@pytest.mark.parametrize("lift", [0.0, 7.25])
def test_many_equal_openings_have_one_tree_and_each_its_own_distance(
    lift: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A square opening at forty places, and one that is 0.001 longer, beside a wall and over a step, against
    plane geometry: the straight side of what a cylinder of radius 5 sweeps ends 5 beyond its path."""
    made = []
    model = side.fcl.BVHModel
    monkeypatch.setattr(side.fcl, "BVHModel", lambda: made.append(0) or model())  # type: ignore[func-returns-value]
    wall = block((60.0, -50.0, -20.0), (70.0, 50.0, 40.0))
    step = block((60.0, -50.0, -20.0), (70.0, 50.0, -3.0))
    bodies = Bodies([body(wall), body(step)], np.array([3.0, -2.0, 0.5]))
    cylinder = pieces_of_profile([(0, 5.0), (10, 5.0)], lift, up=True)
    reach = [4.0] * 40 + [4.001]
    at = np.append(0.9 * np.arange(40), 7.77)
    square = np.array([(0, 0), (1, 0), (1, 1), (0, 1), (0, 0)])
    paths = [polyline(square * [x, 4.0] + [a, 0.3 * a]) for x, a in zip(reach, at, strict=True)]
    bodies.expect((path, cylinder, None) for path in paths)
    heads = [FclHead(bodies, path, cylinder, None, [0, 1]) for path in paths]
    side.prepare(heads)
    assert len(made) < 10, "a tree for each opening"
    for head, x, a in zip(heads, reach, at, strict=True):
        beside = 60.0 - (a + x) - 5.0
        assert head.distance(0) == pytest.approx(beside, abs=1e-9)
        assert head.distance(1) == pytest.approx(np.hypot(beside, 3.0 + lift), abs=1e-9)


def test_an_exact_touch_does_not_slip_the_collision_query() -> None:
    """Blocks turned at random, lifted until their highest corner is on the lower face of a piece: by
    construction a touch, and none 0.01 below. FCL's collision query alone misses some of them."""
    rng = np.random.default_rng(5)
    piece = piece_of_box((-30, 30), (-20, 80), (40, 60), -0.1, up=True)
    path = polyline(np.array([(0.0, 0.0), (7.3, 4.1)]))
    missed = 0
    for _ in range(60):
        size = rng.uniform(1, 8, 3)
        turned = pose((*rng.uniform(-4, 4, 2), 0.0), tuple(rng.uniform(5, 40, 3)))
        triangles = apply(turned, block(-size, size))
        bodies = Bodies([body(triangles)], np.zeros(3))
        lift = float(piece.z[0] - triangles[..., 2].max())
        head = TouchHead(bodies, path, [piece], None, {0: [lift, lift - 0.01]})
        assert head.touches(0, lift)
        assert not head.touches(0, lift - 0.01)
        flush = head.near[0].at(np.array([0.0, 0.0, lift])).object
        asked = side.fcl.CollisionRequest(), side.fcl.CollisionResult()
        missed += not side.fcl.collide(head.surface.object, flush, *asked)
    assert missed, "the distance would not be needed"
