"""Bytes of a path file go in, its text comes out, or one message why it is no text."""

from __future__ import annotations

import codecs

from clearance.errors import InputError

_WIDE = ((codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))


def text_of(data: bytes, shown: str, want: str) -> str:
    """The text of a file with line ends as "\\n", byte order mark removed.

    Args:
        data: the file.  shown: its name as the user gave it.  want: what would be right, for messages.

    Bytes that are not UTF-8 are taken as Latin-1: they can only stand in comments, everything else the
    readers refuse. Raises InputError on an empty file or one that is not text.
    """
    if not data.strip():
        raise InputError(shown, "", "the file is empty", want)
    for mark, name in _WIDE:
        if data.startswith(mark):
            try:
                text = data.decode(name)
            except UnicodeDecodeError as error:
                raise InputError(shown, "", "the file begins as UTF-16 text and then is not", want) from error
            break
    else:
        if b"\0" in data:
            raise InputError(shown, "", "the file is not text (it holds zero bytes)", want)
        try:
            text = data.decode("utf-8-sig")
        except UnicodeDecodeError:
            text = data.decode("latin-1")
    if "\0" in text:
        raise InputError(shown, "", "the file is not text (it holds zero bytes)", want)
    return text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")
