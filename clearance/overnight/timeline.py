"""Jobs with their times and holds, and when somebody is there, go in; when each runs and waits comes out.

One going-through of the night, with all times at their least, or likely, or most. It is a value: going on
from it makes another one, so that many orders can share their beginning.

``doubtful`` takes three goings-through and gives the first moment at which the machine may wait alone.
They show three of all the times that steps may take, each between its least and its longest.
A hold's moment grows with the time of every step before it, so that it lies between those of the least and
of the longest going-through; somebody is there for certain only where somebody is there all that while. Where
the spool ends depends on how many holds were met before, and whether a threading is one too many on who was
there at the ones before: for both a wider span is taken.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import field, replace

from clearance.overnight.clock import Spans
from clearance.records import record
from clearance.scene.night import Three

#: which figure of a span is meant
LEAST, LIKELY, MOST = 0, 1, 2
#: what is waited for where the spool ends
SPOOL = "the spool is at its end"
#: less than this is no time, minutes
MOMENT = 1e-9


class Attended:
    """When somebody is there.

    Args:
        spans: minutes, in order and apart.
    """

    def __init__(self, spans: Spans) -> None:
        self.begins = [a for a, _ in spans]
        self.ends = [b for _, b in spans]
        self._before = [0.0]
        for a, b in spans:
            self._before.append(self._before[-1] + b - a)

    def at(self, t: float) -> bool:
        """Whether somebody is there at a moment."""
        k = bisect_right(self.begins, t) - 1
        return k >= 0 and t < self.ends[k]

    def next(self, t: float) -> float:
        """The first moment from ``t`` on at which somebody is there; infinite where nobody is any more."""
        if self.at(t):
            return t
        k = bisect_right(self.begins, t)
        return self.begins[k] if k < len(self.begins) else math.inf

    def until(self, t: float) -> float:
        """Until when whoever is there at ``t`` stays."""
        return self.ends[bisect_right(self.begins, t) - 1]

    def absent(self, a: float, b: float) -> float:
        """Minutes from ``a`` to ``b`` at which nobody is there."""
        return (b - a) - (self._there_before(b) - self._there_before(a))

    def _there_before(self, t: float) -> float:
        k = bisect_right(self.begins, t) - 1
        return 0.0 if k < 0 else self._before[k] + min(t, self.ends[k]) - self.begins[k]


@record
class JobStep:
    """A bit of a job.

    Attributes:
        minutes: how long.   hold: why somebody has to be there after it, or None.
        thread: the wire is threaded as it begins.
    """

    minutes: Three
    hold: str | None = None
    thread: bool = False


@record
class Ready:
    """A job, ready to be put into an order.

    Attributes:
        steps: in order.   watched: why nobody may leave it alone, or None.
        never: why it must not run at all, or None.
        heads: wire and nozzles that it runs with.   table: what it stands on with others, or None.
        due: minutes, or None.   pinned: it keeps its place.
        after: by the job before it on its table, what is wrong with the heads' way from there, and whether
            it must not be gone; None where it is right.
    """

    name: str
    steps: tuple[JobStep, ...]
    watched: str | None = None
    never: str | None = None
    heads: tuple[float, str] = (0.25, "")
    table: str | None = None
    due: float | None = None
    pinned: bool = False
    after: Mapping[str, tuple[str, bool] | None] = field(default_factory=dict)


@record
class Setting:
    """What holds for all jobs.

    Attributes:
        start: minutes.   there: when somebody is.   wire: minutes that the spool lasts.
        change, attend: minutes for a change of pallets, and for a person at a hold.
        changes_pallets, threads_itself, most_threadings: as the night's file says.
    """

    start: float
    there: Attended
    wire: float
    change: Three
    attend: Three
    changes_pallets: bool
    threads_itself: bool
    most_threadings: int | None = None


@record
class HoldMet:
    """A hold as it was met: which of its job's, from 0, why, when, and whether somebody was there."""

    job: str
    number: int
    why: str
    at: float
    there: bool


@record
class Wait:
    """The machine stands from ``at`` to ``until`` (infinite: nobody comes any more) since nobody is there."""

    at: float
    until: float
    job: str
    why: str


