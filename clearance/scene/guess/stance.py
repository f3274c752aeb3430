"""A part's triangles go in; the ways in which it can stand, its larger flat faces down, come out."""

from __future__ import annotations

from math import atan2, degrees, hypot

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.transforms import turn_matrix
from clearance.records import record

Array = NDArray[np.float64]
Turn = tuple[float, float, float]

#: a face that is so much of the largest is as good, so that the model need not be turned (chamfers)
AS_LARGE = 0.9
#: a corner so far beyond a face is on it, mm
FLAT = 0.02
#: faces that are looked at
FACES = 24
#: a section whose corners reach no farther than this beyond its half width is round (a square's reach 1.41)
ROUND = 1.02
#: ... and so many corners lie out there at least: a polygon that is round to ``ROUND`` has 16 sides
CORNERS = 12
#: a round part so much longer than it is thick is a bar
BAR = 1.2


@record
class Stance:
    """One way to stand.

    Attributes:
        turn: degrees about fixed X, Y, Z.   points: (N, 3) the part's corners so turned, mm.
        area: of the face that is down, mm2; 0 for a bar on its side.
        axis: "x" for a bar that lies along X, "z" for a round part that stands upright, else "".
        diameter: of a round part, mm; else 0.
    """

    turn: Turn
    points: Array
    area: float
    axis: str = ""
    diameter: float = 0.0

    @property
    def low(self) -> Array:
        return np.asarray(self.points.min(axis=0))

    @property
    def high(self) -> Array:
        return np.asarray(self.points.max(axis=0))

    @property
    def words(self) -> str:
        """What is down."""
        if self.axis == "x":
            return "lying, its axis along X"
        return "as it was drawn" if self.turn == (0.0, 0.0, 0.0) else "turned over, another face down"


def stances(triangles: Array) -> list[Stance]:
    """The ways to stand, the likeliest first: by the area of the flat face that is down.

    Args:
        triangles: (N, 3, 3) mm.

    The face that is down in the model stays down where it is nearly as large as the largest. A bar may lie on
    its side as well. A part without a flat face stands as it was drawn.
    """
    points = np.unique(triangles.reshape(-1, 3), axis=0)
    axis = round_axis(points)
    # the facets of a bar's round side are no faces
    faces = [each for each in _flat_faces(triangles, points) if axis is None or abs(each[0][axis[0]]) > 0.5]
    largest = max((area for _, area in faces), default=0.0)
    found = []
    for normal, area in faces:
        turn = _down(normal)
        drawn = turn == (0.0, 0.0, 0.0) and area >= AS_LARGE * largest
        found.append((not drawn, -area, turn))
    ways = [_stance(points, turn, -less) for _, less, turn in sorted(found)]
    if not ways:
        ways = [_stance(points, (0.0, 0.0, 0.0), 0.0)]
    if axis is not None:
        k, diameter = axis
        if np.ptp(points[:, k]) > BAR * diameter:
            turn = ((0.0, 0.0, 0.0), (0.0, 0.0, -90.0), (0.0, 90.0, 0.0))[k]
            ways.append(Stance(turn, points @ turn_matrix(turn).T, 0.0, "x", diameter))
    return ways


def _stance(points: Array, turn: Turn, area: float) -> Stance:
    turned = points @ turn_matrix(turn).T
    axis = round_axis(turned)
    upright = axis is not None and axis[0] == 2
    return Stance(turn, turned, area, "z" if upright else "", axis[1] if upright and axis else 0.0)


def turned_over(stance: Stance) -> Stance:
    """The same part with what was up down, though it may have no flat face there."""
    return _stance(stance.points @ turn_matrix(stance.turn), _down(turn_matrix(stance.turn)[2]), 0.0)


def round_axis(points: Array) -> tuple[int, float] | None:
    """Which of its axes a part is round about, and its diameter in mm; None where it is not round."""
    middle = (points.min(axis=0) + points.max(axis=0)) / 2
    for k in (2, 0, 1):
        across = np.delete(points - middle, k, axis=1)
        half = np.abs(across).max(axis=0)
        away = np.hypot(*across.T)
        reach = float(away.max())
        if reach <= ROUND * half.min() and (away * ROUND >= reach).sum() >= CORNERS:
            return k, 2.0 * reach
    return None


def _flat_faces(triangles: Array, points: Array) -> list[tuple[Array, float]]:
    """(outward normal, area) of the flat faces on which a part can stand, largest first.

    Normals are not trusted: outward is the side on which nothing lies.
    """
    a, b, c = (triangles[:, k] for k in range(3))
    cross = np.cross(b - a, c - a)
    double = np.linalg.norm(cross, axis=1)
    some = double > 1e-9
    normal = cross[some] / double[some][:, None]
    # both sides of one plane are one face
    first = np.argmax(np.abs(normal) > 0.5, axis=1)
    normal *= np.sign(normal[np.arange(len(normal)), first])[:, None]
    level = (normal * a[some]).sum(axis=1)
    keys = np.round(np.column_stack([normal * 1000.0, level * 50.0])).astype(np.int64)
    _, which, group = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    areas = np.bincount(group.reshape(-1), weights=double[some] / 2)
    found = []
    for k in np.argsort(-areas)[:FACES]:
        n = normal[which[k]]
        height = points @ n
        for sign in (1.0, -1.0):
            if (sign * height).max() <= sign * level[which[k]] + FLAT:
                found.append((sign * n, float(areas[k])))
    return found


def _down(normal: Array) -> Turn:
    """The turn about X, then Y that brings a direction to -Z."""
    x, y, z = (float(v) for v in normal)
    about_x = degrees(atan2(-y, -z)) if hypot(y, z) > 1e-9 else 0.0
    about_y = degrees(atan2(x, hypot(y, z)))
    return (_neat(about_x), _neat(about_y), 0.0)


def _neat(angle: float) -> float:
    """Degrees, without the last digits of their arithmetic; never -0 or -180."""
    near = round(angle / 90.0) * 90.0
    angle = near if abs(angle - near) < 0.001 else round(angle, 4)
    return 180.0 if angle == -180.0 else angle + 0.0
