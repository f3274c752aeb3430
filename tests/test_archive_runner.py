"""Workers: one setup that breaks them down, stands still or eats memory costs its own row and no other.

That RLIMIT_AS bounds a process's address space, and that a signal's death is its negative exit code, are from
POSIX.1-2017 (getrlimit) and Python's documentation of ``subprocess``.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from clearance import ending, parallel
from clearance.archive.question import Otherwise, WorkerAnswer, WorkerQuestion
from clearance.archive.runner import Runner, Worker, begin_worker
from tests.archives import CRASH, HANG, MEMORY, archive, begin_spoilt

#: a worker that knows nothing of setups: what it does is the name it is asked for
TOY = """
import json, os, signal, sys, time
print("ready", flush=True)
for line in sys.stdin:
    what = json.loads(line)["setup"]
    if what == "crash": os.abort()
    if what == "hang": time.sleep(600)
    if what == "exit": sys.exit("some last words")
    if what == "garbage": print("Traceback?", flush=True); sys.exit(1)
    if what == "bad_alloc": print("std::bad_alloc", file=sys.stderr, flush=True); os.abort()
    if what == "killed": os.kill(os.getpid(), signal.SIGKILL)
    if what == "slow": time.sleep(0.5)
    found = {"verdict": "clear", "why": str(os.getpid()), "inputs": [], "looked_in": []}
    found["ends"] = what == "ends"
    print(json.dumps(found), flush=True)
    if what == "ends": sys.exit(0)
