"""An NC program's bytes go in, a hash of its words comes out: equal hashes, equal paths.

What a word is, the reader decides (``words``, ``blocks``, and ``nc`` for what stands around them). These say
nothing to the path and are left out: comments, spacing, letter case, line ends, blank lines, the encoding,
and a lone "%" as the very first or the very last block. All the rest counts, as it is written: N numbers (a
control may jump to them), the "/" of block delete with its digit, where a block ends, a "%" with blocks on
either side, what stands behind the program's end. X10, X10. and X10.0 are three different words: some
controls read the first as 10 of the last decimals, and where somebody rewrote a number, somebody shall look.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator

from clearance.errors import InputError
from clearance.toolpath.nc.blocks import Semicolon, blocks_of, says_something
from clearance.toolpath.nc.words import DELETE, text_of, words_of

_WANT = "an NC program"


def words_sha256(data: bytes, shown: str, semicolon: Semicolon = None) -> str:
    """The SHA-256 (hex) of a program's words.

    Args:
        data: the program's file.  shown: its name for messages.
        semicolon: what ";" means on the control. Under another meaning the same program has another hash.

    Raises:
        InputError: the file is no text.
    """
    lines = words_by_block(text_of(data, shown, _WANT), semicolon)
    if semicolon is not None:
        lines = [f'";" is {semicolon}', *lines]
    return hashlib.sha256("\n".join(lines).encode()).hexdigest()


def words_by_block(text: str, semicolon: Semicolon = None) -> list[str]:
    """Each block that has words as one line, "/2 N10 G1 X5." say; line ends of ``text`` are "\n".

    Args:
        text: the program, its line ends as above.   semicolon: what ";" means on the machine; None where
            nobody says.
    """
    lines = list(_lines(text, semicolon))
    if lines and lines[-1] == "%":
        del lines[-1]
    return lines


def _lines(text: str, semicolon: Semicolon) -> Iterator[str]:
    begun = False
    for raw in text.split("\n"):
        try:
            blocks = blocks_of(raw, semicolon, _unreadable)
        except InputError:
            begun = True
            yield f"?{raw.strip()}"
            continue
        for block in blocks:
            if not block:
                continue
            if block[0] == "%":
                # The reader takes a "%" behind anything, a comment even, for the end.
                lone = not says_something(block[1:])
                if begun or not lone:
                    yield "%" if lone else f"?{block}"
                continue
            begun = begun or says_something(block)
            line = _line(block)
            if line:
                yield line


def _line(block: str) -> str:
    """The words of a block; "" where it has none; as it stands, marked, where they cannot be read."""
    mark, rest = "", block
    if block[0] == "/":
        found = DELETE.match(block)
        if found is None:
            return f"?{block}"
        mark, rest = f"{found[0]} ", block[found.end() :]
    try:
        words = words_of(rest, _unreadable)
    except InputError:
        return f"?{block}"
    return mark + " ".join([letter + number for letter, number, _ in words]) if words else ""


def _unreadable(found: str, want: str) -> InputError:
    return InputError(None, "", found, want)
