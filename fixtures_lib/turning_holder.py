"""Dimensions of a turning holder and its angle go in; the holder comes out with its head turned about Z.

Frame H as in ``carriers``. The axis is vertical, ``axis`` from the chuck's face. What stands on the head
turns with it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from clearance.geometry.transforms import pose
from fixtures_lib.carriers import HEAD, SHANK, head, head_seats, shank
from fixtures_lib.holder import Adjustment, Conflict, Does, Fastened, Holder, Kind, Parameter, Seat
from fixtures_lib.iso4762 import head as screw_head
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
    does=Does.BEARS | Does.CARRIES,
    fastened=Fastened.IN_A_SHANK,
    # its scale reads to three minutes of arc: common practice, no source
    adjusted=(Adjustment("angle", "z", "graduated disc", division=0.05),),
)
