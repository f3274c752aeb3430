"""What must be put right when this process is told to stop: other processes ended, half files removed.

``leave`` does it and ends the process at once, in whatever the main thread was. An exception would not do:
one that is raised while a library is imported, or in a callback, is swallowed, or shown with a trace.

Nothing heavy is imported here: it has to be in place before anything else is.
"""

from __future__ import annotations

import contextlib
import os
import signal
from collections.abc import Callable, Iterator

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
