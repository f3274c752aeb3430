"""Dimensions of a toe clamp go in; the low clamp that presses a part sideways and down comes out.

Frame H: Z = 0 is what it stands on, the part's rest plane; its toe bears on the part's side at X = 0,
Y = 0 is its middle; the clamp lies at negative X.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fixtures_lib.holder import Conflict, Does, Drawn, Fastened, Holder, Kind, Length, Parameter, Seat
from fixtures_lib.iso4762 import SCREWS, head
from fixtures_lib.solids import at, bar, box, cut, prism, shell, slot


def build(p: Mapping[str, Any]) -> Holder:
    """The clamp. Raises ``Conflict`` where screw or slot have no room."""
    size = SCREWS[p["screw"]]
    length, width, height, toe = p["length"], p["width"], p["height"], p["toe"]
    bore = size.dk_knurled + 1
    if width < bore + 4:
        raise Conflict("width", f"{width:g} leaves no metal beside the screw", f"want {bore + 4:g} or more")
    if toe > height - 1:
        raise Conflict("toe", f"{toe:g} is no lower than the clamp", f"want at most {height - 1:g}")
    nose = min(length * 0.35, 2 * (height - toe) + 4)
    long = bore + p["travel"]
    middle = -(nose + length) / 2
    if long > length - nose - 4:
        raise Conflict(
            "travel",
            f"{p['travel']:g} is longer than the clamp has room for",
            f"want at most {max(0.0, length - nose - 4 - bore):g}, or a longer clamp",
        )
    under = max(3.0, height - size.k)  # the head is let in as far as the metal under it allows
    low = min(1.5, toe / 3)  # the toe's underside is clear of what the part rests on
    profile = [(-length, 0), (-nose, 0), (-nose + 2 * low, low), (0, low), (0, toe), (-nose, height)]
    profile += [(-length, height)]
    body = cut(
        prism(profile, -width / 2, width / 2, "y"),
        prism(slot(long, bore, (middle, 0)), under, height + 1),
        prism(slot(long - bore + size.through, size.through, (middle, 0)), -1, under + 1),
    )
    shells = [
        shell(body),
        shell(head(p["screw"], under, (middle, 0))),
        shell(bar(size.d, 0, under, (middle, 0))),
    ]
    sunk = []
    if p["screw_below"] > 0:
        sunk.append(len(shells))
        shells.append(shell(bar(size.d, -p["screw_below"], 0, (middle, 0))))
    return Holder(
        shells=tuple(shells),
        seats={
            "top": Seat(at(-length + 1, 0, height), "upper face, at the end away from the toe"),
            "tip": Seat(at(0, 0, toe), "upper edge of the toe, on the part's side"),
        },
        params=dict(p),
        sunk=tuple(sunk),
    )


def drawn(p: Mapping[str, Any]) -> Drawn:
    """Where its dimensions are, and the part that it presses."""
    long, half, high, toe = p["length"], p["width"] / 2, p["height"], p["toe"]
    nose = min(long * 0.35, 2 * (high - toe) + 4)
    slot_end = -(nose + long) / 2 + (SCREWS[p["screw"]].dk_knurled + 1 + p["travel"]) / 2
    found = (
        Length("length", "front", "x", (-long, 0, 0), (0, 0, 0)),
        Length("width", "above", "y", (-long, -half, 0), (-long, half, 0)),
        Length("height", "front", "z", (-long, 0, 0), (-long, 0, high)),
        Length("toe", "front", "z", (0, 0, 0), (0, 0, toe), side="right"),
        Length("travel", "above", "x", (slot_end - p["travel"], 0, 0), (slot_end, 0, 0), side="above"),
        Length(
            "screw_below", "front", "z", (-long / 2, 0, -p["screw_below"]), (-long / 2, 0, 0), side="left"
        ),
    )
    return Drawn(found, (shell(box((0, -half * 1.4, 0), (30, half * 1.4, high + 4))),))


KIND = Kind(
    name="toe_clamp",
    summary="low clamp whose toe presses the part sideways and down, laid by hand",
    parameters=(
        Parameter("length", 50.0, "from the toe to the other end", 25, 200),
        Parameter("width", 30.0, "of the clamp", 16, 120),
        Parameter("height", 14.0, "of the clamp; keep it under the part's top", 6, 80),
        Parameter("toe", 8.0, "height of the toe's upper edge on the part", 2, 75),
        Parameter("travel", 6.0, "length of the slot beyond the screw's own hole", 0, 100),
        Parameter(
            "screw", "M8", "ISO 4762, socket-head cap screw", unit="", choices=("M6", "M8", "M10", "M12")
        ),
        Parameter(
            "screw_below", 12.0, "how far the screw's end hangs below the rest plane; 0: not at all", 0, 150
        ),
    ),
    build=build,
    origin="middle of the toe's face on the part, in the part's rest plane",
    drawn=drawn,
    does=Does.GRIPS | Does.PRESSES,
    fastened=Fastened.BOLTED,
    laid=True,
)
