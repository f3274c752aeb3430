"""Dimensions of a turning holder and its angle go in; the holder comes out with its head turned about Z.

Frame H as of what a shank grips in ``shared``. The axis is vertical, ``axis`` from the chuck's face. What
stands on the head turns with it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

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
    Mark,
    Parameter,
    Seat,
)
from fixtures_lib.iso4762 import head as screw_head
from fixtures_lib.shared import HEAD, SHANK, head, head_dimensions, head_seats, shank
from fixtures_lib.solids import at, bar, box, join, placed, shell

DISC = 4.0  # thickness of the graduated disc between arm and head


def build(p: Mapping[str, Any]) -> Holder:
    """The holder. Raises ``Conflict`` where the head has no height."""
    if p["drop"] < DISC + 6:
        raise Conflict("drop", f"{p['drop']:g} leaves no plate", f"want {DISC + 6:g} or more")
    y, disc = p["axis"], p["disc"]
    half = max(p["shank_width"] / 2, disc / 3)
    fixed = join(
        shank(p),
        box((-half, 0, 0), (half, y, p["shank_height"])),
        bar(disc, 0, p["shank_height"], (0, y)),
        screw_head("M10", p["shank_height"] - 0.5, (0, y)),
    )
    near = disc / 2 - 12  # where the plate begins, from the axis
    block = box(
        (-p["width"] / 2, -disc / 3, -p["drop"] - p["table_thickness"]), (p["width"] / 2, near + 1, -DISC)
    )
    moving = join(bar(disc, -DISC - 1, 0), block, head(p, near, -DISC))
    T_HT = at(0, y, 0) @ pose(turn=(0, 0, p["angle"]))
    seats = {key: Seat(T_HT @ seat.T_HS, seat.meaning) for key, seat in head_seats(p, near).items()}
    return Holder(shells=(shell(fixed), shell(placed(moving, T_HT))), seats=seats, params=dict(p))


def drawn(p: Mapping[str, Any]) -> Drawn:
    """Where its dimensions are, its scale, and what is mounted on its head; turned, the angle alone."""
    y, r = p["axis"], p["disc"] / 2
    ticks = [math.radians(each) for each in range(0, 360, 10)]
    scale = tuple(
        (
            view,
            (r * math.sin(t), y + r * math.cos(t), -DISC),
            (r * math.sin(t), y + r * math.cos(t), -0.4 * DISC),
        )
        for t in ticks
        for view, towards in (("front", -math.cos(t)), ("right", math.sin(t)))
        if towards > 0
    )
    marks = (Mark("scale", "right", (0, y, -DISC / 2), (-60, 74)),)
    if p["angle"]:
        far = (r + 40.0) * np.array([-math.sin(math.radians(p["angle"])), math.cos(math.radians(p["angle"]))])
        arc = Angle("angle", "above", (0, y, 0), (0, y + r + 40, 0), (far[0], y + far[1], 0))
        return Drawn((arc,), (), marks, scale)
    head = head_dimensions(p, y + r - 12)
    found = (
        Length("axis", "right", "y", (0, 0, 0), (0, y, 0), side="above"),
        Length("disc", "front", "x", (-r, y, 0), (r, y, 0), across=True, side="above"),
        *head[0],
    )
    return Drawn(found, head[1], marks, scale)


KIND = Kind(
    name="turning_holder",
    summary="holder with a shank, its head turned about the vertical axis to an angle",
    parameters=(
        Parameter("angle", 0.0, "of the head, anticlockwise seen from above", -120, 120, unit="degrees"),
        Parameter("axis", 40.0, "from the chuck's face towards the work to the axis", 20, 200),
        Parameter("disc", 48.0, "diameter of the graduated disc", 30, 150),
        *HEAD,
        *SHANK,
    ),
    build=build,
    origin="middle of the shank's underside, at the chuck's face towards the work",
    drawn=drawn,
    does=Does.BEARS | Does.CARRIES,
    fastened=Fastened.IN_A_SHANK,
    # its scale reads to three minutes of arc: common practice, no source
    adjusted=(Adjustment("angle", "z", "graduated disc", division=0.05),),
)
