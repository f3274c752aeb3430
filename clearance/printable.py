"""Words that anybody wrote go in; words that can be shown on a terminal, a page or a drawing come out.

A name may hold characters that steer a terminal (ESC, the C1 codes), that turn the order of what stands
around them (the bidirectional marks), that end a line, or that nobody sees. None of them is shown as itself:
each becomes the escape by which TOML and JSON write it, so that it can be seen and be looked for.
"""

from __future__ import annotations

import re

#: the colours that the program's own text may have, and their end (ECMA-48, SGR)
_OWN_COLOUR = re.compile("(\x1b\\[(?:1;3[1-6]|0)m)")
_SHORT = {"\n": "\\n", "\r": "\\r", "\t": "\\t"}


def printable(text: object) -> str:
    """On one line, with each character that does not print as an escape; spaces of any width as a plain one.

    >>> printable("a\\x1b[31mb\\u202ec")
    'a\\\\u001b[31mb\\\\u202ec'
    """
    text = str(text)
    return text if text.isprintable() else "".join(map(_shown, text))


def printable_lines(text: object, colours: bool = False) -> str:
    """The same for text of several lines, which stay. ``colours``: the program's own are let through."""
    lines = str(text).split("\n")
    if not colours:
        return "\n".join(map(printable, lines))
    return "\n".join("".join(_but_for_colours(line)) for line in lines)


def _but_for_colours(line: str) -> list[str]:
    parts = _OWN_COLOUR.split(line)
    return [part if k % 2 else printable(part) for k, part in enumerate(parts)]


def _shown(c: str) -> str:
    if c.isprintable():
        return c
    if c in _SHORT:
        return _SHORT[c]
    if c.isspace() and ord(c) >= 0xA0 and c not in "\u2028\u2029":
        return " "
    return f"\\u{ord(c):04x}" if ord(c) <= 0xFFFF else f"\\U{ord(c):08x}"
