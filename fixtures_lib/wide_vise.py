"""Dimensions of a wide vise for raw parts go in; the vise with its hold-down straps comes out.

Frame H as of jaws in ``shared``: Z = 0 is the rest plane, Y = 0 the face by which the vise is mounted. A
strap stands on each jaw, halfway along it: over the part where the part is as high as the jaws or higher;
where it is thinner, reversed, toe down, on two studs.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fixtures_lib import shared
from fixtures_lib.holder import (
    Array,
    Conflict,
    Does,
    Drawn,
    Fastened,
    Holder,
    Kind,
    Length,
    Limit,
    Parameter,
    Seat,
    between,
    box_of,
    length,
)
from fixtures_lib.iso4762 import SCREWS, nut, screw
from fixtures_lib.solids import at, bar, box, join, shell

SCREW = "M8"
TOE_GAP = 0.5  # between a reversed strap's toe and its jaw's face


def build(p: Mapping[str, Any]) -> Holder:
    """The vise. Raises ``Conflict`` where jaws or straps do not go with the part's height."""
    fixed, moving = shared.jaw_bodies(p)
    left, right, near, end = shared.jaw_places(p)
    shells = [shell(fixed), shell(moving)]
    if p["straps"] != "none":
        _check_straps(p)
        for face, outward in ((left, -1), (right, 1)):
            shells += _strap(p, face, outward, (near + end) / 2)
    return Holder(
        shells=tuple(shells),
        seats={
            "top": Seat(
                at(left, near, 0), "on the ledge, the fixed jaw's corner nearest the beam: X to the other jaw"
            )
        },
        limits=(
            Limit("mass", None, 12.0, "common practice, no source"),
            Limit("x", p["opening"] - shared.GRIPPED, None, "the parameters"),
        ),
        params=dict(p),
    )


def _check_straps(p: Mapping[str, Any]) -> None:
    part, jaw, wide = p["part_height"], p["jaw_above"], p["strap_width"]
    if p["straps"] == "over" and part < jaw:
        raise Conflict(
            "straps",
            f"the part ({part:g}) is thinner than the jaws ({jaw:g}), so straps over it find nothing",
            "want 'reversed'",
        )
    if p["straps"] == "reversed" and part > jaw:
        raise Conflict("straps", f"the part ({part:g}) is higher than the jaws ({jaw:g})", "want 'over'")
    if wide > p["jaw_length"]:
        raise Conflict(
            "strap_width", f"{wide:g} is wider than the jaws are long", f"want at most {p['jaw_length']:g}"
        )
    least = 2 * SCREWS[SCREW].washer if p["straps"] == "reversed" else SCREWS[SCREW].washer
    if wide < least:
        raise Conflict("strap_width", f"{wide:g} has no room for its screws", f"want {least:g} or more")
    if p["strap_reach"] * 2 >= p["opening"]:
        raise Conflict(
            "strap_reach",
            f"the straps meet over an opening of {p['opening']:g}",
            f"want under {p['opening'] / 2:g}",
        )


def _strap(p: Mapping[str, Any], face: float, outward: int, y: float) -> list[Array]:
    """One jaw's strap, its screw or studs; ``outward`` is the direction along X away from the part."""
    jaw, part, half = p["jaw_above"], p["part_height"], p["strap_width"] / 2
    over = p["straps"] == "over"
    low = part if over else jaw
    high = low + p["strap_thickness"]
    far, tip = face + outward * p["jaw_thickness"], face - outward * p["strap_reach"]
    middle = face + outward * p["jaw_thickness"] / 2

    def block(x0: float, x1: float, z0: float, z1: float) -> Any:
        return box((min(x0, x1), y - half, z0), (max(x0, x1), y + half, z1))

    strap = [block(far, tip, low, high)]
    if over:
        if part > jaw:
            strap.append(block(far, face, jaw, low + 1))
        return [shell(join(*strap)), shell(screw(SCREW, high, jaw - 10, (middle, y)))]
    if part < jaw:
        strap.append(block(face - outward * TOE_GAP, tip, part, low + 1))
    shells = [shell(join(*strap))]
    size = SCREWS[SCREW]
    for side in (-half / 2, half / 2):
        spot = (middle, y + side)
        stud = bar(size.d, jaw - 10, high + size.nut_height + 3, spot)
        shells += [shell(stud), shell(nut(SCREW, high, spot))]
    return shells


