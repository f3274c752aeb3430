"""Kept scenes, each of which once broke a promise: judged again and compared with the oracle."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from clearance.checking.verdict import check
from tests.oracles.cases import kept, read, written
from tests.oracles.compare import run_cases
from tests.oracles.scenes import case_of, recipe_of_seed
from tests.oracles.shrink import shrunk


def test_there_are_cases() -> None:
    assert kept()


@pytest.mark.parametrize("path", kept(), ids=lambda p: p.stem)
def test_kept_case_holds(path: Any) -> None:
    recipe = read(path.read_text(encoding="utf-8"))
    assert len(recipe.sentence) > 20, "a case says in a sentence what it is for"
    tally = run_cases([case_of(recipe)], check, moves=True)[0]
    assert not tally.complaints, "\n".join(map(str, tally.complaints))


def test_a_case_comes_back_to_the_last_bit() -> None:
    for seed in range(20):
        text = written(recipe_of_seed(seed))
        assert written(read(text)) == text


def test_shrinking_keeps_the_fault_and_drops_the_rest() -> None:
    """A fault that only needs the first body and one move leaves one body and one move."""
    recipe = next(
        r for r in map(recipe_of_seed, range(100)) if len(r.shapes) == 3 and len(r.tracks[0].steps) > 4
    )
    wanted = recipe.shapes[1].name

    small = shrunk(recipe, lambda r: any(s.name == wanted for s in r.shapes))
    assert [s.name for s in small.shapes] == [wanted]
    assert len(small.tracks) == 1
    assert len(small.tracks[0].steps) == 1
    assert len(small.tracks[0].lower) == len(small.tracks[0].upper) == 1
    assert small.tracks[0].wire is None
    assert replace(small, shapes=()) != replace(recipe, shapes=())
