"""Dimensions of a support rail go in; the rail with its rest pads comes out, hanging below the rest plane.

Frame H: Z = 0 is the rest plane (the pads' tops); X runs along the rail from its left end; Y runs across
it from its outer face (Y = 0) towards the part; the ledge stands out at Y > width. Turned by 180 degrees
about Z the same rail serves on the other side of the part.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fixtures_lib.holder import (
    Conflict,
    Does,
    Drawn,
    Fastened,
    Holder,
    Kind,
    Length,
    Limit,
    Mark,
    Parameter,
    Seat,
    ThreadHole,
)
from fixtures_lib.solids import THREAD_FACET, at, box, cut, hole, join, shell

RISER = 8.0  # length of the riser between an ear and the rail, along X
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

    parts = [box((0, 0, -height), (length, width, top)), *_ears(p)]
    parts += [box((x - pad / 2, 0, top - 1), (x + pad / 2, width, 0)) for x in pads]
    if p["ledge"] > 0:
        parts.append(box((0, width - 1, -height), (length, width + p["ledge"], -below)))
    depth = min(16.0, (height + top) * 0.7)
    drilled = _drilled({**p, "pads": pads})
    holes = [hole(DRILL, top - depth, top + 1, (x, width / 2), error=THREAD_FACET) for x in drilled]
    threads = [ThreadHole((x, width / 2, top), DRILL) for x in drilled]
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


def _ears(p: Mapping[str, Any]) -> list[Any]:
    """The rail's ends to lie on, each on a riser at the rail's end. Raises ``Conflict``."""
    ear, under, length, width = p["ear"], -p["ear_below"], p["length"], p["width"]
    if ear <= 0:
        return []
    if ear < RISER + 5:
        raise Conflict(
            "ear", f"{ear:g} is too short to lie on", f"want 0 for none, or {RISER + 5:g} and more"
        )
    over = under + p["ear_thickness"]
    if over < 4 - p["height"]:
        raise Conflict(
            "ear_below",
            f"{-under:g} puts the ears under the rail",
            f"want at most {p['height'] - 4 + p['ear_thickness']:g}",
        )
    low = min(-p["height"], under)
    parts = []
    for sign, end in ((-1, 0.0), (1, length)):
        # into the rail's body, but not over it
        for near, far, z, high in (
            (-1.0, 1.0, -p["height"], -p["pad_height"]),
            (0.0, RISER, low, over),
            (RISER - 1.0, ear, under, over),
        ):
            x0, x1 = sorted((end + sign * near, end + sign * far))
            parts.append(box((x0, 0, z), (x1, width, high)))
    return parts


def _drilled(p: Mapping[str, Any]) -> list[float]:
    """Where along the rail a thread hole is, clear of the pads."""
    pitch, clear = p["hole_pitch"], p["pad_length"] / 2 + DRILL / 2 + 0.5
    found: list[float] = []
    x = pitch / 2
    while pitch and p["width"] >= DRILL + 3 and x < p["length"] - DRILL:
        if all(abs(x - middle) > clear for middle in p["pads"]):
            found.append(x)
        x += pitch
    return found


def _usual_pads(length: float, pad: float) -> tuple[float, ...]:
    """One near each end and one halfway, or one alone where the rail is short."""
    if length < 3 * pad + 10:
        return (length / 2,)
    return (pad / 2 + 5, length / 2, length - pad / 2 - 5)


def drawn(p: Mapping[str, Any]) -> Drawn:
    """Where its dimensions are, and a part on its pads."""
    length, width, high, pads = p["length"], p["width"], p["height"], p["pads"]
    ledge, pad, ear = p["ledge"], p["pad_length"] / 2, p["ear"]
    last = pads[-1]
    found = [
        Length("length", "front", "x", (0, 0, -high), (length, 0, -high), side="below"),
        Length("width", "right", "y", (0, 0, -high), (0, width, -high), side="below"),
        Length("height", "right", "z", (0, 0, -high), (0, 0, 0), side="left"),
        Length("pad_length", "above", "x", (last - pad, 0, 0), (last + pad, 0, 0), side="below"),
        Length("pad_height", "right", "z", (0, 0, -p["pad_height"]), (0, 0, 0), side="left"),
        *(Length("pads", "above", "x", (0, 0, 0), (x, 0, 0), side="below") for x in pads),
    ]
    if ledge > 0:
        found.append(
            Length("ledge", "right", "y", (0, width, -high), (0, width + ledge, -high), side="below")
        )
        below = -p["ledge_below"]
        found.append(
            Length(
                "ledge_below", "right", "z", (0, width + ledge, below), (0, width + ledge, 0), side="right"
            )
        )
    if ear > 0:
        under = -p["ear_below"]
        found += [
            Length("ear", "front", "x", (-ear, 0, under), (0, 0, under), side="below"),
            Length("ear_below", "front", "z", (-ear, 0, under), (-ear, 0, 0), side="left"),
            Length(
                "ear_thickness",
                "front",
                "z",
                (-ear, 0, under),
                (-ear, 0, under + p["ear_thickness"]),
                side="left",
            ),
        ]
    drilled = _drilled(p)
    side_by_side = [
        (a, b) for a, b in zip(drilled, drilled[1:], strict=False) if b - a < 1.5 * p["hole_pitch"]
    ]
    if side_by_side:
        a, b = side_by_side[0]
        found.append(Length("hole_pitch", "above", "x", (a, width / 2, 0), (b, width / 2, 0), side="above"))
    marks = [Mark("rest pad", "front", (pads[-1], 0, 0), (30, 40))]
    if ear > 0:
        marks.append(Mark("lies here", "front", (length + ear * 0.6, 0, -p["ear_below"]), (14, -26)))
    part = box((max(0.0, pads[0] - pad), width * 0.4, 0), (min(length, last + pad), width + ledge + 30, 18))
    return Drawn(tuple(found), (shell(part),), tuple(marks))


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
        Parameter(
            "ear", 0.0, "how far each end stands out, to lie on what carries the rail; 0: none", 0, 150
        ),
        Parameter("ear_below", 0.0, "from the pads' tops down to the ears' undersides", 0, 118),
        Parameter("ear_thickness", 10.0, "of the ears", 3, 60),
        Parameter("hole_pitch", 40.0, "spacing of the thread holes M8 between the pads; 0: none", 0, 200),
    ),
    build=build,
    origin="left end of the outer face, in the rest plane (the pads' tops); the part is at positive Y",
    drawn=drawn,
    does=Does.BEARS | Does.CARRIES,
    fastened=Fastened.BOLTED,
    cautions=("The part rests on the pads only; straps hold it down.",),
)
