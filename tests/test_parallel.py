"""Two processes give what one gives; a second one that dies is made up for."""

from __future__ import annotations

import os

import pytest
from clearance.workers import beside, spread

HERE = os.getpid()
needs_fork = pytest.mark.skipif(
    not hasattr(os, "fork"), reason="this system has no fork, so one process does all"
)


def test_answers_come_in_the_tasks_order():
    tasks = list(range(11))
    assert spread(tasks, [1.0] * 11, lambda k: k * k, worth=1e9) == [k * k for k in tasks]


@needs_fork
def test_processes_share_the_work(monkeypatch):
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    answers = spread([1, 2, 3, 4], [5.0, 1.0, 1.0, 3.0], lambda k: (k, os.getpid()), worth=1.0)
    assert [k for k, _ in answers] == [1, 2, 3, 4]
    assert len({pid for _, pid in answers}) == 3
    assert answers[0][1] == HERE, "the heaviest share stays here"


@needs_fork
def test_a_share_that_is_not_worth_a_process_is_done_here(monkeypatch):
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    answers = spread([1, 2, 3], [5.0, 1.0, 3.0], lambda k: (k, os.getpid()), worth=2.0)
    assert [k for k, _ in answers] == [1, 2, 3]
    assert [pid == HERE for _, pid in answers] == [True, True, False]


@needs_fork
@pytest.mark.parametrize("how", ["killed", "raises", "exits"])
def test_a_second_process_that_dies_is_made_up_for(monkeypatch, how, capfd):
    monkeypatch.setattr(os, "cpu_count", lambda: 2)

    def work(k):
        if os.getpid() != HERE:
            if how == "killed":
                os.kill(os.getpid(), 9)
            if how == "exits":
                os._exit(3)
            raise RuntimeError("no")
        return k

    assert spread([1, 2, 3], [1.0, 1.0, 1.0], work, worth=0.5) == [1, 2, 3]
    assert "Traceback" not in capfd.readouterr().err


@needs_fork
def test_an_error_here_ends_the_second_process(monkeypatch):
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    forked, fork = [], os.fork
    monkeypatch.setattr(os, "fork", lambda: forked.append(fork()) or forked[-1])

    def work(k):
        if os.getpid() == HERE:
            raise KeyboardInterrupt
        while True:
            pass

    with pytest.raises(KeyboardInterrupt):
        spread([1, 2], [1.0, 1.0], work, worth=0.5)
    with pytest.raises(ChildProcessError):
        os.waitpid(forked[0], os.WNOHANG)


class Kept:
    """Stands for what both processes know."""


@needs_fork
def test_beside_the_block_and_known_objects_stay_themselves(monkeypatch):
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    kept, other = Kept(), Kept()
    with beside(lambda: (os.getpid(), kept, [kept], other), [kept]) as answer:
        pid, first, (second,), copy = answer()
    assert pid != HERE
    assert first is kept
    assert second is kept
    assert copy is not other


@needs_fork
def test_beside_is_made_up_for_where_the_second_process_dies(monkeypatch):
    monkeypatch.setattr(os, "cpu_count", lambda: 2)

    def make():
        if os.getpid() != HERE:
            os._exit(3)
        return "here"

    with beside(make) as answer:
        assert answer() == "here"


def test_beside_not_worth_it_is_done_here():
    with beside(os.getpid, worth=False) as answer:
        assert answer() == HERE
