"""Jobs and presence go in; the order in which the machine runs alone for longest comes out.

Exact: every order that may be is looked at, each beginning once for all orders that share it (depth-first
search). Pinned jobs keep their places, what is due is done by the longest estimate, and what stands on one
table runs in one go. Of orders that are equally good the first by the file's own order is taken.
"""

from __future__ import annotations

from collections.abc import Sequence

from clearance.overnight.timeline import LIKELY, MOST, NightRun, Ready, Setting, begun, run
from clearance.records import record

#: of more jobs not all orders are looked at
MOST_JOBS = 8
#: less is no gain, minutes
GAIN = 1e-6


@record
class Proposal:
    """The order with most hours alone.

    Attributes:
        order: names.   alone, alone_now: minutes alone in it, and as the file has it; likely figures.
    """

    order: tuple[str, ...]
    alone: float
    alone_now: float


def late(jobs: Sequence[Ready], night: NightRun) -> list[str]:
    """Names of the jobs that are not done when they are due.

    Args:
        jobs: of the night, in any order.   night: with the longest estimate.
    """
    due = {job.name: job.due for job in jobs if job.due is not None}
    return [one.name for one in night.ran if one.name in due and not one.ends <= due[one.name]]


def best(jobs: Sequence[Ready], setting: Setting) -> Proposal | None:
    """The best order; None where none keeps all that is due.

    Args:
        jobs: as the file has them, ``MOST_JOBS`` at most.   setting: what holds for all of them.
    """
    found: list[tuple[float, tuple[int, ...]]] = []
    most = [0.0 if job.never else _minutes(job, setting) for job in jobs]
    any_due = any(job.due is not None for job in jobs)

    def go(order: tuple[int, ...], left: frozenset[int], likely: NightRun, longest: NightRun) -> None:
        if not left:
            if not found or likely.alone > found[0][0] + GAIN:
                found[:] = [(likely.alone, order)]
            return
        # nothing that is left can run alone for longer than it runs
        if found and likely.alone + sum(most[k] for k in left) <= found[0][0] + GAIN:
            return
        for k in _next(jobs, order, left):
            later = run(longest, jobs[k], setting) if any_due else longest
            due = jobs[k].due
            if due is not None and not later.ran[-1].ends <= due:
                continue
            go((*order, k), left - {k}, run(likely, jobs[k], setting), later)

    go((), frozenset(range(len(jobs))), begun(setting, LIKELY), begun(setting, MOST))
    if not found:
        return None
    now = begun(setting, LIKELY)
    for job in jobs:
        now = run(now, job, setting)
    alone, order = found[0]
    return Proposal(tuple(jobs[k].name for k in order), alone, now.alone)


def _minutes(job: Ready, setting: Setting) -> float:
    """How long a job runs at most, likely figures."""
    return setting.change[LIKELY] + sum(step.minutes[LIKELY] for step in job.steps)


def _next(jobs: Sequence[Ready], order: tuple[int, ...], left: frozenset[int]) -> list[int]:
    """Which job may come next, in the file's order."""
    place = len(order)
    if jobs[place].pinned:
        may = [place] if place in left else []
    else:
        may = [k for k in sorted(left) if not jobs[k].pinned]
    table = jobs[order[-1]].table if order else None
    if table is not None and any(jobs[k].table == table for k in left):
        may = [k for k in may if jobs[k].table == table]
    return may
