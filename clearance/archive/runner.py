"""Questions go in, answers come out as they are ready: a pool of workers, one process for each core.

A worker that dies, stands still or eats memory costs the one setup that it was about: its row says why, and
another worker takes its place. (The pools of Python's own library end all tasks when one process dies.)

A thread beside each worker waits for it; nothing is judged, and nothing is forked, in this process.
"""

from __future__ import annotations

import contextlib
import os
import queue
import signal
import tempfile
import threading
from collections.abc import Callable, Iterable, Iterator
from typing import IO, Any, Protocol

from clearance import parallel
from clearance.archive.question import WorkerAnswer, WorkerQuestion, answer_of
from clearance.archive.worker import READY, too_much
from clearance.errors import printable
from clearance.parallel import Process

#: what one setup may take, seconds of the clock and bytes of memory
SECONDS = 600.0
MEMORY = 4_000_000_000
#: a worker must be ready for its first question within so many seconds
_START = 120.0
#: workers that do not even begin, one after the other, after which there is no use in more
_IN_VAIN = 3


class Begin(Protocol):
    """What starts a worker: a process that says READY, then answers each line with one."""

    def __call__(self, memory: int | None, complains: int) -> Process:
        """Start one; ``complains`` is the open file for its errors."""


def begin_worker(memory: int | None, complains: int) -> Process:
    """The worker of this tool (``archive.worker``), see ``Begin``.

    Args:
        memory: bytes that it may take; None: any.   complains: descriptor to which its errors go.
    """
    # each has a core: more threads would only be in each other's way
    return parallel.started("clearance.archive.worker:serve", after=(memory,), complains=complains, threads=1)


def cores() -> int:
    """How many processes this one may keep busy."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


class Worker:
    """One worker, started anew where it has died; used by one thread."""

    def __init__(self, seconds: float, memory: int | None, begin: Begin) -> None:
        self._seconds, self._memory, self._begin = seconds, memory, begin
        self._process: Process | None = None
        self._errors: IO[bytes] | None = None
        self._late = False
        self._closed = False

    def ask(self, question: WorkerQuestion) -> WorkerAnswer:
        """The answer; where the worker dies over it, why there is none.

        Raises:
            CannotStart: no worker can be started, several times over.
        """
        process = self._running()
        assert self._errors is not None
        os.ftruncate(self._errors.fileno(), 0)
        line = self._line(process, self._seconds, question.as_line())
        try:
            answer = answer_of(line)
        except ValueError:
            return WorkerAnswer(None, self._ended(process))
        if answer.ends:
            self._end(process)
        return answer

    @property
    def pid(self) -> int | None:
        """Of the process that is there."""
        return None if self._process is None else self._process.pid

    def close(self) -> None:
        """End the process, whatever it is doing; another thread may wait for it."""
        self._closed = True
        process = self._process
        if process is not None:
            process.kill()

    def leave(self) -> None:
        """End the process and take away what stands around it; by the thread that used it."""
        if self._process is not None:
            self._end(self._process)
        if self._errors is not None:
            self._errors.close()
            self._errors = None

    def _running(self) -> Process:
        if self._process is not None and self._process.poll() is None:
            return self._process
        if self._process is not None:
            self._end(self._process)
        if self._errors is None:
            self._errors = tempfile.TemporaryFile("a+b")  # noqa: SIM115 (``leave`` closes it)
        for _ in range(_IN_VAIN):
            process = self._begin(self._memory, self._errors.fileno())
            self._process = process
            if self._closed:
                process.kill()
            if self._line(process, _START) == READY:
                return process
            why = self._ended(process)
        raise parallel.CannotStart(f"no process for judging can be started: {why}")

    def _line(self, process: Process, seconds: float, say: bytes = b"") -> bytes:
        """The next line of a worker, which is ended where it takes longer."""
        assert process.stdin is not None
        assert process.stdout is not None

        def too_late() -> None:
            self._late = True
            process.kill()

        self._late = False
        timer = threading.Timer(seconds, too_late)
        timer.daemon = True
        timer.start()
        try:
            if say:
                process.stdin.write(say)
                process.stdin.flush()
            return process.stdout.readline()
        except (OSError, ValueError):
            return b""
        finally:
            timer.cancel()

    def _ended(self, process: Process) -> str:
        """Why a worker gave no answer; it is gone afterwards."""
        code = self._end(process)
        if self._late:
            return f"it took longer than {self._seconds:g} s"
        words = self._last_words()
        if "bad_alloc" in words or "MemoryError" in words or "Cannot allocate memory" in words:
            return too_much(self._memory)
        if code == -getattr(signal, "SIGKILL", 9):
            return "the process that judged it was ended from outside; the computer's memory may be too small"
        how = f"signal {-code}" if code < 0 else f"exit code {code}"
        return f"the process that judged it broke down ({how}{': ' if words else ''}{printable(words)})"

    def _last_words(self) -> str:
        assert self._errors is not None
        self._errors.seek(max(self._errors.seek(0, os.SEEK_END) - 4000, 0))
        lines = self._errors.read().decode("utf-8", "replace").strip().splitlines()
        return lines[-1][-300:] if lines else ""

    def _end(self, process: Process) -> int:
        if process.stdin is not None:
            with contextlib.suppress(OSError):
                process.stdin.close()
        code = parallel.ended(process, 5.0)
        if process.stdout is not None:
            process.stdout.close()
        self._process = None
        return code


class Runner:
    """A pool of workers.

    Args:
        count: of workers; None: one for each core.
        seconds: of the clock that one setup may take.   memory: bytes that one may take; None: all there is.
        begin: starts a worker.
    """

    def __init__(
        self,
        count: int | None = None,
        seconds: float = SECONDS,
        memory: int | None = MEMORY,
        begin: Begin = begin_worker,
    ) -> None:
        self._make: Callable[[], Worker] = lambda: Worker(seconds, memory, begin)
        self.count = cores() if count is None else count
        self.workers: list[Worker] = []

    def answers(self, questions: Iterable[WorkerQuestion]) -> Iterator[tuple[WorkerQuestion, WorkerAnswer]]:
        """Each question with its answer, in the order in which they are ready.

        Leaving it early ends the workers.

        Raises:
            CannotStart: no worker can be started.
        """
        todo, taking = iter(questions), threading.Lock()
        done: queue.SimpleQueue[Any] = queue.SimpleQueue()
        stop = threading.Event()

        def work(worker: Worker) -> None:
            try:
                while not stop.is_set():
                    with taking:
                        question = next(todo, None)
                    if question is None:
                        break
                    done.put((question, worker.ask(question)))
            except BaseException as error:
                done.put(error)
            finally:
                worker.leave()
                done.put(None)

        self.workers = [self._make() for _ in range(self.count)]
        threads = [
            threading.Thread(target=work, args=(each,), name="recheck", daemon=True) for each in self.workers
        ]
        for thread in threads:
            thread.start()
        try:
            left = len(threads)
            while left:
                found = done.get()
                if found is None:
                    left -= 1
                elif isinstance(found, BaseException):
                    raise found
                else:
                    yield found
        finally:
            stop.set()
            for each in self.workers:
                each.close()
            for thread in threads:
                thread.join()
