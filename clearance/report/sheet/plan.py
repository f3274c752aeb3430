"""Stops of a job and their plans go in; HTML with a small drawing of each comes out.

What matters differs in form, not in colour alone: it is printed in black and white and read at arm's length.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from clearance.geometry.planar import edges
from clearance.report.sheet.markup import (
    BREAK,
    MARKS,
    NONE,
    Html,
    esc,
    joined,
    kilograms,
    position,
    section,
    table,
    tag,
)

if TYPE_CHECKING:
    from clearance.process.offsets import Pass
    from clearance.report.sheet.job import PlanRegion, Station, StationPlan, Stations

#: a plan's size, pixels: never wider, never higher
WIDE, HIGH = 470.0, 400.0
#: of a number's ring
RING = 13.0
WORDS = {"off": "TAKE OFF", "on": "PUT ON", "out": "TAKE OUT"}
#: fill, line and width of what is drawn; dashes are in page.css
CLASSES = {"below": "under", "metal": "metal", "piece": "piece", "above": "over"}


def stops(job: Stations) -> Html:
    """Each stop with its plan, and the table of passes."""
    blocks = [_station(one, k) for k, one in enumerate(job.stations)]
    key = tag(
        "p",
        "Seen from above, X right, Y away from you, as you find it there. Grey: metal that is left. "
        "Thick line: what is cut next; ring with a cross: thread here. Dashed: under the metal. "
        "Numbers are those of “Fetch and put up”.",
        cls="note",
    )
    return joined([section("The job, stop by stop", key, *blocks, cls="stations"), _passes(job.passes)])


def _station(one: Station, index: int) -> Html:
    name = one.name[:1].upper() + one.name[1:]
    rows: list[tuple[str, object]] = []
    if one.n > 1:
        do: object = joined([tag("li", words) for words in one.do]) if one.do else None
        rows.append(("Do", tag("ul", do, cls="do") if do else "nothing to move"))
        if not one.asked:
            rows.append(("", tag("strong", "no stop is asked for: add one (stop_before = true)")))
    elif one.do:
        rows.append(("Do", tag("ul", joined([tag("li", words) for words in one.do]), cls="do")))
    for part, words in one.there:
        rows.append((part, words or NONE))
    wrong = [(state, verdict, why) for state, verdict, why in one.states if verdict != "clear"]
    for state, verdict, why in wrong:
        rows.append(
            (f"{MARKS[verdict]} {verdict}", tag("strong", joined([f"{state}: ", joined(why, BREAK)])))
        )
    for each in one.leaves:
        what = f"{each.count} x {each.what}" if each.count > 1 else each.what
        mass = f", {kilograms(each.mass)}" + (" at most" if each.count > 1 else "") if each.mass else ""
        rows.append(("Comes free", joined([tag("strong", what), f"{mass}: {each.how}"])))
    later = [state for state, _, _ in one.states[1:]]
    if later and not one.leaves:
        rows.append(("Then", joined(later, BREAK)))
    return tag(
        "div",
        tag("h3", f"{name} ", tag("span", f"{MARKS[one.verdict]} {one.verdict}", cls=f"tag {one.verdict}")),
        tag(
            "div",
            tag("figure", drawing(one.plan, f"plan{index}"), tag("figcaption", _names(one.plan))),
            tag("table", joined(tag("tr", tag("th", a), tag("td", b)) for a, b in rows), cls="facts"),
            cls="station",
        ),
        cls="stop",
    )


def _names(plan: StationPlan) -> Html:
    """What the numbers stand for."""
    names = sorted({(thing.number, thing.name) for thing in plan.things if thing.number is not None})
    return joined([tag("span", tag("b", number), f" {name}") for number, name in names])


def _passes(passes: Sequence[Pass]) -> Html:
    """What is keyed in for each pass."""
    if not passes:
        return Html("")
    if all(one.d is None and one.what == "rough" for one in passes):
        words = "One pass each, and no offset D to key in: the programs have the wire's own path."
        return section("Passes and their D", tag("p", words), cls="passes")
    rows = []
    before: str | None = None
    for one in passes:
        after = NONE if one.after is None else one.after
        what = one.what if one.contours == 1 else f"{one.what}, {one.contours} contours"
        if one.d is None:
            name, value = NONE, "none: the program has the wire's own path"
        elif one.offset is not None:
            name, value = f"D{one.d}", position(one.offset)
        else:
            most = "" if one.most is None else f", {position(one.most)} at most"
            name, value = f"D{one.d}" if one.d > 0 else "D", f"at the control{most}"
        rows.append(
            (
                tag("strong", after) if after != before else "",
                one.cut,
                what,
                tag("strong", name, cls="d"),
                tag("strong", value, cls="d") if one.offset is not None else value,
                one.begins or NONE,
            )
        )
        before = after
    headings = ("After", "Cut", "Pass", "Offset", "mm, key in", "Begins at")
    return section("Passes and their D", table(headings, rows), cls="passes")


# -------------------------------------------------------------------------------------------- the drawing
def drawing(plan: StationPlan, name: str) -> Html:
    """A plan as SVG; ``name`` tells its patterns from those of the page's others."""
    x0, y0, x1, y1 = plan.box
    scale = min(WIDE / (x1 - x0), HIGH / (y1 - y0))
    wide, high = scale * (x1 - x0), scale * (y1 - y0)

    def place(points: Any) -> Any:
        at = np.asarray(points, dtype=float).reshape(-1, 2)
        return np.column_stack([scale * (at[:, 0] - x0), scale * (y1 - at[:, 1])])

    def path(shape: Any, closed: bool = True) -> str:
        import shapely

        rings: list[Any] = []
        for each in shapely.get_parts(shape):
            if each.geom_type == "Polygon":
                rings += [each.exterior, *each.interiors]
            elif not closed:
                rings.append(each)
        end = "Z" if closed else ""
        return "".join(
            "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in place(shapely.get_coordinates(ring))) + end
            for ring in rings
        )

    metal = [thing.region for thing in plan.things if thing.what == "metal"]
    drawn = [
        Html(
            f'<defs><pattern id="{name}-out" width="9" height="9" patternUnits="userSpaceOnUse" '
            'patternTransform="rotate(45)"><path d="M0 0V9" class="hatch"/></pattern>'
            f'<clipPath id="{name}-clip"><rect width="{wide:.1f}" height="{high:.1f}"/></clipPath></defs>'
        )
    ]
    for thing in plan.things:
        cls = f"{CLASSES[thing.what]} {thing.change}".strip()
        drawn.append(Html(f'<path d="{path(thing.region)}" class="{cls}" fill-rule="evenodd"/>'))
        if thing.change == "out":
            fill = f"url(#{name}-out)"
            drawn.append(Html(f'<path d="{path(thing.region)}" fill="{fill}" fill-rule="evenodd"/>'))
    for thing in plan.things:
        if thing.what == "below":
            hidden = [edges(thing.region).intersection(each) for each in metal]
            drawn += [
                Html(f'<path d="{path(each, closed=False)}" class="hidden"/>')
                for each in hidden
                if each.length > 0
            ]
        if thing.change == "off":
            drawn.append(_crossed(place(np.reshape(thing.region.bounds, (2, 2)))))
    drawn += [Html(f'<path d="{path(way, closed=False)}" class="way"/>') for way in plan.ways]
    for x, y in place(plan.threads) if plan.threads else ():
        drawn.append(
            Html(
                f'<g class="thread"><circle cx="{x:.1f}" cy="{y:.1f}" r="6"/>'
                f'<path d="M{x - 9:.1f} {y:.1f}h18M{x:.1f} {y - 9:.1f}v18"/></g>'
            )
        )
    spots = place([thing.label for thing in plan.things])
    labels = [
        _label(thing, float(x), float(y), wide, high)
        for thing, (x, y) in zip(plan.things, spots, strict=True)
    ]
    inside = joined([tag("g", joined(drawn), clip_path=f"url(#{name}-clip)"), *labels])
    return tag(
        "svg",
        Html(f'<rect width="{wide:.1f}" height="{high:.1f}" class="paper"/>'),
        inside,
        cls="plan",
        role="img",
        viewBox=f"0 0 {wide:.1f} {high:.1f}",
        width=f"{wide:.0f}",
    )


