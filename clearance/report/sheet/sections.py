"""The sheet's values go in; its sections as HTML come out, in the order in which a setter reads them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

from clearance.report.sheet.chart import COLUMNS, chart
from clearance.report.sheet.markup import (
    BREAK,
    NONE,
    Html,
    down,
    joined,
    kilograms,
    position,
    table,
    tag,
    up,
    xyz,
)

if TYPE_CHECKING:
    from clearance.judge.result import Pair
    from clearance.report.sheet.data import CutSetting, Sheet
    from clearance.report.sheet.fetch import Element

MARKS = {"clash": "✕", "undecided": "?", "close": "◆", "clear": "○"}
SAID = {
    "clash": "Do not release.",
    "undecided": "Do not release. Take it as a clash.",
    "close": "Do not release before somebody has looked at what is close.",
    "clear": "Nothing touches, every margin is kept.",
}
CAUTIONS = (
    "The verdict is a calculation on the bodies as described in the files below. What is not described, or "
    "lies differently on the machine, was not checked: hoses, cables, chips, a longer screw, a burr.",
    "Compare the setup with this sheet before the start, then dry-run slowly with a hand at the stop.",
    "The machine maker's instructions, local codes and rules, and qualified people decide, not this sheet.",
    "Heavy parts, sharp edges and tensioned wire injure: follow the shop's rules for lifting and for guards.",
)
#: thread points that are named
MOST_THREADS = 12
#: rows of the table of nearest places
MOST_PAIRS = 24


def head_of(sheet: Sheet) -> Html:
    facts = [
        ("Machine", f"{sheet.machine}, wire {position(sheet.wire)} mm"),
        ("Date", sheet.date),
        ("Setup file", sheet.setup_file),
        ("Programs", ", ".join(dict.fromkeys(cut.program for cut in sheet.cuts))),
    ]
    return tag(
        "header",
        tag("p", "Setup sheet · wire EDM", cls="kind"),
        tag("h1", sheet.title or sheet.setup_file),
        tag("dl", joined(joined([tag("dt", name), tag("dd", value)]) for name, value in facts), cls="facts"),
        tag(
            "div",
            tag(
                "div", tag("span", MARKS[sheet.verdict], cls="mark"), f" {sheet.verdict.upper()}", cls="word"
            ),
            tag(
                "div",
                tag("strong", SAID[sheet.verdict]),
                tag("p", _sentence(sheet)),
            ),
            cls=f"verdict {sheet.verdict}",
        ),
    )


def _sentence(sheet: Sheet) -> str:
    """The verdict's own sentence, without what stands over it already."""
    words = sheet.sentence.removeprefix("nothing touches and every margin is kept. ")
    return words[:1].upper() + words[1:]


# ------------------------------------------------------------------------------------------ what to put up
def fetching(sheet: Sheet) -> Html:
    rows = [_element(each) for each in sheet.elements]
    note = tag(
        "p",
        "Put up in this order. Lengths in mm. X right, Y away from you, Z up; Z 0 is the plane on which "
        "parts rest. “Takes up” is the box around it on the machine.",
        cls="note",
    )
    headings = ("", "What", "Where it goes", "Takes up, machine", "Settings")
    return section("Fetch and put up", note, table(headings, rows, "fetch"))


