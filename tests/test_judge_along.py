"""What each move has to spare, against figures worked out by hand and against the pairs of the same judge.

Sources: plane geometry; the arithmetic stands in each test.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import clearance
from clearance.checking.per_move import HORIZON, Along, along
from clearance.checking.result import Result
from clearance.checking.verdict import check
from clearance.scene.heads import HeadPiece, pieces_of_profile
from tests.oracles.scenes import Recipe, Shape, Step, Track, case_of
from tests.oracles.shapes import Part, block

DEMOS = Path(__file__).parent.parent / "demo_models"
LOWER_Z, UPPER_Z = -0.1, 25.1
#: nozzle of radius 5 for 6 mm, then a nut of 17.5
STEPPED = [(0, 5.0), (6, 5.0), (6, 17.5), (40, 25.0)]
#: right along y = 0, up along x = 100, back along y = 50
WAY = (Step((100.0, 0.0)), Step((100.0, 50.0)), Step((0.0, 50.0)))


def judged(*shapes: Shape, cut: tuple[int, ...] = (), threaded: bool = False) -> Result:
    steps = tuple(Step(s.end, threaded=threaded) for s in WAY)
    track = Track(
        (0.0, 0.0),
        steps,
        tuple(pieces_of_profile(STEPPED, LOWER_Z, up=False)),
        tuple(pieces_of_profile(STEPPED, UPPER_Z, up=True)),
        LOWER_Z,
        UPPER_Z,
        cut_shapes=cut,
        wire=HeadPiece(np.array([LOWER_Z - 4, UPPER_Z + 4]), np.full(2, 0.125)),
    )
    return check(case_of(Recipe("by hand", shapes, (track,))).scene)


def shape(name: str, *parts: Part, margin: tuple[float, float] = (1.0, 0.05), **more: object) -> Shape:
    return Shape(name, str(more.get("kind", "holder")), parts, margin, more.get("allow", (0.0, 0.0)))


def of(result: Result, head: str) -> Along:
    return next(a for a in along(result) if a.head == head)


def names(result: Result, found: Along) -> list[str | None]:
    return [result.scene.bodies[i].name if i >= 0 else None for i in found.item]


#: near faces: A 8 from move 1, B 10 from move 3, D 9 and E 10 from move 2; E's margin is wider
A = shape("A", block([30, 8, -3], [40, 12, -1]))
B = shape("B", block([60, 60, -3], [70, 62, -1]), allow=(0.2, 0.1))
D = shape("D", block([109, 20, -2], [111, 30, -1]))
E = shape("E", block([88, 20, -2], [90, 30, -1]), margin=(3.0, 0.5))
PART = block([0, 0, 0], [100, 50, 25])


def test_least_to_spare_of_each_move_by_hand() -> None:
    """The lower nut begins at -6.1. Side less margin against height over the nut less margin, the smaller:

    move 1, A: 8 - 5 - 1 = 2, and -3 + 6.1 - 0.05 = 3.05
    move 2, D: 9 - 5 - 1 = 3; E: 10 - 5 - 3 = 2, so E, although D is nearer in space (4 against 4.1)
    move 3, B: 10 - 5 - 0.2 - 1 = 3.8, and 3.1 - 0.1 - 0.05 = 2.95; E, 20 off but within its margin,
    4.1 - 0.5 = 3.6
    The upper nozzle hangs 26.1 above all of them: farther than is measured.
    """
    result = judged(A, B, D, E)
    lower = of(result, "lower")
    assert names(result, lower) == ["A", "E", "B"]
    assert lower.spare == pytest.approx([2.0, 2.0, 2.95], abs=1e-5)
    assert lower.clearance == pytest.approx([3.0, 4.1, 3.1], abs=1e-5)
    assert lower.side == pytest.approx([3.0, 5.0, 5.0], abs=1e-5)
    assert lower.height == pytest.approx([3.1, 4.1, 3.1], abs=1e-5)
    upper = of(result, "upper")
    assert (upper.item == -1).all()
    assert np.isnan(upper.spare).all()


def test_part_that_is_cut_hides_nothing() -> None:
    """Both faces ride 0.1 over the part all the way; what else is near reads as without it."""
    result = judged(A, B, D, E, shape("plate", PART, margin=(0.3, 0.05)), cut=(4,))
    assert names(result, of(result, "lower")) == ["A", "E", "B"]
    assert (of(result, "upper").item == -1).all()
    # another cut's part is an item like any other
    other = judged(A, B, D, E, shape("plate", PART, margin=(0.3, 0.05)))
    assert of(other, "upper").spare == pytest.approx([0.05, 0.05, 0.05], abs=1e-5)


def test_what_stands_up_on_the_part_that_is_cut_counts() -> None:
    """A boss 10 beside move 3, from 25 to 30: the upper nozzle is 10 - 5 = 5 beside it, 4.7 to spare."""
    boss = block([10, 60, 20], [20, 62, 30])
    result = judged(shape("plate", PART, boss, margin=(0.3, 0.05)), cut=(0,))
    upper = of(result, "upper")
    assert names(result, upper) == [None, None, "plate"]
    assert upper.spare[2] == pytest.approx(4.7, abs=1e-5)


def test_touch_and_swallowed() -> None:
    """A post in the way of move 1; then a block that swallows both heads: all of its margin is missing."""
    post = shape("post", block([49.9, -0.1, -3], [50.1, 0.1, -1]))
    lower = of(judged(post), "lower")
    assert lower.spare[0] == pytest.approx(-1.0, abs=1e-5)
    assert lower.clearance[0] == pytest.approx(0.0, abs=1e-6)
    assert not lower.spare[1] < 0
    whole = of(judged(shape("block", block([-400, -400, -400], [400, 400, 400]))), "lower")
    assert whole.spare.tolist() == [-1.0, -1.0, -1.0]
    assert whole.clearance.tolist() == [0.0, 0.0, 0.0]


def test_touch_only_with_its_allow() -> None:
    """A is 3 beside the nozzle and may lie 3.5 off: 3 - 3.5 - 1 = -1.5."""
    far = shape("A", block([30, 8, -3], [40, 12, -1]), allow=(3.5, 0.0))
    result = judged(far)
    assert result.verdict == "clash"
    assert of(result, "lower").spare[0] == pytest.approx(-1.5, abs=1e-5)


def test_wire_only_where_it_is_in() -> None:
    """A is 8 from move 1 and the wire's radius is 0.125; the scene's margin of the wire is taken off."""
    result = judged(A, threaded=True)
    wire = of(result, "wire")
    assert wire.spare[0] == pytest.approx(8 - 0.125 - result.scene.wire_margin, abs=1e-5)
    assert not [a for a in along(judged(A)) if a.head == "wire"]


@pytest.mark.few("punch_blank")
@pytest.mark.parametrize("name", ["side_plate_die_clash", "punch_blank"])
def test_smallest_of_all_moves_is_the_pair_s(name: str) -> None:
    """The least along the path is the least of the pairs that judge it, where that is near enough."""
    result = clearance.check(clearance.load(str(DEMOS / f"{name}.toml")))
    for found in along(result):
        stretch = next(s for s in result.scene.stretches if s.name == found.cut)
        parts = {result.scene.bodies[k].name for k in stretch.cut_bodies}
        spares = [
            p.spare
            for p in result.pairs
            if p.cut == found.cut and p.head == found.head and p.item not in parts and p.spare is not None
        ]
        least = min(spares, default=np.inf)
        if least < HORIZON:
            assert np.nanmin(found.spare) == pytest.approx(least, abs=1e-4)
        assert len(found.spare) == stretch.moves.count
