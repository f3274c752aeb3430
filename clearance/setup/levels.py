"""A cut whose program says how high the upper head rides goes in; the head at each of these heights, and on
which moves it is there, comes out.

A move on which the height changes is swept as the full column from the lower to the higher.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from clearance.paths.moves import Moves
from clearance.setup.scene import Level
from clearance.sweep.heads import Piece

Array = NDArray[np.float64]

#: with more heights than this neighbours are taken together, as columns
MOST = 16


def levels_of(
    moves: Moves, zero_z: float, pieces_at: Callable[[float], tuple[Piece, ...]]
) -> tuple[Level, ...]:
    """The upper head at each height, the lowest first.

    Args:
        moves: with ``start_z`` and ``end_z``, heights of the face above the zero.
        zero_z: machine Z of the zero, mm.
        pieces_at: the head's pieces with its face at a machine Z.
    """
    assert moves.start_z is not None
    assert moves.end_z is not None
    low = np.minimum(moves.start_z, moves.end_z) + zero_z
    high = np.maximum(moves.start_z, moves.end_z) + zero_z
    both, which = np.unique(np.round(np.stack([low, high], axis=1), 9), axis=0, return_inverse=True)
    group = _groups(len(both))[which.reshape(-1)]
    out = []
    for k in range(int(group.max()) + 1):
        only = group == k
        a, b = float(low[only].min()), float(high[only].max())
        pieces = tuple(piece.grown(0.0, (b - a) / 2.0) for piece in pieces_at((a + b) / 2.0))
        out.append(Level(a, b, only, pieces))
    return tuple(out)


def _groups(count: int) -> NDArray[np.intp]:
    """A group for each of so many heights, in order; not more than ``MOST``."""
    return np.arange(count) * min(count, MOST) // max(count, 1)
