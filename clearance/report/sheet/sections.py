"""The sheet's values go in; what the setter does comes out as HTML: fetch, put up, set, stop, try the gap."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from clearance.report.sheet.markup import (
    BREAK,
    MARKS,
    NONE,
    Html,
    down,
    joined,
    kilograms,
    position,
    section,
    table,
    tag,
    up,
    who,
    xyz,
)

if TYPE_CHECKING:
    from clearance.report.sheet.data import CutSetting, Element, Sheet

SAID = {
    "clash": "Do not release.",
    "undecided": "Do not release. Take it as a clash.",
    "close": "Do not release before somebody has looked at what is close.",
    "clear": "Nothing touches, every margin is kept.",
}
#: of a mass: that of a part before anything is cut
AS_PUT_UP = "as put up"
#: thread points that are named
MOST_THREADS = 12


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
    if each.axis != "z":
        along = each.axis.upper() + (" of its seat" if each.on else "")
        place.append(tag("strong", f"its own Z along {along}"))
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
        side, height = (math.ceil(1000.0 * mm - 1e-6) / 1000.0 for mm in each.allow)
        said.append(f"may lie off by {side:g} sideways, {height:g} in height")
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
        ("Upper face", joined([tag("strong", _heights(cut.upper_z)), _gap(cut.above, "above")])),
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
        rows.append(("Nearest beside the part", f"{who(near)}: {told}"))
    return tag(
        "div",
        tag(
            "h3", f"{cut.name} ", tag("span", f"{MARKS[cut.verdict]} {cut.verdict}", cls=f"tag {cut.verdict}")
        ),
        tag("table", joined(tag("tr", tag("th", a), tag("td", b)) for a, b in rows), cls="facts"),
        cls="cut",
    )


def _heights(upper_z: tuple[float, float]) -> str:
    low, high = upper_z
    if high - low < 1e-9:
        return f"Z {position(low)}"
    return f"Z {position(low)} to {position(high)}, as the program moves it; at the lowest"


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
        feel = xyz([float(c) for c in pair.on_item]) if pair.on_item is not None else NONE
        gap: object = tag("strong", "do not go there") if touch else tag("strong", down(pair.clearance))
        rows.append((at, who(pair), gap, down(pair.side), down(pair.height), feel, pair.where))
    note = tag(
        "p",
        "Jog there slowly and try the gap with a feeler before the wire is in; Z is the upper head's face.",
        cls="note",
    )
    headings = ("Jog to", "Between", "Gap", "beside", "over or under", "Feel at", "On the path")
    return section("Try with a feeler", note, table(headings, rows, "feeler", right=(2, 3, 4)))


def masses(sheet: Sheet) -> Html:
    """What the job, stop by stop, has not told of already."""
    stations = sheet.job.stations
    told = {part for one in stations[:1] for part, _ in one.there}
    rows = [
        (
            f"{each.count} x {each.what}" if each.count > 1 else each.what,
            each.when,
            kilograms(each.mass),
            each.words,
        )
        for each in sheet.masses
        if not stations or (each.when == AS_PUT_UP and each.what not in told)
    ]
    if not rows:
        return Html("")
    return section("Masses", table(("What", "When", "Mass each", ""), rows, right=(2,)))
