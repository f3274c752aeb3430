"""A part and a holder with jaws or a ring go in; whether it is touched from both sides comes out.

Both are sliced at some heights that they share. Straight lines go through the part where its side comes near
the holder, square to that side: where both ends of what lies in the part meet the holder, it is gripped (two
contact points with the line between them along both normals: Nguyen, Constructing force-closure grasps, 1988,
from memory). So is what is touched from sides all around, in a ring or by three jaws.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.planar import edges
from clearance.process.support import NEAR, SHIM, TOUCHES, Contacts

Array = NDArray[np.float64]

#: heights that are looked at where corners stand at more than these
LEVELS = 9
#: lines at a height, and at least so many for each place that comes near
LINES, FEW = 200, 5
#: touched from all around: no two neighbouring normals turn by more, radians (three jaws: 120 degrees)
AROUND = np.radians(150.0)
#: an end that lies in the holder by less does not count as in it, mm
_IN = 1e-6


@dataclass(frozen=True)
class Grip:
    """Whether a holder touches a part from both sides.

    ``air``: the least way, mm, by which jaws would have to close for that; 0 where they touch, infinite where
    nothing faces it from the other side. ``touched``: it touches one side at least.
    """

    air: float
    touched: bool

    @property
    def holds(self) -> bool:
        """Whether it grips; where that wants a little air closed, jaws that are tightened do it."""
        return self.air <= SHIM

    @property
    def faces(self) -> bool:
        """Whether it stands on both sides of the part, near or far."""
        return bool(np.isfinite(self.air))

    @property
    def why(self) -> str:
        """What is between, in a few words."""
        if not self.faces:
            return "it is touched from one side only"
        return f"{self.air:.2f} mm of air between jaw and part"


def grip(contacts: Contacts, part: int, body: int, metal: Any = None) -> Grip:
    """How a holder grips a part.

    Args:
        part, body: indices of the bodies.
        metal: what is left of the part, seen from above (shapely); left out, all of it.
    """
    held, holder = contacts.bodies[part], contacts.bodies[body]
    touch = TOUCHES + held.allow.side + holder.allow.side
    least, touched = np.inf, False
    normals: list[Array] = []
    slices = []
    for z in _levels(contacts, part, body):
        inside, outside = contacts.slice(part, z), contacts.slice(body, z)
        if metal is not None:
            inside = inside.intersection(metal)
        if inside.is_empty or outside.is_empty:
            continue
        slices.append((inside, outside))
        near = edges(inside).intersection(outside.buffer(SHIM + touch, quad_segs=4))
        found = _through(inside, outside, near, touch)
        touched |= bool(len(found.normals))
        normals.append(found.normals)
        least = min(least, found.air)
        if least == 0.0 or _all_around(np.concatenate(normals)):
            return Grip(0.0, True)
    if least > SHIM:
        least = min([_through(*pair, edges(pair[0]), touch).air for pair in slices], default=np.inf)
    return Grip(least, touched)


def _levels(contacts: Contacts, part: int, body: int) -> Array:
    """Heights between those at which corners of either stand, where both are; evenly where these are many."""
    boxes = [contacts.boxes(k) for k in (part, body)]
    low = max(float(low[:, 2].min()) for low, _ in boxes)
    high = min(float(high[:, 2].max()) for _, high in boxes)
    if high - low <= NEAR:
        return np.empty(0)
    z = np.unique(np.round(np.concatenate([each[:, 2] for pair in boxes for each in pair]), 3))
    z = np.unique(np.r_[low, z[(z > low) & (z < high)], high])
    middle = ((z[1:] + z[:-1]) / 2.0)[np.diff(z) > NEAR]
    if 0 < len(middle) <= LEVELS:
        return np.asarray(middle)
    return np.asarray(low + (high - low) * (np.arange(LEVELS) + 0.5) / LEVELS)


@dataclass(frozen=True)
class _Found:
    """Of lines through a part: the least air at both ends together, 0 where both touch; the outward normals
    (N, 2) of the part's sides that touch."""

    air: float
    normals: Array


