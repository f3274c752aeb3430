"""All cores: tasks and what to do with each go in, the answers in the tasks' order come out.

Other processes are forked, so that they have everything that was read already; each does its share and hands
the answers back through a pipe. Where there is no fork, or it is not worth it, or one of them dies, this
process does the work. The answers are the same either way.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import warnings
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import IO, Any, TypeVar

#: one more than most computers of a workshop have cores: heads and wire are seldom equal shares
_PROCESSES = 3

Task = TypeVar("Task")
Answer = TypeVar("Answer")


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
    """The same where tasks that one process does are worked on together, in their order."""
    own, *others = _shares(weights, _PROCESSES)
    others = [share for share in others if share and sum(weights[k] for k in share) >= worth]
    if not others or not _can_fork():
        return work(tasks)
    given = {k for share in others for k in share}
    own = [k for k in range(len(tasks)) if k not in given]
    answers: dict[int, Answer] = {}
    with contextlib.ExitStack() as stack:
        seconds = [stack.enter_context(_Second(partial(_all, work, tasks, share))) for share in others]
        answers.update(zip(own, _all(work, tasks, own), strict=True))
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
    if not worth or not _can_fork():
        yield make
        return
    with _Second(lambda: [make()], known) as second:

        def answer() -> Answer:
            done = second.answers()
            return make() if done is None else done[0]

        yield answer


def _can_fork() -> bool:
    return hasattr(os, "fork") and (os.cpu_count() or 1) >= 2


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
        with warnings.catch_warnings():
            # numpy's own threads sleep while this happens, and the child uses none of their locks
            warnings.simplefilter("ignore", DeprecationWarning)
            self._pid = os.fork()
        if self._pid == 0:
            status = 1
            try:
                os.close(self._read)
                signal.signal(signal.SIGINT, signal.SIG_DFL)
                with os.fdopen(write, "wb") as pipe:
                    _Pickler(pipe, known).dump(make())
                status = 0
            finally:
                os._exit(status)
        os.close(write)

    def answers(self) -> list | None:
        """What it made, or None if it did not come through."""
        try:
            with os.fdopen(self._read, "rb", closefd=False) as pipe:
                return list(_Unpickler(pipe, self._known).load())
        except (EOFError, pickle.UnpicklingError, OSError):
            return None

    def __enter__(self) -> _Second:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._read)
        with contextlib.suppress(ProcessLookupError):
            os.kill(self._pid, signal.SIGKILL)
        os.waitpid(self._pid, 0)


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
