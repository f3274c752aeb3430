"""A night's file goes in; the night as its user means it comes out: jobs, presence, spool, times, in plain
values that no other room has to read a file for.
"""

from __future__ import annotations

import os
from dataclasses import field
from datetime import datetime, time
from pathlib import Path
from typing import Any

from clearance.errors import InputError
from clearance.records import record
from clearance.scene.bodies import Files
from clearance.scene.night_tables import DAYS, NightIn, NightJob
from clearance.scene.toml_file import Loc, TomlFile, read_toml

#: least, likely, most
Three = tuple[float, float, float]


@record
class Accepted:
    """A piece by its name that may come free with nobody there, and the reason."""

    piece: str
    reason: str


@record
class Job:
    """One job of a night.

    Attributes:
        setup, approval: paths of the files; ``shown``, ``approval_shown`` as the night's file names them.
        table: the name of what it stands on together with others, None where it has a pallet of its own.
        due: when it has to be done.   pinned: it keeps its place in the order.
        ran: minutes that it took, where it has run already: that corrects the estimates of the others.
        index: in the night's file.
    """

    name: str
    setup: str
    shown: str
    approval: str | None = None
    approval_shown: str | None = None
    table: str | None = None
    due: datetime | None = None
    pinned: bool = False
    ran: float | None = None
    accepted: tuple[Accepted, ...] = ()
    index: int = 0


@record
class Presence:
    """When somebody is there: once, or every day on which it begins (0 is Monday)."""

    begins: datetime | time
    ends: datetime | time
    days: tuple[int, ...] = tuple(range(7))


@record
class Spool:
    """What is left on the spool.

    Attributes:
        mass: kg, or None.   metres: or None; one of the two is given.
        diameter: of the wire, mm; None: the machine's.   density: g/cm3.   speed: m/min.
    """

    mass: float | None
    metres: float | None
    diameter: float | None
    density: float
    speed: float


@record
class Rates:
    """Slowest, likely and fastest rates, and shortest, likely and longest times.

    Attributes:
        rough: mm2/min.   trim, air, rapid, z: mm/min.
        threading, dwell, change, attend: minutes for each.
    """

    rough: Three
    trim: Three
    air: Three
    rapid: Three
    z: Three
    threading: Three
    dwell: Three
    change: Three
    attend: Three


@record
class NightPlan:
    """A night, as read.

    Attributes:
        file: as the user named it.   start: when the first job begins, with or without an offset.
        zone: name of a time zone, or None for the computer's.   presence: when somebody is there.
        threads_itself, changes_pallets: what the machine does alone.
        most_threadings: so many in a row are trusted to it; None: any number.
        passes: words of programs and what the pass is that begins there ("rough", "trim").
        given: which of the rates the file says itself.   toml: the file, for messages.
    """

    file: str
    title: str
    start: datetime
    zone: str | None
    presence: tuple[Presence, ...]
    threads_itself: bool
    changes_pallets: bool
    most_threadings: int | None
    passes: dict[str, str]
    spool: Spool
    rates: Rates
    jobs: tuple[Job, ...]
    toml: TomlFile = field(repr=False)
    given: frozenset[str] = frozenset()

    def error(self, loc: Loc, found: str, want: str = "") -> InputError:
        """The error for a key of the file; see ``TomlFile.error``.

        Args:
            loc: keys down to the value.   found: what stands there.   want: what would be right.
        """
        return self.toml.error(loc, found, want)


def read_night(file: str | Path) -> NightPlan:
    """Read a night's file; the setups and records that it names are found beside it, and not yet read.

    Raises:
        InputError: it is wrong, or a file that it names is not there.
    """
    path = Path(file)
    read = read_toml(path, str(file))
    if "cuts" in read.data or "lower_head" in read.data:
        raise read.error((), "this is no night's file", "a file with start, [spool] and [[jobs]]")
    night = read.checked(NightIn)
    files = Files(path.parent)
    jobs = tuple(_job(k, job, night, read, files) for k, job in enumerate(night.jobs))
    _tables_stand_together(jobs, read)
    return NightPlan(
        file=read.shown_as,
        title=night.title,
        start=night.start,
        zone=night.zone,
        presence=tuple(
            Presence(one.from_, one.until, tuple(range(7)) if one.days is None else _days(one.days))
            for one in night.present
        ),
        threads_itself=night.threads_itself,
        changes_pallets=night.changes_pallets,
        most_threadings=night.most_threadings,
        passes=dict(night.passes),
        spool=Spool(
            night.spool.mass, night.spool.metres, night.spool.diameter, night.spool.density, night.spool.speed
        ),
        rates=Rates(**{key: getattr(night.times, key) for key in type(night.times).model_fields}),
        jobs=jobs,
        toml=read,
        given=frozenset(night.times.model_fields_set),
    )


def _days(named: Any) -> tuple[int, ...]:
    return tuple(sorted({DAYS.index(each) for each in named}))


def _job(k: int, job: NightJob, night: NightIn, read: TomlFile, files: Files) -> Job:
    setup = files.find(job.setup, read, ("jobs", k, "setup"))
    approval = None
    if job.approval is not None:
        approval = str(files.find(job.approval, read, ("jobs", k, "approval")))
    return Job(
        name=job.name,
        setup=str(setup),
        shown=job.setup,
        approval=approval,
        approval_shown=job.approval,
        table="one table" if night.together else job.table,
        due=job.due,
        pinned=job.pinned,
        ran=job.ran,
        accepted=tuple(Accepted(one.piece, one.reason) for one in job.accepted),
        index=k,
    )


def _tables_stand_together(jobs: tuple[Job, ...], read: TomlFile) -> None:
    """Refuse a table that is taken off and put on again: what stands on it runs in one go."""
    to_run = [job for job in jobs if job.ran is None]
    seen: set[str] = set()
    before: Job | None = None
    for job in to_run:
        if job.table is not None and (before is None or before.table != job.table):
            if job.table in seen:
                found = f'the table "{job.table}" would be taken off and put on again'
                raise read.error(("jobs", job.index, "table"), found, "put its jobs one behind the other")
            seen.add(job.table)
        before = job
    by_setup: dict[tuple[str, str], str] = {}
    for job in to_run:
        key = (job.table or "", os.path.realpath(job.setup))
        if job.table is not None and key in by_setup:
            found = f'"{by_setup[key]}" on the same table has this setup already: it would stand in itself'
            raise read.error(("jobs", job.index, "setup"), found, "another setup, or another table")
        by_setup[key] = job.name
