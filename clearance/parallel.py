"""Work for more than one core, and work that is kept apart: all other processes are started here.

Three ways:
    spread   tasks and what to do with each go in, the answers in the tasks' order come out;
    beside   one thing is done while a block runs;
    Child    a fresh Python that shares nothing with this one answers a request within limits.

The first two fork, so that the other process has everything that was read already, and hand answers back
through a pipe. A forked process has this one's memory but none of its threads: a lock that a thread held at
that moment stays locked in it for ever. So there is a fork only where no other thread of Python's runs
(those of linear algebra sleep then, and take care of themselves), and only where somebody asked for
processes (``processes``): the command line does, a program that uses this as a library is not forked
beneath. In all other cases, and where the other process dies or stands still, this one does the work: the
answers are the same.

No process outlives this one.
"""

from __future__ import annotations

import contextlib
import io
import os
import pickle
import selectors
import signal
import subprocess
import sys
import threading
import time
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextvars import ContextVar
from functools import partial
from typing import IO, Any, Protocol, TypeVar

from clearance import child, ending
from clearance.child import framed, import_paths, in_memory, lifeline_of_this_process
from clearance.errors import ClearanceError
from clearance.records import record

#: one more than most computers of a workshop have cores: heads and wire are seldom equal shares
_PROCESSES = 3
#: a forked process that has neither answered nor used its processor for so long stands still, seconds
STILL = 30.0
#: the same where the system does not tell how much processor time it has used
UNSEEN = 600.0

#: a process that was started
Process = subprocess.Popen[bytes]
Task = TypeVar("Task")
Answer = TypeVar("Answer")

_asked: ContextVar[bool] = ContextVar("processes", default=False)


class CannotStart(ClearanceError):
    """The computer starts no further process."""


def processor_time() -> float:
    """Processor time of this process and of those that it has waited for, s."""
    times = os.times()
    return time.process_time() + times.children_user + times.children_system


def asked() -> bool:
    """Whether somebody has said that work may be shared with forked processes."""
    return _asked.get()


@contextlib.contextmanager
def processes(wanted: bool = True) -> Iterator[None]:
    """Within the block work may be shared with forked processes; it may not where nobody says so."""
    before = _asked.set(wanted)
    try:
        yield
    finally:
        _asked.reset(before)


def spread(
    tasks: Sequence[Task], weights: Sequence[float], work: Callable[[Task], Answer], worth: float
) -> list[Answer]:
    """``work`` of each task.

    Args:
        weights: how much work each task is.
        worth: a process is used from this much work for it.
    """
    return spread_batches(tasks, weights, lambda share: [work(task) for task in share], worth)


def spread_batches(
    tasks: Sequence[Task],
    weights: Sequence[float],
    work: Callable[[Sequence[Task]], list[Answer]],
    worth: float,
) -> list[Answer]:
    """The same where tasks that one process does are worked on together, in their order.

    Args:
        tasks: in any order.   weights: of each, in any unit.   work: answers several, in their order.
        worth: the least weight in all at which another process pays.
    """
    _, *others = _shares(weights, _PROCESSES)
    others = [share for share in others if share and sum(weights[k] for k in share) >= worth]
    with contextlib.ExitStack() as stack:
        with _alone(bool(others)) as alone:
            if not alone:
                return work(tasks)
            seconds = [stack.enter_context(_Second(partial(_all, work, tasks, share))) for share in others]
        given = {k for share in others for k in share}
        own = [k for k in range(len(tasks)) if k not in given]
        answers: dict[int, Answer] = dict(zip(own, _all(work, tasks, own), strict=True))
        for second, share in zip(seconds, others, strict=True):
            done = second.answers()
            answers.update(zip(share, _all(work, tasks, share) if done is None else done, strict=True))
    return [answers[k] for k in range(len(tasks))]


