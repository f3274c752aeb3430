"""The guides' paths and what the heads allow go in; where the wire leans most, or too much, comes out."""

from __future__ import annotations

from dataclasses import dataclass
from math import acos, atan2, degrees, hypot

import numpy as np

from clearance.process.runs import guides_z
from clearance.scene.model import Finding, Scene, Stretch
from clearance.scene.settings import HeadModel

#: an allowed lean is passed by more than this only, degrees: the rest is rounding
ROUNDING = 1e-6


@dataclass(frozen=True)
class Lean:
    """The largest lean of the wire on a stretch: degrees from the vertical; its move (from 1), line, N."""

    degrees: float
    move: int
    line: int
    block: str


@dataclass(frozen=True)
class Limit:
    """A lean that is allowed, degrees, and by what, in words; whether somebody has stated it."""

    degrees: float
    why: str
    stated: bool = False


def largest_lean(scene: Scene, stretch: Stretch) -> Lean | None:
    """The largest lean of the wire between its guides, over all moves with the wire in; None with no U V.

    On a line U V change evenly, on an arc evenly or turned with it. Their length is a convex function of
    the way in both readings (a vector that changes evenly; turning keeps its length), so that the largest is
    at an end of a move. It does not depend on where the guides are: the wire is straight.

    Args:
        stretch: of the scene.
    """
    upper, lower = stretch.upper_moves, stretch.moves
    wire = lower.threaded
    if upper is None or not wire.any():
        return None
    low, high = guides_z(scene, stretch)
    apart = np.maximum(np.hypot(*(upper.start - lower.start).T), np.hypot(*(upper.end - lower.end).T))
    at = int(np.argmax(np.where(wire, apart, -1.0)))
    angle = degrees(atan2(float(apart[at]), high - low))
    return Lean(angle, int(lower.programmed[at]) + 1, int(lower.line[at]), lower.block[at])


def touches_bore(head: HeadModel, wire: float) -> float | None:
    """The lean from which on the wire touches its nozzle's side at the face, degrees; None of a pointed head.

    It turns about the guide, ``guide`` behind the face, and level there it is an ellipse, longer than it is
    thick by one over the cosine: guide tan a + wire / (2 cos a) = bore / 2. (Trigonometry, no source.)

    Args:
        wire: its diameter, mm.
    """
    half = opening(head) / 2.0
    if half <= 0.0:
        return None
    reach = hypot(half, head.guide)
    return degrees(acos(min(wire / 2.0 / reach, 1.0)) - atan2(head.guide, half))


def opening(head: HeadModel) -> float:
    """How wide a nozzle can be open at its face, mm: its bore, and never more than the face."""
    face = 2.0 * head.profile[0][1]
    return face if head.bore is None else min(head.bore, face)


def limits(scene: Scene) -> list[Limit]:
    """What leans the mounted nozzles allow, the smallest first."""
    machine = scene.known_machine
    whose = "the machine" if machine.nozzles is None else f'nozzles "{machine.nozzles}"'
    found = []
    if machine.largest_lean is not None:
        found.append(Limit(machine.largest_lean, f"largest_lean of {whose}", stated=True))
    for side, head in (("lower", machine.lower_head), ("upper", machine.upper_head)):
        angle = touches_bore(head, machine.wire)
        if angle is not None:
            what = "bore" if head.bore is not None and head.bore <= opening(head) else "face"
            why = f"it touches the side of the {side} nozzle's {what} of {opening(head):g} mm there"
            found.append(Limit(angle, why))
    return sorted(found, key=lambda limit: limit.degrees)


def lean_findings(scene: Scene, leans: dict[str, Lean]) -> list[Finding]:
    """One finding for each cut in which the wire leans too much, at its worst place; else the largest lean.

    Args:
        leans: by cut.
    """
    allowed = limits(scene)
    found = []
    for cut, lean in leans.items():
        if allowed and lean.degrees > allowed[0].degrees + ROUNDING:
            least = allowed[0]
            words = [f"move {lean.move}", *([lean.block] if lean.block else [])]
            words += [f"line {lean.line}"] if lean.line else []
            message = (
                f"the wire leans by {_up(lean.degrees)} degrees ({', '.join(words)}), "
                f"allowed are {_down(least.degrees)}: {least.why}"
            )
            found.append(Finding("lean", "close", message, cut=cut))
    steepest = max(leans, key=lambda name: leans[name].degrees, default="")
    angle = leans[steepest].degrees if steepest else 0.0
    if angle > 0.0 and not found:
        known = scene.known_machine.largest_lean
        see = "see that nozzles and guides allow it" if known is None else f"{_down(known)} are allowed"
        found.append(
            Finding("taper", "note", f"the wire leans by up to {angle:.2f} degrees; {see}", cut=steepest)
        )
    return found


def _up(angle: float) -> str:
    return f"{np.ceil(angle * 100.0 - 1e-7) / 100.0:.2f}"


def _down(angle: float) -> str:
    return f"{np.floor(angle * 100.0 + 1e-7) / 100.0:.2f}"
