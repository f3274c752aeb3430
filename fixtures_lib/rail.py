"""Dimensions of a support rail go in; the rail with its rest pads comes out, hanging below the rest plane.

Frame H: Z = 0 is the rest plane (the pads' tops); X runs along the rail from its left end; Y runs across
it from its outer face (Y = 0) towards the part; the ledge stands out at Y > width. Turned by 180 degrees
about Z the same rail serves on the other side of the part.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fixtures_lib.holder import Conflict, Does, Fastened, Holder, Hole, Kind, Limit, Parameter, Seat
from fixtures_lib.solids import THREAD_FACET, at, box, cut, hole, join, shell

DRILL = 6.8  # thread holes M8, straps are screwed down in them


def build(p: Mapping[str, Any]) -> Holder:
    """The rail. Raises ``Conflict`` where pads or ledge have no room on it."""
    length, width, height = p["length"], p["width"], p["height"]
    top, pad = -p["pad_height"], p["pad_length"]
    if height <= p["pad_height"] + 3:
        raise Conflict(
            "height",
            f"{height:g} leaves no body under pads {p['pad_height']:g} high",
            f"want over {3 - top:g}",
        )
    if pad > length:
        raise Conflict(
            "pad_length", f"{pad:g} is longer than the rail ({length:g})", f"want at most {length:g}"
        )
    pads = p["pads"] or _usual_pads(length, pad)
    for i, middle in enumerate(pads):
        if not pad / 2 <= middle <= length - pad / 2:
            raise Conflict(
                f"pads[{i}]",
                f"a pad {pad:g} long at {middle:g} stands out over the rail's end",
                f"want {pad / 2:g} to {length - pad / 2:g}",
            )
    below = p["ledge_below"]
    if below is None:
        below = (p["pad_height"] + height) / 2
    if p["ledge"] > 0 and not p["pad_height"] <= below <= height - 1:
        raise Conflict(
            "ledge_below",
            f"{below:g} is not on the rail's body",
            f"want {p['pad_height']:g} to {height - 1:g}",
        )
    pitch = p["hole_pitch"]
    if 0 < pitch < 20:
        raise Conflict("hole_pitch", f"{pitch:g} sets the holes too close", "want 0 for none, or 20 and more")

    parts = [box((0, 0, -height), (length, width, top))]
    parts += [box((x - pad / 2, 0, top - 1), (x + pad / 2, width, 0)) for x in pads]
    if p["ledge"] > 0:
        parts.append(box((0, width - 1, -height), (length, width + p["ledge"], -below)))
    holes, threads = [], []
    if pitch and width >= DRILL + 3:
        x = pitch / 2
        while x < length - DRILL:
            if all(abs(x - middle) > pad / 2 + DRILL / 2 + 0.5 for middle in pads):
                depth = min(16.0, (height + top) * 0.7)
                holes.append(hole(DRILL, top - depth, top + 1, (x, width / 2), error=THREAD_FACET))
                threads.append(Hole((x, width / 2, top), DRILL))
            x += pitch
    seats = {"top": Seat(at(), "the rest plane, at the rail's left end and outer face")}
    for i, x in enumerate(pads):
        seats[f"pad {i + 1}"] = Seat(at(x, width / 2, 0), f"middle of pad {i + 1}")
    return Holder(
        shells=(shell(cut(join(*parts), *holes)),),
        seats=seats,
        limits=(Limit("mass", None, 15.0, "common practice, no source"),),
        params={**p, "pads": tuple(pads), "ledge_below": below},
        holes=tuple(threads),
    )


def _usual_pads(length: float, pad: float) -> tuple[float, ...]:
    """One near each end and one halfway, or one alone where the rail is short."""
    if length < 3 * pad + 10:
        return (length / 2,)
    return (pad / 2 + 5, length / 2, length - pad / 2 - 5)


KIND = Kind(
    name="rail",
    summary="support rail with rest pads, set where the part needs them; its body hangs below the rest plane",
    parameters=(
        Parameter("length", 300.0, "along the rail", 40, 1000),
        Parameter("width", 25.0, "across the rail, without the ledge", 8, 100),
        Parameter("height", 25.0, "from the pads' tops down to the rail's underside", 7, 120),
        Parameter(
            "pads",
            (),
            "middle of each rest pad, from the left end; left out: one near each end and one halfway",
            0,
            1000,
            many=True,
        ),
        Parameter("pad_length", 16.0, "of one pad, along the rail", 5, 200),
        Parameter("pad_height", 3.0, "of the pads over the rail's body", 0.5, 20),
        Parameter(
            "ledge", 6.0, "how far the foot at the lower edge stands out towards the part; 0: none", 0, 60
        ),
        Parameter(
            "ledge_below",
            None,
            "from the pads' tops down to the ledge's upper face; left out: halfway down the body",
            1,
            118,
        ),
        Parameter("hole_pitch", 40.0, "spacing of the thread holes M8 between the pads; 0: none", 0, 200),
    ),
    build=build,
    does=Does.BEARS | Does.CARRIES,
    fastened=Fastened.BOLTED,
    cautions=("The part rests on the pads only; straps hold it down.",),
)
