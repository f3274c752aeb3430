"""What a setup leaves out of its judgement is not released at night without a word; days a week off."""

from __future__ import annotations

from pathlib import Path

import pytest

import clearance
from clearance.overnight.unattended import watched
from clearance.report.night import as_text
from tests.access_bench import line
from tests.night_setups import job, night


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


def test_a_day_a_week_later_has_its_date(tmp_path: Path) -> None:
    """20 by 20 mm2 at 4 mm2/min are 100 minutes. Nobody has approved it, so it runs only while somebody is
    there: 5 minutes from 17:00 on, 65 a week later, and the rest a week after that."""
    job(tmp_path, "a", line((40, 0), (40, 20)))
    present = [{"from": "@16:00:00", "until": "@17:05:00", "days": ["fri"]}]
    file = night(tmp_path, [{"name": "a", "setup": "a.toml"}], present=present, times={"rough": 4.0})
    (told,) = (one for one in as_text(clearance.night(file)).splitlines() if one.startswith("1 a"))
    assert "Fri 17:00" in told
    assert "Fri 2025-12-12 16:" in told
