"""What a setup leaves out of its judgement is not released at night without a word."""

from __future__ import annotations

from pathlib import Path

import pytest

import clearance
from clearance.overnight.unattended import watched
from tests.night_setups import job


@pytest.mark.parametrize(("between", "cuts", "told"), [(False, 2, True), (False, 1, False), (True, 2, False)])
def test_ways_that_the_setup_leaves_out_are_not_judged(
    between: bool, cuts: int, told: bool, tmp_path: Path
) -> None:
    """Two slits, 3 apart, in one job: nothing is known of the way from one to the other."""
    listed = [
        {"name": f"cut {k}", "part": "plate", "path": "a.nc", "zero": [3.0 * k, 0, 0]} for k in range(cuts)
    ]
    heads = {"flushing_distance": 0.1, "between": between}
    result = clearance.check(job(tmp_path, "a", cuts=listed, heads=heads))
    assert result.verdict == "clear"
    assert bool([why for why in watched(result) if "between = false" in why]) is told
