"""A clamp that presses nothing, and the parts, go in; why it does not comes out, in words for its setter.

A strap presses with its tip (the seat of that name): what is told is how far the tip is from metal, not how
far whatever part of the clamp comes nearest. A clamp with a toe presses a part's side.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from clearance.geometry.aabb import AabbSet, boxes_of
from clearance.geometry.apart import BoxedTriangles, apart
from clearance.geometry.transforms import apply, invert
from clearance.process.statics import Array
from clearance.process.support import bearing
from clearance.scene.model import Body

#: farther off than this nothing is named, mm
FAR = 300.0
#: the seat at which a clamp presses
TIP = "tip"
#: how far a tip may reach from its seat, mm; how far off its plane its facets lie; a place to look at lies so
#: much farther in than a corner of one
_REACH, _LEVEL, _IN = 30.0, 1e-3, 0.02


def why_idle(clamp: Body, parts: Sequence[Body], aside: bool) -> str:
    """Why a clamp presses no part.

    Args:
        clamp: that touches none.   parts: all that there are.   aside: it has a toe.
    """
    if aside:
        one = BoxedTriangles(clamp.triangles_M, AabbSet(*boxes_of(clamp.triangles_M)))
        far = [(apart(one, BoxedTriangles(p.triangles_M, p.aabbs), FAR), p.name) for p in parts]
        near = min(((gap, name) for gap, name in far if gap is not None), default=None)
        return "no part is beside it" if near is None else f'it is {near[0]:.2f} mm from "{near[1]}"'
    gap, name = min((bearing(clamp, part, FAR).gap, part.name) for part in parts)
    places = _tip(clamp)
    if not len(places):
        return f'it is {gap:.2f} mm above "{name}"' if gap < FAR else "no part is under it"
    found = [(_over(places, part), part.name) for part in parts]
    deep = min((over, name) for over, name in found)
    if deep[0] < 0.0:
        return f'its tip is {-deep[0]:.2f} mm too low, in the metal of "{deep[1]}"'
    if deep[0] < FAR:
        return f'it is {deep[0]:.2f} mm above "{deep[1]}"'
    return "no part is under its tip" if gap < FAR else "no part is under it"


def _tip(clamp: Body) -> Array:
    """Places (N, 3) on the underside of a clamp's tip, machine frame; none where it has no such seat."""
    seat = clamp.seats_M.get(TIP)
    if seat is None:
        return np.empty((0, 3))
    t = apply(invert(seat), clamp.triangles_M.reshape(-1, 3)).reshape(-1, 3, 3)
    on = (np.abs(t[..., 2]) < _LEVEL).all(axis=1) & (np.abs(t[..., :2]) < _REACH).all(axis=(1, 2))
    corners = t[on]
    middles = corners.mean(axis=1, keepdims=True)
    within = corners + _IN * (middles - corners)
    return apply(seat, np.concatenate([middles, within], axis=1).reshape(-1, 3))


def _over(places: Array, part: Body) -> float:
    """How far the nearest of these places (N, 3) is above a part's metal, mm; negative: so deep in it is the
    deepest; infinite where none has the part under it."""
    least = np.inf
    for place in places:
        levels = _levels(part.triangles_M, place[:2])
        for low, high in zip(levels[::2], levels[1::2], strict=False):
            if low <= place[2]:
                least = min(least, float(place[2] - high))
    return float(least)


def _levels(triangles: Array, xy: Array) -> list[float]:
    """The heights at which an upright line meets a surface, from below, each once; ``xy`` (2,)."""
    a, b, c = (triangles[:, k, :2] - xy for k in range(3))
    areas = np.stack([u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0] for u, v in ((b, c), (c, a), (a, b))], axis=1)
    whole = areas.sum(axis=1)
    met = ((areas * np.sign(whole)[:, None]) >= 0.0).all(axis=1) & (np.abs(whole) > 1e-12)
    levels = np.sort((areas[met] * triangles[met, :, 2]).sum(axis=1) / whole[met])
    # a line through an edge meets both its facets
    return [float(z) for k, z in enumerate(levels) if k == 0 or z - levels[k - 1] > _LEVEL]
