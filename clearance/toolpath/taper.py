"""Moves with u and v go in; the paths of the lower and the upper guide's pivot come out.

At each moment the wire is the straight line through (x, y) in the plane of X Y and (x + u, y + v) in that of
U V, and the guides are where that line has their pivots' heights.

Between the ends of a straight move x, y, u and v change evenly, so both guides go straight. On an arc u and v
may be read in two ways, and programs do not say which:
    even    u and v change evenly with the angle; where they are the same at both ends, every height has the
            same arc, shifted.
    cone    u and v turn with the arc, and what is left to their values at its end is spread evenly: where
            nothing is left it is a cone, and every height has an arc about the same centre.
Where the machine does not say (``codes.uv_on_arcs``), both are enclosed: the guides go the one way, back and
there again the other way. Both change evenly with u and v, so that no small step of a word is a large one of
the paths. Chords stand for the curves within a stated bound.
Source: sine-bar handbook, guide offset = distance x tan(taper): 120 mm at 10 degrees 21.159 mm. The two
readings: common practice, no source.
"""

from __future__ import annotations

from dataclasses import replace
from math import acos, ceil, sqrt
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from clearance.records import changing, record
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]
Reading = Literal["even", "cone"]

_SAME = 1e-9  # mm
#: mm by which u, v may miss a cone's turn, as three decimals leave it: its arcs stay arcs, that much off
_CONE = 0.005


def guides(
    moves: Moves,
    planes: tuple[float, float],
    lower_guide_z: float,
    upper_guide_z: float,
    zero_z: float,
    bound: float = 0.001,
    reading: Reading | None = None,
) -> tuple[Moves, Moves]:
    """The paths of both guides.

    Args:
        moves: mm, in any horizontal frame.
        planes: heights of the planes of X Y and of U V above the part zero, mm; not equal.
        lower_guide_z, upper_guide_z: machine Z of the pivots, mm.
        zero_z: machine Z of the part zero, mm.
        bound: how far a chord may lie from its curve, mm.
        reading: of u and v on arcs; None encloses both.

    Returns:
        (lower, upper) with as many moves each, the k-th of both at the same time; ``origin`` names the move
        of ``moves`` that each belongs to, ``again`` those that only enclose another reading, and
        ``chord_error`` has the chords' bound in it. Where the wire is upright both are ``moves``.
    """
    if moves.start_uv is None or moves.end_uv is None:
        return moves, moves
    height = planes[1] - planes[0]
    shares = [(z - zero_z - planes[0]) / height for z in (lower_guide_z, upper_guide_z)]
    arcs = _Arcs(moves, moves.start_uv, moves.end_uv, max(map(abs, shares)), bound)
    steps = arcs.steps(reading)
    notes = arcs.notes(steps)
    lower, upper = (arcs.path(steps, k) for k in shares)
    return replace(lower, notes=(*lower.notes, *notes)), replace(upper, notes=lower.notes)


@record
class _Steps:
    """What stands for the moves, in order, one entry each.

    Attributes:
        origin: which move.   begin, end: from and to which share of its length or angle.
        cone: u, v turn with the arc.   bent: an arc, at every height.   again: only encloses another reading.
    """

    origin: NDArray[np.int64]
    begin: Array
    end: Array
    cone: NDArray[np.bool_]
    bent: NDArray[np.bool_]
    again: NDArray[np.bool_]


_Row = tuple[int, float, float, bool, bool]


