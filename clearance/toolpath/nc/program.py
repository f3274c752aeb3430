"""What an NC program says, one row a move, goes in; the moves of its cut come out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError, NotYet
from clearance.toolpath.compensation import Rounding, offset_rows
from clearance.toolpath.moves import (
    CUT,
    THREAD,
    Moves,
    PathOptions,
    cut_first,
    ends_with_wire_in,
    threading,
    wire_at_stop,
)
from clearance.toolpath.nc.gouge import told
from clearance.toolpath.nc.rows import Program, Rows, is_still

ROUNDED = "outside corners of the wire offset are taken as rounded about the programmed corner"


def moves_of(program: Program, shown: str, options: PathOptions) -> Moves:
    """The moves of a program that names a point at least; one move of no length where it names just one.

    The wire offset is followed where the setup gives ``offsets``; with ``offset_max`` alone everything is
    grown by it.

    Args:
        program: as read.   shown: its file's name, for messages.   options: of the setup.
    """
    if program.first is None:
        found = "the program names no point"
        if program.ended is not None:
            found += f" before its end ({program.ended[0]} in line {program.ended[1]})"
        raise InputError(shown, "", found, "G00 to G03 with X and Y")
    rows = program.rows or Rows([(*program.first, 0.0, 0.0, 0.0, True, 0, -1, 0, 0, "", *program.first_uv)])
    _check_size(program, rows, shown, options)
    notes, grow, miss, doubt = list(program.notes), 0.0, 0.0, ""
    origin = None
    if program.offset_word is not None:
        written = {key: k for k, key in enumerate(rows.line)}  # a block has one move at most
        rows, grow, miss, note, doubt = _offset(program, rows, shown, options)
        origin = _whole(np.array([written[key] for key in rows.line], dtype=np.int64), len(written))
        notes.append(note)
    x, y, cx, cy, sweep, fast, _side, _number, event, line, block, u, v = rows.columns
    rapid = _riding(program.first, rows) if program.height.named else list(map(bool, fast))
    end = np.array([x, y], dtype=float).T
    centre = np.array([cx, cy], dtype=float).T
    turn = np.array(sweep, dtype=float)
    centre[turn == 0] = np.nan
    threaded, points = threading(rapid, event, bool(options.codes.cut))
    left_in = bool(options.codes.cut) and ends_with_wire_in(threaded[-1], program.event)
    stops = _stops(program, line)
    in_there = tuple(
        wire_at_stop(at, done, threaded, event, points, bool(options.codes.cut))
        for (at, *_), (*_, done) in zip(stops, program.stops, strict=True)
    )
    start_uv = end_uv = None
    if any(u) or any(v) or any(program.first_uv):
        end_uv = np.array([u, v], dtype=float).T
        start_uv = np.vstack([[program.first_uv], end_uv[:-1]])
    start_z = end_z = None
    if program.height.named:
        if end_uv is not None:
            raise NotYet(
                shown,
                "",
                "Z words in a program with U V",
                "one cut for each height, each with its own upper_z",
            )
        start_z, end_z = program.height.of(line)
    return Moves(
        start=np.vstack([[program.first], end[:-1]]),
        end=end,
        centre=centre,
        sweep=turn,
        rapid=np.array(rapid, dtype=bool),
        threaded=np.array(threaded, dtype=bool),
        line=_lines(program, line),
        block=tuple(block),
        thread_points=points,
        stops=stops,
        wire_at_stops=in_there,
        d_number=np.where(np.array(_side) != 0, np.array(_number, dtype=np.int64), 0),
        first_cut=cut_first(threaded, event),
        passed_over=tuple(sorted(program.passed_over.values(), key=lambda word: word[1])),
        notes=tuple(notes),
        doubts=(doubt,) if doubt else (),
        begins_cutting=program.begins_cutting,
        grow=grow,
        chord_error=program.miss + miss,
        wire_left_in=left_in,
        unthreaded=tuple(k for k in points if options.codes.thread and not event[k] & THREAD),
        taken_as_cut=not options.codes.cut,
        source=shown,
        start_uv=start_uv,
        end_uv=end_uv,
        start_z=start_z,
        end_z=end_z,
        own_height=program.height.named and program.height.used_own,
        origin=origin,
        zeros=tuple(program.zeros),
    )


def _stops(program: Program, keys: Sequence[int]) -> tuple[tuple[int, str, int, str], ...]:
    """The stops, each with the move before which it stands."""
    before = np.searchsorted(np.array(keys), [at for _, at, *_ in program.stops], side="right")
    return tuple(
        (int(k), word, program.line_of(at), label)
        for k, (word, at, label, _) in zip(before, program.stops, strict=True)
    )


def _riding(first: tuple[float, float], rows: Rows) -> list[bool]:
    """Whether each move is rapid; where the upper head alone moves, as on the move before, unless the wire
    was cut between them: what goes up then cuts nothing."""
    out: list[bool] = []
    at, rapid = first, True
    for row in rows:
        rapid = (rapid or bool(row[8] & CUT)) if is_still(row, at) else row[5]
        out.append(rapid)
        at = (row[0], row[1])
    return out


def _whole(origin: NDArray[np.int64], count: int) -> NDArray[np.int64] | None:
    """The same where each of ``count`` programmed moves has a part left; else moves count as they are."""
    return origin if np.array_equal(np.unique(origin), np.arange(count)) else None


def _lines(program: Program, keys: Sequence[int]) -> NDArray[np.int64]:
    """The file's line of each row."""
    of = np.array(keys, dtype=np.int64)
    return of if program.lines is None else np.array([0, *program.lines], dtype=np.int64)[of]


