"""Random scenes: every figure of the judge against oracles that share no code with it.

The promises are the file formats' own: a clearance, side or height is never above the truth (1e-6 for
rounding) and at most 0.005 mm below it; a clear is never false. The oracle brackets the truth by parting
planes and pairs of points (tests/oracles). For more scenes: ``python -m tests.soak --scenes N``.
"""

from __future__ import annotations

import os
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from clearance.judge.verdict import check
from tests import soak
from tests.oracles.compare import Tally, run_cases
from tests.oracles.scenes import Recipe, case_of, draw_recipe, recipe_of_seed

SCENES = 110


class HypothesisDice:
    """Numbers drawn by hypothesis, which makes a failing scene smaller by itself."""

    def __init__(self, draw: st.DrawFn) -> None:
        self.draw = draw

    def real(self, low: float, high: float) -> float:
        return self.draw(st.floats(low, high, allow_subnormal=False))

    def whole(self, low: int, high: int) -> int:
        return self.draw(st.integers(low, high))


@st.composite
def recipes(draw: st.DrawFn) -> Recipe:
    return draw_recipe(HypothesisDice(draw))


def test_some_hundreds_of_scenes_keep_every_promise() -> None:
    total, _ = soak.run(seed=500_000, scenes=SCENES, jobs=2, moves_in=6)
    assert not total.complaints, "\n".join(map(str, total.complaints[:20]))
    assert total.scenes == SCENES
    assert total.pairs > 3 * SCENES
    # the draw must have something to find: overlaps, free scenes, both figures
    assert total.clashes > SCENES // 4
    assert total.clear > SCENES // 20
    assert set(total.over) == {"clearance", "side", "height", "move clearance", "points"}


def test_large_scenes_keep_every_promise() -> None:
    """Hundreds of moves, thousands of triangles, hundreds of shells: other roads through the judge."""
    total, _ = soak.run(seed=900, scenes=2, jobs=2, large=True)
    assert not total.complaints, "\n".join(map(str, total.complaints[:20]))
    assert total.scenes == 2


@settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
@given(recipes())
def test_drawn_scenes_keep_every_promise(recipe: Recipe) -> None:
    tally = run_cases([case_of(recipe)], check)[0]
    assert not tally.complaints, "\n".join(map(str, tally.complaints))


def _off(field: str, by: float):
    """A judge that reads one figure wrong by so much."""

    def judge(scene, moves=False):
        result = check(scene, moves=moves)
        pairs = tuple(
            p if getattr(p, field) is None else replace(p, **{field: getattr(p, field) + by})
            for p in result.pairs
        )
        return replace(result, pairs=pairs)

    return judge


@pytest.mark.parametrize("field", ["clearance", "side", "height"])
@pytest.mark.parametrize("by", [2e-6, -0.0052])
def test_a_judge_that_is_a_little_off_is_caught(field: str, by: float) -> None:
    cases = [case_of(recipe_of_seed(s)) for s in range(600, 603)]
    tallies = run_cases(cases, _off(field, by))
    assert any(c.kind == field for t in tallies for c in t.complaints)


def test_a_judge_that_calls_everything_clear_is_caught() -> None:
    def rosy(scene, moves=False):
        result = check(scene, moves=moves)
        return replace(
            result, verdict="clear", pairs=tuple(replace(p, verdict="clear") for p in result.pairs)
        )

    tallies = run_cases([case_of(recipe_of_seed(s)) for s in range(600, 603)], rosy)
    assert sum(t.wrong_verdicts for t in tallies) > 0


def _dies_at_a_scene(task: soak.Task) -> list[tuple[int, Tally]]:
    first, count = task[:2]
    if first <= 25 < first + count:
        os._exit(9)
    return [(n, Tally(scenes=1)) for n in range(first, first + count)]


def test_a_process_that_dies_is_told_and_holds_up_nothing() -> None:
    """Blocks of ten; the one with scene 25 ends its process, as a crash in a library would."""
    total, failed = soak.run(seed=0, scenes=40, jobs=2, work=_dies_at_a_scene)
    assert total.scenes == 40
    assert [(first, t.complaints[0].kind) for first, t in failed] == [(20, soak.DIED)]
    assert "scenes 20 to 29" in str(total.complaints[0])
