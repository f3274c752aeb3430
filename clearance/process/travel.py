"""The machine's travel and all the moves go in; findings come out on axes that would have to go farther."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.scene.model import Finding, Scene
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]

#: travel is passed by more than this only, mm: the rest is rounding
ROUNDING = 1e-6


@dataclass(frozen=True)
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
