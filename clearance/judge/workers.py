"""Both cores: tasks and what to do with each go in, the answers in the tasks' order come out.

A second process is forked, so that it has everything that was read already; it does its share and hands the
answers back through a pipe. Where there is no fork, or it is not worth it, or the second process dies, this
process does all. The answers are the same either way.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import warnings
from collections.abc import Callable, Sequence
from typing import TypeVar

Task = TypeVar("Task")
Answer = TypeVar("Answer")


def spread(
    tasks: Sequence[Task], weights: Sequence[float], work: Callable[[Task], Answer], worth: float
) -> list[Answer]:
    """``work`` of each task.

    Args:
        weights: how much work each task is.
        worth: a second process is used from this much work for it.
    """
    mine, theirs = _halves(weights)
    load = sum(weights[k] for k in theirs)
    if load < worth or not hasattr(os, "fork") or (os.cpu_count() or 1) < 2:
        return [work(task) for task in tasks]
    answers: dict[int, Answer] = {}
    with _Second(lambda: [work(tasks[k]) for k in theirs]) as second:
        for k in mine:
            answers[k] = work(tasks[k])
        done = second.answers()
    for place, k in enumerate(theirs):
        answers[k] = work(tasks[k]) if done is None else done[place]
    return [answers[k] for k in range(len(tasks))]


def _halves(weights: Sequence[float]) -> tuple[list[int], list[int]]:
    """Two lists of numbers with about the same weight in sum, the heavier one first."""
    lists: tuple[list[int], list[int]] = ([], [])
    sums = [0.0, 0.0]
    for k in sorted(range(len(weights)), key=lambda k: -weights[k]):
        to = 0 if sums[0] <= sums[1] else 1
        lists[to].append(k)
        sums[to] += weights[k]
    first, second = (0, 1) if sums[0] >= sums[1] else (1, 0)
    return sorted(lists[first]), sorted(lists[second])


class _Second:
    """A forked process that makes a list of answers. Leaving the block ends it, whatever happened."""

    def __init__(self, make: Callable[[], list[Answer]]) -> None:
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
                    pickle.dump(make(), pipe, protocol=pickle.HIGHEST_PROTOCOL)
                status = 0
            finally:
                os._exit(status)
        os.close(write)

    def answers(self) -> list | None:
        """What it made, or None if it did not come through."""
        try:
            with os.fdopen(self._read, "rb", closefd=False) as pipe:
                return pickle.load(pipe)
        except (EOFError, pickle.UnpicklingError, OSError):
            return None

    def __enter__(self) -> _Second:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._read)
        with contextlib.suppress(ProcessLookupError):
            os.kill(self._pid, signal.SIGKILL)
        os.waitpid(self._pid, 0)
