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
from clearance.report.terminal import side_and_height

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
    """The head of the ``sheet``: verdict, machine, nozzles, date."""
    facts = [
        ("Machine", f"{sheet.machine}, wire {position(sheet.wire)} mm"),
        *([("Nozzles", f"mount “{sheet.mounted.name}”")] if sheet.mounted is not None else []),
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
    """What the ``sheet`` has to fetch, in the order in which it is put up."""
    rows = [_element(each) for each in sheet.elements]
    note = tag(
        "p",
        "Put up in this order. Lengths in mm. X right, Y away from you, Z up; Z 0 is the plane on which "
        "parts rest. “Takes up” is the box around it on the machine.",
        cls="note",
    )
    headings = ("", "What", "Where it goes", "Takes up, machine", "Settings")
    return section("Fetch and put up", note, _pallets(sheet), table(headings, rows, "fetch"))


def _pallets(sheet: Sheet) -> Html:
    """Where each pallet stands, whose items are in the table below."""
    rows = []
    off: list[Html] = []
    for each in sheet.pallets:
        seat = f", seat {each.seat}" if each.seat else ""
        turned = [f"{angle:g}° about {axis}" for angle, axis in zip(each.turn, "XYZ", strict=True) if angle]
        if each.on is None and "/" in each.name:
            on: str | None = each.name.rpartition("/")[0]
        else:
            on = each.on
        place = joined(["on ", tag("strong", on or "the table"), f"{seat}, at ", xyz(each.at)])
        if each.without:
            names = ", ".join(f'"{left}"' for left in each.without)
            place = joined([place, BREAK, tag("strong", f"without {names}")])
            off += [
                tag("p", tag("strong", f'Take "{each.name}/{left}" off pallet "{each.name}"'), ".")
                for left in each.without
            ]
        rows.append((tag("strong", each.name), each.file, place, ", then ".join(turned) or NONE))
    if not rows:
        return Html("")
    return joined([table(("Pallet", "File", "Where it goes", "Turn"), rows, "pallets"), *off])


def _element(each: Element) -> Sequence[object]:
    name = joined([tag("strong", each.name), BREAK, tag("span", each.what, cls="what")])
    if each.explained and each.kind == "part":
        name = joined([name, BREAK, tag("span", each.explained, cls="small")])
    if each.kind == "laid":
        name = joined([name, BREAK, tag("span", "laid by hand", cls="small")])
    if each.changed:
        name = joined([name, BREAK, tag("strong", f"changed: {', '.join(each.changed)}")])
    on = each.on or " and ".join(each.lies_on)
    place: list[object] = [
        joined(["on ", tag("strong", on or "the table"), f", seat {each.seat}" if each.seat else ""])
    ]
    of = "" if each.on or not on else " of the machine"  # a carrier that is only found has no zero of its own
    place.append(joined(["at ", xyz(each.at), of]) if any(each.at) else f"at the zero{of or ' of it'}")
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
    """What the ``sheet`` has to set at the machine, cut by cut."""
    cuts = tag("div", joined(_cut(sheet, cut) for cut in sheet.cuts), cls="cuts")
    rows: list[tuple[object, object]] = [
        *_mounting(sheet),
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
            else f"{up(sheet.steepest)}° in {sheet.steepest_in}; {_allowed(sheet)}",
        ),
    ]  # fmt: skip
    both = tag("table", joined(tag("tr", tag("th", a), tag("td", b)) for a, b in rows), cls="facts")
    return section("Zero and heads", cuts, _zeros(sheet), both)


def _zeros(sheet: Sheet) -> Html:
    """What to key in at the control: each word that chooses a zero, its place, and the cuts that call it."""
    cuts: dict[tuple[str, str, str], list[str]] = {}
    for cut in sheet.cuts:
        for word, at in cut.zeros:
            cuts.setdefault((word, position(at[0]), position(at[1])), []).append(cut.name)
    if not cuts:
        return Html("")
    words = [word for word, _, _ in cuts]
    rows = []
    for k, ((word, x, y), names) in enumerate(cuts.items()):
        anew = " (key it in anew before)" if word in words[:k] else ""
        rows.append((tag("strong", word), tag("strong", x), tag("strong", y), ", ".join(names) + anew))
    note = tag("p", "Zeros that the programs call: key them in.", cls="note")
    return joined([note, table(("Zero", "Machine X", "Y", "For"), rows, "zeros", right=(1, 2))])


def _mounting(sheet: Sheet) -> list[tuple[object, object]]:
    """Which nozzles to mount, and what must be set or measured with them."""
    it = sheet.mounted
    if it is None:
        return []
    low, high = (position(z) for z in it.travel_z)
    what = ["nozzles and guides ", tag("strong", it.name), f", for wire {position(sheet.wire)}"]
    gap = f"face at Z {position(it.lower_z)}: straightedge on the rest faces, feeler below; measure it anew"
    travel = f"{low} to {high} for the upper face"
    if it.z_shift:
        travel += f": set it so, it ends {up(abs(it.z_shift))} {'sooner' if it.z_shift > 0 else 'later'}"
    return [("Mount", joined(what)), ("Lower gap", gap), ("Travel in Z", travel)]


def _allowed(sheet: Sheet) -> str:
    """What leans are allowed, as far as it is known."""
    least = sheet.allowed[0] if sheet.allowed else None
    if least is None or (least.degrees >= sheet.steepest and not any(a.stated for a in sheet.allowed)):
        return "see that nozzles and guides allow it"
    return f"{down(least.degrees)}° are allowed ({least.why})"


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
    """What the ``sheet`` has to do at each stop."""
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
        beside = side_and_height(pair.clearance, pair.side, pair.height, down)
        rows.append((at, who(pair), gap, *beside, feel, pair.where))
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
