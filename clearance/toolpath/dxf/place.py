"""Where nested INSERTs of a drawing put what is in their blocks: matrices, composed and applied as they are.

An INSERT has a place, a turn and three scales. Two of them, one inside the other, need not be an INSERT any
more (a turn and then unequal scales make a shear), so the matrices are multiplied and the product is applied
to each curve. A circle that a product does not leave a circle is an ellipse; see ``turning``.

Source: DXF reference, INSERT (base point, scales, rotation, columns and rows) and "Arbitrary axis algorithm".
Matrices are (4, 4) and act on columns, p_W = T @ p; lengths are drawing units.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Matrix = NDArray[np.float64]
Point = tuple[float, float]
Piece = list[float]

#: what differs by less in direction, or in size, of the whole is rounding
_ROUNDING = 1e-9
#: heights that differ by less are one, drawing units
_LEVEL = 1e-6


class Trouble(Exception):
    """The drawing cannot be used: where, what was found, what would be right."""


class Broken(ValueError):
    """An entity cannot be what it says; why, in words for a message."""


def level(z: Any) -> None:
    """Refuse heights that differ."""
    z = list(z)
    if not max(z) - min(z) <= _LEVEL:
        raise Trouble("", f"the curve is not flat, Z from {min(z):g} to {max(z):g}", "a path in one plane")


@dataclass(frozen=True)
class Plane:
    """Where a flat curve comes to lie: x' = ax x + bx y + cx, y' = ay x + by y + cy."""

    ax: float
    bx: float
    cx: float
    ay: float
    by: float
    cy: float

    def point(self, x: float, y: float) -> Point:
        """A point of the plane, in the drawing's X Y.

        Args:
            x, y: in the plane's own coordinates, drawing units.
        """
        return self.ax * x + self.bx * y + self.cx, self.ay * x + self.by * y + self.cy

    def placed(self, pieces: list[Piece], bound: float, limit: int) -> tuple[float, list[Piece]]:
        """How far what comes out may lie off, and the pieces there; arcs are chords if they must be.

        Args:
            pieces: lines and arcs in the plane's own coordinates.
            bound: how far chords may lie off, drawing units.   limit: pieces at most.
        """
        if self == _STAYS:
            return 0.0, pieces
        worst = 0.0
        placed: list[Piece] = []
        for x0, y0, x1, y1, *arc in pieces:
            first, last = self.point(x0, y0), self.point(x1, y1)
            if not arc:
                placed.append([*first, *last])
                continue
            cx, cy, sweep = arc
            dx, dy = x0 - cx, y0 - cy
            p = (self.ax * dx + self.bx * dy, self.ay * dx + self.by * dy)
            q = (self.bx * dx - self.ax * dy, self.by * dx - self.ay * dy)
            error, more = turning(self.point(cx, cy), p, q, 0.0, sweep, (first, last), bound, limit)
            worst = max(worst, error)
            placed += more
        return worst, placed


_STAYS = Plane(1.0, 0.0, 0.0, 0.0, 1.0, 0.0)


class Place:
    """The matrix of all INSERTs around an entity, None outside all of them."""

    def __init__(self, T: Matrix | None = None) -> None:
        self.T = T
        self.rows: list[list[float]] | None = None
        if T is not None:
            if not (np.abs(T) < 1e15).all():
                raise Trouble("", "a place or scale that is no number or too large", "an exploded drawing")
            self.rows = T.tolist()

    def point(self, p: Sequence[float]) -> tuple[float, float, float]:
        """A point (x, y, z) of the block, in the drawing."""
        x, y, z = (float(v) for v in p)
        if self.rows is None:
            return x, y, z
        X, Y, Z = (a * x + b * y + c * z + d for a, b, c, d in self.rows[:3])
        return X, Y, Z

    def way(self, p: Sequence[float]) -> tuple[float, float, float]:
        """A direction with its length (x, y, z) of the block, in the drawing."""
        x, y, z = (float(v) for v in p)
        if self.rows is None:
            return x, y, z
        X, Y, Z = (a * x + b * y + c * z for a, b, c, _ in self.rows[:3])
        return X, Y, Z

    def plane(self, extrusion: Any, elevation: float) -> Plane:
        """Where the X Y of an entity with an extrusion, ``elevation`` up along it, come to lie."""
        T = self.T
        if tuple(extrusion) != (0.0, 0.0, 1.0):
            T = axes(extrusion) if T is None else T @ axes(extrusion)
        if T is None:
            return _STAYS
        (ax, bx, zx, x), (ay, by, zy, y), (az, bz, _, _), _ = T.tolist()
        size = max(math.hypot(ax, ay, az), math.hypot(bx, by, bz))
        if not math.hypot(az, bz) <= _ROUNDING * size:
            raise Trouble(
                "", "the curve does not lie in the X Y plane", "a path in one plane, seen from above"
            )
        if not abs(ax * by - bx * ay) > 1e-12 * size * size:
            raise Trouble("", "a scale of 0 squeezes the curve to nothing", "scales other than 0")
        return Plane(ax, bx, x + elevation * zx, ay, by, y + elevation * zy)

    def inserted(self, insert: Any) -> Iterator[Place]:
        """The places of what is in an INSERT's block, one for each of its columns and rows."""
        T = np.array(list(insert.matrix44().rows()), dtype=float).T
        dxf = insert.dxf
        turn = math.radians(dxf.rotation)
        # Columns and rows run along the turned X and Y of the INSERT's own plane, and are not scaled.
        along = axes(dxf.extrusion)[:3, :3] @ np.array(
            [[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)], [0.0, 0.0]]
        )
        columns, rows = steps(dxf.column_count, dxf.column_spacing), steps(dxf.row_count, dxf.row_spacing)
        for row in range(rows):
            for column in range(columns):
                one = T.copy()
                with np.errstate(invalid="ignore", over="ignore"):
                    one[:3, 3] += along @ (column * dxf.column_spacing, row * dxf.row_spacing)
                here = Place(one)  # refuses what is no number before it is multiplied on
                yield here if self.T is None else Place(self.T @ one)


