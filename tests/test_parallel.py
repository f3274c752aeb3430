"""Two processes give what one gives; none is forked where a thread runs; one that dies or stands still is
made up for; none outlives the one that started it. The project's own promises; no outside source.

What forks is tried in a process of its own (``case_...``): the one that runs the tests may have threads.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from clearance import child, parallel
from clearance.parallel import Child, Limits, beside, processes, spread

ROOT = Path(__file__).resolve().parent.parent
HERE = os.getpid()
needs_fork = pytest.mark.skipif(
    not hasattr(os, "fork"), reason="this system has no fork, so one process does all"
)
linux = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks at /proc")


def run_apart(case: Callable[..., None], *arguments: object, seconds: float = 60.0) -> str:
    """Run a function of this module in a new process; its error output."""
    words = ", ".join(map(repr, arguments))
    code = (
        "import os; os.cpu_count = lambda: 2\n"
        f"from tests.test_parallel import {case.__name__}, processes\n"
        f"with processes():\n    {case.__name__}({words})\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=seconds, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stderr


# ------------------------------------------------------------------------------------------------ shared work
def test_answers_come_in_the_tasks_order() -> None:
    tasks = list(range(11))
    with processes():
        assert spread(tasks, [1.0] * 11, lambda k: k * k, worth=1e9) == [k * k for k in tasks]


def test_nobody_who_did_not_ask_is_forked_beneath(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "fork", lambda: pytest.fail("forked"), raising=False)
    assert spread([1, 2, 3], [1.0] * 3, lambda k: k, worth=0.5) == [1, 2, 3]
    with beside(os.getpid) as answer:
        assert answer() == HERE
    with processes(), processes(False):
        assert spread([1, 2, 3], [1.0] * 3, lambda k: k, worth=0.5) == [1, 2, 3]


def case_shared() -> None:
    answers = spread([1, 2, 3, 4], [5.0, 1.0, 1.0, 3.0], lambda k: (k, os.getpid()), worth=1.0)
    assert [k for k, _ in answers] == [1, 2, 3, 4]
    assert len({pid for _, pid in answers}) == 3
    assert answers[0][1] == HERE, "the heaviest share stays here"


def case_not_worth_it() -> None:
    answers = spread([1, 2, 3], [5.0, 1.0, 3.0], lambda k: (k, os.getpid()), worth=2.0)
    assert [k for k, _ in answers] == [1, 2, 3]
    assert [pid == HERE for _, pid in answers] == [True, True, False]


class Kept:
    """Stands for what both processes know."""


def case_known_objects() -> None:
    kept, other = Kept(), Kept()
    with beside(lambda: (os.getpid(), kept, [kept], other), [kept]) as answer:
        pid, first, (second,), copy = answer()
    assert pid != HERE
    assert first is kept
    assert second is kept
    assert copy is not other


def case_none_to_be_had() -> None:
    def none() -> int:
        raise BlockingIOError(11, "Resource temporarily unavailable")

    os.fork = none
    assert spread([1, 2, 3], [1.0] * 3, lambda k: k, worth=0.5) == [1, 2, 3]
    with beside(os.getpid) as answer:
        assert answer() == HERE


@pytest.mark.few(2)
@needs_fork
@pytest.mark.parametrize("case", [case_shared, case_not_worth_it, case_known_objects, case_none_to_be_had])
def test_processes_share_the_work(case: Callable[[], None]) -> None:
    run_apart(case)


def case_dies(how: str) -> None:
    def work(k: int) -> int:
        if os.getpid() != HERE:
            if how == "killed":
                os.kill(os.getpid(), 9)
            if how == "exits":
                os._exit(3)
            raise RuntimeError("no")
        return k

    assert spread([1, 2, 3], [1.0, 1.0, 1.0], work, worth=0.5) == [1, 2, 3]
    with beside(lambda: work(4)) as answer:
        assert answer() == 4


@pytest.mark.few(1)
@needs_fork
@pytest.mark.parametrize("how", ["killed", "raises", "exits"])
def test_a_process_that_dies_is_made_up_for(how: str) -> None:
    assert run_apart(case_dies, how) == ""


def case_stands_still() -> None:
    parallel.STILL = parallel.UNSEEN = 2.0

    def work(k: int) -> int:
        if os.getpid() != HERE:
            time.sleep(600)
        return k

    assert spread([1, 2], [1.0, 1.0], work, worth=0.5) == [1, 2]


@needs_fork
@pytest.mark.slow
def test_a_process_that_stands_still_is_made_up_for() -> None:
    run_apart(case_stands_still, seconds=40)


def case_slow() -> None:
    parallel.STILL = 1.5

    def work(k: int) -> tuple[int, int]:
        end = time.process_time() + 2.5
        while os.getpid() != HERE and time.process_time() < end:
            pass
        return k, os.getpid()

    (_, one), (_, other) = spread([1, 2], [1.0, 1.0], work, worth=0.5)
    assert one != other, "it was slow, and not still: its answer is waited for"


@linux
@pytest.mark.slow
def test_a_process_that_works_for_long_is_waited_for() -> None:
    run_apart(case_slow)


def case_error_here() -> None:
    forked: list[int] = []
    fork = os.fork
    os.fork = lambda: forked.append(fork()) or forked[-1]  # type: ignore[func-returns-value]

    def work(k: int) -> int:
        if os.getpid() == HERE:
            raise KeyboardInterrupt
        while True:
            pass

    with contextlib.suppress(KeyboardInterrupt):
        spread([1, 2], [1.0, 1.0], work, worth=0.5)
        raise AssertionError
    with contextlib.suppress(ChildProcessError):
        os.waitpid(forked[0], os.WNOHANG)
        raise AssertionError("it is still there")


@needs_fork
def test_an_error_here_ends_the_other_process() -> None:
    run_apart(case_error_here)


# -------------------------------------------------------------------------------------------- beside threads
def case_lock_in_a_thread() -> None:
    """A thread holds a lock that the work takes: a process that was forked now would wait for it for ever."""
    parallel.STILL = parallel.UNSEEN = 1000.0
    lock, held, enough = threading.Lock(), threading.Event(), threading.Event()

    def holder() -> None:
        with lock:
            held.set()
            enough.wait()

    def work(k: int) -> int:
        enough.set()
        with lock:
            return k

    for share in (
        lambda: spread([1, 2, 3], [1.0] * 3, work, worth=0.5),
        lambda: _beside_all(work),
    ):
        held.clear()
        enough.clear()
        thread = threading.Thread(target=holder)
        thread.start()
        held.wait()
        assert share() == [1, 2, 3]  # type: ignore[no-untyped-call]
        thread.join()


def _beside_all(work: Callable[[int], int]) -> list[int]:
    with beside(lambda: [work(k) for k in (1, 2, 3)]) as answer:
        return answer()


@needs_fork
def test_nothing_is_forked_beside_a_thread_that_holds_a_lock() -> None:
    run_apart(case_lock_in_a_thread, seconds=30)


def case_progress_is_set_aside() -> None:
    import io

    from clearance.report.progress import Progress

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    with Progress(Terminal(), after=0.0, every=0.01):
        running = threading.active_count()
        assert running == 2
        pids = spread([1, 2, 3], [1.0] * 3, lambda k: os.getpid(), worth=0.5)
        assert len(set(pids)) == 3, "the line on a terminal must not cost the other cores"
        assert threading.active_count() == running, "it goes on"


@needs_fork
def test_the_line_of_progress_is_set_aside_while_a_process_is_forked() -> None:
    run_apart(case_progress_is_set_aside)


# ----------------------------------------------------------------------------------------------- kept apart
def echo(request: bytes) -> bytes:
    print("what a library prints")
    return request[::-1]


def refuse(request: bytes) -> bytes:
    raise child.Refused(f"not {len(request)} bytes")


def surroundings(request: bytes) -> bytes:
    return repr((os.getcwd(), sys.path, sys.flags.isolated)).encode()


@pytest.mark.few(3)
@pytest.mark.parametrize("size", [0, 1, 3_000_000])
@pytest.mark.parametrize("early", [False, True])
def test_a_request_is_answered(size: int, early: bool) -> None:
    request = os.urandom(size)
    with Child("tests.test_parallel:echo", given=request if early else None) as one:
        ended = one.finish(b"" if early else request, 60.0)
    assert ended.code == 0
    assert ended.answer == request[::-1]


def test_several_at_once_answer_while_this_process_does_something_else() -> None:
    with contextlib.ExitStack() as stack:
        requests = [bytes([k]) * 1_000_000 for k in range(3)]
        children = [stack.enter_context(Child("tests.test_parallel:echo", given=r)) for r in requests]
        assert [one.finish(seconds=60.0).answer for one in children] == requests


def test_a_reason_is_handed_on() -> None:
    with Child("tests.test_parallel:refuse") as one:
        ended = one.finish(b"abc", 60.0)
    assert (ended.code, ended.answer) == (child.REFUSED, b"not 3 bytes")


def test_it_stands_in_a_safe_folder_and_looks_for_modules_in_none_other(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "path", ["", str(tmp_path), *sys.path, str(ROOT)])
    with Child("tests.test_parallel:surroundings") as one:
        where, path, isolated = eval(one.finish(b"", 60.0).answer)
    assert where == os.path.realpath(sys.base_prefix) or where == sys.base_prefix
    assert isolated
    assert "" not in path
    assert str(tmp_path) not in path
    assert path.index(os.path.dirname(os.__file__)) < path.index(str(ROOT)), "Python's own modules come first"


@pytest.mark.skipif(sys.platform == "win32", reason="ended by signals and limits as POSIX has them")
@pytest.mark.parametrize(
    ("body", "code", "words"),
    [
        ("import os; os.abort()", -6, ""),
        ("import ctypes; ctypes.string_at(0)", -11, ""),
        ("open(__file__ + '.full', 'wb').write(bytes(50_000_000))", 1, "File too large"),
        ("x = bytearray(3_000_000_000)", 1, "MemoryError"),
        ("raise SystemExit(7)", 7, ""),
        ("while True: pass", -24, ""),
        ("import time; time.sleep(60)", None, ""),
    ],
)
@pytest.mark.slow
def test_one_that_dies_is_only_an_outcome(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, body: str, code: int | None, words: str
) -> None:
    (tmp_path / "deadly.py").write_text(f"def main(request):\n    {body}\n")
    monkeypatch.syspath_prepend(tmp_path)
    with Child("deadly:main", Limits(memory=1 << 30, seconds=2, disk=10_000_000)) as one:
        ended = one.finish(b"", 60.0 if code else 3.0)
    assert ended.code == code or (code == -24 and ended.code == -9)
    assert words in ended.last_words
    full = tmp_path / "deadly.py.full"
    assert not full.exists() or full.stat().st_size <= 10_000_000


# ----------------------------------------------------------------------------------- ending with their parent
def sleep(request: bytes) -> bytes:
    time.sleep(600)
    return b""


def case_parent() -> None:
    """Start one of each kind, and say so."""
    if sys.argv[1:] == ["pipe"]:
        # as where the system does not end them by itself
        child.ctypes = None

    def wait(k: int) -> int:
        if os.getpid() == HERE:
            print("there", flush=True)
        time.sleep(600)
        return k

    with beside(lambda: wait(0)), Child("tests.test_parallel:sleep"):
        spread([1, 2, 3], [1.0] * 3, wait, worth=0.5)


def in_session(session: int) -> list[int]:
    """Processes (no zombies) of a session, as Linux shows them."""
    found = []
    for each in Path("/proc").iterdir():
        if each.name.isdigit():
            with contextlib.suppress(OSError):
                state, _, _, own = (each / "stat").read_text().rpartition(")")[2].split()[:4]
                if int(own) == session and state not in "ZX":
                    found.append(int(each.name))
    return found


@linux
@pytest.mark.parametrize("way", ["by the system", "pipe"])
def test_they_end_when_their_parent_is_killed(way: str) -> None:
    code = (
        "import os; os.cpu_count = lambda: 2\n"
        "from tests.test_parallel import case_parent, processes\n"
        "with processes(): case_parent()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, way], cwd=ROOT, stdout=subprocess.PIPE, text=True, start_new_session=True
    ) as parent:
        try:
            assert parent.stdout is not None
            assert parent.stdout.readline() == "there\n"
            assert len(in_session(parent.pid)) >= 4
            parent.send_signal(signal.SIGKILL)
            parent.wait(20)
            end = time.monotonic() + 20.0
            while in_session(parent.pid) and time.monotonic() < end:
                time.sleep(0.02)
            assert in_session(parent.pid) == []
        finally:
            for pid in in_session(parent.pid):
                with contextlib.suppress(OSError):
                    os.kill(pid, signal.SIGKILL)
