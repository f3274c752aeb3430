"""What holders that are gripped by a shank have in common: shank, and a head with plate and table.

Frame H of such a holder: the shank's underside is Z = 0, the chuck's front face is Y = 0, X = 0 is the
shank's middle; the shank lies at negative Y, in the chuck; everything else is in front of it. The rest
plane is ``drop`` below the shank's underside.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fixtures_lib.holder import Parameter, Seat
from fixtures_lib.solids import at, box, join

PLATE = 12.0  # thickness of the head's plate

SHANK = (
    Parameter("shank_width", 20.0, "of the shank that sits in the chuck", 8, 60),
    Parameter("shank_height", 20.0, "of the shank", 8, 60),
    Parameter("shank_length", 40.0, "of the shank, from the chuck's front face back", 10, 150),
)

HEAD = (
    Parameter("drop", 37.0, "from the shank's underside down to the rest plane", 10, 200),
    Parameter("width", 50.0, "of plate and table", 20, 200),
    Parameter("table", 80.0, "how far the table reaches forward from the plate; 0: no table", 0, 250),
    Parameter("table_thickness", 15.0, "of the table, below the rest plane", 5, 60),
)


def shank(p: Mapping[str, Any]) -> Any:
    """The shank, from inside the chuck to a little past its front face."""
    half = p["shank_width"] / 2
    return box((-half, -p["shank_length"], 0), (half, 1, p["shank_height"]))


def head(p: Mapping[str, Any], back: float, top: float) -> Any:
    """A plate whose back is at y = ``back`` and which ends at z = ``top``, with the table in front of it."""
    half, rest, front = p["width"] / 2, -p["drop"], back + PLATE
    low = rest - p["table_thickness"]
    plate = box((-half, back, low), (half, front, top))
    if p["table"] <= 0:
        return plate
    return join(plate, box((-half, front - 1, low), (half, front + p["table"], rest)))


def head_seats(p: Mapping[str, Any], back: float) -> dict[str, Seat]:
    """Seats of that head where it is neither turned nor tilted."""
    rest, front = -p["drop"], back + PLATE
    seats = {}
    if p["table"] > 0:
        seats["top"] = Seat(at(0, front + p["table"] / 2, rest), "middle of the table, in the rest plane")
    seats["front"] = Seat(
        at(0, front, rest),
        "the plate's front face, in the rest plane; vises, arms and rings are mounted here",
    )
    return seats