def steps(count: int, spacing: float) -> int:
    """How many columns or rows stand apart: with no spacing all are one.

    Args:
        count: as the drawing says.   spacing: between two, drawing units.
    """
    return max(1, int(count)) if spacing else 1


def axes(extrusion: Any) -> Matrix:
    """The axes of an entity's own coordinates as columns, by the arbitrary axis algorithm."""
    z = np.array([float(v) for v in extrusion])
    size = float(np.linalg.norm(z))
    if not 0.0 < size < math.inf:
        raise Broken("its extrusion has no direction")
    z /= size
    beside = (0.0, 1.0, 0.0) if abs(z[0]) < 1 / 64 and abs(z[1]) < 1 / 64 else (0.0, 0.0, 1.0)
    x = np.cross(beside, z)
    x /= np.linalg.norm(x)
    T = np.eye(4)
    T[:3, 0], T[:3, 1], T[:3, 2] = x, np.cross(z, x), z
    return T


def turning(
    centre: Point,
    p: Point,
    q: Point,
    begin: float,
    turn: float,
    ends: tuple[Point, Point] | None,
    bound: float,
    limit: int,
) -> tuple[float, list[Piece]]:
    """centre + p cos t + q sin t, t from ``begin`` on by ``turn`` (radians, signed), as an arc or as chords.

    It is a circle of the larger singular value of [p q], seen at a slant, so an even step of t has no more
    sagitta than there. Returns how far the pieces may lie off, and them. ``ends``: its ends, where known
    better than by the angles.

    Args:
        centre, p, q: of the formula, drawing units.   begin, turn: radians.   ends: see above.
        bound: how far chords may lie off, drawing units.   limit: pieces at most.
    """
    (px, py), (qx, qy) = p, q
    mean, unequal = (
        (px * px + py * py + qx * qx + qy * qy) / 2,
        math.hypot((px * px + py * py - qx * qx - qy * qy) / 2, px * qx + py * qy),
    )
    r = math.sqrt(mean + unequal)
    if not r > 0:
        raise Broken("its radius is 0")

    def at(t: float) -> Point:
        c, s = math.cos(t), math.sin(t)
        return centre[0] + px * c + qx * s, centre[1] + py * c + qy * s

    whole = abs(turn) >= 2 * math.pi
    first, last = ends or (at(begin), at(begin + turn))
    if whole:
        last = first
    if unequal <= _ROUNDING * mean:
        side = 1.0 if px * qy - py * qx > 0 else -1.0
        return 2 * unequal / r, [[*first, *last, *centre, side * turn]]
    n = 4 if bound >= r else math.ceil(abs(turn) / (2 * math.acos(1 - bound / r)))
    if n > limit:
        raise Trouble("", f"the ellipse needs {n} chords", f"at most {limit}; is its unit right?")
    n = max(n, 4)
    points = [first, *(at(begin + turn * k / n) for k in range(1, n)), last]
    return bound, [[*a, *b] for a, b in zip(points, points[1:], strict=False)]
