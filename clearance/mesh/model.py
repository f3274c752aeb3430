"""A plain block or cylinder goes in, its triangles come out, centred in X Y and standing on Z = 0.

What a model is once it has been read: bodies by name, their unit, how far to trust their surface.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from clearance.records import record

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


@record
class Remark:
    """One thing found about a model.

    ``kind`` is a short stable word ("open edges"), ``severity`` one of "undecided", "close", "note",
    ``message`` one plain sentence with the figures.
    """

    kind: str
    severity: str
    message: str


@record
class Solid:
    """A body of triangles.

    Attributes:
        triangles: (N, 3, 3) float64, mm, in the body's own frame; finite; no order of corners is trusted.
        closed: inside and outside are facts; otherwise only distances to the surface are.
        facet_error: how far the triangles may lie from the true surface, mm, either way.
        remarks: what was found wrong or odd.
    """

    triangles: NDArray[np.float64]
    closed: bool = True
    facet_error: float = 0.0
    remarks: tuple[Remark, ...] = ()


#: Bytes that one triangle takes until it is judged: its corners, their copy, and the readers' lists.
BYTES_A_TRIANGLE = 300


@record
class ModelBody:
    """One body of a model file: its name ("" where it has none) and its triangles (N, 3, 3), float64."""

    name: str
    triangles: NDArray[np.float64]


@record
class RawModel:
    """A model file as read, before it is judged.

    Attributes:
        bodies: in file order.
        units: the words, of those a setup may say, that agree with the unit in the file; triangles are mm
            then. None where the file carries no unit; triangles are in the file's unit then.
        carries: the file's unit in words, for a message.
        facet_error: mm, see ``Solid``.   remarks: what the reader found odd.
    """

    bodies: tuple[ModelBody, ...]
    units: frozenset[str] | None = None
    carries: str = ""
    facet_error: float = 0.0
    remarks: tuple[Remark, ...] = ()
