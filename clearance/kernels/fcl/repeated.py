"""Moves go in; which of them go where no earlier one went comes out.

What a head sweeps along a line that it has been along before, it has swept before.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.repeats import first_of_each
from clearance.toolpath.moves import Moves

#: with fewer moves it is not worth looking
FROM = 200
#: moves left out for each place at which the path is broken for it: a break costs more than a move
A_BREAK = 8


def first_time(moves: Moves, only: NDArray[np.bool_] | None) -> NDArray[np.bool_] | None:
    """Of the moves picked by ``only`` (M,), those that repeat no earlier one exactly; None: all.

    Lines are the same in either direction, arcs in one. All that were picked are given back where moves that
    repeat others stand among those that do not, so that the path would fall into many bits.
    """
    picked = np.arange(len(moves)) if only is None else np.flatnonzero(only)
    if len(picked) < FROM:
        return only
    rows = np.column_stack(
        [moves.start[picked], moves.end[picked], np.nan_to_num(moves.centre[picked]), moves.sweep[picked]]
    )
    straight = moves.sweep[picked] == 0.0
    rows[straight, 4:] = 0.0
    a, b = rows[:, :2].copy(), rows[:, 2:4].copy()
    turned = straight & ((a[:, 0] > b[:, 0]) | ((a[:, 0] == b[:, 0]) & (a[:, 1] > b[:, 1])))
    rows[turned, :2], rows[turned, 2:4] = b[turned], a[turned]
    # -0 and 0 are one place
    first = first_of_each(np.ascontiguousarray(rows + 0.0).view(np.int64))
    if len(first) == len(picked):
        return only
    kept = np.zeros(len(moves), dtype=bool)
    kept[picked[first]] = True
    breaks = np.count_nonzero(np.diff(picked[first]) > 1)
    return kept if A_BREAK * breaks <= len(picked) - len(first) else only
