"""What every run of the tests shares: compiled files are kept, the heavier cases of ``few`` are slow, and
tests on real models want the folder of them; where it is not there, they are left out, and say so."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from itertools import groupby
from pathlib import Path

import pytest

REAL = Path(os.environ.get("CLEARANCE_REAL_DATA") or Path(__file__).parents[2] / "shared" / "data")

# Whatever the environment says: otherwise each worker rewrites every test file's assertions anew, and each
# process that a test starts compiles the whole package.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)


def kept(mark: pytest.Mark, cases: list[str]) -> set[int]:
    """Which of a test's cases, by their ids, its mark ``few`` leaves in the default run.

    Names are those cases; a number is that many, spread evenly from the first to the last. Where none of the
    named ones is there (another one was asked for on the command line), all are left in.
    """
    named = {k for k, case in enumerate(cases) if case in mark.args}
    if named or any(isinstance(each, str) for each in mark.args):
        return named or set(range(len(cases)))
    (many,) = mark.args
    return {round(k * (len(cases) - 1) / max(many - 1, 1)) for k in range(many)}


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    for _, group in groupby(items, key=lambda item: item.nodeid.partition("[")[0]):
        cases = [item for item in group if item.get_closest_marker("slow") is None]
        mark = cases[0].get_closest_marker("few") if cases else None
        if mark is not None:
            stay = kept(mark, [item.callspec.id if hasattr(item, "callspec") else "" for item in cases])
            for k, item in enumerate(cases):
                if k not in stay:
                    item.add_marker("slow")
    if REAL.is_dir():
        return
    skip = pytest.mark.skip(reason=f"the folder of real models is not there ({REAL})")
    for item in items:
        if "real" in item.keywords:
            item.add_marker(skip)


@pytest.fixture(autouse=True, scope="session")
def _own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """No test keeps answers in the cache folder of who runs it, or finds any there."""
    before = os.environ.get("XDG_CACHE_HOME")
    os.environ["XDG_CACHE_HOME"] = str(tmp_path_factory.mktemp("cache"))
    yield
    if before is None:
        del os.environ["XDG_CACHE_HOME"]
    else:
        os.environ["XDG_CACHE_HOME"] = before
