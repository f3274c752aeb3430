"""What heads and bodies look like along the wire: sweeps and bodies go in; clearance, side, height, touch and
witness points come out, for all sweeps in one search.

Seen along the wire every move is a line, and a body's slice at one height is a segment; how far the two are
apart, against the head's radius at that height, is the whole question (see ``profile``). Growing a head by a
disc sideways and by a segment in height (their Minkowski sum) is a change of its profile.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.kernels.meridian.bvh import ChordTree, TriangleTree
from clearance.kernels.meridian.chords import Chords
from clearance.kernels.meridian.nearest import Ask, nearest
from clearance.kernels.meridian.profile import NOWHERE, Measure, Profiles
from clearance.kernels.meridian.search import Nearest, Witness, witnesses
from clearance.kernels.sweeps import Growth, WarmStart
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
    measure: Measure
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
    measure: Callable[[Profiles], Measure],
    sweeps: Sequence[Sweep],
    by_move: bool = False,
    settled: float = -1.0,
    tolerances: MeridianTolerances = DEFAULT.meridian,
) -> Smallest:
    """The smallest measure for each key of each sweep: its bodies, or the moves of its path.

    Args:
        settled: a key whose value is no larger than this is not looked at further.
    """
    table = _PieceTable()
    asks = []
    for sweep in sweeps:
        rows = [_NO_ROWS] * tree.bodies
        for body, (pieces, growth) in sweep.against.items():
            rows[body] = table.rows(pieces, growth)
        alike = (sweep.path.shape, tuple((body, rows[body].tobytes()) for body in sweep.against))
        asks.append(Ask(sweep.path, rows, sweep.start, alike=alike))
    made = measure(Profiles(table.grown))
    return Smallest(
        tree, sweeps, made, nearest(tree, made, asks, by_move, settled, tolerances), table.original
    )
