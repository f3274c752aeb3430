"""Windows of raises by confirmed steps, where the guides' paths change with the raise (U V): a scene and a
range go in; the raises at which it is clear come out.

From a raise at which the nearest body is c away, a raise by s moves head and body against each other by no
more than s times ``pace``; so the next c / pace are clear too. Through raises at which something meets the
steps are even, and a window lower than such a step may be missed; none is ever too wide.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from clearance.advice.edits import raised
from clearance.kernels.query import SweepQuery
from clearance.scene.model import Scene
from clearance.tolerances import DEFAULT, Tolerances

#: a head, an item and a cut (or way) that meet
Meeting = tuple[str, str, str]


@dataclass(frozen=True)
class Shut:
    """A raise at which something meets, and what."""

    s: float
    who: tuple[Meeting, ...]


def stepped_windows(
    scene: Scene,
    rising: Sequence[int],
    first: float,
    last: float,
    margins: bool,
    tolerances: Tolerances = DEFAULT,
) -> tuple[list[tuple[float, float]], list[Shut]]:
    """The raises in [first, last] found to be clear, as open intervals; and those looked at that are not."""
    pace = _pace(scene)
    own = tolerances.advice
    stride = max((last - first) * own.stride_share, own.least_stride)
    look = partial(_room, scene, rising, margins=margins, tolerances=tolerances)
    windows: list[tuple[float, float]] = []
    s = first
    begin: float | None = None
    before = first
    shut: list[Shut] = []
    while True:
        room, who = look(s)
        if room > own.step_end:
            if begin is None:
                begin = s if s == first else _edge(look, before, s, room / pace, own.step_end, pace)
            if s >= last:
                break
            s = min(s + room / pace, last)
            continue
        shut.append(Shut(s, who))
        if begin is not None:
            windows.append((begin, s))
            begin = None
        if s >= last:
            break
        before, s = s, min(s + stride, last)
    if begin is not None:
        windows.append((begin, last))
    return windows, shut


def spans(shut: Sequence[Shut], last: float) -> list[tuple[float, float, Meeting]]:
    """From the first such raise to the end always the meeting that goes on for longest: from, to, who.

    Args:
        shut: the raises looked at, one after the other, without a window between.   last: the range's end.
    """
    found = []
    k = 0
    while k < len(shut):
        ends = {who: k for who in shut[k].who}
        for who in ends:
            while ends[who] + 1 < len(shut) and who in shut[ends[who] + 1].who:
                ends[who] += 1
        if not ends:
            k += 1
            continue
        who, end = max(ends.items(), key=lambda one: one[1])
        found.append((shut[k].s, shut[end + 1].s if end + 1 < len(shut) else last, who))
        k = end + 1
    return found


def _edge(
    look: Callable[[float], tuple[float, tuple[Meeting, ...]]],
    shut: float,
    clear: float,
    room: float,
    least: float,
    pace: float,
) -> float:
    """Downward from a clear raise to where it ends, by safe steps; not below ``shut``."""
    s = clear
    while True:
        s = max(s - room, shut)
        room, _ = look(s)
        if room <= least or s <= shut:
            return s
        room /= pace


def _pace(scene: Scene) -> float:
    """By how much, at most, a raise of 1 mm moves heads and bodies against each other, mm."""
    steepest = 0.0
    for stretch in scene.stretches:
        if stretch.cut is not None and stretch.upper_moves is not None:
            a, b = stretch.moves, stretch.upper_moves
            apart = max(
                float(np.hypot(*(b.start - a.start).T).max()),
                float(np.hypot(*(b.end - a.end).T).max()),
                # arcs about two centres, of two radii, are no farther apart than these two add up to
                _bulge(a, b),
            )
            guides = scene.known_machine.lower_head.guide + scene.known_machine.upper_head.guide
            steepest = max(steepest, apart / (stretch.upper_z - stretch.lower_z + guides))
    return float(np.hypot(1.0, steepest)) * 1.001


def _bulge(a: object, b: object) -> float:
    arcs = (a.sweep != 0.0) & (b.sweep != 0.0)  # type: ignore[attr-defined]
    if not arcs.any():
        return 0.0
    centres = np.hypot(*(a.centre - b.centre)[arcs].T)  # type: ignore[attr-defined]
    radii = np.hypot(*(a.start - a.centre)[arcs].T) - np.hypot(*(b.start - b.centre)[arcs].T)  # type: ignore[attr-defined]
    return float((centres + np.abs(radii)).max())


def _room(
    scene: Scene, rising: Sequence[int], s: float, margins: bool, tolerances: Tolerances
) -> tuple[float, tuple[Meeting, ...]]:
    """The smallest distance of any grown head from any body when raised by s, no more than the horizon; and
    who is as near as the end of a window."""
    query = SweepQuery(raised(scene, rising, s), tolerances=tolerances)
    grown = [{b: query.growth(run, b, margins) for b in run.bodies} for run in query.runs]
    horizon, end = tolerances.advice.step_horizon, tolerances.advice.step_end
    room, who = horizon, []
    for run, found in zip(query.runs, query.grown(query.runs, grown, horizon), strict=True):
        room = min(room, float(found.min(initial=horizon)))
        who += [(run.head, query.bodies[b].name, run.stretch.name) for b in run.bodies if found[b] <= end]
    return (0.0 if room <= query.tolerances.found_touch else room), tuple(who)
