"""Dimensions of a spacer go in; a block with a screw hole and a slot for threading comes out.

Frame H: it stands on Z = 0, centred; the slot opens towards positive Y.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fixtures_lib.holder import Conflict, Does, Drawn, Fastened, Holder, Kind, Length, Parameter, Seat
from fixtures_lib.solids import at, box, centred_block, hole, shell


def build(p: Mapping[str, Any]) -> Holder:
    """The spacer. Raises ``Conflict`` where slot or holes leave no metal."""
    x, y, height = p["length"] / 2, p["width"] / 2, p["height"]
    wide, deep, bore = p["slot_width"], p["slot_depth"], p["hole"]
    if deep > 0 and wide > p["length"] - 6:
        raise Conflict(
            "slot_width", f"{wide:g} is wider than the body has room for", f"want at most {p['length'] - 6:g}"
        )
    if deep > p["width"] - 3:
        raise Conflict("slot_depth", f"{deep:g} cuts the spacer in two", f"want at most {p['width'] - 3:g}")
    away = []
    if deep > 0:
        away.append(box((-wide / 2, y - deep, -1), (wide / 2, y + 1, height + 1)))
    if bore > 0:
        side = x / 2 + (wide / 4 if deep > 0 else 0)
        if bore / 2 + 1 > min(x - side, y, side - (wide / 2 if deep > 0 else 0)):
            raise Conflict("hole", f"{bore:g} leaves no metal around the holes", "want 0 for none, or less")
        away += [hole(bore, -1, height + 1, (s * side, 0)) for s in (-1, 1)]
    return Holder(
        shells=(centred_block(p, *away),),
        seats={"top": Seat(at(0, 0, height), "upper face, above the middle")},
        params=dict(p),
    )


def drawn(p: Mapping[str, Any]) -> Drawn:
    """Where its dimensions are, and what stands on it."""
    x, y, high = p["length"] / 2, p["width"] / 2, p["height"]
    wide, deep, bore = p["slot_width"] / 2, p["slot_depth"], p["hole"] / 2
    side = x / 2 + (wide / 2 if deep > 0 else 0)
    found = [
        Length("length", "front", "x", (-x, 0, 0), (x, 0, 0)),
        Length("width", "above", "y", (x, -y, 0), (x, y, 0), side="right"),
        Length("height", "front", "z", (-x, 0, 0), (-x, 0, high), side="left"),
        Length("hole", "above", "x", (-side - bore, 0, 0), (-side + bore, 0, 0), across=True, side="below"),
    ]
    if deep > 0:
        found.append(Length("slot_width", "above", "x", (-wide, y, 0), (wide, y, 0)))
        found.append(Length("slot_depth", "above", "y", (-wide, y - deep, 0), (-wide, y, 0), side="left"))
    return Drawn(tuple(found), (shell(box((-x * 0.8, -y * 0.8, high), (x * 0.8, y * 0.8, high + 20))),))


KIND = Kind(
    name="spacer",
    summary="spacer under any other element: raises it, and leaves a slot through which the wire is threaded",
    parameters=(
        Parameter("length", 60.0, "along X", 5, 400),
        Parameter("width", 40.0, "along Y", 5, 400),
        Parameter("height", 3.0, "how much it raises what stands on it", 0.1, 150),
        Parameter("slot_width", 12.0, "of the slot for threading, along X", 1, 200),
        Parameter("slot_depth", 0.0, "of the slot, from the rear side; 0: none", 0, 390),
        Parameter("hole", 0.0, "diameter of its two screw holes; 0: none", 0, 30),
    ),
    build=build,
    origin="middle of the underside",
    drawn=drawn,
    does=Does.BEARS | Does.CARRIES,
    fastened=Fastened.STANDS,
)
