"""The states of a job go in; its passes, each with the wire offset that is keyed in for it, come out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from clearance.process.course import Phase, cuts_between
from clearance.process.removal import Piece
from clearance.process.runs import Run
from clearance.process.stops import NEAR, PLACES, SHARE
from clearance.records import record
from clearance.scene.model import Scene

#: a bit that frees a piece of whose edge so much was cut before is the last bit of it: a tab, say
BEFORE = 0.7


@record
class Pass:
    """One going-along of a contour, or of several alike.

    Attributes:
        after: name of the state, a start or a stop, after which it is cut; None where none is known.
        cut: its name.   what: "rough", "trim 1", "trim 2", ... or "last bit".
        contours: how many are cut so, one after the other.
        d: number of the wire offset, None where the program has none.
        offset: its value, mm; None where it sits at the control or there is none.
        most: what it may be at most, where it sits at the control, mm.
        begins: N of the block in which it begins, or "line 12", or "".
    """

    after: str | None
    cut: str
    what: str
    contours: int
    d: int | None
    offset: float | None
    most: float | None
    begins: str


def passes(scene: Scene, phases: Sequence[Phase]) -> tuple[Pass, ...]:
    """All passes, in order.

    Args:
        scene: as planned.   phases: of its course.
    """
    found: list[Pass] = []
    drawn: dict[tuple[int, ...], list[list[Any]]] = {}
    for stop, group in cuts_between(list(phases)):
        bits = [bit for phase in group for bit in phase.bits]
        freed = [one.piece for phase in group for one in phase.freed]
        for together in _together(bits):
            lines = [line for bit in together for line in _lines(scene, bit)]
            levels = drawn.setdefault(together[0].stretch.cut_bodies, [])
            level = _level(lines, levels)
            if _ends(together, freed, [line for one in levels for line in one]):
                what = "last bit"
            else:
                what = f"trim {level}" if level else "rough"
            if level == len(levels):
                levels.append([])
            levels[level] += lines
            _add(found, _told(scene, stop.state.name, what, together))
    return tuple(found)


def _together(bits: Sequence[Run]) -> list[list[Run]]:
    """Bits of one pass: what is cut before an offset holds, a lead-in, belongs to the bit behind it."""
    found: list[list[Run]] = []
    for bit in bits:
        before = found[-1][-1] if found else None
        if before is not None and _d(before) == 0 and _d(bit) and before.number == bit.number:
            found[-1].append(bit)
        else:
            found.append([bit])
    return found


def _d(bit: Run) -> int:
    numbers = bit.stretch.moves.d_number
    return 0 if numbers is None else int(numbers[bit.first : bit.last + 1].max(initial=0))


def _lines(scene: Scene, bit: Run) -> list[Any]:
    """What the wire draws halfway up the highest part that is cut."""
    import shapely

    boxes = [scene.bodies[k].aabbs.box for k in bit.stretch.cut_bodies]
    low, high = max(((float(a[2]), float(b[2])) for a, b in boxes), key=lambda z: z[1], default=(0.0, 0.0))
    return [shapely.linestrings(chain) for chain in bit.line((low + high) / 2.0) if len(chain) > 1]


def _level(lines: Sequence[Any], levels: Sequence[Sequence[Any]]) -> int:
    """How many passes went along there before: 0 for the first."""
    import shapely

    lengths = [float(line.length) for line in lines]
    at = (np.arange(PLACES) + 0.5) / PLACES
    for level in range(len(levels), 0, -1):
        near = [e for e in levels[level - 1] if any(shapely.dwithin(e, line, NEAR) for line in lines)]
        if not near:
            continue
        other = shapely.multilinestrings(near)
        shares = [
            float(
                (
                    shapely.distance(shapely.line_interpolate_point(line, at, normalized=True), other) <= NEAR
                ).mean()
            )
            for line in lines
        ]
        if float(np.dot(shares, lengths)) >= SHARE * sum(lengths):
            return level
    return 0


def _ends(bits: Sequence[Run], freed: Sequence[Piece], before: Sequence[Any]) -> bool:
    """Whether bits free a piece whose edge was cut before but for a little."""
    import shapely

    last = bits[-1]
    for piece in freed:
        if piece.run.number != last.number or not last.first <= piece.run.first <= last.last:
            continue
        edge = piece.outline.exterior
        at = shapely.line_interpolate_point(edge, (np.arange(PLACES) + 0.5) / PLACES, normalized=True)
        if (
            before
            and float((shapely.distance(at, shapely.multilinestrings(list(before))) <= NEAR).mean()) >= BEFORE
        ):
            return True
    return False


def _told(scene: Scene, after: str, what: str, bits: Sequence[Run]) -> Pass:
    bit = bits[-1]
    cut, number = scene.cut_of(bit.stretch), _d(bit)
    options = None if cut is None else cut.options
    moves, first = bit.stretch.moves, bits[0].first
    line = int(moves.line[first])
    begins = moves.block[first] or (f"line {line}" if line else "")
    return Pass(
        after=after,
        cut=bit.stretch.name,
        what=what,
        contours=1,
        d=number or None,
        offset=None if options is None or not number else options.offsets.get(number),
        most=None if options is None else options.offset_max,
        begins=begins,
    )


def _add(found: list[Pass], one: Pass) -> None:
    """Put a pass behind the others; what is alike but for its place in the program is one."""
    from dataclasses import replace

    if found:
        last = found[-1]
        if replace(last, contours=1, begins="") == replace(one, begins=""):
            found[-1] = replace(last, contours=last.contours + 1)
            return
    found.append(one)
