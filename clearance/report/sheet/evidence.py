"""What the verdict rests on, as HTML: pictures, charts of each move, findings, parts as they lie, files."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from html import escape
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from clearance.checking.per_move import HORIZON
from clearance.errors import printable
from clearance.pose.fit import AT_95
from clearance.records import record
from clearance.report.sheet.markup import MARKS, NONE, Html, down, joined, position, section, table, tag
from clearance.report.terminal import rounded_down, side_and_height
from clearance.scene.measured import Lies, zeros_of

if TYPE_CHECKING:
    from clearance.checking.per_move import Along
    from clearance.scene.model import Scene
    from clearance.toolpath.moves import Moves


Array = NDArray[np.float64]

#: columns of a chart; a longer program has several moves in each
COLUMNS = 240
#: heights that a chart may end at, mm
TOPS = (5.0, 10.0, 20.0)
WIDTH, HEIGHT = 1000, 300
LEFT, RIGHT, UP, DOWN = 56, 12, 16, 58
HEADS = ("lower", "upper", "wire")


@record
class Column:
    """The least of one head in moves ``first`` to ``last`` (from 1): at ``move``, to ``item``; None: far."""

    first: int
    last: int
    move: int
    spare: float | None
    item: str


def columns(spare: Array, item: Sequence[str], most: int = COLUMNS) -> list[Column]:
    """A column a move, or ``most`` of them: each has what its worst move has to spare.

    Args:
        spare: of each move (M,), mm, NaN where nothing is near.   item: what is nearest to each move.
        most: columns at most.
    """
    count = len(spare)
    edges = np.unique(np.linspace(0, count, min(count, most) + 1).round().astype(int))
    out = []
    for a, b in zip(edges, edges[1:], strict=False):
        values = np.where(np.isnan(spare[a:b]), np.inf, spare[a:b])
        k = a + int(np.argmin(values))
        far = not np.isfinite(spare[k])
        out.append(
            Column(int(a) + 1, int(b), k + 1, None if far else float(spare[k]), "" if far else item[k])
        )
    return out


def top_of(least: float) -> float:
    """Where the axis ends, so that the smallest figure can be read."""
    return next((top for top in TOPS if least < 0.6 * top), HORIZON)


def numbers_of(moves: Moves) -> list[str]:
    """For each move of the program its block number, else its line, else nothing."""
    first = np.searchsorted(moves.programmed, np.arange(moves.count))
    return [moves.block[int(k)] or (f"line {int(moves.line[k])}" if moves.line[k] else "") for k in first]


def chart(name: str, along: Sequence[Along], moves: Moves, bodies: Sequence[str]) -> str:
    """The chart of one cut.

    Args:
        name: of the cut.   along: of each head, what each move has to spare.   moves: of the cut.
        bodies: names, by the indices in ``along``.
    """
    numbers = numbers_of(moves)
    rows = {}
    for each in along:
        items = [bodies[i] if i >= 0 else "" for i in each.item]
        rows[each.head] = columns(each.spare, items)
    every = [c.spare for found in rows.values() for c in found if c.spare is not None]
    top = top_of(min(every, default=HORIZON))
    low = min(-0.12 * top, min(every, default=0.0) * 1.15)
    count = moves.count

    def x(move: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * move / max(count, 1)

    def y(value: float) -> float:
        share = (min(value, top) - low) / (top - low)
        return HEIGHT - DOWN - (HEIGHT - DOWN - UP) * share

    parts = [
        f'<svg class="chart" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" '
        f'aria-label="{escape(printable(name))}">',
        f'<rect class="lacking" x="{LEFT}" y="{y(0):.1f}" width="{WIDTH - LEFT - RIGHT}" '
        f'height="{y(low) - y(0):.1f}"/>',
        *_grid(top, y),
        *_ticks(numbers, count, x),
    ]
    for head in HEADS:
        parts += _line(head, rows.get(head, []), numbers, top, x, y)
    least = [(c.spare, head, c) for head, found in rows.items() for c in found if c.spare is not None]
    if least:
        parts += _mark(*min(least, key=lambda one: one[0]), x, y)
    parts.append("</svg>")
    return "".join(parts)


def _grid(top: float, y) -> list[str]:  # type: ignore[no-untyped-def]
    step = top / 5
    out = []
    for k in range(6):
        value = k * step
        cls = "zero" if k == 0 else "grid"
        out.append(
            f'<line class="{cls}" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y(value):.1f}" y2="{y(value):.1f}"/>'
        )
        words = f"{value:g}" + (" +" if k == 5 else "")
        out.append(f'<text x="{LEFT - 6}" y="{y(value) + 5:.1f}" text-anchor="end">{words}</text>')
    return out


def _ticks(numbers: Sequence[str], count: int, x) -> list[str]:  # type: ignore[no-untyped-def]
    """Move numbers, and under them the program's own."""
    widest = max((len(n) for n in numbers), default=1)
    fits = max(1, int((WIDTH - LEFT - RIGHT) / max(34, 9 * widest + 8)))
    step = max(1, -(-count // fits))
    base = HEIGHT - DOWN
    out = [
        f'<text class="small" x="{LEFT - 6}" y="{base + 18}" text-anchor="end">move</text>',
        f'<text class="small" x="{LEFT - 6}" y="{base + 36}" text-anchor="end">block</text>',
    ]
    for k in range(0, count, step):
        at = x(k + 0.5)
        # the first of many would stand in the words before it
        anchor = "start" if at < LEFT + 20 else "middle"
        out.append(f'<line class="tick" x1="{at:.1f}" x2="{at:.1f}" y1="{base}" y2="{base + 4}"/>')
        out.append(f'<text x="{at:.1f}" y="{base + 18}" text-anchor="{anchor}">{k + 1}</text>')
        if numbers[k]:
            words = escape(_short(numbers[k]))
            out.append(
                f'<text class="small" x="{at:.1f}" y="{base + 36}" text-anchor="{anchor}">{words}</text>'
            )
    return out


def _line(head: str, found: Sequence[Column], numbers: Sequence[str], top: float, x, y) -> list[str]:  # type: ignore[no-untyped-def]
    """The head's line: a step for each column; at the very top where there is more than the chart shows."""
    if not found or all(c.spare is None for c in found):
        return []
    points, hover = [], []
    for c in found:
        height = y(top if c.spare is None else c.spare)
        a, b = x(c.first - 1), x(c.last)
        points.append(f"{a:.1f},{height:.1f} {b:.1f},{height:.1f}")
        where = f"move {c.move}" + (f", {numbers[c.move - 1]}" if numbers[c.move - 1] else "")
        told = "more than 20" if c.spare is None else rounded_down(c.spare)
        words = escape(printable(f"{head}, {where}: {told} mm to spare" + (f", {c.item}" if c.item else "")))
        hover.append(
            f'<rect class="hover" x="{a:.1f}" y="{height - 7:.1f}" width="{max(b - a, 1):.1f}" height="14">'
            f"<title>{words}</title></rect>"
        )
    return [f'<polyline class="head {head}" points="{" ".join(points)}"/>', *hover]


def _mark(spare: float, head: str, column: Column, x, y) -> list[str]:  # type: ignore[no-untyped-def]
    """The smallest of all, ringed and in words."""
    at, height = x((column.first - 1 + column.last) / 2), y(spare)
    right = at < WIDTH * 0.6
    words = escape(f"{rounded_down(spare)}  {head}, move {column.move}, {_short(column.item, 34)}")
    shift = 12 if right else -12
    return [
        f'<circle class="least" cx="{at:.1f}" cy="{height:.1f}" r="7"/>',
        f'<text class="words" x="{at + shift:.1f}" y="{max(height - 10, 14):.1f}" '
        f'text-anchor="{"start" if right else "end"}">{words}</text>',
    ]


def _short(text: str, most: int = 12) -> str:
    plain = printable(text)
    return plain if len(plain) <= most else plain[: most - 1] + "…"


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
    """A chart for each cut of the ``sheet``: what each move has to spare."""
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
    """The table of pairs on the ``sheet``, the least to spare first."""
    shown = [p for p in sheet.pairs if p.verdict != "clear"]
    shown += [p for p in sheet.pairs if p.verdict == "clear"][: max(MOST_PAIRS - len(shown), 8)]
    rows = [
        (
            tag("span", f"{MARKS[p.verdict]} {p.verdict}", cls=f"tag {p.verdict}"),
            p.head,
            p.item,
            down(p.clearance),
            *side_and_height(p.clearance, p.side, p.height, down),
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
    """What is told on the ``sheet``, the gravest first, with what would cure it."""
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
    """What the ``sheet`` asks to be careful of."""
    return section("Cautions", tag("ul", joined(tag("li", words) for words in (*CAUTIONS, *sheet.cautions))))


def inputs(sheet: Sheet, version: str) -> Html:
    """The files that went in, each with its hash, and the version of this tool.

    Args:
        sheet: all that is on it.   version: of this tool.
    """
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
    """The pictures as data, or why there are none.

    Args:
        drawn: what each shows -> address that holds its data.   why_not: a sentence, "" where all are
            drawn.
    """
    if not drawn:
        return section("Pictures", tag("p", why_not or "No picture was drawn.", cls="note missing"))
    shown = [
        tag("figure", Html(f'<img src="{source}" alt="">'), tag("figcaption", name))
        for name, source in drawn.items()
    ]
    return section("Pictures", *shown, cls="pictures")


def lying(scene: Scene) -> Html:
    """What was measured, place by place, and each program's zero as planned and as it lies; may be empty.

    Args:
        scene: as judged.
    """
    if not scene.lies:
        return Html("")
    return joined(_part(scene, one) for one in scene.lies)


def _part(scene: Scene, one: Lies) -> Html:
    fit = one.fit
    motions = []
    for k, name in enumerate(("X", "Y", "Z", "turned about X", "turned about Y", "turned about Z")):
        unit = "mm" if k < 3 else "degrees"
        value = fit.shift[k] if k < 3 else math.degrees(fit.turn[k - 3])
        u = AT_95 * (fit.u[k] if k < 3 else math.degrees(fit.u[k]))
        digits = 3 if k < 3 else 4
        if fit.told[k]:
            motions.append((name, f"{value:+.{digits}f}", f"{u:.{digits}f}", unit))
        else:
            motions.append((name, "nothing tells it" if k in one.needed else "not needed", NONE, unit))
    zeros = []
    for zero in zeros_of(scene, scene, one):
        there = [NONE if c is None else position(c) for c in zero.xyz]
        turn = NONE if zero.turn is None else f"{zero.turn + 0.0:.4f}"
        zeros.append((zero.cut, *(position(c) for c in zero.planned), *there, turn))
    rows = []
    for k, row in enumerate(one.rows):
        error = fit.detectable[k]
        found = "none" if math.isinf(error) else f"{error:.3f}"
        x, y, z = (position(c) for c in one.places.p[k])
        mark = "look again" if k in one.doubts.suspects else ""
        rows.append((row.place, x, y, z, f"{row.reading:+.3f}", f"{fit.residual[k]:+.3f}", found, mark))
    spare = "none to spare" if one.doubts.agree is None else f"{fit.redundancy} to spare"
    agree = {True: "they agree", False: "THEY DO NOT AGREE", None: "nobody can tell whether they are right"}
    note = (
        f"{one.form.shown}: {len(one.rows)} readings, {spare}; {agree[one.doubts.agree]}. It is judged as it "
        f"lies; its allow has {one.grown.side:.3f} mm to the side and {one.grown.height:.3f} in height more."
    )
    return section(
        f"As it lies: {one.part}",
        tag("p", note, cls="note"),
        table(("Program", "plan X", "Y", "Z", "as it lies X", "Y", "Z", "turn"), zeros, right=range(1, 8)),
        table(("Off the plan", "", "± at 95 %", ""), motions, right=(1, 2)),
        table(
            ("Place", "X", "Y", "Z", "read", "left over", "smallest error found", ""), rows, right=range(1, 7)
        ),
    )
