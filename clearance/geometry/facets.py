"""Triangles and vectors go in; normals, the side that is outside, cross products and lengths come out.

As numpy's own, to the last digit, column by column: of few vectors ``np.cross`` spends most of its time on
telling which axis is meant, of many ``np.linalg.norm`` on rows of three.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import AabbSet

Array = NDArray[np.float64]

#: a face is level, and at a body's very top looks up, where the upward share of its normal is no less
LEVEL = 1.0 - 1e-9
#: facets at a body's top that are looked at to tell its outside, before the others
TOP = 500
#: what encloses no more than this share of its box six times encloses nothing
NOTHING = 1e-9


def cross(a: Array, b: Array) -> Array:
    """Cross products (N, 3) of vectors (N, 3), as ``np.cross``.

    Args:
        a, b: in one frame.
    """
    ax, ay, az = a.T
    bx, by, bz = b.T
    out = np.empty(a.shape)
    out[:, 0], out[:, 1], out[:, 2] = ay * bz - az * by, az * bx - ax * bz, ax * by - ay * bx
    return out


def normals(triangles: Array) -> Array:
    """Of triangles (N, 3, 3) the normals (N, 3), twice their area long."""
    return cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])


def lengths(vectors: Array) -> Array:
    """How long vectors (N, 3) are, as ``np.linalg.norm``."""
    x, y, z = vectors.T
    return np.asarray(np.sqrt(x * x + y * y + z * z))


def outward(triangles: Array, boxes: AabbSet) -> float:
    """1 where normals look outward, -1 where inward: a level facet at the very top looks up; where none is,
    the volume that the normals enclose tells, and of what encloses none the levellest facet there.

    Args:
        triangles: of a body (N, 3, 3).   boxes: theirs.
    """
    low, high = boxes.box
    rows = boxes.meeting(np.array([low[0], low[1], high[2] - 1e-9]), high)
    levellest = 0.0
    # of very many some are enough, unless none of them is level
    for some in (rows[:: -(-len(rows) // TOP)], rows):
        n = normals(triangles[some])
        up = n[:, 2] / np.maximum(lengths(n), 1e-300)
        levellest = float(up[np.argmax(np.abs(up))])
        if abs(levellest) >= LEVEL:
            return 1.0 if levellest > 0.0 else -1.0
    # six times it, from the middle of the box (the divergence theorem)
    corner = triangles - (low + high) / 2.0
    six = float((corner[:, 0] * cross(corner[:, 1], corner[:, 2])).sum())
    if abs(six) > NOTHING * float(np.prod(high - low)):
        return 1.0 if six > 0.0 else -1.0
    return -1.0 if levellest < 0.0 else 1.0