@record
class Ran:
    """When a job begins and ends, minutes; infinite where it is not reached.

    ``never``: why it is left out; ``watched``: why it ran only while somebody was there.
    """

    name: str
    begins: float
    ends: float
    never: str | None = None
    watched: str | None = None


@record
class NightRun:
    """How far a night has come.

    Attributes:
        which: of least, likely and most.   now: minutes.   wire: minutes that are left on the spool.
        alone: minutes for which it ran and nobody was there.   last_alone: when it did so last.
        threadings: in a row with nobody there.   before: the job that ran last.
        holds: every hold, in order.   threads: every threading, where their number in a row matters.
    """

    which: int
    now: float
    wire: float
    alone: float = 0.0
    last_alone: float | None = None
    threadings: int = 0
    before: Ready | None = None
    ran: tuple[Ran, ...] = ()
    waits: tuple[Wait, ...] = ()
    holds: tuple[HoldMet, ...] = ()
    threads: tuple[HoldMet, ...] = ()

    @property
    def stands(self) -> bool:
        """Whether it waits for somebody who does not come."""
        return math.isinf(self.now)


def begun(setting: Setting, which: int) -> NightRun:
    """The night before its first job.

    Args:
        which: of least, likely and most.
    """
    return NightRun(which, setting.start, setting.wire)


def run_all(jobs: Sequence[Ready], setting: Setting, which: int) -> NightRun:
    """The whole night.

    Args:
        jobs: in order.   which: of least, likely and most.
    """
    night = begun(setting, which)
    for job in jobs:
        night = run(night, job, setting)
    return night


def run(night: NightRun, job: Ready, setting: Setting) -> NightRun:
    """The night with one job more.

    Args:
        night: as far as it has come.   job: that is run next.   setting: who is there, and the spool.
    """
    return _Running(night, job, setting).run()


class _Running:
    """One job as it runs."""

    def __init__(self, night: NightRun, job: Ready, setting: Setting) -> None:
        self.night, self.job, self.setting, self.there = night, job, setting, setting.there
        self.now, self.wire, self.alone = night.now, night.wire, night.alone
        self.last_alone, self.threadings = night.last_alone, night.threadings
        self.waits: list[Wait] = []
        self.holds: list[HoldMet] = []
        self.threads: list[HoldMet] = []
        self.watched, self.never = job.watched, job.never

    def run(self) -> NightRun:
        job, before = self.job, self.night.before
        begins = self.now
        if not self.night.stands:
            begins = self._begin(before)
            if self.never is None:
                for step in job.steps:
                    self._step(step)
        out = self.never is not None
        span = (math.inf, math.inf) if out else (begins, self.now)
        done = Ran(job.name, *span, self.never, self.watched)
        return replace(
            self.night,
            now=self.now,
            wire=self.wire,
            alone=self.alone,
            last_alone=self.last_alone,
            threadings=self.threadings,
            before=self.night.before if out else job,
            ran=(*self.night.ran, done),
            waits=(*self.night.waits, *self.waits),
            holds=(*self.night.holds, *self.holds),
            threads=(*self.night.threads, *self.threads),
        )

    def _begin(self, before: Ready | None) -> float:
        """What there is to do before it begins; the moment at which it does."""
        job, setting = self.job, self.setting
        way, clash = self._way(before)
        if clash and self.never is None:
            self.never = way
        if self.never is not None:
            self._hold(self.never)
            return self.now
        if way is not None and self.watched is None:
            self.watched = way
        if self.watched is not None and not self.there.at(self.now):
            self._wait(self.watched)
        if before is not None and before.heads != job.heads:
            self._hold(_other_heads(before, job))
        if before is not None and (job.table is None or job.table != before.table):
            if not setting.changes_pallets:
                self._hold("it has to be put on: nothing says that pallets are changed without anybody")
            self._go_on(setting.change[self.night.which])
        return self.now

    def _way(self, before: Ready | None) -> tuple[str | None, bool]:
        """What is wrong with the heads' way from the job before it on the same table."""
        job = self.job
        if before is None or job.table is None or job.table != before.table:
            return None, False
        unknown = f'the heads\' way from "{before.name}" was not judged', False
        return job.after.get(before.name, unknown) or (None, False)

    def _step(self, step: JobStep) -> None:
        if step.thread:
            self._thread()
        self._go_on(step.minutes[self.night.which])
        if step.hold is not None:
            self._hold(step.hold)

    def _thread(self) -> None:
        setting, most = self.setting, self.setting.most_threadings
        there = self.there.at(self.now)
        if there:
            self.threadings = 0
        why = f"{most} threadings in a row, and no more are trusted to it alone"
        if most is not None and not math.isinf(self.now):
            self.threads.append(HoldMet(self.job.name, len(self.threads), why, self.now, there))
        if not setting.threads_itself:
            self._hold("the wire is threaded: nothing says that the machine does it itself")
        elif most is not None and self.threadings >= most:
            self._hold(why)
        self.threadings += 1

    # ------------------------------------------------------------------------------------------ time goes on
    def _go_on(self, minutes: float) -> None:
        """Run for so long; the spool may end in it."""
        while minutes > MOMENT and not math.isinf(self.now):
            bit = min(minutes, self.wire)
            if self.watched is not None:
                if not self.there.at(self.now):
                    self._wait(self.watched)
                    continue
                bit = min(bit, self.there.until(self.now) - self.now)
            absent = self.there.absent(self.now, self.now + bit)
            if absent > MOMENT:
                self.alone += absent
                self.last_alone = self.now + bit
            self.now += bit
            self.wire -= bit
            minutes -= bit
            if self.wire <= MOMENT and minutes > MOMENT:
                self._hold(SPOOL)
                # the next one is taken to hold as much as the first one did at the start
                self.wire = self.setting.wire

    def _hold(self, why: str) -> None:
        """Somebody has to be there; the machine waits until somebody is."""
        if math.isinf(self.now):
            return
        there = self.there.at(self.now)
        self.holds.append(HoldMet(self.job.name, len(self.holds), why, self.now, there))
        if not there:
            self._wait(why)
        self.now += self.setting.attend[self.night.which]
        self.threadings = 0

    def _wait(self, why: str) -> None:
        until = self.there.next(self.now)
        self.waits.append(Wait(self.now, until, self.job.name, why))
        self.now = until
        self.threadings = 0


