"""Dimensions of a side-jaw vise go in; the vise comes out, its body hanging below the rest plane.

Frame H: Z = 0 is the rest plane (the steps under the part); Y = 0 is the rear face, by which the vise is
mounted, and Y runs forward to the part; X = 0 is the middle of the rear face. The fixed jaw stands at
negative X, the moving one at ``opening`` from it. Between the jaws everything is open, so that both heads
can work there.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fixtures_lib.holder import Conflict, Holder, Kind, Limit, Parameter, Seat
from fixtures_lib.solids import at, bar, box, cut, hexagon, hole, join, prism, shell

STEP = 6.0  # height of the steps under the part
PLAY = 0.5  # of the moving jaw on its beam and spindle


def build(p: Mapping[str, Any]) -> Holder:
    """The vise. Raises ``Conflict`` where the jaw does not open that far or parts are too thin."""
    opening, capacity = p["opening"], p["capacity"]
    below, above, thick = p["below"], p["jaw_above"], p["jaw_thickness"]
    beam, front = p["beam"], p["beam"] + p["throat"]
    end = front + p["jaw_length"]
    if opening > capacity:
        raise Conflict("opening", f"{opening:g} is more than the vise opens", f"want at most {capacity:g}")
    if 2 * p["step"] >= opening:
        raise Conflict(
            "step",
            f"two steps of {p['step']:g} close the opening of {opening:g}",
            f"want under {opening / 2:g}",
        )

    fixed = -capacity / 2  # the fixed jaw's face
    moving = fixed + opening
    left, right = fixed - thick, fixed + capacity + thick
    deck = -0.55 * below  # the beam's upper face; the spindle runs over it, under the rest plane
    spindle, at_spindle = min(12.0, -0.6 * deck), (beam / 2, deck / 2)

    def jaw(face: float, outward: int) -> Any:
        near, far = sorted((face, face + outward * thick))
        under, over = sorted((face - outward * p["step"], face + outward * thick))
        arm = box((near, 0, -below), (far, end, -1))
        grip = box((near, front, -STEP), (far, end, above))
        return join(arm, grip, box((under, front, -STEP), (over, end, 0)))

    body = [box((left, 0, -below), (right, beam, deck)), jaw(fixed, -1)]
    body.append(bar(spindle, left - 4, right, at_spindle, "x"))
    body.append(prism(hexagon(spindle * 0.85, at_spindle), left - 16, left, "x"))
    if right - thick / 2 > moving + thick + 1:
        body.append(box((right - thick / 2, 0, -below), (right, beam, -1)))
    carriage = cut(
        jaw(moving, 1),
        box((left, -1, -below - 1), (right, beam + PLAY, deck)),
        hole(spindle + PLAY, left - 1, right + 1, at_spindle, "x"),
    )
    return Holder(
        shells=(shell(join(*body)), shell(carriage)),
        seats={
            "top": Seat(
                at(fixed, front, 0), "the steps at the fixed jaw, its rear corner: X to the other jaw"
            ),
            "middle": Seat(at((fixed + moving) / 2, (front + end) / 2, 0), "halfway between the jaws"),
        },
        limits=(
            Limit("x", opening - 0.5, None, "the parameters"),
            Limit("x", None, 150.0, "common practice, no source"),
            Limit("y", None, 145.0, "common practice, no source"),
        ),
        params=dict(p),
    )


KIND = Kind(
    name="side_jaw_vise",
    summary="vise that grips two machined sides of parts up to 150 x 145 mm and pulls them down on its steps",
    parameters=(
        Parameter("opening", 60.0, "between the jaws: the part's width", 3, 150),
        Parameter("capacity", 150.0, "how far it opens at most", 20, 150),
        Parameter("jaw_length", 60.0, "of the jaws' faces, forward", 15, 145),
        Parameter("jaw_above", 12.0, "of the jaws over the rest plane; keep it under the part's top", 2, 100),
        Parameter("jaw_thickness", 22.0, "of each jaw, behind its face", 6, 60),
        Parameter("step", 3.0, "how far the steps reach under the part; 0: none", 0, 12),
        Parameter("below", 32.0, "from the rest plane down to the vise's underside", 12, 120),
        Parameter("beam", 26.0, "depth of the beam at the rear, forward from the mounting face", 12, 80),
        Parameter("throat", 30.0, "open room between the beam and the jaws, for heads and wire", 0, 120),
    ),
    build=build,
    cautions=("The jaws pull the part down on the steps; check that it rests before the heads come near.",),
)
