"""Files as the user names them: what is not one, what may be written over, and how it is written.

What is no file is told by its kind; what is written is there whole or not.

Every kind of file that the tool writes carries its name where the format has a place for that: JSON in its
key "tool", PNG in the text chunk "Software" (ISO/IEC 15948, 11.3.4.2), SVG in a comment, DXF in a comment
(group code 999), HTML in the meta element "generator". So a file in the way of an answer tells whether the
tool made it, and it may be replaced.

Nothing heavy is imported here: ``confirm`` answers at the machine at once.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import time
from pathlib import Path
from typing import BinaryIO

from clearance import ending
from clearance.errors import InputError

#: where the machines lie that ship with the tool
SHIPPED = Path(__file__).parent / "scene" / "machines"
#: seconds in which somebody must begin to read a pipe that is written to
_READER = 3.0
#: how the names begin that files have while they are written, and how they end
_BEGINS, _ENDS = ".clearance-", ".part"
#: what such a file is when it was left behind by a process that was killed: this old, seconds
_STALE = 3600.0

_KINDS = (
    (stat.S_ISFIFO, "a named pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
    (stat.S_ISDIR, "a folder"),
)


# ----------------------------------------------------------------------------------------------- what is read
def shipped_machine(name: str) -> Path:
    """The file of a machine that ships with the tool; there need be none of that name."""
    return SHIPPED / f"{name if name.replace('_', '').isalnum() else 'none'}.toml"


def no_file(path: str | os.PathLike[str]) -> str | None:
    """What stands there where it is no file: "a folder", "a named pipe", "a device", "a socket".

    None for a file, and where there is nothing or it cannot be told: opening says more about that. A pipe or
    a device must not be opened to find out: who reads it may wait for ever.
    """
    try:
        mode = os.stat(path).st_mode
    except (OSError, ValueError):
        return None
    return next((words for is_kind, words in _KINDS if is_kind(mode)), None)


def refuse_no_file(path: str | os.PathLike[str], shown: str, want: str) -> None:
    """Refuse to read what is there, but is no file.

    Args:
        shown: its name for messages.   want: what would be right.

    Raises:
        InputError: it is a folder, a pipe, a device or a socket.
    """
    kind = no_file(path)
    if kind is not None:
        raise InputError(shown, "", f"is {kind}, not a file", want)


def unreadable(error: Exception) -> str:
    """Why a file could not be read, in a setter's words where it is the usual reason."""
    if isinstance(error, FileNotFoundError):
        return "there is no such file"
    return f"cannot be read: {getattr(error, 'strerror', None) or error}"


# -------------------------------------------------------------------------------------------- what is written
def write_whole(target: str | Path, content: bytes) -> None:
    """Write a file so that it is there whole or, when interrupted, as it was before.

    The content goes to a file of another name in the same folder, which then takes the target's place
    in one step. What is not a plain file (a pipe, /dev/null) is written straight.

    Raises:
        InputError: the file cannot be written.
    """
    check_writable(target)
    # Through a symbolic link the file it points to is replaced, not the link.
    final = Path(os.path.realpath(target))
    mode = _mode_of(Path(target))
    try:
        if mode is not None and not stat.S_ISREG(mode):
            # Under its own name: a pipe that a shell made (/dev/fd/63) has no other.
            with _open_at_once(Path(target)) as out:
                out.write(content)
            ending.written.append(str(target))
            return
        _clear_away(final.parent)
        part = part_name(final.parent)
        with ending.half_done(part):
            with open(part, "xb") as out:
                out.write(content)
            if mode is not None:
                os.chmod(part, stat.S_IMODE(mode))
            with ending.held():
                os.replace(part, final)
                ending.written.append(str(target))
    except OSError as error:
        raise InputError(target, "", f"cannot be written ({error.strerror or error})", "") from error


def _open_at_once(target: Path) -> BinaryIO:
    """Open a pipe, a device or the like for writing; a pipe that nobody reads is waited for a short while.

    Raises:
        OSError: it cannot be opened, or nobody reads it.
    """
    at_once = getattr(os, "O_NONBLOCK", 0)
    until = time.monotonic() + _READER
    while True:
        try:
            handle = os.open(target, os.O_WRONLY | at_once)
        except OSError as error:
            if error.errno != errno.ENXIO or not stat.S_ISFIFO(os.stat(target).st_mode):
                raise
            if time.monotonic() > until:
                raise OSError(errno.ENXIO, "nobody reads from this pipe") from error
            time.sleep(0.05)
        else:
            if at_once:
                os.set_blocking(handle, True)
            return os.fdopen(handle, "wb")


