"""The bytes of an STL file go in; its facets come out as float64, or an error that says where it is broken.

Binary and ASCII files are told apart by their size, never by the word "solid": a binary file of n facets
is 84 + 50 n bytes long (80 of header, n as a 4-byte number, 50 a facet: normal, three corners, 2 bytes
more), little-endian. Normals and the 2 bytes are passed over. Format: Marshall Burns, Automated
Fabrication (1993), section 6.5.
"""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError

Triangles = NDArray[np.float64]

HEADER = 84
FACET = 50

_SAVE_AGAIN = "write the file again from the CAD system"
_GRAMMAR = (
    b"facet",
    b"normal",
    *[None] * 3,
    b"outer",
    b"loop",
    *(b"vertex", *[None] * 3) * 3,
    b"endloop",
    b"endfacet",
)
_WORD_AT = [k for k, word in enumerate(_GRAMMAR) if word is not None]
_CORNER_AT = [k for k in range(8, 20) if _GRAMMAR[k] is None]
_NUMBER_BYTES = np.isin(np.arange(256), np.frombuffer(b"0123456789+-.eE\0", dtype=np.uint8))
_FRAME_LINE = re.compile(rb"^[ \t\r]*(?:solid|endsolid)(?:[ \t\r][^\n]*)?$", re.MULTILINE)
_SOLID_LINE = re.compile(rb"^[ \t\r]*solid(?:[ \t]+([^\n]*))?$", re.MULTILINE | re.IGNORECASE)
_END_LINE = re.compile(rb"^[ \t\r]*endsolid(?:[ \t][^\n]*)?$", re.MULTILINE | re.IGNORECASE)
_NUMBER = re.compile(rb"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\Z")
_LONGEST_WORD = 40


def is_binary(data: bytes) -> bool:
    """Is this a whole binary STL, by its size?

    Args:
        data: the file's bytes.
    """
    return len(data) >= HEADER and len(data) == HEADER + FACET * int.from_bytes(data[80:84], "little")


def looks_ascii(data: bytes) -> bool:
    """Does this begin like an ASCII STL and hold text, not the zero bytes that binary headers are full of?

    Args:
        data: the file's bytes.
    """
    return data[:512].lstrip()[:5].lower() == b"solid" and b"\0" not in data[:2048]


def read_stl(data: bytes, shown: str) -> Triangles:
    """The facets (N, 3, 3) of an STL file, float64, in the file's own unit.

    Args:
        data: the whole file.   shown: the file's name for messages.

    Raises:
        InputError: the file is cut short, goes on past its end, is empty, has a corner that is no finite
            number, or (ASCII) has a wrong word somewhere.
    """
    if not is_binary(data) and looks_ascii(data):
        return read_ascii(data, shown)
    return read_binary(data, shown)


def read_binary(data: bytes, shown: str) -> Triangles:
    """The facets of a binary STL; see ``read_stl``.

    Args:
        data: the whole file.   shown: its name, for messages.
    """
    size = len(data)
    if size < HEADER:
        raise InputError(
            shown, f"byte {size}", "the file ends inside the 84 bytes that open a binary STL", _SAVE_AGAIN
        )
    count = int.from_bytes(data[80:84], "little")
    want = HEADER + FACET * count
    if size < want:
        whole = (size - HEADER) // FACET
        raise InputError(
            shown,
            f"byte {size}",
            f"the file is cut off: its header promises {count} facets ({want} bytes), it holds {whole} "
            f"({size} bytes)",
            f"copy it anew or {_SAVE_AGAIN}; if it is no STL at all, give a model as STL",
        )
    if size > want:
        raise InputError(
            shown,
            f"byte {want}",
            f"{size - want} bytes follow the last of {count} facets",
            f"an STL ends there; {_SAVE_AGAIN}",
        )
    if count == 0:
        raise InputError(shown, "header", "the file has no facets (it says 0)", "export the solid body")
    records = np.frombuffer(data, dtype=np.uint8, offset=HEADER).reshape(count, FACET)
    corners = np.ascontiguousarray(records[:, 12:48]).view("<f4")
    if not np.isfinite(corners).all():
        at = int(np.flatnonzero(~np.isfinite(corners).all(axis=1))[0])
        bad = corners[at][~np.isfinite(corners[at])][0]
        raise InputError(
            shown,
            f"facet {at + 1} (byte {HEADER + FACET * at})",
            f"a corner has the coordinate {bad}",
            f"finite numbers; {_SAVE_AGAIN}",
        )
    return corners.astype(np.float64).reshape(count, 3, 3)


