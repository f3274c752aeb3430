"""A slice of a part and one of a holder go in; whether flat jaws hold the part between them comes out, where
one of them touches it at places to either side of what the other one touches.

So a shaft is held whose keyway faces a jaw: that one touches the keyway's two edges. Parallel forces are in
balance where those of one way lie between those of the other (statics). A corner on each side is not enough,
but where facets that stand for a curve meet, hardly turned away from the jaws: friction holds them.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.planar import edges, polygons
from clearance.records import record

Array = NDArray[np.float64]

#: how far apart the outermost places of the wider side are at least, and how far within them the other side's
#: are, mm (common practice, no source: as of what jaws hold in height, and of what lies on an edge)
WIDE, WITHIN = 3.0, 0.5
#: two faces of jaws are parallel where the sine of the angle between is less
PARALLEL = 2e-3
#: and a side of the part that is turned away from one by this sine at most does not slide along it (steel on
#: steel; common practice, no source)
FRICTION = 0.2
#: an edge of a slice that is shorter is no jaw's face, mm
SHORT = 1.0


@record
class _Face:
    """A jaw's face that touches: where it is and where it looks, (2,) each, and from where to where along the
    way square to that, turned to the left, the places lie that it touches, mm; and the sine by which what it
    touches is turned away from it at most."""

    at: Array
    looks: Array
    low: float
    high: float
    away: float


def held_between(inside: Any, outside: Any, touch: float) -> bool:
    """Whether two faces that look at each other hold a part as said above.

    Args:
        inside, outside: slices of part and holder (shapely).   touch: how near touches, mm.
    """
    faces = list(_faces(inside, outside, touch))
    return any(
        _in_balance(one, other)
        for k, one in enumerate(faces)
        for other in faces[k + 1 :]
        if _facing(one, other)
    )


def _faces(inside: Any, outside: Any, touch: float) -> list[_Face]:
    import shapely

    rim = edges(inside)
    near = rim.buffer(touch)
    found: list[_Face] = []
    for metal in polygons(outside):
        # anticlockwise, its metal at the left
        whole = shapely.orient_polygons(metal)
        for ring in (whole.exterior, *whole.interiors):
            points = shapely.get_coordinates(ring)
            for a, b in zip(points[:-1], points[1:], strict=True):
                size = float(np.hypot(*(b - a)))
                if size < SHORT or not near.intersects(line := shapely.linestrings([a, b])):
                    continue
                way = (b - a) / size
                looks = np.array([way[1], -way[0]])
                met = shapely.get_parts(rim.intersection(line.buffer(touch, cap_style="flat")))
                bits = [shapely.get_coordinates(one) for one in met if one.length > touch / 100.0]
                if bits:
                    along = np.concatenate(bits) @ np.array([-looks[1], looks[0]])
                    runs = np.concatenate([np.diff(one, axis=0) for one in bits])
                    away = np.abs(runs @ looks) / np.maximum(np.hypot(*runs.T), 1e-300)
                    found.append(_Face(a, looks, float(along.min()), float(along.max()), float(away.max())))
    return found


def _facing(one: _Face, other: _Face) -> bool:
    """Whether two faces are parallel and look at each other."""
    if float(one.looks @ other.looks) > 0.0:
        return False
    across = float(one.looks[0] * other.looks[1] - one.looks[1] * other.looks[0])
    return abs(across) < PARALLEL and float((other.at - one.at) @ one.looks) > 0.0


def _in_balance(one: _Face, other: _Face) -> bool:
    """Whether the places of the narrower side lie between the outermost ones of the wider; or all that touch
    are nearly along the jaws, some of them opposite each other."""
    sides = sorted([(one.low, one.high), (-other.high, -other.low)], key=lambda side: side[1] - side[0])
    (low, high), (first, last) = sides
    if max(one.away, other.away) <= FRICTION and max(low, first) <= min(high, last):
        return True
    return last - first >= WIDE and first + WITHIN <= low and high <= last - WITHIN
