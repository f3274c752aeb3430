"""The judge against figures worked out by hand: the arithmetic stands in each test.

Sources: plane geometry unless a test names another. Every figure must be met from below: never above the
hand figure (1e-6 for rounding), at most 0.005 mm under it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from clearance.checking.result import Pair, Result
from clearance.checking.verdict import check
from clearance.scene.heads import HeadPiece, piece_of_box, pieces_of_profile
from tests.oracles.scenes import Recipe, Shape, Step, Track, arc_step, case_of
from tests.oracles.shapes import Part, block, post, tetrahedron

NO = (0.0, 0.0)
LOWER_Z, UPPER_Z = -0.1, 25.1
#: face 5 mm about the wire, a nut of 17.5 from 6 mm behind it, then a cone
STEPPED = [(0, 5.0), (6, 5.0), (6, 17.5), (40, 25.0)]
#: 45 degrees: as much wider as farther behind the face
NOSE = [(0, 2.0), (10, 12.0)]


def judged(
    parts: Sequence[Part] | Part,
    steps: Sequence[Step] = (Step((100.0, 0.0)),),
    start: tuple[float, float] = (0.0, 0.0),
    profile: Sequence[tuple[float, float]] = STEPPED,
    margin: tuple[float, float] = NO,
    allow: tuple[float, float] = NO,
    upper: Sequence[HeadPiece] | None = None,
    far: Sequence[float] = (0.0, 0.0, 0.0),
    moves: bool = False,
) -> Result:
    """The whole of it moved by ``far``; heads at their usual heights."""
    x, y, z = far
    whole = (parts,) if isinstance(parts, Part) else tuple(parts)
    if upper is None:
        upper = pieces_of_profile(profile, UPPER_Z + z, up=True)
    shifted = tuple(
        Step(
            (s.end[0] + x, s.end[1] + y),
            None if s.centre is None else (s.centre[0] + x, s.centre[1] + y),
            s.sweep,
        )
        for s in steps
    )
    track = Track(
        (start[0] + x, start[1] + y),
        shifted,
        tuple(pieces_of_profile(profile, LOWER_Z + z, up=False)),
        tuple(upper),
        LOWER_Z + z,
        UPPER_Z + z,
    )
    shape = Shape("it", "holder", tuple(p.shifted(far) for p in whole), margin, allow)
    return check(case_of(Recipe("by hand", (shape,), (track,))).scene, moves=moves)


def of(result: Result, head: str) -> Pair:
    return next(p for p in result.pairs if p.head == head)


def meets(value: float | None, truth: float) -> bool:
    return value is not None and truth - 0.005 <= value <= truth + 1e-6


# ------------------------------------------------------------------ lines


def test_block_beside_a_straight_move() -> None:
    """The move runs along y = 0; a block from y = 20 to 40, z = -5 to 20. Lower face at -0.1: of the lower
    head only the first 6 mm (radius 5, z -6.1 to -0.1) share its height, the nut (17.5) begins at -6.1, 1.1
    below the block.

    side = 20 - 5 = 15; clearance = least of 15 and hypot(20 - 17.5, 1.1) = 2.7313. Height: the cone widens
    from 17.5 by 7.5 in 34 mm, reaches 20 at 34 x 2.5 / 7.5 = 11.3333 behind the nut's rim, z = -17.4333,
    12.4333 under the block; with a side margin of 3 the rim itself counts, 1.1 under it.
    """
    p = of(judged(block([30, 20, -5], [60, 40, 20])), "lower")
    assert meets(p.side, 15.0)
    assert meets(p.clearance, float(np.hypot(2.5, 1.1)))
    assert meets(p.height, 12.433333333)
    p = of(judged(block([30, 20, -5], [60, 40, 20]), margin=(3.0, 0.05)), "lower")
    assert meets(p.height, 1.1)
    assert p.verdict == "clear", "1.1 up and 2.5 beside: within neither 3 x 0.05 box"


def test_thin_post_in_the_middle_of_a_long_move() -> None:
    """A 0.2 mm square post at x = 50 of a 100 mm move: nothing between two positions is missed.

    Its near face stands at y = 5.3: 0.3 beside the nozzle of radius 5 (z -3 to -1 is the nozzle's own
    height). In the way, at y = 0, it is a clash on move 1.
    """
    p = of(judged(block([49.9, 5.3, -3], [50.1, 5.5, -1])), "lower")
    assert meets(p.side, 0.3)
    assert meets(p.clearance, 0.3)
    p = of(judged(block([49.9, -0.1, -3], [50.1, 0.1, -1])), "lower")
    assert (p.verdict, p.clearance, p.touching) == ("clash", 0.0, ((1, 1),))


def test_box_that_moves_along() -> None:
    """A box 30..40 to the right, 10 either way across, 2 to 12 above the upper face; the move is 50 along x.

    It sweeps x 30 to 90, y -10 to 10, z 27.1 to 37.1. A block from (95, 14, 30) on is hypot(5, 4) off; one
    that stands at z = 40.1 over it, 3.
    """
    box = piece_of_box((30, 40), (-10, 10), (2, 12), UPPER_Z, up=True)
    needle = HeadPiece(np.array([UPPER_Z, UPPER_Z + 1]), np.full(2, 0.5))
    steps = (Step((50.0, 0.0)),)
    p = of(judged(block([95, 14, 30], [120, 50, 33]), steps, upper=(needle, box)), "upper")
    assert meets(p.clearance, float(np.hypot(5, 4)))
    p = of(judged(block([60, -3, 40.1], [70, 3, 50]), steps, upper=(needle, box)), "upper")
    assert meets(p.clearance, 3.0)
    assert meets(p.height, 3.0)


def test_disc_to_disc() -> None:
    """Radius 2 at z 0 against radius 3 at z 4, axes 10 apart: 5 sideways, 4 up, sqrt 41.

    The item is a post of many sides that circumscribes radius 3 where it faces the head: a flat at x = 7.
    """
    sides = 64
    around = 6.0 / np.cos(np.pi / sides)
    item = post(around, 4.0, 9.0, sides, turn=np.pi / sides).shifted([10, 0, LOWER_Z])
    result = judged(
        item,
        (Step((0.0, 0.0)),),
        profile=[(0, 2.0), (3, 2.0)],
        upper=(HeadPiece(np.array([UPPER_Z, UPPER_Z + 1]), np.full(2, 0.5)),),
    )
    assert meets(of(result, "lower").clearance, float(np.sqrt(41)))


# ------------------------------------------------------------------ cones


def test_block_edge_against_a_nose_of_45_degrees() -> None:
    """The flank is the line r = 2 + depth behind the face. An edge parallel to the move, level with the
    face and 6 from the wire's plane, is (6 - 2) / sqrt 2 = 2.8284271 off: below, and above just the
    same."""
    want = 2.8284271
    low = of(judged(block([20, 6, LOWER_Z - 40], [60, 30, LOWER_Z]), profile=NOSE), "lower")
    # the block's top is level with the face: the flank below it is nearer where it is wider
    assert low.clearance == 0.0
    edge_up = block([20, 6, LOWER_Z], [60, 30, LOWER_Z + 10])
    edge_down = block([20, 6, UPPER_Z - 10], [60, 30, UPPER_Z])
    assert meets(of(judged(edge_up, profile=NOSE), "lower").clearance, want)
    assert meets(of(judged(edge_down, profile=NOSE), "upper").clearance, want)


def test_an_edge_that_grazes_the_nose_is_a_clash() -> None:
    """The same edge at 2 + 3 from the plane, 3 behind the face: it lies on the flank exactly."""
    on_it = block([20, 5, UPPER_Z - 10], [60, 30, UPPER_Z + 3])
    assert of(judged(on_it, profile=NOSE), "upper").verdict == "clash"
    off = of(judged(on_it.shifted([0, 0.001, 0]), profile=NOSE), "upper")
    assert meets(off.clearance, 0.001 / np.sqrt(2))


# ------------------------------------------------------------------ arcs


@pytest.mark.parametrize("sweep", [2 * np.pi, -2 * np.pi])
def test_full_circle_with_a_post_outside_and_one_inside(sweep: float) -> None:
    """Radius 30 about the origin, nozzle radius 5: it sweeps from 25 to 35. A square post with its near
    face at 36 outside is 1 off (at the face's middle); inside, the far corners of a 2 mm post about the
    centre are sqrt 2 from it, so 25 - sqrt 2 off; a corner that points outward at 24.5 is 0.5 off. No chord
    may pass for the arc."""
    circle = (arc_step((30.0, 0.0), (0.0, 0.0), sweep),)
    outside = block([36, -1, -3], [38, 1, -1])
    p = of(judged(outside, circle, (30.0, 0.0)), "lower")
    assert meets(p.side, 1.0)
    inside = block([-1, -1, -3], [1, 1, -1])
    p = of(judged(inside, circle, (30.0, 0.0)), "lower")
    assert meets(p.side, 25 - np.sqrt(2))
    t = np.radians(37.0)
    corner = tetrahedron(
        np.array([(0, 0, -2), (-3, 2, -2), (-3, -2, -2), (-3, 0, -1.0)])
        @ np.array([[np.cos(t), np.sin(t), 0], [-np.sin(t), np.cos(t), 0], [0, 0, 1]])
        + [24.5 * np.cos(t), 24.5 * np.sin(t), 0]
    )
    p = of(judged(corner, circle, (30.0, 0.0)), "lower")
    assert meets(p.side, 0.5)
    assert meets(p.clearance, 0.5)


def test_quarter_arc_ends_where_it_ends() -> None:
    """Quarter from (30, 0) to (0, 30); a face across the way at y = -8: the nozzle's end disc is 8 - 5 = 3
    off."""
    quarter = (arc_step((30.0, 0.0), (0.0, 0.0), np.pi / 2),)
    p = of(judged(block([20, -20, -3], [40, -8, -1]), quarter, (30.0, 0.0)), "lower")
    assert meets(p.side, 3.0)


# ------------------------------------------------------------------ swallowed


def test_head_inside_a_block_and_block_inside_a_head() -> None:
    """Nothing touches anything's skin; both are 0 and a clash (contract: one swallows the other)."""
    around = block([-100, -100, -80], [200, 100, 80])
    for head in ("lower", "upper"):
        p = of(judged(around), head)
        assert (p.verdict, p.clearance, p.side, p.height) == ("clash", 0.0, 0.0, 0.0)
    speck = block([50, 10, -20.01], [50.02, 10.02, -20])
    p = of(judged(speck), "lower")
    assert (p.verdict, p.clearance, p.side, p.height) == ("clash", 0.0, 0.0, 0.0)


def test_head_in_an_open_pocket_is_free() -> None:
    """Walls 3 mm outside a nozzle of radius 5 that stands still 4 mm above the floor: side 3, height 4 (the
    floor is under it), clearance 3."""
    walls = [
        block([-20, -20, -20], [20, 20, LOWER_Z - 6 - 4]),
        block([-20, -20, -20], [-8, 20, -2]),
        block([8, -20, -20], [20, 20, -2]),
        block([-20, -20, -20], [20, -8, -2]),
        block([-20, 8, -20], [20, 20, -2]),
    ]
    result = judged(walls, (Step((0.0, 0.0)),), profile=[(0, 5.0), (6, 5.0)])
    p = of(result, "lower")
    assert p.verdict == "clear"
    assert meets(p.clearance, 3.0)
    assert meets(p.side, 3.0)
    assert meets(p.height, 4.0)


# ------------------------------------------------------------------ margins


def test_margins_and_allow_by_hand() -> None:
    """A clamp 0.4 beside the nozzle (r 5, move along x). Margin 0.3: clear. Margin 0.3 and allow 0.2: 0.4
    is less than 0.5, close, spare 0.4 - 0.5 = -0.1. Allow 0.5: the real one may touch: clash. A margin of
    0.4, met within 1e-6, is not met: clear."""
    clamp = block([20, 5.4, -3], [40, 20, -1])
    wide = 0.0

    def verdict(side: float, allow: float) -> Pair:
        return of(judged(clamp, margin=(side, wide), allow=(allow, 0.0)), "lower")

    assert verdict(0.3, 0.0).verdict == "clear"
    close = verdict(0.3, 0.2)
    assert close.verdict == "close"
    assert close.spare == pytest.approx(-0.1, abs=0.005)
    assert verdict(0.3, 0.5).verdict == "clash"
    assert verdict(0.39, 0.0).verdict == "clear"
    assert verdict(0.41, 0.0).verdict == "close"


def test_a_face_over_the_part_hides_no_clamp_beside_it() -> None:
    """The upper face rides 0.1 over a block; a clamp stands 0.3 beside the nozzle, up past the face. Height
    is 0.1, side is 0.3: each is told apart, neither hides the other."""
    part = block([-10, -60, 0], [110, 60, 25.0])
    clamp = block([20, 5.3, 20], [40, 20, 28])
    p = of(judged([part, clamp], margin=(0.2, 0.05)), "upper")
    assert meets(p.height, 0.1)
    assert meets(p.side, 0.3)
    assert p.verdict == "clear"


# ------------------------------------------------------------------ near and far

FAR = [(0.0, 0.0, 0.0), (10_000.0, -10_000.0, 0.0), (-9_876.543, 10_000.0, 1_000.0)]


@pytest.mark.parametrize("far", FAR)
@pytest.mark.parametrize("gap", [1e-3, 2e-6, 0.0])
def test_a_micrometre_is_seen_ten_metres_away(far: tuple[float, float, float], gap: float) -> None:
    """A face 5 + gap beside the move: 1 micrometre is free, a graze (0) is a clash, wherever the machine's
    zero is."""
    p = of(judged(block([20, 5.0 + gap, -3], [40, 20, -1]), far=far), "lower")
    if gap == 0.0:
        assert (p.verdict, p.touching) == ("clash", ((1, 1),))
    else:
        assert p.clearance <= gap + 1e-6
    if gap == 1e-3:
        assert p.clearance >= 0.0


@pytest.mark.parametrize("far", FAR)
def test_a_face_rides_exactly_on_a_face(far: tuple[float, float, float]) -> None:
    """The upper face lies on the block's top exactly: touch is a clash."""
    p = of(judged(block([20, -40, 0], [40, 40, UPPER_Z]), far=far), "upper")
    assert p.verdict == "clash"


def test_a_sliver_of_two_hundredths() -> None:
    """A strip 0.02 thick, 60 long, level, 0.05 over the lower nozzle's face: height 0.05. Upright beside it
    at 5.5: 0.5."""
    flat = block([20, -30, LOWER_Z + 0.05], [21, 30, LOWER_Z + 0.07])
    assert meets(of(judged(flat), "lower").height, 0.05)
    upright = block([20, 5.5, -5], [80, 5.52, -1])
    assert meets(of(judged(upright), "lower").side, 0.5)


def test_a_part_one_metre_long_tilted() -> None:
    """A bar 1000 x 40 x 40 that rises by 1 in 100; its lower near edge goes through (0, 12, 30.1). A nozzle
    alone, radius 5, z from 25.1 to 31.1, stands at the origin: the edge passes at its height, 12 - 5 = 7
    beside it."""
    t = np.arctan(0.01)
    R = np.array([[np.cos(t), 0, -np.sin(t)], [0, 1, 0], [np.sin(t), 0, np.cos(t)]])
    bar = block([-500, 0, 0], [500, 40, 40]).posed(R, np.array([0.0, 12.0, 30.1]))
    p = of(judged(bar, (Step((0.0, 0.0)),), profile=[(0, 5.0), (6, 5.0)]), "upper")
    assert meets(p.clearance, 7.0)
    assert meets(p.side, 7.0)


def test_two_items_that_touch_each_other_are_two_items() -> None:
    """Two blocks share a face at x = 30; the heads stand 3 beside both: each has its own figure, 3."""
    parts = [block([0, 8, -3], [30, 20, -1]), block([30, 8, -3], [60, 20, -1])]
    shapes = tuple(Shape(f"it {i}", "holder", (p,), NO, NO) for i, p in enumerate(parts))
    track = Track(
        (0.0, 0.0),
        (Step((60.0, 0.0)),),
        tuple(pieces_of_profile(STEPPED[:2], LOWER_Z, up=False)),
        tuple(pieces_of_profile(STEPPED[:2], UPPER_Z, up=True)),
        LOWER_Z,
        UPPER_Z,
    )
    result = check(case_of(Recipe("by hand", shapes, (track,))).scene)
    for p in result.pairs:
        if p.head == "lower":
            assert meets(p.clearance, 3.0)
