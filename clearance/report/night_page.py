"""The answer about a night goes in; one HTML page for screen and paper comes out: a bar for each job."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from clearance import __version__
from clearance.files import write_whole
from clearance.overnight.answer import JobAnswer, NightAnswer
from clearance.report.night import CAUTION, ESTIMATE, minutes, moment, notes_of, sentence
from clearance.report.sheet.markup import NONE, Html, down, esc, joined, section, table, tag, whole_page

SHEET = Path(__file__).parent / "sheet" / "page.css"
#: of the picture of the night, units of the drawing
WIDE, LEFT, ROW, TOP = 1120.0, 190.0, 40.0, 46.0
#: hours between two marks, and so many marks at most
HOURS, MARKS = (1, 2, 3, 6, 12, 24, 48, 168), 13
#: letters of a name beside its bar
LONGEST = 22

#: what each rate is, in words, and its unit
RATES = {
    "rough": ("rough pass", "mm²/min"),
    "trim": ("trim pass", "mm/min"),
    "air": ("cutting move where no metal is", "mm/min"),
    "rapid": ("rapid move", "mm/min"),
    "z": ("upper head up and down", "mm/min"),
    "threading": ("threading, cutting the wire with it", "min each"),
    "dwell": ("dwell (G04)", "min each"),
    "change": ("change of pallets", "min each"),
    "attend": ("a person at a stop", "min each"),
}

OWN = """
.night .word { font-size: 24px; white-space: normal; max-width: 250px; }
svg.bars { width: 100%; height: auto; display: block; margin: 10px 0; }
svg.bars text { font: 14px Arial, Helvetica, "Liberation Sans", sans-serif; fill: var(--ink); }
svg.bars .day { font-weight: 700; }
svg.bars .there { fill: #e9e9e4; }
svg.bars .line { stroke: #c9c9c4; }
svg.bars .midnight { stroke: var(--ink); stroke-width: 1.5; }
svg.bars .run { fill: #3f5a64; stroke: var(--ink); }
svg.bars .unfit { fill: #fff; stroke: var(--ink); stroke-width: 2; }
svg.bars .stands { fill: #fff; stroke: var(--ink); stroke-dasharray: 5 4; }
svg.bars .spread { stroke: var(--ink); stroke-width: 1.5; fill: none; }
svg.bars .stop { fill: #fff; stroke: #000; stroke-width: 2; }
svg.bars .absent { fill: #000; }
svg.bars .until { stroke: #961428; stroke-width: 3; }
.jobs td:nth-child(2) { min-width: 130px; }
.key span { white-space: nowrap; margin-right: 18px; }
.key svg.bars { display: inline-block; width: 26px; height: 14px; vertical-align: middle; margin: 0 6px 0 0; }
.jobs td, .jobs th { padding-right: 12px; }
@media print { .night .word { font-size: 15pt; max-width: 44mm; } svg.bars text { font-size: 15px; }
  svg.bars rect, svg.bars path { -webkit-print-color-adjust: exact; print-color-adjust: exact; } }
"""


def write_page(answer: NightAnswer, target: str | Path) -> None:
    """Write the page of a night: one HTML file that fetches nothing.

    Args:
        answer: of ``clearance.night``.   target: the file; it is there whole or not at all.

    Raises:
        InputError: the file cannot be written.
    """
    write_whole(target, page(answer).encode("utf-8"))


def page(answer: NightAnswer) -> str:
    """The whole page."""
    title = answer.title or answer.file
    body = joined(
        [
            _head(answer),
            section("The hours", _bars(answer), _key(), cls="hours"),
            _jobs(answer),
            _needs(answer),
            _order(answer),
            _notes(answer),
            _rates(answer),
            section("Mind", tag("p", CAUTION), tag("p", ESTIMATE)),
            tag("p", f"clearance {__version__}; {answer.file}", cls="small"),
        ]
    )
    return whole_page(f"{title}: {_word(answer)}", SHEET.read_text(encoding="utf-8") + OWN, body)


def _word(answer: NightAnswer) -> str:
    return (
        "runs alone" if answer.runs_alone else f"alone until about {moment(answer.alone_until, answer.start)}"
    )


def _head(answer: NightAnswer) -> Html:
    verdict = "clear" if answer.runs_alone else "close"
    facts = [
        ("start", f"{moment(answer.start)}, {answer.start:%Y-%m-%d}"),
        ("all done", f"{moment(answer.end, answer.start)} (estimate)"),
        ("alone in all", f"{answer.hours_alone:.1f} h (estimate)"),
        ("on the spool", f"{answer.spool:.0f} m"),
    ]
    return joined(
        [
            tag("p", "A night at the machine; all times are estimates", cls="kind"),
            tag("h1", answer.title or answer.file),
            tag("dl", joined(joined([tag("dt", a), tag("dd", b)]) for a, b in facts), cls="facts"),
            tag(
                "div",
                tag("div", _word(answer), cls="word"),
                tag("div", sentence(answer)),
                cls=f"verdict night {verdict}",
            ),
        ]
    )


# -------------------------------------------------------------------------------------------------- the hours
class _Scale:
    """Where a moment is on the picture; hours are equally long, also where the clocks change."""

    def __init__(self, begins: datetime, ends: datetime) -> None:
        self.begins = begins
        self.first = begins.timestamp()
        self.last = max(ends.timestamp(), self.first + 3600.0)

    def x(self, when: datetime) -> float:
        share = (when.timestamp() - self.first) / (self.last - self.first)
        return LEFT + (WIDE - LEFT - 12.0) * min(max(share, 0.0), 1.0)

    def marks(self) -> list[datetime]:
        hours = (self.last - self.first) / 3600.0
        step = next((h for h in HOURS if hours / h <= MARKS), HOURS[-1])
        zone = self.begins.tzinfo
        midnight = self.begins.replace(hour=0, minute=0, second=0, microsecond=0)
        found = []
        at = midnight.astimezone(UTC)
        while at.timestamp() <= self.last:
            if at.timestamp() >= self.first:
                found.append(at.astimezone(zone))
            at += timedelta(hours=step)
        return found


def _bars(answer: NightAnswer) -> Html:
    jobs = [job for job in answer.jobs if job.ran is None]
    scale = _Scale(answer.start, _last(answer, jobs))
    high = TOP + ROW * len(jobs) + 6.0
    parts = [
        _rect(scale.x(a), TOP - 8.0, scale.x(b) - scale.x(a), high - TOP + 8.0, "there")
        for a, b in answer.presence
        if scale.x(b) > scale.x(a)
    ]
    last = -100.0
    for mark in scale.marks():
        x = scale.x(mark)
        midnight = mark.hour == 0
        parts.append(_line(x, TOP - 8.0, x, high, "midnight" if midnight else "line"))
        words = moment(mark)[:3] if midnight else f"{mark:%H:%M}"
        if x - last > 44.0 and x < WIDE - 20.0:
            parts.append(_text(x, TOP - 16.0, words, "day" if midnight else None, "middle"))
            last = x
    for k, job in enumerate(jobs):
        parts += _bar(answer, job, scale, TOP + ROW * k)
    x = scale.x(answer.alone_until)
    if not answer.runs_alone:
        parts.append(_line(x, TOP - 12.0, x, high, "until"))
    label = f"A bar for each job over the hours; {sentence(answer)}"
    return Html(
        f'<svg class="bars" viewBox="0 0 {WIDE:g} {high:g}" role="img" aria-label="{esc(label)}">'
        f"{''.join(parts)}</svg>"
    )


def _last(answer: NightAnswer, jobs: Sequence[JobAnswer]) -> datetime:
    """As far as the picture goes."""
    ends = [answer.alone_until, *answer.between]
    ends += [end for job in jobs for end in (job.end, *job.ends) if end is not None]
    ends += [one.until for one in answer.stands if one.until is not None]
    return max(ends, key=lambda when: when.timestamp())


def _bar(answer: NightAnswer, job: JobAnswer, scale: _Scale, y: float) -> list[str]:
    name = job.name if len(job.name) <= LONGEST else job.name[: LONGEST - 2] + ".."
    parts = [_text(0.0, y + 22.0, name, None, "start")]
    if job.begin is None:
        words = f"not run: {job.verdict}" if job.verdict in ("clash", "undecided") else "not reached"
        return [*parts, _text(LEFT + 6.0, y + 22.0, words, None, "start")]
    end = job.end or _last(answer, [job])
    a, b = scale.x(job.begin), scale.x(end)
    kind = "run" if job.fit else "unfit"
    parts.append(_rect(a, y + 8.0, max(b - a, 2.0), 18.0, kind, _told(job)))
    for one in answer.stands:
        if one.job == job.name:
            until = end if one.until is None else one.until
            x0, x1 = max(scale.x(one.at), a), scale.x(until)
            parts.append(_rect(x0, y + 8.0, max(x1 - x0, 1.0), 18.0, "stands"))
    least, most = job.ends
    if least is not None and most is not None:
        x0, x1 = scale.x(least), scale.x(most)
        ends = f"M{x0:.1f} {y + 28:g}v6M{x1:.1f} {y + 28:g}v6"
        parts.append(f'<path class="spread" d="{ends}M{x0:.1f} {y + 31:g}H{x1:.1f}"/>')
    for stop in job.stops:
        x = scale.x(stop.at)
        cls = "stop" if stop.there else "stop absent"
        parts.append(
            f'<path class="{cls}" d="M{x:.1f} {y + 2:g}l5 7l-5 7l-5 -7z"><title>{esc(moment(stop.at))}: '
            f"{esc(stop.why)}</title></path>"
        )
    return parts


def _told(job: JobAnswer) -> str:
    return f"{job.name}: {moment(job.begin)} to {moment(job.end)}, {minutes(job.minutes)} (estimate)"


def _rect(x: float, y: float, wide: float, high: float, cls: str, title: str = "") -> str:
    inner = f"<title>{esc(title)}</title>" if title else ""
    return (
        f'<rect class="{cls}" x="{x:.1f}" y="{y:.1f}" width="{wide:.1f}" height="{high:.1f}">{inner}</rect>'
    )


def _line(x0: float, y0: float, x1: float, y1: float, cls: str) -> str:
    return f'<path class="{cls}" d="M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}"/>'


def _text(x: float, y: float, words: str, cls: str | None, anchor: str) -> str:
    given = f' class="{cls}"' if cls else ""
    return f'<text{given} x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{esc(words)}</text>'


def _key() -> Html:
    def one(shape: str, words: str) -> Html:
        return tag("span", Html(f'<svg class="bars" viewBox="0 0 26 14">{shape}</svg>'), words)

    return tag(
        "p",
        one(_rect(1, 1, 24, 12, "run"), "runs, fit for a night"),
        one(_rect(1, 1, 24, 12, "unfit"), "needs somebody"),
        one(_rect(1, 1, 24, 12, "stands"), "stands, waiting"),
        one('<path class="stop absent" d="M13 1l5 6l-5 6l-5 -6z"/>', "needs somebody, nobody is there"),
        one('<path class="stop" d="M13 1l5 6l-5 6l-5 -6z"/>', "and somebody is"),
        one(_rect(0, 0, 26, 14, "there"), "somebody is there"),
        one('<path class="spread" d="M3 3v8M3 7H23M23 3v8"/>', "ends between (estimate)"),
        cls="key note",
    )


# ------------------------------------------------------------------------------------------------- the rest
def _jobs(answer: NightAnswer) -> Html:
    rows = [
        (
            str(k),
            joined([tag("strong", job.name), Html("<br>"), tag("span", job.setup, cls="small")]),
            moment(job.begin, answer.start),
            moment(job.end, answer.start),
            minutes(job.minutes),
            tag("span", job.verdict, cls=f"tag {job.verdict}"),
            down(job.spare),
            str(job.threadings),
            f"{job.wire:.0f} m",
            "ran before" if job.ran is not None else job.approval,
            NONE
            if job.due is None
            else moment(job.due, answer.start) + (" – may be late" if job.late else ""),
        )
        for k, job in enumerate(answer.jobs, 1)
    ]
    headings = (
        "", "job", "begins", "ends", "lasts (estimate)", "verdict", "to spare", "threaded", "wire",
        "approval", "due",
    )  # fmt: skip
    return section("The jobs", table(headings, rows, "jobs", right=(6, 7, 8)))


def _needs(answer: NightAnswer) -> Html:
    rows = [(job.name, joined(tag("div", why) for why in job.why)) for job in answer.jobs if job.why]
    if not rows:
        return section("What needs somebody", tag("p", "Nothing: every job is fit to run alone."))
    waits = [
        (moment(one.at, answer.start), moment(one.until, answer.start), one.job, one.why)
        for one in answer.stands
    ]
    found = [table(("job", "needs somebody for"), rows)]
    if waits:
        found.append(tag("h3", "Where it stands, by the likely times"))
        found.append(table(("from", "until", "job", "why"), waits))
    return section("What needs somebody", *found)


def _order(answer: NightAnswer) -> Html:
    proposal = answer.proposal
    if proposal is None:
        return Html("")
    if proposal.alone <= proposal.alone_now + 0.5:
        return section("Another order", tag("p", "None has more hours alone than this one (estimate)."))
    words = f"{proposal.alone / 60:.1f} h alone instead of {proposal.alone_now / 60:.1f} (estimates):"
    listed = tag("ol", joined(tag("li", name) for name in proposal.order))
    return section("Another order", tag("p", words), listed)


def _notes(answer: NightAnswer) -> Html:
    notes = [tag("li", note) for note in notes_of(answer)]
    return section("Notes", tag("ul", joined(notes))) if notes else Html("")


def _rates(answer: NightAnswer) -> Html:
    rows = [
        (RATES[name][0], f"{low:g}", f"{likely:g}", f"{high:g}", RATES[name][1], _source(given))
        for name, (low, likely, high), given in answer.rates
    ]
    headings = ("", "least", "likely", "most", "", "where from")
    return section("How the times were estimated", table(headings, rows, right=(1, 2, 3)))


def _source(given: bool) -> str:
    return "the night's file" if given else "common practice, no source"
