"""A DXF drawing goes in, the moves of its cut (mm, frame C) come out.

The file is read by ``child`` in a process of its own, under a limit of memory and time; what that
makes of the entities is joined (``chains``) and put in order (``contours``).
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

import numpy as np

from clearance.errors import ClearanceError, InputError, Undecided
from clearance.parallel import Child, Limits
from clearance.toolpath.dxf.chains import Curve, Piece, Tangle, chains_of
from clearance.toolpath.dxf.child import UNITS
from clearance.toolpath.dxf.contours import path_of
from clearance.toolpath.moves import PATH_UNITS, Moves, PathOptions, threading

LARGEST_FILE = 100_000_000  # bytes
MEMORY = 3_000_000_000  # bytes
NEEDED = 200_000_000  # bytes: with less the reader's process does not get as far as the drawing
SECONDS = 60.0
CURVES = 300_000
# the function that answers, in a process of its own
READER = "clearance.toolpath.dxf.child:main"
_NAMES = {25.4: "inch", 1.0: "mm", 10.0: "cm", 1000.0: "m", 304.8: "feet"}


def read_dxf(path: Path, shown: str, options: PathOptions) -> Moves:
    """The moves that cut a drawing's contours.

    Args:
        path: the file.  shown: its name for messages.  options: layers, units, gap, start, order, direction.

    A drawing has no lines of a program, so ``line`` is 0. Where the setup gives ``offset_max`` for this cut
    everything is grown by it; offsets by D number find no D words here. Raises InputError that names entity,
    layer and place.
    """
    size = path.stat().st_size
    if size > LARGEST_FILE:
        found = f"the drawing has {size / 1e6:.0f} MB"
        raise InputError(shown, "", found, f"at most {LARGEST_FILE / 1e6:.0f} MB; the path's curves alone")
    said = None if options.path_units is None else PATH_UNITS[options.path_units]
    request = {
        "file": str(path.resolve()),
        "layers": list(options.layers),
        "bound": options.chord_bound,
        "unit": said,
        "unit_if_none": options.unit,
        "limit": CURVES,
        "memory": MEMORY,
    }
    answer = ask_child(request, shown)
    if "memory" in answer:
        raise _no_memory(shown, int(answer["memory"]))
    if "error" in answer:
        place, found, want = [*answer["error"], "", ""][:3]
        raise InputError(shown, place, found, want)
    unit, notes = _unit(answer["insunits"], said, shown, options)
    curves = [
        Curve(name, tuple(_scaled(piece, unit) for piece in pieces))
        for name, _, _, pieces in answer["curves"]
    ]
    bound = max(error for _, _, error, _ in answer["curves"]) * unit
    points = [(x * unit, y * unit) for x, y in answer["points"]]
    if options.start is not None:
        points = [options.start]
    try:
        contours, leads, short = chains_of(curves, points, options.gap)
        pieces, more = path_of(contours, leads, points, options)
    except Tangle as tangle:
        raise InputError(shown, tangle.place, tangle.found, tangle.want) from None
    notes += more + _left_out(answer, short)
    if answer["mended"]:
        what = "; ".join(answer["mended"][:3]) + "; and more" * (len(answer["mended"]) > 3)
        notes.append(f"the drawing is damaged and was mended, with all its curves there: {what}")
    return _moves(pieces, bound, notes, shown, options)


def ask_child(request: dict[str, Any], shown: str) -> dict[str, Any]:
    """What the child process makes of a request (see ``child``).

    Args:
        request: what to read, as JSON can carry it.   shown: the drawing's name, for messages.
    """
    try:
        with Child(READER, Limits(memory=int(request["memory"]))) as child:
            done = child.finish(json.dumps(request).encode(), SECONDS)
    except MemoryError:
        # a low limit of this process, which has none left to begin another one
        raise _no_memory(shown, _less_memory(1, "memory")) from None
    if done.code is None:
        found = f"reading the drawing takes longer than {SECONDS:g} s"
        raise InputError(shown, "", found, "the path's curves alone")
    try:
        answer = json.loads(done.answer)
    except ValueError:
        if done.code == -9:
            # The system's own way where memory runs out; the reader's time is up by another.
            found = "reading the drawing was ended by the system, as where memory runs out"
            raise Undecided(f"{shown}: {found}; free memory and ask again") from None
        if may_use := _less_memory(done.code, done.last_words):
            raise _no_memory(shown, may_use) from None
        found = f"reading the drawing ended the reader's process (code {done.code})"
        raise InputError(shown, "", found, "a whole DXF file with the path's curves alone") from None
    return dict(answer)


def _less_memory(code: int, words: str) -> int:
    """How much memory a reader's process without an answer had, bytes, if that is why; else 0."""
    bound = MEMORY
    if hasattr(os, "sysconf"):
        import resource

        bound = min(
            [bound, *(b for b in resource.getrlimit(resource.RLIMIT_AS) if b != resource.RLIM_INFINITY)]
        )
    told = any(each in words for each in ("MemoryError", "memory", "failed to map segment"))
    return bound if code and (told or bound < NEEDED) else 0


