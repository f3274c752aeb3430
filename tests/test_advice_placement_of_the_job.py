"""How far a part may lie from the plan until what carries and presses it is no longer right, by hand."""

from __future__ import annotations

from pathlib import Path

import pytest

import clearance
from clearance.advice.placement import find_placement
from clearance.advice.whole_job import GRAIN
from clearance.report.advice import placement_as_text
from tests.access_bench import block, post, scene
from tests.test_process_states import INNER, LEFT, RIGHT, SECOND, STRAP

FRAME = block(80, 60, 20) - post(2, 22, (40, 30, -1))


@pytest.mark.slow
def test_a_part_may_go_as_far_as_its_only_strap_reaches(tmp_path: Path) -> None:
    # The strap's screw stands at X -15, it reaches 20: its tip presses the plate's first 5 mm, of which the
    # last half is its edge. Towards X+ that is 4.5; towards X- the lower head, 12 wide, keeps 1 from the rail
    # that ends at X 10: 30 - 12 - 1 - 10 = 7.
    result = clearance.check(scene(tmp_path, FRAME, INNER, items=[LEFT, RIGHT, STRAP]))
    answer = find_placement(result)
    assert answer.x is not None
    assert answer.x[0] == pytest.approx(-7.0, abs=0.01)
    assert 4.5 - 2 * GRAIN <= answer.x[1] <= 4.5
    (binds,) = [b for b in answer.binds if b.side == "X+"]
    assert binds.head is None
    assert '"plate": nothing presses or grips it' in binds.why


@pytest.mark.slow
def test_with_a_second_strap_the_heads_bind(tmp_path: Path) -> None:
    result = clearance.check(scene(tmp_path, FRAME, INNER, items=[LEFT, RIGHT, STRAP, SECOND]))
    answer = find_placement(result)
    assert answer.x == pytest.approx((-7.0, 7.0), abs=0.01)


def test_a_job_that_is_not_held_as_planned_is_not_clear(tmp_path: Path) -> None:
    answer = find_placement(clearance.check(scene(tmp_path, FRAME, INNER, items=[LEFT, RIGHT])))
    assert answer.verdict == "close"
    assert answer.x == pytest.approx((-7.0, 7.0), abs=0.01), "that of the heads"
    assert [f.kind for f in answer.findings] == ["not held"]
    assert placement_as_text(answer).startswith("CLOSE as planned (see below); the heads run free as long as")
