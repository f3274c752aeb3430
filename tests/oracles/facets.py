"""A second way to the truth, for checking the first: faceted hulls, exact gaps, linear programs.

What a convex piece sweeps along a straight bit is the hull of its copies at both ends. The round parts are
made of facets twice, inscribed and circumscribed, so that the truth lies between the two answers. The gap is
``manifold3d``'s (in 64 bit), side comes from ``shapely`` on slices, height from ``scipy``'s linear programs.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from manifold3d import Manifold, Mesh64
from scipy.optimize import linprog, minimize_scalar
from shapely import MultiPoint

from tests.oracles.convex import Array
from tests.oracles.recipe import Recipe
from tests.oracles.truth import heads_of

SIDES = 120


def draw_corners(piece: Any, a: Array, b: Array, out: float, extra: float = 0.0) -> Array:
    """Corners (N, 3) of the hull of a piece at ``a`` and at ``b``; ``out`` scales the radius of the
    facets."""
    t = 2 * np.pi * np.arange(SIDES) / SIDES
    ring = np.column_stack([np.cos(t), np.sin(t)])
    x0, x1, y0, y1 = piece.rect
    rows = []
    for z, r in zip(piece.z, piece.r, strict=True):
        for end in (a, b):
            for corner in {(x0, y0), (x0, y1), (x1, y0), (x1, y1)}:
                flat = ring * (r + extra) * out + end + np.array(corner)
                rows.append(np.column_stack([flat, np.full(SIDES, z)]))
    return np.concatenate(rows)


def straight_bits(path: Any, m: int, step: float = 0.05) -> list[tuple[Array, Array, float]]:
    """A move as straight bits: ends, and how far (mm) the move strays from the bit."""
    if path.sweep[m] == 0.0:
        return [(path.start[m], path.end[m], 0.0)]
    n = max(1, int(np.ceil(abs(path.sweep[m]) / step)))
    d = path.start[m] - path.centre[m]
    turns = [
        np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
        for a in np.linspace(0, path.sweep[m], n + 1)
    ]
    points = [path.centre[m] + T @ d for T in turns]
    strays = float(np.hypot(*d) * (1 - np.cos(path.sweep[m] / n / 2)))
    return [(p, q, strays) for p, q in zip(points, points[1:], strict=False)]


def _solid(part: Any) -> Manifold:
    return Manifold(Mesh64(np.ascontiguousarray(part.corners), part.faces.astype(np.uint64)))


def _slice(corners: Array, z: float) -> Any:
    """The slice of a small hull at height z: all crossings of segments between its corners, and their
    hull."""
    low, high = corners[corners[:, 2] <= z], corners[corners[:, 2] >= z]
    rise = high[None, :, 2] - low[:, None, 2]
    f = np.where(rise > 0, (z - low[:, None, 2]) / np.where(rise > 0, rise, 1.0), 0.0)
    flat = low[:, None, :2] + f[:, :, None] * (high[None, :, :2] - low[:, None, :2])
    return MultiPoint(flat.reshape(-1, 2)).convex_hull


def _draw_slice(piece: Any, a: Array, b: Array, out: float, low: float, high: float) -> Any:
    """The widest outline of a draw between two heights."""
    heights = np.clip(np.array([low, high, *piece.z]), max(low, piece.z[0]), min(high, piece.z[-1]))
    r = float(np.max(np.interp(heights, piece.z, piece.r)))
    flat = replace(piece, z=np.zeros(1), r=np.full(1, r))
    return MultiPoint(draw_corners(flat, a, b, out)[:, :2]).convex_hull


def side_between(piece: Any, a: Array, b: Array, out: float, part: Array, window: float) -> float:
    """Least horizontal distance where the heights meet within ``window``; inf where they do not."""
    z0 = max(piece.z[0] - window, part[:, 2].min())
    z1 = min(piece.z[-1] + window, part[:, 2].max())
    if z0 > z1:
        return np.inf

    def at(z: float) -> float:
        return float(_draw_slice(piece, a, b, out, z - window, z + window).distance(_slice(part, z)))

    best = min(at(z0), at(z1))
    if z1 > z0 and best > 0:
        best = min(
            best, float(minimize_scalar(at, bounds=(z0, z1), method="bounded", options={"xatol": 1e-7}).fun)
        )
    return best


def height_between(draw: Array, part: Array) -> float:
    """Least vertical distance where one is over the other; inf where neither is. Two linear programs."""
    n, m = len(draw), len(part)
    rise = np.concatenate([-draw[:, 2], part[:, 2]])
    A = np.zeros((4, n + m))
    A[0, :n], A[1, n:] = 1.0, 1.0
    A[2:, :n], A[2:, n:] = draw[:, :2].T, -part[:, :2].T
    b = np.array([1.0, 1.0, 0.0, 0.0])
    ends = []
    for sign in (1.0, -1.0):
        got = linprog(sign * rise, A_eq=A, b_eq=b, method="highs")
        if got.status not in (0, 2):
            got = linprog(sign * rise, A_eq=A, b_eq=b, method="highs-ipm")
        if got.status == 2:
            return np.inf
        if got.status != 0:
            raise ArithmeticError(f"linprog gave no answer: {got.message}")
        ends.append(float(got.fun))
    return max(0.0, *ends)


def brackets(
    recipe: Recipe, scene: Any, head: str, shape_no: int, track_no: int, margin: Any, most: float
) -> dict[str, Any]:
    """Between which two lengths clearance, side and height of a head and a body lie.

    ``clearance`` is ``most`` where it is farther.
    """
    circumscribed = 1.0 / np.cos(np.pi / SIDES)
    found = {name: (pieces, moves) for name, pieces, moves in heads_of(scene.stretches[track_no])}[head]
    parts = [(p.corners, _solid(p)) for p in recipe.shapes[shape_no].parts]
    out = {"clearance": [most, most], "side": [np.inf, np.inf], "height": [np.inf, np.inf]}
    for piece, path in found[0]:
        for m in found[1]:
            for a, b, stray in straight_bits(path, m):
                for k, scale in enumerate((circumscribed, 1.0)):
                    hull = Manifold.hull_points(draw_corners(piece, a, b, scale))
                    off = (2 * k - 1) * stray
                    wide = None
                    if piece.r.min() + margin[0] >= off:
                        wide = draw_corners(piece, a, b, scale, margin[0] - off)
                    for corners, solid in parts:
                        gap = float(hull.min_gap(solid, most)) + off
                        out["clearance"][k] = min(out["clearance"][k], max(0.0, gap))
                        side = side_between(piece, a, b, scale, corners, margin[1]) + off
                        out["side"][k] = min(out["side"][k], max(0.0, side))
                        if wide is not None:
                            out["height"][k] = min(out["height"][k], height_between(wide, corners))
    return out
