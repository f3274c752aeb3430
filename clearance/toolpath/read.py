"""A path file and the setup's keys for it go in, its moves in frame C and the file's sha256 come out."""

from __future__ import annotations

import hashlib
from pathlib import Path

from clearance.errors import InputError
from clearance.files import refuse_no_file
from clearance.toolpath.moves import Moves
from clearance.toolpath.nc.reader import read_nc
from clearance.toolpath.nc.words import text_of
from clearance.toolpath.options import ControlWords, PathOptions
from clearance.toolpath.table import is_table, read_points

__all__ = ["ControlWords", "PathOptions", "read_path"]

WANT = "an NC program in ISO 6983 words, a DXF drawing or a CSV table of points"
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
    text = text_of(data, shown, WANT)
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
    refuse_no_file(path, shown, "the path's file, seen from the setup file")
    try:
        size = path.stat().st_size
        if size > LARGEST_FILE:
            raise InputError(
                shown, "", f"the file has {size / 1e6:.0f} MB", f"at most {LARGEST_FILE / 1e6:.0f} MB"
            )
        return path.read_bytes()
    except FileNotFoundError:
        raise InputError(
            shown, "", "there is no such file", "the path's file, seen from the setup file"
        ) from None
    except OSError as error:
        raise InputError(shown, "", f"the file cannot be read ({error.strerror or error})") from None


def _is_drawing(data: bytes) -> bool:
    if b" Binary DXF\r\n\x1a\x00" in data[:32]:
        return True
    return data[:400].lstrip(b"\xef\xbb\xbf \t\r\n").split()[:2] == [b"0", b"SECTION"]