def _through(inside: Any, outside: Any, where: Any, touch: float) -> _Found:
    """What lines find that go through a slice of the part square to its sides, at places on these."""
    import shapely

    at, normal = _places(where)
    if not len(at):
        return _Found(np.inf, np.empty((0, 2)))
    inward = shapely.contains_xy(inside, at + 1e-4 * normal)
    normal = np.where(inward[:, None], -normal, normal)
    x0, y0, x1, y1 = shapely.union(shapely.box(*inside.bounds), shapely.box(*outside.bounds)).bounds
    reach = float(np.hypot(x1 - x0, y1 - y0)) + 1.0
    lines = shapely.linestrings(np.stack([at - reach * normal, at + reach * normal], axis=1))
    parts, holders = (_stretches(shape, lines, at, normal) for shape in (inside, outside))
    least, touching = np.inf, []
    for k in range(len(at)):
        part, holder = parts[k], holders[k]
        if not (len(part) and len(holder)):
            continue
        before = [_gap(-a, -holder[:, ::-1]) for a in part[:, 0]]
        behind = [_gap(b, holder) for b in part[:, 1]]
        own = int(np.argmin(np.abs(part[:, 1])))
        if behind[own] <= touch:
            touching.append(normal[k])
        for i, one in enumerate(before):
            other = min(behind[i:])
            least = min(least, 0.0 if max(one, other) <= touch else one + other)
    return _Found(float(least), np.array(touching).reshape(-1, 2))


def _places(where: Any) -> tuple[Array, Array]:
    """Places (N, 2) along lines, and what is square to the line there."""
    import shapely

    pieces = [one for one in shapely.get_parts(shapely.line_merge(where)) if one.geom_type == "LineString"]
    pieces = [one for one in pieces if one.length > 1e-6]
    whole = sum(one.length for one in pieces)
    at, normal = [np.empty((0, 2))], [np.empty((0, 2))]
    for one in pieces:
        points = shapely.get_coordinates(one)
        along = np.diff(points, axis=0)
        size = np.hypot(*along.T)
        end = np.cumsum(size)
        count = max(FEW, int(LINES * one.length / whole))
        s = (np.arange(count) + 0.5) / count * end[-1]
        bit = np.minimum(np.searchsorted(end, s), len(end) - 1)
        way = along[bit] / np.maximum(size[bit], 1e-300)[:, None]
        at.append(points[bit] + (s - end[bit] + size[bit])[:, None] * way)
        normal.append(np.column_stack([way[:, 1], -way[:, 0]]))
    return np.concatenate(at), np.concatenate(normal)


def _stretches(shape: Any, lines: NDArray[np.object_], at: Array, normal: Array) -> list[Array]:
    """Of each line the stretches (M, 2) that lie in a shape, from its place on along its normal, mm, in
    order."""
    import shapely

    shapely.prepare(shape)
    parts, line = shapely.get_parts(shapely.intersection(shape, lines), return_index=True)
    some = shapely.length(parts) > 0.0
    parts, line = parts[some], line[some]
    found: list[list[tuple[float, float]]] = [[] for _ in lines]
    for one, k in zip(parts, line, strict=True):
        along = (shapely.get_coordinates(one) - at[k]) @ normal[k]
        found[k].append((float(along.min()), float(along.max())))
    return [np.array(sorted(each)).reshape(-1, 2) for each in found]


def _gap(end: float, holder: Array) -> float:
    """How far behind an end the holder begins; 0 where the end lies in it."""
    behind = holder[holder[:, 1] > end + _IN]
    return float(np.maximum(behind[:, 0] - end, 0.0).min(initial=np.inf))


def _all_around(normals: Array) -> bool:
    if len(normals) < 3:
        return False
    turn = np.sort(np.arctan2(normals[:, 1], normals[:, 0]))
    return bool(np.diff(np.r_[turn, turn[0] + 2.0 * np.pi]).max() <= AROUND)
