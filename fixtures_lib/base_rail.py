"""Dimensions of a machine base rail go in; the rail, screwed on the table, comes out.

Frame H: it stands on Z = 0; X runs along it from its left end; Y = 0 is its reference side, which faces
the work, and the rail lies at negative Y.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fixtures_lib.holder import Conflict, Does, Drawn, Fastened, Holder, Kind, Length, Mark, Parameter, Seat
from fixtures_lib.iso4762 import SCREWS, head
from fixtures_lib.solids import at, box, cut, hole, shell

SCREW = "M10"
COARSE = 0.1  # facets of what is let in and nothing comes near
MOUTH = 1.0  # wider than the head, a counterbore


def build(p: Mapping[str, Any]) -> Holder:
    """The rail. Raises ``Conflict`` where screws or groove have no room."""
    length, width, height = p["length"], p["width"], p["height"]
    size = SCREWS[SCREW]
    bore, deep = size.dk_knurled + MOUTH, size.k + 1
    pitch = p["screw_pitch"]
    closest = max(30.0, length / 12)
    if 0 < pitch < closest:
        raise Conflict(
            "screw_pitch",
            f"{pitch:g} sets the screws too close",
            f"want 0 for none, or {closest:.4g} and more",
        )
    if pitch and (height < deep + 4 or width < bore + 6):
        raise Conflict(
            "screw_pitch",
            f"{SCREW} screws need a rail {bore + 6:g} wide and {deep + 4:g} high",
            "want 0 for no screws, or a larger rail",
        )
    body = box((0, -width, 0), (length, 0, height))
    relief = box((-1, -p["relief"], -1), (length + 1, 1, p["relief"]))  # so that chips do not lift it
    away, screws, feet = ([relief] if p["relief"] > 0 else []), [], []
    x = pitch / 2
    while pitch and x < length - bore / 2 - 1:
        middle = (x, -width / 2)
        away.append(hole(bore, height - deep, height + 1, middle, error=COARSE))
        away.append(hole(size.through, -1, height, middle, error=COARSE))
        screws.append(shell(head(SCREW, height - deep, middle, error=COARSE)))
        feet.append((*middle, 0.0))
        x += pitch
    return Holder(
        shells=(shell(cut(body, *away)), *screws),
        seats={
            "top": Seat(
                at(0, 0, height), "upper face at the left end and reference side; chucks slide along X"
            ),
            "side": Seat(at(0, 0, height / 2), "the reference side at the left end"),
        },
        params=dict(p),
        screws=tuple(feet),
    )


def drawn(p: Mapping[str, Any]) -> Drawn:
    """Where its dimensions are, and a chuck on it."""
    length, wide, high, pitch = p["length"], p["width"], p["height"], p["screw_pitch"]
    found = [
        Length("length", "above", "x", (0, 0, 0), (length, 0, 0)),
        Length("width", "right", "y", (0, -wide, 0), (0, 0, 0)),
        Length("height", "right", "z", (0, -wide, 0), (0, -wide, high)),
        Length("relief", "right", "z", (0, 0, 0), (0, 0, p["relief"])),
    ]
    if 0 < pitch < length / 2:
        found.append(
            Length("screw_pitch", "above", "x", (pitch / 2, -wide / 2, 0), (1.5 * pitch, -wide / 2, 0))
        )
    marks = (
        Mark("reference side", "above", (length * 0.8, 0, 0), (14, 18)),
        Mark("reference side", "right", (0, 0, high * 0.8), (40, 30)),
    )
    chuck = shell(box((length / 2 - 30, -wide, high), (length / 2 + 30, 12, high + 40)))
    return Drawn(tuple(found), (chuck,), marks)


KIND = Kind(
    name="base_rail",
    summary="machine base rail, screwed on the table; chucks stand on it, aligned on its reference side",
    parameters=(
        Parameter("length", 300.0, "along the rail", 60, 1000),
        Parameter("width", 40.0, "across the rail", 15, 150),
        Parameter("height", 25.0, "over the table", 10, 120),
        Parameter("screw_pitch", 100.0, "spacing of its screws M10, let into the rail; 0: none", 0, 400),
        Parameter("relief", 2.0, "of the lower edge on the reference side; 0: none", 0, 5),
    ),
    build=build,
    origin="left end of the reference side, at the rail's underside",
    drawn=drawn,
    does=Does.BEARS | Does.CARRIES,
    fastened=Fastened.BOLTED,
)
