"""What an NC program says, one row a move, goes in; the moves of its cut come out."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from clearance.errors import InputError
from clearance.paths import wire
from clearance.paths.moves import Moves
from clearance.paths.options import PathOptions

# end x, end y, centre x, centre y (mm, C), sweep (radians), rapid, side of the offset (1 left of the path,
# -1 right, 0 off), offset number (-1: none named), event of ``wire``, line, block number
Row = tuple[float, float, float, float, float, bool, int, int, int, int, str]


@dataclass
class Program:
    """A program as read, before its wire offset.

    Attributes:
        first: the point where the path begins, mm in C; None until one is named.
        rows: one a move.
        passed_over: word: (as written, first line).
        notes: sentences for the report.
        miss: the most by which an arc's end misses its circle, mm.
        offset_word: the first of G41, G42 and its line.
    """

    first: tuple[float, float] | None = None
    rows: list[Row] = field(default_factory=list)
    passed_over: dict[str, tuple[str, int]] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    miss: float = 0.0
    offset_word: tuple[str, int] | None = None


def moves_of(program: Program, shown: str, options: PathOptions) -> Moves:
    """The moves of a program that names a point at least; one move of no length where it names just one."""
    if program.first is None:
        raise InputError(shown, "", "the program names no point", "G00 to G03 with X and Y")
    rows = program.rows or [(*program.first, 0.0, 0.0, 0.0, True, 0, -1, 0, 0, "")]
    x, y, cx, cy, sweep, rapid, _side, _number, event, line, block = zip(*rows, strict=True)
    end = np.array([x, y], dtype=float).T
    start = np.vstack([[program.first], end[:-1]])
    centre = np.array([cx, cy], dtype=float).T
    turn = np.array(sweep, dtype=float)
    lines = np.array(line, dtype=np.int64)
    reach = np.abs(np.hstack([start, end, centre])).max(axis=1)
    if not (reach <= options.largest).all():
        i = int(np.argmin(reach <= options.largest))
        want = f"at most {options.largest:g} mm from the zero"
        raise InputError(shown, f"line {lines[i]}", "a coordinate that is too large", want)
    centre[turn == 0] = np.nan
    threaded, points = wire.threading(rapid, event, bool(options.codes.cut))
    notes, grow = list(program.notes), 0.0
    if program.offset_word is not None:
        grow, note = _grow(program.offset_word, shown, options)
        notes.append(note)
    return Moves(
        start=start,
        end=end,
        centre=centre,
        sweep=turn,
        rapid=np.array(rapid, dtype=bool),
        threaded=np.array(threaded, dtype=bool),
        line=lines,
        block=tuple(block),
        thread_points=points,
        passed_over=tuple(sorted(program.passed_over.values(), key=lambda word: word[1])),
        notes=tuple(notes),
        grow=grow,
        chord_error=program.miss,
        source=shown,
    )


def _grow(where: tuple[str, int], shown: str, options: PathOptions) -> tuple[float, str]:
    """How far a wire offset that is not resolved can put the guides beside the programmed path, mm."""
    word, line = where
    sizes = [abs(value) for value in options.offsets.values()]
    if options.offset_max is not None:
        sizes.append(abs(options.offset_max))
    if not sizes:
        raise InputError(
            shown,
            f"line {line}",
            f"{word} asks for a wire offset, and the setup gives none",
            "offsets = { 1 = ... } or offset_max = ... of this cut",
        )
    grow = max(sizes)
    return (
        grow,
        f"line {line}: {word}; heads and wire are grown by the largest offset, {grow:g} mm, all round",
    )
