"""Questions go in, one newer than the other; the answer to the newest comes out, from another process.

That process is a fresh one (see ``parallel.Child``), started before it is needed, so that it has loaded all
by the time something rests. A question that is not the newest any more is given up, and its process ended.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import pickle
from collections.abc import Callable, Iterator
from typing import Any

from clearance.parallel import CannotStart, Child

#: what fills a map gets about a tenth of a core that is wanted elsewhere (Linux's weights of niceness)
NICE = 10
#: who judges, and who fills maps of places
JUDGING, FILLING = "clearance.live.judging:answer", "clearance.live.filling:answer"

Tell = Callable[[int, dict[str, Any]], None]


class Judge:
    """Answers one question at a time, the newest.

    Args:
        tell: is told the question's number, and what is known of its answer.
        entry: what answers there, see ``parallel.Child``.   nice: how far it waits for all else, 0 to 19.
    """

    def __init__(
        self, loop: asyncio.AbstractEventLoop, tell: Tell, entry: str = JUDGING, nice: int = 0
    ) -> None:
        self._loop, self._tell, self._entry, self._nice = loop, tell, entry, nice
        self._ready: Child | None = None
        self._child: Child | None = None
        self._told = b""
        self._last = ""
        self._number = 0
        self._answered = False

    def get_ready(self) -> None:
        """Start a process that waits for a question."""
        if self._ready is None:
            with contextlib.suppress(CannotStart):
                self._ready = self._begun()

    def _begun(self) -> Child:
        child = Child(self._entry)
        if self._nice:
            child.lower(self._nice)
        return child

    def ask(self, number: int, question: object) -> None:
        """Ask, and forget what was asked before.

        Args:
            number: of the place that it is about.   question: as the other process takes it.
        """
        self.stop()
        try:
            child = self._ready or self._begun()
        except CannotStart as error:
            self._tell(number, {"failed": str(error)})
            return
        self._ready = None
        self._child, self._number, self._told, self._last = child, number, b"", ""
        self._answered = False
        try:
            child.begin(pickle.dumps(question, protocol=pickle.HIGHEST_PROTOCOL))
        except OSError:
            self._ended()
            return
        os.set_blocking(child.told, False)
        self._loop.add_reader(child.told, self._hear)

    def _hear(self) -> None:
        child = self._child
        assert child is not None
        try:
            part = os.read(child.told, 1 << 16)
        except BlockingIOError:
            return
        if not part:
            self._ended()
            return
        *lines, self._told = (self._told + part).split(b"\n")
        for line in lines:
            if not line.startswith(b"{"):
                self._last = line.decode("utf-8", "replace").strip() or self._last
                continue
            with contextlib.suppress(ValueError):
                what = json.loads(line)
                self._answered |= bool(what.keys() & {"judged", "map", "refused", "failed"})
                self._tell(self._number, what)

    def _ended(self) -> None:
        answered, number, last = self._answered, self._number, self._last
        self.stop()
        if not answered:
            self._tell(
                number, {"failed": f"the check broke down ({last})" if last else "the check broke down"}
            )
        else:
            self._tell(number, {"done": True})
        self.get_ready()

    @property
    def busy(self) -> bool:
        """Whether a question is being answered."""
        return self._child is not None

    @contextlib.contextmanager
    def standing_back(self) -> Iterator[None]:
        """Within the block the processor is left to this process."""
        children = [child for child in (self._child, self._ready) if child is not None]
        for child in children:
            child.stand_back(True)
        try:
            yield
        finally:
            for child in children:
                child.stand_back(False)

    def stop(self) -> None:
        """Give up what is being asked."""
        if self._child is not None:
            child, self._child = self._child, None
            self._loop.remove_reader(child.told)
            child.end()

    def close(self) -> None:
        """End both processes."""
        self.stop()
        if self._ready is not None:
            self._ready.end()
            self._ready = None
