"""What every reader of a model file hands on: the bodies in it, by name, and the unit it carries."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.solids.solid import Remark

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