def _all(
    work: Callable[[Sequence[Task]], list[Answer]], tasks: Sequence[Task], share: Sequence[int]
) -> list[Answer]:
    return work([tasks[k] for k in share])


@contextlib.contextmanager
def beside(
    make: Callable[[], Answer], known: Sequence[object] = (), worth: bool = True
) -> Iterator[Callable[[], Answer]]:
    """Has ``make`` done by a second process while the block runs; what is given yields its answer.

    Args:
        known: objects that are the same ones in the answer, not copies.
        worth: without it, and where there is no fork, it is done here when the answer is asked for.
    """
    with contextlib.ExitStack() as stack:
        with _alone(worth) as alone:
            second = stack.enter_context(_Second(lambda: [make()], known)) if alone else None

        def answer() -> Answer:
            done = None if second is None else second.answers()
            return make() if done is None else done[0]

        yield answer


# -------------------------------------------------------------------------------------- where there is a fork
class Pausing(Protocol):
    """A thread of our own that can be set aside while a process is forked."""

    def pause(self) -> None:
        """End the thread."""

    def resume(self) -> None:
        """Begin it again."""


#: what is set aside while a process is forked
pausing: list[Pausing] = []


@contextlib.contextmanager
def _alone(wanted: bool) -> Iterator[bool]:
    """Whether this process may fork within the block: somebody asked, and no other thread runs."""
    if not (wanted and _asked.get() and hasattr(os, "fork") and (os.cpu_count() or 1) >= 2):
        yield False
        return
    aside = list(pausing)
    for each in aside:
        each.pause()
    try:
        yield threading.active_count() == 1
    finally:
        for each in aside:
            each.resume()


def _shares(weights: Sequence[float], count: int) -> list[list[int]]:
    """Lists of numbers with about the same weight in sum, the heaviest one first."""
    lists: list[list[int]] = [[] for _ in range(count)]
    sums = [0.0] * count
    for k in sorted(range(len(weights)), key=lambda k: -weights[k]):
        to = sums.index(min(sums))
        lists[to].append(k)
        sums[to] += weights[k]
    return [sorted(lists[k]) for k in sorted(range(count), key=lambda k: -sums[k])]


class _Second:
    """A forked process that makes a list of answers. Leaving the block ends it, whatever happened.

    Objects that are ``known`` here are named to it, not copied, and are the same ones in its answers.
    """

    def __init__(self, make: Callable[[], list[Answer]], known: Sequence[object] = ()) -> None:
        self._known = known
        self._read, write = os.pipe()
        parent, lifeline = os.getpid(), lifeline_of_this_process()
        # a signal must not be answered in the other process as it is in this one
        signals = {signal.SIGINT, signal.SIGTERM, signal.SIGHUP}
        before = signal.pthread_sigmask(signal.SIG_BLOCK, signals)
        try:
            with warnings.catch_warnings():
                # of the sleeping threads of linear algebra
                warnings.simplefilter("ignore", DeprecationWarning)
                self._pid = os.fork()
            if self._pid == 0:
                status = 1
                try:
                    for each in signals:
                        signal.signal(each, signal.SIG_DFL)
                    signal.pthread_sigmask(signal.SIG_SETMASK, before)
                    os.close(self._read)
                    # held open here it would not close when the parent ends
                    os.close(child.own_line[1])
                    child.end_with(parent, lifeline)
                    with os.fdopen(write, "wb") as pipe:
                        _Pickler(pipe, known).dump(make())
                    status = 0
                finally:
                    os._exit(status)
            ending.processes.add(self._pid)
        except OSError:
            self._pid = -1  # no process is to be had: the pipe ends at once, and the work is done here
        finally:
            signal.pthread_sigmask(signal.SIG_SETMASK, before)
            os.close(write)

    def answers(self) -> list[Any] | None:
        """What it made, or None if it did not come through."""
        answer = bytearray()
        seen, since = _used(self._pid), time.monotonic()
        with selectors.DefaultSelector() as ready:
            ready.register(self._read, selectors.EVENT_READ)
            while True:
                if ready.select(1.0):
                    part = os.read(self._read, 1 << 20)
                    if not part:
                        break
                    answer += part
                    since = time.monotonic()
                    continue
                used = _used(self._pid)
                if used != seen:
                    seen, since = used, time.monotonic()
                elif time.monotonic() - since > (UNSEEN if used is None else STILL):
                    return None
        try:
            return list(_Unpickler(io.BytesIO(answer), self._known).load())
        except (EOFError, pickle.UnpicklingError):
            return None

    def __enter__(self) -> _Second:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._read)
        if self._pid > 0:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self._pid, signal.SIGKILL)
            ending.processes.discard(self._pid)
            with contextlib.suppress(ChildProcessError):
                os.waitpid(self._pid, 0)


