"""A file in the way of an answer goes in; whether the tool made it, so that it may be replaced, comes out.

Every kind of file that the tool writes carries its name where the format has a place for that: JSON in its
key "tool", PNG in the text chunk "Software" (ISO/IEC 15948, 11.3.4.2), SVG in a comment, DXF in a comment
(group code 999), HTML in the meta element "generator".
"""

from __future__ import annotations

import os
import stat
from pathlib import Path

from clearance.errors import InputError

NAME = "clearance"
SVG_MARK = f"<!-- made by {NAME} -->"
DXF_MARK = f"999\nmade by {NAME}\n"
HTML_MARK = f'<meta name="generator" content="{NAME}">'

#: the beginning and the end of a file, in which its mark stands, bytes
_HEAD, _TAIL = 65_536, 4_096

_MARKS: tuple[tuple[bytes, bytes], ...] = (
    (b"{", b'"tool": {"name": "clearance"'),
    (b"\x89PNG\r\n", b"Software\0clearance"),
    (b"<?xml", SVG_MARK.encode()),
    (b"999", DXF_MARK.encode()),
    (b"<!doctype html>", HTML_MARK.encode()),
)
_RECORD = b'"record": "approval"'


def check_replaceable(target: str | Path | None, replace: bool = False) -> None:
    """Refuse to write over a file that the tool has not made, unless somebody says so.

    What is no plain file (a pipe, /dev/null) holds nothing that could be lost; nor does an empty one. An
    approval record is no report: only another approval may take its place.

    Args:
        target: the file to write; None or "-" is none.   replace: somebody says so.

    Raises:
        InputError: it is such a file.
    """
    if target is None or str(target) == "-" or replace or _may_go(Path(target)):
        return
    raise InputError(
        target, "", "is there already, and is no answer of this tool", "name another file, or say --replace"
    )


def _may_go(file: Path) -> bool:
    try:
        found = os.stat(file)
        if not stat.S_ISREG(found.st_mode) or found.st_size == 0:
            return True
        with file.open("rb") as stream:
            head = stream.read(_HEAD)
            stream.seek(max(found.st_size - _TAIL, 0))
            whole = head + stream.read(_TAIL)
    except FileNotFoundError:
        return True
    except (OSError, ValueError):
        return False
    if head.startswith(b"999"):  # a text, whose line ends are the system's
        whole = whole.replace(b"\r\n", b"\n")
    if _RECORD in head[:400]:
        return False
    return any(head.lower().startswith(begin.lower()) and mark in whole for begin, mark in _MARKS)
