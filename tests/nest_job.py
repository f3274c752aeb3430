"""The demo of four cuts and two stops, judged once in each process."""

from __future__ import annotations

from functools import lru_cache

import clearance
from clearance.process.findings import Checked
from tests.sheet_setups import DEMOS

SETUP = DEMOS / "riveting_nest.toml"


@lru_cache
def nest_result() -> Checked:
    result = clearance.check(clearance.load(str(SETUP)))
    assert isinstance(result, Checked)
    return result
