"""Tests on real models want the folder of them; where it is not there, they are left out, and say so."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

REAL = Path(os.environ.get("CLEARANCE_REAL_DATA") or Path(__file__).parents[2] / "shared" / "data")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    if REAL.is_dir():
        return
    skip = pytest.mark.skip(reason=f"the folder of real models is not there ({REAL})")
    for item in items:
        if "real" in item.keywords:
            item.add_marker(skip)
