"""A cut's moves go in; its runs, each with the line that the wire draws in the metal, come out."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.scene.model import Scene, Stretch
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]

#: how far a chord may lie from its arc here, mm: areas and masses need no more
SAGITTA = 0.002


@dataclass(frozen=True)
class Run:
    """The moves on which the wire is in, in one go.

    Attributes:
        stretch: its cut.   number: from 0, over all runs of the setup.
        first, last: the moves, last one included.
        guides_z: machine Z of both guides.
    """

    stretch: Stretch
    number: int
    first: int
    last: int
    guides_z: tuple[float, float]

    @property
    def thread_point(self) -> Array:
        """Where the wire is threaded, at the lower guide (2,)."""
        return np.asarray(self.stretch.moves.start[self.first])

    @property
    def lean(self) -> Array:
        """By how much the wire leans where it is threaded, mm sideways for each mm up (2,)."""
        upper = self.stretch.upper_moves
        if upper is None:
            return np.zeros(2)
        low, high = self.guides_z
        return np.asarray((upper.start[self.first] - self.thread_point) / (high - low))

    @property
    def upright(self) -> bool:
        """Whether the wire is so throughout."""
        return self.stretch.upper_moves is None

    def place(self, z: float) -> Array:
        """Where the wire passes the height ``z`` when it is threaded (2,)."""
        return np.asarray(self.thread_point + (z - self.guides_z[0]) * self.lean)

    def line(self, z: float, rapid: bool = False) -> list[Array]:
        """What the wire draws at height ``z``: chains of points (n, 2), of its cutting or its rapid moves."""
        moves, upper = self.stretch.moves, self.stretch.upper_moves
        picked = np.arange(self.first, self.last + 1)
        picked = picked[moves.rapid[picked] == rapid]
        if not len(picked):
            return []
        count = _chords(moves, picked)
        if upper is None:
            start, points = moves.start[picked], _points(moves, picked, count)
        else:
            count = np.maximum(count, _chords(upper, picked))
            low, high = self.guides_z
            share = (z - low) / (high - low)
            start = (1.0 - share) * moves.start[picked] + share * upper.start[picked]
            points = (1.0 - share) * _points(moves, picked, count) + share * _points(upper, picked, count)
        first = np.cumsum(count) - count
        new = np.flatnonzero(np.diff(picked) > 1) + 1
        bounds = [0, *new.tolist(), len(picked)]
        stops = [*first[bounds[:-1]].tolist(), len(points)]
        return [np.vstack([start[k], points[stops[i] : stops[i + 1]]]) for i, k in enumerate(bounds[:-1])]

    def bits(self) -> list[Run]:
        """The run, parted where the program stops for a person or another wire offset begins to hold."""
        moves = self.stretch.moves
        at = {k for k, *_ in moves.stops if self.first < k <= self.last}
        if moves.d_number is not None:
            d = moves.d_number[self.first : self.last + 1]
            at |= {self.first + int(k) for k in np.flatnonzero((d[1:] != d[:-1]) & (d[1:] > 0)) + 1}
        bounds = [self.first, *sorted(at), self.last + 1]
        return [replace(self, first=a, last=b - 1) for a, b in zip(bounds[:-1], bounds[1:], strict=True)]


def runs(scene: Scene) -> Iterator[Run]:
    """Every run of every cut, in the order in which they happen."""
    number = 0
    for stretch in scene.stretches:
        if stretch.cut is None:
            continue
        moves = stretch.moves
        starts = list(moves.thread_points)
        for i, first in enumerate(starts):
            end = starts[i + 1] if i + 1 < len(starts) else len(moves)
            out = np.flatnonzero(~moves.threaded[first:end])
            last = first + int(out[0]) - 1 if len(out) else end - 1
            yield Run(stretch, number, first, last, guides_z(scene, stretch))
            number += 1


def guides_z(scene: Scene, stretch: Stretch) -> tuple[float, float]:
    """Machine Z at which both guides hold the wire."""
    machine = scene.machine
    return stretch.lower_z - machine.lower_head.guide, stretch.upper_z + machine.upper_head.guide


def kerf(chains: list[Array], width: float) -> Any:
    """What a wire draws along chains of points, ``width`` wide: a shapely geometry."""
    import shapely

    lines = [shapely.linestrings(chain) for chain in chains if len(chain) > 1]
    if not lines:
        return shapely.Polygon()
    drawn = shapely.simplify(np.array(lines, dtype=object), SAGITTA)
    return shapely.union_all(shapely.buffer(drawn, width / 2.0, quad_segs=4))


def _chords(moves: Moves, picked: NDArray[np.intp]) -> NDArray[np.intp]:
    """How many chords stand for each move."""
    turn = np.abs(moves.sweep[picked])
    spoke = np.nan_to_num(moves.start[picked] - moves.centre[picked])
    radius = np.maximum(np.hypot(spoke[:, 0], spoke[:, 1]), SAGITTA)
    need = np.ceil(turn / (2.0 * np.arccos(1.0 - SAGITTA / radius)))
    return np.where(turn == 0.0, 1, np.maximum(4, need)).astype(np.intp)


def _points(moves: Moves, picked: NDArray[np.intp], count: NDArray[np.intp]) -> Array:
    """Points along the moves, evenly in length or angle, the end of each included and its start not."""
    row = np.repeat(np.arange(len(picked)), count)
    step = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count) + 1
    share = step / count[row]
    start, end = moves.start[picked][row], moves.end[picked][row]
    points = start + share[:, None] * (end - start)
    bent = np.flatnonzero((moves.sweep[picked][row] != 0.0) & (step < count[row]))
    if len(bent):
        centre = moves.centre[picked][row[bent]]
        angle, spoke = share[bent] * moves.sweep[picked][row[bent]], start[bent] - centre
        c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
        points[bent] = centre + c * spoke + s * np.column_stack([-spoke[:, 1], spoke[:, 0]])
    points[step == count[row]] = end[step == count[row]]
    return np.asarray(points)
