"""What a holder's drawing says beside its lines: which parameter is measured where, and what lies on it.

Points are (x, y, z), mm, in the holder's frame H; a view uses two of the three: "front" looks along Y, with X
to the right and Z up, "right" looks from positive X, with Y to the right and Z up, "above" has X to the right
and Y up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Point = Sequence[float]

#: which of X, Y, Z goes to the right and which up in a view
VIEWS = {"front": (0, 2), "right": (1, 2), "above": (0, 1)}


@dataclass(frozen=True)
class Length:
    """A dimension line for a parameter, between two points, along one axis.

    Attributes:
        parameter: its name.   view: of ``VIEWS``.   along: "x", "y" or "z", one of the two that the view has.
        a, b: the points that are measured; how far they are apart along the axis is the parameter's value.
        across: it is a diameter.
        side: where its line stands, "left", "right", "above" or "below" the view; left out, where it is near.
    """

    parameter: str
    view: str
    along: str
    a: Point
    b: Point
    across: bool = False
    side: str = ""

    @property
    def measured(self) -> float:
        """How far its points are apart, mm."""
        k = "xyz".index(self.along)
        return abs(float(self.b[k]) - float(self.a[k]))


@dataclass(frozen=True)
class Angle:
    """An arc for a parameter in degrees, about a point, from one direction to another.

    ``a`` and ``b`` are points on the two legs, as the view shows them.
    """

    parameter: str
    view: str
    about: Point
    a: Point
    b: Point

    @property
    def measured(self) -> float:
        """The angle between its legs, degrees, 0 to 180."""
        right, up = VIEWS[self.view]
        u, v = (
            np.array([float(p[right] - self.about[right]), float(p[up] - self.about[up])])
            for p in (self.a, self.b)
        )
        return float(np.degrees(np.arctan2(abs(u[0] * v[1] - u[1] * v[0]), u @ v)))


@dataclass(frozen=True)
class Mark:
    """Words with a line to a point of one view; ``to``: where they stand from there, pixels right and up."""

    text: str
    view: str
    at: Point
    to: tuple[float, float] = (26.0, 22.0)


@dataclass(frozen=True)
class Drawn:
    """What goes onto a holder's drawing beside its own lines.

    Attributes:
        dimensions: for the parameters; those of no length are left out by themselves.
        part: shells (N, 3, 3) of what would lie on it, drawn in grey.
        marks: words at places.   lines: (view, a, b), fine lines that are no body, a scale's divisions say.
        notes: sentences beside the views.
    """

    dimensions: tuple[Length | Angle, ...] = ()
    part: tuple[NDArray[np.float64], ...] = ()
    marks: tuple[Mark, ...] = ()
    lines: tuple[tuple[str, Point, Point], ...] = ()
    notes: tuple[str, ...] = ()