@changing
class _Arcs:
    """Moves with u, v at both ends of each (M, 2); the guides are at most ``farthest`` plane distances away
    from the plane of X Y; chords lie at most ``bound`` mm off."""

    moves: Moves
    start_uv: Array
    end_uv: Array
    farthest: float
    bound: float

    def __post_init__(self) -> None:
        sweep = self.moves.sweep
        self.spoke = np.nan_to_num(self.moves.start - self.moves.centre)
        #: what the cone leaves to u, v at the end, turned back to the start
        self.rest = _turned(self.end_uv, -sweep) - self.start_uv
        self.left = np.hypot(*self.rest.T)
        self.still = np.abs(self.end_uv - self.start_uv).max(axis=1) <= _SAME
        self.long = np.maximum(np.hypot(*self.start_uv.T), np.hypot(*self.end_uv.T))
        # Both readings agree at the ends, so they differ by an eighth of the second derivative at most.
        turn = np.abs(sweep)
        self.apart = self.farthest * (turn * turn * self.long + 2.0 * turn * self.left) / 8.0

    def steps(self, reading: Reading | None) -> _Steps:
        """The steps of all moves, in one reading, or in both where it matters."""
        rows: list[tuple[_Row, bool]] = []
        for i, sweep in enumerate(self.moves.sweep.tolist()):
            if sweep == 0:
                rows.append(((i, 0.0, 1.0, False, False), False))
                continue
            fits = bool(self.left[i] <= _CONE)
            if self.apart[i] <= self.bound:
                # One way or the other, it is within the bound.
                rows += [(row, False) for row in self._way(i, fits and not self.still[i])]
                continue
            cone = fits if reading is None else reading == "cone"
            way = self._way(i, cone)
            rows += [(row, False) for row in way]
            if reading is None:
                other = self._way(i, not cone)
                rows += [(row, True) for row in [*_back(min(way, other, key=len)), *other]]
        origin, begin, end, turning, bent = (np.array(c) for c in zip(*(row for row, _ in rows), strict=True))
        return _Steps(origin, begin, end, turning, bent, np.array([again for _, again in rows], dtype=bool))

    def _way(self, i: int, cone: bool) -> list[_Row]:
        """The steps of one arc in one reading."""
        if self.left[i] <= _CONE if cone else self.still[i]:
            return [(i, 0.0, 1.0, cone, True)]
        turn, radius = abs(float(self.moves.sweep[i])), float(np.hypot(*self.spoke[i]))
        if cone:
            # Second derivative by the angle of what shrinks or grows evenly while it turns, in both planes:
            # how many chords there are does not hang on where the guides are.
            bend = radius + self.long[i] + 2.0 * self.left[i] / turn
            n = ceil(turn * sqrt(bend / (8.0 * self.bound / 2.0)))
        else:
            n = _chords(radius, turn, self.bound)
        share = [k / max(n, 2) for k in range(max(n, 2) + 1)]
        return [(i, a, b, cone, False) for a, b in zip(share, share[1:], strict=False)]

    def path(self, steps: _Steps, k: float) -> Moves:
        """The path at ``k`` plane distances from the plane of X Y towards that of U V."""
        moves, of = self.moves, steps.origin
        start, end = self._at(steps, steps.begin, k), self._at(steps, steps.end, k)
        start[1:] = end[:-1]
        still = steps.bent & ~steps.cone
        centre = np.where(still[:, None], moves.centre[of] + k * self.start_uv[of], moves.centre[of])
        # An arc whose radius is nothing at this height stands on its centre.
        bent = steps.bent & ~(np.hypot(*(start - centre).T) <= 1e-6)
        chords = np.where(steps.cone, self.bound / 2.0 * (abs(1.0 - k) + abs(k)), self.bound)
        error = np.where((moves.sweep[of] != 0) & ~steps.bent, chords, 0.0)
        error += np.where(steps.cone & steps.bent, abs(k) * self.left[of], 0.0)
        error += np.where(self.apart[of] <= self.bound, self.apart[of], 0.0)
        first = np.searchsorted(of, np.array(moves.thread_points, dtype=np.int64))
        return replace(
            moves,
            start=start,
            end=end,
            centre=np.where(bent[:, None], centre, np.nan),
            sweep=np.where(bent, moves.sweep[of] * (steps.end - steps.begin), 0.0),
            rapid=moves.rapid[of],
            threaded=moves.threaded[of],
            line=moves.line[of],
            block=tuple(moves.block[i] for i in of),
            thread_points=tuple(int(i) for i in first),
            stops=tuple((int(np.searchsorted(of, at)), *what) for at, *what in moves.stops),  # type: ignore[misc]
            first_cut=None if moves.first_cut is None else int(np.searchsorted(of, moves.first_cut)),
            d_number=None if moves.d_number is None else moves.d_number[of],
            origin=of if moves.origin is None else moves.origin[of],
            again=steps.again if steps.again.any() else None,
            chord_error=moves.chord_error + float(error.max(initial=0.0)),
            start_uv=None,
            end_uv=None,
        )

    def _at(self, steps: _Steps, share: Array, k: float) -> Array:
        """The points at shares of the steps' moves."""
        moves, of = self.moves, steps.origin
        sweep, t = moves.sweep[of], share[:, None]
        arc = (sweep != 0)[:, None]
        xy = np.where(
            arc,
            moves.centre[of] + _turned(self.spoke[of], sweep * share),
            moves.start[of] + t * (moves.end[of] - moves.start[of]),
        )
        even = self.start_uv[of] + t * (self.end_uv[of] - self.start_uv[of])
        turned = _turned(self.start_uv[of] + t * self.rest[of], sweep * share)
        point = xy + k * np.where(steps.cone[:, None], turned, even)
        # The ends are as programmed, to the last digit.
        point = np.where(t == 0.0, moves.start[of] + k * self.start_uv[of], point)
        return np.asarray(np.where(t == 1.0, moves.end[of] + k * self.end_uv[of], point))

    def notes(self, steps: _Steps) -> list[str]:
        """A sentence where both readings count."""
        several = np.unique(steps.origin[steps.again])
        if not len(several):
            return []
        apart = np.zeros(len(several))
        for t in np.linspace(0.0, 1.0, 65):
            even = self.start_uv + t * (self.end_uv - self.start_uv)
            other = _turned(self.start_uv + t * self.rest, self.moves.sweep * t)
            apart = np.maximum(apart, self.farthest * np.hypot(*(even - other)[several].T))
        line = int(self.moves.line[several[0]])
        arcs = f"{len(several)} arcs" if len(several) > 1 else "an arc"
        first = (
            f", the first in line {line}," if line and len(several) > 1 else f" in line {line}" * bool(line)
        )
        return [
            f"on {arcs}{first} a control may change U V evenly or turn them with the arc, "
            f"{apart.max():.2f} mm apart at a guide: both are checked; "
            'codes.uv_on_arcs = "even" or "cone" in the machine file says which'
        ]


def _back(way: list[_Row]) -> list[_Row]:
    """The same steps from the end to the start."""
    return [(i, end, begin, cone, bent) for i, begin, end, cone, bent in reversed(way)]


def _turned(vectors: Array, angle: Array) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    return np.stack([c * vectors[:, 0] - s * vectors[:, 1], s * vectors[:, 0] + c * vectors[:, 1]], axis=1)


def _chords(radius: float, turn: float, bound: float) -> int:
    """How many chords an arc needs: sagitta r (1 - cos(t / 2)); what u, v add is straight between them."""
    if bound >= radius:
        return max(2, ceil(turn))
    return max(2, ceil(turn / (2 * acos(1 - bound / radius))))
