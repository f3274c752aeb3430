"""What several holders share: a pair of jaws on a beam; a shank with a head, plate and table.

A pair of jaws: dimensions go in, the fixed and the moving body and their fit come out. Frame H: Z = 0 is the
rest plane (the steps under the part), Y runs from the beam's mounting face towards the work, X = 0 is the
middle of the beam. The fixed jaw stands at negative X, the moving one at ``opening`` from it. Below the rest
plane hangs the body; between the jaws everything is open, so that both heads can work there.

A holder that is gripped by a shank: frame H has the shank's underside at Z = 0, the chuck's face towards the
work at Y = 0, X = 0 is the shank's middle; the shank lies at negative Y, in the chuck; everything else is at
positive Y. The rest plane is ``drop`` below the shank's underside.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fixtures_lib.holder import SEATED, Array, Conflict, Length, Parameter, Seat, between, box_of, length
from fixtures_lib.solids import at, bar, box, cut, hexagon, hole, join, prism, shell

STEP = 6.0  # height of the steps under the part
PLAY = 0.5  # of the moving jaw on its beam and spindle
GRIPPED = 0.5  # a part narrower than the opening by more than this is not held


def check(p: Mapping[str, Any]) -> None:
    """Raises ``Conflict`` where the jaws do not open that far or the steps close the opening."""
    opening = p["opening"]
    if opening > p["capacity"]:
        raise Conflict("opening", f"{opening:g} is more than it opens", f"want at most {p['capacity']:g}")
    if 2 * p["step"] >= opening:
        raise Conflict(
            "step",
            f"two steps of {p['step']:g} close the opening of {opening:g}",
            f"want under {opening / 2:g}",
        )


def jaw_places(p: Mapping[str, Any], mount: float = 0.0) -> tuple[float, float, float, float]:
    """The fixed jaw's face and the moving one's, along X; the jaws' near and far end, along Y."""
    fixed = -p["capacity"] / 2
    near = mount + p["beam"] + p["throat"]
    return fixed, fixed + p["opening"], near, near + p["jaw_length"]


def jaw_bodies(p: Mapping[str, Any], mount: float = 0.0) -> tuple[Any, Any]:
    """The fixed body (beam, jaw, spindle) and the moving jaw; the beam is mounted at y = ``mount``."""
    check(p)
    below, above, thick = p["below"], p["jaw_above"], p["jaw_thickness"]
    fixed, moving, begin, end = jaw_places(p, mount)
    beam = mount + p["beam"]
    left, right = fixed - thick, fixed + p["capacity"] + thick
    deck = -0.55 * below  # the beam's upper face; the spindle runs over it, under the rest plane
    spindle, at_spindle = min(12.0, -0.6 * deck, 0.6 * p["beam"]), (mount + p["beam"] / 2, deck / 2)

    def jaw(face: float, outward: int) -> Any:
        near, far = sorted((face, face + outward * thick))
        under, over = sorted((face - outward * p["step"], face + outward * thick))
        arm = box((near, mount, -below), (far, end, -1))
        grip = box((near, begin, -STEP), (far, end, above))
        return join(arm, grip, box((under, begin, -STEP), (over, end, 0)))

    body = [box((left, mount, -below), (right, beam, deck)), jaw(fixed, -1)]
    body.append(bar(spindle, left - 4, right, at_spindle, "x"))
    body.append(prism(hexagon(spindle * 0.85, at_spindle), left - 16, left, "x"))
    if right - thick / 2 > moving + thick + 1:
        body.append(box((right - thick / 2, mount, -below), (right, beam, -1)))
    carriage = cut(
        jaw(moving, 1),
        box((left, mount - 1, -below - 1), (right, beam + PLAY, deck)),
        hole(spindle + PLAY, left - 1, right + 1, at_spindle, "x"),
    )
    return join(*body), carriage


def jaws_drawn(p: Mapping[str, Any], mount: float = 0.0) -> tuple[list[Length], list[Any]]:
    """Where the jaws' dimensions are, and a part between them, with the moving jaw opened at most."""
    fixed, moving, begin, end = jaw_places(p, mount)
    thick, beam, most = p["jaw_thickness"], mount + p["beam"], fixed + p["capacity"]
    found = [
        Length("opening", "above", "x", (fixed, end, 0), (moving, end, 0)),
        Length("capacity", "above", "x", (fixed, end, 0), (most, end, 0)),
        Length("jaw_length", "above", "y", (moving, begin, 0), (moving, end, 0), side="right"),
        Length("jaw_above", "front", "z", (most, begin, 0), (most, begin, p["jaw_above"]), side="right"),
        Length("jaw_thickness", "above", "x", (fixed - thick, end, 0), (fixed, end, 0), side="above"),
        Length("step", "front", "x", (fixed, begin, 0), (fixed + p["step"], begin, 0), side="above"),
        Length(
            "below", "front", "z", (fixed - thick, mount, -p["below"]), (fixed - thick, mount, 0), side="left"
        ),
        Length("beam", "above", "y", (fixed - thick, mount, 0), (fixed - thick, beam, 0), side="left"),
        Length("throat", "above", "y", (fixed - thick, beam, 0), (fixed - thick, begin, 0), side="left"),
    ]
    part = box((fixed, begin, 0), (moving, end, p["jaw_above"] + 5))
    return found, [shell(part)]


