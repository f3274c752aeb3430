"""What a session says after anything that is done to it is what the setup says that is read anew with it; of
the pairs that are not measured what is known of them bounds what they are.

The oracle is the program's own way from files (see ``tests/drags.py``), of which the session takes none.
"""

from __future__ import annotations

import shutil
from math import inf
from pathlib import Path

import numpy as np
import pytest

import clearance
from clearance.advice.lasting import Lasting
from clearance.errors import WrongArgument
from clearance.geometry.transforms import pose
from clearance.kernels.live import Live
from clearance.kernels.query import SweepQuery
from tests.drags import DEMOS, SETUPS, SHOWN, afresh, drags
from tests.test_query import scene_of


@pytest.mark.few("punch_blank")
@pytest.mark.parametrize("demo", SETUPS)
def test_anything_that_is_done_at_random(demo: str, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(DEMOS, tmp_path / "demos"))
    assert drags(demo, 20, whole=4, judged=20, folder=folder, seed=100 + SETUPS.index(demo)) == []


@pytest.mark.slow
@pytest.mark.long
@pytest.mark.parametrize("demo", SETUPS)
def test_two_thousand_things_done_at_random_in_all(demo: str, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(DEMOS, tmp_path / "demos"))
    count = 2000 // len(SETUPS) + 1
    assert drags(demo, count, whole=5, judged=20, folder=folder, seed=SETUPS.index(demo)) == []


def test_pairs_that_are_not_among_the_least_are_not_measured(monkeypatch: pytest.MonkeyPatch) -> None:
    session = clearance.Session(clearance.load(DEMOS / "side_plate_die_clash.toml"), least=SHOWN)
    looked = []
    real = Live.look_again

    def watched(self, changed, moved=None):  # type: ignore[no-untyped-def]
        looked.append(int(np.count_nonzero(changed)))
        real(self, changed, moved)

    monkeypatch.setattr(Live, "look_again", watched)
    for _ in range(5):
        assert len(session.move("left strap", by=(0.25, 0.0, 0.0))) == SHOWN
    few = sum(looked)
    looked.clear()
    every = len(session.rows)
    # eight heads pass the strap, and all of them moved against it
    assert few < sum(looked) <= 8 < every
    assert {(r.head, r.item, r.cut) for r in session.rows} == set(afresh(session.scene))


def test_how_many_are_asked_for_is_a_number() -> None:
    scene = clearance.load(DEMOS / "punch_blank.toml")
    for wrong in (0, 2.5, True, "ten"):
        with pytest.raises(WrongArgument, match="a whole number, 1 or more"):
            clearance.Session(scene, least=wrong)
    session = clearance.Session(scene, least=2)
    assert session.least(1) == session.least(4)[:1] == session.rows[:1]


@pytest.mark.parametrize("seed", range(3))
def test_no_figure_is_below_what_is_known_of_it(seed: int) -> None:
    """Bodies shifted and turned: distance and spare of each pair against what bounds them."""
    scene, rng = scene_of(300 + seed), np.random.default_rng(seed)
    query = SweepQuery(scene)
    lasting, live = Lasting(query), Live(query)
    lasting.bounded(lasting.there, live.bounds(lasting.there))
    for k in range(6):
        if k % 2:
            live.look_again(live.there)
            lasting.measured(lasting.there, live.figures()[0])
        poses = {
            b: pose(tuple(rng.uniform(-4, 4, 3)), tuple(rng.uniform(-8, 8, 3)))
            for b in range(len(scene.bodies))
        }
        live.bodies_at(poses)
        lasting.bodies_at(poses)
        lasting.settle(list(poses), False)
        live.look_again(live.there)
        near, side, height = live.figures()
        for r, run in enumerate(query.runs):
            for b in run.bodies:
                assert lasting.clearance[r, b] <= near[r, b]
                given = (None if v == inf else float(v) for v in (side[r, b], height[r, b]))
                spare = query.spare(run, b, *given)
                assert lasting.spare[r, b] <= (inf if spare is None else spare)


def test_what_is_far_off_is_known_to_be_by_boxes_alone() -> None:
    """The bounds are below the distances that are measured, and near them where those are large."""
    session = clearance.Session(clearance.load(DEMOS / "punch_blank.toml"))
    query = SweepQuery(session.shown)
    bounds = Live(query).bounds(Lasting(query).there)
    wanted = query.clearance(query.runs)
    for r, run in enumerate(query.runs):
        for b in run.bodies:
            true = wanted[r].of(b)
            assert true is not None
            assert bounds[r, b] <= true + 1e-9
            if true > 100.0:
                assert bounds[r, b] > 0.8 * true