"""


def toy(memory: int | None, complains: int) -> parallel.Process:
    return subprocess.Popen(
        [sys.executable, "-c", TOY], stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=complains
    )


def dead_on_arrival(memory: int | None, complains: int) -> parallel.Process:
    return subprocess.Popen(
        [sys.executable, "-c", "raise SystemExit('no such library')"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=complains,
    )


def answers(runner: Runner, *names: str) -> dict[str, WorkerAnswer]:
    return {q.setup: a for q, a in runner.answers([WorkerQuestion(name) for name in names])}


def test_a_worker_lives_on_for_many_setups() -> None:
    found = answers(Runner(1, begin=toy), *(f"s{k}" for k in range(50)))
    assert len(found) == 50
    assert len({a.why for a in found.values()}) == 1, "one process judged all of them"


@pytest.mark.parametrize(
    ("what", "why"),
    [
        ("crash", r"broke down \(signal 6"),
        ("exit", r"broke down \(exit code 1: some last words\)"),
        ("garbage", r"broke down \(exit code 1"),
        ("hang", r"it took longer than 1 s"),
        ("bad_alloc", r"needs more memory than the 4 GB"),
        ("killed", r"ended from outside"),
    ],
)
def test_a_setup_that_ends_its_worker_costs_its_own_row(what: str, why: str) -> None:
    found = answers(Runner(1, 1.0, begin=toy), "a", what, "b", "c")
    assert found.pop(what).verdict is None
    assert {name: a.verdict for name, a in found.items()} == {"a": "clear", "b": "clear", "c": "clear"}
    assert found["b"].why == found["c"].why != found["a"].why, "one worker took its place"


def test_the_reason_is_told(capfd: pytest.CaptureFixture[str]) -> None:
    found = answers(Runner(2, 1.0, begin=toy), "crash", "exit", "hang", "killed", "bad_alloc")
    assert found["exit"].why == "the process that judged it broke down (exit code 1: some last words)"
    assert found["crash"].why.startswith("the process that judged it broke down (signal 6")
    assert found["hang"].why == "it took longer than 1 s"
    assert found["killed"].why.startswith("the process that judged it was ended from outside")
    assert found["bad_alloc"].why == "it needs more memory than the 4 GB that one setup may have"
    assert capfd.readouterr() == ("", "")


def test_where_no_worker_begins_it_is_said_once() -> None:
    with pytest.raises(parallel.CannotStart, match=r"can be started.*no such library"):
        answers(Runner(2, begin=dead_on_arrival), "a", "b", "c")


def test_leaving_early_ends_the_workers() -> None:
    runner = Runner(2, begin=toy)
    began, going = (
        time.monotonic(),
        runner.answers([WorkerQuestion(n) for n in ("a", "hang", "hang", "hang")]),
    )
    assert next(going)[0].setup == "a"
    pids = [each.pid for each in runner.workers if each.pid is not None]
    assert pids
    going.close()
    assert time.monotonic() - began < 60.0
    for pid in pids:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)


def test_no_processes_are_left_noted() -> None:
    before = set(ending.processes)
    answers(Runner(2, 1.0, begin=toy), "a", "crash", "ends", "b")
    assert ending.processes == before


def test_all_workers_are_busy() -> None:
    """Four questions of half a second each by four workers take much less than the two seconds of one."""
    names = [f"{k}" for k in range(4)]
    runner = Runner(4, begin=toy)
    found = list(runner.answers([WorkerQuestion("slow") for _ in names]))
    assert len({a.why for _, a in found}) == 4, "each by another process"


# --------------------------------------------------------------------------------------- with the real judge
def test_a_worker_of_ours_judges_with_all_that_is_asked(tmp_path: Path) -> None:
    (setup,) = archive(tmp_path, 1)
    margins = tmp_path / "margins.toml"
    margins.write_text("[margins]\nholder = { side = 10.0 }\n")
    worker = Worker(120.0, 4_000_000_000, begin_worker)
    as_is = worker.ask(WorkerQuestion(str(setup)))
    pid = worker.pid
    wide = worker.ask(WorkerQuestion(str(setup), Otherwise(margins=str(margins))))
    setup.write_text(setup.read_text().replace("block.stl", "none.stl"))
    gone = worker.ask(WorkerQuestion(str(setup)))
    assert worker.pid == pid, "one process judged all three"
    worker.leave()
    assert (as_is.verdict, wide.verdict, gone.verdict) == ("clear", "close", None)
    assert "there is no file" in gone.why
    assert str(tmp_path) not in gone.why.split(";")[0], "the row names the setup"
    assert {Path(name).name for name, _ in as_is.inputs} >= {"setup.toml", "block.stl", "slit.nc"}


def test_where_the_system_does_not_bound_memory_it_is_looked_at() -> None:
    code = "from clearance.archive.worker import _watch_memory; _watch_memory(1)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.returncode == 1
    assert done.stderr.strip() == "MemoryError", "as the runner looks for it"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("how", "why"), [(CRASH, "broke down"), (HANG, "longer than 15 s"), (MEMORY, "more memory than the 4 GB")]
)
def test_the_real_worker_spoilt_in_one_way(tmp_path: Path, how: str, why: str) -> None:
    setups = archive(tmp_path, 3, {1: how})
    runner = Runner(1, 15.0, begin=begin_spoilt)
    found = {
        Path(q.setup).parent.name: a for q, a in runner.answers([WorkerQuestion(str(s)) for s in setups])
    }
    assert [found[name].verdict for name in sorted(found)].count("clear") == 2
    assert why in found[f"{how}_0001"].why


@pytest.mark.slow
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="a death signal is Linux's")
def test_workers_end_with_the_process_that_began_them(tmp_path: Path) -> None:
    setups = archive(tmp_path, 8, dict.fromkeys(range(8), HANG))
    code = (
        "import sys\nfrom clearance.archive.runner import Runner\nfrom clearance.archive.question import *\n"
        "from tests.archives import begin_spoilt\nimport threading, time\n"
        "runner = Runner(2, 600.0, begin=begin_spoilt)\n"
        "asked = [WorkerQuestion(s) for s in sys.argv[1:]]\n"
        "threading.Thread(target=lambda: list(runner.answers(asked))).start()\n"
        "while len(runner.workers) < 2 or None in [w.pid for w in runner.workers]: time.sleep(0.05)\n"
        "print(*[w.pid for w in runner.workers], flush=True)\ntime.sleep(600)\n"
    )
    with subprocess.Popen(
        [sys.executable, "-c", code, *map(str, setups)], stdout=subprocess.PIPE, text=True
    ) as parent:
        assert parent.stdout is not None
        pids = [int(word) for word in parent.stdout.readline().split()]
        parent.send_signal(signal.SIGKILL)
    assert len(pids) == 2
    _until(lambda: not any(Path(f"/proc/{pid}").exists() for pid in pids))


def _until(there: Callable[[], bool], seconds: float = 30.0) -> None:
    end = time.monotonic() + seconds
    while not there():
        assert time.monotonic() < end
        time.sleep(0.05)