def _element(each: Element) -> Sequence[object]:
    name = joined([tag("strong", each.name), BREAK, tag("span", each.what, cls="what")])
    if each.explained and each.kind == "part":
        name = joined([name, BREAK, tag("span", each.explained, cls="small")])
    if each.kind == "laid":
        name = joined([name, BREAK, tag("span", "laid by hand", cls="small")])
    place: list[object] = [
        joined(["on ", tag("strong", each.on or "the table"), f", seat {each.seat}" if each.seat else ""])
    ]
    place.append(joined(["at ", xyz(each.at)]) if any(each.at) else "at the zero of it")
    turned = [f"{angle:g}° about {axis}" for angle, axis in zip(each.turn, "XYZ", strict=True) if angle]
    if turned:
        place.append(tag("strong", "turn " + ", then ".join(turned)))
    place.append(tag("span", "its zero on the machine: ", xyz(each.origin), cls="small"))
    if each.off_in:
        place.append(tag("strong", f"not there for {', '.join(each.off_in)}"))
    box = joined(
        [
            f"{axis} {position(a)} to {position(b)}"
            for axis, a, b in zip("XYZ", each.low, each.high, strict=True)
        ],
        BREAK,
    )
    said: list[object] = [joined([f"{name} ", tag("strong", value)]) for name, value in each.settings]
    if any(each.allow):
        said.append(f"may lie off by {each.allow[0]:g} sideways, {each.allow[1]:g} in height")
    settings = joined(said, ", ")
    if each.others:
        rest = ", ".join(f"{name} {value}" for name, value in each.others)
        settings = joined([settings, BREAK if said else "", tag("span", f"as it comes: {rest}", cls="small")])
    return (tag("span", each.number, cls="number"), name, joined(place, BREAK), box, settings or NONE)


# --------------------------------------------------------------------------------------- zero and heads
def settings(sheet: Sheet) -> Html:
    cuts = tag("div", joined(_cut(sheet, cut) for cut in sheet.cuts), cls="cuts")
    rows: list[tuple[object, object]] = [
        (
            "Rapid moves pass over everything",
            joined(
                ["upper face at ", tag("strong", f"Z {up(sheet.over)}"), " or higher: ", sheet.over_item,
                 " is the highest. The lower head stays at its height and passes over nothing."]
            ),
        ),
        ("Travel left", _travel(sheet)),
        (
            "Steepest taper",
            "none, the wire stays upright"
            if sheet.steepest == 0.0
            else f"{up(sheet.steepest)}° in {sheet.steepest_in}; see that nozzles and guides allow it",
        ),
    ]  # fmt: skip
    both = tag("table", joined(tag("tr", tag("th", a), tag("td", b)) for a, b in rows), cls="facts")
    return section("Zero and heads", cuts, both)


def _cut(sheet: Sheet, cut: CutSetting) -> Html:
    threads: list[object] = [joined([xyz(t.at, "XY"), _free(t.free)]) for t in cut.threads]
    if len(threads) > MOST_THREADS:
        threads[MOST_THREADS:] = [f"and {len(cut.threads) - MOST_THREADS} more, see the program"]
    rows: list[tuple[str, object]] = [
        (
            "Program",
            f"{cut.program}, {cut.moves} moves" + (f", turned {cut.rotated:g}°" if cut.rotated else ""),
        ),
        ("Part zero", tag("strong", xyz(cut.zero))),
        ("Thread at", joined(threads, BREAK) if threads else NONE),
        ("Upper face", joined([tag("strong", f"Z {position(cut.upper_z)}"), _gap(cut.above, "above")])),
        ("Lower face", joined([f"Z {position(cut.lower_z)}", _gap(cut.below, "below")])),
    ]
    if cut.lean:
        rows.append(("Wire leans", f"up to {up(cut.lean)}°"))
    if cut.absent:
        rows.append(("Not there", tag("strong", ", ".join(cut.absent))))
    near = cut.near
    if near is not None:
        told = (
            "touches"
            if near.verdict == "clash" and near.clearance <= 1e-6
            else f"{down(near.spare)} to spare"
        )
        rows.append(("Nearest beside the part", f"{_who(near)}: {told}"))
    return tag(
        "div",
        tag(
            "h3", f"{cut.name} ", tag("span", f"{MARKS[cut.verdict]} {cut.verdict}", cls=f"tag {cut.verdict}")
        ),
        tag("table", joined(tag("tr", tag("th", a), tag("td", b)) for a, b in rows), cls="facts"),
        cls="cut",
    )


def _free(free: float | None) -> str:
    if free is None:
        return ""
    return f", free diameter {down(free)}" if free > 0.0 else ", in solid metal"


