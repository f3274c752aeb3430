"""Moves with u and v go in; the paths of the lower and the upper guide's pivot come out.

At each moment the wire is the straight line through (x, y) in the plane of X Y and (x + u, y + v) in that of
U V, and the guides are where that line has their pivots' heights.

Between the ends of a move:
    straight   x, y, u and v change evenly, so both guides go straight.
    arc        with u, v the same at both ends, every height has the same arc, shifted. Where u, v turn with
               the arc, it is a cone: every height has an arc about the same centre. Otherwise u and v change
               evenly with the angle, and chords stand for the curve within a stated bound.
Source: sine-bar handbook, guide offset = distance x tan(taper): 120 mm at 10 degrees 21.159 mm.
"""

from __future__ import annotations

from dataclasses import replace
from math import acos, ceil, hypot

import numpy as np
from numpy.typing import NDArray

from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]

_SAME = 1e-9  # mm
_CONE = 0.005  # mm by which u, v may miss the turn of a cone, as three decimals leave it


def guides(
    moves: Moves,
    planes: tuple[float, float],
    lower_guide_z: float,
    upper_guide_z: float,
    zero_z: float,
    bound: float = 0.001,
) -> tuple[Moves, Moves]:
    """The paths of both guides.

    Args:
        moves: mm, in any horizontal frame.
        planes: heights of the planes of X Y and of U V above the part zero, mm; not equal.
        lower_guide_z, upper_guide_z: machine Z of the pivots, mm.
        zero_z: machine Z of the part zero, mm.
        bound: how far a chord may lie from its curve, mm.

    Returns:
        (lower, upper) with as many moves each, the k-th of both at the same time; ``origin`` names the move
        of ``moves`` that each belongs to, and ``chord_error`` has the chords' bound in it. Where the wire is
        upright both are ``moves``.
    """
    if moves.start_uv is None or moves.end_uv is None:
        return moves, moves
    height = planes[1] - planes[0]
    reach = [(z - zero_z - planes[0]) / height for z in (lower_guide_z, upper_guide_z)]
    spoke = moves.start - moves.centre
    still = np.abs(moves.end_uv - moves.start_uv).max(axis=1) <= _SAME
    off_cone = np.hypot(*(_turned(moves.start_uv, moves.sweep) - moves.end_uv).T)
    cone = ~still & (off_cone <= _CONE)
    pieces = np.ones(len(moves), dtype=np.int64)
    for i in np.flatnonzero((moves.sweep != 0) & ~still & ~cone):
        pieces[i] = _chords(hypot(*spoke[i]), abs(float(moves.sweep[i])), bound)
    expanded = _expanded(moves, pieces)
    chords = bound if (pieces > 1).any() else 0.0
    return tuple(  # type: ignore[return-value]
        _guide(expanded, k, still, cone, chords, float(off_cone[cone].max(initial=0.0))) for k in reach
    )


def _turned(vectors: Array, angle: Array) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    return np.stack([c * vectors[:, 0] - s * vectors[:, 1], s * vectors[:, 0] + c * vectors[:, 1]], axis=1)


def _chords(radius: float, turn: float, bound: float) -> int:
    """How many chords an arc needs: sagitta r (1 - cos(t / 2)); what u, v add is straight between them."""
    if bound >= radius:
        return max(2, ceil(turn))
    return max(2, ceil(turn / (2 * acos(1 - bound / radius))))


def _expanded(moves: Moves, pieces: NDArray[np.int64]) -> Moves:
    """Moves cut into equal pieces of their angle; arcs stay arcs."""
    origin = np.repeat(np.arange(len(moves)), pieces)
    part = np.arange(len(origin)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    t0, t1 = part / pieces[origin], (part + 1) / pieces[origin]
    assert moves.start_uv is not None
    assert moves.end_uv is not None
    end = moves.end[origin].copy()
    inner = part + 1 < pieces[origin]
    whole = origin[inner]
    end[inner] = moves.centre[whole] + _turned(
        moves.start[whole] - moves.centre[whole], moves.sweep[whole] * t1[inner]
    )
    du = moves.end_uv - moves.start_uv
    first = np.searchsorted(origin, np.array(moves.thread_points, dtype=np.int64))
    return replace(
        moves,
        start=np.vstack([moves.start[:1], end[:-1]]),
        end=end,
        centre=moves.centre[origin],
        sweep=moves.sweep[origin] / pieces[origin],
        rapid=moves.rapid[origin],
        threaded=moves.threaded[origin],
        line=moves.line[origin],
        block=tuple(moves.block[i] for i in origin),
        thread_points=tuple(int(i) for i in first),
        stops=tuple((int(np.searchsorted(origin, k)), *what) for k, *what in moves.stops),  # type: ignore[misc]
        first_cut=None if moves.first_cut is None else int(np.searchsorted(origin, moves.first_cut)),
        d_number=None if moves.d_number is None else moves.d_number[origin],
        start_uv=moves.start_uv[origin] + t0[:, None] * du[origin],
        end_uv=moves.start_uv[origin] + t1[:, None] * du[origin],
        origin=origin if moves.origin is None else moves.origin[origin],
    )


def _guide(
    moves: Moves, k: float, still: NDArray[np.bool_], cone: NDArray[np.bool_], chords: float, off_cone: float
) -> Moves:
    """The path at ``k`` plane distances from the plane of X Y towards that of U V."""
    assert moves.start_uv is not None
    assert moves.end_uv is not None
    start = moves.start + k * moves.start_uv
    end = moves.end + k * moves.end_uv
    start[1:] = end[:-1]
    of = moves.origin if moves.origin is not None else np.arange(len(moves))
    centre = np.where(still[of][:, None], moves.centre + k * moves.start_uv, moves.centre)
    # An arc whose radius is nothing at this height stands on its centre.
    straight = (moves.sweep == 0) | ~(still | cone)[of] | (np.hypot(*(start - centre).T) <= 1e-6)
    return replace(
        moves,
        start=start,
        end=end,
        centre=np.where(straight[:, None], np.nan, centre),
        sweep=np.where(straight, 0.0, moves.sweep),
        chord_error=moves.chord_error + chords + abs(k) * off_cone,
        start_uv=None,
        end_uv=None,
    )
