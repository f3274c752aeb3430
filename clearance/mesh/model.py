"""What a model is once it has been read: bodies by name, their unit, how far to trust their surface."""

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


#: Bytes that one triangle takes until it is judged: its corners, their copy, and the readers' lists.
BYTES_A_TRIANGLE = 300


@dataclass(frozen=True)
class ModelBody:
    """One body of a model file: its name ("" where it has none) and its triangles (N, 3, 3), float64."""

    name: str
    triangles: NDArray[np.float64]


@dataclass(frozen=True)
class Model:
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
