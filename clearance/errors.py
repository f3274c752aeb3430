"""What can go wrong, each kind with the exit code that the command line gives it.

One error is one message for a person: which file, where in it, what was found there and what
would be right. Nothing else in the project prints or exits on an error.

``printable`` makes words that anybody wrote such as can be shown on a terminal, a page or a drawing. A name
may hold characters that steer a terminal (ESC, the C1 codes), that turn the order of what stands around them
(the bidirectional marks), that end a line, or that nobody sees. None of them is shown as itself: each becomes
the escape by which TOML and JSON write it, so that it can be seen and be looked for.
"""

from __future__ import annotations

import re
import sys
from math import isfinite
from numbers import Real
from pathlib import Path


class ClearanceError(Exception):
    """Base of all errors that are meant for the user. ``exit_code`` is the process's exit code."""

    exit_code = 2


class InputError(ClearanceError):
    """The command line or an input file is wrong.

    Args:
        file: the file as the user named it, or None for the command line, or a function's argument.
        place: line, key or record inside the file ("line 14", "items[2].params.length"); may be "".
        found: what stands there, in words.
        want: what would be right, in words; may be "".
    """

    def __init__(self, file: str | Path | None, place: str, found: str, want: str = "") -> None:
        self.file = None if file is None else str(file)
        self.place = place
        self.found = printable(found)
        self.found = found
        self.want = want
        # The lines of ``want`` are ours; a line end in a name or in what was found is the user's.
        named = '""' if self.file == "" else self.file
        text = ": ".join(printable(part) for part in (place, found) if part)
        text = shortened(f"{text}; {printable_lines(want)}" if want else text)
        super().__init__(f"{in_the_middle(printable(named))}: {text}" if named else text)

    def of_file(self, file: str) -> InputError:
        """The same error, its file named another way."""
        return type(self)(file, self.place, self.found, self.want)


class WrongArgument(ClearanceError, TypeError):
    """A function of the library was given what it cannot take.

    Args:
        name: of the argument.   given: what it was given.   want: what would be right, in words.
    """

    def __init__(self, name: str, given: object, want: str) -> None:
        try:
            shown = " ".join(repr(given).split())
        except ValueError:  # a whole number of too many digits
            shown = "too long"
        except Exception:  # what cannot be shown is no reason to fail
            shown = "what cannot be shown"
        shown = shown if len(shown) <= 60 else f"{shown[:57]}..."
        super().__init__(f"{name} is {shown} ({type(given).__name__}); it should be {want}")


class NoSuchName(InputError, KeyError):
    """A name is asked for by which nothing is known; also what a dict raises then."""

    __str__ = Exception.__str__


class NotYet(InputError):
    """A key or word that is part of the file format but that this version cannot honour."""


class Undecided(ClearanceError):
    """The question could not be answered either way."""

    exit_code = 3


class CannotDraw(ClearanceError):
    """No picture can be drawn on this computer; the message says what to install."""


def to_install(what: str) -> str:
    """The command that installs something for this very program, whichever Python a shell finds first.

    A bare ``pip`` may be another Python's, where a package index would be asked for the program's own name.

    >>> to_install("clearance[step]").split(" -m ")[1]
    'pip install "clearance[step]"'
    """
    python = sys.executable or "python"
    named = f'"{python}"' if " " in python else python
    return f'{named} -m pip install "{what}"'


#: characters; no name, path or word of a user's is shown longer
LONGEST = 200
_QUOTED = re.compile(rf"(?<!\w)'[^'\n]{{{LONGEST},}}'(?!\w)")
_WORD = re.compile(rf"[^\s\"]{{{LONGEST + 1},}}")


def in_the_middle(words: str) -> str:
    """A user's words without their middle where they are long, so that both their ends are seen.

    >>> in_the_middle("a" * 500 + "b") == "a" * 99 + "..." + "a" * 97 + "b"
    True
    """
    if len(words) <= LONGEST:
        return words
    kept = LONGEST - 3
    return f"{words[: kept - kept // 2]}...{words[-(kept // 2) :]}"


def shortened(message: str) -> str:
    """A message, each long word in it, and each long name in quotation marks, without its middle.

    >>> len(shortened(f'there is no item "{"long name " * 500}", and that is all'))
    236
    """
    if len(message) <= LONGEST:
        return message

    def short(found: re.Match[str]) -> str:
        return in_the_middle(found[0])

    parts = message.split('"')
    for k, part in enumerate(parts):
        # what is between marks is a name, but for what follows a mark that has no other
        named = k % 2 == 1 and k < len(parts) - 1
        parts[k] = in_the_middle(part) if named else _WORD.sub(short, _QUOTED.sub(short, part))
    return '"'.join(parts)


def finite(value: object) -> float | None:
    """The float that somebody's value is, a number of Python's or numpy's; None where it is no finite one.

    >>> finite(2), finite(float("nan")), finite("2"), finite(True)
    (2.0, None, None, None)
    """
    if isinstance(value, bool) or not isinstance(value, Real):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if isfinite(number) else None


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
