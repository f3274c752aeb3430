"""Which cases of a test the default run has: the mark ``few`` of tests/conftest.py. The project's own rule;
no outside source."""

from __future__ import annotations

import pytest

from tests.conftest import kept

CASES = ["a", "b", "c", "d", "e"]


@pytest.mark.parametrize(
    ("said", "stay"),
    [
        ((1,), {0}),
        ((2,), {0, 4}),
        ((3,), {0, 2, 4}),
        ((9,), {0, 1, 2, 3, 4}),
        (("b", "e"), {1, 4}),
        # another one was asked for, or they are called otherwise by now: none is left out unseen
        (("z",), {0, 1, 2, 3, 4}),
    ],
)
def test_what_stays(said: tuple[int | str, ...], stay: set[int]) -> None:
    assert kept(pytest.mark.few(*said).mark, CASES) == stay


def test_a_single_case_stays_whatever_is_said() -> None:
    assert kept(pytest.mark.few(3).mark, ["a"]) == {0}


@pytest.mark.few(2)
@pytest.mark.parametrize("case", range(5))
def test_the_others_are_slow(case: int, request: pytest.FixtureRequest) -> None:
    if any("::" in each for each in request.config.args):
        pytest.skip("what is asked for by its name is never left out")
    assert (request.node.get_closest_marker("slow") is None) == (case in (0, 4))