def fit_opening(p: Mapping[str, Any], triangles: Array) -> dict[str, Any]:
    """The opening that grips the part: how far it reaches from the fixed jaw, between the jaws' faces.

    ``triangles`` are the part's, in the frame of the seat at the fixed jaw's corner nearest the beam.
    """
    held = between(between(triangles, 2, 0.0, p["jaw_above"]), 1, 0.0, p["jaw_length"])
    low, high = box_of(held, "the jaw", "between the jaws' faces")
    if not -SEATED <= low[0] <= SEATED + flattened(held):
        raise Conflict(
            "at",
            f"the part stands {low[0]:.3f} mm from the fixed jaw",
            f"move it by {-low[0]:.3f} along the seat's X",
        )
    return {"opening": length(high[0])}


FACETS = 12  # a polygon of fewer equal sides is taken as what it is, not as a round part
EVEN = 1.5  # sides that stand for one curve are no longer than this many of their neighbours


def flattened(triangles: Array) -> float:
    """How far a part's side that looks along -X may be behind the curve that its facets stand for, mm; 0
    where no round side is there.

    Where two neighbouring chords of length l of a circle turn by an angle a, the sagitta is l / 2 tan(a / 4)
    (plane geometry).

    Args:
        triangles: of the part, (N, 3, 3) mm.
    """
    import shapely

    hull = shapely.convex_hull(shapely.multipoints(triangles[..., :2].reshape(-1, 2)))
    around = shapely.get_coordinates(shapely.simplify(hull, 1e-4))[:-1]
    if len(around) < FACETS:
        return 0.0
    before, after = around - np.roll(around, 1, axis=0), np.roll(around, -1, axis=0) - around
    a, b = np.hypot(*before.T), np.hypot(*after.T)
    across = np.abs(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0])
    turn = np.arctan2(across, (before * after).sum(axis=1))
    round_ = (turn <= 2.0 * np.pi / FACETS + 1e-6) & (np.maximum(a, b) <= EVEN * np.minimum(a, b))
    foremost = around[:, 0] <= around[:, 0].min() + 1e-4
    sagitta = np.maximum(a, b) / 2.0 * np.tan(turn / 4.0)
    return float(sagitta[round_ & foremost].max(initial=0.0))


PLATE = 12.0  # thickness of the head's plate

SHANK = (
    Parameter("shank_width", 20.0, "of the shank that sits in the chuck", 8, 60),
    Parameter("shank_height", 20.0, "of the shank", 8, 60),
    Parameter("shank_length", 40.0, "of the shank, from the chuck's face into the chuck", 10, 150),
)

HEAD = (
    Parameter("drop", 37.0, "from the shank's underside down to the rest plane", 10, 200),
    Parameter("width", 50.0, "of plate and table", 20, 200),
    Parameter(
        "table", 80.0, "how far the table reaches from the plate towards the work; 0: no table", 0, 250
    ),
    Parameter("table_thickness", 15.0, "of the table, below the rest plane", 5, 60),
)


def shank(p: Mapping[str, Any]) -> Any:
    """The shank, from inside the chuck to a little past its face."""
    half = p["shank_width"] / 2
    return box((-half, -p["shank_length"], 0), (half, 1, p["shank_height"]))


def head(p: Mapping[str, Any], near: float, top: float) -> Any:
    """A plate from y = ``near`` on, which ends at z = ``top``, with the table at its far face."""
    half, rest, far = p["width"] / 2, -p["drop"], near + PLATE
    low = rest - p["table_thickness"]
    plate = box((-half, near, low), (half, far, top))
    if p["table"] <= 0:
        return plate
    return join(plate, box((-half, far - 1, low), (half, far + p["table"], rest)))


def head_seats(p: Mapping[str, Any], near: float) -> dict[str, Seat]:
    """Seats of that head where it is neither turned nor tilted."""
    rest, far = -p["drop"], near + PLATE
    seats = {}
    if p["table"] > 0:
        seats["top"] = Seat(at(0, far + p["table"] / 2, rest), "middle of the table, in the rest plane")
    seats["mount"] = Seat(
        at(0, far, rest),
        "the plate's face towards the work, in the rest plane; vises, arms and rings are mounted here",
    )
    seats["front"] = Seat(at(0, far, rest), 'older name of "mount"')
    return seats


def head_dimensions(
    p: Mapping[str, Any], near: float
) -> tuple[tuple[Length, ...], tuple[NDArray[np.float64], ...]]:
    """Where the dimensions of that head and of the shank are, and a part on its table or at its plate."""
    half, far, rest = p["width"] / 2, near + PLATE, -p["drop"]
    end, wide, tall = far + p["table"], p["shank_width"] / 2, p["shank_height"]
    found = [
        Length("drop", "right", "z", (0, end, rest), (0, end, 0), side="right"),
        Length("width", "front", "x", (-half, 0, rest), (half, 0, rest), side="below"),
        Length(
            "shank_width",
            "above",
            "x",
            (-wide, -p["shank_length"], 0),
            (wide, -p["shank_length"], 0),
            side="below",
        ),
        Length(
            "shank_height",
            "right",
            "z",
            (0, -p["shank_length"], 0),
            (0, -p["shank_length"], tall),
            side="left",
        ),
        Length("shank_length", "right", "y", (0, -p["shank_length"], 0), (0, 0, 0), side="below"),
    ]
    part = box((-half * 0.7, far, rest), (half * 0.7, far + 40, rest + 20))
    if p["table"] > 0:
        under = rest - p["table_thickness"]
        found.append(Length("table", "right", "y", (0, far, under), (0, end, under), side="below"))
        found.append(Length("table_thickness", "right", "z", (0, end, under), (0, end, rest), side="right"))
        part = box((-half * 0.7, far + 10, rest), (half * 0.7, end - 5, rest + 20))
    return tuple(found), (shell(part),)
