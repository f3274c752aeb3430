"""NC arcs: start, end and I J or R go in, centre and signed sweep come out, or why there is no such arc.

Source of the rules: NISTIR 6556, The NIST RS274NGC Interpreter, "Arc": I J are counted from the arc's start;
R > 0 turns less than 180 degrees, R < 0 more; R with the end at the start is an error; a full circle needs
I J. (From memory of that report; its own tolerance for unequal radii is 0.002 mm.)
"""

from __future__ import annotations

from math import atan2, hypot, pi, sqrt

from clearance.toolpath.nc.words import length

_SAME = 1e-9  # mm: an end so near to the start is the start, and the arc a full circle


class NoArc(ValueError):
    """The words give no arc. ``found`` and ``want`` are for the message."""

    def __init__(self, found: str, want: str) -> None:
        super().__init__(found)
        self.found = found
        self.want = want


def from_centre(
    start: tuple[float, float],
    end: tuple[float, float],
    centre: tuple[float, float],
    ccw: bool,
    tolerance: float,
    scale: float = 1.0,
) -> tuple[float, float]:
    """Sweep (radians, positive anticlockwise) and by how much the end misses the circle (mm).

    Points in mm, one frame; ``scale`` is mm in one unit of the program, for messages. Raises NoArc where the
    radius is nothing or start and end lie on circles whose radii differ by more than ``tolerance`` mm.

    Args:
        start, end, centre: mm, one frame.   ccw: anticlockwise, seen from above.   tolerance: mm.
        scale: mm in one unit of the program, for messages.
    """
    ax, ay = start[0] - centre[0], start[1] - centre[1]
    bx, by = end[0] - centre[0], end[1] - centre[1]
    r0, r1 = hypot(ax, ay), hypot(bx, by)
    if r0 <= _SAME:
        raise NoArc(
            "an arc of radius 0 (I and J are 0)", "I J are the way from the arc's start to its centre"
        )
    miss = abs(r1 - r0)
    if not miss <= tolerance:
        raise NoArc(
            f"the arc's start lies {length(r0, scale)} from its centre and its end {length(r1, scale)}, "
            f"{miss:.4g} mm apart",
            f"radii that agree within {tolerance:g} mm; I J are counted from the arc's start",
        )
    if hypot(end[0] - start[0], end[1] - start[1]) <= _SAME:
        return (2 * pi if ccw else -2 * pi), miss
    turn = (atan2(by, bx) - atan2(ay, ax)) % (2 * pi)
    if not ccw:
        turn -= 2 * pi
    return turn or (2 * pi if ccw else -2 * pi), miss


def from_radius(
    start: tuple[float, float],
    end: tuple[float, float],
    radius: float,
    ccw: bool,
    tolerance: float,
    scale: float = 1.0,
) -> tuple[float, float, float, float]:
    """Centre x, y (mm), sweep (radians) and miss (mm) of an arc given by R.

    A chord longer than the diameter by no more than ``tolerance`` makes a half circle about its middle.

    Args:
        start, end: mm, one frame.   radius: mm; negative for an arc of more than half a turn.
        ccw: anticlockwise, seen from above.   tolerance: mm.   scale: mm in one unit of the program, for
            messages.
    """
    dx, dy = end[0] - start[0], end[1] - start[1]
    chord = hypot(dx, dy)
    if chord <= _SAME:
        raise NoArc("an arc by R whose end is its start", "I J for a full circle")
    if radius == 0:
        raise NoArc("an arc with R0", "the arc's radius")
    half = chord / 2
    miss = half - abs(radius)
    if not miss <= tolerance:
        raise NoArc(
            f"an arc of radius {length(abs(radius), scale)} cannot reach an end {length(chord, scale)} away",
            f"R of {length(half, scale)} or more",
        )
    rise = sqrt(max(radius * radius - half * half, 0.0))
    # Less than half a turn anticlockwise keeps the centre to the left of the chord.
    if (radius > 0) != ccw:
        rise = -rise
    cx = start[0] + dx / 2 - dy / chord * rise
    cy = start[1] + dy / 2 + dx / chord * rise
    turn = 2 * atan2(half, abs(rise))
    if radius < 0:
        turn = 2 * pi - turn
    return cx, cy, (turn if ccw else -turn), max(miss, 0.0)
