"""The sheet's values go in; what it rests on comes out as HTML: pictures, charts, findings, files."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from clearance.report.sheet.chart import COLUMNS, chart
from clearance.report.sheet.markup import MARKS, Html, down, joined, section, table, tag

if TYPE_CHECKING:
    from clearance.report.sheet.data import Sheet

CAUTIONS = (
    "The verdict is a calculation on the bodies as described in the files below. What is not described, or "
    "lies differently on the machine, was not checked: hoses, cables, chips, a longer screw, a burr.",
    "Compare the setup with this sheet before the start, then dry-run slowly with a hand at the stop.",
    "The machine maker's instructions, local codes and rules, and qualified people decide, not this sheet.",
    "Heavy parts, sharp edges and tensioned wire injure: follow the shop's rules for lifting and for guards.",
)
#: rows of the table of nearest places
MOST_PAIRS = 24


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
            p.where,
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
