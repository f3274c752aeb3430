"""A model file and a path file go in; what each is in the units that it may be in comes out."""

from __future__ import annotations

import re
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.paths.moves import Moves
from clearance.paths.options import PathOptions
from clearance.paths.read import kind_of, read_path
from clearance.paths.text import text_of
from clearance.paths.words import COMMENT
from clearance.solids.read import SMALL, UNITS, read_model

Array = NDArray[np.float64]

#: a workpiece on such a machine is between these, mm
LONGEST = 2000.0
#: half of a usual wire and the gap beside it, mm (common practice, no source)
OFFSET = 0.15

_NAMES = {1: "inch", 4: "mm"}


@dataclass(frozen=True)
class Part:
    """A model as read: triangles (N, 3, 3) in mm if ``unit`` is what its numbers are in.

    ``stated``: the file says its unit itself, and the setup need not.
    """

    triangles: Array
    unit: str
    stated: bool


@dataclass(frozen=True)
class CutPath:
    """A path as read: its moves (mm), the options it was read with, and whether the file says its unit."""

    moves: Moves
    options: PathOptions
    kind: str
    stated: bool

    @property
    def unit(self) -> str:
        return self.options.path_units or self.options.file_units

    def points(self) -> Array:
        """Points (N, 2) along all that is cut, nine on each move; along all moves where nothing is cut."""
        moves = self.moves
        cut = ~moves.rapid
        which = cut if cut.any() else np.ones(len(moves), dtype=bool)
        t = np.linspace(0.0, 1.0, 9)[None, :, None]
        start, end = moves.start[which][:, None], moves.end[which][:, None]
        points = start + t * (end - start)
        sweep = moves.sweep[which]
        arc = sweep != 0
        spoke = (moves.start[which] - moves.centre[which])[arc]
        angle = sweep[arc][:, None] * t[0, :, 0][None, :]
        c, s = np.cos(angle), np.sin(angle)
        x = spoke[:, :1] * c - spoke[:, 1:] * s
        y = spoke[:, :1] * s + spoke[:, 1:] * c
        points[arc] = moves.centre[which][arc][:, None] + np.stack([x, y], axis=2)
        return np.asarray(points.reshape(-1, 2))

    def lengths(self) -> Array:
        """How much of the path (mm) each of ``points`` stands for."""
        points = self.points().reshape(-1, 9, 2)
        length = np.hypot(*np.moveaxis(np.diff(points, axis=1), 2, 0)).sum(axis=1)
        return np.repeat(np.maximum(length, 1e-6) / 9.0, 9)


def parts(path: str, shown: str) -> list[Part]:
    """The model in each unit that it may be in, the likeliest first; one where the file says its unit.

    Raises:
        InputError: the file cannot be read.
    """
    solid, _ = read_model(path, None, shown)
    triangles = solid.triangles
    if _has_unit(path):
        return [Part(triangles, "mm", True)]
    longest = float(np.ptp(triangles.reshape(-1, 3), axis=0).max())
    by_size = [unit for unit, mm in UNITS.items() if SMALL <= longest * mm <= LONGEST]
    return [Part(triangles * UNITS[unit], unit, False) for unit in by_size or ["mm"]]


def _has_unit(path: str) -> bool:
    with Path(path).open("rb") as file:
        begin = file.read(512).lstrip(b"\xef\xbb\xbf \t\r\n")
    return begin.startswith((b"PK\x03\x04", b"ISO-10303-21"))


def paths(path: str, shown: str) -> list[CutPath]:
    """The path in each unit that it may be in; one where the file says its unit.

    What the file needs of the setup and nobody said yet is guessed: see the options of each.

    Raises:
        InputError: the file cannot be read.
    """
    if not Path(path).is_file():
        read_path(path, PathOptions(), shown)  # says what is wrong with it
    kind = kind_of(Path(path))
    options = PathOptions()
    if kind == "drawing":
        said = _drawn_unit(path)
        if said is not None:
            options = replace(options, path_units=None if said == "mm" else "inch")
            return [CutPath(read_path(path, options, shown)[0], options, kind, True)]
    else:
        text = text_of(Path(path).read_bytes(), shown, "a path")
        if kind == "program":
            text = COMMENT.sub(" ", text).upper()
            options = _for_program(text)
        elif re.match(r"[^\n]*\bu\b[^\n]*\bv\b", text, re.IGNORECASE):
            options = replace(options, uv_words="relative", planes=(0.0, 1.0))
        if kind == "program" and re.search(r"G(?:20|21|70|71)(?![0-9.])", text):
            return [CutPath(_read(path, options, shown), options, kind, True)]
    found = [CutPath(_read(path, options, shown), options, kind, False)]
    inch = replace(options, path_units="inch")
    with suppress(InputError):  # too long for any machine, say
        found.append(CutPath(_read(path, inch, shown), inch, kind, False))
    return found


def _read(path: str, options: PathOptions, shown: str) -> Moves:
    """The moves; where the wire offset cannot be followed, everything grown by it."""
    try:
        return read_path(path, options, shown)[0]
    except InputError:
        if not options.offsets:
            raise
        return read_path(path, grown(options), shown)[0]


def grown(options: PathOptions) -> PathOptions:
    """The same with the largest offset all round in place of offsets that are followed."""
    return replace(options, offsets={}, offset_max=OFFSET)


def _for_program(text: str) -> PathOptions:
    """What a program asks of the setup: offsets by the D words that stand in it, planes for U V."""
    options = PathOptions()
    if re.search(r"G4[12](?![0-9.])", text):
        numbers = sorted({int(n) for n in re.findall(r"D0*([0-9]{1,4})(?![0-9.])", text)} - {0})
        options = replace(options, offsets=dict.fromkeys(numbers, OFFSET))
        options = options if numbers else grown(options)
    if re.search(r"[UV][ \t]*[-+]?[0-9.]", text):
        options = replace(options, uv_words="relative", planes=(0.0, 1.0))
    return options


def _drawn_unit(path: str) -> str | None:
    """The unit that a drawing says it is in: "mm", "inch", or another that the reader will speak of."""
    with Path(path).open("rb") as file:
        head = file.read(200_000)
    match = re.search(rb"\$INSUNITS\s+70\s+(\d+)", head)
    number = int(match[1]) if match else 0
    return None if number == 0 else _NAMES.get(number, "mm")
