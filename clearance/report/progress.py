"""Word of how far the work is goes to a person who waits: one line on a terminal, nothing anywhere else."""

from __future__ import annotations

import threading
import time
from types import TracebackType
from typing import TextIO

from clearance import ending, parallel
from clearance.errors import printable


class Progress:
    """One line on a terminal that says what is being done; only once it has taken ``after`` seconds.

    Called with (fraction done 0..1, what is being done). A reading or a search that says nothing for long
    still shows that time passes. On leaving, the line is wiped away.

        with Progress(sys.stderr) as progress:
            work(progress)
    """

    def __init__(self, stream: TextIO, after: float = 1.0, every: float = 0.2, width: int = 79) -> None:
        self._stream = stream
        self._after = after
        self._every = every
        self._width = width
        self._begin = time.monotonic()
        self._fraction = 0.0
        self._text = "working"
        self._shown = 0
        self._done = threading.Event()
        self._broken = False
        self._ticker: threading.Thread | None = None
        self.live = bool(getattr(stream, "isatty", lambda: False)())

    def __call__(self, fraction: float, text: str) -> None:
        """Say where the work is. Only notes it: showing is the ticker's, so that this costs nothing."""
        self._fraction = min(max(fraction, 0.0), 1.0)
        self._text = text

    def __enter__(self) -> Progress:
        if self.live:
            ending.wipe.append(self._wiping)
            parallel.pausing.append(self)
            self.resume()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.live:
            parallel.pausing.remove(self)
            self.pause()
            ending.wipe.remove(self._wiping)
        if self._shown:
            self._write(self._wiping())
            self._shown = 0

    def pause(self) -> None:
        """End the thread that shows it: a process is about to be forked."""
        self._done.set()
        if self._ticker is not None:
            # a terminal that takes nothing holds the thread up: it is left, and nothing is forked
            self._ticker.join(timeout=1.0)

    def resume(self) -> None:
        """Begin to show it (again)."""
        if self._broken:
            return
        self._done = threading.Event()
        self._ticker = threading.Thread(target=self._tick, args=(self._done,), name="progress", daemon=True)
        self._ticker.start()

    def _wiping(self) -> str:
        """What wipes the line away."""
        return "\r" + " " * self._shown + "\r" if self._shown else ""

    def _tick(self, done: threading.Event) -> None:
        pause = max(self._after - (time.monotonic() - self._begin), 0.0)
        while not done.wait(pause):
            self._show()
            pause = self._every

    def _show(self) -> None:
        seconds = time.monotonic() - self._begin
        part = f" {100 * self._fraction:3.0f} %" if self._fraction > 0.0 else ""
        line = f"{printable(self._text)} ...{part}  {seconds:.0f} s  (Ctrl-C stops)"[: self._width]
        self._write("\r" + line.ljust(self._shown))
        self._shown = len(line)

    def _write(self, text: str) -> None:
        # A terminal that has gone away is no reason for the check to fail.
        try:
            self._stream.write(text)
            self._stream.flush()
        except (OSError, ValueError):
            self._broken = True
            self._done.set()