def _used(pid: int) -> int | None:
    """Processor time that a process has used, in ticks of the clock; None where the system does not tell."""
    try:
        with open(f"/proc/{pid}/stat", "rb") as file:
            after = file.read().rpartition(b")")[2].split()
        return int(after[11]) + int(after[12])
    except (OSError, ValueError, IndexError):
        return None


class _Pickler(pickle.Pickler):
    """Writes known objects by their number."""

    def __init__(self, pipe: IO[bytes], known: Sequence[object]) -> None:
        super().__init__(pipe, protocol=pickle.HIGHEST_PROTOCOL)
        self._number = {id(one): k for k, one in enumerate(known)}

    def persistent_id(self, obj: Any) -> int | None:
        return self._number.get(id(obj))


class _Unpickler(pickle.Unpickler):
    """Reads them as the objects that they are here."""

    def __init__(self, pipe: IO[bytes], known: Sequence[object]) -> None:
        super().__init__(pipe)
        self._known = known

    def persistent_load(self, pid: Any) -> object:
        return self._known[pid]


# --------------------------------------------------------------------------------------- a process of its own
@record
class Limits:
    """What a process may take; None: as much as this one.

    Attributes:
        memory: bytes of address space.   seconds: processor time.   disk: bytes of any file that it writes.
    """

    memory: int | None = None
    seconds: int | None = None
    disk: int | None = None


UNLIMITED = Limits()


@record
class Ended:
    """How a process ended: its exit code (negative: the signal that killed it; None: it took too long), the
    answer, and the last line of its error output."""

    code: int | None
    answer: bytes
    last_words: str