def _gap(value: float | None, side: str) -> str:
    if value is None:
        return ""
    if value < 0:
        return f", {up(-value)} past the part's {'top' if side == 'above' else 'underside'}"
    return f", {down(value)} {side} the part"


def _travel(sheet: Sheet) -> Html | str:
    if not sheet.axes:
        return NONE
    told = []
    for axis in sheet.axes:
        used = (
            f"{position(axis.low)} to {position(axis.high)}" if axis.low != axis.high else position(axis.low)
        )
        if axis.left is None:
            left: object = "travel not known"
        elif axis.left < 0:
            left = tag("strong", f"{up(-axis.left)} too little")
        else:
            left = joined([tag("strong", f"{down(axis.left)} left")])
        told.append(joined([f"{axis.name} {used}: ", left]))
    return joined(told, BREAK)


def stops(sheet: Sheet) -> Html:
    if not sheet.stops:
        words = "None: everything stays as it is put up, through all cuts."
        return section("Stops", tag("p", words))
    rows = []
    for stop in sheet.stops:
        what = [f"take off {', '.join(stop.off)}"] if stop.off else []
        what += [f"put on {', '.join(stop.on)}"] if stop.on else []
        asked: object = (
            "the setup asks for a stop" if stop.asked else tag("strong", "no stop is asked for: add one")
        )
        rows.append(
            (
                tag("strong", f"before {stop.cut}"),
                "; ".join(what) or "nothing to move; stand at the machine",
                asked,
            )
        )
    return section("Stops", table(("When", "What to move", ""), rows))


def feeler(sheet: Sheet) -> Html:
    """Where to try the gaps, and how large each must be found."""
    rows = []
    for pair in sheet.places:
        assert pair.head_at is not None
        touch = pair.verdict in ("clash", "undecided")
        # the lower head has no height to jog to
        at = tag("strong", xyz([float(c) for c in pair.head_at], "XY" if pair.head == "lower" else "XYZ"))
        where = xyz([float(c) for c in pair.on_item]) if pair.on_item is not None else NONE
        gap: object = (
            tag("strong", "touches: do not go there") if touch else tag("strong", down(pair.clearance))
        )
        rows.append((at, _who(pair), gap, down(pair.side), down(pair.height), where, _where(pair)))
    note = tag(
        "p",
        "Jog there slowly and try the gap with a feeler before the wire is in; Z is the upper head's face.",
        cls="note",
    )
    headings = ("Jog to", "Between", "Gap", "beside", "over or under", "Feel at", "On the path")
    return section("Try with a feeler", note, table(headings, rows, "feeler", right=(2, 3, 4)))


def masses(sheet: Sheet) -> Html:
    rows = [
        (
            f"{each.count} x {each.what}" if each.count > 1 else each.what,
            each.when,
            kilograms(each.mass),
            each.words,
        )
        for each in sheet.masses
    ]
    if not rows:
        return Html("")
    return section("Masses", table(("What", "When", "Mass each", ""), rows, right=(2,)))


# ------------------------------------------------------------------------------------------ looking at it
def charts(sheet: Sheet) -> Html:
    drawn = []
    for cut in sheet.cuts:
        mine = [each for each in sheet.along if each.cut == cut.name]
        moves = sheet.moves[cut.name]
        drawn.append(
            tag(
                "figure",
                tag("figcaption", cut.name, _each_step(cut.moves)),
                Html(chart(cut.name, mine, moves, sheet.bodies)),
                cls="chart",
            )
        )
    note = tag(
        "p",
        "What each move has to spare after its margin, to everything beside the part that is being cut (over "
        "that part the face rides closely all the way). Below zero the margin is not kept.",
        cls="note",
    )
    key = joined(
        Html(
            f'<svg viewBox="0 0 60 10"><line class="head {cls}" x1="0" x2="60" y1="5" y2="5"/></svg> {words} '
        )
        for cls, words in (("lower", "lower head"), ("upper", "upper head"), ("wire", "wire"))
    )
    key = tag("p", key, "· mm to spare, over the moves of the program", cls="key")
    return section("To spare along the path", note, key, *drawn, cls="charts")


