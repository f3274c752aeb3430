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

from clearance.checking.result import Result
from clearance.checking.verdict import check
from tests import soak
from tests.oracles.compare import Tally, complaints_about, run_cases
from tests.oracles.scenes import Recipe, case_of, draw_recipe, recipe_of_seed
from tests.oracles.truth import Case, PairTruth, truths

SCENES, MANY = 12, 240


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


@pytest.mark.parametrize(
    ("first", "scenes", "jobs"),
    [(500_000, SCENES, 0), pytest.param(500_000 + SCENES, MANY, 2, marks=pytest.mark.slow)],
)
def test_scenes_by_number_keep_every_promise(first: int, scenes: int, jobs: int) -> None:
    total, _ = soak.run(seed=first, scenes=scenes, jobs=jobs, moves_in=6)
    assert not total.complaints, "\n".join(map(str, total.complaints[:20]))
    assert total.scenes == scenes
    assert total.pairs > 3 * scenes
    # the draw must have something to find: overlaps, free scenes, both figures
    assert total.clashes > scenes // 4
    assert total.clear > scenes // 20
    assert set(total.over) == {"clearance", "side", "height", "move clearance", "points"}


@pytest.mark.parametrize(
    ("first", "scenes", "jobs"), [(902, 1, 0), pytest.param(900, 12, 2, marks=pytest.mark.slow)]
)
def test_large_scenes_keep_every_promise(first: int, scenes: int, jobs: int) -> None:
    """Hundreds of moves, thousands of triangles, hundreds of shells: other roads through the judge."""
    total, _ = soak.run(seed=first, scenes=scenes, jobs=jobs, large=True)
    assert not total.complaints, "\n".join(map(str, total.complaints[:20]))
    assert total.scenes == scenes


@settings(max_examples=4, deadline=None, suppress_health_check=list(HealthCheck), derandomize=True)
@given(recipes())
def test_drawn_scenes_keep_every_promise(recipe: Recipe) -> None:
    tally = run_cases([case_of(recipe)], check)[0]
    assert not tally.complaints, "\n".join(map(str, tally.complaints))


#: scenes with the truth and the judge's own answer, for judges that alter it
Told = list[tuple[Case, list[PairTruth], Result]]


@pytest.fixture(scope="module")
def told() -> Told:
    cases = [case_of(recipe_of_seed(s)) for s in range(600, 603)]
    return [
        (case, mine, check(case.scene))
        for case, mine in zip(cases, truths(cases, per_move=False), strict=True)
    ]


def test_the_judge_itself_is_not_caught(told: Told) -> None:
    for case, mine, result in told:
        assert complaints_about(case, result, mine).complaints == []


@pytest.mark.parametrize("field", ["clearance", "side", "height"])
@pytest.mark.parametrize("by", [2e-6, -0.0052])
def test_a_judge_that_is_a_little_off_is_caught(field: str, by: float, told: Told) -> None:
    kinds = set()
    for case, mine, result in told:
        pairs = tuple(
            p if getattr(p, field) is None else replace(p, **{field: getattr(p, field) + by})
            for p in result.pairs
        )
        kinds |= {c.kind for c in complaints_about(case, replace(result, pairs=pairs), mine).complaints}
    assert field in kinds


def test_a_judge_that_calls_everything_clear_is_caught(told: Told) -> None:
    wrong = 0
    for case, mine, result in told:
        pairs = tuple(replace(p, verdict="clear") for p in result.pairs)
        wrong += complaints_about(case, replace(result, verdict="clear", pairs=pairs), mine).wrong_verdicts
    assert wrong > 0


def _dies_at_a_scene(task: soak.Task) -> list[tuple[int, Tally]]:
    first, count = task[:2]
    if first <= 25 < first + count:
        os._exit(9)
    return [(n, Tally(scenes=1)) for n in range(first, first + count)]


@pytest.mark.slow
def test_a_process_that_dies_is_told_and_holds_up_nothing() -> None:
    """Blocks of ten; the one with scene 25 ends its process, as a crash in a library would."""
    total, failed = soak.run(seed=0, scenes=40, jobs=2, work=_dies_at_a_scene)
    assert total.scenes == 40
    assert [(first, t.complaints[0].kind) for first, t in failed] == [(20, soak.DIED)]
    assert "scenes 20 to 29" in str(total.complaints[0])
