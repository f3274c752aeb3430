"""Random scenes: what is promised holds in a check, and does not hold just outside.

The check is another way to the same answer: it looks at one place of the part, by two kernels.
"""

from __future__ import annotations

from dataclasses import replace
from math import inf

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, assume, example, given, settings
from hypothesis import strategies as st

from clearance.advice.edits import raised, replanned, with_all_on_them
from clearance.advice.placement import find_placement
from clearance.advice.raises import find_raises
from clearance.checking.result import Pair
from clearance.checking.verdict import check
from clearance.scene.model import Body, Scene, SideHeight
from tests.oracles.scenes import case_of, recipe_of_seed
from tests.oracles.shapes import block, post

#: figures may be so much smaller than the truth, and windows so much shorter, mm (file formats)
BOUND = 0.005
HEALTH = list(HealthCheck)
FEW = settings(max_examples=1, deadline=None, suppress_health_check=HEALTH)
SOME = settings(max_examples=25, deadline=None, suppress_health_check=HEALTH)
MANY = settings(max_examples=60, deadline=None, suppress_health_check=HEALTH)


RAISES = given(seed=st.integers(0, 10**6), where=st.floats(0.0, 1.0))
ZEROS = given(seed=st.integers(0, 10**6), u=st.floats(0.0, 1.0), v=st.floats(0.0, 1.0))


@FEW
@RAISES
def test_raises_inside_a_window_are_clear_and_just_outside_not(seed: int, where: float) -> None:
    raises_hold(seed, where)


@pytest.mark.slow
# found at random: a body passes a head by a ten-thousandth, so that no height near by is one that touches
@example(seed=43476, where=0.0)
@MANY
@RAISES
def test_raises_at_length(seed: int, where: float) -> None:
    raises_hold(seed, where)


def room(pair: Pair, good: set[str]) -> float:
    """What is left between a head and an item: to its margin, or to touching where close is good too."""
    if good == {"clear"}:
        return inf if pair.spare is None else pair.spare
    return pair.clearance - max(pair.allow.side, pair.allow.height)


def raises_hold(seed: int, where: float) -> None:
    scene = case_of(recipe_of_seed(seed)).scene
    assume(all(s.upper_moves is None for s in scene.stretches))
    answer = find_raises(scene, within=(-30.0, 60.0))
    assert answer.verdict != "undecided"
    rising = with_all_on_them(scene, None)
    first, last = answer.range

    def verdict(s: float) -> str:
        return check(raised(scene, rising, s)).verdict

    def ended(s: float, good: set[str]) -> bool:
        """Whether a window may end before this height: it is not good, or by no more than is promised."""
        result = check(raised(scene, rising, s))
        return result.verdict not in good or any(room(p, good) <= BOUND for p in result.pairs)

    if answer.smallest is not None:
        assert verdict(answer.smallest) == "clear"
    for windows, good in ((answer.windows, {"clear"}), (answer.touch_free, {"clear", "close"})):
        for low, high in windows:
            assert verdict(low + where * (high - low)) in good
            for end, way in ((low, -1.0), (high, 1.0)):
                if end not in (first, last):
                    # against a wall that grazes the end itself is ill-conditioned: a few looks outward
                    assert any(ended(end + way * past, good) for past in (2e-4, 2e-3, 0.02, 0.1))
    s = first + where * (last - first)
    if not any(low - 0.01 <= s <= high + 0.01 for low, high in answer.windows):
        assert verdict(s) != "clear"


def walled(rng: np.random.Generator) -> Scene:
    """Heads along a random path with blocks and posts about it, none of them in the way."""
    scene = case_of(recipe_of_seed(int(rng.integers(10**6)))).scene
    stretch = scene.stretches[0]
    low = np.minimum(stretch.moves.start, stretch.moves.end).min(axis=0)
    high = np.maximum(stretch.moves.start, stretch.moves.end).max(axis=0)
    wide = max(float(p.r.max()) + float(np.abs(p.rect).max()) for p in (*stretch.lower, *stretch.upper))
    bodies = []
    for k in range(4):
        away = wide + rng.uniform(0.5, 8.0)
        size = rng.uniform(2.0, 20.0, 2)
        x, y = [(high[0] + away, None), (low[0] - away, None), (None, high[1] + away), (None, low[1] - away)][
            k
        ]
        cx = rng.uniform(low[0], high[0]) if x is None else x + (size[0] / 2 if k == 0 else -size[0] / 2)
        cy = rng.uniform(low[1], high[1]) if y is None else y + (size[1] / 2 if k == 2 else -size[1] / 2)
        z = (-rng.uniform(5, 60), rng.uniform(5, 60))
        if rng.integers(2):
            part = block(
                (cx - size[0] / 2, cy - size[1] / 2, z[0]), (cx + size[0] / 2, cy + size[1] / 2, z[1])
            )
        else:
            part = post(float(size.min()), z[0], z[1], 12, 0.1).shifted(np.array([cx, cy, 0.0]))
        margin = SideHeight(float(rng.choice([0.0, 1.0])), float(rng.choice([0.0, 0.5])))
        allow = SideHeight(float(rng.choice([0.0, 0.3])), 0.0)
        bodies.append(Body(f"body {k}", "holder", part.triangles, True, margin, allow, item=k))
    alone = replace(stretch, bodies=(0, 1, 2, 3), cut_bodies=(), upper_moves=None)
    return replace(scene, bodies=tuple(bodies), stretches=(alone,))


# found at random: a bound named 0.0003 beside the spot that binds was clear 0.01 past it
@pytest.mark.slow
@example(seed=215, u=0.0, v=0.0)
@settings(FEW, phases=[Phase.explicit])
@ZEROS
def test_zeros_inside_the_box_are_clear_and_past_it_not(seed: int, u: float, v: float) -> None:
    zeros_hold(seed, u, v)


@pytest.mark.slow
@SOME
@ZEROS
def test_zeros_at_length(seed: int, u: float, v: float) -> None:
    zeros_hold(seed, u, v)


def zeros_hold(seed: int, u: float, v: float) -> None:
    scene = walled(np.random.default_rng(seed))
    result = check(scene)
    assume(result.verdict == "clear")
    answer = find_placement(result)
    assert answer.verdict == "clear"
    assert answer.x is not None
    assert answer.y is not None
    assert answer.turn is not None

    def verdict(dx: float, dy: float, turn: float = 0.0) -> str:
        assert answer.about is not None
        return check(replanned(scene, (dx, dy), turn, answer.about)).verdict

    (x0, x1), (y0, y1) = answer.x, answer.y
    assert verdict(x0 + u * (x1 - x0), y0 + v * (y1 - y0)) == "clear"
    for x in (x0, x1):
        for y in (y0, y1):
            assert verdict(x, y) == "clear"
    for bound in answer.binds:
        if bound.shift is not None:
            out = 0.01 if bound.side[1] == "+" else -0.01
            x, y = bound.shift
            x, y = (bound.at + out, y) if bound.side[0] == "X" else (x, bound.at + out)
            assert verdict(x, y) != "clear"
    for turn in (*answer.turn, answer.turn[0] + u * (answer.turn[1] - answer.turn[0])):
        assert verdict(0.0, 0.0, turn) == "clear"
    share = answer.together
    assert verdict(share * x0, share * y1, share * answer.turn[0]) == "clear"


@pytest.mark.parametrize("seed", [45, 124])
def test_scenes_that_took_long_once(seed: int) -> None:
    scene = case_of(recipe_of_seed(seed)).scene
    assert find_raises(scene, within=(-30.0, 60.0)).verdict in ("clear", "none")
