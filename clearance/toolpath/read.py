"""A path file and the setup's keys for it go in, its moves in frame C and the file's sha256 come out.

Of a CSV table of points straight moves are made. The separator is the one that stands between the names in
the header row. Decimal commas are read where they cannot be mistaken: in a table parted by ";", or by another
sign unless every number with a comma could as well be thousands. A table that has both commas and points in
its numbers is refused.
"""

from __future__ import annotations

import csv
import difflib
import hashlib
import re
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.files import refuse_no_file
from clearance.toolpath.moves import ControlWords, Moves, PathOptions, threading
from clearance.toolpath.nc.reader import read_nc
from clearance.toolpath.nc.words import text_of

WANT = 'a header row "x,y" (also u,v and rapid), then one point a row'
COLUMNS = ("x", "y", "u", "v", "rapid")

_NUMBER = re.compile(r"[+-]?(?:[0-9]++[.,]?[0-9]*+|[.,][0-9]++)(?:[eE][+-]?[0-9]+)?")
_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}")


def is_table(text: str) -> bool:
    """Whether the first row that is not blank names columns, as a table of points does.

    Args:
        text: of the file.
    """
    first = next((row for row in text.split("\n") if row.strip()), "")
    names = {name.strip().strip('"').lower() for name in re.split(r"[,;\t]", first)}
    return {"x", "y"} <= names or first.strip().lower().startswith("sep=")


def read_points(text: str, shown: str, options: PathOptions) -> Moves:
    """The moves through a table's points, mm.

    Args:
        text: the table, line ends "\\n".  shown: the file's name for messages.
        options: ``file_units`` is the unit of the coordinates.

    Where the setup gives ``offset_max`` for this cut everything is grown by it; offsets by D number find no
    D words in a table.
    A row at the point of the row before makes no move. ``rapid`` is of the move that ends in its row. A table
    holds no words, so the wire is cut at the end of each run. Raises InputError with the line.
    """
    rows = [(n, row) for n, row in enumerate(text.split("\n"), 1) if row.strip()]
    if rows and rows[0][1].strip().lower().startswith("sep="):
        rows = rows[1:]
    if not rows:
        raise InputError(shown, "", "the table is empty", WANT)
    separator, names = _header(rows[0], shown)
    cells = _cells(rows[1:], separator, names, shown)
    if not cells:
        raise InputError(shown, "", "the table has a header and no points", WANT)
    lines = [n for n, _ in cells]
    columns = dict(zip(names, zip(*(row for _, row in cells), strict=True), strict=True))
    _decimals(columns, lines, separator, shown)
    values = {name: _floats(name, columns[name], lines, shown) for name in names if name != "rapid"}
    xy = np.stack([values["x"], values["y"]], axis=1) * options.unit
    bad = ~(np.abs(xy) <= options.largest).all(axis=1)
    if bad.any():
        raise InputError(
            shown,
            f"line {lines[int(np.argmax(bad))]}",
            "a coordinate that is too large",
            f"at most {options.largest:g} mm from the zero",
        )
    rapid = _rapid(columns.get("rapid"), lines, shown)
    uv = _taper(xy, values, lines, shown, options)
    grow = abs(options.offset_max or 0.0)
    return _moves(xy, uv, rapid, np.array(lines, dtype=np.int64), shown, grow)


def _header(row: tuple[int, str], shown: str) -> tuple[str, list[str]]:
    line, text = row
    separator = next((s for s in ";\t" if s in text), ",")
    names = [name.strip().strip('"').strip().lower() for name in text.split(separator)]
    place = f"line {line}"
    if all(_NUMBER.fullmatch(name) for name in names):
        raise InputError(
            shown, place, "the table begins with numbers, not with the names of its columns", WANT
        )
    for name in names:
        if name not in COLUMNS:
            near = difflib.get_close_matches(name, COLUMNS, 1)
            hint = f' ("{near[0]}"?)' if near else ""
            raise InputError(shown, place, f'the header names a column "{name[:40]}"{hint}', WANT)
        if names.count(name) > 1:
            raise InputError(shown, place, f'the header names "{name}" twice', WANT)
    for name, other in (("x", "y"), ("y", "x"), ("u", "v"), ("v", "u")):
        if name not in names and (other in names or name in "xy"):
            raise InputError(shown, place, f'the header has no column "{name}"', WANT)
    return separator, names


