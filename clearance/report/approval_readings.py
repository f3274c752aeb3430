"""Forms of readings in approvals: what a record keeps of one, and which readings are others now."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from clearance.errors import InputError

if TYPE_CHECKING:
    from clearance.pose.form import Form

#: readings that are named
_SHOWN = 4


def readings_of(form: Form) -> dict[str, Any]:
    """Every reading by its part and place, mm; None where nothing was filled in.

    Args:
        form: as read.
    """
    return {f"{row.part}, {row.place}": row.reading for row in form.rows}


def differing_readings(then: Mapping[str, Any], file: str) -> str:
    """Which readings of a form are not what they were, in words.

    Args:
        then: of ``readings_of``.   file: where the form is now.
    """
    from clearance.pose.form import read_form

    try:
        now = readings_of(read_form(file))
    except InputError as error:
        return f"{error.place}: {error.found}" if error.place else error.found
    names = [*then, *(name for name in now if name not in then)]
    told = [
        f"{name}: was {_shown(then, name)}, is {_shown(now, name)}"
        for name in names
        if then.get(name) != now.get(name) or (name in then) != (name in now)
    ]
    if not told:
        return "the readings are the same, but not the rest of it"
    more = f"; (+{len(told) - _SHOWN} more)" if len(told) > _SHOWN else ""
    return "; ".join(told[:_SHOWN]) + more


def _shown(readings: Mapping[str, Any], name: str) -> str:
    if name not in readings:
        return "not there"
    return "blank" if readings[name] is None else f"{readings[name]:+.4g}"
