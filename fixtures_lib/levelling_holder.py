"""Dimensions of a levelling holder, its turn and tilts go in; the holder comes out with its head tilted.

Frame H as in ``carriers``. The head moves about one pivot, in the middle of the gap between body and
plate, half the shank's height up; it is turned about the fixed X, then Y, then Z axis, as an item's
``turn`` is. What stands on the head moves with it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from clearance.geometry.transforms import pose
from fixtures_lib.carriers import HEAD, SHANK, head, head_seats, shank
from fixtures_lib.holder import Adjustment, Does, Fastened, Holder, Kind, Limit, Parameter, Seat
from fixtures_lib.iso4762 import head as screw_head
from fixtures_lib.solids import at, bar, box, join, placed, shell

GAP = 5.0  # between body and plate, room to tilt


def build(p: Mapping[str, Any]) -> Holder:
    """The holder."""
    half, body, top = p["width"] / 2, p["body"], p["shank_height"]
    low = -0.6 * p["drop"]
    pivot = (0.0, body + GAP / 2, top / 2)
    ball = min(top, p["width"]) * 0.7
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
    ),
    build=build,
    does=Does.BEARS | Does.CARRIES,
    fastened=Fastened.IN_A_SHANK,
    # fine screws with a hundred divisions a turn, and their levers: common practice, no source
    adjusted=(
        Adjustment("tilt_x", "x", "lower screw", lever=40.0, pitch=0.5, division=0.005),
        Adjustment("tilt_y", "y", "right screw", lever=20.0, pitch=0.5, division=0.005, turned_in=-1),
        Adjustment("angle", "z", "side screw", lever=20.0, pitch=0.5, division=0.005),
    ),
    cautions=("The pivot is taken half the shank's height up, in the gap; measure what tilts far from it.",),
)
