"""What heads and bodies look like along the wire: sweeps and bodies go in; clearance, side, height, touch and
witness points come out, for all sweeps in one search.

Seen along the wire every move is a line, and a body's slice at one height is a segment; how far the two are
apart, against the head's radius at that height, is the whole question (see ``profile``). Growing a head by a
disc sideways and by a segment in height (their Minkowski sum) is a change of its profile.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import islice
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.kernels.meridian.bvh import ChordTree, TriangleTree
from clearance.kernels.meridian.chords import Chords
from clearance.kernels.meridian.nearest import Ask, nearest
from clearance.kernels.meridian.profile import NOWHERE, Measure, Profiles, SingleMeasure, Together
from clearance.kernels.meridian.search import Nearest, Witness, witnesses
from clearance.kernels.sweeps import Growth, HeadRun, WarmStart
from clearance.records import record
from clearance.scene.heads import HeadPiece
from clearance.tolerances import DEFAULT, MeridianTolerances

Array = NDArray[np.float64]
Index = NDArray[np.integer[Any]]

_NO_ROWS: Index = np.empty(0, dtype=np.intp)


@record
class Figures:
    """One figure of a run: (bodies,) mm, ``NOWHERE`` or more where there is none, and where it was found."""

    value: Array
    witness: Mapping[int, Witness]

    def of(self, body: int) -> float | None:
        """The figure of a body; None where there is none."""
        return None if self.value[body] >= NOWHERE else float(self.value[body])

    def starts(self) -> dict[int, WarmStart]:
        """For some bodies where another search may look first."""
        return {b: WarmStart(w.head_at[:2], w.on_head, w.on_item) for b, w in self.witness.items()}


@record
class Sweep:
    """Pieces along a path, against some bodies.

    Attributes:
        path: what the pieces follow.
        against: for each body (its number in the tree) the pieces, and by how much they are grown.
        face_z: machine Z of the head's face, for the witness points.
        start: (keys,) only values below these are looked for.
    """

    path: ChordTree
    against: Mapping[int, tuple[Sequence[HeadPiece], Growth]]
    face_z: float
    start: Array


class _PieceTable:
    """Grown pieces by number; what is equal stands there once."""

    def __init__(self) -> None:
        self.grown: list[HeadPiece] = []
        self.original: list[HeadPiece] = []
        self._rows: dict[tuple[int, float, float], Index] = {}
        self._told: dict[int, tuple[object, ...]] = {}
        self._one: dict[tuple[object, ...], int] = {}
        self._held: list[Sequence[HeadPiece]] = []

    def rows(self, pieces: Sequence[HeadPiece], growth: Growth) -> Index:
        key = (id(pieces), growth.side, growth.height)
        if key not in self._rows:
            self._held.append(pieces)
            self._rows[key] = np.array([self._row(piece, growth) for piece in pieces], dtype=np.intp)
        return self._rows[key]

    def _row(self, piece: HeadPiece, growth: Growth) -> int:
        told = self._told.get(id(piece))
        if told is None:
            told = self._told[id(piece)] = (piece.z.tobytes(), piece.r.tobytes(), piece.rect)
        key = (told, growth.side, growth.height)
        if key not in self._one:
            self._one[key] = len(self.grown)
            self.grown.append(piece.grown(growth.side, growth.height))
            self.original.append(piece)
        return self._one[key]


@record
class Smallest:
    """What a search over sweeps found: for each of them the values of its keys, and where they are."""

    tree: TriangleTree
    sweeps: Sequence[Sweep]
    measure: SingleMeasure
    nearest: Sequence[Nearest]
    pieces: Sequence[HeadPiece]

    def witnesses(self, keys: Sequence[Sequence[int]]) -> list[dict[int, Witness]]:
        """For each sweep where the values of some keys were found; a key that has none is left out."""
        wanted = [
            (number, key)
            for number, (some, found) in enumerate(zip(keys, self.nearest, strict=True))
            for key in some
            if found.triangle[key] >= 0
        ]
        out: list[dict[int, Witness]] = [{} for _ in self.sweeps]
        if not wanted:
            return out
        triangle, chord, row = (
            np.array([getattr(self.nearest[number], name)[key] for number, key in wanted])
            for name in ("triangle", "chord", "row")
        )
        at = [(self.sweeps[number].path.chords, c) for (number, _), c in zip(wanted, chord, strict=True)]
        chords = Chords(*(np.array([getattr(each, name)[c] for each, c in at]) for name in _CHORD))
        found = witnesses(
            self.tree.triangles[triangle],
            chords,
            row,
            self.measure,
            [self.pieces[k] for k in row],
            np.array([self.sweeps[number].face_z for number, _ in wanted]),
        )
        for (number, key), one in zip(wanted, found, strict=True):
            out[number][key] = one
        return out


_CHORD = ("p", "q", "slack", "move")


def smallest(
    tree: TriangleTree,
    measure: Callable[[Profiles], SingleMeasure],
    sweeps: Sequence[Sweep],
    by_move: bool = False,
    settled: float = -1.0,
    tolerances: MeridianTolerances = DEFAULT.meridian,
) -> Smallest:
    """The smallest measure for each key of each sweep: its bodies, or the moves of its path.

    Args:
        settled: a key whose value is no larger than this is not looked at further.
    """
    return smallest_of_each(tree, [(measure, sweeps)], by_move, settled, tolerances)[0]


def smallest_of_each(
    tree: TriangleTree,
    wanted: Sequence[tuple[Callable[[Profiles], SingleMeasure], Sequence[Sweep]]],
    by_move: bool = False,
    settled: float = -1.0,
    tolerances: MeridianTolerances = DEFAULT.meridian,
) -> list[Smallest]:
    """The same for several measures, each of its own sweeps, in one search: what they find is no other.

    Args:
        tree, by_move, settled, tolerances: as for ``smallest``.
        wanted: the measures and their sweeps.
    """
    tables = [_PieceTable() for _ in wanted]
    held = [_rows(tree, table, sweeps) for table, (_, sweeps) in zip(tables, wanted, strict=True)]
    first = np.cumsum([0, *(len(table.grown) for table in tables)])
    asks = []
    for begin, rows_of, (_, sweeps) in zip(first[:-1], held, wanted, strict=True):
        for sweep, rows in zip(sweeps, rows_of, strict=True):
            rows = [some + begin for some in rows]
            alike = (sweep.path.shape, tuple((body, rows[body].tobytes()) for body in sweep.against))
            asks.append(Ask(sweep.path, rows, sweep.start, alike=alike))
    parts = [measure(Profiles(table.grown)) for table, (measure, _) in zip(tables, wanted, strict=True)]
    made: Measure = parts[0]
    if len(parts) > 1:
        made = Together(Profiles([piece for table in tables for piece in table.grown]), tuple(parts))
    found = iter(nearest(tree, made, asks, by_move, settled, tolerances))
    return [
        Smallest(
            tree,
            sweeps,
            part,
            [one.with_rows_from(begin) for one in islice(found, len(sweeps))],
            table.original,
        )
        for begin, part, table, (_, sweeps) in zip(first[:-1].tolist(), parts, tables, wanted, strict=True)
    ]


def _rows(tree: TriangleTree, table: _PieceTable, sweeps: Sequence[Sweep]) -> list[list[Index]]:
    """For each sweep which rows of a table each body is held against."""
    out = []
    for sweep in sweeps:
        rows = [_NO_ROWS] * tree.bodies
        for body, (pieces, growth) in sweep.against.items():
            rows[body] = table.rows(pieces, growth)
        out.append(rows)
    return out


def by_run(runs: Sequence[HeadRun], owner: Sequence[int], found: Smallest, witness: bool) -> list[Figures]:
    """Figures of runs from those of their parts: of each body the part that is nearest counts.

    Args:
        runs: heads on stretches.   found: what was found for all their parts.
        owner: of each part its run, by its number.   witness: the points are wanted.
    """
    of_run: list[list[int]] = [[] for _ in runs]
    for k, number in enumerate(owner):
        of_run[number].append(k)
    keys: list[list[int]] = [[] for _ in owner]
    values = []
    for run, mine in zip(runs, of_run, strict=True):
        each = np.array([found.nearest[k].value for k in mine])
        values.append(each.min(axis=0))
        if witness:
            nearest_part = np.argmin(each, axis=0)
            for body in run.bodies:
                keys[mine[nearest_part[body]]].append(body)
    points = found.witnesses(keys) if witness else [{} for _ in owner]
    return [
        Figures(value, {b: w for k in mine for b, w in points[k].items()})
        for value, mine in zip(values, of_run, strict=True)
    ]
