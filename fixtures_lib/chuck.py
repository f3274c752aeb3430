"""Dimensions of a chuck go in; the chuck with its slot for a shank, knob and foot screws comes out.

Frame H: it stands on Z = 0, the base rail's upper face; Y = 0 is the rail's reference side, against which
a lip below bears; X = 0 is the slot's middle. The work is at positive Y.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from fixtures_lib.holder import (
    Conflict,
    Does,
    Drawn,
    Fastened,
    Holder,
    Kind,
    Length,
    Limit,
    Mark,
    Parameter,
    Seat,
)
from fixtures_lib.iso4762 import SCREWS, head
from fixtures_lib.solids import at, bar, box, cut, join, shell

PLAY = 0.05  # beside and over the shank; it bears on the slot's floor
SCREW = "M8"
FOOT = 20.0  # how far the foot stands out in front, for its screws


def build(p: Mapping[str, Any]) -> Holder:
    """The chuck. Raises ``Conflict`` where the slot leaves no metal around it."""
    half, far, near = p["width"] / 2, p["overhang"], p["overhang"] - p["depth"]
    height, floor = p["height"], p["seat_height"]
    if p["width"] < p["shank_width"] + 12:
        raise Conflict(
            "width",
            f"{p['width']:g} leaves no metal beside the slot",
            f"want {p['shank_width'] + 12:g} or more",
        )
    if height < floor + p["shank_height"] + 6:
        raise Conflict(
            "height",
            f"{height:g} leaves no metal over the slot",
            f"want {floor + p['shank_height'] + 6:g} or more",
        )
    if p["slot_depth"] > p["depth"] - 6:
        raise Conflict(
            "slot_depth", f"{p['slot_depth']:g} goes through the chuck", f"want at most {p['depth'] - 6:g}"
        )
    if p["overhang"] > p["depth"] - 10:
        raise Conflict(
            "overhang", f"{p['overhang']:g} leaves nothing on the rail", f"want at most {p['depth'] - 10:g}"
        )
    side = p["shank_width"] / 2 + PLAY
    slot = box((-side, far - p["slot_depth"], floor), (side, far + 1, floor + p["shank_height"] + PLAY))
    body = join(
        box((-half, near, 0), (half, far, height)),
        box((-half, near - FOOT, 0), (half, near + 1, 10)),
        *([box((-half, 0, -p["lip"]), (half, min(far, 6.0), 1))] if p["lip"] > 0 and far > 0 else []),
    )
    grip = far - p["slot_depth"] / 2
    knob = p["knob"]
    shells = [shell(cut(body, slot))]
    if knob > 0:
        stud = bar(knob * 0.45, height, height + 6, (0, grip))
        grooves = [bar(knob * 0.22, height + 5, height + 30, c) for c in _round(knob * 0.52, grip)]
        shells.append(shell(join(stud, cut(bar(knob, height + 6, height + 20, (0, grip)), *grooves))))
    sunk = []
    for x in (-half + 10, half - 10):
        shells.append(shell(head(SCREW, 10, (x, near - FOOT / 2))))
        sunk.append(len(shells))
        thread = bar(SCREWS[SCREW].d, -8, 0, (x, near - FOOT / 2))
        shells.append(shell(thread))
    return Holder(
        shells=tuple(shells),
        seats={
            "shank": Seat(
                at(0, far, floor), "face towards the work, at the slot's floor: here a shank is gripped"
            ),
            "top": Seat(at(0, near + 5, height), "upper face, at the front"),
        },
        limits=(Limit("force", None, 3000.0, "common practice, no source"),),
        params=dict(p),
        sunk=tuple(sunk),
    )


def _round(radius: float, y: float) -> list[tuple[float, float]]:
    """Five middles of the grip's grooves."""
    return [
        (radius * math.sin(math.radians(72 * i)), y + radius * math.cos(math.radians(72 * i)))
        for i in range(5)
    ]


def drawn(p: Mapping[str, Any]) -> Drawn:
    """Where its dimensions are, and a shank in its slot."""
    half, far, high, floor = p["width"] / 2, p["overhang"], p["height"], p["seat_height"]
    wide, tall, knob = p["shank_width"] / 2, p["shank_height"], p["knob"] / 2
    out, grip = far + 30, far - p["slot_depth"] / 2
    found = (
        Length("width", "front", "x", (-half, 0, 0), (half, 0, 0)),
        Length("depth", "right", "y", (0, far - p["depth"], 0), (0, far, 0)),
        Length("height", "right", "z", (0, far, 0), (0, far, high), side="left"),
        Length("overhang", "right", "y", (0, 0, 0), (0, far, 0)),
        Length("seat_height", "right", "z", (0, out, 0), (0, out, floor)),
        Length("shank_width", "above", "x", (-wide, out, 0), (wide, out, 0)),
        Length("shank_height", "right", "z", (0, out, floor), (0, out, floor + tall)),
        Length("slot_depth", "right", "y", (0, far - p["slot_depth"], floor), (0, far, floor), side="above"),
        Length("lip", "right", "z", (0, 0, -p["lip"]), (0, 0, 0), side="right"),
        Length("knob", "front", "x", (-knob, grip, high), (knob, grip, high), across=True, side="above"),
    )
    shank = box((-wide, far - p["slot_depth"], floor), (wide, out, floor + tall))
    return Drawn(
        found, (shell(shank),), (Mark("reference side", "right", (0, 0, -p["lip"] * 0.6), (40, -30)),)
    )


KIND = Kind(
    name="chuck",
    summary="hand-operated chuck on the base rail, aligned on its reference side; takes any holder's shank",
    parameters=(
        Parameter("width", 60.0, "along the rail", 25, 200),
        Parameter("depth", 60.0, "along Y, without the foot", 25, 200),
        Parameter("height", 50.0, "over the rail, without the knob", 25, 200),
        Parameter("overhang", 12.0, "of its face towards the work over the rail's reference side", 0, 80),
        Parameter("seat_height", 12.0, "from the rail up to the slot's floor", 4, 150),
        Parameter("shank_width", 20.0, "of the shanks it takes", 8, 60),
        Parameter("shank_height", 20.0, "of the shanks it takes", 8, 60),
        Parameter("slot_depth", 45.0, "how deep a shank goes in", 10, 150),
        Parameter("lip", 8.0, "how far the lip hangs down on the rail's reference side; 0: none", 0, 30),
        Parameter("knob", 36.0, "diameter of the knob on top; 0: none", 0, 80),
    ),
    build=build,
    origin="on the base rail's upper face and reference side, at the slot's middle",
    drawn=drawn,
    does=Does.GRIPS | Does.CARRIES,
    fastened=Fastened.BOLTED,
    cautions=("Hand-operated: it holds with about 3000 N (common practice, no source).",),
)
