"""What the machine cannot do: moves beyond its travel, a wire that leans more than its heads allow."""

from __future__ import annotations

from math import acos, atan2, degrees, hypot

import numpy as np
from numpy.typing import NDArray

from clearance.process.runs import guides_z
from clearance.records import record
from clearance.scene.model import Finding, Scene, Stretch
from clearance.scene.settings import HeadModel
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]

#: travel is passed by more than this only, mm: the rest is rounding
ROUNDING = 1e-6


@record
class Used:
    """What an axis uses of its travel: lowest and highest value, mm, and the stretch of each."""

    low: float
    high: float
    low_in: str
    high_in: str


def travel_used(scene: Scene) -> dict[str, Used]:
    """By axis ("x", "y", "z", "u", "v"), over all that the heads do. U V only where the wire leans.

    X Y are the lower guide's, Z is the upper face's, U V what the upper guide is beside the lower one. Lines
    and arcs are taken exactly.
    """
    used: dict[str, Used] = {}
    for stretch in scene.stretches:
        low, high = extent(stretch.moves)
        values = {"x": (low[0], high[0]), "y": (low[1], high[1]), "z": (stretch.upper_low, stretch.upper_z)}
        if stretch.upper_moves is not None:
            u, v = _beside(stretch.moves, stretch.upper_moves)
            values |= {"u": u, "v": v}
        for axis, (a, b) in values.items():
            before = used.get(axis)
            name = stretch.name
            if before is None:
                used[axis] = Used(float(a), float(b), name, name)
            else:
                used[axis] = Used(
                    min(before.low, float(a)),
                    max(before.high, float(b)),
                    name if a < before.low else before.low_in,
                    name if b > before.high else before.high_in,
                )
    return used


def extent(moves: Moves) -> tuple[Array, Array]:
    """Lowest and highest X Y (2,) of moves, arcs included where they bulge."""
    points = [moves.start, moves.end]
    arcs = np.flatnonzero(moves.sweep)
    if len(arcs):
        spoke = moves.start[arcs] - moves.centre[arcs]
        radius = np.hypot(spoke[:, 0], spoke[:, 1])
        begin = np.arctan2(spoke[:, 1], spoke[:, 0])
        sweep = moves.sweep[arcs]
        for quarter in range(4):
            angle = quarter * np.pi / 2.0
            ahead = np.where(sweep > 0, angle - begin, begin - angle) % (2.0 * np.pi)
            passed = ahead <= np.abs(sweep) + 1e-12
            way = np.array([(1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0)][quarter])
            points.append(moves.centre[arcs][passed] + radius[passed][:, None] * way)
    every = np.concatenate(points)
    return every.min(axis=0), every.max(axis=0)


def _beside(lower: Moves, upper: Moves) -> tuple[tuple[float, float], tuple[float, float]]:
    """Lowest and highest of what the upper guide is beside the lower, in X and in Y, along all moves.

    Both go evenly in length or angle, so the difference is p + m t + |s| cos(phase + turn t), with s the
    difference of the spokes; a guide in the point of a cone stands still while the other one goes round. Its
    ends, and where its derivative is 0: sin(phase + turn t) = m / (|s| turn).
    """
    turn = np.where(upper.sweep != 0.0, upper.sweep, lower.sweep)
    both = (lower.sweep != 0.0) & (upper.sweep != 0.0) & (lower.sweep != upper.sweep)
    assert not both.any(), "both guides go by one angle"
    middle, spoke = np.zeros((len(turn), 2)), np.zeros((len(turn), 2))
    way = np.zeros((len(turn), 2))
    for moves, sign in ((upper, 1.0), (lower, -1.0)):
        bent = (moves.sweep != 0.0)[:, None]
        middle += sign * np.where(bent, moves.centre, moves.start)
        spoke += sign * np.where(bent, moves.start - moves.centre, 0.0)
        way += sign * np.where(bent, 0.0, moves.end - moves.start)
    found = [upper.start - lower.start, upper.end - lower.end]
    arc = np.flatnonzero(turn)
    low, high = np.minimum(*(each.min(axis=0) for each in found)), np.maximum(*(e.max(axis=0) for e in found))
    if len(arc):
        size = np.hypot(*spoke[arc].T)
        begin, sweep = np.arctan2(spoke[arc, 1], spoke[arc, 0]), turn[arc]
        for axis in (0, 1):
            # Y is the cosine of an angle a quarter less.
            phase = begin - axis * np.pi / 2.0
            with np.errstate(divide="ignore", invalid="ignore"):
                steep = way[arc, axis] / (size * sweep)
            there = np.abs(steep) <= 1.0
            rise = np.arcsin(np.where(there, steep, 0.0))
            for angle in (rise, np.pi - rise):
                ahead = np.where(sweep > 0, angle - phase, phase - angle) % (2.0 * np.pi)
                passed = there & (ahead <= np.abs(sweep) + 1e-12)
                share = ahead / np.abs(sweep)
                value = middle[arc, axis] + way[arc, axis] * share + size * np.cos(angle)
                low[axis] = min(low[axis], value[passed].min(initial=np.inf))
                high[axis] = max(high[axis], value[passed].max(initial=-np.inf))
    return (float(low[0]), float(high[0])), (float(low[1]), float(high[1]))


