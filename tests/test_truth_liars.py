"""Models that lie: turned normals, doubled facets, shells within shells, holes: no clash becomes a clear.

The truth is that of the honest body, a union of convex parts (tests/oracles); the judge gets its skin with a
lie in it, read by the same rules as a model file. Where the lie leaves the surface closed every promise must
hold as if it were honest; where it opens it, a clash may become undecided, and nothing better.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from clearance.checking.result import Pair, Result
from clearance.checking.verdict import check
from clearance.mesh.topology import judged
from clearance.scene.heads import HeadPiece
from clearance.scene.model import SideHeight
from tests.oracles.compare import allowed_verdicts, complaints_about
from tests.oracles.scenes import Recipe, Shape, Step, Track, case_of, recipe_of_seed
from tests.oracles.shapes import Part, block, prism, tetrahedron
from tests.oracles.truth import Array, Case, PairTruth, truths

Rng = np.random.Generator
Lie = Callable[[Array, Rng], Array]


def read_as(case: Case, skins: dict[int, Array] | Lie, seed: int = 0) -> Case:
    """The same truth, but the judge is given other triangles, judged as those of a file are."""
    rng = np.random.default_rng(seed)
    bodies = []
    for i, body in enumerate(case.scene.bodies):
        skin = skins(body.triangles_M, rng) if callable(skins) else skins.get(i, body.triangles_M)
        solid = judged(np.ascontiguousarray(skin))
        allow = SideHeight(body.allow.side + solid.facet_error, body.allow.height + solid.facet_error)
        bodies.append(replace(body, triangles_M=solid.triangles, closed=solid.closed, allow=allow))
    return replace(case, scene=replace(case.scene, bodies=tuple(bodies)))


def scene_of(
    parts: tuple[Part, ...], lower: tuple[HeadPiece, ...], steps: tuple[Step, ...], start: Any = (0.0, 0.0)
) -> Case:
    """One body, a lower head along a path; the upper head is far up."""
    upper = (HeadPiece(np.array([500.0, 540.0]), np.array([5.0, 5.0])),)
    track = Track(start, steps, lower, upper, 0.0, 500.0)
    shape = Shape("liar", "holder", parts, (0.0, 0.0), (0.0, 0.0))
    return case_of(Recipe("a model that lies", (shape,), (track,)))


def needle(low: float, high: float, r: float = 0.0) -> tuple[HeadPiece, ...]:
    return (HeadPiece(np.array([low, high]), np.array([r, r])),)


def lower_of(result: Result) -> Pair:
    (pair,) = [p for p in result.pairs if p.head == "lower"]
    return pair


def lower_verdict(case: Case) -> str:
    return lower_of(check(case.scene)).verdict


# ------------------------------------------------- lies that leave the surface closed


def _turned(skin: Array, which: np.ndarray) -> Array:
    out = skin.copy()
    out[which] = out[which][:, ::-1]
    return out


def _finer(skin: Array, _: Rng) -> Array:
    """Each facet in four: the same surface, with vertices in the middle of every edge."""
    a, b, c = skin[:, 0], skin[:, 1], skin[:, 2]
    ab, bc, ca = (a + b) / 2, (b + c) / 2, (c + a) / 2
    return np.concatenate([np.stack(t, 1) for t in ((a, ab, ca), (ab, b, bc), (ca, bc, c), (ab, bc, ca))])


def _with_flat_facets(skin: Array, rng: Rng) -> Array:
    some = skin[rng.integers(0, len(skin), 4)]
    return np.concatenate([skin, np.stack([some[:, 0], some[:, 1], some[:, 0]], 1), some[:, [0, 0, 0]]])


CLOSED_LIES: dict[str, Lie] = {
    "all facets turned inward": lambda s, _: s[:, ::-1],
    "facets turned at random": lambda s, rng: _turned(s, rng.random(len(s)) < 0.5),
    "one facet turned": lambda s, rng: _turned(s, np.arange(len(s)) == rng.integers(len(s))),
    "every facet twice": lambda s, _: np.concatenate([s, s]),
    "every facet twice, once turned": lambda s, _: np.concatenate([s, s[:, ::-1]]),
    "every facet three times": lambda s, _: np.concatenate([s, s[:, ::-1], s]),
    "one facet twice": lambda s, rng: np.concatenate([s, s[[rng.integers(len(s))]]]),
    "facets in any order": lambda s, rng: s[rng.permutation(len(s))][:, [1, 2, 0]],
    "facets without area among them": _with_flat_facets,
    "each facet in four": _finer,
}


@pytest.fixture(scope="module")
def honest() -> list[tuple[Case, list[PairTruth]]]:
    cases = [case_of(recipe_of_seed(s)) for s in range(3100, 3112)]
    return list(zip(cases, truths(cases, per_move=False), strict=True))


@pytest.mark.few("facets turned at random", "every facet twice")
@pytest.mark.parametrize("lie", CLOSED_LIES)
def test_a_closed_liar_is_judged_as_if_it_were_honest(lie: str, honest: Any) -> None:
    seen = set()
    first = 2 * list(CLOSED_LIES).index(lie) % 10
    for seed, (case, mine) in enumerate(honest[first : first + 3]):
        told = read_as(case, CLOSED_LIES[lie], seed)
        for body in told.scene.bodies:
            assert body.closed, lie
        tally = complaints_about(told, check(told.scene), mine)
        assert not tally.complaints, "\n".join(map(str, tally.complaints))
        seen |= {"clash"} if tally.clashes else {"other"}
    assert "clash" in seen


@pytest.mark.few(12)
@pytest.mark.parametrize("lie", [None, *CLOSED_LIES])
@pytest.mark.parametrize("shape", ["block", "tetrahedron", "tilted prism"])
def test_a_needle_inside_a_closed_liar_is_a_clash(shape: str, lie: str | None) -> None:
    """Its surface is nowhere near: only the inside tells."""
    t = np.arange(7) * 2 * np.pi / 7
    part = {
        "block": block([-20, -30, -40], [50, 20, 10]),
        "tetrahedron": tetrahedron(np.array([(-60, -50, -40), (70, -40, -45), (5, 80, -30), (0.0, 0, 60)])),
        "tilted prism": prism(np.column_stack([30 * np.cos(t), 30 * np.sin(t)]), -40, 40, 0.7).posed(
            np.array([(0.8, 0, 0.6), (0, 1, 0), (-0.6, 0, 0.8)]), np.zeros(3)
        ),
    }[shape]
    case = scene_of((part,), needle(-3, 0), (Step((2.0, 1.0)),))
    told = case if lie is None else read_as(case, CLOSED_LIES[lie])
    pair = lower_of(check(told.scene))
    assert (pair.verdict, pair.clearance) == ("clash", 0.0)


# ------------------------------------------------- many shells, nested shells


@pytest.mark.slow
def test_hundreds_of_shells_are_one_body() -> None:
    """216 blocks fill a cube; a needle in any of them, on a wall between two, or beside the cube."""
    cells = [
        block([x, y, z], [x + 5, y + 5, z + 5])
        for x in range(-15, 15, 5)
        for y in range(-15, 15, 5)
        for z in range(-15, 15, 5)
    ]
    skin = np.concatenate([c.triangles for c in cells])
    whole = (block([-15, -15, -15], [15, 15, 15]),)
    rng = np.random.default_rng(7)
    for at in [*rng.uniform(-14.9, 14.9, (6, 3)), (0.0, 0.0, 0.0), (5.0, -5.0, 2.5), (15.0, 3.0, 1.0)]:
        case = scene_of(whole, needle(at[2] - 0.05, at[2]), (Step((at[0], at[1])),), (at[0], at[1]))
        assert lower_verdict(read_as(case, {0: skin})) == "clash", at
    free = scene_of(whole, needle(-2, 0, 1.0), (Step((16.25, 9.0)),), (16.25, -9.0))
    told = read_as(free, {0: skin})
    pair = lower_of(check(told.scene))
    assert pair.verdict == "clear"
    assert 0.25 - 0.005 <= pair.clearance <= 0.25 + 1e-9


def test_hundreds_of_scattered_shells_keep_every_promise() -> None:
    """240 small bodies as one item, a head that winds among them: the oracle takes each for itself."""
    rng = np.random.default_rng(11)
    parts = []
    for _ in range(240):
        x, y, z = rng.uniform(-60, 60), rng.uniform(-60, 60), rng.uniform(-30, 5)
        parts.append(block([x, y, z], [x + 1.5, y + 1, z + 2]))
    head = (HeadPiece(np.array([-8.0, 0.0]), np.array([3.0, 1.0])),)
    steps = (Step((40.0, 20.0)), Step((-30.0, 25.0)), Step((-30.0, -40.0)))
    case = scene_of(tuple(parts), head, steps, (-50.0, 0.0))
    for lie in (None, "facets turned at random", "every facet twice"):
        told = case if lie is None else read_as(case, CLOSED_LIES[lie])
        tally = complaints_about(told, check(told.scene), truths([case], per_move=True, nudge=0.005)[0])
        assert not tally.complaints, "\n".join(map(str, tally.complaints))


OUTER, INNER = block([-20, -20, -20], [20, 20, 20]), block([-8, -8, -8], [8, 8, 8])


@pytest.mark.parametrize("inner_turned", [False, True], ids=["as a body", "as a void"])
@pytest.mark.parametrize("outer_turned", [False, True], ids=["outer right", "outer inside out"])
@pytest.mark.parametrize(
    ("at", "verdict"),
    [
        ((0, 0, 0), "clash"),
        ((14, 3, -2), "clash"),
        ((-3, 14, 14), "clash"),
        ((21, 0, 0), "clear"),
        ((20, 1, 0), "clash"),
    ],
)
def test_a_shell_inside_a_shell(inner_turned: Any, outer_turned: Any, at: Any, verdict: Any) -> None:
    """A void counts as solid: no head comes into it but through the wall."""
    outer, inner = OUTER.triangles, INNER.triangles
    skin = np.concatenate(
        [outer[:, ::-1] if outer_turned else outer, inner[:, ::-1] if inner_turned else inner]
    )
    case = scene_of((OUTER,), needle(at[2] - 1, at[2] + 1), (Step(at[:2]),), at[:2])
    assert lower_verdict(read_as(case, {0: skin})) == verdict


def test_seven_shells_within_each_other() -> None:
    """However many skins are around a point, turned one way or the other, it is inside."""
    sizes = range(4, 32, 4)
    for turned in (0, 0b1010101, 0b1111111, 0b0011001):
        shells = [block([-s] * 3, [s] * 3).triangles for s in sizes]
        skin = np.concatenate([t[:, ::-1] if turned >> i & 1 else t for i, t in enumerate(shells)])
        for x in range(2, 28, 4):
            case = scene_of((block([-28] * 3, [28] * 3),), needle(-0.3, 0.2), (Step((x, 0.7)),), (x, 0.3))
            assert lower_verdict(read_as(case, {0: skin})) == "clash", (bin(turned), x)


# ------------------------------------------------- surfaces that cross themselves


def _bow_tie() -> tuple[Array, tuple[Part, ...]]:
    """A prism over a figure of eight: its outline crosses itself in the middle, one half is inside out."""
    outline = np.array([(-30, -10), (30, 10), (30, -10), (-30, 10)], dtype=float)
    n, faces = 4, []
    corners = np.concatenate([np.column_stack([outline, np.full(n, z)]) for z in (-15.0, 15.0)])
    for i in range(n):
        j = (i + 1) % n
        faces += [(i, j, n + j), (i, n + j, n + i)]
    # top and bottom as they come out of a fan that does not know of the crossing: lids lie over both halves
    faces += [(0, 2, 1), (0, 3, 2), (n, n + 1, n + 2), (n, n + 2, n + 3)]
    halves = tuple(
        prism(np.array(o, dtype=float), -15.0, 15.0)
        for o in ([(-30, -10), (0, 0), (-30, 10)], [(0, 0), (30, -10), (30, 10)])
    )
    return corners[np.array(faces)], halves


def _star() -> tuple[Array, tuple[Part, ...]]:
    """A prism over a pentagram drawn in one go: it winds twice around its middle."""
    t = np.pi / 2 + 2 * np.pi * 2 * np.arange(5) / 5
    tips = 30 * np.column_stack([np.cos(t), np.sin(t)])
    n, faces = 5, []
    corners = np.concatenate([np.column_stack([tips, np.full(n, z)]) for z in (-15.0, 15.0)])
    corners = np.concatenate([corners, [(0, 0, -15.0), (0, 0, 15.0)]])
    for i in range(n):
        j = (i + 1) % n
        faces += [(i, j, n + j), (i, n + j, n + i), (2 * n, j, i), (2 * n + 1, n + i, n + j)]
    inner = 30 * np.sin(np.pi / 10) / np.sin(7 * np.pi / 10)  # pentagram: radius of the inner corners
    a = np.pi / 2 + 2 * np.pi * np.arange(5) / 5
    outer_tip = 30 * np.column_stack([np.cos(a), np.sin(a)])
    b = a + np.pi / 5
    notch = inner * np.column_stack([np.cos(b), np.sin(b)])
    parts = [prism(notch, -15, 15)]
    parts += [prism(np.array([notch[i - 1], outer_tip[i], notch[i]]), -15, 15) for i in range(5)]
    return corners[np.array(faces)], tuple(parts)


@pytest.mark.few(2)
@pytest.mark.parametrize("make", [_bow_tie, _star])
@pytest.mark.parametrize(
    "lie", [None, "facets turned at random", "all facets turned inward", "every facet twice"]
)
def test_a_surface_that_crosses_itself_is_solid_wherever_it_winds(make: Any, lie: str | None) -> None:
    """Never clear where the honest union of its lobes is met; thin lids make it larger, not smaller."""
    skin, parts = make()
    rng = np.random.default_rng(5)
    low, high = skin.min((0, 1)) - 3, skin.max((0, 1)) + 3
    spots = [(float(rng.uniform(low[0], high[0])), float(rng.uniform(low[1], high[1]))) for _ in range(24)]
    cases = [scene_of(parts, needle(-2, 1), (Step((x + 0.1, y)),), (x, y)) for x, y in spots]
    inside = 0
    for case, mine in zip(cases, truths(cases, per_move=False), strict=True):
        told = read_as(case, {0: skin if lie is None else CLOSED_LIES[lie](skin, rng)})
        if mine[0].clearance[1] == 0.0:
            inside += 1
            assert lower_verdict(told) in ("clash", "undecided"), case.scene.stretches[0].moves.start
    assert inside > 5


# ------------------------------------------------- needles through corners and edges


@pytest.mark.few(1)
@pytest.mark.parametrize("lie", [None, "all facets turned inward", "facets turned at random"])
def test_a_needle_through_corners_of_the_shell_it_stands_in(lie: str | None) -> None:
    """Straight above and below it, beside it along X and Y, there are corners, edges, facets seen edge on."""
    shapes = {
        "corner above and below": tetrahedron(
            np.array([(-40, -30, -30), (40, -30, -30), (0.0, 0, 40), (0, 50, -30)])
        ),
        "edge below": block([-20, -20, -20], [20, 20, 20]).posed(
            np.array([(1, 0, 0), (0, np.sqrt(0.5), -np.sqrt(0.5)), (0, np.sqrt(0.5), np.sqrt(0.5))]),
            np.zeros(3),
        ),
        "the lids' diagonal": block([-20, -20, -20], [20, 20, 20]),
        "a cube on its corner": block([-10, -10, -10], [10, 10, 10]).posed(
            np.array([(1, -1, 0) / np.sqrt(2), (1, 1, -2) / np.sqrt(6), (1, 1, 1) / np.sqrt(3)]), np.zeros(3)
        ),
    }
    for name, part in shapes.items():
        for end in ((0.0, 0.0), (0.5, 0.5), (0.0, 0.25)):
            case = scene_of((part,), needle(-2, 2), (Step(end),))
            told = case if lie is None else read_as(case, CLOSED_LIES[lie])
            assert lower_verdict(told) == "clash", name


def test_a_needle_exactly_under_and_over_a_corner_outside_is_clear() -> None:
    """The same lines, from outside: nothing is swallowed."""
    part = tetrahedron(np.array([(-40, -30, 10), (40, -30, 10), (0.0, 0, 40), (0, 50, 10)]))
    for low, high in ((0.0, 8.0), (42.0, 50.0)):
        case = scene_of((part,), needle(low, high), (Step((0.0, 0.0)),))
        assert lower_verdict(case) == "clear"


# ------------------------------------------------- open shells


def test_a_needle_in_a_box_without_a_facet_is_undecided() -> None:
    """Twelve boxes, each with another facet missing: nobody knows, and it is told."""
    part = block([-20, -20, -20], [20, 20, 20])
    for missing in range(12):
        case = read_as(
            scene_of((part,), needle(-1, 1), (Step((1.0, 2.0)),)),
            {0: np.delete(part.triangles, missing, axis=0)},
        )
        result = check(case.scene)
        assert (result.verdict, lower_of(result).verdict) == ("undecided", "undecided"), missing
        (finding,) = [f for f in result.findings if f.kind == "open model"]
        assert (finding.item, finding.severity) == ("liar", "undecided")


def test_an_open_box_that_is_touched_is_a_clash_and_one_far_off_is_clear() -> None:
    """Distances to the surface are facts: a hole makes nobody fussy who stays away from it."""
    part = block([-20, -20, -20], [20, 20, 20])
    for missing in range(12):
        skin = np.delete(part.triangles, missing, axis=0)
        through = scene_of((part,), needle(-1, 1, 4.0), (Step((60.0, 3.0)),), (-60.0, -3.0))
        assert lower_verdict(read_as(through, {0: skin})) == "clash", missing
        for y in (-60.0, 40.0):
            past = scene_of((part,), needle(-1, 1, 4.0), (Step((60.0, y)),), (-60.0, y))
            told = check(read_as(past, {0: skin}).scene)
            assert lower_of(told).verdict == "clear", (missing, y)
            assert lower_of(told).clearance >= 15.99


@pytest.mark.parametrize("share", [0.0, 0.3])
@pytest.mark.slow
def test_random_scenes_with_holes_are_never_clear_where_they_clash(share: float, honest: Any) -> None:
    """One facet gone, or nearly a third of them: what clashes in truth is a clash or undecided."""

    def opened(skin: Array, rng: Rng) -> Array:
        gone = rng.random(len(skin)) < share
        gone[rng.integers(len(skin))] = True
        return skin[~gone] if not gone.all() else skin[:1]

    kinds = set()
    for seed, (case, mine) in enumerate(honest[:8]):
        told = check(read_as(case, opened, seed).scene)
        for pair in told.pairs:
            (truth,) = [t for t in mine if (t.head, t.item, t.cut) == (pair.head, pair.item, pair.cut)]
            kinds.add(pair.verdict)
            if allowed_verdicts(truth) == {"clash"} and truth.clearance[1] < 1e-9:
                assert pair.verdict in ("clash", "undecided"), (case.name, pair.head, pair.item)
    assert {"clash", "clear"} <= kinds


def test_a_way_in_through_the_hole_is_not_clear() -> None:
    """A needle comes from far off, by a way that no axis shares, through the missing side, and in."""
    part = block([-20, -20, -20], [20, 20, 20])
    tri = part.triangles
    side = np.all(tri[:, :, 0] == 20.0, axis=1)
    assert side.sum() == 2
    case = scene_of((part,), needle(-1, 1), (Step((5.0, 1.0)),), (90.0, 75.0 / 2))
    (truth,) = [t for t in truths([case], per_move=False)[0] if t.head == "lower"]
    assert truth.clearance[1] == 0.0
    assert lower_verdict(read_as(case, {0: tri[~side]})) != "clear"
