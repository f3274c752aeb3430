"""Three goings-through of a night go in; the first moment at which the machine may wait alone comes out.

Three goings-through show three of all the times that steps may take, each between its least and its longest.
A hold's moment grows with the time of every step before it, so that it lies between those of the least and
of the longest going-through; somebody is there for certain only where somebody is there all that while. Where
the spool ends depends on how many holds were met before, and whether a threading is one too many on who was
there at the ones before: for both a wider span is taken.
"""

from __future__ import annotations

from collections.abc import Sequence

from clearance.overnight.timeline import MOST, SPOOL, Held, Night, Setting, There

Doubt = tuple[float, str, str]


def doubtful(nights: Sequence[Night], setting: Setting) -> Doubt | None:
    """When, in which job and why the machine may wait for somebody who is not there, though none of the
    goings-through waits; None where it is certain that it does not.

    Args:
        nights: with the least, likely and longest figures; none of them waits.   setting: of all of them.
    """
    return _at_holds(nights, setting) or _watched(nights, setting.there) or _threadings(nights, setting)


def _at_holds(nights: Sequence[Night], setting: Setting) -> Doubt | None:
    most = max(len(night.holds) for night in nights) * setting.attend[MOST]
    by_key: dict[tuple[str, str], list[list[Held]]] = {}
    for which, night in enumerate(nights):
        for held in night.holds:
            by_key.setdefault((held.job, held.why), [[] for _ in nights])[which].append(held)
    for (job, why), of_nights in by_key.items():
        if len({len(each) for each in of_nights}) > 1:
            found = min(held.at for each in of_nights for held in each)
            return _leaves(setting.there, found), job, why
        for same in zip(*of_nights, strict=True):
            first, last = min(held.at for held in same), max(held.at for held in same)
            if why == SPOOL:
                first = setting.start + setting.wire
                last = first + most
            if _may_be_alone(setting.there, first, last):
                return _leaves(setting.there, first), job, why
    return None


def _watched(nights: Sequence[Night], there: There) -> Doubt | None:
    for same in zip(*(night.ran for night in nights), strict=True):
        why = next((one.watched for one in same if one.watched is not None), None)
        if why is None or any(one.never is not None for one in same):
            continue
        first, last = min(one.begins for one in same), max(one.ends for one in same)
        if _may_be_alone(there, first, last):
            return _leaves(there, first), same[0].name, why
    return None


def _threadings(nights: Sequence[Night], setting: Setting) -> Doubt | None:
    """A threading that may be one too many in a row; counting begins anew only where somebody is there for
    certain."""
    if setting.most_threadings is None:
        return None
    in_a_row = 0
    for same in zip(*(night.threads for night in nights), strict=True):
        first, last = min(one.at for one in same), max(one.at for one in same)
        if not _may_be_alone(setting.there, first, last):
            in_a_row = 0
        elif in_a_row >= setting.most_threadings:
            return _leaves(setting.there, first), same[0].job, same[0].why
        in_a_row += 1
    return None


def _may_be_alone(there: There, first: float, last: float) -> bool:
    """Whether nobody is there at some moment from the first to the last one."""
    return not there.at(first) or there.until(first) < last or not there.at(last)


def _leaves(there: There, at: float) -> float:
    """When whoever is there at a moment leaves."""
    return there.until(at) if there.at(at) else at