def _other_heads(before: Ready, job: Ready) -> str:
    told = []
    if before.heads[0] != job.heads[0]:
        told.append(f"wire of {job.heads[0]:g} mm instead of {before.heads[0]:g}")
    if before.heads[1] != job.heads[1]:
        told.append(f'the nozzles "{job.heads[1] or "own"}" instead of "{before.heads[1] or "own"}"')
    return f"other than the job before it: {' and '.join(told)}"


Doubt = tuple[float, str, str]


def doubtful(nights: Sequence[NightRun], setting: Setting) -> Doubt | None:
    """When, in which job and why the machine may wait for somebody who is not there, though none of the
    goings-through waits; None where it is certain that it does not.

    Args:
        nights: with the least, likely and longest figures; none of them waits.   setting: of all of them.
    """
    return _at_holds(nights, setting) or _watched(nights, setting.there) or _threadings(nights, setting)


def _at_holds(nights: Sequence[NightRun], setting: Setting) -> Doubt | None:
    most = max(len(night.holds) for night in nights) * setting.attend[MOST]
    by_key: dict[tuple[str, str], list[list[HoldMet]]] = {}
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


def _watched(nights: Sequence[NightRun], there: Attended) -> Doubt | None:
    for same in zip(*(night.ran for night in nights), strict=True):
        why = next((one.watched for one in same if one.watched is not None), None)
        if why is None or any(one.never is not None for one in same):
            continue
        first, last = min(one.begins for one in same), max(one.ends for one in same)
        if _may_be_alone(there, first, last):
            return _leaves(there, first), same[0].name, why
    return None


def _threadings(nights: Sequence[NightRun], setting: Setting) -> Doubt | None:
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


def _may_be_alone(there: Attended, first: float, last: float) -> bool:
    """Whether nobody is there at some moment from the first to the last one."""
    return not there.at(first) or there.until(first) < last or not there.at(last)


def _leaves(there: Attended, at: float) -> float:
    """When whoever is there at a moment leaves."""
    return there.until(at) if there.at(at) else at
