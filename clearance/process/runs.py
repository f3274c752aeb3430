"""A cut's moves go in; its runs, each with the line that the wire draws in the metal, come out."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.intervals import first_of_each, tangled, ways
from clearance.records import record
from clearance.scene.model import Scene, Stretch
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]

#: how far a chord may lie from its arc here, mm: areas and masses need no more
SAGITTA = 0.002
#: a line of no more corners is drawn as a whole, however often it crosses itself
SHORT = 200
#: bits of a line that are drawn as one where it crosses itself a lot
TOGETHER = 2
#: kerfs that are remembered, of all jobs together
KEPT = 500
#: and lines
LINES_KEPT = 100
#: ends of bits that agree within this are the same place, mm
SAME = 1e-6
#: between the wire's surface and the metal, a side, mm (common practice: 0.02 to 0.05, no source)
SPARK_GAP = 0.02


@record
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
        return list(_LINES.of(self, z, rapid, lambda: self._line(z, rapid)))

    def _line(self, z: float, rapid: bool) -> list[Array]:
        picked, start, points, count = self._drawn(z, rapid)
        if not len(picked):
            return []
        first = np.cumsum(count) - count
        new = np.flatnonzero(np.diff(picked) > 1) + 1
        bounds = [0, *new.tolist(), len(picked)]
        stops = [*first[bounds[:-1]].tolist(), len(points)]
        chains = [np.vstack([start[k], points[stops[i] : stops[i + 1]]]) for i, k in enumerate(bounds[:-1])]
        for chain in chains:
            chain.flags.writeable = False
        return chains

    def chords(self, z: float) -> tuple[NDArray[np.intp], Array]:
        """Straight bits of its cutting moves at height ``z``: the move that each belongs to (K,), and both
        ends (K, 2, 2)."""
        picked, start, points, count = self._drawn(z, False)
        first = np.cumsum(count) - count
        begins = np.vstack([np.zeros((1, 2)), points[:-1]]) if len(points) else points
        begins[first] = start
        return np.repeat(picked, count), np.stack([begins, points], axis=1)

    def _drawn(self, z: float, rapid: bool) -> tuple[NDArray[np.intp], Array, Array, NDArray[np.intp]]:
        """Its cutting or rapid moves, where each starts, points along them, and how many of each."""
        moves, upper = self.stretch.moves, self.stretch.upper_moves
        picked = np.arange(self.first, self.last + 1)
        picked = picked[moves.rapid[picked] == rapid]
        if moves.again is not None:
            picked = picked[~moves.again[picked]]
        if not len(picked):
            return picked, np.zeros((0, 2)), np.zeros((0, 2)), picked
        count = _chords(moves, picked)
        if upper is None:
            return picked, moves.start[picked], _points(moves, picked, count), count
        count = np.maximum(count, _chords(upper, picked))
        low, high = self.guides_z
        share = (z - low) / (high - low)
        start = (1.0 - share) * moves.start[picked] + share * upper.start[picked]
        points = (1.0 - share) * _points(moves, picked, count) + share * _points(upper, picked, count)
        return picked, start, points, count

    def kerf(self, z: float, width: float) -> Any:
        """What the wire draws at height ``z``, ``width`` wide (mm, shapely); made once for the same
        moves, also where a changed scene has them."""
        return _KERFS.of(self, z, width, lambda: _broad(self._axes(z), width))

    def _axes(self, z: float) -> list[Any]:
        return list(_AXES.of(self, z, None, lambda: _axes(self.line(z))))

    def bits(self) -> list[Run]:
        """The run, parted where the program stops for a person or another wire offset begins to hold."""
        moves = self.stretch.moves
        at = {k for k, *_ in moves.stops if self.first < k <= self.last}
        if moves.d_number is not None:
            d = moves.d_number[self.first : self.last + 1]
            at |= {self.first + int(k) for k in np.flatnonzero((d[1:] != d[:-1]) & (d[1:] > 0)) + 1}
        bounds = [self.first, *sorted(at), self.last + 1]
        return [replace(self, first=a, last=b - 1) for a, b in zip(bounds[:-1], bounds[1:], strict=True)]


class _Remembered:
    """What was made of runs, the ``kept`` last asked for; the same for the same moves in whatever job."""

    def __init__(self, kept: int) -> None:
        self._kept = kept
        self._known: dict[tuple[Any, ...], tuple[Moves, Moves | None, Any]] = {}

    def of(self, run: Run, z: float, what: object, make: Callable[[], Any]) -> Any:
        """What is made of a run at a height, which counts where the wire is not upright."""
        moves, upper = run.stretch.moves, run.stretch.upper_moves
        at = None if upper is None else (z, run.guides_z)
        key = (id(moves), id(upper), run.first, run.last, at, what)
        known = self._known.pop(key, None)
        if known is None:
            known = (moves, upper, make())
        # the moves are kept with it, so that no others can have their place in memory
        self._known[key] = known
        if len(self._known) > self._kept:
            # another thread may have been here meanwhile
            self._known.pop(next(iter(self._known), key), None)
        return known[2]


_KERFS, _LINES, _AXES = _Remembered(KEPT), _Remembered(LINES_KEPT), _Remembered(LINES_KEPT)


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
    """Machine Z at which both guides hold the wire.

    Args:
        scene: as planned.   stretch: one of it.
    """
    machine = scene.known_machine
    return stretch.lower_z - machine.lower_head.guide, stretch.upper_z + machine.upper_head.guide


def kerf(chains: list[Array], width: float) -> Any:
    """What a wire draws along chains of points, ``width`` wide: a shapely geometry."""
    return _broad(_axes(chains), width)


def _axes(chains: list[Array]) -> list[Any]:
    """The lines that a wire's middle draws along chains of points, each but once, without needless points."""
    import shapely

    chains = _drawn_once([chain for chain in chains if len(chain) > 1])
    lines = np.array([shapely.linestrings(chain) for chain in chains], dtype=object)
    dense = np.array([not _is_angular(chain) for chain in chains], dtype=bool)
    lines[dense] = shapely.simplify(lines[dense], SAGITTA)
    return list(lines)


