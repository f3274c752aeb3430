"""Where an item may stand comes in; what the terminal shows, and the JSON, go out.

Lengths by which something may be off are rounded down to 0.1 mm: what is read is inside.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from clearance.advice.where.answer import Hole, Region, Side
from clearance.advice.where.best import ENOUGH
from clearance.advice.where.opens import NOT_TRIED
from clearance.report.keepout import rings
from clearance.report.terminal import _named, paragraphs

if TYPE_CHECKING:
    from clearance.advice.where.answer import ItemPlaces
    from clearance.advice.where.best import Bound
    from clearance.advice.where.found import Place
    from clearance.advice.where.free import Reason
    from clearance.advice.where.several import Where

#: places, and reasons, that are told singly
MOST = 6


def tenths(value: float) -> str:
    """A length to 0.1 mm, never more than it is by more than a micrometre."""
    # a micrometre less is none
    return f"{math.floor(value * 10.0 + 0.01) / 10.0 + 0.0:.1f}"


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
            yield f"  {kind}: {_why_not(one)}"
        else:
            x, y = one.best.at
            far = f"{tenths(one.best.spare)} mm" if one.best.spare < ENOUGH else f"{ENOUGH:g} mm or more"
            yield (
                f"  {kind}: X{x:.2f} Y{y:.2f}, may be off by ± {tenths(one.best.room)} mm, all heads "
                f"{far} farther than their margins"
            )


def _why_not(one: ItemPlaces) -> str:
    """Why a holder has no place, in a few words."""
    if one.tight:
        most = max(place.room for place in one.tight)
        return f"no place leaves ± {one.least:g} mm (± {tenths(most)} at most)"
    why = f": {said(one.forbids[0][0])}" if one.forbids else ""
    doubt = f": {one.doubts[0]}" if one.doubts and not one.nowhere else ""
    return f"nowhere{why}" if one.nowhere else f"no place was found{doubt or why}"


def _first(one: ItemPlaces) -> Iterator[str]:
    name = _named(one.item)
    on = f" on {' and '.join(map(_named, one.seat.carriers))}" if one.seat.carriers else " on the table"
    if one.best is None or one.shift is None:
        if one.nowhere:
            yield f"NOWHERE: there is no place for {name}{on}. Every place was looked at."
        elif one.tight:
            yield f"TIGHT: no place for {name}{on} leaves ± {one.least:g} mm."
        else:
            yield f"UNDECIDED: no place for {name}{on} was found; see what could not be told below."
        if one.now is not None or one.partly:
            yield _now(one)
        for opens in one.opens:
            yield f"  {opens}" if opens == NOT_TRIED else f"  would open it: {opens}"
        if one.nowhere and not one.opens:
            yield "  nothing that was tried would open it."
        return
    x, y = one.best.at
    dx, dy = one.shift
    away = [f"{axis} {d:+.2f}" for axis, d in (("X", dx), ("Y", dy)) if abs(d) >= 0.005]
    done = [f"moved by {' '.join(away)}"] if away else []
    done += [f"turned by {one.best.turn:+g} degrees"] if one.best.turn else []
    done += [f"pushed along its slot by {one.best.slide:+.2f}"] if one.best.slide else []
    now = " and ".join(done) if len(done) < 3 else f"{', '.join(done[:-1])} and {done[-1]}"
    now = now or "where it stands now"
    yield f"PLACES for {name}{on}; the best at X{x:.2f} Y{y:.2f} ({now})."
    far = f"{tenths(one.best.spare)} mm" if one.best.spare < ENOUGH else f"{ENOUGH:g} mm or more"
    room = tenths(one.best.room)
    how = " along the part's side" if one.sides else ""
    yield f"  It may be off there by ± {room} mm{how}; all heads stay {far} farther than their margins."
    if done:
        yield _now(one)


def _now(one: ItemPlaces) -> str:
    """What there is to say of the place that it has."""
    if one.now is None and one.partly and not one.in_part:
        part = " and ".join(map(_named, one.partly))
        return (
            f"  Where it stands now its tip lies on {part} in part only: a check is content with that, a "
            "place here wants all of it."
        )
    why = f": {one.now_why}" if one.now_why else ""
    if one.now is None:
        return f"  Where it stands now is none of its places{why}."
    if one.now < one.least - 1e-6:
        return (
            f"  Where it stands now nothing is wrong, but it may be off by ± {tenths(one.now)} mm only, not "
            f"by the ± {one.least:g} that are wanted{why}."
        )
    return f"  Where it stands now is one of its places, too: ± {tenths(one.now)} mm there."


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
    found: list[Place] = [*one.regions, *one.holes, *one.sides]
    if _alone(one):
        found = []
        yield "It is the only place."
    if found:
        yield "Places:"
    for k, place in enumerate(found[:MOST], 1):
        yield f"  {k}: {_place(place)}, may be off by ± {tenths(place.room)} mm{_best_of(place)}"
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
    if one.regions or one.sides or len(one.holes) != 1:
        return False
    return one.holes[0].turns == (0.0, 0.0) and one.holes[0].slot in (None, (0.0, 0.0))


def _place(place: Place) -> str:
    if isinstance(place, Region):
        x0, y0, x1, y1 = place.outline.bounds
        turn = f", turned by {place.turn:+g} degrees" if place.turn else ""
        return f"X{x0:.1f} to X{x1:.1f}, Y{y0:.1f} to Y{y1:.1f}{turn}"
    if isinstance(place, Side):
        (x0, y0), (x1, y1) = place.ends
        turn = f", turned by {place.turn:+g} degrees" if place.turn else ""
        return f'along a side of "{place.part}", X{x0:.1f} Y{y0:.1f} to X{x1:.1f} Y{y1:.1f}{turn}'
    low, high = place.turns
    about = "as it stands" if low == high == 0 else f"turned by {low:+g} to {high:+g} degrees"
    if low == high != 0:
        about = f"turned by {low:+g} degrees"
    if place.slot is not None and place.slot[0] < place.slot[1]:
        about += f", or pushed along its slot by {place.slot[0]:+g} to {place.slot[1]:+g} mm"
    elif place.best[1]:
        about += f", pushed along its slot by {place.best[1]:+g} mm"
    return f"thread hole at X{place.at[0]:.2f} Y{place.at[1]:.2f}, {about}"


def _best_of(place: Place) -> str:
    """At which of a hole's turns, and how far pushed, it may be off by that much; "" where there is one."""
    if not isinstance(place, Hole):
        return ""
    turn, push = place.best
    how = []
    if place.turns[0] < place.turns[1]:
        how.append(f"turned by {turn:+g} degrees" if turn else "not turned")
    if place.slot is not None and place.slot[0] < place.slot[1]:
        how.append(f"pushed by {push:+g} mm" if push else "not pushed")
    return f" where it is {' and '.join(how)}, no more elsewhere" if how else ""


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
        what = f"{one.undecided:.{0 if unit(one) == 'degrees' else 1}f} {UNITS[unit(one)]}"
        where = "" if one.looked_at else ", at the edges"
        yield f"not decided: {what}{where}; no place is counted there."
    if one.in_part and one.best is not None:
        part = " and ".join(map(_named, one.partly)) if one.partly else "the part"
        yield f"note: no place has all of its tip on {part}: these have a part of it there, as a check asks"
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
    report: dict[str, Any] = {"verdict": answer.verdict, "items": [_item(one) for one in answer.items]}
    if answer.kinds:
        report["kinds"] = [_kind(*each) for each in answer.kinds]
    if answer.together:
        report["together"] = answer.together
        report["gap"] = answer.gap
    return report


