"""A night's file goes in; its tables checked, minutes, metres and moments as they are meant, come out."""

from __future__ import annotations

import re
from datetime import date, datetime, time
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema, model_validator

from clearance.scene.fields import (
    FileName,
    Flag,
    Name,
    Positive,
    Table,
    Words,
    is_list,
    number,
    problem,
    shown,
)

#: minutes in a year: no job is longer, and no answer reaches farther
LONGEST_MINUTES = 525_600.0
DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
#: jobs of one night, at most
MOST_JOBS = 200

_DURATION = re.compile(r"(?:(\d+(?:\.\d+)?)\s*h)?\s*(?:(\d+(?:\.\d+)?)\s*min)?")


def _moment(value: Any) -> datetime:
    """A day and a time of day, with or without an offset."""
    if not isinstance(value, datetime):
        want = "give day and time, without quotes: 2026-11-27T17:00:00"
        raise problem(f"found {shown(value)}", want)
    if not 1971 <= value.year <= 9000:
        raise problem(f"found {shown(value)}", "give a year that a calendar has")
    return value


def _moment_or_time(value: Any) -> datetime | time:
    """A moment, or a time of day that comes every day."""
    if isinstance(value, time) and value.tzinfo is None:
        return value
    if isinstance(value, date):
        return _moment(value)
    raise problem(f"found {shown(value)}", "give a time, without quotes: 06:00:00, or day and time")


def _minutes(value: Any) -> float:
    """A duration, "312min" or "5h 12min", in minutes."""
    match = _DURATION.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None or not any(match.groups()):
        raise problem(f"found {shown(value)}", 'give hours and minutes: "312min", "5h 12min"')
    total = 60.0 * float(match[1] or 0.0) + float(match[2] or 0.0)
    if not 0.0 < total <= LONGEST_MINUTES:
        raise problem(f"found {shown(value)}", "give more than 0, and less than a year")
    return total


def _three(value: Any) -> tuple[float, float, float]:
    """One figure, or the least, the likely and the largest."""
    each = value if isinstance(value, list) else [value, value, value]
    if len(each) != 3:
        raise problem(f"found {len(each)} values", "give one number, or three: [least, likely, most]")
    found = tuple(number(one) for one in each)
    if not 0.0 < found[0] <= found[1] <= found[2]:
        raise problem(f"found {shown(value)}", "give numbers above 0, the least first: [150, 180, 250]")
    if found[2] > 1e6:
        raise problem(f"found {shown(value)}", "no figure here is so large")
    return found[0], found[1], found[2]


