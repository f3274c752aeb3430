"""The inside of a process that ``parallel.Child`` started: a request goes in, an answer comes out.

What such a process reads may be hostile, and the native code that reads it may break down or never end: so it
has limits, and it ends when the process that asked does.

The request comes on standard input, its length first (``framed``); the answer goes to standard output, which
nothing else is written to: what a library prints goes to the error output.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
import sys
import threading
from importlib import import_module
from pathlib import Path

#: exit code of a function that says why it has no answer
REFUSED = 3
#: exit code of a process that was left behind
GONE = 1

_PR_SET_PDEATHSIG = 1


class Refused(Exception):
    """There is no answer; the reason is the answer instead."""


def end_with(parent: int, lifeline: int) -> None:
    """End this process when ``parent`` ends.

    Linux does that by itself. Elsewhere a thread waits for the pipe ``lifeline`` (its reading end) to close,
    which the parent holds open as long as it lives. On Windows there is neither.
    """
    if sys.platform.startswith("linux"):
        with contextlib.suppress(OSError, AttributeError):
            if ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, int(signal.SIGKILL), 0, 0, 0) == 0:
                if os.getppid() != parent:
                    os._exit(GONE)
                return
    if lifeline >= 0:
        threading.Thread(target=_watch, args=(lifeline,), name="lifeline", daemon=True).start()


def _watch(lifeline: int) -> None:
    with contextlib.suppress(OSError):
        os.read(lifeline, 1)
    os._exit(GONE)


def limit_this_process(memory: int | None, seconds: int | None, disk: int | None) -> None:
    """Set limits for this process where the system has them; on Windows the clock alone ends it.

    Args:
        memory: bytes of address space.   seconds: processor time.   disk: bytes of any file that it writes.
    """
    try:
        import resource
    except ImportError:
        return
    for what, most in (
        (resource.RLIMIT_AS, memory),
        (resource.RLIMIT_CPU, seconds),
        (resource.RLIMIT_FSIZE, disk),
        (resource.RLIMIT_CORE, 0),
    ):
        if most is None:
            continue
        _, hard = resource.getrlimit(what)
        most = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(what, (most, most))


def serve(
    entry: str, parent: int, lifeline: int, memory: int | None, seconds: int | None, disk: int | None
) -> None:
    """Answer one request by ``entry``, "module:function", and end. A function ``prepare`` of that module is
    called before there is a request.

    Args:
        entry: "module:function".   parent: its process.   lifeline: descriptor that closes when that
            ends, or -1.
        memory: bytes.   seconds: of processor time.   disk: bytes of any file; None: as much as its
            parent.
    """
    # a terminal sends Ctrl-C to this process too, which then ends without a word
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    end_with(parent, lifeline)
    limit_this_process(memory, seconds, disk)
    out = os.dup(1)
    os.dup2(2, 1)
    name, function = entry.split(":")
    try:
        module = import_module(name)
        # the request may still be in the making
        getattr(module, "prepare", lambda: None)()
        answer, code = bytes(getattr(module, function)(_request())), 0
    except Refused as why:
        answer, code = str(why).encode("utf-8", "replace"), REFUSED
    with os.fdopen(out, "wb") as stream:
        stream.write(answer)
    with contextlib.suppress(OSError):
        sys.stderr.flush()
    # native libraries may stumble when they are taken apart
    os._exit(code)


def _request() -> bytes:
    stream = sys.stdin.buffer
    length = int.from_bytes(stream.read(8), "little")
    request = stream.read(length)
    if len(request) != length:
        # who asked has ended meanwhile
        os._exit(GONE)
    return request


def framed(request: bytes) -> bytes:
    """A request as it travels: its length first."""
    return len(request).to_bytes(8, "little") + request


def in_memory(data: bytes) -> int | None:
    """An open file that holds ``data`` and stands on no disk; None where the system has none, or no room."""
    if not sys.platform.startswith("linux"):
        return None
    try:
        file = os.memfd_create("request")
    except OSError:
        return None
    try:
        view = memoryview(data)
        while view:
            view = view[os.write(file, view) :]
        os.lseek(file, 0, os.SEEK_SET)
    except OSError:
        os.close(file)
        return None
    return file


def import_paths() -> list[str]:
    """Where a child finds the modules that this process finds, beside those of Python and of what is
    installed: without the working folder, and with the folder (or the archive) that this package lies in
    last."""
    home = str(Path(__file__).absolute().parents[1])
    try:
        here = os.path.realpath(os.getcwd())
    except OSError:  # it has been removed
        here = ""
    paths = [os.path.abspath(path) for path in sys.path if path]
    return list(dict.fromkeys([*(path for path in paths if os.path.realpath(path) != here), home]))


#: both ends of the pipe that closes when this process ends
own_line: tuple[int, int] = (-1, -1)
_line_of = 0


def lifeline_of_this_process() -> int:
    """The reading end of a pipe that closes when this process ends; -1 where there is no such thing."""
    global own_line, _line_of
    if os.name != "posix":
        return -1
    if _line_of != os.getpid():
        own_line, _line_of = os.pipe(), os.getpid()
    return own_line[0]
