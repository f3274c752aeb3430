"""Pairs before a change and after it go in; which of them change most comes out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import inf
from typing import Protocol

from clearance.checking.result import SEVERITIES, Compared, PairChange, Result

#: a figure that differs by less is the same, mm
SAME = 1e-6


class ComparedPair(Protocol):
    """A pair as far as it is compared; lengths mm."""

    @property
    def head(self) -> str: ...
    @property
    def item(self) -> str: ...
    @property
    def cut(self) -> str: ...
    @property
    def verdict(self) -> str: ...
    @property
    def spare(self) -> float | None: ...
    @property
    def clearance(self) -> float: ...


def pair_changes(before: Iterable[ComparedPair], after: Iterable[ComparedPair]) -> list[PairChange]:
    """The pairs of which verdict or spare changes: first those whose verdict does, then by how much.

    Args:
        before, after: of the same setup and of the changed one.
    """
    old, new = _by_name(before), _by_name(after)
    changes = []
    for key in dict.fromkeys([*old, *new]):
        a, b = old.get(key), new.get(key)
        one = PairChange(
            *key,
            None if a is None else a.verdict,
            None if b is None else b.verdict,
            None if a is None else a.spare,
            None if b is None else b.spare,
            None if a is None else a.clearance,
            None if b is None else b.clearance,
        )
        if one.before != one.after or _by(one) > SAME:
            changes.append(one)
    changes.sort(key=lambda one: (-_rungs(one), -_by(one)))
    return changes


def compared(before: Result, after: Result, said: Iterable[str]) -> Compared:
    """What a change does to a job.

    Args:
        before, after: the judged job.   said: what was changed, in words.
    """
    return Compared(
        tuple(said),
        before.verdict,
        after.verdict,
        _least(before.pairs),
        _least(after.pairs),
        tuple(pair_changes(before.pairs, after.pairs)),
    )


def _by_name(rows: Iterable[ComparedPair]) -> Mapping[tuple[str, str, str], ComparedPair]:
    """Each pair by head, item and stretch; of one that is there twice (in part of a cut) the worse."""
    out: dict[tuple[str, str, str], ComparedPair] = {}
    for row in rows:
        key = (row.head, row.item, row.cut)
        if key not in out or _badness(row) < _badness(out[key]):
            out[key] = row
    return out


def _badness(row: ComparedPair) -> tuple[int, float, float]:
    return SEVERITIES.index(row.verdict), inf if row.spare is None else row.spare, row.clearance


def _least(rows: Iterable[ComparedPair]) -> float | None:
    return min((row.spare for row in rows if row.spare is not None), default=None)


def _rungs(one: PairChange) -> int:
    """By how many steps the verdict changes; what was not there, or is not any more, was or is clear."""
    a, b = (SEVERITIES.index(v or "clear") for v in (one.before, one.after))
    return abs(a - b)


def _by(one: PairChange) -> float:
    """By how much the spare changes, or the clearance where there is no spare before or after."""
    if one.spare_before is not None and one.spare is not None:
        return abs(one.spare - one.spare_before)
    if one.clearance_before is not None and one.clearance is not None:
        return abs(one.clearance - one.clearance_before)
    return 0.0
