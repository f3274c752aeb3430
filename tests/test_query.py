"""The one question: what is asked of all heads at once, or after a body moved, is what each would answer
alone."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from clearance.geometry.transforms import pose
from clearance.kernels.live import Live
from clearance.kernels.meridian import nearest as search
from clearance.kernels.query import BARE, SweepQuery
from clearance.scene.model import Scene
from tests.oracles.scenes import case_of, recipe_of_seed

SEEDS = [*range(300, 304), *(pytest.param(k, marks=pytest.mark.slow) for k in range(304, 340))]


def scene_of(seed: int) -> Scene:
    return case_of(recipe_of_seed(seed)).scene


@pytest.mark.few(1)
@pytest.mark.parametrize("seed", SEEDS)
def test_all_runs_at_once_are_each_run_alone(seed: int) -> None:
    """To the last digit: no figure depends on what else was asked."""
    query = SweepQuery(scene_of(seed))
    for figure, found in query.figures(query.runs).items():
        for run, together in zip(query.runs, found, strict=True):
            (alone,) = query.figures([run], (figure,))[figure]
            assert alone.value.tolist() == together.value.tolist()
            assert alone.witness.keys() == together.witness.keys()


@pytest.mark.few(1)
@pytest.mark.parametrize("seed", SEEDS)
def test_a_moved_body_is_measured_as_in_a_fresh_query(seed: int) -> None:
    scene = scene_of(seed)
    live, rng = Live(SweepQuery(scene)), np.random.default_rng(seed)
    live.look_again(live.there)
    poses: dict[int, np.ndarray] = {}
    for _ in range(3):
        which = int(rng.integers(len(scene.bodies)))
        poses[which] = pose(tuple(rng.uniform(-9, 9, 3)), tuple(rng.uniform(-30, 30, 3)))
        live.bodies_at({which: poses[which]})
        only = np.zeros(live.there.shape, dtype=bool)
        only[:, which] = True
        live.look_again(only)
        bodies = tuple(b.posed(poses[k]) if k in poses else b for k, b in enumerate(scene.bodies))
        fresh = SweepQuery(replace(scene, bodies=bodies))
        for had, each in zip(live.figures(), fresh.figures(fresh.runs).values(), strict=True):
            for mine, run, found in zip(had, fresh.runs, each, strict=True):
                for body in run.bodies:
                    value = found.of(body)
                    assert mine[body] == pytest.approx(np.inf if value is None else value, abs=3e-7)


def test_only_the_pairs_of_what_moved_are_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    live = Live(SweepQuery(scene_of(301)))
    live.look_again(live.there)
    looked: set[int] = set()
    real = search._NearestSearch.bounded

    def watched(self: Any, pairs: Any) -> Any:
        looked.update(self.tree.nodes.owner[pairs.tri].tolist())
        return real(self, pairs)

    monkeypatch.setattr(search._NearestSearch, "bounded", watched)
    live.bodies_at({0: pose((1.0, 0.0, 0.0), (0, 0, 0))})
    only = np.zeros(live.there.shape, dtype=bool)
    only[:, 0] = True
    live.look_again(only)
    assert looked == {0}


def test_the_rule_of_growth_and_its_ladder() -> None:
    """Allow, then the margin as well; the wire has a margin of its own, sideways."""
    query = SweepQuery(scene_of(302))
    for run in query.runs:
        for b in run.bodies:
            body, margin = query.bodies[b], run.margin(query.bodies[b])
            (allowed, clash), (both, close) = query.ladder(run, b)
            assert (clash, close) == ("clash", "close")
            assert (allowed.side, allowed.height) == (body.allow.side, body.allow.height)
            assert both.side == pytest.approx(body.allow.side + margin.side)
            assert both.height == pytest.approx(body.allow.height + margin.height)
            assert query.spare(run, b, 5.0, None) == pytest.approx(5.0 - both.side)
            assert query.spare(run, b, None, None) is None
    assert BARE.side == BARE.height == 0.0
