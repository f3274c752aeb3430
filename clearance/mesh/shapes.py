"""A plain block or cylinder goes in, its triangles come out, centred in X Y and standing on Z = 0."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Triangles = NDArray[np.float64]

#: how far a cylinder's facets may stand outside the true one (mm), or as a share of its radius if more
FACET_EXCESS = 2e-4
FACET_EXCESS_SHARE = 1e-6


def box(x: tuple[float, float], y: tuple[float, float], z: tuple[float, float]) -> Triangles:
    """The twelve triangles (12, 3, 3) of a block, mm; corners run anticlockwise seen from outside.

    Args:
        x, y, z: (low, high) along each axis, mm.
    """
    outline = np.array([(x[0], y[0]), (x[1], y[0]), (x[1], y[1]), (x[0], y[1])])
    return prism(outline, z)


def cylinder(diameter: float, height: float) -> Triangles:
    """A cylinder on Z = 0 (4 N - 4 triangles), mm.

    The facets stand around the true cylinder, touching it, so a distance to it is never too large;
    it is too small by at most ``FACET_EXCESS``. Facets face +-X and +-Y, where nothing is lost.

    Args:
        diameter, height: mm, more than 0.
    """
    radius = diameter / 2
    excess = max(FACET_EXCESS, radius * FACET_EXCESS_SHARE)
    # corners of the polygon around a circle of radius r stand r / cos(pi / n) from the centre
    n = 4 * math.ceil(math.pi / math.acos(radius / (radius + excess)) / 4)
    n = max(n, 16)
    angle = (np.arange(n) + 0.5) * (2 * np.pi / n)
    outline = np.column_stack([np.cos(angle), np.sin(angle)]) * (radius / np.cos(np.pi / n))
    return prism(outline, (0.0, height))


def prism(outline: NDArray[np.float64], z: tuple[float, float]) -> Triangles:
    """A convex outline (N, 2), anticlockwise, from z[0] to z[1]: 4 N - 4 triangles."""
    n = len(outline)
    low = np.column_stack([outline, np.full(n, z[0])])
    high = np.column_stack([outline, np.full(n, z[1])])
    after = np.roll(np.arange(n), -1)
    fan = np.column_stack([np.zeros(n - 2, dtype=int), np.arange(1, n - 1), np.arange(2, n)])
    return np.concatenate(
        [
            np.stack([low, low[after], high[after]], axis=1),
            np.stack([low, high[after], high], axis=1),
            low[fan[:, ::-1]],
            high[fan],
        ]
    )
