"""The answer about a night goes in; the terminal's text and the JSON answer come out."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from clearance import __version__
from clearance.errors import printable
from clearance.overnight.answer import JobAnswer, NightAnswer
from clearance.report.terminal import rounded_down

DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
ESTIMATE = (
    "All times are estimates: from lengths and heights of metal, and rates that are common practice (no "
    "source) where the file gives none."
)


def moment(when: datetime | None, since: datetime | None = None) -> str:
    """A time on the wall, rounded down to the minute: "Fri 17:00"; "-" for none.

    Args:
        when: or None.   since: when the night begins; a week later, where the day of the week could be taken
            for the one before, the date stands with it: "Fri 2025-12-05 17:00".
    """
    if when is None:
        return "-"
    far = since is not None and abs((when.date() - since.date()).days) >= 7
    return f"{DAYS[when.weekday()]} {when:%Y-%m-%d %H:%M}" if far else f"{DAYS[when.weekday()]} {when:%H:%M}"


def sentence(answer: NightAnswer) -> str:
    """What matters, in one sentence."""
    until, low, high = (moment(one, answer.start) for one in (answer.alone_until, *answer.between))
    spread = f"{until} ({low} to {high}, an estimate)"
    out = "".join(f' "{printable(name)}" must not run, and is left out.' for name in answer.left_out)
    if answer.waits_for is None:
        return f"Runs alone whenever nobody is there, until all is done at {spread}.{out}"
    job, why = answer.waits_for
    if answer.alone_until <= answer.start:
        return f'Does not run alone: it waits for somebody at once, at "{printable(job)}": {printable(why)}.'
    return f'Runs alone until {spread}, then waits for somebody at "{printable(job)}": {printable(why)}.'


def minutes(span: Sequence[float]) -> str:
    """A span of minutes: "80 min (60 to 130)", in hours where it is long."""
    if span[1] < 100.0:
        return f"{span[1]:.0f} min ({span[0]:.0f} to {span[2]:.0f})"
    return f"{span[1] / 60:.1f} h ({span[0] / 60:.1f} to {span[2] / 60:.1f})"


def as_text(answer: NightAnswer, width: int = 100) -> str:
    """What the terminal shows.

    Args:
        answer: of ``find_night``.   width: columns.
    """
    lines = [*_wrapped(sentence(answer), width), *_wrapped(ESTIMATE, width), ""]
    lines += [*_table(answer), ""]
    for job in answer.jobs:
        lines += _job(job, answer.start, width)
    if any(not job.fit for job in answer.jobs):
        lines.append("")
    lines += _wrapped(_sums(answer), width)
    if answer.proposal is not None:
        lines += _wrapped(_order(answer), width)
    lines += [line for note in notes_of(answer) for line in _wrapped(f"note: {note}", width)]
    lines += ["", *_wrapped(CAUTION, width)]
    return "\n".join(lines)


def notes_of(answer: NightAnswer) -> list[str]:
    """All that is to be known, what is the same of several jobs once."""
    found = [printable(note) for note in answer.notes]
    by_note: dict[str, list[str]] = {}
    for job in answer.jobs:
        for note in job.notes:
            by_note.setdefault(printable(note), []).append(f'"{printable(job.name)}"')
    for note, names in by_note.items():
        who = names[0] if len(names) == 1 else f"{len(names)} jobs"
        found.append(f"{who}: {note}")
    return found


CAUTION = (
    "Whether a machine may run with nobody there is for the machine maker's instructions, local rules (fire "
    "above all) and qualified people to say."
)


def _table(answer: NightAnswer) -> list[str]:
    rows = [("job", "begins", "ends", "lasts", "verdict", "spare", "alone")]
    for k, job in enumerate(answer.jobs, 1):
        rows.append(
            (
                f"{k} {printable(job.name)}",
                moment(job.begin, answer.start),
                moment(job.end, answer.start),
                minutes(job.minutes),
                job.verdict,
                rounded_down(job.spare),
                "ran before" if job.ran is not None else "yes" if job.fit else "no",
            )
        )
    wide = [min(max(len(row[k]) for row in rows), 34) for k in range(7)]
    return [
        "  ".join(_cell(c, w, k == 5) for k, (c, w) in enumerate(zip(r, wide, strict=True))).rstrip()
        for r in rows
    ]


def _cell(text: str, width: int, right: bool) -> str:
    text = text if len(text) <= width else text[: width - 2] + ".."
    return text.rjust(width) if right else text.ljust(width)


def _job(job: JobAnswer, start: datetime, width: int) -> list[str]:
    """Why a job does not run alone throughout; nothing where it does."""
    lines = []
    for why in job.why:
        lines += _wrapped(f'"{printable(job.name)}" needs somebody: {printable(why)}', width)
    if job.late and job.due is not None:
        words = f'"{printable(job.name)}" is due {moment(job.due, start)} and may be late'
        lines += _wrapped(words, width)
    return lines


def _sums(answer: NightAnswer) -> str:
    to_run = [job for job in answer.jobs if job.ran is None]
    wire = sum(job.wire for job in to_run if job.begin is not None)
    threadings = sum(job.threadings for job in to_run if job.begin is not None)
    how_often = "once" if threadings == 1 else f"{threadings} times"
    return (
        f"Estimates: {answer.hours_alone:.1f} h alone in all; all done {moment(answer.end, answer.start)}; "
        f"about {wire:.0f} m of wire, of {answer.spool:.0f} on the spool. Threaded {how_often}."
    )


def _order(answer: NightAnswer) -> str:
    proposal = answer.proposal
    assert proposal is not None
    if proposal.alone <= proposal.alone_now + 0.5:
        return "No other order has more hours alone than this one (estimate)."
    names = ", ".join(f'"{printable(name)}"' for name in proposal.order)
    return (
        f"Most hours alone, {proposal.alone / 60:.1f} instead of {proposal.alone_now / 60:.1f} (estimates), "
        f"in this order: {names}."
    )


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, subsequent_indent="    ", break_on_hyphens=False)


# ------------------------------------------------------------------------------------------------------ JSON
def as_report(answer: NightAnswer) -> dict[str, Any]:
    """The answer as a dictionary that JSON can carry; times on the wall, to the minute."""
    waits = None
    if answer.waits_for is not None:
        waits = {"job": answer.waits_for[0], "why": answer.waits_for[1]}
    order = None
    if answer.proposal is not None:
        order = {
            "jobs": list(answer.proposal.order),
            "hours_alone": answer.proposal.alone / 60.0,
            "hours_alone_now": answer.proposal.alone_now / 60.0,
        }
    return {
        "schema": 1,
        "tool": {"name": "clearance", "version": __version__},
        "night": answer.file,
        "title": answer.title,
        "estimate": True,
        "start": _iso(answer.start),
        "runs_alone": answer.runs_alone,
        "alone_until": _iso(answer.alone_until),
        "between": [_iso(each) for each in answer.between],
        "waits_for": waits,
        "hours_alone": answer.hours_alone,
        "end": _iso(answer.end),
        "present": [[_iso(a), _iso(b)] for a, b in answer.presence],
        "left_out": list(answer.left_out),
        "stands": [
            {"at": _iso(one.at), "until": _iso(one.until), "job": one.job, "why": one.why}
            for one in answer.stands
        ],
        "jobs": [_as_job(job) for job in answer.jobs],
        "spool_m": answer.spool,
        "corrected": answer.corrected,
        "order": order,
        "rates": [
            {"what": what, "figures": list(figures), "given": given} for what, figures, given in answer.rates
        ],
        "notes": list(answer.notes),
    }


def _as_job(job: JobAnswer) -> dict[str, Any]:
    return {
        "name": job.name,
        "setup": job.setup,
        "table": job.table,
        "verdict": job.verdict,
        "spare": job.spare,
        "fit": job.fit,
        "why": list(job.why),
        "notes": list(job.notes),
        "approval": job.approval,
        "begin": _iso(job.begin),
        "end": _iso(job.end),
        "minutes": list(job.minutes),
        "threadings": job.threadings,
        "wire_m": job.wire,
        "rough": {"length": job.rough[0], "in_metal": job.rough[1], "mm2": job.rough[2]},
        "trim": {"length": job.trim[0], "in_metal": job.trim[1], "mm2": job.trim[2]},
        "due": _iso(job.due),
        "pinned": job.pinned,
        "late": job.late,
        "ran": job.ran,
        "ends": [_iso(each) for each in job.ends],
        "stops": [{"at": _iso(one.at), "why": one.why, "there": one.there} for one in job.stops],
    }


def _iso(when: datetime | None) -> str | None:
    return None if when is None else f"{when:%Y-%m-%dT%H:%M}"