def _count(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 1_000_000:
        raise problem(f"found {shown(value)}", "give a whole number, 0 or more")
    return value


def _word(value: Any) -> Any:
    """Words of a program, each with what the pass is that begins there."""
    if not isinstance(value, dict):
        raise problem(f"found {shown(value)}", 'give a table, { D1 = "rough", D2 = "trim" }')
    for key in value:
        if not re.fullmatch(r"[A-Z][0-9]{1,9}", key):
            raise problem("the key is no word of a program", "a letter and a number, D2 say", key=str(key))
    return value


_FIGURES = {"type": "number", "exclusiveMinimum": 0}
Moment = Annotated[datetime, BeforeValidator(_moment), WithJsonSchema({"type": "string"})]
MomentOrTime = Annotated[
    datetime | time, BeforeValidator(_moment_or_time), WithJsonSchema({"type": "string"})
]
Duration = Annotated[float, BeforeValidator(_minutes), WithJsonSchema({"type": "string"})]
Figures = Annotated[
    tuple[float, float, float],
    BeforeValidator(_three),
    WithJsonSchema({"anyOf": [_FIGURES, {"type": "array", "items": _FIGURES, "minItems": 3, "maxItems": 3}]}),
]
Count = Annotated[int, BeforeValidator(_count), WithJsonSchema({"type": "integer", "minimum": 0})]
Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


class Present(Table):
    """When somebody is there: every day or on some days of the week, or once."""

    where: ClassVar[str] = "in [[present]]"
    also: ClassVar[dict[str, str]] = {"to": 'did you mean "until"?', "day": 'did you mean "days"?'}

    from_: MomentOrTime = Field(alias="from")
    until: MomentOrTime
    days: Annotated[list[Weekday], is_list('a list of days, ["mon", "tue"]')] | None = None

    @model_validator(mode="after")
    def _hangs_together(self) -> Present:
        once = [isinstance(each, datetime) for each in (self.from_, self.until)]
        if any(once) and not all(once):
            raise problem("one end has a day and the other has none", "both with a day, or both without")
        if all(once) and self.days is not None:
            raise problem("from and until have a day already", "leave days out", key="days")
        if all(once) and (self.from_.tzinfo is None) != (self.until.tzinfo is None):
            raise problem("one end has an offset and the other has none", "both with, or both without one")
        if all(once) and self.until < self.from_:  # type: ignore[operator]
            raise problem("until is before from", "the later one behind", key="until")
        if self.from_ == self.until:
            raise problem("from and until are the same", "nobody is there then", key="until")
        return self


class SpoolIn(Table):
    """The wire on the machine."""

    where: ClassVar[str] = "in [spool]"
    also: ClassVar[dict[str, str]] = {"length": 'did you mean "metres"?', "kg": 'did you mean "mass"?'}

    mass: Positive | None = None
    metres: Positive | None = None
    diameter: Positive | None = None
    density: Positive = 8.44
    speed: Positive

    @model_validator(mode="after")
    def _one(self) -> SpoolIn:
        if (self.mass is None) == (self.metres is None):
            found = "both mass and metres are given" if self.mass else "neither mass nor metres is given"
            raise problem(found, "give what is left on the spool: mass = 8.0 (kg), or metres = 19000")
        return self


class Times(Table):
    """How fast it goes, and how long single things take; what is left out keeps its default."""

    where: ClassVar[str] = "in [times]"

    rough: Figures = (100.0, 180.0, 250.0)
    trim: Figures = (5.0, 10.0, 15.0)
    air: Figures = (5.0, 10.0, 30.0)
    rapid: Figures = (300.0, 600.0, 1500.0)
    z: Figures = (200.0, 500.0, 1000.0)
    threading: Figures = (0.5, 1.0, 3.0)
    dwell: Figures = (0.01, 0.05, 0.5)
    change: Figures = (2.0, 4.0, 10.0)
    attend: Figures = (2.0, 10.0, 30.0)


class AcceptedIn(Table):
    """A piece that may come free with nobody there, and why."""

    piece: Name
    reason: Words

    @model_validator(mode="after")
    def _said(self) -> AcceptedIn:
        if not self.reason.strip():
            raise problem("found an empty reason", "say why it may fall with nobody there", key="reason")
        return self


class NightJob(Table):
    """One job of the night."""

    where: ClassVar[str] = "in [[jobs]]"
    also: ClassVar[dict[str, str]] = {"file": 'did you mean "setup"?', "record": 'did you mean "approval"?'}

    name: Name
    setup: FileName
    approval: FileName | None = None
    table: Name | None = None
    due: Moment | None = None
    pinned: Flag = False
    ran: Duration | None = None
    accepted: Annotated[
        list[AcceptedIn], is_list('a list, [{ piece = "slug of opening", reason = "..." }]')
    ] = Field(default_factory=list)


class NightIn(Table):
    """The file of a night."""

    where: ClassVar[str] = "at the top, before the first [table]"

    title: Words = ""
    start: Moment
    zone: Words | None = None
    together: Flag = False
    threads_itself: Flag = False
    changes_pallets: Flag = False
    most_threadings: Count | None = None
    passes: Annotated[dict[str, Literal["rough", "trim"]], BeforeValidator(_word)] = Field(
        default_factory=dict
    )
    spool: SpoolIn
    times: Times = Field(default_factory=Times)
    present: Annotated[list[Present], is_list("a list of [[present]]")] = Field(default_factory=list)
    jobs: Annotated[list[NightJob], is_list("a list of [[jobs]]")]

    @model_validator(mode="after")
    def _hangs_together(self) -> NightIn:
        if not self.jobs:
            raise problem("there is no job", "add a [[jobs]] table", key="jobs")
        if len(self.jobs) > MOST_JOBS:
            raise problem(f"found {len(self.jobs)} jobs", f"{MOST_JOBS} at most", key="jobs")
        names = [job.name for job in self.jobs]
        for i, job in enumerate(self.jobs):
            if job.name in names[:i]:
                found = f'two jobs are named "{job.name}"'
                raise problem(found, "give each its own name", ("jobs", i, "name"))
            if "/" in job.name:
                want = 'a "/" stands between a job and its item: name it without'
                raise problem(f"found {shown(job.name)}", want, ("jobs", i, "name"))
            if self.together and job.table is not None:
                found = "together = true puts all jobs on one table"
                raise problem(found, "leave one of the two out", ("jobs", i, "table"))
        if all(job.ran is not None for job in self.jobs):
            raise problem("all jobs have run already", "a job that is yet to run, without ran", key="jobs")
        return self
