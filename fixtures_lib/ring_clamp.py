"""Dimensions of a ring clamp go in; the ring on its arm comes out, slit and screwed, or with pads and straps.

Frame H: Z = 0 is the rest plane of the part in the ring; Y = 0 is the face by which the arm is
mounted; the ring's axis is vertical, at Y = ``reach``.

A ring grips a round machined part; for raw round parts a wider ring carries rest pads under the part and
straps over it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from clearance.geometry.transforms import pose
from fixtures_lib.holder import (
    SEATED,
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
from fixtures_lib.iso4762 import SCREWS, head, screw
from fixtures_lib.solids import FACET, at, bar, box, cut, hole, join, placed, shell

SIZES = {"small": (8.0, 60.0, 30.0), "large": (60.0, 200.0, 90.0)}  # least, greatest, usual diameter
SLIT = 3.0
LUG = 12.0  # of each lug along the screw
FLANGE = 12.0
SCREW = "M6"
ROOM = 8.0  # between a raw part and the ring
UNDER = 5.0  # how far pads and straps reach under and over the part
PAD = 6.0  # thickness of a pad


def build(p: Mapping[str, Any]) -> Holder:
    """The ring on its arm. Raises ``Conflict`` where the part does not go with the ring's size."""
    least, greatest, usual = SIZES[p["size"]]
    diameter = usual if p["diameter"] is None else p["diameter"]
    if not least <= diameter <= greatest:
        other = "large" if p["size"] == "small" else "small"
        raise Conflict(
            "diameter",
            f"{diameter:g} is not for the {p['size']} ring",
            f"want {least:g} to {greatest:g}, or size = {other!r}",
        )
    raw = p["grip"] == "pads"
    bore = diameter + 2 * ROOM if raw else diameter
    outer = bore / 2 + p["wall"]
    low, high = -p["below"], p["height"] - p["below"]
    if high <= low + 4 or (not raw and high < 2):
        raise Conflict(
            "below", f"{p['below']:g} leaves no ring around the part", f"want under {p['height'] - 2:g}"
        )
    if raw:
        low = min(low, -PAD)  # the pads need metal to stand out from
    reach = max(70.0, math.ceil(outer + FLANGE + 5)) if p["reach"] is None else p["reach"]
    if reach < outer + FLANGE:
        raise Conflict(
            "reach", f"{reach:g} puts the ring into its flange", f"want {outer + FLANGE:.4g} or more"
        )
    half, y = p["arm_width"] / 2, reach
    # the bore's facets stand clear of the round part, which touches them
    opening = hole(bore + 2 * FACET, low - 1, high + 1, (0, y))
    arm = box((-half, 0, low), (half, y, high))
    flange = box((-half - 12, 0, low), (half + 12, FLANGE, max(high, low + 20)))
    body = [bar(2 * outer, low, high, (0, y)), arm, flange]
    shells: list[Array] = []
    if raw:
        body_cut = cut(join(*body), opening)
        pads, shells = _pads_and_straps(p, diameter, bore, y, high)
        shells = [shell(join(body_cut, *pads)), *shells]
    else:
        shells = _slit_ring(p, body, opening, outer, y, low, high)
    return Holder(
        shells=tuple(shells),
        seats={"top": Seat(at(0, y, 0), "the ring's axis, in the rest plane")},
        limits=(
            Limit("mass", None, 15.0, "common practice, no source"),
            Limit("diameter", 0.95 * diameter, None, "the parameters"),
        ),
        params={**p, "diameter": diameter, "reach": reach},
    )


def _slit_ring(
    p: Mapping[str, Any], body: list[Any], opening: Any, outer: float, y: float, low: float, high: float
) -> list[Array]:
    """The ring with slit, lugs at its far end and the screw across them."""
    size = SCREWS[SCREW]
    end = y + outer + size.dk_knurled + 2
    body = [*body, box((-SLIT / 2 - LUG, y + outer - p["wall"] / 2, low), (SLIT / 2 + LUG, end, high))]
    across = np.array([[0, 0, 1, 0], [1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 0, 1]], dtype=float)  # Z becomes X
    spot = at(SLIT / 2 + LUG, end - size.dk_knurled / 2 - 1, (low + high) / 2)
    slit = box((-SLIT / 2, y, low - 1), (SLIT / 2, end + 1, high + 1))
    shank = placed(bar(size.d, -2 * LUG - SLIT, 0), spot @ across)
    return [
        shell(cut(join(*body), opening, slit, shank)),
        shell(placed(head(SCREW, 0), spot @ across)),
        shell(shank),
    ]