def _each_step(moves: int) -> str:
    """What a step of a long program's chart stands for."""
    several = -(-moves // COLUMNS)
    return f": each step is the least of up to {several} moves" if several > 1 else ""


def nearest(sheet: Sheet) -> Html:
    shown = [p for p in sheet.pairs if p.verdict != "clear"]
    shown += [p for p in sheet.pairs if p.verdict == "clear"][: max(MOST_PAIRS - len(shown), 8)]
    rows = [
        (
            tag("span", f"{MARKS[p.verdict]} {p.verdict}", cls=f"tag {p.verdict}"),
            p.head,
            p.item,
            down(p.clearance),
            down(p.side),
            down(p.height),
            down(p.spare),
            _where(p),
        )
        for p in shown
    ]
    headings = ("", "Head", "Item", "Clearance", "Side", "Height", "Spare", "Where on the path")
    rest = len(sheet.pairs) - len(shown)
    more = tag("p", f"and {rest} more, all clear", cls="note") if rest else Html("")
    note = tag("p", "mm, rounded down; spare is what is left after the margin.", cls="note")
    return section("Nearest places", note, table(headings, rows, "near", right=(3, 4, 5, 6)), more)


def findings(sheet: Sheet) -> Html:
    out: list[Html] = []
    if sheet.cures:
        out.append(
            tag("ul", joined(tag("li", words[:1].upper() + words[1:]) for words in sheet.cures), cls="cures")
        )
    if sheet.findings:
        rows = [
            (tag("span", f.severity, cls=f"tag {f.severity}"), f.item or f.cut or "", f.message)
            for f in sheet.findings
        ]
        out.append(table(("", "About", "What was found"), rows, "findings"))
    else:
        out.append(tag("p", "Nothing else was found."))
    return section("Findings and cures" if sheet.cures else "Findings", *out)


def cautions(sheet: Sheet) -> Html:
    return section("Cautions", tag("ul", joined(tag("li", words) for words in (*CAUTIONS, *sheet.cautions))))


def inputs(sheet: Sheet, version: str) -> Html:
    rows = [(file, tag("code", digest)) for file, digest in sheet.inputs]
    note = tag(
        "p",
        f"Checked by clearance {version}. The sheet holds for files with these fingerprints only.",
        cls="note",
    )
    return section("Files", note, table(("File", "SHA-256"), rows, "inputs"))


def signing() -> Html:
    lines = joined(
        tag("div", tag("span", cls="rule"), tag("span", who, cls="who"), cls="line")
        for who in ("Set up by, date", "Compared with this sheet by, date", "Released by, date")
    )
    return section("Signed", tag("div", lines, cls="sign"), cls="signing")


def pictures(drawn: Mapping[str, str], why_not: str) -> Html:
    """The pictures as data, or why there are none."""
    if not drawn:
        return section("Pictures", tag("p", why_not or "No picture was drawn.", cls="note missing"))
    shown = [
        tag("figure", Html(f'<img src="{source}" alt="">'), tag("figcaption", name))
        for name, source in drawn.items()
    ]
    return section("Pictures", *shown, cls="pictures")


# ------------------------------------------------------------------------------------------------- common
def section(title: str, *inside: object, cls: str = "") -> Html:
    return tag("section", tag("h2", title), *inside, cls=cls or None)


def _who(pair: Pair) -> str:
    return f"{'wire' if pair.head == 'wire' else pair.head + ' head'} – {pair.item}"


def _where(pair: Pair) -> str:
    parts = [pair.cut]
    if pair.move is not None:
        parts.append(f"move {pair.move}")
    if pair.n:
        parts.append(pair.n)
    if pair.line:
        parts.append(f"line {pair.line}")
    return ", ".join(parts)
