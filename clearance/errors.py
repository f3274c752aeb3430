"""What can go wrong, each kind with the exit code that the command line gives it.

One error is one message for a person: which file, where in it, what was found there and what
would be right. Nothing else in the project prints or exits on an error.
"""

from __future__ import annotations

from pathlib import Path

from clearance.printable import printable, printable_lines


class ClearanceError(Exception):
    """Base of all errors that are meant for the user. ``exit_code`` is the process's exit code."""

    exit_code = 2


class InputError(ClearanceError):
    """The command line or an input file is wrong.

    Args:
        file: the file as the user named it, or None for the command line.
        place: line, key or record inside the file ("line 14", "items[2].params.length"); may be "".
        found: what stands there, in words.
        want: what would be right, in words; may be "".
    """

    def __init__(self, file: str | Path | None, place: str, found: str, want: str = "") -> None:
        self.file = None if file is None else str(file)
        self.place = place
        self.found = found
        self.want = want
        # The lines of ``want`` are ours; a line end in a name or in what was found is the user's.
        text = ": ".join(printable(part) for part in (self.file, place, found) if part)
        super().__init__(f"{text}; {printable_lines(want)}" if want else text)


class WrongArgument(ClearanceError, TypeError):
    """A function of the library was given what it cannot take.

    Args:
        name: of the argument.   given: what it was given.   want: what would be right, in words.
    """

    def __init__(self, name: str, given: object, want: str) -> None:
        shown = repr(given)
        shown = shown if len(shown) <= 60 else f"{shown[:57]}..."
        super().__init__(f"{name} is {shown} ({type(given).__name__}); it should be {want}")


class NotYet(InputError):
    """A key or word that is part of the file format but that this version cannot honour."""


class Undecided(ClearanceError):
    """The question could not be answered either way."""

    exit_code = 3


class CannotDraw(ClearanceError):
    """No picture can be drawn on this computer; the message says what to install."""