def fit(p: Mapping[str, Any], triangles: Array) -> dict[str, Any]:
    """Opening, the part's height under the straps, and which way round the straps go."""
    opening = shared.fit_opening(p, triangles)["opening"]
    middle, half = p["jaw_length"] / 2, p["strap_width"] / 2
    under = between(triangles, 1, middle - half, middle + half)
    reach = p["strap_reach"]
    ends = [between(under, 0, 0.0, reach), between(under, 0, opening - reach, opening)]
    tops = [length(box_of(each, "a strap", "under it")[1][2]) for each in ends]
    if abs(tops[0] - tops[1]) > 0.05:
        raise Conflict(
            "part_height",
            f"the part is {tops[0]:.3f} high under one strap and {tops[1]:.3f} under the other",
            "lay separate straps",
        )
    height = max(tops)
    chosen = "none" if p["straps"] == "none" else "over" if height >= p["jaw_above"] else "reversed"
    return {"opening": opening, "part_height": height, "straps": chosen}


def drawn(p: Mapping[str, Any]) -> Drawn:
    """Where its dimensions are, and a part between the jaws, under the straps."""
    found, _ = shared.jaws_drawn(p)
    left, right, near, end = shared.jaw_places(p)
    high, half, middle = p["part_height"], p["strap_width"] / 2, (near + end) / 2
    if p["straps"] != "none":
        low = high if p["straps"] == "over" else p["jaw_above"]
        found += [
            Length(
                "strap_reach", "front", "x", (left, 0, high), (left + p["strap_reach"], 0, high), side="above"
            ),
            Length(
                "strap_width",
                "above",
                "y",
                (right, middle - half, 0),
                (right, middle + half, 0),
                side="right",
            ),
            Length(
                "strap_thickness",
                "front",
                "z",
                (left, 0, low),
                (left, 0, low + p["strap_thickness"]),
                side="left",
            ),
            Length("part_height", "front", "z", (right, 0, 0), (right, 0, high), side="right"),
        ]
    return Drawn(tuple(found), (shell(box((left, near, 0), (right, end, high))),))


KIND = Kind(
    name="wide_vise",
    summary="wide vise for raw parts, with a ledge under the part and a hold-down strap on each jaw",
    parameters=(
        Parameter("opening", 120.0, "between the jaws: the part's width", 5, 320),
        Parameter("capacity", 200.0, "how far it opens at most", 30, 320),
        Parameter("jaw_length", 60.0, "of the jaws' faces, along Y", 20, 250),
        Parameter("jaw_above", 20.0, "of the jaws over the rest plane", 2, 120),
        Parameter("jaw_thickness", 28.0, "of each jaw, behind its face", 18, 80),
        Parameter("step", 8.0, "how far the ledge on each jaw reaches under the part; 0: none", 0, 30),
        Parameter("below", 36.0, "from the rest plane down to the vise's underside", 12, 150),
        Parameter("beam", 30.0, "depth of the beam, from the mounting face to its other side", 12, 100),
        Parameter("throat", 30.0, "open room between the beam and the jaws, for heads and wire", 0, 150),
        Parameter(
            "straps",
            "over",
            "over: on parts as high as the jaws or higher; reversed: toe down on two studs, on thinner ones",
            unit="",
            choices=("over", "reversed", "none"),
        ),
        Parameter("part_height", 25.0, "of the part under the straps", 1, 200),
        Parameter("strap_reach", 8.0, "how far a strap reaches over the part", 1, 60),
        Parameter("strap_width", 36.0, "of a strap, along the jaw", 16, 120),
        Parameter("strap_thickness", 8.0, "of a strap", 3, 40),
    ),
    build=build,
    origin="middle of the mounting face, in the rest plane",
    drawn=drawn,
    does=Does.BEARS | Does.GRIPS | Does.PRESSES,
    fastened=Fastened.BOLTED,
    fit=fit,
    fits=("opening", "part_height", "straps"),
    cautions=("The screws and studs stand over the part's top: look at the upper head there.",),
)
