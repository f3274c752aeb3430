"""Holes that the setup says are drilled, against a wire: how much room it has in one that leans.

Seen along the hole, a cylinder about a wire that leans by t is an ellipse, 1 / cos t as long as it is wide,
and goes sideways with height. It lies within the hole's circle at all heights if it does at both ends of the
hole. In a circle of its longer half it lies for certain; where it goes off in the direction of its lean, as
it does in the middle of a hole, that is exact: (R - h / 2 tan t) cos t for a hole h long.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.transforms import apply
from clearance.mesh.sections import Hole
from clearance.process.runs import Run
from clearance.scene.model import Body

Array = NDArray[np.float64]

#: a wire that leans so much more than this against a hole, mm sideways for each mm along it, lies across it
ACROSS = 2.0
#: as good as nothing, mm
ROUNDING = 1e-9


@dataclass(frozen=True)
class Drilled:
    """A named hole as a wire passes it.

    Attributes:
        hole: where its middle line passes the middle of the body's height, machine X Y.
        free: diameter of the largest circle about the wire that is free in it; 0 or less: the wire meets its
            wall.
        off: how far its middle line is from the wire at that height, mm.
    """

    hole: Hole
    free: float
    off: float


def drilled_holes(body: Body, run: Run, near: Array, middle: float) -> list[Drilled]:
    """Each named hole that the wire does not lie across, as the wire passes it.

    Args:
        near: (N, 3, 3) the body's facets near the wire, machine frame: they say how long a hole is.
        middle: machine Z of the middle of the body's height.
    """
    if not body.start_holes:
        return []
    T_IM: Array = np.asarray(np.linalg.inv(body.T_MI), dtype=np.float64)
    at = np.array([*run.place(middle), middle], dtype=np.float64)
    p_I = apply(T_IM, at)
    way = T_IM[:3, :3] @ np.array([*run.lean, 1.0])
    if abs(way[2]) * ACROSS < np.hypot(way[0], way[1]):
        return []
    slope = way[:2] / way[2]
    facets = apply(T_IM, near) if len(near) else np.empty((0, 3, 3))
    found = []
    for one in body.start_holes:
        centre, radius = np.array(one.at, dtype=float), one.diameter / 2.0
        low, high = _ends(facets, centre, radius, float(p_I[2]))
        off = max(float(np.hypot(*(p_I[:2] + slope * (z - p_I[2]) - centre))) for z in (low, high))
        room = (radius - off) / float(np.hypot(1.0, np.hypot(*slope)))
        here = _axis_at(body, centre, middle)
        hole = Hole((float(here[0]), float(here[1])), one.diameter, True)
        found.append(Drilled(hole, 2.0 * room, float(np.hypot(*(here - at[:2])))))
    return found


def best(holes: list[Drilled]) -> Drilled | None:
    """Of the holes in which the wire stands at the middle of the height the one with the most room."""
    around = [one for one in holes if one.off < one.hole.diameter / 2.0 - ROUNDING]
    return max(around, key=lambda one: one.free, default=None)


def _ends(facets: Array, centre: Array, radius: float, level: float) -> tuple[float, float]:
    """Between which heights of the item's own frame there is metal about a hole."""
    if len(facets):
        low, high = facets.min(axis=1), facets.max(axis=1)
        over = (low[:, :2] <= centre + radius).all(axis=1) & (high[:, :2] >= centre - radius).all(axis=1)
        if over.any():
            return float(low[over, 2].min()), float(high[over, 2].max())
    return level, level


def _axis_at(body: Body, centre: Array, z: float) -> Array:
    """Where a hole's middle line passes a machine height, (2,)."""
    foot = apply(body.T_MI, np.array([*centre, 0.0], dtype=np.float64))
    up = body.T_MI[:3, 2]
    if abs(up[2]) < ROUNDING:
        return np.asarray(foot[:2])
    return np.asarray(foot[:2] + up[:2] / up[2] * (z - foot[2]))
