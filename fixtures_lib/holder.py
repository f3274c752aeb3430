"""What every holder file gives: a ``Kind`` that turns parameters into a ``Holder``."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Parameter:
    """One dimension that a user can measure on what he owns and type in.

    ``default``, ``low`` and ``high`` are mm (or degrees where ``unit`` says so); for a choice, ``choices``
    holds the words allowed; ``many`` makes it a list of numbers, each within the range.
    """

    name: str
    default: Any
    meaning: str
    low: float | None = None
    high: float | None = None
    unit: str = "mm"
    choices: tuple[str, ...] = ()
    many: bool = False


@dataclass(frozen=True)
class Seat:
    """A named frame on a holder: pose (4, 4) in H, and one line on what stands there."""

    T_HS: NDArray[np.float64]
    meaning: str


@dataclass(frozen=True)
class Limit:
    """A bound on what a holder may hold.

    ``quantity``: "mass" (kg, all that stands on it), or of the part in its seat's frame, mm: "x", "y", "z"
    (extents), "diameter" (the larger extent across the seat's X axis, along which a bar lies).
    ``source``: where the figure is from ("common practice, no source", "the parameters").
    """

    quantity: str
    low: float | None
    high: float | None
    source: str


@dataclass(frozen=True)
class Holder:
    """A built holder in its own frame H (mm).

    Attributes:
        shells: closed triangle meshes (N, 3, 3) each, watertight one by one; they may touch or overlap.
        seats: by name.   limits: what it may hold.
        params: every parameter with the value used.
    """

    shells: tuple[NDArray[np.float64], ...]
    seats: Mapping[str, Seat]
    limits: tuple[Limit, ...] = ()
    params: Mapping[str, Any] = field(default_factory=dict)

    @property
    def triangles(self) -> NDArray[np.float64]:
        """All shells together, (N, 3, 3)."""
        return np.concatenate(self.shells)


@dataclass(frozen=True)
class Kind:
    """A kind of holder: its parameters, and the function that builds one from a full set of values."""

    name: str
    summary: str
    parameters: tuple[Parameter, ...]
    build: Callable[[Mapping[str, Any]], Holder]
    laid: bool = False
    cautions: tuple[str, ...] = ()
