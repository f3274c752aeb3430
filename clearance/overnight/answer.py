"""A night's file goes in; until when the machine runs alone, and what it waits for then, comes out."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from pathlib import Path

from clearance.checking.verdict import Progress, worst
from clearance.overnight import order as orders
from clearance.overnight.clock import Clock, Spans, clock_of, presence_of, start_of
from clearance.overnight.durations import metres, times
from clearance.overnight.durations import minutes as wire_minutes
from clearance.overnight.judging import Confirm, JudgedJob, OnTable, all_judged, spool_wire, tables_of
from clearance.overnight.order import Proposal
from clearance.overnight.timeline import (
    LEAST,
    LIKELY,
    MOST,
    Attended,
    JobStep,
    NightRun,
    Ran,
    Ready,
    Setting,
    doubtful,
    run_all,
)
from clearance.records import by_values, hash_by_values, record
from clearance.scene.night import NightPlan, Three, read_night


@record
class Standstill:
    """The machine stands: from when until when somebody comes (None: nobody does), in which job, and why."""

    at: datetime
    until: datetime | None
    job: str
    why: str


@record
class Attendance:
    """Where a job needs somebody: when by the likely figures, why, and whether somebody is there then."""

    at: datetime
    why: str
    there: bool


@record
class JobAnswer:
    """One job of the night.

    Attributes:
        verdict: the worst of its own and of what it is on its table.   spare: the least, mm.
        fit: nothing in it ends running alone.   why: what does.   notes: what is to be known.
        begin, end: as the likely figures have it; None where it is not reached or must not run.
        minutes: least, likely, most.   threadings: their number.   wire: metres, likely.
        rough, trim: (length, length in metal, mm; area, mm2).   late: not done when it is due, by the longest
            figures.   ran: minutes that it took, where it has run before this night.
        approval: "unchanged" and so on.   ends: by the least and the longest figures; None as for ``end``.
        stops: where it needs somebody, in order.
    """

    name: str
    setup: str
    table: str | None
    verdict: str
    spare: float | None
    fit: bool
    why: tuple[str, ...]
    notes: tuple[str, ...]
    begin: datetime | None
    end: datetime | None
    minutes: Three
    threadings: int
    wire: float
    rough: tuple[float, float, float]
    trim: tuple[float, float, float]
    approval: str
    due: datetime | None = None
    pinned: bool = False
    late: bool = False
    ran: float | None = None
    ends: tuple[datetime | None, datetime | None] = (None, None)
    stops: tuple[Attendance, ...] = ()


@dataclass(frozen=True)
class NightAnswer:
    """The whole answer; all times are estimates.

    Attributes:
        title, file: of the night.   start: on the wall.   presence: when somebody is there, from then on.
        runs_alone: whether it runs whenever nobody is there, by the least, likely and longest figures alike.
        alone_until: when it first waits for somebody who is not there, or is done; ``between``: by the least
            and the longest figures.
        waits_for: job and reason, None where it runs alone throughout.   left_out: jobs that must not run.
        hours_alone: hours for which it runs and nobody is there, in all.
        stands: each wait, by the likely figures.   jobs: in the order that was looked at.
        end: when all is done; None where it stands for good.
        proposal: the order with most hours alone, where it was asked for and there is one that keeps all
            that is due; ``asked_order``: it was asked for.
        spool: metres on it.   corrected: how many times as long as estimated the jobs took that ran before.
        notes: what is to be known of the whole night.   files: all that were read.
        rates: name, slowest or least, likely, fastest or most, and whether the file gives it.
    """

    __eq__ = by_values
    __hash__ = hash_by_values

    title: str
    file: str
    start: datetime
    presence: tuple[tuple[datetime, datetime], ...]
    runs_alone: bool
    alone_until: datetime
    between: tuple[datetime, datetime]
    waits_for: tuple[str, str] | None
    hours_alone: float
    stands: tuple[Standstill, ...]
    jobs: tuple[JobAnswer, ...]
    end: datetime | None
    spool: float
    corrected: float
    notes: tuple[str, ...]
    left_out: tuple[str, ...] = ()
    asked_order: bool = False
    proposal: Proposal | None = None
    files: tuple[str, ...] = ()
    rates: tuple[tuple[str, Three, bool], ...] = ()

    def __repr__(self) -> str:
        until = f"{self.alone_until:%Y-%m-%d %H:%M}"
        name = self.title or self.file
        return f'<NightAnswer "{name}": alone until {until} (estimate), {len(self.jobs)} jobs>'


def find_night(
    file: str | Path,
    confirm: Confirm,
    *,
    order: bool = False,
    now: datetime | None = None,
    progress: Progress | None = None,
) -> NightAnswer:
    """Until when does the machine run alone, and what does it wait for then?

    Args:
        file: the night's file.   confirm: tells what an approval record says.
        order: propose the order with most hours alone.
        now: the time it is, local; None: as the computer's clock has it.
        progress: is told the share done, and what is looked at.

    Raises:
        InputError: the file, or one that it names, is wrong.
    """
    plan = read_night(file)
    clock = clock_of(plan)
    start = start_of(plan, clock)
    count = sum(job.ran is None for job in plan.jobs)
    if order and count > orders.MOST_JOBS:
        found = f"{count} jobs"
        want = f"{orders.MOST_JOBS} at most for --order: all their orders are looked at"
        raise plan.error(("jobs",), found, want)
    judged = all_judged(plan, confirm, progress, every_order=order)
    factor = _factor(judged)
    to_run = [one for one in judged if one.job.ran is None]
    tables = tables_of(plan, judged, every_way=order)
    there = Attended(presence := presence_of(plan.presence, clock, start))
    diameter = spool_wire(plan, judged)
    setting = Setting(
        start=start,
        there=there,
        wire=wire_minutes(plan.spool, diameter),
        change=plan.rates.change,
        attend=plan.rates.attend,
        changes_pallets=plan.changes_pallets,
        threads_itself=plan.threads_itself,
        most_threadings=plan.most_threadings,
    )
    ready = [_ready(one, tables, clock, factor) for one in to_run]
    proposal = orders.best(ready, setting) if order else None
    nights = [run_all(ready, setting, which) for which in (LEAST, LIKELY, MOST)]
    return _Said(plan, clock, judged, tables, ready, nights, factor, setting, presence).answer(
        proposal, order, now
    )


def _factor(judged: Sequence[JudgedJob]) -> float:
    """How many times as long as estimated the jobs took that have run, all their minutes together."""
    ran = [one for one in judged if one.job.ran is not None]
    estimated = sum(one.minutes[LIKELY] for one in ran)
    took = sum(one.job.ran or 0.0 for one in ran)
    return took / estimated if ran and estimated > 0.0 else 1.0


def _ready(one: JudgedJob, tables: dict[str, OnTable], clock: Clock, factor: float) -> Ready:
    """A job, ready to be put into an order."""
    beside = tables.get(one.job.name, OnTable())
    reasons = [*one.watched, *beside.why]
    never = one.never
    if never is None and beside.verdict in ("clash", "undecided"):
        never = beside.why[0]
    machine = one.result.scene.known_machine
    return Ready(
        name=one.job.name,
        steps=_fewer([JobStep(times(factor, s.minutes), s.hold, s.thread) for s in one.steps]),
        watched=reasons[0] if reasons else None,
        never=never,
        heads=(machine.wire, machine.nozzles or ""),
        table=one.job.table,
        due=None if one.job.due is None or never else clock.both(one.job.due)[0],
        pinned=one.job.pinned,
        after={
            name: None if verdict == "clear" else (why, verdict in ("clash", "undecided"))
            for name, (verdict, why) in beside.after.items()
        },
    )


def _fewer(steps: Sequence[JobStep]) -> tuple[JobStep, ...]:
    """The same without steps that take no time and hold nothing."""
    return tuple(s for s in steps if s.hold is not None or s.thread or any(s.minutes)) or (
        JobStep((0.0,) * 3),
    )


@record
class _Said:
    """All that is known of a night, to be told."""

    plan: NightPlan
    clock: Clock
    judged: Sequence[JudgedJob]
    tables: dict[str, OnTable]
    ready: Sequence[Ready]
    nights: Sequence[NightRun]
    factor: float
    setting: Setting
    presence: Spans

    def answer(self, proposal: Proposal | None, asked: bool, now: datetime | None) -> NightAnswer:
        likely = self.nights[LIKELY]
        until, waits_for = self._first_wait()
        ends = [self._until(night) for night in self.nights] + [until]
        last = max(ends)
        seen = max([last, *(night.now for night in self.nights if not math.isinf(night.now))])
        shown = [(a, b) for a, b in self.presence if b > self.setting.start and a < seen + 12.0 * 60.0]
        return NightAnswer(
            title=self.plan.title,
            file=self.plan.file,
            start=self.clock.wall(self.setting.start),
            presence=tuple((self.clock.wall(a), self.clock.wall(b)) for a, b in shown),
            runs_alone=waits_for is None,
            alone_until=self.clock.wall(until),
            between=(self.clock.wall(min(ends)), self.clock.wall(last)),
            waits_for=waits_for,
            hours_alone=likely.alone / 60.0,
            stands=tuple(
                Standstill(self.clock.wall(w.at), self._wall(w.until), w.job, w.why) for w in likely.waits
            ),
            jobs=tuple(self._jobs()),
            end=self._wall(likely.now),
            spool=metres(self.plan.spool, spool_wire(self.plan, self.judged)),
            corrected=self.factor,
            notes=tuple(self._notes(proposal, asked, now)),
            left_out=tuple(one.name for one in likely.ran if one.never is not None),
            asked_order=asked,
            proposal=proposal,
            files=tuple(self._files()),
            rates=tuple(
                (one.name, getattr(self.plan.rates, one.name), one.name in self.plan.given)
                for one in fields(self.plan.rates)
            ),
        )

    def _files(self) -> list[str]:
        """Paths of all that was read: the night's file, setups, records, and what the setups name."""
        found = [self.plan.file]
        for one in self.judged:
            folder = os.path.dirname(one.job.setup)
            found += [one.job.setup, *([one.job.approval] if one.job.approval else [])]
            found += [os.path.join(folder, str(file)) for file, _ in one.result.scene.inputs]
        return found

    def _wall(self, minutes: float) -> datetime | None:
        return None if math.isinf(minutes) else self.clock.wall(minutes)

    def _until(self, night: NightRun) -> float:
        """Until when the machine needs nobody: its first wait, or its end."""
        return night.waits[0].at if night.waits else night.now

    def _first_wait(self) -> tuple[float, tuple[str, str] | None]:
        """When it first waits, in which job and why; its end, and None, where it is certain not to."""
        likely = self.nights[LIKELY]
        first = [min(night.waits, key=lambda w: w.at) for night in self.nights if night.waits]
        if likely.waits:
            wait = likely.waits[0]
            return wait.at, (wait.job, wait.why)
        if first:
            wait = min(first, key=lambda w: w.at)
            return wait.at, (wait.job, wait.why)
        doubt = doubtful(self.nights, self.setting)
        if doubt is not None:
            at, job, why = doubt
            return at, (job, why)
        return likely.now, None

    # ------------------------------------------------------------------------------------------ job by job
    def _jobs(self) -> list[JobAnswer]:
        ran = {one.name: one for one in self.nights[LIKELY].ran}
        longest = orders.late(self.ready, self.nights[MOST])
        found = []
        before: JudgedJob | None = None
        for one in self.judged:
            done = ran.get(one.job.name)
            found.append(self._job(one, before, done, one.job.name in longest))
            before = one if done is not None and done.never is None else before
        return found

    def _job(self, one: JudgedJob, before: JudgedJob | None, ran: Ran | None, late: bool) -> JobAnswer:
        job, beside = one.job, self.tables.get(one.job.name, OnTable())
        way = None if before is None else beside.after.get(before.job.name)
        spares = [pair.spare for pair in one.result.pairs if pair.spare is not None]
        spares += [] if beside.spare is None else [beside.spare]
        why = [*one.watched, *beside.why, *([way[1]] if way and way[0] != "clear" else []), *one.holds]
        why += [held.why for held in self.nights[LIKELY].holds if held.job == job.name]
        minutes = times(1.0 if job.ran is not None else self.factor, one.minutes)
        due = None if job.due is None else self.clock.wall(self.clock.both(job.due)[0])
        reached = ran is not None and ran.never is None
        return JobAnswer(
            name=job.name,
            setup=job.shown,
            table=job.table,
            verdict=worst([one.result.verdict, beside.verdict, way[0] if way else "clear"]),
            spare=min(spares, default=None),
            fit=not why,
            why=tuple(dict.fromkeys(why)) if job.ran is None else (),
            notes=one.notes,
            begin=self._wall(ran.begins) if ran is not None and reached else None,
            end=self._wall(ran.ends) if ran is not None and reached else None,
            minutes=minutes,
            threadings=one.threadings,
            wire=minutes[LIKELY] * self.plan.spool.speed,
            rough=one.lasts.total("rough"),
            trim=one.lasts.total("trim"),
            approval=one.approval.state,
            due=due,
            pinned=job.pinned,
            late=late or (due is not None and job.ran is None and not reached),
            ran=job.ran,
            ends=self._ends(job.name),
            stops=tuple(
                Attendance(self.clock.wall(held.at), held.why, held.there)
                for held in self.nights[LIKELY].holds
                if held.job == job.name
            ),
        )

    def _ends(self, name: str) -> tuple[datetime | None, datetime | None]:
        """When a job ends by the least and by the longest figures."""
        least, most = (
            next((one.ends for one in self.nights[which].ran if one.name == name), math.inf)
            for which in (LEAST, MOST)
        )
        return self._wall(least), self._wall(most)

    # ---------------------------------------------------------------------------------------------- notes
    def _notes(self, proposal: Proposal | None, asked: bool, now: datetime | None) -> list[str]:
        found = []
        present = datetime.now().astimezone().timestamp() / 60.0 if now is None else self.clock.minutes(now)
        if self.setting.start < present:
            found.append("the start is past: all times are counted from it all the same")
        if not self.setting.there.at(self.setting.start):
            found.append("nobody is there at the start: the machine has to begin by itself")
        found += self._corrections()
        ends = [night.now for night in self.nights if not math.isinf(night.now)]
        if ends and (a := self.clock.offset(self.setting.start)) != (b := self.clock.offset(max(ends))):
            way = "forward" if b > a else "back"
            found.append(f"the clocks are put {way} in this time ({a} to {b})")
        if not self.presence:
            found.append("by the file nobody is ever there")
        if asked and proposal is None:
            found.append("no order keeps all that is due, by the longest estimates")
        return found

    def _corrections(self) -> list[str]:
        found = []
        for one in self.judged:
            if one.job.ran is None:
                continue
            low, likely, high = one.minutes
            estimated = f"{likely:.0f} ({low:.0f} to {high:.0f})"
            said = f'"{one.job.name}" ran {one.job.ran:.0f} min, estimated {estimated}'
            if not low <= one.job.ran <= high:
                said += ": outside of what was to be expected; look for the cause"
            found.append(said)
        if found:
            found.append(f"so the other jobs are counted {self.factor:.2f} times as long as estimated")
        return found