def _crossed(corners: Any) -> Html:
    (x0, y0), (x1, y1) = corners.round(1).tolist()
    return Html(f'<path d="M{x0} {y0}L{x1} {y1}M{x0} {y1}L{x1} {y0}" class="crossed"/>')


def _label(thing: PlanRegion, x: float, y: float, wide: float, high: float) -> Html:
    """Its number in a ring, and under it what is to be done with it."""
    words = ""
    if thing.number is not None or thing.what == "piece":
        words = WORDS.get(thing.change, "LOOSE" if thing.what == "piece" else "")
    told = []
    x, y = min(max(x, RING + 1), wide - RING - 1), min(max(y, RING + 1), high - RING - 1)
    if thing.number is not None:
        told.append(Html(f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{RING}" class="ring"/>'))
        told.append(Html(f'<text x="{x:.1f}" y="{y + 5.5:.1f}" class="number">{thing.number}</text>'))
    if words:
        half = 4.9 * len(words)
        x = min(max(x, half + 2), wide - half - 2)
        at = y + (RING + 15 if thing.number is not None else 5)
        at = at if at < high - 4 else y - RING - 6
        box = f'x="{x - half:.1f}" y="{at - 14:.1f}" width="{2 * half:.1f}" height="18"'
        told.append(Html(f'<rect {box} class="behind"/>'))
        told.append(Html(f'<text x="{x:.1f}" y="{at:.1f}" class="act">{esc(words)}</text>'))
    return joined(told)
