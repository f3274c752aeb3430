"""Dimensions of a parallel go in; a ground bar comes out.

Frame H: it stands on Z = 0, centred; X runs along it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fixtures_lib.holder import Conflict, Does, Drawn, Fastened, Holder, Kind, Length, Parameter, Seat
from fixtures_lib.solids import at, box, centred_block, hole, shell


def build(p: Mapping[str, Any]) -> Holder:
    """The parallel. Raises ``Conflict`` where its holes leave no metal."""
    x, y, height, bore = p["length"] / 2, p["width"] / 2, p["height"], p["hole"]
    away = []
    if bore > 0:
        if bore > height - 4:
            raise Conflict("hole", f"{bore:g} leaves no metal", f"want 0, or at most {height - 4:g}")
        many = max(1, int(p["length"] // (3 * bore)))
        step = p["length"] / many
        if bore > step - 2:
            raise Conflict("hole", f"{bore:g} leaves no metal", f"want 0, or at most {step - 2:g}")
        away = [
            hole(bore, -y - 1, y + 1, (-x + (i + 0.5) * step, height / 2), "y") for i in range(min(many, 12))
        ]
    return Holder(
        shells=(centred_block(p, *away),),
        seats={"top": Seat(at(0, 0, height), "upper face, above the middle")},
        params=dict(p),
    )


def drawn(p: Mapping[str, Any]) -> Drawn:
    """Where its dimensions are, and a part on it."""
    x, y, high, bore = p["length"] / 2, p["width"] / 2, p["height"], p["hole"] / 2
    first = -x
    if bore > 0:
        first += p["length"] / max(1, int(p["length"] // (6 * bore))) / 2
    found = (
        Length("length", "front", "x", (-x, 0, 0), (x, 0, 0)),
        Length("width", "right", "y", (0, -y, 0), (0, y, 0)),
        Length("height", "front", "z", (-x, 0, 0), (-x, 0, high)),
        Length(
            "hole",
            "front",
            "x",
            (first - bore, 0, high / 2),
            (first + bore, 0, high / 2),
            across=True,
            side="below",
        ),
    )
    return Drawn(found, (shell(box((-x * 0.8, -y, high), (x * 0.8, y + 25, high + 15))),))


KIND = Kind(
    name="parallel",
    summary="ground parallel, laid under a part",
    parameters=(
        Parameter("length", 100.0, "along X", 10, 500),
        Parameter("width", 8.0, "along Y", 1, 100),
        Parameter("height", 20.0, "ground height", 1, 150),
        Parameter("hole", 0.0, "diameter of the holes across it; 0: none", 0, 100),
    ),
    build=build,
    origin="middle of the underside",
    drawn=drawn,
    does=Does.BEARS | Does.CARRIES,
    fastened=Fastened.STANDS,
)
