"""What a model is once it has been read: triangles, and a judgement of how far to trust them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Remark:
    """One thing found about a model.

    ``kind`` is a short stable word ("open edges"), ``severity`` one of "undecided", "close", "note",
    ``message`` one plain sentence with the figures.
    """

    kind: str
    severity: str
    message: str


@dataclass(frozen=True)
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
