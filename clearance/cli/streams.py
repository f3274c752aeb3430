"""Standard output and error output that may be closed, full, or have no reader: noted, and told once at the
end.

What was asked for in files is written all the same, so a failure to print must not end a command on its way.
"""

from __future__ import annotations

import io
import os
import sys
from typing import TextIO


class _Raw(io.RawIOBase):
    """Hands on what is written, until that fails; from then on it is lost, and ``lost`` says why."""

    def __init__(self, inner: io.RawIOBase | None, descriptor: int) -> None:
        self._inner = inner
        self._descriptor = descriptor
        self.lost = ""

    def writable(self) -> bool:
        return True

    def write(self, data: object) -> int | None:
        length = memoryview(data).nbytes  # type: ignore[arg-type]
        if self.lost:
            return length
        if self._inner is None:
            self.lost = "it is closed"
            return length
        try:
            return self._inner.write(data)  # type: ignore[arg-type]
        except OSError as error:
            self.lost = error.strerror or str(error)
            return length

    def fileno(self) -> int:
        return self._descriptor

    def isatty(self) -> bool:
        return self._inner is not None and self._inner.isatty()


class Streams:
    """The process's output streams, in place of Python's own."""

    def __init__(self) -> None:
        _occupy()
        self._kept = (sys.stdout, sys.stderr)
        self._raw = _Raw(_raw_of(sys.stdout), 1)
        sys.stdout = _text(self._raw, sys.stdout, buffered=True)
        sys.stderr = _text(_Raw(_raw_of(sys.stderr), 2), sys.stderr, buffered=False)

    def lost(self) -> str:
        """Why not all of the answer went out; "" where it did."""
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
        return self._raw.lost


def _occupy() -> None:
    """Give closed descriptors to nothing: the next file to be opened would get one, and all that native code
    prints with it."""
    for descriptor in (0, 1, 2):
        try:
            os.fstat(descriptor)
        except OSError:
            nowhere = os.open(os.devnull, os.O_RDWR)
            if nowhere != descriptor:
                os.dup2(nowhere, descriptor)
                os.close(nowhere)


def _raw_of(stream: TextIO | None) -> io.RawIOBase | None:
    buffer = getattr(stream, "buffer", None)
    raw = getattr(buffer, "raw", buffer)
    return raw if isinstance(raw, io.RawIOBase) else None


def _text(raw: _Raw, like: TextIO | None, buffered: bool) -> io.TextIOWrapper:
    return io.TextIOWrapper(
        io.BufferedWriter(raw),
        encoding=getattr(like, "encoding", None) or "utf-8",
        errors=getattr(like, "errors", None) or ("strict" if buffered else "backslashreplace"),
        line_buffering=not buffered or getattr(like, "line_buffering", False),
    )
