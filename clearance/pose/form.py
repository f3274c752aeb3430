"""The form of readings: places to touch go out as CSV; what was read at them comes back in.

Columns are ``COLUMNS``; lines that begin with "#" are for people. A row without a part sets something for
the whole form: the place "tip radius" with the reading of the ball's radius, the place "frame" with the item
in whose frame the places are given under "group". Spreadsheets may have saved it with ";" or tabs between the
columns and decimal commas.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
import re
from collections.abc import Sequence
from pathlib import Path

from clearance.errors import InputError
from clearance.files import refuse_no_file, unreadable
from clearance.records import record

COLUMNS = ("part", "group", "place", "x", "y", "z", "nx", "ny", "nz", "reading", "u")
WANT = f"a header row {','.join(COLUMNS)}, as touch writes it, then one place a row"
TIP, FRAME = "tip radius", "frame"
#: mm; a place farther away, or a longer reading, is none
LONGEST = 10_000.0
#: standard uncertainties that an instrument may have, mm
FINEST, COARSEST = 1e-6, 10.0
#: places in a form
_MOST = 400
#: bytes; a form has a few dozen rows
_LARGEST = 2_000_000
_NUMBER = re.compile(r"[+-]?(?:[0-9]+[.,]?[0-9]*|[.,][0-9]+)(?:[eE][+-]?[0-9]+)?")

Vector = tuple[float, float, float]


@record
class FormRow:
    """One place: planned point and outward unit normal in the form's frame, what was read there, and its u.

    Lengths mm. ``reading`` is None where nothing was filled in; ``line`` is its line in the file, 0 for none.
    """

    part: str
    group: str
    place: str
    at: Vector
    normal: Vector
    reading: float | None
    u: float
    line: int = 0


@record
class Form:
    """A form as read.

    Attributes:
        rows: in their order.   tip: radius of the ball of the stylus, mm.
        frame: the item in whose frame the places are, None for the machine's.
        shown: the file as the user named it.   sha256: of its bytes.
    """

    rows: tuple[FormRow, ...]
    tip: float = 0.0
    frame: str | None = None
    shown: str = ""
    sha256: str = ""

    @property
    def parts(self) -> tuple[str, ...]:
        """The parts that it names, in their order."""
        return tuple(dict.fromkeys(row.part for row in self.rows))


def read_form(path: str | Path, shown: str | None = None) -> Form:
    """A form from its file.

    Args:
        path: of the file.   shown: its name for messages; None: as ``path`` has it.

    Raises:
        InputError: it cannot be read, or a row is wrong; the message names the line.
    """
    name = str(path) if shown is None else shown
    refuse_no_file(path, name, "name the form that was filled in")
    try:
        with open(path, "rb") as stream:
            raw = stream.read(_LARGEST + 1)
    except (OSError, ValueError) as error:
        raise InputError(name, "", unreadable(error), "name the form that was filled in") from None
    if len(raw) > _LARGEST:
        raise InputError(name, "", "is too large for a form of readings", WANT)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("cp1252", "replace")
    return parsed(text, name, hashlib.sha256(raw).hexdigest())


def parsed(text: str, shown: str, sha256: str = "") -> Form:
    """A form from its text.

    Args:
        text: of the file.   shown: its name for messages.   sha256: of its bytes.

    Raises:
        InputError: a row is wrong; the message names the line.
    """
    lines = [(n, line) for n, line in enumerate(text.splitlines(), 1)]
    lines = [(n, line) for n, line in lines if line.strip(" ;,\t") and not line.lstrip(' "').startswith("#")]
    if not lines:
        raise InputError(shown, "", "the form is empty", WANT)
    separator = _separator(lines[0], shown)
    rows: list[FormRow] = []
    tip, frame = 0.0, None
    for n, line in lines[1:]:
        cells = _cells(line, n, separator, shown)
        reader = _Cells(cells, n, shown)
        if not cells["part"]:
            if cells["place"] == TIP:
                tip = reader.number("reading")
                if not 0.0 <= tip <= 100.0:
                    raise reader.error("reading", "a tip radius from 0 to 100 mm")
            elif cells["place"] == FRAME:
                frame = cells["group"] or None
            else:
                raise reader.error(
                    "part", f'the part\'s name; without one only "{TIP}" or "{FRAME}" stands here'
                )
            continue
        if len(rows) == _MOST:
            raise InputError(shown, f"line {n}", f"more than {_MOST} places", "a form of those that matter")
        rows.append(_row(reader, rows))
    if not rows:
        raise InputError(shown, "", "the form names no place", WANT)
    return Form(tuple(rows), tip, frame, shown, sha256)


@record
class _Cells:
    """The cells of one row by column."""

    cells: dict[str, str]
    line: int
    shown: str

    def error(self, column: str, want: str) -> InputError:
        """An error at one of its cells."""
        found = self.cells[column]
        said = f'{column} is "{found[:40]}"' if found else f"{column} is empty"
        return InputError(self.shown, f"line {self.line}", said, want)

    def number(self, column: str) -> float:
        """The number in a cell, mm."""
        text = self.cells[column]
        if not _NUMBER.fullmatch(text):
            raise self.error(column, "a plain number, mm")
        value = float(text.replace(",", "."))
        if not math.isfinite(value) or abs(value) > LONGEST:
            raise self.error(column, f"a number within {LONGEST:g}")
        return value


def _row(cells: _Cells, before: Sequence[FormRow]) -> FormRow:
    """One place."""
    part, place = cells.cells["part"], cells.cells["place"]
    if not place:
        raise cells.error("place", "a name or number, so that people can speak of it")
    twin = next((row for row in before if (row.part, row.place) == (part, place)), None)
    if twin is not None:
        raise cells.error("place", f"each place once; line {twin.line} has it too")
    x, y, z = (cells.number(c) for c in "xyz")
    nx, ny, nz = (cells.number(c) for c in ("nx", "ny", "nz"))
    length = math.hypot(nx, ny, nz)
    if abs(length - 1.0) > 0.01:
        found = f"the normal ({nx:g}, {ny:g}, {nz:g}) has the length {length:.3g}"
        raise InputError(cells.shown, f"line {cells.line}", found, "1: it points straight out of the metal")
    reading = cells.number("reading") if cells.cells["reading"] else None
    u = cells.number("u")
    if not FINEST <= u <= COARSEST:
        raise cells.error("u", f"a standard uncertainty from {FINEST:g} to {COARSEST:g} mm")
    normal = (nx / length, ny / length, nz / length)
    return FormRow(part, cells.cells["group"], place, (x, y, z), normal, reading, u, cells.line)


def _separator(first: tuple[int, str], shown: str) -> str:
    """What stands between the columns; the header must name them all, in their order."""
    n, line = first
    separator = next((s for s in ";\t" if s in line), ",")
    names = [name.strip().strip('"').strip().lower() for name in line.rstrip().split(separator)]
    while names and not names[-1]:
        names.pop()
    if names != list(COLUMNS):
        missing = [c for c in COLUMNS if c not in names]
        found = f'the header has no column "{missing[0]}"' if missing else "the header has other columns"
        raise InputError(shown, f"line {n}", found, WANT)
    return separator


def _cells(line: str, n: int, separator: str, shown: str) -> dict[str, str]:
    try:
        row = next(csv.reader([line], delimiter=separator, strict=True, skipinitialspace=True))
    except csv.Error:
        raise InputError(shown, f"line {n}", "the row cannot be read: a quote has no partner", WANT) from None
    while len(row) > len(COLUMNS) and not row[-1].strip():
        row.pop()
    if len(row) != len(COLUMNS):
        want = f"{len(COLUMNS)}, as the header names them"
        if separator == "," and len(row) > len(COLUMNS):
            want += '; decimal commas need ";" between the columns'
        raise InputError(shown, f"line {n}", f"{len(row)} fields", want)
    return dict(zip(COLUMNS, (cell.strip() for cell in row), strict=True))


def as_csv(form: Form, head: Sequence[str] = ()) -> str:
    """The form as text.

    Args:
        form: what goes into the rows.   head: lines for people, without "#".
    """
    out = io.StringIO()
    for line in head:
        out.write(f"# {line}".rstrip() + "\n")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    if form.tip:
        writer.writerow(["", "", TIP, *[""] * 6, f"{form.tip:g}", ""])
    if form.frame is not None:
        writer.writerow(["", form.frame, FRAME, *[""] * 8])
    for row in form.rows:
        reading = "" if row.reading is None else f"{row.reading:.6g}"
        at = [_plain(c, 4) for c in row.at]
        normal = [_plain(c, 9) for c in row.normal]
        writer.writerow([row.part, row.group, row.place, *at, *normal, reading, f"{row.u:g}"])
    return out.getvalue()


def _plain(value: float, digits: int) -> str:
    """A number without an exponent, its trailing zeros and a minus zero."""
    text = f"{value:.{digits}f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
