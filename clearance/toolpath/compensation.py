"""Programmed moves and the wire offset go in; the moves of the wire's centre, and so of the guides, come out.

The rules.
    Left of the path (G41) or right (G42), by the size that the setup gives for the D number.
    Lead-in: the straight move on which the offset comes on goes from where the wire is to the offset start of
    the move behind it, at right angles to that move's start. Lead-out: the straight move on which it goes off
    begins at the offset end of the move before.
    Outside corners are rounded about the programmed corner; a control that goes to the mitre instead leaves
    this path by the mitre's length. Inside corners are cut short where the offset moves meet.
    An arc whose radius the offset uses up, and a move that two inside corners use up, are errors.
    Rounding. A program is written with so many decimals, so an arc's end lies a little beside its circle,
    and moves that should run on smoothly meet at small corners. At each of its ends an arc counts as part of
    the circle through that end. An inside corner no larger than what rounding can make, whose moves are too
    short to be trimmed, is bridged: the wire is nearer to the contour there by d (1 - cos of the corner),
    which is handed back. Any other corner must have room.
    Where the wire's way cuts into the contour farther on is found by ``gouge``, and told.
Source: outside corners as in NISTIR 6556, cutter radius compensation (from memory); the mitre of two straight
moves is plane geometry.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import zip_longest
from math import atan2, cos, hypot, pi, sin, sqrt

from clearance.errors import InputError
from clearance.records import record
from clearance.toolpath.nc.gouge import Gouge, gouges
from clearance.toolpath.nc.rows import Row
from clearance.toolpath.nc.words import length

Fail = Callable[[int, str, str], InputError]

_SAME = 2e-5  # mm: offset ends so near to each other are one point; what that moves is handed back


@record
class Rounding:
    """``unit`` is one of the last decimals that the program is written with, mm; ``scale`` mm in one unit of
    the program, for messages."""

    unit: float
    scale: float = 1.0

    @property
    def spare(self) -> float:
        """By how much a bridged corner may bring the wire nearer to the contour, mm."""
        return 5.0 * self.unit

    def turns(self, row: Row, length: float, radius: float) -> float:
        """By how much rounding can turn one end of a move, radians: of a line by both of its ends, of an arc
        by its start, its centre and its end.

        Args:
            row: of the program (see ``nc.rows``).   length: of the move, mm.   radius: of an arc, mm.
        """
        off = self.unit / sqrt(2)
        return 2.0 * off / length if row[4] == 0 else 3.0 * off / radius


EXACT = Rounding(0.0)


class _Bit:
    """One offset move: programmed row, tangents at both ends, and the stretch of it that is left.

    ``low`` and ``high`` run along it: mm of a line, radians of an arc.
    """

    __slots__ = (
        "cx", "cy", "d", "end", "high", "low", "p0", "p1", "radius0", "radius1", "row", "sign", "t0", "t1",
        "whole",
    )  # fmt: skip

    def __init__(
        self, start: tuple[float, float], row: Row, d: float, fail: Fail, scale: float = 1.0
    ) -> None:
        x0, y0 = start
        x1, y1, self.cx, self.cy, sweep = row[:5]
        self.row, self.d = row, d
        if sweep == 0:
            long = hypot(x1 - x0, y1 - y0)
            self.t0 = self.t1 = ((x1 - x0) / long, (y1 - y0) / long)
            self.sign, self.whole = 0, long
        else:
            self.sign = 1 if sweep > 0 else -1
            self.whole = abs(sweep)
            self.t0 = self._tangent(x0, y0)
            self.t1 = self._tangent(x1, y1)
            self.radius0 = hypot(x0 - self.cx, y0 - self.cy) - self.sign * d
            self.radius1 = hypot(x1 - self.cx, y1 - self.cy) - self.sign * d
            radius = min(self.radius0, self.radius1) + self.sign * d
            if radius - self.sign * d <= _SAME:
                found = (
                    f"the wire offset of {length(abs(d), scale)} uses up the arc's radius of "
                    f"{length(radius, scale)}"
                )
                raise fail(row[9], found, "a radius larger than the offset, or a smaller offset")
        self.low, self.high = 0.0, self.whole
        self.p0 = (x0 - d * self.t0[1], y0 + d * self.t0[0])
        self.p1 = self.end = (x1 - d * self.t1[1], y1 + d * self.t1[0])

    def _tangent(self, x: float, y: float) -> tuple[float, float]:
        dx, dy = x - self.cx, y - self.cy
        r = hypot(dx, dy) * self.sign
        return -dy / r, dx / r

    def along(self, x: float, y: float) -> float:
        """Where a point of this move's line or circle lies along it."""
        if self.sign == 0:
            return (x - self.p0[0]) * self.t0[0] + (y - self.p0[1]) * self.t0[1]
        begin = atan2(self.p0[1] - self.cy, self.p0[0] - self.cx)
        turn = (atan2(y - self.cy, x - self.cx) - begin) * self.sign % (2 * pi)
        # Just before the start reads as nearly a whole turn.
        return turn - 2 * pi if turn > self.whole and turn - pi > self.whole / 2 else turn

    def at(self, along: float) -> tuple[float, float]:
        """The point so far along."""
        if along == 0.0:
            return self.p0
        if along == self.whole:
            return self.p1
        if self.sign == 0:
            return self.p0[0] + along * self.t0[0], self.p0[1] + along * self.t0[1]
        angle = atan2(self.p0[1] - self.cy, self.p0[0] - self.cx) + self.sign * along
        r = self.radius0 + (self.radius1 - self.radius0) * along / self.whole
        return self.cx + r * cos(angle), self.cy + r * sin(angle)


