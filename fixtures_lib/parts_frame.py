"""Dimensions of a parts frame go in; the frame, carried at both ends, with a place for each part, comes out.

Frame H: Z = 0 is the rest plane; X runs along the frame from the left end of its beam; Y = 0 is the stop's
face, against which the parts stand; the beam lies at negative Y and reaches ``rest`` past the stop's face,
under the parts. At each part a slot goes down through the beam, through which the wire is threaded. The
ears lie on what carries the frame, their undersides in the rest plane.
"""

from __future__ import annotations

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
    ThreadHole,
)
from fixtures_lib.iso4762 import SCREWS, head
from fixtures_lib.solids import THREAD_FACET, at, bar, box, cut, hole, join, shell

OVER = 15.0  # how far an ear lies over the beam
SCREW = "M8"
DRILL = 6.8


def build(p: Mapping[str, Any]) -> Holder:
    """The frame. Raises ``Conflict`` where slots or places have no room."""
    n = round(p["places"])
    if n != p["places"]:
        raise Conflict("places", f"{p['places']:g} is no whole number", f"want {n}")
    pitch, depth, height, rest = p["pitch"], p["depth"], p["height"], p["rest"]
    wide, deep = p["slot_width"], p["slot_depth"]
    if wide > pitch - 8:
        raise Conflict(
            "slot_width", f"{wide:g} leaves no rest beside the slot", f"want at most {pitch - 8:g}"
        )
    if deep > depth - 6:
        raise Conflict("slot_depth", f"{deep:g} cuts the beam in two", f"want at most {depth - 6:g}")
    length = n * pitch + 2 * OVER
    middles = [OVER + (i + 0.5) * pitch for i in range(n)]
    parts = [box((0, -depth, -height), (length, rest, 0))]
    if p["stop"] > 0:
        parts.append(box((OVER, -depth, -1), (length - OVER, 0, p["stop"])))
    ear, screws, sunk = p["ear"], [], []
    holes = []
    for inner, outer in ((OVER, -ear), (length - OVER, length + ear)):
        parts.append(box((min(inner, outer), -depth, 0), (max(inner, outer), rest, p["ear_thickness"])))
        middle = ((outer * 0.6 + (0 if outer < 0 else length) * 0.4), (rest - depth) / 2)
        screws.append(shell(head(SCREW, p["ear_thickness"], middle)))
        sunk.append(len(screws))
        screws.append(shell(bar(SCREWS[SCREW].d, -15, p["ear_thickness"], middle)))
        holes.append(hole(SCREWS[SCREW].through, -1, p["ear_thickness"] + 1, middle))
    away = [box((x - wide / 2, -deep, -height - 1), (x + wide / 2, rest + 1, p["stop"] + 1)) for x in middles]
    threads = []
    if depth > DRILL + 6 and pitch - wide > DRILL + 4:
        for i in range(n + 1):  # thread holes for straps, between the places
            x = min(max(OVER + i * pitch, OVER + DRILL), length - OVER - DRILL)
            away.append(hole(DRILL, -15, p["stop"] + 1, (x, -depth / 2), error=THREAD_FACET))
            threads.append(ThreadHole((x, -depth / 2, p["stop"]), DRILL))
    seats = {"top": Seat(at(OVER, 0, 0), "rest plane at the stop, left end of the first place")}
    for i, x in enumerate(middles):
        seats[f"place {i + 1}"] = Seat(at(x, 0, 0), f"rest plane at the stop, middle of place {i + 1}")
    return Holder(
        shells=(shell(cut(join(*parts), *away, *holes)), *screws),
        seats=seats,
        limits=(Limit("mass", None, 30.0, "common practice, no source"),),
        params=dict(p),
        sunk=tuple(1 + i for i in sunk),
        holes=tuple(threads),
    )


def drawn(p: Mapping[str, Any]) -> Drawn:
    """Where its dimensions are, and a part on its first place."""
    pitch, deep, high, rest, ear = p["pitch"], p["depth"], p["height"], p["rest"], p["ear"]
    first = OVER + pitch / 2
    wide = p["slot_width"] / 2
    found = [
        Length("depth", "above", "y", (-ear, -deep, 0), (-ear, 0, 0)),
        Length("rest", "above", "y", (-ear, 0, 0), (-ear, rest, 0)),
        Length("height", "front", "z", (0, 0, -high), (0, 0, 0)),
        Length("stop", "right", "z", (0, -deep, 0), (0, -deep, p["stop"])),
        Length("slot_width", "above", "x", (first - wide, 0, 0), (first + wide, 0, 0), side="below"),
        Length("slot_depth", "above", "y", (first, -p["slot_depth"], 0), (first, 0, 0), side="right"),
        Length("ear", "front", "x", (-ear, 0, 0), (0, 0, 0), side="below"),
        Length("ear_thickness", "front", "z", (-ear, 0, 0), (-ear, 0, p["ear_thickness"])),
    ]
    if p["places"] > 1:
        found.append(Length("pitch", "above", "x", (first, rest, 0), (first + pitch, rest, 0)))
    part = box((first - pitch * 0.42, 0, 0), (first + pitch * 0.42, rest + 30, 20))
    return Drawn(tuple(found), (shell(part),), (Mark("stop's face", "above", (OVER, 0, 0), (20, 60)),))


KIND = Kind(
    name="parts_frame",
    summary="frame for several parts in a row, carried at both ends, a slot for threading beside each",
    parameters=(
        Parameter("places", 4.0, "how many parts", 1, 8, unit=""),
        Parameter("pitch", 60.0, "from place to place", 20, 300),
        Parameter("depth", 40.0, "of the beam, from the stop's face to its outer side", 15, 200),
        Parameter("rest", 15.0, "how far the parts lie on the beam, from the stop's face on", 3, 100),
        Parameter("height", 25.0, "from the rest plane down to the beam's underside", 10, 100),
        Parameter("stop", 6.0, "of the stop over the rest plane; 0: none", 0, 60),
        Parameter("slot_width", 10.0, "of each slot for threading", 1, 100),
        Parameter("slot_depth", 18.0, "of each slot, from the stop's face into the beam", 1, 190),
        Parameter("ear", 45.0, "how far each ear stands out at the end", 15, 200),
        Parameter("ear_thickness", 15.0, "of the ears, over the rest plane", 5, 60),
    ),
    build=build,
    origin="left end of the beam, at the stop's face, in the rest plane",
    drawn=drawn,
    does=Does.BEARS | Does.CARRIES,
    fastened=Fastened.BOLTED,
    cautions=("Straps hold the parts down; their screws go into the thread holes between the places.",),
)