class Child:
    """A fresh Python, kept apart, that has one function answer one request (see ``child``).

    It takes no module from the working folder, which may have come from anywhere, and does not stand in it:
    file names in a request are absolute. Leaving the block ends it.

    Args:
        entry: "module:function"; the function is given the request's bytes and returns the answer's, or
        raises
            ``child.Refused``.
        environment: this process's own where left out.
        given: the request, where it is known already and this process will do something else for a while.

    Raises:
        CannotStart: no process is to be had.
    """

    def __init__(
        self,
        entry: str,
        limits: Limits = UNLIMITED,
        environment: Mapping[str, str] | None = None,
        given: bytes | None = None,
    ) -> None:
        arguments = (limits.memory, limits.seconds, limits.disk)
        # an idle pool of threads counts against the memory too
        threads = None if limits.memory is None else 1
        self._request = given
        there = None if given is None else in_memory(framed(given))
        try:
            self._process = started(
                "clearance.child:serve", (entry,), arguments, there, None, environment, threads
            )
        finally:
            if there is not None:
                os.close(there)

    def finish(self, request: bytes = b"", seconds: float | None = None) -> Ended:
        """Give it the request, where it has none yet, and wait for its end, ``seconds`` at most."""
        process = self._process
        data = None if process.stdin is None else framed(request if self._request is None else self._request)
        try:
            answer, told = process.communicate(data, timeout=seconds)
        except subprocess.TimeoutExpired:
            self.end()
            return Ended(None, b"", "")
        ending.processes.discard(process.pid)
        lines = told[-4000:].decode("utf-8", "replace").strip().splitlines()
        return Ended(process.returncode, answer, lines[-1][-300:] if lines else "")

    def begin(self, request: bytes) -> None:
        """Give it the request and go on; what it writes to its error output comes at ``told``.

        Args:
            request: short enough for a pipe, as it is not yet reading.

        Raises:
            OSError: it has ended.
        """
        assert self._process.stdin is not None
        self._process.stdin.write(framed(request))
        self._process.stdin.close()
        self._process.stdin = None

    @property
    def told(self) -> int:
        """The descriptor from which its error output is read, to its end."""
        assert self._process.stderr is not None
        return self._process.stderr.fileno()

    def lower(self, by: int) -> None:
        """Have it wait for what else this computer does; where the system has no way to, it does not.

        Args:
            by: its niceness, up to 19.
        """
        if hasattr(os, "setpriority"):
            with contextlib.suppress(OSError):
                os.setpriority(os.PRIO_PROCESS, self._process.pid, by)

    def stand_back(self, back: bool) -> None:
        """Have it stand still, or go on; where the system has no way to, it goes on.

        Args:
            back: stand still.
        """
        if os.name != "nt" and self._process.poll() is None:
            with contextlib.suppress(ProcessLookupError):
                os.kill(self._process.pid, signal.SIGSTOP if back else signal.SIGCONT)

    def end(self) -> None:
        """End it, if it has not ended."""
        if self._process.returncode is None:
            self._process.kill()
            self._process.communicate()
        ending.processes.discard(self._process.pid)

    def __enter__(self) -> Child:
        return self

    def __exit__(self, *_: object) -> None:
        self.end()


def started(
    entry: str,
    before: tuple[object, ...] = (),
    after: tuple[object, ...] = (),
    reads: int | None = None,
    complains: int | None = None,
    environment: Mapping[str, str] | None = None,
    threads: int | None = None,
) -> Process:
    """A fresh Python, kept apart, in which a function runs: see ``Child``. It answers on standard output.

    Args:
        entry: "module:function"; its arguments are ``before``, this process and its lifeline, ``after``, all
            of plain types.
        reads, complains: open files for its standard input and its errors; None: pipes.
        environment: this process's own where left out.
        threads: of the libraries for linear algebra; None: as many as they like.

    Raises:
        CannotStart: no process is to be had.
    """
    lifeline = lifeline_of_this_process()
    module, function = entry.split(":")
    arguments = (*before, os.getpid(), lifeline, *after)
    code = (
        f"import sys; sys.path += [p for p in {import_paths()!r} if p not in sys.path]; "
        f"from {module} import {function}; {function}{arguments!r}"
    )
    # -I: neither the working folder nor what the environment says of Python counts
    command = [sys.executable, "-I", *(["-B"] if sys.dont_write_bytecode else []), "-c", code]
    own = dict(os.environ if environment is None else environment)
    if threads is not None:
        names = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
        own.update(dict.fromkeys(names, str(threads)))
    try:
        process = subprocess.Popen(
            command,
            stdin=subprocess.PIPE if reads is None else reads,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE if complains is None else complains,
            cwd=sys.base_prefix,
            env=own,
            pass_fds=(lifeline,) if lifeline >= 0 else (),
        )
    except OSError as error:
        reason = error.strerror or str(error)
        raise CannotStart(f"{sys.executable} cannot be started once more ({reason})") from None
    ending.processes.add(process.pid)
    return process


def ended(process: Process, seconds: float) -> int:
    """The exit code of a process that was ``started``; it is ended where it has not by so many seconds."""
    try:
        code = process.wait(seconds)
    except subprocess.TimeoutExpired:
        process.kill()
        code = process.wait()
    ending.processes.discard(process.pid)
    return code