class _Joint:
    """What was done between two bits.

    Attributes:
        row: the move that stands between them.   trimmed: both end where they meet.
        spent: by how much a bridge brings the wire nearer to the contour, mm; None: there can be no bridge.
    """

    __slots__ = ("a", "b", "row", "spent", "trimmed")

    def __init__(self, a: _Bit, b: _Bit, rounding: Rounding) -> None:
        self.a, self.b = a, b
        self.row: Row | None = None
        self.trimmed = False
        self.spent: float | None = None
        turn = abs(_turn(a, b))
        spent = abs(a.d) * (1.0 - cos(turn))
        made = sum(rounding.turns(bit.row, bit.whole, r) for bit, r in _ends(a, b))
        if spent <= (rounding.spare if turn <= made else 0.0) + _SAME:
            self.spent = spent

    def bridge(self) -> float:
        """Let both be whole, with a straight move between their ends. Returns what it costs, mm."""
        self.a.high, self.a.p1, self.b.low = self.a.whole, self.a.end, 0.0
        self.trimmed = False
        self.row = _between(self.a, self.b, 0.0, 0.0, 0.0)
        return self.spent or 0.0


def _ends(a: _Bit, b: _Bit) -> tuple[tuple[_Bit, float], tuple[_Bit, float]]:
    """Both bits with the radius of the programmed circle at their common corner (of no meaning for lines)."""
    return (
        (a, a.radius1 + a.sign * a.d if a.sign else 0.0),
        (b, b.radius0 + b.sign * b.d if b.sign else 0.0),
    )


def offset_rows(
    first: tuple[float, float],
    rows: Sequence[Row],
    size: Callable[[int, int], float],
    fail: Fail,
    rounding: Rounding = EXACT,
) -> tuple[list[Row], float, list[Gouge]]:
    """The rows of the wire's centre, by how much they may miss it (mm: ends that were taken as one point,
    corners that were bridged), and where they cut into the contour.

    Args:
        first: where the path begins, mm.
        rows: the programmed moves; the offset is on where their side is not 0.
        size: (offset number, line) -> mm.
        fail: (line, found, want) -> the error to raise.
        rounding: what the program's decimals leave open.
    """
    out: list[Row] = []
    miss = 0.0
    found: list[Gouge] = []
    at = first
    i = 0
    while i < len(rows):
        row = rows[i]
        if row[6] == 0:
            if i and rows[i - 1][6] and row[4]:
                raise fail(row[9], "the wire offset goes off on an arc", "a straight move behind G40")
            out.append(row)
            at = (row[0], row[1])
            i += 1
            continue
        j = i + 1
        while j < len(rows) and rows[j][6]:
            j += 1
        run, d, gap = _run(at, rows[i:j], size, fail, rounding)
        out += run
        miss = max(miss, gap)
        if j > i + 1 and d != 0:
            begin = (row[0], row[1])
            found += gouges((begin, rows[i + 1 : j]), ((run[0][0], run[0][1]), run[1:]), abs(d), gap)
        at = (rows[j - 1][0], rows[j - 1][1])
        i = j
    return out, miss, found


def _run(
    at: tuple[float, float],
    rows: Sequence[Row],
    size: Callable[[int, int], float],
    fail: Fail,
    rounding: Rounding,
) -> tuple[list[Row], float, float]:
    """The moves from where the offset comes on to where it goes off, its size, and by how much they miss."""
    lead = rows[0]
    if lead[4]:
        raise fail(lead[9], "the wire offset comes on on an arc", "a straight move with G41 or G42")
    d = lead[6] * size(lead[7], lead[9])
    bits: list[_Bit] = []
    corner = (lead[0], lead[1])
    for row in rows[1:]:
        if row[6] != lead[6] or (row[7] != lead[7] and row[6] * size(row[7], row[9]) != d):
            raise fail(row[9], "the wire offset changes while it is on", "G40 before the other offset")
        bits.append(_Bit(corner, row, d, fail, rounding.scale))
        corner = (row[0], row[1])
    if not bits:
        alone = _Bit(at, lead, d, fail, rounding.scale)
        return [(*alone.p1, *lead[2:])], d, 0.0
    out: list[Row] = [(*bits[0].p0, *lead[2:])]
    miss = 0.0
    joints: list[_Joint] = []
    for a, b in zip(bits, bits[1:], strict=False):
        joint = _Joint(a, b, rounding)
        gap = hypot(b.p0[0] - a.p1[0], b.p0[1] - a.p1[1])
        miss = max(miss, gap if gap <= _SAME else _join(joint, fail, rounding.scale))
        joints.append(joint)
    for k, bit in enumerate(bits):
        sides = joints[max(0, k - 1) : k + 1]
        while bit.high - bit.low <= 1e-9:
            flat = [joint for joint in sides if joint.trimmed and joint.spent is not None]
            if not flat:
                size_of = length(abs(d), rounding.scale)
                found = (
                    f"between its two inside corners the wire offset of {size_of} leaves nothing of the move"
                )
                raise fail(bit.row[9], found, "a longer move or a smaller offset")
            miss = max(miss, min(flat, key=lambda joint: joint.spent or 0.0).bridge())
    for bit, joint in zip_longest(bits, joints):
        out.append((*bit.p1, bit.cx, bit.cy, bit.sign * (bit.high - bit.low), *bit.row[5:]))
        if joint is not None and joint.row is not None:
            out.append(joint.row)
    return out, d, miss


