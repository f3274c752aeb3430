"""Dimensions of a V-block and a bar's diameter go in; the block comes out, with seats at the bar's height.

Frame H: the block stands on Z = 0, its V runs along X, its apex lies over Y = 0, X = 0 is halfway along.
The bar's seat is its lowest line, so that a bar whose model stands on Z = 0 lies where it should; its axis
is a seat as well.

A bar of radius r lies with its axis r / sin(a / 2) over the apex of a V of angle a, and touches the V at
r cos(a / 2) to either side (plane geometry).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from fixtures_lib.holder import (
    Angle,
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
)
from fixtures_lib.holder import length as measured
from fixtures_lib.iso4762 import SCREWS, head
from fixtures_lib.solids import at, bar, box, cut, join, prism, rectangle, shell

# smallest and largest bar, floor under the apex, flat beside the V, relief slot at the apex
SIZES = {"small": (10.0, 80.0, 20.0, 9.0, 4.0), "large": (80.0, 180.0, 30.0, 12.0, 8.0)}

BOW = 10.0  # thickness of the bow
PLAY = 0.2  # of its feet in the grooves
SCREW = "M8"
GROOVE = 4.0  # depth of the grooves along both sides

#: facets that make a bar so much thicker where the V meets it are seen, mm
FACETS = 0.1


def build(p: Mapping[str, Any]) -> Holder:
    """The block. Raises ``Conflict`` where the bar is not for this size or the V has no room."""
    smallest, largest, floor, flat, relief = SIZES[p["size"]]
    diameter = p["diameter"]
    if diameter is None:
        diameter = {"small": 40.0, "large": 120.0}[p["size"]]
    if not smallest <= diameter <= largest:
        other = "large" if p["size"] == "small" else "small"
        raise Conflict(
            "diameter",
            f"{diameter:g} is not for the {p['size']} block",
            f"want {smallest:g} to {largest:g}, or size = {other!r}",
        )
    half = math.radians(p["angle"] / 2)
    radius = diameter / 2
    mouth = p["mouth"]
    if mouth is None:
        mouth = largest * math.cos(half) + 3
    depth = mouth / 2 / math.tan(half)
    height = depth + floor if p["height"] is None else p["height"]
    width = mouth + 2 * flat if p["width"] is None else p["width"]
    apex = height - depth
    groove = apex - relief / 2
    if groove < 3:
        raise Conflict(
            "height",
            f"{height:g} leaves no metal under a V {depth:.2f} deep",
            f"want {depth + relief / 2 + 3:.2f} or more",
        )
    if width < mouth + 4:
        raise Conflict("width", f"{width:g} leaves no metal beside the V", f"want {mouth + 4:g} or more")
    if not relief / 2 < radius * math.cos(half) < mouth / 2:
        raise Conflict(
            "mouth",
            f"a bar of {diameter:g} does not touch the flanks of a V {mouth:g} wide",
            f"want over {2 * radius * math.cos(half):.2f}",
        )
    axis = apex + radius / math.sin(half)

    length = p["length"]
    if p["bow"] > length:
        raise Conflict("bow", f"{p['bow']:g} is wider than the block is long", f"want at most {length:g}")
    flank = relief / 2 / math.tan(half)
    outline = [(-width / 2, 0), (width / 2, 0), (width / 2, height), (mouth / 2, height)]
    outline += [(relief / 2, apex + flank), (relief / 2, groove), (-relief / 2, groove)]
    outline += [(-relief / 2, apex + flank), (-mouth / 2, height), (-width / 2, height)]
    body = prism(outline, -length / 2, length / 2, "x")
    low, high = height / 4, height / 4 + min(8.0, height / 5)
    grooves = []  # along both sides, for a bow's feet
    if width / 2 - GROOVE - 2 > max(relief / 2, (high - apex) * math.tan(half)):
        for y in (-width / 2, width / 2):
            groove_outline = rectangle((y - GROOVE, low), (y + GROOVE, high))
            grooves.append(prism(groove_outline, -length, length, "x"))
    shells = [shell(cut(body, *grooves))]
    if p["bow"] > 0:
        top = max(axis + radius, height)
        # the legs stand beside the block, and beside a bar that is wider than it
        legs = max(width / 2, radius)
        shells += _bow(p, width / 2, legs, (low, high) if grooves else None, top, axis + radius)
    lowest = Seat(at(0, 0, axis - radius), "the bar's lowest line, halfway along")
    return Holder(
        shells=tuple(shells),
        seats={
            "bar": lowest,
            "axis": Seat(at(0, 0, axis), "the bar's axis, halfway along"),
            "top": lowest,
            "cheek": Seat(at(0, (mouth + width) / 4, height), "the flat beside the V"),
        },
        limits=(
            Limit("diameter", 0.95 * diameter, None, "the parameters"),
            Limit("diameter", None, largest, "common practice, no source"),
        ),
        params={**p, "diameter": diameter, "mouth": mouth, "height": height, "width": width},
    )


def _bow(
    p: Mapping[str, Any],
    block: float,
    side: float,
    groove: tuple[float, float] | None,
    top: float,
    bar_top: float,
) -> list[Array]:
    """The bow over the bar, its feet in the block's grooves, and the screw that presses on the bar."""
    half, under = p["bow"] / 2, top + 4
    over = under + BOW
    parts = [box((-half, -side - BOW, under), (half, side + BOW, over))]
    for sign in (-1, 1):
        low = groove[0] + PLAY if groove else over - BOW - 12
        parts.append(_across(half, sign * (side + PLAY), sign * (side + BOW), low, over))
        if groove:
            inner = sign * (block - GROOVE + PLAY)
            parts.append(_across(half, inner, sign * (side + BOW), low, groove[1] - PLAY))
    size = SCREWS[SCREW]
    pressing = join(bar(size.d, bar_top, over + 6 + size.d / 4), head(SCREW, over + 6))
    return [shell(join(*parts)), shell(pressing)]