def _cells(
    rows: list[tuple[int, str]], separator: str, names: list[str], shown: str
) -> list[tuple[int, list[str]]]:
    cells: list[tuple[int, list[str]]] = []
    for line, text in rows:
        try:
            row = next(csv.reader([text], delimiter=separator, strict=True, skipinitialspace=True))
        except csv.Error:
            found = "the row cannot be read: a cell is too long, or a quote has no partner"
            raise InputError(shown, f"line {line}", found, WANT) from None
        if len(row) != len(names):
            want = f"as many as the header names: {separator.join(names)}"
            if separator == "," and len(row) > len(names):
                want += '; decimal commas need ";" between the columns'
            raise InputError(shown, f"line {line}", f"{len(row)} fields", want)
        cells.append((line, [cell.strip() for cell in row]))
    # Spreadsheets leave rows of nothing but separators at the end.
    while cells and not any(cells[-1][1]):
        cells.pop()
    return cells


def _decimals(columns: dict[str, tuple[str, ...]], lines: list[int], separator: str, shown: str) -> None:
    """Refuse the table where a comma in a number could be read in two ways."""
    numbers = [
        (n, cell) for name in columns if name != "rapid" for n, cell in zip(lines, columns[name], strict=True)
    ]
    comma = [item for item in numbers if "," in item[1]]
    if not comma:
        return
    point = next((item for item in numbers if "." in item[1]), None)
    if point is not None:
        raise InputError(
            shown,
            f"line {comma[0][0]}",
            f'"{comma[0][1][:40]}" has a comma and "{point[1][:40]}" (line {point[0]}) a point',
            "one decimal sign in all numbers, and no thousands signs",
        )
    if separator != ";" and all(_THOUSANDS.fullmatch(cell) for _, cell in comma):
        raise InputError(
            shown,
            f"line {comma[0][0]}",
            f'"{comma[0][1][:40]}": the comma may be a decimal sign or part thousands',
            'decimal points, or ";" between the columns',
        )


def _floats(name: str, column: tuple[str, ...], lines: list[int], shown: str) -> NDArray[np.float64]:
    values = np.empty(len(column))
    for i, cell in enumerate(column):
        if not _NUMBER.fullmatch(cell):
            found = f'{name} is "{cell[:40]}"' if cell else f"{name} is empty"
            raise InputError(shown, f"line {lines[i]}", found, "a plain number")
        values[i] = float(cell.replace(",", "."))
    return values


def _rapid(column: tuple[str, ...] | None, lines: list[int], shown: str) -> list[bool]:
    if column is None:
        return [False] * len(lines)
    for i, cell in enumerate(column):
        if cell not in ("0", "1") and not (i == 0 and not cell):
            raise InputError(shown, f"line {lines[i]}", f'rapid is "{cell[:40]}"', "0 or 1")
    return [cell == "1" for cell in column]


def _taper(
    xy: NDArray[np.float64],
    values: dict[str, NDArray[np.float64]],
    lines: list[int],
    shown: str,
    options: PathOptions,
) -> NDArray[np.float64] | None:
    """u and v of each point, mm; None where the wire is upright throughout."""
    if "u" not in values:
        return None
    uv = np.stack([values["u"], values["v"]], axis=1) * options.unit
    if options.uv_words != "absolute" and not uv.any():
        return None
    place = f"line {lines[int(np.argmax(uv.any(axis=1)))]}"
    if options.uv_words is None:
        found = "u and v, and the setup does not say what they count from"
        raise InputError(shown, place, found, 'uv_words = "relative" or "absolute" of this cut')
    if options.planes is None:
        found = "u and v, and the setup does not say at which heights x y and u v hold"
        raise InputError(shown, place, found, "planes = { xy = ..., uv = ... } of this cut")
    if not (np.abs(uv) <= options.largest).all():
        raise InputError(shown, place, "u or v is too large", f"at most {options.largest:g} mm")
    return uv - xy if options.uv_words == "absolute" else uv