def _no_memory(shown: str, may_use: int) -> ClearanceError:
    """What to say where memory ran out: too large a drawing, or a limit that is no fault of its."""
    found = f"reading the drawing needs more than {may_use / 1e9:.2f} GB of memory"
    if may_use >= MEMORY:
        return InputError(shown, "", found, "the path's curves alone")
    return Undecided(
        f"{shown}: {found}, the limit of this process; raise the limit (ulimit -v), or free memory"
    )


def _unit(insunits: int, said: float | None, shown: str, options: PathOptions) -> tuple[float, list[str]]:
    """mm in one drawing unit: what the cut says, else what drawing and setup agree on."""
    drawn = UNITS.get(insunits)
    if said is not None:
        if drawn is not None and drawn != said:
            says = f"the drawing says {_unit_name(drawn)} ($INSUNITS {insunits})"
            return said, [f"{says} and is read in {options.path_units}, as the cut says"]
        return said, []
    if drawn is None:
        return options.unit, [f"the drawing names no unit and is read in {options.file_units}, as the setup"]
    if drawn != options.unit:
        name = _unit_name(drawn)
        others = [f'"{each}"' for each in PATH_UNITS if each != name]
        want = f"{', '.join(others[:-1])} or {others[-1]}, whichever the drawing is in"
        if name in PATH_UNITS:
            want = f'path_units = "{name}" of this cut where that is so, else {want}'
        else:
            want = f"path_units = {want}, of this cut"
        found = f"the drawing is in {name} ({insunits}), the setup in {options.file_units}"
        raise InputError(shown, "$INSUNITS", found, want)
    return drawn, []


def _unit_name(unit: float) -> str:
    return _NAMES.get(unit, f"units of {unit:g} mm")


def _scaled(piece: list[float], unit: float) -> Piece:
    x0, y0, x1, y1, *arc = piece
    cx, cy, sweep = arc or (0.0, 0.0, 0.0)
    return (x0 * unit, y0 * unit, x1 * unit, y1 * unit, cx * unit, cy * unit, sweep)


def _left_out(answer: dict[str, Any], short: int) -> list[str]:
    notes = []
    if answer["passed"]:
        what = ", ".join(f"{n} {kind}" for kind, n in sorted(answer["passed"].items()))
        notes.append(f"passed over, as no part of a path: {what}")
    if answer["hidden"]:
        names = ", ".join(f'"{name}"' for name in answer["hidden"])
        notes.append(f"layers that are off or frozen are left out: {names}")
    dots = answer["dots"] + short
    if dots:
        notes.append(f"{dots} curves of no length are left out")
    return notes


def _moves(
    pieces: list[tuple[Piece, bool]], bound: float, notes: list[str], shown: str, options: PathOptions
) -> Moves:
    table = np.array([piece for piece, _ in pieces], dtype=float)
    if not np.abs(table[:, :6]).max() <= options.largest:
        raise InputError(
            shown, "", "a coordinate that is too large", f"at most {options.largest:g} mm from the zero"
        )
    rapid = [is_rapid for _, is_rapid in pieces]
    threaded, thread_points = threading(rapid, [0] * len(rapid), cut_named=False)
    grow = abs(options.offset_max or 0.0)
    if grow:
        notes = [*notes, f"heads and wire are grown by offset_max, {grow:g} mm, all round"]
    end = table[:, 2:4]
    centre = table[:, 4:6].copy()
    centre[table[:, 6] == 0] = np.nan
    start = np.vstack([table[:1, :2], end[:-1]])
    # Ends that were joined at a hair's breadth leave an arc's end that much beside its circle.
    spoke = np.abs(np.hypot(*(start - centre).T) - np.hypot(*(end - centre).T))
    return Moves(
        start=start,
        end=end,
        centre=centre,
        sweep=table[:, 6],
        rapid=np.array(rapid, dtype=bool),
        threaded=np.array(threaded, dtype=bool),
        line=np.zeros(len(rapid), dtype=np.int64),
        block=("",) * len(rapid),
        thread_points=thread_points,
        notes=tuple(notes),
        grow=grow,
        chord_error=bound + float(np.nan_to_num(spoke).max(where=~np.isnan(spoke), initial=0.0)),
        source=shown,
    )
