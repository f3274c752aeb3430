"""One entity of a DXF drawing and its place go in, lines, arcs and chords come out, in drawing units.

A piece is [x0, y0, x1, y1] or, an arc, [x0, y0, x1, y1, cx, cy, sweep in radians, positive anticlockwise].

Splines become chords: each span is a Bezier curve, which lies within the hull of its control points (weights
positive), and is halved until no control point is farther than the bound from the chord. Ellipses are circles
seen at a slant (``InsertMatrix``). A bulge is tan(included angle / 4) (DXF reference).

Where nested INSERTs of a drawing put what is in their blocks: matrices, composed and applied as they are.

An INSERT has a place, a turn and three scales. Two of them, one inside the other, need not be an INSERT any
more (a turn and then unequal scales make a shear), so the matrices are multiplied and the product is applied
to each curve. A circle that a product does not leave a circle is an ellipse; see ``turning``.

Source: DXF reference, INSERT (base point, scales, rotation, columns and rows) and "Arbitrary axis algorithm".
Matrices are (4, 4) and act on columns, p_W = T @ p; lengths are drawing units.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.records import record

_TURN = 2 * math.pi


def curve(kind: str, e: Any, place: InsertMatrix, bound: float, limit: int) -> tuple[float, list[Piece]]:
    """Error of its chords and the pieces of an entity; no pieces where it has no length.

    Args:
        kind: its type.  e: the entity.  place: what the INSERTs around it do.  bound: for chords.
        limit: no more pieces than these.

    Raises Trouble, with an empty place, and ValueError and its like where the entity is broken.
    """
    if kind == "LINE":
        need(e, "start", "end")
        (x0, y0, z0), (x1, y1, z1) = place.point(e.dxf.start), place.point(e.dxf.end)
        level((z0, z1))
        return 0.0, [[x0, y0, x1, y1]] if (x0, y0) != (x1, y1) else []
    if kind in ("ARC", "CIRCLE"):
        need(e, "center", "radius")
        plane = place.plane(e.dxf.extrusion, float(e.dxf.center[2]))
        return plane.placed(round_piece(kind, e), bound, limit)
    if kind == "LWPOLYLINE":
        points = [(float(x), float(y), float(b)) for x, y, b in e.get_points("xyb")]
        plane = place.plane(e.dxf.extrusion, float(e.dxf.elevation))
        return plane.placed(list(bulged(points, e.closed)), bound, limit)
    if kind == "POLYLINE":
        return polyline(e, place, bound, limit)
    if kind == "ELLIPSE":
        return ellipse(e, place, bound, limit)
    if kind == "SPLINE":
        return bound, list(spline(e, place, bound, limit))
    want = "LINE, ARC, CIRCLE, ELLIPSE, polylines, SPLINE; or another layer"
    raise Trouble("", f"{kind} is not read as a path", want)


def need(e: Any, *names: str) -> None:
    """Raise Broken where an entity lacks an attribute.

    Args:
        e: the entity.   names: of the attributes.
    """
    for name in names:
        if not e.dxf.hasattr(name):
            raise Broken(f"it has no {name}")


def flat(point: Any) -> tuple[float, float]:
    """X and Y of a ``point`` of the drawing library, in drawing units."""
    x, y = float(point[0]), float(point[1])
    if not (abs(x) < 1e12 and abs(y) < 1e12):
        raise Broken("a coordinate is no number or too large")
    return x, y


def round_piece(kind: str, e: Any) -> list[Piece]:
    """An ARC or CIRCLE as one piece, in its own coordinates.

    Args:
        kind: "ARC" or "CIRCLE".   e: the entity.
    """
    (cx, cy, _), r = e.dxf.center, e.dxf.radius
    if not r > 0:
        raise Broken(f"its radius is {r:g}")
    begin, end = (e.dxf.start_angle, e.dxf.end_angle) if kind == "ARC" else (0.0, 360.0)
    turn = math.radians((end - begin) % 360.0) or _TURN
    a = math.radians(begin)
    x0, y0 = cx + r * math.cos(a), cy + r * math.sin(a)
    if turn == _TURN:
        return [[x0, y0, x0, y0, cx, cy, turn]]
    return [[x0, y0, cx + r * math.cos(a + turn), cy + r * math.sin(a + turn), cx, cy, turn]]


def polyline(e: Any, place: InsertMatrix, bound: float, limit: int) -> tuple[float, list[Piece]]:
    """The old kind: flat, in coordinates of its own, or in space without arcs.

    Args:
        e: the entity.   place: where the INSERTs around it put it.
        bound: how far chords may lie off, drawing units.   limit: pieces at most.
    """
    if not (e.is_2d_polyline or e.is_3d_polyline):
        raise Trouble("", "a POLYLINE that is a mesh", "a flat polyline")
    vertices = [v for v in e.vertices if not v.dxf.get("flags", 0) & 16]
    heights = [float(v.dxf.location[2]) for v in vertices] or [0.0]
    if e.is_3d_polyline:
        corners = [place.point(v.dxf.location) for v in vertices]
        level([z for _, _, z in corners] or [0.0])
        return 0.0, list(bulged([(x, y, 0.0) for x, y, _ in corners], e.is_closed))
    level(heights)
    points = [(v.dxf.location[0], v.dxf.location[1], v.dxf.get("bulge", 0.0)) for v in vertices]
    plane = place.plane(e.dxf.extrusion, float(e.dxf.elevation[2]) or heights[0])
    return plane.placed(list(bulged(points, e.is_closed)), bound, limit)


def bulged(points: list[tuple[float, float, float]], closed: bool) -> Iterator[Piece]:
    """Lines and arcs from corners with bulges: the tangent of a quarter of the arc's sweep.

    Args:
        points: (x, y, bulge) of each corner.   closed: the last leads to the first.
    """
    if closed and points:
        points = [*points, points[0]]
    for (x0, y0, bulge), (x1, y1, _) in zip(points, points[1:], strict=False):
        chord = math.hypot(x1 - x0, y1 - y0)
        if chord == 0:
            continue
        # An arc that rises less than this is straight.
        if abs(bulge) * chord < 1e-9:
            yield [x0, y0, x1, y1]
            continue
        k = (1 / bulge - bulge) / 4
        cx, cy = (x0 + x1) / 2 - k * (y1 - y0), (y0 + y1) / 2 + k * (x1 - x0)
        yield [x0, y0, x1, y1, cx, cy, 4 * math.atan(bulge)]


def ellipse(e: Any, place: InsertMatrix, bound: float, limit: int) -> tuple[float, list[Piece]]:
    """Its axes are turned into two half diameters in the drawing's plane, upright on each other or not.

    Args:
        e: the entity.   place: where the INSERTs around it put it.
        bound: how far chords may lie off, drawing units.   limit: pieces at most.
    """
    need(e, "center", "major_axis", "ratio")
    (mx, my, mz), ratio = (float(v) for v in e.dxf.major_axis), float(e.dxf.ratio)
    nx, ny, nz = (float(v) for v in e.dxf.extrusion)
    bx, by, bz = ny * mz - nz * my, nz * mx - nx * mz, nx * my - ny * mx
    long, across = math.hypot(mx, my, mz), math.hypot(bx, by, bz)
    if not (long > 0 and across > 0) or ratio == 0:
        raise Broken("one of its axes is 0")
    k = ratio * long / across
    cx, cy, _ = place.point(e.dxf.center)
    px, py, pz = place.way((mx, my, mz))
    qx, qy, qz = place.way((k * bx, k * by, k * bz))
    if not math.hypot(pz, qz) <= 1e-9 * max(math.hypot(px, py), math.hypot(qx, qy)):
        raise Trouble("", "the curve does not lie in the X Y plane", "a path in one plane, seen from above")
    begin = e.dxf.start_param
    turn = (e.dxf.end_param - begin) % _TURN
    if turn < 1e-9 or turn > _TURN - 1e-9:
        turn = _TURN
    return turning((cx, cy), (px, py), (qx, qy), begin, turn, None, bound, limit)


# --- splines -------------------------------------------------------------------------------------------


def spline(e: Any, place: InsertMatrix, bound: float, limit: int) -> Iterator[Piece]:
    """A SPLINE as chords, from its knots, weights and control points.

    Args:
        e: the entity.   place: where the INSERTs around it put it.
        bound: how far chords may lie off, drawing units.   limit: pieces at most.
    """
    control = [place.point(p) for p in e.control_points]
    knots, weights, p = [float(t) for t in e.knots], [float(w) for w in e.weights], int(e.dxf.degree)
    if not control and len(e.fit_points):
        raise Trouble("", "the SPLINE has fit points and no control points, so programs draw it differently",
                      "a SPLINE with control points, or arcs")  # fmt: skip
    n = len(control)
    if not 1 <= p <= 25 or n < p + 1 or len(knots) != n + p + 1:
        found = f"the SPLINE is broken: degree {p}, {n} control points, {len(knots)} knots"
        raise Trouble("", found, f"{n + p + 1} knots" if 1 <= p < n else "mend or delete it in the drawing")
    if any(not b >= a for a, b in zip(knots, knots[1:], strict=False)):
        raise Trouble("", "the SPLINE is broken: its knots do not rise", "mend or delete it in the drawing")
    if weights and (len(weights) != n or not all(w > 0 for w in weights)):
        raise Trouble(
            "", "the SPLINE is broken: a weight for each control point, more than 0, is missing", ""
        )
    level([point[2] for point in control])
    weights = weights or [1.0] * n
    homogeneous = [(x * w, y * w, w) for (x, y, *_), w in zip(control, weights, strict=True)]
    at: tuple[float, float] | None = None
    size = max(math.hypot(x, y) for x, y, *_ in control)
    count = 0
    for k in range(p, n):
        if knots[k + 1] > knots[k]:
            for piece in chords(bezier(p, knots, homogeneous, k), bound):
                if at is not None and math.hypot(piece[0] - at[0], piece[1] - at[1]) > 1e-9 * (1 + size):
                    raise Trouble("", "the SPLINE is broken: it has a gap at a knot", "mend or delete it")
                count += 1
                if count > limit:
                    raise Trouble("", f"the SPLINE needs more than {limit} chords", "is its unit right?")
                at = (piece[2], piece[3])
                if piece[:2] != piece[2:]:
                    yield piece


Control = list[tuple[float, float, float]]


def bezier(p: int, knots: list[float], control: Control, k: int) -> Control:
    """The span from knot k to k + 1 as a Bezier curve: its points are the blossom at a^(p-j) b^j.

    Args:
        p: the degree.   knots: all, not falling.   control: (x w, y w, w) of each control point.   k: the
            span's first knot.
    """
    a, b = knots[k], knots[k + 1]
    return [_blossom(p, knots, control, k, [a] * (p - j) + [b] * j) for j in range(p + 1)]


def _blossom(
    p: int, knots: list[float], control: Control, k: int, at: list[float]
) -> tuple[float, float, float]:
    d = control[k - p : k + 1]
    for r in range(1, p + 1):
        for j in range(p, r - 1, -1):
            i = k - p + j
            s = (at[r - 1] - knots[i]) / (knots[i + p - r + 1] - knots[i])
            (x0, y0, w0), (x1, y1, w1) = d[j - 1], d[j]
            d[j] = ((1 - s) * x0 + s * x1, (1 - s) * y0 + s * y1, (1 - s) * w0 + s * w1)
    return d[p]


def chords(curve: Control, bound: float) -> Iterator[Piece]:
    """Chords of a Bezier curve, in order, each with all control points of its part within ``bound``."""
    stack = [(curve, 0)]
    while stack:
        part, depth = stack.pop()
        points = [(x / w, y / w) for x, y, w in part]
        (x0, y0), (x1, y1) = points[0], points[-1]
        if depth >= 40 or all(_off(q, x0, y0, x1, y1) <= bound for q in points[1:-1]):
            yield [x0, y0, x1, y1]
            continue
        left, right, row = [part[0]], [part[-1]], part
        while len(row) > 1:
            row = [
                ((a[0] + b[0]) / 2, (a[1] + b[1]) / 2, (a[2] + b[2]) / 2)
                for a, b in zip(row, row[1:], strict=False)
            ]
            left.append(row[0])
            right.append(row[-1])
        stack += [(right[::-1], depth + 1), (left, depth + 1)]


def _off(q: tuple[float, float], x0: float, y0: float, x1: float, y1: float) -> float:
    dx, dy = x1 - x0, y1 - y0
    long = dx * dx + dy * dy
    t = 0.0 if long == 0 else min(1.0, max(0.0, ((q[0] - x0) * dx + (q[1] - y0) * dy) / long))
    return math.hypot(q[0] - x0 - t * dx, q[1] - y0 - t * dy)


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
    """Refuse heights that differ.

    Args:
        z: heights of points, drawing units.
    """
    z = list(z)
    if not max(z) - min(z) <= _LEVEL:
        raise Trouble("", f"the curve is not flat, Z from {min(z):g} to {max(z):g}", "a path in one plane")


@record
class AffineMap:
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


_STAYS = AffineMap(1.0, 0.0, 0.0, 0.0, 1.0, 0.0)


class InsertMatrix:
    """The matrix of all INSERTs around an entity, None outside all of them."""

    def __init__(self, T: Matrix | None = None) -> None:
        self.T = T
        self.rows: list[list[float]] | None = None
        if T is not None:
            if not (np.abs(T) < 1e15).all():
                raise Trouble("", "a place or scale that is no number or too large", "an exploded drawing")
            self.rows = T.tolist()

    def point(self, p: Sequence[float]) -> tuple[float, float, float]:
        """A point (x, y, z) of the block, in the drawing.

        Args:
            p: drawing units.
        """
        x, y, z = (float(v) for v in p)
        if self.rows is None:
            return x, y, z
        X, Y, Z = (a * x + b * y + c * z + d for a, b, c, d in self.rows[:3])
        return X, Y, Z

    def way(self, p: Sequence[float]) -> tuple[float, float, float]:
        """A direction with its length (x, y, z) of the block, in the drawing.

        Args:
            p: drawing units.
        """
        x, y, z = (float(v) for v in p)
        if self.rows is None:
            return x, y, z
        X, Y, Z = (a * x + b * y + c * z for a, b, c, _ in self.rows[:3])
        return X, Y, Z

    def plane(self, extrusion: Any, elevation: float) -> AffineMap:
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
        return AffineMap(ax, bx, x + elevation * zx, ay, by, y + elevation * zy)

    def inserted(self, insert: Any) -> Iterator[InsertMatrix]:
        """The places of what is in an INSERT's block, one for each of its columns and rows.

        Args:
            insert: the entity, of the drawing library.
        """
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
                here = InsertMatrix(one)  # refuses what is no number before it is multiplied on
                yield here if self.T is None else InsertMatrix(self.T @ one)


def steps(count: int, spacing: float) -> int:
    """How many columns or rows stand apart: with no spacing all are one.

    Args:
        count: as the drawing says.   spacing: between two, drawing units.
    """
    return max(1, int(count)) if spacing else 1


def axes(extrusion: Any) -> Matrix:
    """The axes of an entity's own coordinates as columns, by the arbitrary axis algorithm.

    Args:
        extrusion: the entity's own Z as a vector (3,).
    """
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
