"""Where items may stand comes in; what the terminal shows, the JSON, and the plan go out.

Lengths by which something may be off are rounded down to 0.1 mm: what is read is inside. On the plan places
are green, forbidden ones hatched with the mark of what forbids, and what could not be decided is said so.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from clearance.advice.where.answer import Hole, Region, squares, within
from clearance.advice.where.best import ENOUGH
from clearance.process.runs import runs
from clearance.report.keepout import rings
from clearance.report.plan_marks import PlanSheet, written
from clearance.report.terminal import _named, paragraphs

if TYPE_CHECKING:
    from clearance.advice.where.answer import ItemPlaces
    from clearance.advice.where.best import Bound
    from clearance.advice.where.free import Reason
    from clearance.advice.where.several import Where


#: places, and reasons, that are told singly
MOST = 6


def tenths(value: float) -> str:
    """A length to 0.1 mm, never more than it is."""
    return f"{math.floor(value * 10.0 + 1e-6) / 10.0 + 0.0:.1f}"


def as_text(answer: Where, width: int = 100) -> str:
    """What the terminal shows, ending in a newline.

    Args:
        answer: of ``where``.   width: columns of the terminal.
    """
    blocks: list[list[str]] = []
    if answer.kinds:
        blocks.append(list(_kinds(answer)))
    for one in answer.items:
        best, others = [*_first(one), *_bounds(one)], [*_places(one), *_not(one)]
        blocks += [[*best, *others]] if _alone(one) else [best, others]
    if answer.together:
        blocks.append([answer.together])
    return paragraphs(blocks, width)


def _kinds(answer: Where) -> Iterator[str]:
    """Holders that were compared, with their usual sizes."""
    yield "Holders in its stead, with their usual sizes, the one with the most room first:"
    for kind, one, why in answer.kinds:
        if one is None:
            yield f"  {kind}: cannot be put there: {why}"
        elif one.best is None:
            yield f"  {kind}: {'nowhere' if one.nowhere else 'no place was found'}"
        else:
            x, y = one.best.at
            far = tenths(one.best.spare) if one.best.spare < ENOUGH else f"{ENOUGH:g} or more"
            yield (
                f"  {kind}: X{x:.2f} Y{y:.2f}, may be off by ± {tenths(one.best.room)} mm, all heads "
                f"{far} mm farther than their margins"
            )


def _first(one: ItemPlaces) -> Iterator[str]:
    name = _named(one.item)
    on = f" on {' and '.join(map(_named, one.seat.carriers))}" if one.seat.carriers else " on the table"
    if one.best is None:
        if one.nowhere:
            yield f"NOWHERE: there is no place for {name}{on}. Every place was looked at."
        else:
            yield f"UNDECIDED: no place for {name}{on} was found; see what could not be told below."
        for opens in one.opens:
            yield f"  would open it: {opens}"
        if one.nowhere and not one.opens:
            yield "  nothing that was tried would open it."
        return
    x, y = one.best.at
    dx, dy = one.shift
    away = [f"{axis} {d:+.2f}" for axis, d in (("X", dx), ("Y", dy)) if abs(d) >= 0.005]
    away += [f"turned by {one.best.turn:+g} degrees"] if one.best.turn else []
    now = f"moved by {' '.join(away)}" if away else "where it stands now"
    yield f"PLACES for {name}{on}; the best at X{x:.2f} Y{y:.2f} ({now})."
    far = f"{tenths(one.best.spare)} mm" if one.best.spare < ENOUGH else f"{ENOUGH:g} mm or more"
    room = tenths(one.best.room)
    yield f"  It may be off there by ± {room} mm; all heads stay {far} farther than their margins."


def _bounds(one: ItemPlaces) -> Iterator[str]:
    if one.best is None or not one.bounds:
        return
    for bound in one.bounds:
        yield f"  {bound.side[0]} {bound.side[1]}{tenths(bound.far)}: {said(bound.reason)}"


def said(reason: Reason) -> str:
    """What forbids a place, in a few words."""
    if reason.head is None:
        return reason.words
    move = f", move {reason.move}" if reason.move is not None else ""
    return f"{reason.words}{move}"


def _places(one: ItemPlaces) -> Iterator[str]:
    found: list[Region | Hole] = [*one.regions, *one.holes]
    if _alone(one):
        found = []
        yield "It is the only place."
    if found:
        yield "Places:"
    for k, place in enumerate(found[:MOST], 1):
        yield f"  {k}: {_place(place)}, may be off by ± {tenths(place.room)} mm"
    if len(found) > MOST:
        yield f"  (+{len(found) - MOST} more)"
    if one.tight:
        most = max(place.room for place in one.tight)
        what = "place has" if len(one.tight) == 1 else "places have"
        yield (
            f"  {len(one.tight)} more {what} less room than ± {one.least:g} mm (± {tenths(most)} at most): "
            "not to be used"
        )


def _alone(one: ItemPlaces) -> bool:
    """Whether the best place is all that there is."""
    return not one.regions and len(one.holes) == 1 and one.holes[0].turns == (0.0, 0.0)


def _place(place: Region | Hole) -> str:
    if isinstance(place, Region):
        x0, y0, x1, y1 = place.outline.bounds
        turn = f", turned by {place.turn:+g} degrees" if place.turn else ""
        return f"X{x0:.1f} to X{x1:.1f}, Y{y0:.1f} to Y{y1:.1f}{turn}"
    low, high = place.turns
    about = "as it stands" if low == high == 0 else f"turned by {low:+g} to {high:+g} degrees"
    if low == high != 0:
        about = f"turned by {low:+g} degrees"
    return f"thread hole at X{place.at[0]:.2f} Y{place.at[1]:.2f}, {about}"


def _not(one: ItemPlaces) -> Iterator[str]:
    """What forbids the other places, and what is not known."""
    if one.forbids and one.best is None:
        yield "Elsewhere, of all places looked at:"
        much = [each for each in one.forbids if each[1] >= 0.01][:MOST] or list(one.forbids[:1])
        for reason, share in much:
            yield f"  {100 * share:.0f} %: {reason.words}"
        if len(one.forbids) > len(much):
            yield f"  (+{len(one.forbids) - len(much)} more reasons)"
    if one.undecided:
        what = (
            f"{one.undecided:.1f} mm2"
            if one.seat.holes is None
            else f"{one.undecided:.0f} degrees about holes"
        )
        yield f"not decided: {what}, at the edges; no place is counted there."
    if one.looked_at and one.best is not None:
        yield "note: whether it holds was judged at single places, not all over; check the one that you take"
    for doubt in one.doubts:
        yield f"note: left out, since the whole job says: {doubt}"


# ------------------------------------------------------------------------------------------------- as data
def as_report(answer: Where) -> dict[str, Any]:
    """The answer as a dictionary that JSON can carry: mm and degrees, unrounded.

    Args:
        answer: of ``where``.
    """
    report: dict[str, Any] = {
        "verdict": answer.verdict,
        "items": [_item_as_report(one) for one in answer.items],
    }
    if answer.kinds:
        report["kinds"] = [_kind(*each) for each in answer.kinds]
    if answer.together:
        report["together"] = answer.together
        report["gap"] = answer.gap
    return report


def _free(one: ItemPlaces) -> list[Any]:
    """Rings; a single point for each hole."""
    return [ring for region in one.regions for ring in rings(region.outline)] + [
        [list(hole.at)] for hole in one.holes
    ]


def _kind(kind: str, one: ItemPlaces | None, why: str) -> dict[str, Any]:
    return {
        "holder": kind,
        "verdict": None if one is None else one.verdict,
        "why": why,
        "best": None if one is None else _best(one),
    }


def _best(one: ItemPlaces) -> dict[str, Any] | None:
    if one.best is None:
        return None
    return {
        "shift": list(one.shift),
        "turn": one.best.turn,
        "room": one.best.room,
        "at": list(one.best.at),
        "spare": one.best.spare,
    }


def _item_as_report(one: ItemPlaces) -> dict[str, Any]:
    return {
        "item": one.item,
        "on": list(one.seat.carriers),
        "free": _free(one),
        "regions": [{"outlines": rings(r.outline), "turn": r.turn, "room": r.room} for r in one.regions],
        "holes": [{"at": list(h.at), "turn": list(h.turns), "room": h.room} for h in one.holes],
        "tight": [_tight(place) for place in one.tight],
        "least": one.least,
        "best": _best(one),
        "nowhere": one.nowhere,
        "undecided_mm2": one.undecided if one.seat.holes is None else 0.0,
        "undecided_degrees": one.undecided if one.seat.holes is not None else 0.0,
        "bound_by": [_bound(b) for b in one.bounds],
        "forbidden_by": [
            {"why": r.words, "head": r.head, "cut": r.cut, "share": share} for r, share in one.forbids
        ],
        "opens": list(one.opens),
        "doubts": list(one.doubts),
    }


def _tight(place: Region | Hole) -> dict[str, Any]:
    if isinstance(place, Region):
        return {"outlines": rings(place.outline), "turn": place.turn, "room": place.room}
    return {"at": list(place.at), "turn": list(place.turns), "room": place.room}


def _bound(bound: Bound) -> dict[str, Any]:
    r = bound.reason
    return {
        "side": bound.side, "at": bound.far, "why": r.words,
        "head": r.head, "item": r.item, "cut": r.cut, "move": r.move,
    }  # fmt: skip


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
    x, y = (float(v) for v in one.seat.origin)
    what = "screw" if one.seat.holes is not None else "own zero"
    plan.legend.append(f'"{one.item}": green, finely hatched: where its {what} (+) may be.')
    plan.legend.append("Dashed: where it stands now. Thick: at the best place.")
    if one.seat.holes is None:
        _areas(plan, one)
    else:
        _holes(plan, one)
    plan.line("NOW", own, INK, 0.25, (2.0, 1.2))
    _cross(plan, "NOW", x, y)
    if one.best is not None:
        there = affinity.rotate(own, one.best.turn, origin=(x, y))
        there = affinity.translate(there, one.best.at[0] - x, one.best.at[1] - y)
        plan.line("BEST", there, DARK_GREEN, 0.6)
        _cross(plan, "BEST", *one.best.at)
        plan.words(
            (one.best.at[0] + 1.5, one.best.at[1] + 1.5), f"best, ± {tenths(one.best.room)}", DARK_GREEN
        )


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
    here = boxes.turn == turn
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
        shape = _union(one.map.open.take(np.flatnonzero(one.map.open.turn == turn)))
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
            plan.words((place[0] - 7, place[1] - 8), f"± {tenths(max(h.room for h in good))}", DARK_GREEN)
        elif tight:
            plan.line("TIGHT", circle, AMBER, 0.3, (1.0, 1.0))
            plan.words(
                (place[0] - 7, place[1] - 8), f"only ± {tenths(max(t.room for t in tight))}", AMBER, 2.6
            )
        else:
            mine = np.flatnonzero((one.map.forbidden.centre == at).all(axis=1))
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
    plan.legend.append(f"Dotted: less room than ± {one.least:g} mm. ?: not decided.")
