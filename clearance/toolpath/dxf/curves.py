"""One entity of a DXF drawing and its place go in, lines, arcs and chords come out, in drawing units.

A piece is [x0, y0, x1, y1] or, an arc, [x0, y0, x1, y1, cx, cy, sweep in radians, positive anticlockwise].

Splines become chords: each span is a Bezier curve, which lies within the hull of its control points (weights
positive), and is halved until no control point is farther than the bound from the chord. Ellipses are circles
seen at a slant (``dxf_place.turning``). A bulge is tan(included angle / 4) (DXF reference).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from clearance.toolpath.dxf.place import Broken, Piece, Place, Trouble, level, turning

_TURN = 2 * math.pi


def curve(kind: str, e: Any, place: Place, bound: float, limit: int) -> tuple[float, list[Piece]]:
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


def polyline(e: Any, place: Place, bound: float, limit: int) -> tuple[float, list[Piece]]:
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


def ellipse(e: Any, place: Place, bound: float, limit: int) -> tuple[float, list[Piece]]:
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


def spline(e: Any, place: Place, bound: float, limit: int) -> Iterator[Piece]:
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
