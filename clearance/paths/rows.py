"""What stands between a program's words and its moves: one row a move, and what else the program said."""

from __future__ import annotations

from dataclasses import dataclass, field

from clearance.paths.heights import Height

#: mm: what goes no farther goes nowhere
SAME = 1e-9

# end x, end y, centre x, centre y (mm, C), sweep (radians), rapid, side of the offset (1 left of the path,
# -1 right, 0 off), offset number (-1: none named), event of ``wire``, line, block number, u, v at the end
Row = tuple[float, float, float, float, float, bool, int, int, int, int, str, float, float]


@dataclass
class Program:
    """A program as read, before its wire offset.

    Attributes:
        first: the point where the path begins, mm in C; None until one is named.
        first_uv: u, v there, mm.
        rows: one a move.
        passed_over: word: (as written, first line).
        notes: sentences for the report.
        miss: the most by which an arc's end misses its circle, mm.
        offset_word: the first of G41, G42 and its line.
        event: of ``wire``, what the program did after the last move.
        height: of the upper face, as the Z words say.
    """

    first: tuple[float, float] | None = None
    first_uv: tuple[float, float] = (0.0, 0.0)
    rows: list[Row] = field(default_factory=list)
    passed_over: dict[str, tuple[str, int]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    miss: float = 0.0
    offset_word: tuple[str, int] | None = None
    event: int = 0
    height: Height = field(default_factory=lambda: Height(None))


def is_still(row: Row, at: tuple[float, float]) -> bool:
    """Whether a row goes nowhere in X Y from ``at``: the upper head goes up or down there."""
    return row[4] == 0.0 and abs(row[0] - at[0]) + abs(row[1] - at[1]) <= SAME
