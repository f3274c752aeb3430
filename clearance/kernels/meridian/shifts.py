"""Boxes of places of an item: where its origin stands in plan, and its turn about the vertical; and their
halves.

A box may also be a bit of a line, ``along`` it to either side of its middle (a clamp that slides along its
slot, a toe along a part's side); it is divided along that only. A box may hold several whole turns, a power
of two.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.records import record

Array = NDArray[np.float64]
Index = NDArray[np.integer[Any]]
Rows = NDArray[np.bool_]

#: boxes are divided down to so many degrees of turn
DEGREE = 1.0


@record
class Boxes:
    """Boxes of places (n).

    Attributes:
        centre, half: (n, 2) mm, of where the origin stands, machine X Y.
        turn, half_turn: (n,) degrees about the vertical, from how the item stands.
        along: (n, 2) mm; where it is not 0 the box is the bit of a line from ``centre`` less this to
            ``centre`` and this, and ``half`` its size.
        of: (n,) number of that line, 0 for what is none.
    """

    centre: Array
    half: Array
    turn: Array
    half_turn: Array
    along: Array
    of: Index

    @classmethod
    def plain(cls, centre: Array, half: Array, turn: Array, half_turn: Array) -> Boxes:
        """Boxes that are no lines.

        Args:
            centre, half: (n, 2) mm.   turn, half_turn: (n,) degrees.
        """
        return cls(
            centre, half, turn, half_turn, np.zeros((len(turn), 2)), np.zeros(len(turn), dtype=np.intp)
        )

    @classmethod
    def none(cls) -> Boxes:
        """No box."""
        return cls.plain(np.empty((0, 2)), np.empty((0, 2)), np.empty(0), np.empty(0))

    @classmethod
    def joined(cls, parts: Sequence[Boxes]) -> Boxes:
        """All of them as one.

        Args:
            parts: boxes of places of one item.
        """
        if not parts:
            return cls.none()
        return cls(*(np.concatenate([getattr(each, f.name) for each in parts]) for f in fields(cls)))

    def __len__(self) -> int:
        return len(self.turn)

    def take(self, rows: NDArray[Any]) -> Boxes:
        """Some of them.

        Args:
            rows: which of them.
        """
        return Boxes(*(getattr(self, f.name)[rows] for f in fields(Boxes)))

    def at(self, turn: float) -> Boxes:
        """Those that a turn, degrees, lies in, as boxes of that turn."""
        rows = np.flatnonzero(self.holds(turn))
        return replace(self.take(rows), turn=np.full(len(rows), float(turn)))

    def holds(self, turn: float) -> Rows:
        """Which (n,) a whole turn, degrees, lies in."""
        return np.asarray(np.abs(self.turn - turn) <= np.maximum(self.half_turn - DEGREE / 4.0, 1e-9))

    @property
    def turns(self) -> Array:
        """The whole turns that any of them holds, degrees, in order."""
        found = [np.empty(0)]
        for turn, half in {*zip(self.turn.tolist(), self.half_turn.tolist(), strict=True)}:
            count = max(round(2.0 * half / DEGREE), 1)
            found.append(turn + (np.arange(count) - (count - 1) / 2.0) * DEGREE)
        return np.unique(np.round(np.concatenate(found), 9) + 0.0)

    @property
    def steps(self) -> Array:
        """How many whole turns (n,) each holds."""
        return np.maximum(np.round(2.0 * self.half_turn / DEGREE), 1.0)

    def halves(self, by_turn: Rows | None = None) -> tuple[Boxes, Index]:
        """Each divided across its longer sides (both, where they are about equal), along its line, or
        (``by_turn``) in its turn; and which one each came from."""
        lined = self.along.any(axis=1)
        turns = np.zeros(len(self), dtype=bool) if by_turn is None else by_turn
        longest = self.half.max(axis=1)
        cut = (self.half > 0.55 * longest[:, None]) & (self.half > 0.0) & ~(lined | turns)[:, None]
        rows = np.repeat(np.arange(len(self)), np.where(lined | turns, 2, 2 ** cut.sum(axis=1)))
        first = np.r_[True, rows[1:] != rows[:-1]]
        number = np.arange(len(rows)) - np.maximum.accumulate(np.where(first, np.arange(len(rows)), 0))
        out = self.take(rows)
        c, line, turned = cut[rows], (lined & ~turns)[rows], turns[rows]
        bit = np.stack([number & 1, np.where(c[:, 0], number >> 1, number) & 1], axis=1)
        half = np.where(c | line[:, None], out.half / 2.0, out.half)
        centre = out.centre + np.where(c, np.where(bit == 1, half, -half), 0.0)
        way = np.where(number == 1, 0.5, -0.5)
        centre = centre + np.where(line, way, 0.0)[:, None] * out.along
        along = np.where(line[:, None], out.along / 2.0, out.along)
        turn = out.turn + np.where(turned, way, 0.0) * out.half_turn
        half_turn = np.where(turned, out.half_turn / 2.0, out.half_turn)
        return replace(out, centre=centre, half=half, along=along, turn=turn, half_turn=half_turn), rows
