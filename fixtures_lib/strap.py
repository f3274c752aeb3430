"""Dimensions of a strap clamp go in; the strap, its heel, screw and nut come out.

Frame H: Z = 0 is the rest plane of what it clamps; the screw's axis is the Z axis; the strap reaches along
+X to its tip and back along -X to its heel. The item's turn about Z points it where it is wanted.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Any

from fixtures_lib.holder import (
    Array,
    Conflict,
    Does,
    Drawn,
    Fastened,
    Holder,
    Kind,
    Length,
    Mark,
    Parameter,
    Seat,
    between,
    box_of,
    length,
)
from fixtures_lib.iso4762 import SCREWS, head, nut
from fixtures_lib.solids import at, bar, box, cut, join, prism, shell, slot

TIP = 8.0  # how much of the strap's end bears on the part, along X
HEEL = 8.0  # length of the heel, along X
PACKING = 16.0  # length of loose packing under the heel, along X, at most
FAR = 1000.0  # how far ahead a part is looked for
RELIEF = 1.0  # the underside between the two is this much higher


def build(p: Mapping[str, Any]) -> Holder:
    """The strap. Raises ``Conflict`` where slot, screw or nut have no room."""
    size = SCREWS[p["screw"]]
    reach, back, width = p["reach"], p["back"], p["width"]
    low, high = p["height"], p["height"] + p["thickness"]
    long = p["slot"] or size.through
    if width < size.through + 4:
        raise Conflict(
            "width", f"{width:g} leaves no metal beside the slot", f"want {size.through + 4:g} or more"
        )
    if long < size.through:
        raise Conflict(
            "slot",
            f"{long:g} is shorter than the hole an {p['screw']} screw passes through",
            f"want 0 for a round hole, or {size.through:g} and more",
        )
    aside = _aside(p)
    room = min(reach - TIP - aside, back - 2 + aside)
    if long / 2 > room:
        raise Conflict(
            "slot",
            f"{long:g} is longer than the strap has room for",
            f"want at most {2 * room:g}, or a longer reach or back",
        )
    if p["thickness"] < RELIEF + 2:
        raise Conflict("thickness", f"{p['thickness']:g} is too thin", f"want {RELIEF + 2:g} or more")
    if p["nut_below"] > p["screw_below"]:
        raise Conflict(
            "nut_below",
            f"the nut hangs lower ({p['nut_below']:g}) than the screw's end ({p['screw_below']:g})",
            f"want at most {p['screw_below']:g}",
        )
    if 0 < p["nut_below"] < size.nut_height:
        raise Conflict(
            "nut_below",
            f"{p['nut_below']:g} puts the nut into what is clamped",
            f"want 0 for no nut, or {size.nut_height:g} and more",
        )

    nose = width / 2 if width > 16 else width
    # as the slot goes along, so that a strap keeps its shape when it is pushed
    shoulder = aside + max(long / 2 + 1, (reach - aside) * 0.55)
    plan = [(-back, -width / 2), (shoulder, -width / 2), (reach, -nose / 2), (reach, nose / 2)]
    plan += [(shoulder, width / 2), (-back, width / 2)]
    bevel = min(p["thickness"] * 0.4, TIP * 0.6)
    profile = [(-back, low), (-back + HEEL, low), (-back + HEEL, low + RELIEF), (reach - TIP, low + RELIEF)]
    profile += [(reach - TIP, low), (reach, low), (reach, high - bevel), (reach - bevel, high), (-back, high)]
    strap = cut(
        prism(plan, low - 1, high + 1) ^ prism(profile, -width, width, "y"),
        prism(slot(long, size.through, (aside, 0.0)), low - 1, high + 1),
    )
    joined, apart = _heel(p, low, high, long)
    washer = p["washer"]
    shells = [shell(join(strap, *joined)), *map(shell, apart), _screw(p["screw"], high, washer)]
    sunk = []
    if p["screw_below"] > 0:
        sunk.append(len(shells))
        shells.append(_thread(p["screw"], p["screw_below"]))
    if p["nut_below"] > 0:
        shells.append(shell(nut(p["screw"], -p["nut_below"])))
    return Holder(
        shells=tuple(shells),
        seats={
            "top": Seat(at(-back + HEEL / 2, 0, high), "the strap's upper face, over its heel"),
            "tip": Seat(at(reach - TIP / 2, 0, low), "where the tip bears on the part"),
        },
        params={**p, "slot": long},
        sunk=tuple(sunk),
    )


@lru_cache(maxsize=64)
def _screw(name: str, high: float, washer: float) -> Array:
    """Its screw over the rest plane, with its washer; the same one whatever the strap reaches to."""
    size = SCREWS[name]
    under = high + washer
    screw = join(head(name, under), bar(size.d, 0, under + size.d / 4))
    return shell(join(screw, bar(size.washer, high, under)) if washer else screw)


@lru_cache(maxsize=64)
def _thread(name: str, below: float) -> Array:
    """What of its screw goes into what it stands on."""
    return shell(bar(SCREWS[name].d, -below, 0))


def _heel(p: Mapping[str, Any], low: float, high: float, long: float) -> tuple[list[Any], list[Any]]:
    """What the strap's other end stands on: what is one piece with it, and what is not.

    Raises ``Conflict`` where packing or screw have no room beside the clamping screw.
    """
    back, half, d = p["back"], p["width"] / 2, SCREWS[p["screw"]].d
    if p["heel"] == "block":
        return [box((-back, -half, 0), (-back + HEEL, half, low + RELIEF / 2))], []
    if p["heel"] == "packing":
        wide = min(PACKING, back - d / 2 - 1)
        return [], [box((-back, -half, 0), (-back + wide, half, low))]
    middle = -back + d / 2 + 2
    begin = _aside(p) - long / 2
    if middle + d / 2 + 1 > begin:
        raise Conflict(
            "heel", "its screw has no room beside the slot", f"want back = {d + 3 - begin:g} or more"
        )
    foot = bar(d, 0, high + SCREWS[p["screw"]].nut_height + 3, (middle, 0))
    return [], [foot, nut(p["screw"], high, (middle, 0))]


def _aside(p: Mapping[str, Any]) -> float:
    """From the screw's axis to the slot's middle, towards the tip."""
    through = SCREWS[p["screw"]].through
    return float((0.5 - p["slot_share"] / 100.0) * ((p["slot"] or through) - through))


def slid(p: Mapping[str, Any], by: float) -> dict[str, Any]:
    """The values once it is pushed along its slot by so much, mm, towards its tip. Raises ``Conflict``."""
    through = SCREWS[p["screw"]].through
    play = (p["slot"] or through) - through
    share = p["slot_share"] - (100.0 * by / play if play > 0.0 else 1000.0)
    if not -1e-6 <= share <= 100.0 + 1e-6:
        raise Conflict(
            "slot",
            f"it ends {abs(by):g} mm farther on, or before that",
            f"want a slot over {through + abs(by):g}",
        )
    return {
        "reach": p["reach"] + by,
        "back": p["back"] - by,
        "slot_share": min(max(round(share, 6), 0.0), 100.0),
    }


def fit(p: Mapping[str, Any], triangles: Array) -> dict[str, Any]:
    """Reach and height with which the tip bears on the part's top, on all of its length.

    ``triangles`` are the part's in the strap's own frame: it lies ahead, at positive X.
    """
    half = p["width"] / 4  # the nose
    ahead = between(between(triangles, 1, -half, half), 0, SCREWS[p["screw"]].through / 2, FAR)
    edge = float(box_of(ahead, "the strap", "ahead of it, where it points")[0][0])
    top = box_of(between(ahead, 0, edge, edge + TIP), "the strap", "under its tip")[1][2]
    return {"reach": length(edge + TIP), "height": length(top)}


def drawn(p: Mapping[str, Any]) -> Drawn:
    """Where its dimensions are, and the part that it holds down."""
    reach, back, half, low = p["reach"], p["back"], p["width"] / 2, p["height"]
    high, slot_half, aside = low + p["thickness"], p["slot"] / 2, _aside(p)
    found = (
        Length("reach", "above", "x", (0, 0, 0), (reach, 0, 0), side="below"),
        Length("back", "above", "x", (-back, 0, 0), (0, 0, 0), side="below"),
        Length("width", "above", "y", (-back, -half, 0), (-back, half, 0), side="left"),
        Length("thickness", "front", "z", (-back, 0, low), (-back, 0, high), side="left"),
        Length("height", "front", "z", (reach, 0, 0), (reach, 0, low), side="right"),
        Length("slot", "above", "x", (aside - slot_half, 0, 0), (aside + slot_half, 0, 0), side="above"),
        Length("washer", "right", "z", (0, 0, high), (0, 0, high + p["washer"]), side="right"),
        Length("screw_below", "right", "z", (0, 0, -p["screw_below"]), (0, 0, 0), side="right"),
        Length("nut_below", "right", "z", (0, 0, -p["nut_below"]), (0, 0, 0), side="left"),
    )
    part = box((reach - TIP, -half * 1.3, 0), (reach + 30, half * 1.3, low))
    return Drawn(
        found, (shell(part),), (Mark(f"heel: {p['heel']}", "front", (4 - back, 0, low * 0.4), (8, -76)),)
    )


KIND = Kind(
    name="strap",
    summary="strap clamp with heel, screw and nut, laid by hand; the screw's end hangs below the rest plane",
    parameters=(
        Parameter("reach", 35.0, "from the screw's axis to the strap's tip", 15, 200),
        Parameter("back", 25.0, "from the screw's axis to the strap's other end", 12, 150),
        Parameter("width", 25.0, "of the strap", 11, 80),
        Parameter("thickness", 10.0, "of the strap", 3, 50),
        Parameter("height", 20.0, "of what it clamps, over the rest plane", 0.5, 250),
        Parameter("slot", 0.0, "length of the slot that the screw passes through; 0: a round hole", 0, 150),
        Parameter(
            "slot_share",
            50.0,
            "where in its slot the screw stands: 0 at its end towards the heel, 100 towards the tip",
            0,
            100,
            unit="percent",
        ),
        Parameter(
            "screw", "M8", "ISO 4762, socket-head cap screw", unit="", choices=("M6", "M8", "M10", "M12")
        ),
        Parameter(
            "heel",
            "block",
            "what its other end stands on: one block with it, loose packing, or a screw through it",
            unit="",
            choices=("block", "packing", "screw"),
        ),
        Parameter("washer", 1.6, "thickness of the washer under the head; 0: none", 0, 8),
        Parameter(
            "screw_below", 15.0, "how far the screw's end hangs below the rest plane; 0: not at all", 0, 200
        ),
        Parameter(
            "nut_below", 0.0, "how far the nut's lower face hangs below the rest plane; 0: no nut", 0, 200
        ),
    ),
    build=build,
    origin="on the screw's axis, in the rest plane of what it clamps; it reaches along X",
    drawn=drawn,
    does=Does.PRESSES,
    fastened=Fastened.BOLTED,
    fit=fit,
    fits=("reach", "height"),
    slides=slid,
    laid=True,
    cautions=(
        "Measure how far the screw hangs out below: that end is what the lower head meets.",
        "Tighten it before the last pass is set up; a strap turns with its screw.",
    ),
)
