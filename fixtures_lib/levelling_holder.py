"""Dimensions of a levelling holder, its turn and tilts go in; the holder comes out with its head tilted.

Frame H as of what a shank grips in ``shared``. The head moves about one pivot, in the middle of the gap
between body and plate, half the shank's height up; it is turned about the fixed X, then Y, then Z axis, as an
item's ``turn`` is. What stands on the head moves with it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from clearance.geometry.transforms import pose
from fixtures_lib.holder import (
    Adjustment,
    Angle,
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
from fixtures_lib.iso4762 import SCREWS
from fixtures_lib.iso4762 import head as screw_head
from fixtures_lib.shared import HEAD, SHANK, head, head_dimensions, head_seats, shank
from fixtures_lib.solids import at, bar, box, join, placed, shell

GAP = 5.0  # between body and plate, room to tilt
SCREW = "M5"  # its three adjusting screws
LUG = 14.0  # the lug of the lower one, along Y


def build(p: Mapping[str, Any]) -> Holder:
    """The holder. Raises ``Conflict`` where bare screws have no room at their levers."""
    half, body, top = p["width"] / 2, p["body"], p["shank_height"]
    low = -0.6 * p["drop"]
    pivot = (0.0, body + GAP / 2, top / 2)
    ball = min(top, p["width"]) * 0.7
    if p["screws"] == "bare":
        heads = _screws(p, pivot, low)
    else:
        heads = [screw_head("M6", top - 0.5, (x, body - 8)) for x in (-half + 8, half - 8)]
    fixed = join(
        shank(p),
        box((-half, 0, low), (half, body, top)),
        bar(ball, body - 1, body + GAP + 1, (pivot[0], pivot[2]), "y"),
        *heads,
    )
    T_HT = at(*pivot) @ pose(turn=(p["tilt_x"], p["tilt_y"], p["angle"])) @ at(*(-c for c in pivot))
    seats = {key: Seat(T_HT @ seat.T_HS, seat.meaning) for key, seat in head_seats(p, body + GAP).items()}
    moving = head(p, body + GAP, top)
    return Holder(
        shells=(shell(fixed), shell(placed(moving, T_HT))),
        seats=seats,
        limits=(Limit("mass", None, 15.0, "common practice, no source"),),
        params=dict(p),
    )


def _screws(p: Mapping[str, Any], pivot: tuple[float, float, float], low: float) -> list[Any]:
    """The adjusting screws, the lower one in a lug under the body."""
    half, d = p["width"] / 2, SCREWS[SCREW].dk_knurled / 2
    down, right, near = pivot[2] - p["lever_x"], p["lever_y"], pivot[1] - p["lever_z"]
    deepest = pivot[2] + p["drop"] + p["table_thickness"] - d
    least = pivot[2] - low + d
    if not least <= p["lever_x"] <= deepest:
        raise Conflict(
            "lever_x",
            f"{p['lever_x']:g} puts the lower screw off the plate",
            f"want {least:.4g} to {deepest:.4g}",
        )
    if right > half - d:
        raise Conflict(
            "lever_y", f"{right:g} puts the right screw off the body", f"want at most {half - d:.4g}"
        )
    if near < d:
        raise Conflict(
            "lever_z",
            f"{p['lever_z']:g} puts the side screw into the chuck",
            f"want at most {pivot[1] - d:.4g}",
        )
    begin = p["body"] - LUG
    lug = box((-d - 3, begin, down - d - 2), (d + 3, p["body"], low + 1))
    towards_front, towards_left = at(0, begin, down), at(-half, near, pivot[2])
    towards_front[:3, :3] = [[1, 0, 0], [0, 0, -1], [0, 1, 0]]  # the head's Z becomes -Y
    towards_left[:3, :3] = [[0, 0, -1], [0, 1, 0], [1, 0, 0]]  # ... -X
    return [
        lug,
        bar(SCREWS[SCREW].d, begin, p["body"] + GAP, (0, down), "y"),
        placed(screw_head(SCREW, -0.1), towards_front),
        placed(screw_head(SCREW, -0.1), towards_left),
        screw_head(SCREW, p["shank_height"] - 0.1, (right, p["body"] - 8)),
    ]


def _adjusted(parameter: str, about: str, by: str, lever: float, turned_in: int = 1) -> Adjustment:
    """One of its screws: a hundred divisions a turn of 0.5."""
    return Adjustment(parameter, about, by, lever, 0.5, 0.005, turned_in, f"lever_{about}", "pitch")


def drawn(p: Mapping[str, Any]) -> Drawn:
    """Where its dimensions are, and what is on its head; tilted, the angles alone."""
    body, top = p["body"], p["shank_height"]
    x, y, z = 0.0, body + GAP / 2, top / 2
    if p["tilt_x"] or p["tilt_y"] or p["angle"]:
        tilts = [math.radians(p[key]) for key in ("tilt_x", "tilt_y", "angle")]
        (cx, cy, cz), (sx, sy, sz) = ([f(t) for t in tilts] for f in (math.cos, math.sin))
        far = 0.75 * (p["table"] + 60)
        wide = p["width"] / 2 + 25
        return Drawn(
            (
                Angle("tilt_x", "right", (x, y, z), (x, y + far, z), (x, y + far * cx, z + far * sx)),
                Angle("tilt_y", "front", (x, y, z), (wide, y, z), (wide * cy, y, z - wide * sy)),
                Angle("angle", "above", (x, y, z), (x, y + far, z), (-far * sz, y + far * cz, z)),
            )
        )
    found, part = head_dimensions(p, body + GAP)
    more = (
        Length("body", "right", "y", (0, 0, top), (0, body, top), side="above"),
        Length("lever_x", "right", "z", (0, body - LUG, z - p["lever_x"]), (0, body - LUG, z), side="left"),
        Length("lever_y", "front", "x", (0, 0, top), (p["lever_y"], 0, top), side="above"),
        Length(
            "lever_z",
            "above",
            "y",
            (-p["width"] / 2, y - p["lever_z"], 0),
            (-p["width"] / 2, y, 0),
            side="left",
        ),
    )
    marks = (
        Mark("lower screw: tilt_x", "right", (0, body - LUG, z - p["lever_x"]), (-26, -86)),
        Mark("right screw: tilt_y", "above", (p["lever_y"], body - 8, 0), (60, 20)),
        Mark("side screw: angle", "above", (-p["width"] / 2, y - p["lever_z"], 0), (100, -30)),
        Mark("pivot", "right", (x, y, z), (30, 60)),
    )
    bare = p["screws"] == "bare"
    note = f"pitch of its screws: {p['pitch']:g} a turn"
    return Drawn((*found, *more), part, marks if bare else marks[-1:], notes=(note,))


KIND = Kind(
    name="levelling_holder",
    summary="holder with a shank, its head tilted about both horizontal axes and turned a little about Z",
    parameters=(
        Parameter("tilt_x", 0.0, "of the head about X: positive lifts its rear (+Y)", -5, 5, unit="degrees"),
        Parameter(
            "tilt_y", 0.0, "of the head about Y: positive lowers its right (+X)", -5, 5, unit="degrees"
        ),
        Parameter("angle", 0.0, "of the head, anticlockwise seen from above", -5, 5, unit="degrees"),
        Parameter("body", 28.0, "from the chuck's face towards the work to the gap before the head", 18, 200),
        *HEAD,
        *SHANK,
        Parameter(
            "screws",
            "covered",
            "covered: its adjusting screws lie within its body; bare: they stand out where the levers say",
            unit="",
            choices=("covered", "bare"),
        ),
        Parameter("lever_x", 40.0, "from the pivot down to the lower screw, which sets tilt_x", 5, 200),
        Parameter("lever_y", 20.0, "from the pivot to the right screw, which sets tilt_y", 5, 200),
        Parameter("lever_z", 20.0, "from the pivot to the side screw, which sets angle", 5, 200),
        Parameter("pitch", 0.5, "of the three screws, a turn", 0.1, 3),
    ),
    build=build,
    origin="middle of the shank's underside, at the chuck's face towards the work",
    drawn=drawn,
    does=Does.BEARS | Does.CARRIES,
    fastened=Fastened.IN_A_SHANK,
    # fine screws with a hundred divisions a turn, and their levers: common practice, no source
    adjusted=(
        _adjusted("tilt_x", "x", "lower screw", 40.0),
        _adjusted("tilt_y", "y", "right screw", 20.0, turned_in=-1),
        _adjusted("angle", "z", "side screw", 20.0),
    ),
    cautions=("The pivot is taken half the shank's height up, in the gap; measure what tilts far from it.",),
)