def _turn(a: _Bit, b: _Bit) -> float:
    """The angle of a corner, radians, positive to the left."""
    dot = a.t1[0] * b.t0[0] + a.t1[1] * b.t0[1]
    cross = a.t1[0] * b.t0[1] - a.t1[1] * b.t0[0]
    return atan2(cross, dot)


def _join(joint: _Joint, fail: Fail, scale: float) -> float:
    """Settle a corner whose offset ends lie apart: trim both, or put a move between. Returns its cost."""
    a, b = joint.a, joint.b
    d = a.d
    dot = a.t1[0] * b.t0[0] + a.t1[1] * b.t0[1]
    turn = _turn(a, b)
    x, y = a.row[0], a.row[1]
    if turn * d < 0 or dot < -1 + 1e-12:
        # Outside; straight back is outside too, whichever way rounding made it turn.
        turn = -abs(turn) if d > 0 else abs(turn)
        joint.row = _between(a, b, x, y, turn)
        return 0.0
    if a.sign == 0 and b.sign == 0:
        m = d / (1 + dot)
        meets = [(x - m * (a.t1[1] + b.t0[1]), y + m * (a.t1[0] + b.t0[0]))]
    else:
        meets = _meetings(a, b)
    best: tuple[float, float, float] | None = None
    for px, py in meets:
        on_a, on_b = a.along(px, py), b.along(px, py)
        if -1e-9 <= on_a <= a.whole + 1e-9 and -1e-9 <= on_b <= b.whole + 1e-9:
            far = hypot(px - x, py - y)
            if best is None or far < best[0]:
                best = (far, on_a, on_b)
    if best is None:
        if joint.spent is not None:
            return joint.bridge()
        raise fail(
            b.row[9],
            f"the inside corner at X{x / scale:.6g} Y{y / scale:.6g} leaves no room for the wire offset of "
            f"{length(abs(d), scale)}",
            "longer moves at the corner, or a smaller offset",
        )
    a.high = min(best[1], a.whole)
    b.low = max(best[2], 0.0)
    # Both ends are this one point from here on.
    if a.high < a.whole or b.low > 0:
        joint.trimmed = True
        a.p1 = b.at(b.low)
    return 0.0


def _between(a: _Bit, b: _Bit, cx: float, cy: float, sweep: float) -> Row:
    """The move from the end of one to the start of the next; it counts to the next one's line."""
    rapid = a.row[5] and b.row[5]
    return (*b.p0, cx, cy, sweep, rapid, b.row[6], b.row[7], 0, b.row[9], b.row[10], *b.row[11:])


def _meetings(a: _Bit, b: _Bit) -> list[tuple[float, float]]:
    """Where the whole lines or circles of two offset moves meet."""
    if a.sign and b.sign:
        return _circle_circle(a.cx, a.cy, a.radius1, b.cx, b.cy, b.radius0)
    if a.sign:
        return _line_circle(b.p0, b.t0, a.cx, a.cy, a.radius1)
    return _line_circle(a.p0, a.t0, b.cx, b.cy, b.radius0)


def _line_circle(
    p: tuple[float, float], t: tuple[float, float], cx: float, cy: float, r: float
) -> list[tuple[float, float]]:
    along = (cx - p[0]) * t[0] + (cy - p[1]) * t[1]
    off = (cx - p[0]) * -t[1] + (cy - p[1]) * t[0]
    under = r * r - off * off
    if under < 0:
        return []
    half = sqrt(under)
    return [(p[0] + s * t[0], p[1] + s * t[1]) for s in (along - half, along + half)]


def _circle_circle(
    ax: float, ay: float, ar: float, bx: float, by: float, br: float
) -> list[tuple[float, float]]:
    dx, dy = bx - ax, by - ay
    between = hypot(dx, dy)
    if between < 1e-12:
        return []
    along = (between * between + ar * ar - br * br) / (2 * between)
    under = ar * ar - along * along
    if under < 0:
        return []
    half = sqrt(under)
    ex, ey = dx / between, dy / between
    return [(ax + along * ex - h * ey, ay + along * ey + h * ex) for h in (half, -half)]
