"""Where items may stand comes in; the plan of it goes out: places green, forbidden ones hatched with the mark
of what forbids, and what could not be decided.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING, Any

from clearance.advice.edits import rebuilt
from clearance.advice.where.answer import Hole, Region, Side, squares, within
from clearance.advice.where.lines import pushed
from clearance.process.runs import runs
from clearance.report.plan_marks import PlanSheet, written
from clearance.report.where import said, tenths

if TYPE_CHECKING:
    from clearance.advice.where.answer import ItemPlaces
    from clearance.advice.where.several import Where
    from clearance.scene.model import Body

GREEN, DARK_GREEN, PALE = "#bfe3b4", "#1e6b1e", "#eef6ea"
RED, AMBER, GREY, INK = "#b3261e", "#8a6100", "#9a9a9a", "#222222"
#: hatching of what forbids, one after the other: degrees, mm apart
HATCHES = ((45.0, 2.5), (135.0, 2.5), (0.0, 2.5), (90.0, 2.5), (20.0, 4.0), (160.0, 4.0), (70.0, 4.0))


def drawing(answer: Where, title: str, file: str) -> bytes:
    """The whole file.

    Args:
        answer: of ``where``.   title: of the setup.   file: its name: .svg, .png or .dxf.
    """
    import shapely

    scene = answer.scene
    cut = {b for s in scene.stretches for b in s.cut_bodies}
    moving = {k for one in answer.items for k in one.seat.moving}
    shown = [b for k, b in enumerate(scene.bodies) if b.kind != "machine" and k not in moving]
    outlines = {b.name: b.outline.shadow for b in shown}
    plan = PlanSheet(f"Where may it stand? {title}", _frame(answer, outlines))
    for k, body in enumerate(scene.bodies):
        if k in cut:
            plan.area("PART", outlines[body.name], "#f3efe6")
            plan.line("PART", outlines[body.name], "#6b6250", 0.35)
        elif body.name in outlines:
            plan.line("ITEMS", outlines[body.name], GREY)
    for run in runs(scene):
        for chain in run.line(run.guides_z[0]):
            plan.line("PATH", shapely.LineString(chain), INK, 0.15)
    for number, one in enumerate(answer.items):
        _item(plan, one, answer, number)
    for name, shape in outlines.items():
        x0, y0, *_ = shape.bounds
        at = (max(x0, plan.frame[0]) + 1.0, max(y0, plan.frame[1]) + 1.0)
        plan.words(at, name, "#6b6250", 2.6)
    return written(plan, file)


def _frame(answer: Where, outlines: dict[str, Any]) -> tuple[float, float, float, float]:
    import shapely

    cut = {b for s in answer.scene.stretches for b in s.cut_bodies}
    boxes = [outlines[b.name].bounds for k, b in enumerate(answer.scene.bodies) if k in cut]
    for one in answer.items:
        x, y = one.seat.origin
        r = one.seat.reach
        boxes.append((x - r, y - r, x + r, y + r))
        if one.best is not None:
            bx, by = one.best.at
            boxes.append((bx - r, by - r, bx + r, by + r))
        for region in one.regions:
            boxes.append(region.outline.bounds)
        boxes += [tuple(shapely.LineString(side.ends).bounds) for side in one.sides]
        for hole in (*one.holes, *(t for t in one.tight if isinstance(t, Hole))):
            boxes.append((hole.at[0] - 5, hole.at[1] - 5, hole.at[0] + 5, hole.at[1] + 5))
    low = [math.floor(min(b[k] for b in boxes)) - 10.0 for k in (0, 1)]
    high = [math.ceil(max(b[k] for b in boxes)) + 10.0 for k in (2, 3)]
    return low[0], low[1], high[0], high[1]


def _item(plan: PlanSheet, one: ItemPlaces, answer: Where, number: int) -> None:
    import shapely
    from shapely import affinity

    bodies = [answer.scene.bodies[k] for k in one.seat.moving]
    own = shapely.union_all([b.outline.shadow for b in bodies])
    there = _pushed(answer, one, bodies)
    x, y = (float(v) for v in one.seat.origin)
    what = "screw" if one.seat.holes is not None else "own zero"
    how = "green lines" if one.seat.lines is not None and one.seat.holes is None else "green, finely hatched"
    plan.legend.append(f'"{one.item}": {how}: where its {what} (+) may be.')
    plan.legend.append("Dashed: where it stands now. Thick: at the best place.")
    if one.seat.lines is None:
        _areas(plan, one)
    elif one.seat.holes is None:
        _sides(plan, one)
    else:
        _holes(plan, one)
    plan.line("NOW", own, INK, 0.25, (2.0, 1.2))
    _cross(plan, "NOW", x, y)
    if one.best is not None:
        there = affinity.rotate(there, one.best.turn, origin=(x, y))
        there = affinity.translate(there, one.best.at[0] - x, one.best.at[1] - y)
        plan.line("BEST", there, DARK_GREEN, 0.6)
        _cross(plan, "BEST", *one.best.at)
        plan.words(
            (one.best.at[0] + 1.5, one.best.at[1] + 1.5), f"best, ± {tenths(one.best.room)}", DARK_GREEN
        )


def _pushed(answer: Where, one: ItemPlaces, bodies: list[Body]) -> Any:
    """What it covers once it is pushed along its slot, where it stands now."""
    import shapely

    values = pushed(answer.scene.bodies[one.seat.index], one.best.slide) if one.best is not None else {}
    own = [
        rebuilt(b, values) if values and k == one.seat.index else b
        for k, b in zip(one.seat.moving, bodies, strict=True)
    ]
    return shapely.union_all([b.outline.shadow for b in own])


def _cross(plan: PlanSheet, layer: str, x: float, y: float) -> None:
    import shapely

    lines = [((x - 2, y), (x + 2, y)), ((x, y - 2), (x, y + 2))]
    plan.line(layer, shapely.MultiLineString(lines), DARK_GREEN if layer == "BEST" else INK, 0.3)


def _letters(one: ItemPlaces) -> Iterator[tuple[str, int]]:
    """A letter for each reason, the one that forbids most first."""
    for k, (reason, _) in enumerate(one.forbids):
        yield (chr(ord("A") + k) if k < 26 else f"A{k}"), one.map.reasons.index(reason)


def _areas(plan: PlanSheet, one: ItemPlaces) -> None:
    import numpy as np
    import shapely

    turn = one.best.turn if one.best is not None else 0.0
    frame = shapely.box(*plan.frame)
    boxes, why = one.map.forbidden, one.map.why
    here = boxes.holds(turn)
    for n, (letter, k) in enumerate(_letters(one)):
        some = here & (why == k)
        if not some.any():
            continue
        shape = _union(boxes.take(np.flatnonzero(some))).intersection(frame)
        angle, apart = HATCHES[n % len(HATCHES)]
        plan.hatch(f"NOT_{letter}", shape, RED, angle, apart, 0.15)
        plan.line(f"NOT_{letter}", shape, RED, 0.15)
        largest = max(shapely.get_parts(shape), key=lambda p: p.area, default=None)
        if largest is not None and largest.geom_type == "Polygon" and not largest.is_empty:
            at = largest.representative_point()
            plan.words((at.x, at.y), letter, RED, 4.0)
        plan.legend.append(f"{letter}, hatched: {said(one.map.reasons[k])}")
    for region in one.regions:
        if region.turn != turn:
            continue
        core = within(region.outline, one.least)
        plan.area("PLACES", region.outline, PALE)
        plan.area("PLACES", core, GREEN)
        plan.hatch("PLACES", core, DARK_GREEN, 60.0, 1.5, 0.15)
        plan.line("PLACES", region.outline, DARK_GREEN, 0.3)
        at = region.outline.representative_point()
        plan.words((at.x, at.y + 1.0), f"± {tenths(region.room)}", DARK_GREEN)
    for place in one.tight:
        if isinstance(place, Region) and place.turn == turn:
            plan.line("TIGHT", place.outline, AMBER, 0.25, (1.0, 1.0))
            at = place.outline.representative_point()
            plan.words((at.x, at.y), f"only ± {tenths(place.room)}", AMBER, 2.6)
    if len(one.map.open):
        shape = _union(one.map.open.at(turn))
        plan.area("UNDECIDED", shape.intersection(frame), "#d9c089")
    plan.legend.append(
        f"Pale: less room than ± {one.least:g} mm is left there. Dotted outlines: less room all over. "
        "Ochre: not decided."
    )


def _union(boxes: Any) -> Any:
    import shapely

    return shapely.union_all(squares(boxes)) if len(boxes) else shapely.Polygon()


def _holes(plan: PlanSheet, one: ItemPlaces) -> None:
    """Each hole, with the turns at which the item may stand on it, or the letter of what forbids."""
    import numpy as np
    import shapely

    letters = {k: letter for letter, k in _letters(one)}
    used: dict[str, int] = {}
    assert one.seat.holes is not None
    for at in one.seat.holes:
        place = (float(at[0]), float(at[1]))
        circle = shapely.Point(place).buffer(3.4)
        good = [h for h in one.holes if h.at == place]
        tight = [t for t in one.tight if isinstance(t, Hole) and t.at == place]
        if good:
            plan.area("PLACES", circle, GREEN)
            plan.hatch("PLACES", circle, DARK_GREEN, 60.0, 1.2, 0.15)
            plan.line("PLACES", circle, DARK_GREEN, 0.4)
            for hole in good:
                if hole.slot is not None:
                    x, y = one.seat.heading(hole.best[0])
                    ends = [(place[0] + t * x, place[1] + t * y) for t in hole.slot]
                    plan.line("PLACES", shapely.LineString(ends), DARK_GREEN, 0.9)
            plan.words((place[0] - 7, place[1] - 8), f"± {tenths(max(h.room for h in good))}", DARK_GREEN)
        elif tight:
            plan.line("TIGHT", circle, AMBER, 0.3, (1.0, 1.0))
            plan.words(
                (place[0] - 7, place[1] - 8), f"only ± {tenths(max(t.room for t in tight))}", AMBER, 2.6
            )
        else:
            lines = one.seat.lines
            assert lines is not None
            mine = np.flatnonzero((lines.start[one.map.forbidden.of] == at).all(axis=1))
            if len(mine):
                # what forbids it as the item stands, or at the turn that is nearest to that
                k = int(one.map.why[mine[np.argmin(np.abs(one.map.forbidden.turn[mine]))]])
                letter = letters[k]
                used[letter] = k
                plan.hatch(f"NOT_{letter}", circle, RED, 45.0, 1.2, 0.15)
                plan.line(f"NOT_{letter}", circle, RED, 0.25)
                plan.words((place[0] - 1.3, place[1] - 7), letter, RED, 3.6)
            else:
                plan.line("UNDECIDED", circle, AMBER, 0.3, (0.5, 0.5))
                plan.words((place[0] - 1.3, place[1] - 7), "?", AMBER, 3.6)
    plan.legend += [f"{letter}, hatched: {said(one.map.reasons[k])}" for letter, k in sorted(used.items())]
    if one.seat.slot is not None:
        plan.legend.append("Thick line at a hole: how far it may be pushed along its slot.")
    plan.legend.append(f"Dotted: less room than ± {one.least:g} mm. ?: not decided.")


def _at_turns(turns: Sequence[float]) -> str:
    """At which turns, degrees, in words: "" where it is as it stands."""
    every = [f"{turn:+g}" if turn else "0" for turn in sorted(set(turns))]
    if every == ["0"]:
        return ""
    shown = " and ".join(every) if len(every) < 3 else f"{', '.join(every[:-1])} and {every[-1]}"
    return f" at {shown if len(every) < 6 else f'{every[0]} to {every[-1]}'} degrees"


def _sides(plan: PlanSheet, one: ItemPlaces) -> None:
    """Lines along the sides of parts on which its own zero may be; what forbids the rest, by letters."""
    import numpy as np
    import shapely

    turn = one.best.turn if one.best is not None else 0.0
    boxes, why = one.map.forbidden, one.map.why
    for letter, k in _letters(one):
        some = np.flatnonzero((why == k) & (np.abs(boxes.turn - turn) < 0.01))
        if not len(some):
            continue
        ends = np.stack(
            [boxes.centre[some] - boxes.along[some], boxes.centre[some] + boxes.along[some]], axis=1
        )
        shape = shapely.union_all(shapely.linestrings(ends))
        plan.line(f"NOT_{letter}", shape, RED, 0.5, (0.8, 0.8))
        middle = shape.representative_point()
        plan.words((middle.x, middle.y), letter, RED, 3.6)
        plan.legend.append(f"{letter}, dotted: {said(one.map.reasons[k])}")
    said_once: dict[tuple[Any, ...], list[float]] = {}
    for side in one.sides:
        line = shapely.LineString(side.ends)
        plan.line("PLACES", line, DARK_GREEN, 0.9 if side.turn == turn else 0.4)
        at = line.interpolate(0.5, normalized=True)
        key = round(at.x), round(at.y), tenths(side.room)
        said_once.setdefault(key, []).append(side.turn)
    for (x, y, room), every in said_once.items():
        plan.words((x + 1.0, y + 1.0), f"± {room}{_at_turns(every)}", DARK_GREEN, 2.6)
    for place in one.tight:
        if isinstance(place, Side):
            plan.line("TIGHT", shapely.LineString(place.ends), AMBER, 0.3, (1.0, 1.0))
    plan.legend.append(f"Amber, dotted: less room than ± {one.least:g} mm.")