def _broad(lines: list[Any], width: float) -> Any:
    """What lies within half a width of lines."""
    import shapely

    if not lines:
        return shapely.Polygon()
    parts = [bit for line in lines for bit in _parts(line, width / 2.0)]
    return shapely.union_all(shapely.buffer(parts, width / 2.0, quad_segs=4))


def _is_angular(chain: Array) -> bool:
    """Whether a chain is long and hardly any of its corners can go: it takes long to find that out."""
    if len(chain) <= SHORT:
        return False
    before, after = chain[1:-1] - chain[:-2], chain[2:] - chain[1:-1]
    across = np.abs(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0])
    out = across > 2.0 * SAGITTA * np.hypot(*(before + after).T)
    return bool(np.count_nonzero(~out) * 10 < len(out))


def _drawn_once(chains: list[Array]) -> list[Array]:
    """Long chains without the bits that run where an earlier one ran, whichever way round."""
    if sum(len(chain) for chain in chains) <= SHORT:
        return chains
    ends = np.concatenate([np.stack([chain[:-1], chain[1:]], axis=1) for chain in chains])
    first = np.zeros(len(ends), dtype=bool)
    first[first_of_each(ways(ends, SAME))] = True
    kept, at = [], 0
    for chain in chains:
        new = first[at : at + len(chain) - 1]
        at += len(new)
        edge = np.flatnonzero(np.diff(np.r_[False, new, False].astype(np.int8)))
        kept += [chain[a : b + 1] for a, b in zip(edge[::2], edge[1::2], strict=True)]
    return kept


def _parts(line: Any, reach: float) -> list[Any]:
    """A line as a whole, or in short bits where it is long and crosses itself a lot, or comes so near.

    What a line that crosses itself n times draws has to be sorted out at n places, most of which lie within
    what other bits draw; bits that are put together two by two leave those out as they go.
    """
    import shapely

    points = shapely.get_coordinates(line)
    if len(points) <= SHORT or not tangled(points, reach):
        return [line]
    cuts = [*range(0, len(points) - 1, TOGETHER), len(points) - 1]
    return [shapely.linestrings(points[a : b + 1]) for a, b in zip(cuts, cuts[1:], strict=False)]


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


def kerf_width(scene: Scene) -> float:
    """How wide a kerf is, mm: the wire and its spark gap on either side."""
    gap = SPARK_GAP if scene.spark_gap is None else scene.spark_gap
    return float(scene.known_machine.wire) + 2.0 * gap


def where_it_comes_back(chains: list[Array], end: Array, drawn: Any, widest: float) -> Array | None:
    """The nearest place to the run's end that lies well back along its line, twice as far at least, and to
    which metal is in the way: not the pass before, in whose kerf the end lies.

    Args:
        chains: the run's lines.   end: of them.   drawn: the run's kerf (shapely).
        widest: what is farther away is not looked at, mm.
    """
    import shapely

    line = np.concatenate(chains)
    way = np.diff(line, axis=0)
    length = np.hypot(way[:, 0], way[:, 1])
    behind = np.r_[np.cumsum(length[::-1])[::-1], 0.0]
    share = ((end - line[:-1]) * way).sum(axis=1) / np.maximum(length**2, 1e-300)
    share = np.clip(share, 0.0, 1.0)
    near = line[:-1] + share[:, None] * way
    apart = np.hypot(*(near - end).T)
    along = behind[:-1] - share * length
    back = (along > np.maximum(2.0 * apart, 1e-6)) & (apart <= widest + 1.0)
    order = np.flatnonzero(back)[np.argsort(apart[back], kind="stable")]
    here = shapely.clip_by_rect(drawn, *(end - widest - 2.0), *(end + widest + 2.0))
    for few in (order[:1], order[1:]):
        ways = shapely.linestrings(np.stack([np.broadcast_to(end, (len(few), 2)), near[few]], axis=1))
        metal = np.flatnonzero(shapely.length(shapely.difference(ways, here)) > 1e-6)
        if len(metal):
            return np.asarray(near[few[metal[0]]])
    return None
