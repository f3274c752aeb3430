"""Work goes in, one after another; its answer comes out while whoever waits for it hears other things, and
can break it off.

A thread of its own does it. Broken off it ends at its next step in Python (an exception that CPython raises
in another thread). What was begun then, or what made another error of it on the way, is not to be trusted:
whoever asked looks at ``broken``, and puts right what there is (``Desk.broken_off``).
"""

from __future__ import annotations

import asyncio
import ctypes
import threading
from collections.abc import Callable
from typing import Any, TypeVar

T = TypeVar("T")


class BrokenOff(BaseException):
    """Somebody does not want to wait for it any more. No ``Exception``: nothing on the way swallows it."""


class Aside:
    """Does one thing at a time.

    Attributes:
        broken: what was done last was asked to break off, whatever came of that.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._thread: int | None = None
        self.broken = False

    @property
    def busy(self) -> bool:
        """Whether something is being done."""
        return self._thread is not None

    async def do(self, work: Callable[[], T], breakable: bool = True) -> T:
        """The answer of ``work``, which no second call may overlap.

        Args:
            work: what is to be done.   breakable: it may be broken off.

        Raises:
            BrokenOff: it was broken off.
        """
        loop = asyncio.get_running_loop()
        future: asyncio.Future[T] = loop.create_future()
        self.broken = False

        def settle(answer: Any, error: BaseException | None) -> None:
            if future.cancelled():
                return
            if error is None:
                future.set_result(answer)
            else:
                future.set_exception(error)

        def run() -> None:
            answer: Any = None
            error: BaseException | None = None
            try:
                try:
                    self._mine(threading.get_ident() if breakable else None)
                    answer = work()
                finally:
                    # from here on it cannot be broken off; what was just asked comes out here at the latest
                    self._mine(None)
            except BaseException as raised:
                error = raised
                self._thread = None
            loop.call_soon_threadsafe(settle, answer, error)

        threading.Thread(target=run, daemon=True).start()
        return await future

    def _mine(self, thread: int | None) -> None:
        with self._lock:
            self._thread = thread

    def break_off(self) -> bool:
        """Break off what is being done; False where nothing is."""
        with self._lock:
            if self._thread is None:
                return False
            set_exception = ctypes.pythonapi.PyThreadState_SetAsyncExc
            self.broken = set_exception(ctypes.c_ulong(self._thread), ctypes.py_object(BrokenOff)) == 1
            return self.broken