def travel_findings(scene: Scene, used_by: dict[str, Used]) -> list[Finding]:
    """One finding for each axis that passes its travel, the worse end of it.

    Args:
        used_by: by axis.
    """
    travel = scene.known_machine.travel
    found = []
    for axis, used in used_by.items():
        limits = travel.along(axis)
        if limits is None:
            message = f"the wire leans, and the machine file gives no travel for {axis.upper()}"
            found.append(Finding("travel unknown", "note", message, cut=used.high_in))
            continue
        below, above = limits[0] - used.low, used.high - limits[1]
        if max(below, above) <= ROUNDING:
            continue
        value, cut = (used.low, used.low_in) if below > above else (used.high, used.high_in)
        if axis == "z":
            found.append(_height(scene, value, limits, cut))
            continue
        reach = f"{limits[0]:g} to {limits[1]:g} mm, {max(below, above):.2f} too little"
        message = f'{axis.upper()} goes to {value:.2f} in "{cut}"; its travel is {reach}'
        found.append(Finding("travel", "close", message, cut=cut))
    return found


def _height(scene: Scene, z: float, limits: tuple[float, float], cut: str) -> Finding:
    """The upper head cannot stand where it should."""
    stretch = next(s for s in scene.stretches if s.name == cut)
    top = max((float(scene.bodies[k].triangles_M[..., 2].max()) for k in stretch.cut_bodies), default=-np.inf)
    machine = scene.known_machine
    reach = f"travel in Z is {limits[0]:g} to {limits[1]:g}"
    reach += f' with nozzles "{machine.nozzles}"' if machine.z_shift else ""
    if z > limits[1] and top > limits[1]:
        message = f"the part reaches Z {top:.2f}, higher than the heads open ({reach})"
    else:
        message = f"the upper face would stand at Z {z:.2f}; {reach}"
    return Finding("travel", "close", message, cut=cut)


@record
class Lean:
    """The largest lean of the wire on a stretch: degrees from the vertical; its move (from 1), line, N."""

    degrees: float
    move: int
    line: int
    block: str


@record
class LeanLimit:
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


def limits(scene: Scene) -> list[LeanLimit]:
    """What leans the mounted nozzles allow, the smallest first."""
    machine = scene.known_machine
    whose = "the machine" if machine.nozzles is None else f'nozzles "{machine.nozzles}"'
    found = []
    if machine.largest_lean is not None:
        found.append(LeanLimit(machine.largest_lean, f"largest_lean of {whose}", stated=True))
    for side, head in (("lower", machine.lower_head), ("upper", machine.upper_head)):
        angle = touches_bore(head, machine.wire)
        if angle is not None:
            what = "bore" if head.bore is not None and head.bore <= opening(head) else "face"
            why = f"it touches the side of the {side} nozzle's {what} of {opening(head):g} mm there"
            found.append(LeanLimit(angle, why))
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
