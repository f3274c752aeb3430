"""Dimensions of an angle plate go in; the plate with slots and webs comes out.

Frame H: it stands on Z = 0; the upright's face is Y = 0 and faces positive Y, where the part is; the foot
lies at negative Y; X = 0 is the middle.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from fixtures_lib.holder import Conflict, Does, Drawn, Fastened, Holder, Kind, Length, Parameter, Seat
from fixtures_lib.solids import at, box, cut, join, prism, shell, slot


def build(p: Mapping[str, Any]) -> Holder:
    """The plate. Raises ``Conflict`` where webs or slots have no room."""
    half, depth, height, thick = p["width"] / 2, p["depth"], p["height"], p["thickness"]
    if thick > min(depth, height) - 5:
        raise Conflict("thickness", f"{thick:g} leaves no angle", f"want at most {min(depth, height) - 5:g}")
    parts = [box((-half, -depth, 0), (half, 0, thick)), box((-half, -thick, 0), (half, 0, height))]
    web = p["web"]
    if web > 0:
        if 2 * web > p["width"] - 2:
            raise Conflict("web", f"two webs of {web:g} fill the plate", f"want at most {half - 1:g}")
        outline = [(-depth + 4, thick - 1), (-thick + 1, thick - 1), (-thick + 1, height - 4)]
        parts += [prism(outline, lo, lo + web, "x") for lo in (-half, half - web)]
    away = []
    wide = p["slot"]
    if wide > 0:
        room = p["width"] - 2 * web - 4
        long = min(height - thick, depth - thick) * 0.6
        if wide > room or wide > long:
            raise Conflict(
                "slot", f"{wide:g} is wider than the plate has room for", f"want at most {min(room, long):g}"
            )
        ends = slot(long, wide)[:, ::-1]  # upright: along Z in (x, z), along Y in (x, y)
        away = [
            prism(ends + np.array([0, (height + thick) / 2]), -thick - 1, 1, "y"),
            prism(ends + np.array([0, -(depth + thick) / 2]), -1, thick + 1),
        ]
    return Holder(
        shells=(shell(cut(join(*parts), *away)),),
        seats={
            "top": Seat(at(0, -thick / 2, height), "upper edge of the upright"),
            "face": Seat(at(0, 0, 0), "the upright's face, where it meets what the plate stands on"),
        },
        params=dict(p),
    )


def drawn(p: Mapping[str, Any]) -> Drawn:
    """Where its dimensions are, and a part against the upright."""
    half, deep, high, thick = p["width"] / 2, p["depth"], p["height"], p["thickness"]
    middle, wide = (high + thick) / 2, p["slot"] / 2
    found = (
        Length("width", "front", "x", (-half, 0, 0), (half, 0, 0)),
        Length("depth", "right", "y", (0, -deep, 0), (0, 0, 0)),
        Length("height", "right", "z", (0, 0, 0), (0, 0, high), side="left"),
        Length("thickness", "right", "z", (0, -deep, 0), (0, -deep, thick)),
        Length("web", "front", "x", (-half, 0, high - 4), (p["web"] - half, 0, high - 4)),
        Length("slot", "front", "x", (-wide, 0, middle), (wide, 0, middle), side="above"),
    )
    return Drawn(found, (shell(box((-half * 0.7, 0, 0), (half * 0.7, deep * 0.35, high * 0.8))),))


KIND = Kind(
    name="angle_plate",
    summary="angle plate with slots and two webs; the part is held against its upright",
    parameters=(
        Parameter("width", 80.0, "along X", 15, 400),
        Parameter("depth", 70.0, "of the foot, from the face to its other end", 15, 400),
        Parameter("height", 90.0, "of the upright", 15, 400),
        Parameter("thickness", 12.0, "of foot and upright", 3, 80),
        Parameter("web", 8.0, "thickness of each web; 0: none", 0, 60),
        Parameter("slot", 10.0, "width of the slots in foot and upright; 0: none", 0, 60),
    ),
    build=build,
    origin="middle of the upright's face, where it meets what the plate stands on",
    drawn=drawn,
    does=Does.BEARS | Does.CARRIES,
    fastened=Fastened.STANDS,
)
