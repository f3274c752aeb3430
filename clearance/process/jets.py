"""Flushing pressures and bores go in; the forces of the jets on a part, and where along a path they do worst,
come out.

A jet pushes with the pressure at its nozzle times the area of its bore, or of a larger wetted area where one
is given: the lower one up, the upper one down, each alone or both at once. 6 mm at 10 bar give 28 N, 8 mm at
15 bar 75 N (common practice, no source, for the pressures; the rest is arithmetic).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

import numpy as np

from clearance.process.statics import Array, Resultant, outside

#: N/mm2 in one bar
BAR = 0.1


def force(pressure: float, bore: float, area: float | None = None) -> float:
    """The force (N) of a jet: bar, mm, and mm2 where the wetted area is larger than the bore.

    >>> round(force(10, 6), 1), round(force(15, 8), 1)
    (28.3, 75.4)
    """
    wet = pi * bore * bore / 4.0
    return BAR * pressure * (wet if area is None else max(wet, area))


@dataclass(frozen=True)
class Jets:
    """The forces of the lower and the upper jet, N."""

    lower: float
    upper: float


def worst_place(weight: Resultant, jets: Jets, path: Array, corners: Array) -> tuple[float, Resultant]:
    """Where along a path (N, 2) the jets bring a body nearest to lifting or tipping.

    Returns:
        By how much (mm) the resultant then lies outside the hull ``corners``, negative: within; infinite
        where it points up; and that resultant.
    """
    worst = (outside(weight.at, corners), weight)
    for lower, upper in ((jets.lower, 0.0), (0.0, jets.upper), (jets.lower, jets.upper)):
        net = upper - lower
        if net == 0.0 and not upper:
            continue
        for place in path:
            total = weight + Resultant.of(net, place)
            off = float("inf") if total.down <= 0.0 else outside(total.at, corners)
            if off > worst[0] or (np.isinf(off) and total.down < worst[1].down):
                worst = (off, total)
    return worst
