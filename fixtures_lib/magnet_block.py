"""Dimensions of a magnet block go in; the block with its pole pieces comes out.

Frame H: it stands on Z = 0, centred; the poles run along X.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fixtures_lib.holder import Conflict, Does, Drawn, Fastened, Holder, Kind, Length, Limit, Parameter, Seat
from fixtures_lib.solids import at, box, centred_block, hole, shell


def build(p: Mapping[str, Any]) -> Holder:
    """The block. Raises ``Conflict`` where groove or bore leave no metal."""
    x, height = p["length"] / 2, p["height"]
    away = []
    if p["groove"] > 0:  # let into the upper and the lower face
        room = max(0.0, p["width"] - 4)
        if p["groove"] > room:
            raise Conflict("groove", f"{p['groove']:g} leaves no poles", f"want at most {room:g}; 0: none")
        deep = min(1.5, height / 6)
        for low in (-1.0, height - deep):
            away.append(box((-x - 1, -p["groove"] / 2, low), (x + 1, p["groove"] / 2, low + deep + 1)))
    if p["knob"] > 0:
        room = max(0.0, min(p["width"], height) - 4)
        if p["knob"] > room:
            raise Conflict(
                "knob", f"{p['knob']:g} is larger than the block's end", f"want at most {room:g}; 0: none"
            )
        away.append(hole(p["knob"], x - 2, x + 1, (0, height / 2), "x"))
    return Holder(
        shells=(centred_block(p, *away),),
        seats={"top": Seat(at(0, 0, height), "upper face, the poles' plane")},
        limits=(Limit("mass", None, 5.0, "common practice, no source"),),
        params=dict(p),
    )


def drawn(p: Mapping[str, Any]) -> Drawn:
    """Where its dimensions are, and a part on it."""
    x, y, high = p["length"] / 2, p["width"] / 2, p["height"]
    groove, knob = p["groove"] / 2, p["knob"] / 2
    found = (
        Length("length", "front", "x", (-x, 0, 0), (x, 0, 0)),
        Length("width", "above", "y", (x, -y, 0), (x, y, 0)),
        Length("height", "front", "z", (-x, 0, 0), (-x, 0, high), side="left"),
        Length("groove", "right", "y", (x, -groove, high), (x, groove, high)),
        Length("knob", "right", "y", (x, -knob, high / 2), (x, knob, high / 2), across=True, side="below"),
    )
    return Drawn(found, (shell(box((-x - 10, -y - 10, high), (x + 10, y + 10, high + 12))),))


KIND = Kind(
    name="magnet_block",
    summary="magnet block with two poles, laid by hand",
    parameters=(
        Parameter("length", 50.0, "along the poles", 5, 300),
        Parameter("width", 30.0, "across the poles", 5, 200),
        Parameter("height", 35.0, "of the block", 3, 200),
        Parameter("groove", 6.0, "between the poles; 0: none", 0, 100),
        Parameter("knob", 16.0, "diameter of the recess for its switch, in the right end; 0: none", 0, 100),
    ),
    build=build,
    origin="middle of the underside",
    drawn=drawn,
    does=Does.BEARS | Does.ATTRACTS,
    fastened=Fastened.STANDS,
    laid=True,
    cautions=("A magnet does not hold what it touches through an air gap, nor what is no steel.",),
)