def _across(half: float, y0: float, y1: float, low: float, high: float) -> Any:
    return box((-half, min(y0, y1), low), (half, max(y0, y1), high))


def fit(p: Mapping[str, Any], triangles: Array) -> dict[str, Any]:
    """The bar's diameter where it lies in the block, and the block's size.

    One of few facets is as thick where the V meets it as its corners there say.
    """
    in_it = between(triangles, 0, -p["length"] / 2, p["length"] / 2)
    low, high = box_of(in_it, "the block", "over its V")
    half = math.radians(p["angle"] / 2)
    across = (in_it[..., 1] * sign * math.cos(half) + in_it[..., 2] * math.sin(half) for sign in (-1, 1))
    upright, in_the_v = max(high[1] - low[1], high[2] - low[2]), max(float(np.ptp(one)) for one in across)
    diameter = measured(in_the_v if in_the_v > upright + FACETS else upright)
    return {"diameter": diameter, "size": "small" if diameter <= SIZES["small"][1] else "large"}


def drawn(p: Mapping[str, Any]) -> Drawn:
    """Where its dimensions are, and the bar in it."""
    x, high, mouth, wide = p["length"] / 2, p["height"], p["mouth"] / 2, p["width"] / 2
    apex = high - mouth / math.tan(math.radians(p["angle"] / 2))
    radius, bow = p["diameter"] / 2, p["bow"] / 2
    axis = apex + radius / math.sin(math.radians(p["angle"] / 2))
    found = (
        Length("length", "front", "x", (-x, 0, 0), (x, 0, 0)),
        Length("height", "right", "z", (0, -wide, 0), (0, -wide, high)),
        Length("width", "right", "y", (0, -wide, 0), (0, wide, 0)),
        Length("mouth", "right", "y", (0, -mouth, high), (0, mouth, high), side="above"),
        Length(
            "diameter", "right", "z", (0, 0, axis - radius), (0, 0, axis + radius), across=True, side="right"
        ),
        Length("bow", "front", "x", (-bow, 0, axis + radius), (bow, 0, axis + radius), side="above"),
        Angle(
            "angle",
            "right",
            (0, 0, apex),
            (0, -mouth * 0.5, apex + (high - apex) * 0.5),
            (0, mouth * 0.5, apex + (high - apex) * 0.5),
        ),
    )
    return Drawn(found, (shell(bar(p["diameter"], -x - 20, x + 20, (0, axis), "x")),))


KIND = Kind(
    name="v_block",
    summary="V-block for a round bar that lies along X; small for under 80 mm, large for 80 to 180 mm",
    parameters=(
        Parameter(
            "size", "small", "small: bars under 80 mm; large: 80 to 180 mm", unit="", choices=tuple(SIZES)
        ),
        Parameter(
            "diameter", None, "of the bar; left out: 40 in the small block, 120 in the large one", 10, 180
        ),
        Parameter("angle", 90.0, "of the V", 60, 120, unit="degrees"),
        Parameter("length", 50.0, "of the block, along the bar", 10, 300),
        Parameter(
            "mouth", None, "width of the V at its top; left out: for the largest bar of the size", 12, 220
        ),
        Parameter("bow", 0.0, "width of the bow that holds the bar down, along the bar; 0: none", 0, 100),
        Parameter("height", None, "of the block; left out: as deep as the V needs", 15, 260),
        Parameter("width", None, "of the block; left out: as wide as the V needs", 20, 260),
    ),
    build=build,
    origin="under the V's apex, halfway along the block, on its underside",
    drawn=drawn,
    does=Does.BEARS | Does.PRESSES,
    fastened=Fastened.STANDS,
    fit=fit,
    fits=("diameter", "size"),
    cautions=("Give the bar's measured diameter: the seat's height follows from it.",),
)
