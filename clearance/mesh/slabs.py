"""A body's facets go in; its slices, two in each slab between its own levels, come out."""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import Boxes
from clearance.mesh.sections import THIN, Outline

Array = NDArray[np.float64]

#: levels at most; of more, every so many is taken (the 350 of a round bar would cost more than the whole
#: check; with these its volume is 3e-5 off)
LEVELS = 60
#: a facet that covers less than this share of its box's longest side squared, in plan, is upright
UPRIGHT = 1e-7
#: heights that agree within this are one, mm
SAME = 1e-9
_GAUSS = np.array([0.5 - 0.5 / np.sqrt(3.0), 0.5 + 0.5 / np.sqrt(3.0)])


def levels_of(triangles: Array) -> Array:
    """Heights (K,) between which no slice changes its make, the lowest and the highest included.

    They are those of all corners of facets that do not stand upright.
    """
    a, b, c = (triangles[:, k] for k in range(3))
    p, q = b - a, c - a
    flat = np.abs(p[:, 0] * q[:, 1] - p[:, 1] * q[:, 0])
    size = np.maximum(np.abs(p).max(axis=1), np.abs(q).max(axis=1))
    z = triangles[flat > UPRIGHT * size * size][..., 2]
    # a level facet has one height, not three: sorting them is what takes the time
    level = (z[:, 0] == z[:, 1]) & (z[:, 1] == z[:, 2])
    ends = [float(triangles[..., 2].min()), float(triangles[..., 2].max())]
    found = np.unique(np.round(np.r_[z[level, 0], z[~level].reshape(-1), ends], 4))
    if len(found) > LEVELS:
        found = found[np.unique(np.linspace(0, len(found) - 1, LEVELS).round().astype(int))]
    return np.asarray(found)


class Slabs(Outline):
    """A body by two slices in each slab between its own levels; see ``Outline``.

    ``like``: the same body's outline, whose slices are taken where they are at the same heights.
    """

    def __init__(self, triangles: Array, boxes: Boxes, like: Outline | None = None) -> None:
        self.triangles, self.boxes = triangles, boxes
        levels = levels_of(triangles)
        self.low, self.high = float(levels[0]), float(levels[-1])
        thick = np.diff(levels)
        keep = thick > THIN
        base, thick = levels[:-1][keep], thick[keep]
        self.z = (base[:, None] + thick[:, None] * _GAUSS).reshape(-1)
        self.weight = np.repeat(thick / 2.0, 2)
        self._like = like

    @cached_property
    def slices(self) -> list[Any]:
        """As those of ``Outline``."""
        like = self._like
        if like is not None and len(like.z) == len(self.z) and np.allclose(like.z, self.z, 0.0, SAME):
            return like.slices
        return self.sliced()
