"""``record`` beside the standard library's own ``dataclass``, which is the oracle."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from clearance.records import changing, record


@record
class Plain:
    name: str
    sizes: tuple[float, ...] = ()
    seen: list[int] = field(default_factory=list, compare=False)
    kept: dict[str, int] = field(default_factory=dict, repr=False, compare=False)


@dataclass(frozen=True)
class Own:
    name: str
    sizes: tuple[float, ...] = ()
    seen: list[int] = field(default_factory=list, compare=False)
    kept: dict[str, int] = field(default_factory=dict, repr=False, compare=False)


@changing
class Counted:
    name: str
    count: int = 0


SAID: list[tuple[Any, ...]] = [("a",), ("a", (1.0,)), ("a", (1.0,), [2]), ("b", (1.0,), [2], {"c": 3})]


@pytest.mark.parametrize("one", SAID)
@pytest.mark.parametrize("two", SAID)
def test_it_is_equal_to_what_a_dataclass_is_equal_to(one: tuple[Any, ...], two: tuple[Any, ...]) -> None:
    assert (Plain(*one) == Plain(*two)) == (Own(*one) == Own(*two))
    assert (hash(Plain(*one)) == hash(Plain(*two))) == (hash(Own(*one)) == hash(Own(*two)))


@pytest.mark.parametrize("said", SAID)
def test_it_says_what_a_dataclass_says(said: tuple[Any, ...]) -> None:
    assert repr(Plain(*said)) == repr(Own(*said)).replace("Own", "Plain")
    assert [each.name for each in fields(Plain)] == [each.name for each in fields(Own)]
    assert replace(Plain(*said), name="z") == Plain("z", *said[1:])


@pytest.mark.parametrize("two", [(np.float64(1.5),), (np.float64(2.5),), (np.array([1.5]),)])
def test_numpys_numbers_are_compared_as_numbers(two: tuple[Any, ...]) -> None:
    assert (Plain("a", (1.5,)) == Plain("a", two)) == (Own("a", (1.5,)) == Own("a", two) and two[0].ndim == 0)
    assert (Plain(np.str_("a")) == Plain("a")) == (Own(np.str_("a")) == Own("a"))


def test_what_is_no_number_is_the_same_wherever_it_stands() -> None:
    for nan in (float("nan"), np.float64("nan"), np.array([np.nan])):
        assert Plain("a", (nan,)) == Plain("a", (nan + 0.0,))


@record
class Measured:
    name: str
    at: NDArray[np.float64] | None = None
    more: dict[str, int] = field(default_factory=dict)


def test_what_is_equal_hashes_alike_where_there_are_arrays() -> None:
    """The rule is Python's own (the language reference, ``object.__hash__``); 0.0 equals -0.0."""
    at = np.array([1.0, 0.0, np.nan])
    one, two = Measured("a", at, {"b": 1, "c": 2}), Measured("a", at * [1, -1, 1], {"c": 2, "b": 1})
    assert one == two
    assert hash(one) == hash(two)
    assert len({one, two, Measured("b", at), Measured("a"), Measured("a", at + 1)}) == 4


def test_it_is_equal_to_nothing_of_another_class() -> None:
    assert Plain("a") != Own("a")
    assert Plain("a") != "a"


def test_what_changes_is_equal_to_itself_alone() -> None:
    one, two = Counted("a"), Counted("a")
    assert one != two
    assert len({one, two}) == 2
    one.count += 1
    assert repr(one).endswith("Counted(name='a', count=1)")


def test_what_a_class_says_for_itself_stands() -> None:
    @record
    class Named:
        name: str

        def __repr__(self) -> str:
            return f"<{self.name}>"

    assert repr(Named("a")) == "<a>"