def part_name(folder: Path) -> str:
    """The name of a file in ``folder`` that will not stay there. It is short, whatever it stands for is
    called: that may be as long as the system allows."""
    return str(folder / f"{_BEGINS}{os.getpid()}-{os.urandom(4).hex()}{_ENDS}")


def _clear_away(folder: Path) -> None:
    """Remove what an earlier run that was killed left half written."""
    with contextlib.suppress(OSError), os.scandir(folder) as entries:
        for each in entries:
            if each.name.startswith(_BEGINS) and each.name.endswith(_ENDS):
                with contextlib.suppress(OSError):
                    if time.time() - each.stat(follow_symlinks=False).st_mtime > _STALE:
                        os.unlink(each.path)


def check_writable(target: str | Path) -> None:
    """Refuse a target that cannot be written, before time is spent on what should go there.

    Raises:
        InputError: there is no such folder, the target is a folder, or writing there is not permitted.
    """
    if str(target) == "-":
        return
    if "\0" in str(target):
        raise InputError(str(target).replace("\0", "?"), "", "cannot be written (a zero byte in its name)")
    final = Path(os.path.realpath(target))
    mode = _mode_of(Path(target))
    if mode is not None and stat.S_ISDIR(mode):
        raise InputError(target, "", "is a folder", "name a file in it")
    if mode is not None and not stat.S_ISREG(mode):
        final = Path(target)
    if not final.parent.is_dir():
        raise InputError(target, "", f"there is no folder {final.parent}", "make it first, or name another")
    written = final if mode is not None and not stat.S_ISREG(mode) else final.parent
    if not os.access(written, os.W_OK) or (mode is not None and not os.access(final, os.W_OK)):
        raise InputError(target, "", "cannot be written (no permission)", "name a place of your own")


def _mode_of(file: Path) -> int | None:
    try:
        return os.stat(file).st_mode
    except (FileNotFoundError, NotADirectoryError):
        return None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(file, "", f"cannot be written ({reason})", "name another file") from error


NAME = "clearance"
SVG_MARK = f"<!-- made by {NAME} -->"
DXF_MARK = f"999\nmade by {NAME}\n"
HTML_MARK = f'<meta name="generator" content="{NAME}">'

#: the first line of every form to fill in, after its "# "
FORM_MARK = "Where to touch, and what was read there. Written by clearance touch."

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
_THEIRS = "is no answer of this tool"


def check_replaceable(target: str | Path | None, replace: bool = False) -> None:
    """Refuse to write over a file that the tool has not made, unless somebody says so.

    What is no plain file (a pipe, /dev/null) holds nothing that could be lost; nor does an empty one. An
    approval record is no report: only another approval may take its place. A form may hold readings.

    Args:
        target: the file to write; None or "-" is none.   replace: somebody says so.

    Raises:
        InputError: it is such a file.
    """
    if target is None or str(target) == "-" or replace:
        return
    kept = _kept_as(Path(target))
    if kept:
        raise InputError(target, "", f"is there already, and {kept}", "name another file, or say --replace")


def _kept_as(file: Path) -> str:
    """Why a file stays, in words; "" where it may go."""
    try:
        found = os.stat(file)
        if not stat.S_ISREG(found.st_mode) or found.st_size == 0:
            return ""
        with file.open("rb") as stream:
            head = stream.read(_HEAD)
            stream.seek(max(found.st_size - _TAIL, 0))
            whole = head + stream.read(_TAIL)
    except FileNotFoundError:
        return ""
    except (OSError, ValueError):
        return _THEIRS
    if head.startswith(b"999"):  # a text, whose line ends are the system's
        whole = whole.replace(b"\r\n", b"\n")
    if _RECORD in head[:400]:
        return "is an approval record"
    if FORM_MARK.encode() in head[:400]:
        return "is a form of clearance touch, in which readings may stand"
    own = any(head.lower().startswith(begin.lower()) and mark in whole for begin, mark in _MARKS)
    return "" if own else _THEIRS
