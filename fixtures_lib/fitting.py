"""A part's triangles in its seat's frame go in; the measures that a clamp needs of it come out.

Lengths are mm. Everything is measured on the triangles as they are, cut off exactly where a jaw ends.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fixtures_lib.holder import Conflict, Holder

Array = NDArray[np.float64]

SEATED = 0.05  # a part stands against a jaw, or centred in a ring, where it is off by less


@dataclass(frozen=True)
class Fitted:
    """What fitting a holder to a part gave.

    Attributes:
        params: every parameter given or fitted, to be handed to ``build`` (mm).
        said: one sentence for each value that was set.
        problems: one sentence for each that could not be: the number and its limit. Values outside a range
            are set to the range's end, so that the scene can still be made and looked at.
        built: what ``build`` makes of these values; None where nobody made it yet.
    """

    params: dict[str, Any]
    said: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    built: Holder | None = None


def length(value: float) -> float:
    """A length measured on triangles, mm, without the last digits of their arithmetic."""
    return round(float(value), 6)


def between(triangles: Array, axis: int, low: float, high: float) -> Array:
    """What of the triangles (N, 3, 3) lies between two planes across ``axis``, as triangles."""
    return _above(_above(triangles, axis, low, 1.0), axis, -high, -1.0)


def _above(triangles: Array, axis: int, level: float, sign: float) -> Array:
    """What of the triangles has sign * coordinate >= level: each gives none, one or two."""
    height = sign * triangles[:, :, axis] - level
    up = height >= 0
    count = up[:, 0].astype(int) + up[:, 1] + up[:, 2]
    whole = triangles[count == 3]
    pieces = [whole]
    for kept in (1, 2):
        some = count == kept
        t, h = triangles[some], height[some]
        alone = (h >= 0) if kept == 1 else (h < 0)
        first = alone.argmax(axis=1)  # the corner that is alone on its side goes to the front
        order = (first[:, None] + np.arange(3)) % 3
        t, h = np.take_along_axis(t, order[:, :, None], axis=1), np.take_along_axis(h, order, axis=1)
        a, b, c = t[:, 0], t[:, 1], t[:, 2]
        ab = a + (b - a) * (h[:, 0] / (h[:, 0] - h[:, 1]))[:, None]
        ac = a + (c - a) * (h[:, 0] / (h[:, 0] - h[:, 2]))[:, None]
        if kept == 1:
            pieces.append(np.stack([a, ab, ac], axis=1))
        else:
            pieces += [np.stack([ab, b, c], axis=1), np.stack([ab, c, ac], axis=1)]
    return np.concatenate(pieces)


def box_of(triangles: Array, what: str, where: str) -> tuple[Array, Array]:
    """Lowest and highest corner (3,) each.

    Raises:
        Conflict: nothing of the part is there; ``what`` does the holding, ``where`` is the place.
    """
    if len(triangles) == 0:
        raise Conflict(
            "fit", f"{what} does not reach the part: nothing of it is {where}", "move the part or it"
        )
    points = triangles.reshape(-1, 3)
    return points.min(axis=0), points.max(axis=0)
