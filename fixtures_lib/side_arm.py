"""Dimensions of a side arm go in; the arm with its pair of jaws at the end comes out.

Frame H: Z = 0 is the rest plane; Y = 0 is the face by which the arm is mounted, Y runs to the part; X = 0
is the arm's middle. The jaws are those of ``shared``, at the arm's end.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fixtures_lib import shared
from fixtures_lib.holder import Conflict, Does, Drawn, Fastened, Holder, Kind, Length, Limit, Parameter, Seat
from fixtures_lib.iso4762 import head
from fixtures_lib.solids import at, box, join, placed, shell

FLANGE = 12.0  # thickness of the mounting flange
SCREW = "M6"


def build(p: Mapping[str, Any]) -> Holder:
    """The arm. Raises ``Conflict`` where arm or jaws have no room."""
    if p["arm_width"] > p["capacity"] + 2 * p["jaw_thickness"]:
        raise Conflict(
            "arm_width",
            f"{p['arm_width']:g} is wider than the jaws' beam",
            f"want at most {p['capacity'] + 2 * p['jaw_thickness']:g}",
        )
    beam, half, below = p["reach"], p["arm_width"] / 2, p["below"]
    fixed, moving = shared.jaw_bodies(p, beam)
    face, _, near, _ = shared.jaw_places(p, beam)
    wide = half + 12
    arm = box((-half, 0, -below), (half, beam + 1, -0.55 * below))
    flange = box((-wide, 0, -below), (wide, FLANGE, p["flange"]))
    forward = at(0, FLANGE, 0)
    forward[:3, :3] = [[1, 0, 0], [0, 0, 1], [0, -1, 0]]  # the head's Z becomes Y
    z = (p["flange"] - 0.55 * below) / 2
    heads = [placed(head(SCREW, 0), at(x, 0, z) @ forward) for x in (-wide + 8, wide - 8)]
    return Holder(
        shells=(shell(join(fixed, arm, flange)), shell(moving), *map(shell, heads)),
        seats={
            "top": Seat(
                at(face, near, 0), "on the steps, the fixed jaw's corner nearest the beam: X to the other jaw"
            )
        },
        limits=(
            Limit("x", p["opening"] - shared.GRIPPED, None, "the parameters"),
            Limit("x", None, p["capacity"], "the parameters"),
        ),
        params=dict(p),
    )


def drawn(p: Mapping[str, Any]) -> Drawn:
    """Where its dimensions are, and a part between the jaws."""
    found, part = shared.jaws_drawn(p, p["reach"])
    half = p["arm_width"] / 2
    found += [
        Length("reach", "above", "y", (0, 0, 0), (0, p["reach"], 0), side="left"),
        Length("arm_width", "above", "x", (-half, 30, 0), (half, 30, 0), side="below"),
        Length("flange", "right", "z", (0, 0, 0), (0, 0, p["flange"]), side="left"),
    ]
    return Drawn(tuple(found), tuple(part))


KIND = Kind(
    name="side_arm",
    summary="arm with a pair of jaws at its end, which grip a part by two opposite sides",
    parameters=(
        Parameter("reach", 70.0, "from the mounting face to the jaws' beam", 14, 300),
        Parameter("arm_width", 30.0, "of the arm", 10, 100),
        Parameter("flange", 20.0, "height of the mounting flange over the rest plane", 5, 100),
        Parameter("opening", 30.0, "between the jaws: the part's width", 3, 120),
        Parameter("capacity", 50.0, "how far it opens at most", 10, 120),
        Parameter("jaw_length", 25.0, "of the jaws' faces, along Y", 8, 120),
        Parameter("jaw_above", 8.0, "of the jaws over the rest plane; keep it under the part's top", 2, 80),
        Parameter("jaw_thickness", 12.0, "of each jaw, behind its face", 5, 50),
        Parameter("step", 2.0, "how far the steps reach under the part; 0: none", 0, 10),
        Parameter("below", 22.0, "from the rest plane down to the arm's underside", 12, 100),
        Parameter("beam", 18.0, "depth of the jaws' beam", 10, 60),
        Parameter("throat", 6.0, "open room between the beam and the jaws", 0, 80),
    ),
    build=build,
    origin="middle of the arm at its mounting face, in the rest plane",
    drawn=drawn,
    does=Does.BEARS | Does.GRIPS,
    fastened=Fastened.BOLTED,
    fit=shared.fit_opening,
    fits=("opening",),
)
