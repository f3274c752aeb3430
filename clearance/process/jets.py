"""Flushing pressures and bores go in; the forces of the jets on a part, and where along a path they do worst,
come out.

A jet pushes with the pressure at its nozzle times the area of its bore, or of a larger wetted area where one
is given: the lower one up, the upper one down, each alone or both at once. 6 mm at 10 bar give 28 N, 8 mm at
15 bar 75 N (common practice, no source, for the pressures; the rest is arithmetic).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import pi

from clearance.process.statics import Array, Resultant, holding_force, hull, outside

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


def resultants(weight: Resultant, jets: Jets, path: Array) -> list[Resultant]:
    """The weight alone, and with the jets on at each place of a path (N, 2) where they can do worst.

    The place of the resultant is affine in that of the jet, and how far it lies outside a hull is convex: the
    corners of the path's own hull are enough.
    """
    found = [weight]
    if jets.lower == jets.upper == 0.0:
        return found
    for net in sorted({-jets.lower, jets.upper, jets.upper - jets.lower} - {0.0}):
        found += [weight + Resultant.of(net, place) for place in hull(path)]
    return found


def worst(weight: Resultant, jets: Jets, path: Array, corners: Array) -> float:
    """By how much (mm) the resultant lies outside the hull ``corners`` at the worst place of a path.

    Negative: within; infinite where it points up.
    """
    return max(
        float("inf") if total.down <= 0.0 else outside(total.at, corners)
        for total in resultants(weight, jets, path)
    )


def needed(weight: Resultant, jets: Jets, path: Array, at: Array, corners: Array, edge: float = 0.0) -> float:
    """The least force down (N) at a place (2,) with which a part stands wherever on a path (N, 2) the jets
    are; infinite where none is enough."""
    return max(holding_force(total, at, corners, edge) for total in resultants(weight, jets, path))