def _moves(
    xy: NDArray[np.float64],
    uv: NDArray[np.float64] | None,
    rapid: list[bool],
    line: NDArray[np.int64],
    shown: str,
    grow: float,
) -> Moves:
    whole = xy if uv is None else np.hstack([xy, uv])
    goes = (whole[1:] != whole[:-1]).any(axis=1)
    start_uv, end_uv = (None, None) if uv is None else (uv[:-1][goes], uv[1:][goes])
    start, end, line = xy[:-1][goes], xy[1:][goes], line[1:][goes]
    is_rapid = np.array(rapid[1:], dtype=bool)[goes]
    if not goes.any():
        start = end = xy[:1]
        start_uv = end_uv = None if uv is None else uv[:1]
        line, is_rapid = np.zeros(1, dtype=np.int64), np.ones(1, dtype=bool)
    threaded, points = threading(is_rapid.tolist(), [0] * len(line), cut_named=False)
    return Moves(
        start=start,
        end=end,
        centre=np.full_like(start, np.nan),
        sweep=np.zeros(len(line)),
        rapid=is_rapid,
        threaded=np.array(threaded, dtype=bool),
        line=line,
        block=("",) * len(line),
        thread_points=points,
        notes=(f"heads and wire are grown by offset_max, {grow:g} mm, all round",) if grow else (),
        grow=grow,
        source=shown,
        start_uv=start_uv,
        end_uv=end_uv,
    )


__all__ = ["ControlWords", "PathOptions", "read_path"]

READ_WANT = "an NC program in ISO 6983 words, a DXF drawing or a CSV table of points"
LARGEST_FILE = 200_000_000  # bytes; ten hours of cutting are a hundredth of it


def read_path(path: str | Path, options: PathOptions, shown_as: str | None = None) -> tuple[Moves, str]:
    """Read a cut path.

    Args:
        path: the file. ".csv" is a table of points, ".dxf" a drawing; any other is told by what is in it.
        options: what the setup says about this cut.
        shown_as: the file's name in messages; ``path`` where left out.

    Returns:
        The moves, mm in the program's frame C (origin at the part zero), and the file's sha256 (hex).

    Raises:
        InputError, with the line: the file is missing or wrong. NotYet: it has words for a later version.
    """
    path = Path(path)
    shown = shown_as or str(path)
    data = _bytes(path, shown)
    digest = hashlib.sha256(data).hexdigest()
    suffix = path.suffix.lower()
    if suffix == ".dxf" or _is_drawing(data):
        from clearance.toolpath.dxf.reader import read_dxf

        return read_dxf(path, shown, options), digest
    text = text_of(data, shown, READ_WANT)
    if suffix == ".csv" or is_table(text):
        return read_points(text, shown, options), digest
    return read_nc(text, shown, options), digest


def kind_of(path: Path, data: bytes | None = None) -> str:
    """What a path file is: "drawing", "table" or "program"; what cannot be read counts as a program.

    ``data`` is the whole file, for one who has read it; else its beginning is looked at.
    """
    suffix = path.suffix.lower()
    try:
        if data is None:
            with path.open("rb") as file:
                beginning = file.read(4096)
        else:
            beginning = data
        if suffix == ".dxf" or _is_drawing(beginning):
            return "drawing"
        return "table" if suffix == ".csv" or is_table(text_of(beginning, "", "")) else "program"
    except (OSError, InputError):
        return "program"


def _bytes(path: Path, shown: str) -> bytes:
    refuse_no_file(path, shown, f"name {READ_WANT}")
    try:
        size = path.stat().st_size
        if size > LARGEST_FILE:
            raise InputError(
                shown, "", f"the file has {size / 1e6:.0f} MB", f"at most {LARGEST_FILE / 1e6:.0f} MB"
            )
        return path.read_bytes()
    except FileNotFoundError:
        raise InputError(shown, "", "there is no such file", f"name {READ_WANT}") from None
    except OSError as error:
        raise InputError(shown, "", f"the file cannot be read ({error.strerror or error})") from None


def _is_drawing(data: bytes) -> bool:
    if b" Binary DXF\r\n\x1a\x00" in data[:32]:
        return True
    return data[:400].lstrip(b"\xef\xbb\xbf \t\r\n").split()[:2] == [b"0", b"SECTION"]
