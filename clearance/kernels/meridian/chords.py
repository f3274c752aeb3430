"""Paths as chords: lines and arcs go in, straight bits with their distance from the path come out.

An arc is replaced by chords that lie half outside and half inside it; how far the arc may lie from them is
the sagitta r (1 - cos(t / 2)) of the angle t that one chord spans, halved, and stands in their ``slack``.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.records import record
from clearance.tolerances import DEFAULT, MeridianTolerances
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]
Index = NDArray[np.integer[Any]]


@record
class Chords:
    """Straight bits of a path (n): ends (n, 2) mm; the true path lies within ``slack`` (n,) of them."""

    p: Array
    q: Array
    slack: Array
    move: Index


def chords_of(
    moves: Moves, only: NDArray[np.bool_] | None = None, tolerances: MeridianTolerances = DEFAULT.meridian
) -> Chords:
    """The moves as chords, those that ``only`` (M,) picks where it is given.

    Args:
        moves: in any frame, mm.   only: moves on which the head is there; None: all.
        tolerances: the sagitta that a chord may have, which is kept beside it as its slack.
    """
    pick = np.arange(len(moves)) if only is None else np.flatnonzero(only)
    start, end, centre, sweep = moves.start[pick], moves.end[pick], moves.centre[pick], moves.sweep[pick]
    line = np.flatnonzero(sweep == 0.0)
    arc = np.flatnonzero(sweep)
    if not len(arc):
        return Chords(start, end, np.zeros(len(pick)), pick)
    o, d = start[arc] - centre[arc], end[arc] - centre[arc]
    r0, r1 = np.hypot(o[:, 0], o[:, 1]), np.hypot(d[:, 0], d[:, 1])
    largest = np.maximum(np.maximum(r0, r1), tolerances.sagitta)
    half = np.arccos(1.0 - tolerances.sagitta / largest)
    count = np.ceil(np.abs(sweep[arc]) / (2.0 * half)).astype(np.intp)
    row = np.repeat(np.arange(len(arc)), count)
    step = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
    bend = largest * (1.0 - np.cos(np.abs(sweep[arc]) / (2.0 * count)))
    begin = np.arctan2(o[:, 1], o[:, 0])

    def on_arc(k: Index) -> Array:
        share = k / count[row]
        angle = begin[row] + share * sweep[arc][row]
        radius = r0[row] + share * (r1 - r0)[row] + bend[row] / 2.0
        return np.asarray(
            centre[arc][row] + radius[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
        )

    # with a hair more for the angle between a chord and a radius that changes along it
    slack = (bend / 2.0) * 1.01 + 1e-9
    order = np.argsort(np.r_[line, arc[row]], kind="stable")
    return Chords(
        np.concatenate([start[line], on_arc(step)])[order],
        np.concatenate([end[line], on_arc(step + 1)])[order],
        np.r_[np.zeros(len(line)), slack[row]][order],
        pick[np.r_[line, arc[row]][order]],
    )
