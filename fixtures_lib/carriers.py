"""What holders that are gripped by a shank have in common: shank, and a head with plate and table.

Frame H of such a holder: the shank's underside is Z = 0, the chuck's face towards the work is Y = 0, X = 0 is
the shank's middle; the shank lies at negative Y, in the chuck; everything else is at positive Y. The rest
plane is ``drop`` below the shank's underside.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fixtures_lib.dimensions import Length
from fixtures_lib.holder import Parameter, Seat
from fixtures_lib.solids import at, box, join, shell

PLATE = 12.0  # thickness of the head's plate

SHANK = (
    Parameter("shank_width", 20.0, "of the shank that sits in the chuck", 8, 60),
    Parameter("shank_height", 20.0, "of the shank", 8, 60),
    Parameter("shank_length", 40.0, "of the shank, from the chuck's face into the chuck", 10, 150),
)

HEAD = (
    Parameter("drop", 37.0, "from the shank's underside down to the rest plane", 10, 200),
    Parameter("width", 50.0, "of plate and table", 20, 200),
    Parameter(
        "table", 80.0, "how far the table reaches from the plate towards the work; 0: no table", 0, 250
    ),
    Parameter("table_thickness", 15.0, "of the table, below the rest plane", 5, 60),
)


def shank(p: Mapping[str, Any]) -> Any:
    """The shank, from inside the chuck to a little past its face."""
    half = p["shank_width"] / 2
    return box((-half, -p["shank_length"], 0), (half, 1, p["shank_height"]))


def head(p: Mapping[str, Any], near: float, top: float) -> Any:
    """A plate from y = ``near`` on, which ends at z = ``top``, with the table at its far face."""
    half, rest, far = p["width"] / 2, -p["drop"], near + PLATE
    low = rest - p["table_thickness"]
    plate = box((-half, near, low), (half, far, top))
    if p["table"] <= 0:
        return plate
    return join(plate, box((-half, far - 1, low), (half, far + p["table"], rest)))


def head_seats(p: Mapping[str, Any], near: float) -> dict[str, Seat]:
    """Seats of that head where it is neither turned nor tilted."""
    rest, far = -p["drop"], near + PLATE
    seats = {}
    if p["table"] > 0:
        seats["top"] = Seat(at(0, far + p["table"] / 2, rest), "middle of the table, in the rest plane")
    seats["mount"] = Seat(
        at(0, far, rest),
        "the plate's face towards the work, in the rest plane; vises, arms and rings are mounted here",
    )
    seats["front"] = Seat(at(0, far, rest), 'older name of "mount"')
    return seats


def head_dimensions(
    p: Mapping[str, Any], near: float
) -> tuple[tuple[Length, ...], tuple[NDArray[np.float64], ...]]:
    """Where the dimensions of that head and of the shank are, and a part on its table or at its plate."""
    half, far, rest = p["width"] / 2, near + PLATE, -p["drop"]
    end, wide, tall = far + p["table"], p["shank_width"] / 2, p["shank_height"]
    found = [
        Length("drop", "right", "z", (0, end, rest), (0, end, 0), side="right"),
        Length("width", "front", "x", (-half, 0, rest), (half, 0, rest), side="below"),
        Length(
            "shank_width",
            "above",
            "x",
            (-wide, -p["shank_length"], 0),
            (wide, -p["shank_length"], 0),
            side="below",
        ),
        Length(
            "shank_height",
            "right",
            "z",
            (0, -p["shank_length"], 0),
            (0, -p["shank_length"], tall),
            side="left",
        ),
        Length("shank_length", "right", "y", (0, -p["shank_length"], 0), (0, 0, 0), side="below"),
    ]
    part = box((-half * 0.7, far, rest), (half * 0.7, far + 40, rest + 20))
    if p["table"] > 0:
        under = rest - p["table_thickness"]
        found.append(Length("table", "right", "y", (0, far, under), (0, end, under), side="below"))
        found.append(Length("table_thickness", "right", "z", (0, end, under), (0, end, rest), side="right"))
        part = box((-half * 0.7, far + 10, rest), (half * 0.7, end - 5, rest + 20))
    return tuple(found), (shell(part),)
