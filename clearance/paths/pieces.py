"""Lines and arcs of a drawing are measured, turned round, cut in two, asked what is nearest to a point.

A piece is (x0, y0, x1, y1, cx, cy, sweep): mm, and radians positive anticlockwise; sweep 0 for a line.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import acos, atan2, ceil, cos, hypot, pi, sin

import numpy as np
from numpy.typing import NDArray

Piece = tuple[float, float, float, float, float, float, float]


def line(x0: float, y0: float, x1: float, y1: float) -> Piece:
    return (x0, y0, x1, y1, 0.0, 0.0, 0.0)


def turned_round(pieces: Sequence[Piece]) -> list[Piece]:
    """The same way from its end to its start."""
    return [(x1, y1, x0, y0, cx, cy, -sweep) for x0, y0, x1, y1, cx, cy, sweep in reversed(pieces)]


def length(piece: Piece) -> float:
    x0, y0, x1, y1, cx, cy, sweep = piece
    return hypot(x1 - x0, y1 - y0) if sweep == 0 else abs(sweep) * hypot(x0 - cx, y0 - cy)


def at(piece: Piece, t: float) -> tuple[float, float]:
    """The point at the fraction ``t`` of a piece."""
    x0, y0, x1, y1, cx, cy, sweep = piece
    if sweep == 0:
        return x0 + t * (x1 - x0), y0 + t * (y1 - y0)
    c, s = cos(sweep * t), sin(sweep * t)
    return cx + c * (x0 - cx) - s * (y0 - cy), cy + s * (x0 - cx) + c * (y0 - cy)


def split(piece: Piece, t: float) -> tuple[Piece, Piece]:
    """A piece cut in two at the fraction ``t``."""
    x0, y0, x1, y1, cx, cy, sweep = piece
    x, y = at(piece, t)
    return (x0, y0, x, y, cx, cy, sweep * t), (x, y, x1, y1, cx, cy, sweep * (1 - t))


def area(pieces: Sequence[Piece]) -> float:
    """Area that closed pieces enclose, positive anticlockwise: the polygon's and the segments of the arcs."""
    total = 0.0
    for x0, y0, x1, y1, cx, cy, sweep in pieces:
        total += (x0 * y1 - x1 * y0) / 2
        if sweep:
            total += ((x0 - cx) ** 2 + (y0 - cy) ** 2) * (sweep - sin(sweep)) / 2
    return total


def nearest(pieces: Sequence[Piece], x: float, y: float) -> tuple[float, int, float]:
    """(distance, index, fraction) of the place on ``pieces`` nearest to a point."""
    best = (float("inf"), 0, 0.0)
    for i, piece in enumerate(pieces):
        x0, y0, x1, y1, cx, cy, sweep = piece
        if sweep == 0:
            dx, dy = x1 - x0, y1 - y0
            long = dx * dx + dy * dy
            t = min(1.0, max(0.0, ((x - x0) * dx + (y - y0) * dy) / long)) if long else 0.0
        else:
            begin = atan2(y0 - cy, x0 - cx)
            turn = (atan2(y - cy, x - cx) - begin) * (1 if sweep > 0 else -1) % (2 * pi)
            if turn <= abs(sweep):
                t = turn / abs(sweep)
            else:
                t = 0.0 if hypot(x - x0, y - y0) <= hypot(x - x1, y - y1) else 1.0
        px, py = at(piece, t)
        away = hypot(px - x, py - y)
        if away < best[0]:
            best = (away, i, t)
    return best


def outline(pieces: Sequence[Piece], bound: float = 0.001) -> NDArray[np.float64]:
    """Points (n, 2) of a polyline within ``bound`` mm of the pieces, which must follow each other."""
    points = [pieces[0][:2]]
    for piece in pieces:
        sweep = piece[6]
        if sweep:
            r = hypot(piece[0] - piece[4], piece[1] - piece[5])
            n = 4 if bound >= r else ceil(abs(sweep) / (2 * acos(1 - bound / r)))
            n = max(n, 4)
            points += [at(piece, k / n) for k in range(1, n)]
        points.append(piece[2:4])
    return np.array(points)
