"""Jobs of a night go in; each judged by itself, in time, and beside the others on its table, comes out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import field, replace
from pathlib import Path

import numpy as np

from clearance.checking.result import SEVERITIES, Pair
from clearance.checking.verdict import Progress, worst
from clearance.checking.verdict import check as measure
from clearance.errors import InputError
from clearance.overnight.durations import NOTHING, Durations, durations, plus
from clearance.overnight.timeline import JobStep
from clearance.overnight.together import left_loose, too_heavy, up_to_thread
from clearance.overnight.unattended import (
    NOT_APPROVED,
    Approval,
    Hold,
    holds,
    passed_stops,
    pieces_by_name,
    repeated,
    watched,
)
from clearance.process.check import check
from clearance.process.course import Course
from clearance.process.findings import Checked
from clearance.process.stops import stops_at, uses
from clearance.records import record
from clearance.scene.load import load
from clearance.scene.measured import Asked
from clearance.scene.night import Job, NightPlan, Three
from clearance.scene.shared_table import SharedTable, on_one_table

#: what an approval record of a job says: the record's file and the setup's go in
Confirm = Callable[[str, str], Approval]


@record
class JudgedJob:
    """One job, judged by itself.

    Attributes:
        job: as the file has it.   result: of its setup.   course: of the result.
        approval: of its record.   lasts: in time.   steps: the same, ready for an order.
        watched: why nobody may leave it alone.   never: why it must not run.   holds: what it waits for.
        notes: what is to be known.
    """

    job: Job
    result: Checked
    approval: Approval
    lasts: Durations
    steps: tuple[JobStep, ...]
    watched: tuple[str, ...]
    never: str | None
    holds: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def minutes(self) -> Three:
        """How long it runs, estimated."""
        return plus(*(step.minutes for step in self.steps))

    @property
    def threadings(self) -> int:
        """How often the wire is threaded."""
        return sum(step.thread for step in self.steps)


@record
class OnTable:
    """What a job is beside the others on its table.

    Attributes:
        verdict: the worst of its heads and wire against what the others have there.   spare: the least, mm.
        why: what is not clear, in words.   after: of the ways from other jobs, by their names:
            verdict and words.
    """

    verdict: str = "clear"
    spare: float | None = None
    why: tuple[str, ...] = ()
    after: dict[str, tuple[str, str]] = field(default_factory=dict)


# ------------------------------------------------------------------------------------------- each by itself
def all_judged(
    plan: NightPlan, confirm: Confirm, progress: Progress | None, every_order: bool = False
) -> list[JudgedJob]:
    """Each job by itself.

    Args:
        plan: the night.   confirm: tells what a record says.   progress: is told how far it is.
        every_order: any job may come before any other.

    Raises:
        InputError: a file is wrong, or the jobs are for different machines.
    """
    found = []
    for k, job in enumerate(plan.jobs):
        if progress is not None:
            progress(k / len(plan.jobs), job.name)
        approval = NOT_APPROVED if job.approval is None else confirm(job.approval, job.setup)
        found.append(_judged(plan, job, approval))
    first = found[0].result.scene
    for one in found[1:]:
        machine = one.result.scene.known_machine
        if machine.name != first.known_machine.name:
            said = f'"{one.job.shown}" is for the machine "{machine.name}", "{plan.jobs[0].shown}" for '
            said += f'"{first.known_machine.name}"'
            raise plan.error(("jobs", one.job.index, "setup"), said, "one night is on one machine")
    on_it = spool_wire(plan, found)
    found = [_with_wire(one, on_it) for one in found]
    found = [_with_shared_parts(one, found) for one in found]
    return [
        _with_hands(one, [other for other in found if other is not one] if every_order else found[:k])
        for k, one in enumerate(found)
    ]


def _with_shared_parts(one: JudgedJob, all_of_them: Sequence[JudgedJob]) -> JudgedJob:
    """A job, which is watched where another one on its table cuts the same part: what comes free of both
    cuts together is judged where they are cuts of one setup, and nowhere else."""
    if one.job.table is None:
        return one
    mine = _cut_parts(one)
    why = [
        f'it cuts "{name}", as "{other.job.name}" does: what both free together is judged in one setup only'
        for other in all_of_them
        if other is not one and other.job.table == one.job.table
        for name, where in _cut_parts(other).items()
        if where in mine.values()
    ]
    return replace(one, watched=(*one.watched, *dict.fromkeys(why)))


def _cut_parts(one: JudgedJob) -> dict[str, bytes]:
    """The parts that a job cuts, by name, each with where it is: corners of its box, to 0.01 mm."""
    scene = one.result.scene
    return {
        scene.bodies[k].name: np.round(np.stack(scene.bodies[k].aabbs.box), 2).tobytes()
        for stretch in scene.stretches
        for k in stretch.cut_bodies
    }


def _with_hands(one: JudgedJob, before: Sequence[JudgedJob]) -> JudgedJob:
    """A job that begins with a hold where the control must be set otherwise than for a job before it."""
    why = []
    for other in before:
        name = f'for "{other.job.name}"'
        same_table = one.job.table is not None and one.job.table == other.job.table
        for key, value in {**_control(one), **(_zeros(one) if same_table else {})}.items():
            was = {**_control(other, at_its_end=True), **_zeros(other)}.get(key, value)
            if was != value:
                why.append(f"{key} is to be {value}, and is {was} {name}")
    if not why:
        return one
    first = "; ".join(dict.fromkeys(why))
    return replace(one, holds=(first, *one.holds), steps=(JobStep(NOTHING, first, False), *one.steps))


def _control(one: JudgedJob, at_its_end: bool = False) -> dict[str, str]:
    """What somebody sets at the control for a job: values of D, and switches that its programs want."""
    scene = one.result.scene
    every = list(uses(scene))
    found = {f"D{use.d}": f"{use.value:g}" for use in (every if at_its_end else every[::-1])}
    for stretch in scene.stretches:
        if stretch.cut is None:
            continue
        for _, word, *_ in stretch.moves.stops:
            if word.upper().replace("0", "") == "M1":
                found["the switch for optional stops"] = "on" if stops_at(scene, word) else "off"
        for note in one.result.findings:
            for done, state in (("carried out", "off"), ("left out", "on")):
                if note.cut == stretch.name and '"/"' in note.message and done in note.message:
                    found["the switch for blocks with /"] = state
    return found


def _zeros(one: JudgedJob) -> dict[str, str]:
    """Where on the table the words lie that choose a zero, machine X Y."""
    return {
        word: f"at X{x:.3f} Y{y:.3f}"
        for stretch in one.result.scene.stretches
        if stretch.cut is not None
        for word, (x, y) in stretch.zeros
    }


def spool_wire(plan: NightPlan, judged: Sequence[JudgedJob]) -> float:
    """Diameter of the wire on the spool, mm: as the file says, or that of the first job that is to run.

    Args:
        plan: the night.   judged: its jobs.
    """
    if plan.spool.diameter is not None:
        return plan.spool.diameter
    first = next(one for one in judged if one.job.ran is None)
    return float(first.result.scene.known_machine.wire)


def _with_wire(one: JudgedJob, on_it: float) -> JudgedJob:
    """A job, which is watched where it runs with other wire than is on the spool."""
    wire = one.result.scene.known_machine.wire
    if abs(on_it - wire) <= 1e-9:
        return one
    why = f"it runs with wire of {wire:g} mm, and {on_it:g} is on the spool"
    return replace(one, watched=(*one.watched, why))


def _judged(plan: NightPlan, job: Job, approval: Approval) -> JudgedJob:
    asked = Asked() if approval.form is None else Asked(approval.form, approval.coverage or Asked().coverage)
    scene = load(job.setup, asked)
    result = check(scene)
    course = Course(result)
    lasts = durations(course, plan.rates, plan.passes, Path(job.setup).parent)
    names = pieces_by_name(course)
    for k, one in enumerate(job.accepted):
        if one.piece not in names:
            want = f"one of: {', '.join(names)}" if names else "nothing comes free in it: leave it out"
            place = ("jobs", job.index, "accepted", k, "piece")
            raise plan.error(place, f'no piece "{one.piece}" comes free in "{job.name}"', want)
    ends = holds(course, job)
    reasons = [*watched(result), *approval.reasons]
    never = None
    if result.verdict in ("clash", "undecided"):
        never = reasons[0]
    notes = [*approval.notes]
    notes += [
        f"{place} stops nothing: the switch for optional stops must be off" for place in passed_stops(scene)
    ]
    notes += [f'"{one.piece}" may come free with nobody there: {one.reason}' for one in job.accepted]
    notes += repeated(result)
    steps = steps_of(lasts, ends, plan.rates.threading)
    return JudgedJob(
        job, result, approval, lasts, steps, tuple(reasons), never, tuple(h.why for h in ends), tuple(notes)
    )


def steps_of(lasts: Durations, ends: Sequence[Hold], threading: Three) -> tuple[JobStep, ...]:
    """A job as steps: parted where somebody has to be there, and where the wire is threaded.

    Args:
        lasts: the job in time.   ends: its holds.   threading: minutes for each.
    """
    holds_at: dict[tuple[str, int], list[str]] = {}
    for one in ends:
        holds_at.setdefault((one.stretch, one.move), []).append(one.why)
    steps: list[JobStep] = []
    so_far = NOTHING
    thread = False
    for timed in lasts.stretches:
        name, count = timed.stretch.name, len(timed.minutes)
        places = {move for at, move in holds_at if at == name} | set(timed.threads)
        bounds = sorted({0, count, *places})
        for a, b in zip(bounds, [*bounds[1:], count], strict=True):
            for why in holds_at.get((name, a), []):
                steps.append(JobStep(so_far, why, thread))
                so_far, thread = NOTHING, False
            if a in timed.threads and a < count:
                if thread or any(so_far):
                    steps.append(JobStep(so_far, None, thread))
                so_far, thread = threading, True
            of_moves = timed.minutes[a:b].sum(axis=0)
            so_far = plus(so_far, (float(of_moves[0]), float(of_moves[1]), float(of_moves[2])))
    steps.append(JobStep(so_far, None, thread))
    return tuple(steps)


# --------------------------------------------------------------------------------------------- on one table
def tables_of(plan: NightPlan, jobs: Sequence[JudgedJob], every_way: bool) -> dict[str, OnTable]:
    """What each job is beside the others on its table; those that stand alone are left out.

    Args:
        jobs: all, also those that ran before: what they have on the table stands there still.
        every_way: judge the ways from each to each, not only in the file's order.
    """
    groups: dict[str, list[JudgedJob]] = {}
    for one in jobs:
        if one.job.table is not None:
            groups.setdefault(one.job.table, []).append(one)
    found: dict[str, OnTable] = {}
    for group in groups.values():
        if len(group) < 2:
            continue
        # one that must not run is left out, so that any may follow any before it
        to_run = [one.job.name for one in group if one.job.ran is None]
        ways = [(a, b) for k, a in enumerate(to_run) for b in to_run[k + 1 :]]
        ways += [(b, a) for a, b in ways] if every_way else []
        try:
            table = on_one_table([(one.job.name, one.result.scene) for one in group], ways)
        except InputError as error:
            raise plan.error(("jobs", group[0].job.index, "table"), error.found, error.want) from None
        found.update(_on_table(table, {one.job.name: one.result for one in group}))
    return found


def _on_table(table: SharedTable, results: Mapping[str, Checked]) -> dict[str, OnTable]:
    """Each job against what the others have there, and the ways between them."""
    result = measure(table.scene)
    heavy, threading = too_heavy(table, results), up_to_thread(table, results)
    way_of = {name: both for both, name in table.ways.items()}
    pairs: dict[str, list[Pair]] = {job: [] for job in table.jobs}
    after: dict[str, dict[str, tuple[str, str]]] = {job: {} for job in table.jobs}
    for a, b in table.ways:
        after[b][a] = "clear", ""
    for pair in sorted(result.pairs, key=lambda one: SEVERITIES.index(one.verdict)):
        if pair.cut in way_of:
            a, b = way_of[pair.cut]
            if pair.verdict != "clear" and after[b][a][0] == "clear":
                after[b][a] = pair.verdict, f'on the way from "{a}": {_met(pair)}'
            continue
        job, cut = table.of_stretch[pair.cut]
        if job not in table.of_item.get(pair.item, (job,)):
            pairs[job].append(replace(pair, cut=cut))
    for a, b in table.ways:
        loose = left_loose(results[a])
        if loose and after[b][a][0] == "clear":
            after[b][a] = "close", f'on the way from "{a}": close: {loose}'
    mine = {job: [name for name, (of, _) in table.of_stretch.items() if of == job] for job in table.jobs}
    found = {}
    for job in table.jobs:
        bad = [p for p in pairs[job] if p.verdict != "clear"]
        why = [f"beside what else stands on the table: {_met(p)}, {p.where}" for p in bad[:1]]
        meet = [f"{finding.item} {finding.message}" for a, b, finding in table.meet if job in (a, b)]
        meet += heavy[job]
        why += [f"beside what else stands on the table: {words}" for _, words in threading[job][:1]]
        undecided = [f.message for f in result.findings if f.severity == "undecided" and f.cut in mine[job]]
        verdict = worst(
            [
                *(p.verdict for p in pairs[job]),
                *(verdict for verdict, _ in threading[job]),
                *("close" for _ in meet),
                *("undecided" for _ in undecided),
            ]
        )
        spares = [p.spare for p in pairs[job] if p.spare is not None]
        found[job] = OnTable(verdict, min(spares, default=None), (*why, *meet, *undecided[:1]), after[job])
    return found


def _met(pair: Pair) -> str:
    head = "wire" if pair.head == "wire" else f"{pair.head} head"
    return f'{pair.verdict}: {head} and "{pair.item}"'