def read_ascii(data: bytes, shown: str) -> Triangles:
    """The facets of an ASCII STL, of all its solids; see ``read_stl``.

    Args:
        data: the whole file.   shown: its name, for messages.
    """
    triangles = _whole_table(data)
    if triangles is None:
        triangles = _word_by_word(data, shown)
    if not np.isfinite(triangles).all():
        at = int(np.flatnonzero(~np.isfinite(triangles).all(axis=(1, 2)))[0])
        raise InputError(
            shown, f"facet {at + 1}", "a corner's coordinate is too large for a number", "finite numbers"
        )
    return triangles


def solids_of(data: bytes, triangles: Triangles) -> list[tuple[str, Triangles]]:
    """The solids of an STL file by name, ("", all of it) where it is binary or names none.

    Args:
        data: the whole file.   triangles: what ``read_stl`` made of it.
    """
    if is_binary(data) or not looks_ascii(data):
        return [("", triangles)]
    data = data.replace(b"\r\n", b"\n")
    begins = list(_SOLID_LINE.finditer(data))
    ends = [each.start() for each in _END_LINE.finditer(data)]
    if len(begins) != len(ends):
        return [("", triangles)]
    small = data.lower()
    counts = [small.count(b"endfacet", each.end(), end) for each, end in zip(begins, ends, strict=True)]
    if sum(counts) != len(triangles):
        return [("", triangles)]
    names = [" ".join((each[1] or b"").decode("utf-8", "replace").split()) for each in begins]
    parts = np.split(triangles, np.cumsum(counts)[:-1])
    return [(name, part) for name, part in zip(names, parts, strict=True) if len(part)]


def _whole_table(data: bytes) -> Triangles | None:
    """The quick way: all words as a table of 21 columns. None wherever anything at all is unusual."""
    if b"\0" in data:
        return None
    data = data.lower()
    frames = [line.split()[0] for line in _FRAME_LINE.findall(data)]
    parts = _FRAME_LINE.split(data)
    if not frames or frames != [b"solid", b"endsolid"] * (len(frames) // 2) or b"".join(parts[::2]).strip():
        return None
    bodies = [part.split() for part in parts[1::2]]
    if any(len(body) % len(_GRAMMAR) for body in bodies):
        return None
    words = [word for body in bodies for word in body]
    if not words or max(map(len, words)) > _LONGEST_WORD:
        return None
    table = np.array(words).reshape(-1, len(_GRAMMAR))
    for column in _WORD_AT:
        if not (table[:, column] == _GRAMMAR[column]).all():
            return None
    corners = np.ascontiguousarray(table[:, _CORNER_AT])
    if not _NUMBER_BYTES[corners.view(np.uint8)].all():
        return None
    try:
        with np.errstate(over="ignore"):
            return corners.astype(np.float64).reshape(-1, 3, 3)
    except ValueError:
        return None


def _word_by_word(data: bytes, shown: str) -> Triangles:
    """The slow way, which knows on which line it is; it decides what is right and what is not."""
    corners: list[float] = []
    inside = False
    begun = False
    number = 0
    place = 0
    for number, line in enumerate(data.split(b"\n"), 1):
        words = line.split()
        if not words:
            continue
        first = words[0].lower()
        if place == 0 and first == (b"endsolid" if inside else b"solid"):
            inside = not inside
            begun = True
            continue
        for word in words:
            want = _GRAMMAR[place]
            if not inside:
                raise _wrong(shown, number, word, "solid" if begun else "solid, the word that opens the file")
            if want is None:
                if place > 7:
                    corners.append(_number(shown, number, word))
            elif word.lower() != want:
                raise _wrong(shown, number, word, want.decode() + (" or endsolid" if place == 0 else ""))
            place = (place + 1) % len(_GRAMMAR)
    if inside:
        facets = len(corners) // 9
        raise InputError(
            shown,
            f"line {number}",
            f"the file is cut off: it ends {'inside a facet' if place else 'without endsolid'}, after "
            f"{facets} whole facets",
            f"copy it anew or {_SAVE_AGAIN}",
        )
    if not corners:
        raise InputError(shown, f"line {number}", "the file has no facets", "export the solid body")
    return np.array(corners).reshape(-1, 3, 3)


def _number(shown: str, line: int, word: bytes) -> float:
    """A coordinate, strictly as decimal text."""
    if len(word) > _LONGEST_WORD * 10 or not _NUMBER.match(word):
        raise _wrong(shown, line, word, "a finite decimal number")
    return float(word)


def _wrong(shown: str, line: int, word: bytes, want: str) -> InputError:
    """An error that shows at most the beginning of the wrong word, in printable characters."""
    text = word[:30].decode("ascii", "replace")
    return InputError(
        shown, f"line {line}", f"found {text!r}{'...' if len(word) > 30 else ''}", f"want {want}"
    )