def _check_size(program: Program, rows: Rows, shown: str, options: PathOptions) -> None:
    x, y, cx, cy, _, _, _, _, _, line, _, u, v = rows.columns
    reach = np.abs(np.array([x, y, cx, cy, u, v], dtype=float)).max(axis=0)
    want = f"at most {options.largest:g} mm from the zero"
    if not (np.abs(np.array(program.first or (), dtype=float)) <= options.largest).all():
        raise InputError(shown, "", "the first point has a coordinate that is too large", want)
    small = reach <= options.largest
    if not small.all():
        at = program.line_of(line[int(np.argmin(small))])
        raise InputError(shown, f"line {at}", "a coordinate that is too large", want)


def _offset(
    program: Program, rows: Rows, shown: str, options: PathOptions
) -> tuple[Rows, float, float, str, str]:
    """The rows of the wire's centre, by how much all is to be grown, by how much they miss, a sentence on
    what was done, and one on where it cuts into the contour."""
    assert program.offset_word is not None
    word, first_line = program.offset_word

    def fail(key: int, found: str, want: str) -> InputError:
        return InputError(shown, f"line {program.line_of(key)}", found, want)

    def size(number: int, line: int) -> float:
        if number in options.offsets:
            return options.offsets[number]
        if number == 0:
            return 0.0
        if number < 0:
            raise fail(
                line, "a wire offset, and no D word says which", "D1, say, in the block of G41 or before"
            )
        known = ", ".join(f"D{n}" for n in sorted(options.offsets))
        raise fail(
            line, f"the setup gives no offset D{number}, only {known}", f"offsets = {{ {number} = ... }}"
        )

    if options.offsets:
        if any(rows.u) or any(rows.v) or any(program.first_uv):
            found = f"{word} in a program with U V"
            raise InputError(shown, f"line {first_line}", found, "a tapered path with its offset worked in")
        rounding = Rounding(program.unit, program.scale)
        wire, miss, cuts = offset_rows(program.first or (0.0, 0.0), list(rows), size, fail, rounding)
        return Rows(wire), 0.0, miss, ROUNDED, told(cuts, program.line_of, program.scale)
    if options.offset_max is None:
        found = f"{word} asks for a wire offset, and the setup gives none"
        want = "offsets = { 1 = ... } or offset_max = ... of this cut"
        raise InputError(shown, f"line {first_line}", found, want)
    grow = abs(options.offset_max)
    note = f"line {first_line}: {word}; heads and wire are grown by offset_max, {grow:g} mm, all round"
    return rows, grow, 0.0, note, ""
