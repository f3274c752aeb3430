"""Dimensions of a side-jaw vise go in; the vise comes out, its body hanging below the rest plane.

Frame H as of jaws in ``shared``: Z = 0 is the rest plane, Y = 0 the face by which the vise is mounted.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fixtures_lib import shared
from fixtures_lib.holder import Does, Drawn, Fastened, Holder, Kind, Limit, Parameter, Seat
from fixtures_lib.solids import at, shell


def build(p: Mapping[str, Any]) -> Holder:
    """The vise. Raises ``Conflict`` where the jaw does not open that far or the steps close the opening."""
    fixed, moving = shared.jaw_bodies(p)
    face, _, near, _ = shared.jaw_places(p)
    return Holder(
        shells=(shell(fixed), shell(moving)),
        seats={
            "top": Seat(
                at(face, near, 0), "on the steps, the fixed jaw's corner nearest the beam: X to the other jaw"
            )
        },
        limits=(
            Limit("x", p["opening"] - shared.GRIPPED, None, "the parameters"),
            Limit("x", None, 150.0, "common practice, no source"),
            Limit("y", None, 145.0, "common practice, no source"),
        ),
        params=dict(p),
    )


def drawn(p: Mapping[str, Any]) -> Drawn:
    """Where its dimensions are, and a part between the jaws."""
    found, part = shared.jaws_drawn(p)
    return Drawn(tuple(found), tuple(part))


KIND = Kind(
    name="side_jaw_vise",
    summary="vise that grips two machined sides of parts up to 150 x 145 mm and pulls them down on its steps",
    parameters=(
        Parameter("opening", 60.0, "between the jaws: the part's width", 3, 150),
        Parameter("capacity", 150.0, "how far it opens at most", 20, 150),
        Parameter("jaw_length", 60.0, "of the jaws' faces, along Y", 15, 145),
        Parameter("jaw_above", 12.0, "of the jaws over the rest plane; keep it under the part's top", 2, 100),
        Parameter("jaw_thickness", 22.0, "of each jaw, behind its face", 6, 60),
        Parameter("step", 3.0, "how far the steps reach under the part; 0: none", 0, 12),
        Parameter("below", 32.0, "from the rest plane down to the vise's underside", 12, 120),
        Parameter("beam", 26.0, "depth of the beam, from the mounting face to its other side", 12, 80),
        Parameter("throat", 30.0, "open room between the beam and the jaws, for heads and wire", 0, 120),
    ),
    build=build,
    origin="middle of the mounting face, in the rest plane",
    drawn=drawn,
    does=Does.BEARS | Does.GRIPS,
    fastened=Fastened.BOLTED,
    fit=shared.fit_opening,
    fits=("opening",),
    cautions=("The jaws pull the part down on the steps; check that it rests before the heads come near.",),
)
