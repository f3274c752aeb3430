"""Rows: what stands between a program's words and its moves, one row a move, and what else the program said.

U V and Z words are followed here, one block after the other: u and v of the upper guide in mm, and how
high the upper head's face is above the part zero, which lies at one height for all of G54 to G59. Before
the first Z word the face is where the setup puts it.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import field
from math import isnan, nan
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.records import changing


class Taper:
    """The words U V as they stand, one value an axis: counted from X Y, or the upper point itself."""

    def __init__(self, words: str | None) -> None:
        self.absolute = words == "absolute"
        self.named = False
        self.now = [nan, nan] if self.absolute else [0.0, 0.0]

    def axis(
        self, k: int, said: float | None, scale: float, relative: bool, before: float, x: float, shift: float
    ) -> float:
        """u (k = 0) or v (k = 1) at the end of a block, mm.

        Args:
            said: the block's word, in program units.  relative: G91 holds.
            before, x: X or Y before and at the end of the block, mm.  shift: of the program's zero, mm.
        """
        if said is not None:
            self.named = True
            base = self.now[k]
            if self.absolute:
                base = before if isnan(base) else base
                self.now[k] = base + said * scale if relative else said * scale + shift
            else:
                self.now[k] = base + said * scale if relative else said * scale
        if self.absolute:
            return 0.0 if isnan(self.now[k]) else self.now[k] - x
        return self.now[k]


NOTE = "Z is read as the height of the upper head's face above the part zero"

#: mm: G92 Z at the begin may miss the setup's own height by this much
_AGREE = 0.001


class Height:
    """The height while a program is read, mm above the part zero.

    Attributes:
        now: at this moment.   named: whether the program has any Z.
        on_own: whether ``now`` counts from where the setup puts the face.
    """

    def __init__(self, own: float | None) -> None:
        self.own = own
        self.now = 0.0 if own is None else own
        self.named = False
        self.on_own = True
        self._shift, self._shift_on_own = 0.0, False
        self._of_line: dict[int, tuple[float, float]] = {}
        self._moved = self._own_move = False

    @property
    def used_own(self) -> bool:
        """Whether some move, or where the heads stand, is at a height that counts from the setup's."""
        return self._own_move if self._moved else self.on_own

    def says(self, said: float, relative: bool) -> float:
        """The height at the end of a block with a Z word of ``said`` mm.

        Args:
            said: mm.   relative: it counts from the height at this moment.
        """
        return self.now + said if relative else said + self._shift

    def goes(self, to: float, relative: bool, line: int | None) -> None:
        """A block's Z is carried out, as a move of its line, or before the path begins (None).

        Args:
            to: the height, mm, as ``says`` gives it.   relative: as there.   line: of the move, or None.
        """
        before, on_own = self.now, self.on_own
        self.named, self.now = True, to
        if not relative:
            self.on_own = self._shift_on_own
        if line is not None:
            self._of_line[line] = (before, to)
            self._counts(on_own or self.on_own)

    def stays(self, line: int) -> None:
        """A move without a Z word.

        Args:
            line: of the file.
        """
        if self.named:
            self._of_line[line] = (self.now, self.now)
        self._counts(self.on_own)

    def _counts(self, on_own: bool) -> None:
        self._own_move |= on_own
        self._moved = True

    def preset(self, said: float) -> float | None:
        """G92: the height gets a new figure. Where the setup has the face elsewhere, that height comes back.

        Before any Z word the program thus says where the face is, and the setup has said so already.
        """
        if not self.named and self.own is not None and abs(said - self.own) > _AGREE:
            return self.own
        if not self.named and self.own is None:
            self.now = said
        self._shift, self._shift_on_own = self.now - said, self.on_own
        return None

    def of(self, lines: Sequence[int]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """The heights at both ends of the moves of these lines, (M,) each."""
        begin = 0.0 if self.own is None else self.own
        if not self._moved:
            begin = self.now
        both = np.array([self._of_line.get(line, (begin, begin)) for line in lines], dtype=float)
        return both[:, 0], both[:, 1]


#: mm: what goes no farther goes nowhere
SAME = 1e-9

# end x, end y, centre x, centre y (mm, C), sweep (radians), rapid, side of the offset (1 left of the path,
# -1 right, 0 off), offset number (-1: none named), event of ``wire``, line (or, where a line may hold several
# blocks, the block's place among all of them, from 1: ``Program.lines`` has its line), block number, u, v at
# the end
Row = tuple[float, float, float, float, float, bool, int, int, int, int, str, float, float]


class Rows:
    """Rows kept as columns, a million of them in 90 MB."""

    def __init__(self, rows: Iterable[Row] = ()) -> None:
        self.places = [array("d") for _ in range(5)]
        self.rapid, self.side = array("b"), array("b")
        self.number, self.event, self.line = array("q"), array("b"), array("q")
        self.block: list[str] = []
        self.u, self.v = array("d"), array("d")
        for row in rows:
            self.append(row)

    @property
    def columns(self) -> tuple[Sequence[Any], ...]:
        """As a row has them."""
        few = (self.rapid, self.side, self.number, self.event, self.line, self.block, self.u, self.v)
        return (*self.places, *few)

    def append(self, row: Row) -> None:
        """One more ``row``, its values in the order of the columns."""
        for column, value in zip(self.columns, row, strict=True):
            column.append(value)  # type: ignore[attr-defined]

    def extend(
        self,
        places: Sequence[NDArray[np.float64]],
        rapid: NDArray[np.bool_],
        state: tuple[int, int, int],
        line: NDArray[np.int64],
        block: list[str],
        uv: tuple[float, float],
    ) -> None:
        """Many rows under one ``state``: side, offset number, event (of the first alone).

        Args:
            places: x, y, centre x, centre y and sweep of each row (N,), mm and radians.
            rapid: (N,).   state: side of the wire offset, its number, event.   line, block: of each row.
            uv: U and V of them all, mm.
        """
        many = len(line)
        for column, values in zip(self.places, places, strict=True):
            column.frombytes(np.ascontiguousarray(values, dtype=np.float64).tobytes())
        self.rapid.frombytes(rapid.astype(np.int8).tobytes())
        self.side.extend([state[0]] * many)
        self.number.extend([state[1]] * many)
        self.event.extend([state[2], *[0] * (many - 1)])
        self.line.frombytes(line.astype(np.int64).tobytes())
        self.block += block
        self.u.extend([uv[0]] * many)
        self.v.extend([uv[1]] * many)

    def __len__(self) -> int:
        return len(self.line)

    def __iter__(self) -> Iterator[Row]:
        return zip(*self.columns, strict=True)


@changing
class Program:
    """A program as read, before its wire offset.

    Attributes:
        first: the point where the path begins, mm in C; None until one is named.
        first_uv: u, v there, mm.
        begins_cutting: the word (G01 to G03) that names it, and its line; None where another one does.
        rows: one a move.
        passed_over: word: (as written, first line).
        notes: sentences for the report.
        miss: the most by which an arc's end misses its circle, mm.
        offset_word: the first of G41, G42 and its line.
        event: of ``wire``, what the program did after the last move.
        stops: words at which the program stops for a person: (word, line or block's place, block number,
            event of ``wire`` since the move before it).
        height: of the upper face, as the Z words say.
        ended: the word that ends the program, and its line; None where none does.
        unit: one of the last decimals that the program is written with, mm; 0 where nobody asked.
        scale: mm in one unit of the program, for messages.
        lines: the line of each block, where a line may hold several; else None.
        zeros: words that choose a zero (G54), in the order in which they are called first.
    """

    first: tuple[float, float] | None = None
    first_uv: tuple[float, float] = (0.0, 0.0)
    begins_cutting: tuple[str, int] | None = None
    rows: Rows = field(default_factory=Rows)
    passed_over: dict[str, tuple[str, int]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    miss: float = 0.0
    offset_word: tuple[str, int] | None = None
    event: int = 0
    stops: list[tuple[str, int, str, int]] = field(default_factory=list)
    height: Height = field(default_factory=lambda: Height(None))
    ended: tuple[str, int] | None = None
    unit: float = 0.0
    scale: float = 1.0
    lines: list[int] | None = None
    zeros: dict[str, None] = field(default_factory=dict)

    def line_of(self, key: int) -> int:
        """The file's line of a row.

        Args:
            key: number of the row.
        """
        return key if self.lines is None else self.lines[key - 1]


def is_still(row: Row, at: tuple[float, float]) -> bool:
    """Whether a row goes nowhere in X Y from ``at``: the upper head goes up or down there."""
    return row[4] == 0.0 and abs(row[0] - at[0]) + abs(row[1] - at[1]) <= SAME
