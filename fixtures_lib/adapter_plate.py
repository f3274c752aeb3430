"""Dimensions and hole pattern of an adapter plate go in; the plate with bore, holes and screw comes out.

Frame H: it stands on Z = 0, centred on its bore, which takes an electrode holder's shank from above.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from fixtures_lib.holder import Conflict, Does, Drawn, Fastened, Holder, Kind, Length, Mark, Parameter, Seat
from fixtures_lib.iso4762 import head
from fixtures_lib.solids import at, bar, box, cut, hole, placed, shell

SCREW = "M6"


def build(p: Mapping[str, Any]) -> Holder:
    """The plate. Raises ``Conflict`` where holes leave no metal between them or at the edge."""
    x, y, height = p["length"] / 2, p["width"] / 2, p["thickness"]
    bore, size = p["bore"], p["hole"]
    if bore > 2 * min(x, y) - 8:
        raise Conflict("bore", f"{bore:g} leaves no metal", f"want at most {2 * min(x, y) - 8:g}")
    away = [hole(bore, -1, height + 1)] if bore > 0 else []
    columns, rows = _steps("columns", p["columns"], p["pitch_x"]), _steps("rows", p["rows"], p["pitch_y"])
    pitches = [p["pitch_x"]] * (len(columns) > 1) + [p["pitch_y"]] * (len(rows) > 1)
    if columns and rows and size > 0:
        if max(columns) + size / 2 > x - 1 or max(rows) + size / 2 > y - 1:
            raise Conflict(
                "hole", "the pattern reaches over the plate's edge", "want fewer, closer or smaller"
            )
        if min(pitches, default=size + 2) < size + 1:
            raise Conflict(
                "hole", f"holes of {size:g} run into each other", f"want at most {min(pitches) - 1:g}"
            )
        for px in columns:
            for py in rows:
                off = float(np.hypot(px, py))
                if off > (bore + size) / 2 + 1 or (bore == 0 and off >= 0):
                    away.append(hole(size, -1, height + 1, (px, py), error=0.05))
    shells = [shell(cut(box((-x, -y, 0), (x, y, height)), *away))]
    if p["screw"] == "yes":
        lying = np.array([[1, 0, 0, 0], [0, 0, -1, -y], [0, 1, 0, height / 2], [0, 0, 0, 1]], dtype=float)
        shells.append(shell(placed(head(SCREW, 0), lying)))
    return Holder(
        shells=tuple(shells),
        seats={
            "top": Seat(at(0, 0, height), "upper face, over the bore: here a shank goes in"),
            "edge": Seat(at(0, y, height), "upper face, middle of the rear edge"),
        },
        params=dict(p),
    )


def _steps(name: str, count: float, pitch: float) -> list[float]:
    """Middles of ``count`` holes along one axis, about 0. Raises ``Conflict`` for no whole number."""
    n = round(count)
    if n != count:
        raise Conflict(name, f"{count:g} is no whole number", f"want {n}")
    return [(i - (n - 1) / 2) * pitch for i in range(n)]


def drawn(p: Mapping[str, Any]) -> Drawn:
    """Where its dimensions are, and an electrode holder's shank in the bore."""
    x, y, high = p["length"] / 2, p["width"] / 2, p["thickness"]
    columns, rows = _steps("columns", p["columns"], p["pitch_x"]), _steps("rows", p["rows"], p["pitch_y"])
    found = [
        Length("length", "above", "x", (-x, y, 0), (x, y, 0)),
        Length("width", "above", "y", (x, -y, 0), (x, y, 0)),
        Length("thickness", "right", "z", (0, y, 0), (0, y, high)),
        Length("bore", "front", "x", (-p["bore"] / 2, 0, high), (p["bore"] / 2, 0, high), across=True),
    ]
    if columns and rows:
        px, py = columns[0], rows[0]
        r = p["hole"] / 2
        found.append(Length("hole", "above", "x", (px - r, py, 0), (px + r, py, 0), across=True))
        if len(columns) > 1:
            found.append(Length("pitch_x", "above", "x", (px, py, 0), (columns[1], py, 0)))
        if len(rows) > 1:
            found.append(Length("pitch_y", "above", "y", (px, py, 0), (px, rows[1], 0)))
    part = () if p["bore"] <= 0 else (shell(bar(p["bore"], 0, high + 25)),)
    return Drawn(
        tuple(found),
        part,
        (Mark("screw", "front", (0, -y, high / 2), (60, 30)),) if p["screw"] == "yes" else (),
    )


KIND = Kind(
    name="adapter_plate",
    summary="plate that takes an electrode holder's shank in its bore, with a pattern of screw holes",
    parameters=(
        Parameter("length", 90.0, "along X", 20, 400),
        Parameter("width", 70.0, "along Y", 20, 400),
        Parameter("thickness", 16.0, "of the plate", 8, 80),
        Parameter("bore", 20.0, "diameter of the bore for the shank; 0: none", 0, 100),
        Parameter("columns", 2.0, "how many holes along X", 0, 8, unit=""),
        Parameter("rows", 2.0, "how many holes along Y", 0, 8, unit=""),
        Parameter("pitch_x", 60.0, "from hole to hole along X", 4, 300),
        Parameter("pitch_y", 40.0, "from hole to hole along Y", 4, 300),
        Parameter("hole", 9.0, "diameter of the holes; 0: none", 0, 30),
        Parameter(
            "screw", "yes", "M6 screw in the front edge that grips the shank", unit="", choices=("yes", "no")
        ),
    ),
    build=build,
    origin="middle of the bore, at the plate's underside",
    drawn=drawn,
    does=Does.BEARS | Does.GRIPS | Does.CARRIES,
    fastened=Fastened.STANDS,
)
