"""Where heads and bodies are now goes in; by how much each pair moved since it was measured comes out, and
what no figure of it can be below since.

The smallest distance of a head from a body is Lipschitz: it changes by no more than the two moved against
each other. A body moves by no more than the corners of a box about it do, a path by no more than its ends.
Side and height are not Lipschitz (a height comes into being at once), but neither is below what is left of
the distance in space once the other one's margin is taken off, as the sides of a right triangle.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product
from math import hypot

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.transforms import Matrix, apply
from clearance.kernels.query import HeadRun, SweepQuery

Array = NDArray[np.float64]
Pairs = NDArray[np.bool_]

#: a motion smaller than this is none, mm
NO_MOTION = 1e-9
#: taken off each bound, mm: what searches are exact to
ROUNDING = 1e-6


class Lasting:
    """How long the figures of each pair (runs, bodies) last.

    Args:
        query: about the bodies where they are at first.

    Attributes:
        there: which pairs are held against each other.
        reach: a pair that is farther apart than this, mm, keeps its margins.
        moved: by how much each moved at most since it was measured, or bounded, mm.
    """

    def __init__(self, query: SweepQuery) -> None:
        runs, bodies = query.runs, query.bodies
        shape = (len(runs), len(bodies))
        self.there = np.zeros(shape, dtype=bool)
        self.reach = np.zeros(shape)
        #: of side, then height: what allow and margin take of it, and how far the other may be at most
        self._taken, self._beyond = np.zeros((2, *shape)), np.zeros((2, *shape))
        for r, run in enumerate(runs):
            for b in run.bodies:
                growth, margin = query.growth(run, b), run.margin(bodies[b])
                self.there[r, b] = True
                self.reach[r, b] = hypot(growth.side, growth.height) + query.tolerances.agree_from + ROUNDING
                self._taken[:, r, b] = growth.side, growth.height
                self._beyond[:, r, b] = margin.height + ROUNDING, margin.side + ROUNDING
        self._boxes = np.array([_corners(body.triangles_M) for body in bodies]).reshape(-1, 8, 3)
        self._corners, self._ends = self._boxes.copy(), _ends(runs)
        #: where both were when each was measured, or bounded, last; what the distance was, or was not below
        self._from_corners = np.zeros((*shape, 8, 3))
        self._from_ends = np.zeros((*shape, *self._ends.shape[1:]))
        self._clearance, self._seen = np.zeros(shape), np.zeros(shape, dtype=bool)
        self.moved = np.zeros(shape)

    # --------------------------------------------------------------------------------------- what moves
    def bodies_at(self, poses: dict[int, Matrix]) -> None:
        """Put bodies where they are now.

        Args:
            poses: for each that moved the motion (4, 4) of the machine frame from where it was at first.
        """
        for body, T_MM in poses.items():
            self._corners[body] = apply(T_MM, self._boxes[body])

    def paths_at(self, runs: Sequence[HeadRun]) -> None:
        """Put the paths where they are now.

        Args:
            runs: the same heads in their order.
        """
        self._ends = _ends(runs)

    def reshaped(self, body: int, triangles: Array) -> None:
        """A body has another shape: nothing is known of it.

        Args:
            body: its index.   triangles: (N, 3, 3) where it was at first.
        """
        self._boxes[body] = _corners(triangles)
        self._clearance[:, body], self._seen[:, body] = 0.0, False

    def settle(self, bodies: Sequence[int], paths: bool) -> None:
        """Tell anew by how much pairs moved.

        Args:
            bodies: that moved, or changed.   paths: whether paths did.
        """
        some = slice(None) if paths else np.asarray(bodies, dtype=np.intp)
        corners = self._corners[None, some] - self._from_corners[:, some]
        ends = self._ends[:, None] - self._from_ends[:, some]
        far = np.zeros(corners.shape[:2])
        for end in range(ends.shape[2]):
            off = corners - ends[:, :, end, None]
            np.maximum(far, np.einsum("rbki,rbki->rbk", off, off).max(axis=2), out=far)
        self.moved[:, some] = np.sqrt(far)

    # --------------------------------------------------------------------------------------- what is known
    @property
    def stale(self) -> Pairs:
        """Which pairs moved since they were measured."""
        return np.asarray(self.there & (~self._seen | (self.moved > NO_MOTION)))

    @property
    def since(self) -> Array:
        """(runs, bodies) by how much pairs moved since they were measured, mm; infinite: they never were."""
        return np.where(self._seen, self.moved, np.inf)

    def measured(self, pairs: Pairs, clearance: Array) -> None:
        """Some pairs have been measured as they are now.

        Args:
            pairs: (runs, bodies) which.   clearance: (runs, bodies) their distances in space, mm.
        """
        self.bounded(pairs, clearance)
        self._seen |= pairs

    def bounded(self, pairs: Pairs, clearance: Array) -> None:
        """Of some pairs it is known what their distance is not below as they are now.

        Args:
            pairs: (runs, bodies) which.   clearance: (runs, bodies) mm.
        """
        run, body = np.nonzero(pairs)
        self._from_corners[run, body] = self._corners[body]
        self._from_ends[run, body] = self._ends[run]
        self._clearance[run, body] = clearance[run, body]
        self.moved[run, body] = 0.0

    @property
    def unknown(self) -> Pairs:
        """Of which pairs nothing is known."""
        return np.asarray(self.there & ~self._seen & (self._clearance == 0.0))

    @property
    def clearance(self) -> Array:
        """(runs, bodies) what no distance in space can be below, mm."""
        return np.maximum(self._clearance - self.moved - ROUNDING, 0.0)

    @property
    def spare(self) -> Array:
        """(runs, bodies) what no spare can be below, mm."""
        near = self.clearance**2
        each = np.sqrt(np.maximum(near - self._beyond**2, 0.0)) - self._taken - ROUNDING
        return np.asarray(each.min(axis=0))

    def crossed(self, run: int, body: int) -> bool:
        """Whether a pair may have come to lie in each other since it was measured, or not any more.

        Args:
            run, body: indices of a head's run and of a body.
        """
        apart = self._clearance[run, body] - ROUNDING
        return bool(not self._seen[run, body] or self.moved[run, body] >= apart)


def _corners(triangles: Array) -> Array:
    """Corners (8, 3) of the box about triangles."""
    if not len(triangles):
        return np.zeros((8, 3))
    low, high = triangles.min(axis=(0, 1)), triangles.max(axis=(0, 1))
    return np.array(list(product(*zip(low, high, strict=True))))


def _ends(runs: Sequence[HeadRun]) -> Array:
    """(runs, ends, 3) where the paths of each run begin and end, in plan; Z is 0."""
    ends = []
    for run in runs:
        moves = {id(part.moves): part.moves for part in run.parts if part.rise is None}
        mine = [at for each in moves.values() for at in (each.start[0], each.end[-1])]
        ends.append(mine)
    most = max(map(len, ends), default=1)
    out = np.zeros((len(runs), most, 3))
    for r, mine in enumerate(ends):
        out[r, :, :2] = [*mine, *[mine[0]] * (most - len(mine))]
    return out
