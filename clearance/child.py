"""What must be put right when this process is told to stop: other processes ended, half-written files
removed.

``leave`` does it and ends the process at once, in whatever the main thread was. An exception would not do:
one that is raised while a library is imported, or in a callback, is swallowed, or shown with a trace.

Nothing heavy is imported here: it has to be in place before anything else is.

The inside of a process that ``parallel.Child`` started: one function is given a request, its answer goes
back.

What such a process reads may be hostile, and the native code that reads it may break down or never end: so it
has limits, and it ends when the process that asked does.

The request comes on standard input, its length first; the answer goes to standard output, which nothing else
is written to: what a library prints goes to the error output.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from importlib import import_module

from clearance.errors import printable

#: exit code of a process that was stopped by its user
STOPPED = 130

#: processes that were started and have not ended
processes: set[int] = set()
#: files that are being written, under names of their own
half_written: set[str] = set()
#: files that were asked for and are whole, by the names that the user gave them
written: list[str] = []
#: what wipes a line that is being shown, if there is one: the characters to be written for it
wipe: list[Callable[[], str]] = []
#: what of an unfinished work is kept for the next time, if any: told to a person who has stopped it
kept: list[Callable[[], str]] = []

_held = 0
_told = False


def on_signals(handler: Callable[[int, object], None]) -> None:
    """Have Ctrl-C, a plain ``kill`` and a terminal that closes answered by ``handler``, each where nobody
    has it ignored: a shell does that for what runs in the background, ``nohup`` for what outlives its
    terminal."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) != signal.SIG_IGN:
            signal.signal(number, handler)


def leave(_number: int = 0, _frame: object = None) -> None:
    """End this process, with nothing left behind and one line that says what was written."""
    global _told
    if _held:
        _told = True
        return
    # a second signal must not meet this half done
    on_signals(lambda *_: None)
    clean_up()
    text = "".join(each() for each in wipe) + stopped() + "\n"
    with contextlib.suppress(OSError):
        os.write(2, text.encode("utf-8", "replace"))
    os._exit(STOPPED)


def clean_up() -> None:
    """End the processes that were started, remove the files that are half written."""
    for pid in list(processes):
        with contextlib.suppress(OSError):
            os.kill(pid, signal.SIGTERM if os.name == "nt" else signal.SIGKILL)
    for file in list(half_written):
        with contextlib.suppress(OSError):
            os.unlink(file)


def stopped() -> str:
    """What is told to a person who has stopped it."""
    done = f"{', '.join(map(printable, written))} had been written" if written else "nothing was written"
    return "; ".join(["stopped", done, *(each() for each in kept)])


@contextlib.contextmanager
def held() -> Iterator[None]:
    """A step that is either done or not: ``leave`` waits for its end."""
    global _held
    _held += 1
    try:
        yield
    finally:
        _held -= 1
        if _told and not _held:
            leave()


@contextlib.contextmanager
def half_done(file: str) -> Iterator[None]:
    """``file`` is one of our own that is gone after the block, however that ends."""
    half_written.add(file)
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            os.unlink(file)
        half_written.discard(file)


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
    called before there is a request."""
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
