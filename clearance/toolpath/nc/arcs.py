"""NC arcs: start, end and I J or R go in, centre and signed sweep come out, or why there is no such arc.

Source of the rules: NISTIR 6556, The NIST RS274NGC Interpreter, "Arc": I J are counted from the arc's start;
R > 0 turns less than 180 degrees, R < 0 more; R with the end at the start is an error; a full circle needs
I J. (From memory of that report; its own tolerance for unequal radii is 0.002 mm.)

The lines that most programs are full of, many at a time: straight moves and arcs in plain words.

Plain is what means the same whatever the control's habits: N, one of G00 to G03, X Y I J each with its
decimal point, F; nothing else in the line. Whatever is not plain, and whatever would be an error, is left to
``nc``, block by block; what is read here is what it would read, to the last bit, in a fifth of the time.
"""

from __future__ import annotations

import re
from math import atan2, hypot, pi, sqrt
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from clearance.toolpath.nc.rows import SAME
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


if TYPE_CHECKING:
    from clearance.toolpath.nc.control import Control

Array = NDArray[np.float64]
Found = list[tuple[str, str, str, str, str, str, str]]

#: lines at a time: fewer are not worth it, more do not fit the cache
LEAST, MOST = 16, 8192

_NUMBER = r"([-+]?[0-9]{1,12}\.[0-9]{0,20})[ \t]*"
_LINE = (
    r"[ \t]*(?:(N[0-9]{1,12})[ \t]*)?(?:G0?([0123])(?![0-9.])[ \t]*)?"
    rf"(?:X{_NUMBER})?(?:Y{_NUMBER})?(?:I{_NUMBER})?(?:J{_NUMBER})?"
    r"(?:(F[0-9]{1,12}(?:\.[0-9]{0,20})?)[ \t]*)?\n"
)
_ONE = re.compile(_LINE)
_MANY = re.compile(rf"(?:(?>{_LINE})){{{LEAST},{MOST}}}+")


def plain_lines(text: str, begin: int) -> tuple[Found, int]:
    """The words of the plain lines from a place in the text on, where they are enough, and where they end.

    Args:
        text: the whole program.   begin: index of the first character of a line.
    """
    many = _MANY.match(text, begin)
    return ([], begin) if many is None else (_ONE.findall(text, begin, many.end()), many.end())


def can_take(control: Control) -> bool:
    """Whether the control is where plain lines mean what they say."""
    return (
        control.motion is not None
        and control.ended is None
        and control.out.first is not None
        and not control.relative
        and control.plain
        and not control.taper.named
        and not control.out.height.named
    )


def take(control: Control, found: Found) -> bool:
    """Carry out lines, the first of which is the control's line; or change nothing and say no, where one of
    them would be an error or is not so plain.

    Args:
        control: as it is before the lines.   found: of ``plain_lines``.
    """
    assert control.motion is not None
    labels, g, xs, ys, i, j, feeds = zip(*found, strict=True)
    now = control.motion
    motion = np.array([(now := int(word)) if word else now for word in g])
    x = _places(xs, control.x, control.scale, control.shift_x)
    y = _places(ys, control.y, control.scale, control.shift_y)
    has_centre = np.array([bool(a or b) for a, b in zip(i, j, strict=True)])
    goes = has_centre | np.array([bool(a or b) for a, b in zip(xs, ys, strict=True)])
    arcs = goes & (motion >= 2)
    if (has_centre != arcs).any():
        return False
    x0, y0 = np.concatenate([[control.x], x[:-1]]), np.concatenate([[control.y], y[:-1]])
    step = np.abs(x - x0) + np.abs(y - y0)
    if ((step > 0) & (step <= SAME)).any():
        return False
    cx, cy, sweep = np.zeros(len(x)), np.zeros(len(x)), np.zeros(len(x))
    if arcs.any():
        which = np.flatnonzero(arcs)
        cx[which] = x0[which] + np.array([float(i[k] or 0) for k in which.tolist()]) * control.scale
        cy[which] = y0[which] + np.array([float(j[k] or 0) for k in which.tolist()]) * control.scale
        begin, end = np.stack([x0, y0])[:, which], np.stack([x, y])[:, which]
        centre = np.stack([cx, cy])[:, which]
        turns, miss = _turns(begin, end, centre, motion[which] == 3, control.options.arc_tolerance)
        if turns is None:
            return False
        sweep[which] = turns
        control.out.miss = max(control.out.miss, miss)
    kept = np.flatnonzero(arcs | (goes & (step > 0)))
    if len(kept):
        control.out.height.stays(control.key)
        number = control.number if control.number >= 0 else control.h_number
        control.out.rows.extend(
            [v[kept] for v in (x, y, cx, cy, sweep)],
            motion[kept] == 0,
            (control.side, number, control.event),
            kept + control.key,
            [labels[k] for k in kept.tolist()],
            control.uv,
        )
        control.event = 0
    first_feed = next((k for k, word in enumerate(feeds) if word), None)
    if first_feed is not None and "F" not in control.out.passed_over:
        control.out.passed_over["F"] = (feeds[first_feed], control.line + first_feed)
    control.motion = now
    control.x, control.y = float(x[-1]), float(y[-1])
    return True


def _places(words: tuple[str, ...], before: float, scale: float, shift: float) -> Array:
    """Where each line ends along one axis, mm; a line without the word stays."""
    if all(words):
        return np.array(list(map(float, words))) * scale + shift
    said = np.array([word != "" for word in words])
    value = np.array([float(word or 0) for word in words]) * scale + shift
    last = np.maximum.accumulate(np.where(said, np.arange(len(words)), -1))
    return np.where(last < 0, before, value[last])


def _turns(
    begin: Array, end: Array, centre: Array, ccw: NDArray[np.bool_], tolerance: float
) -> tuple[list[float] | None, float]:
    """The sweeps as ``arcs.from_centre`` has them, and the most that an end misses; None where one is no arc.

    Places (2, N), mm. By the same functions of the same numbers, so that not a bit differs.
    """
    (ax, ay), (bx, by) = (begin - centre).tolist(), (end - centre).tolist()
    r0, r1 = list(map(hypot, ax, ay)), list(map(hypot, bx, by))
    miss = max(map(abs, map(float.__sub__, r1, r0)))
    if min(r0) <= SAME or not miss <= tolerance:
        return None, 0.0
    from_angle, to_angle = map(atan2, ay, ax), map(atan2, by, bx)
    chords = map(hypot, *(end - begin).tolist())
    turns = []
    for a, b, chord, left in zip(from_angle, to_angle, chords, ccw.tolist(), strict=True):
        whole = 2 * pi if left else -2 * pi
        turn = (b - a) % (2 * pi)
        if not left:
            turn -= 2 * pi
        turns.append(whole if chord <= SAME else turn or whole)
    return turns, miss