def _pads_and_straps(
    p: Mapping[str, Any], diameter: float, bore: float, y: float, high: float
) -> tuple[list[Any], list[Array]]:
    """Three pads under the part, and over them three straps on their packings, with screws."""
    part = p["part_height"]
    if part < high:
        raise Conflict(
            "part_height",
            f"{part:g} is lower than the ring's upper face ({high:g})",
            f"want {high:g} or more",
        )
    wide, size = SCREWS[SCREW].washer / 2 + 1, SCREWS[SCREW]
    if p["wall"] < size.washer:
        raise Conflict(
            "wall", f"{p['wall']:g} has no room for the straps' screws", f"want {size.washer:g} or more"
        )
    inner, middle, outer = diameter / 2 - UNDER, bore / 2 + p["wall"] / 2, bore / 2 + p["wall"]
    if inner < 2:
        raise Conflict("grip", f"pads do not fit under a part of {diameter:g}", "want 'ring'")
    if inner * math.sin(math.radians(60)) < wide + 0.5:
        wide = inner * math.sin(math.radians(60)) - 0.5
    pads, shells = [], []
    for turn in (30.0, 150.0, 270.0):
        T = at(0, y, 0) @ pose(turn=(0, 0, turn))
        pads.append(placed(box((inner, -wide, -PAD), (bore / 2 + 2, wide, 0)), T))
        strap = [box((inner, -wide, part), (outer, wide, part + 8))]
        if part > high:
            strap.append(box((bore / 2 + 1, -wide, high), (outer, wide, part + 1)))
        shells.append(shell(placed(join(*strap), T)))
        shells.append(shell(placed(screw(SCREW, part + 8, high - 8, (middle, 0)), T)))
    return pads, shells


def fit(p: Mapping[str, Any], triangles: Array) -> dict[str, Any]:
    """Diameter and ring size from the part where the ring is around it; its height where straps hold it."""
    raw = p["grip"] == "pads"
    held = triangles if raw else between(triangles, 2, -p["below"], p["height"] - p["below"])
    low, high = box_of(held, "the ring", "where the ring is")
    off = (low + high) / 2
    if max(abs(off[:2])) > SEATED:
        raise Conflict(
            "at",
            f"the part's middle is [{off[0]:.3f}, {off[1]:.3f}] off the ring's axis",
            f"move it by [{-off[0]:.3f}, {-off[1]:.3f}, 0] on the seat",
        )
    diameter = length(2 * np.hypot(held[..., 0], held[..., 1]).max())
    size = "small" if diameter <= SIZES["small"][1] else "large"
    return {"diameter": diameter, "size": size} | ({"part_height": length(high[2])} if raw else {})


def drawn(p: Mapping[str, Any]) -> Drawn:
    """Where its dimensions are, and the part in the ring."""
    radius, y, half, raw = p["diameter"] / 2, p["reach"], p["arm_width"] / 2, p["grip"] == "pads"
    low, high = -p["below"], p["height"] - p["below"]
    if raw:
        low = min(low, -PAD)
    inner = radius + (ROOM if raw else FACET)
    outer = inner - (0 if raw else FACET) + p["wall"]
    found = [
        Length("diameter", "above", "x", (-radius, y, 0), (radius, y, 0), across=True, side="above"),
        Length("wall", "above", "x", (outer - p["wall"], y, 0), (outer, y, 0), side="above"),
        Length("reach", "above", "y", (0, 0, 0), (0, y, 0), side="left"),
        Length("arm_width", "above", "x", (-half, 20, 0), (half, 20, 0), side="below"),
    ]
    if low == -p["below"]:
        found.append(Length("height", "right", "z", (0, y + outer, low), (0, y + outer, high)))
        found.append(Length("below", "front", "z", (outer, y, -p["below"]), (outer, y, 0), side="right"))
    if raw:
        found.append(Length("part_height", "right", "z", (0, y, 0), (0, y, p["part_height"])))
    return Drawn(
        tuple(found), (shell(bar(p["diameter"], 0, p["part_height"] if raw else high + 12, (0, y))),)
    )


KIND = Kind(
    name="ring_clamp",
    summary="ring on an arm for round parts that stand upright: slit and screwed, or with pads and straps",
    parameters=(
        Parameter("size", "small", "small: 8 to 60 mm; large: 60 to 200 mm", unit="", choices=tuple(SIZES)),
        Parameter(
            "diameter", None, "of the part; left out: 30 in the small ring, 90 in the large one", 8, 200
        ),
        Parameter(
            "grip",
            "ring",
            "ring: slit, screwed on a machined part; pads: three pads and straps for a raw one",
            unit="",
            choices=("ring", "pads"),
        ),
        Parameter("wall", 12.0, "thickness of the ring, radially", 6, 60),
        Parameter("height", 16.0, "of the ring", 8, 100),
        Parameter("below", 0.0, "how far the ring hangs below the rest plane", 0, 60),
        Parameter("part_height", 30.0, "of a raw part, under the straps", 2, 250),
        Parameter(
            "reach",
            None,
            "from the mounting face to the ring's axis; left out: 70, or more where the ring needs it",
            22,
            350,
        ),
        Parameter("arm_width", 24.0, "of the arm", 10, 120),
    ),
    build=build,
    origin="middle of the arm at its mounting face, in the part's rest plane",
    drawn=drawn,
    does=Does.BEARS | Does.GRIPS | Does.PRESSES,
    fastened=Fastened.BOLTED,
    fit=fit,
    fits=("diameter", "size", "part_height"),
)