#: what cannot be decided, as a person reads it
UNITS = {"mm2": "mm2", "degrees": "degrees about holes", "mm": "mm along lines"}


def unit(one: ItemPlaces) -> str:
    """In what the undecided is told: "mm2", "degrees" about holes, or "mm" along lines."""
    if one.seat.lines is None:
        return "mm2"
    return "degrees" if one.seat.holes is not None and one.seat.slot is None else "mm"


def _free(one: ItemPlaces) -> list[Any]:
    """Rings; a single point for each hole, two where it may be pushed along its slot, or along a side."""
    found: list[Any] = [ring for region in one.regions for ring in rings(region.outline)]
    found += [_ends(one, hole) for hole in one.holes]
    return found + [[list(end) for end in side.ends] for side in one.sides]


def _ends(one: ItemPlaces, hole: Hole) -> list[list[float]]:
    """From where to where an item goes along its slot, as its screw would if it went along."""
    if hole.slot is None:
        return [list(hole.at)]
    x, y = one.seat.heading(hole.best[0])
    return [[hole.at[0] + t * x, hole.at[1] + t * y] for t in hole.slot]


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
        "shift": list(one.shift or ()),
        "turn": one.best.turn,
        "room": one.best.room,
        "at": list(one.best.at),
        "pushed": one.best.slide,
        "spare": one.best.spare,
    }


def _item(one: ItemPlaces) -> dict[str, Any]:
    return {
        "item": one.item,
        "on": list(one.seat.carriers),
        "free": _free(one),
        "regions": [{"outlines": rings(r.outline), "turn": r.turn, "room": r.room} for r in one.regions],
        "holes": [_hole(h) for h in one.holes],
        "sides": [_side(s) for s in one.sides],
        "tight": [_tight(place) for place in one.tight],
        "least": one.least,
        "best": _best(one),
        "nowhere": one.nowhere,
        "now": one.now,
        "now_why": one.now_why,
        "tip_in_part": list(one.partly),
        "undecided_mm2": one.undecided if unit(one) == "mm2" else 0.0,
        "undecided_degrees": one.undecided if unit(one) == "degrees" else 0.0,
        "undecided_mm": one.undecided if unit(one) == "mm" else 0.0,
        "bound_by": [_bound(b) for b in one.bounds],
        "forbidden_by": [
            {"why": r.words, "head": r.head, "cut": r.cut, "share": share} for r, share in one.forbids
        ],
        "opens": list(one.opens),
        "doubts": list(one.doubts),
    }


def _hole(hole: Hole) -> dict[str, Any]:
    slot = None if hole.slot is None else list(hole.slot)
    return {
        "at": list(hole.at), "turn": list(hole.turns), "room": hole.room,
        "best": {"turn": hole.best[0], "pushed": hole.best[1]}, "pushed": slot,
    }  # fmt: skip


def _side(side: Side) -> dict[str, Any]:
    return {
        "part": side.part, "ends": [list(end) for end in side.ends], "turn": side.turn, "room": side.room
    }  # fmt: skip


def _tight(place: Place) -> dict[str, Any]:
    if isinstance(place, Region):
        return {"outlines": rings(place.outline), "turn": place.turn, "room": place.room}
    return _side(place) if isinstance(place, Side) else _hole(place)


def _bound(bound: Bound) -> dict[str, Any]:
    r = bound.reason
    return {
        "side": bound.side, "at": bound.far, "why": r.words,
        "head": r.head, "item": r.item, "cut": r.cut, "move": r.move,
    }  # fmt: skip
