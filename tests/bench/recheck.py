"""Many setups: how much a worker adds to load and check, what two of them do, and what kept answers take.

Each setup is a copy of a demo with a title of its own, so that none is like another.
"""

from __future__ import annotations

import os
import resource
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from hashlib import sha256
from pathlib import Path

from clearance.archive.cache import Cache
from clearance.archive.question import AS_IT_IS, Otherwise, Rechecked, WorkerAnswer, WorkerQuestion
from clearance.archive.recheck import recheck as ask
from clearance.archive.report import page
from clearance.archive.runner import Runner, Worker, begin_worker

ROOT = Path(__file__).resolve().parents[2]
DEMOS = ROOT / "demo_models"
#: setups that are judged; how many is told to the environment variable for the whole measure
COUNT = int(os.environ.get("CLEARANCE_BENCH_SETUPS", "33"))
GROWTH = (100, 1_000, 10_000)


def copies(folder: Path, count: int) -> list[Path]:
    """So many setups, each with all its files in a folder of its own."""
    demos, setups = sorted(DEMOS.glob("*.toml")), []
    for k in range(count):
        job = folder / f"job_{k:05d}"
        demo = demos[k % len(demos)]
        text = demo.read_text()
        job.mkdir(parents=True)
        for file in DEMOS.iterdir():
            if file.name in ("machines", "our_holders", "pallets"):
                shutil.copytree(file, job / file.name)
            elif file.suffix == ".toml" or file.is_dir():
                continue  # other setups
            elif file.name in text or file.name in (DEMOS / "pallets" / "strap_rail.toml").read_text():
                shutil.copy(file, job / file.name)
        (job / "setup.toml").write_text(f"# {k}\n{text}")
        setups.append(job / "setup.toml")
    return setups


def processor(pid: int) -> float:
    """Processor time of a process so far, s (proc(5))."""
    after = Path(f"/proc/{pid}/stat").read_bytes().rpartition(b")")[2].split()
    return (int(after[11]) + int(after[12])) / os.sysconf("SC_CLK_TCK")


def resident(pid: int) -> float:
    """Memory of a process that is in the computer's, MB (proc(5))."""
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def recheck(folder: Path, times: int) -> None:
    print(f"many setups of the demos' size, {COUNT} of them (CLEARANCE_BENCH_SETUPS says how many)")
    setups = copies(folder / "recheck", COUNT)
    _worker(setups)
    _pool(setups)
    _kept(folder, times)


def _worker(setups: list[Path]) -> None:
    """One worker, by turns with load and check in a process of their own, and with fresh processes."""
    code = (
        "import gc, sys, time, clearance\ngc.set_threshold(200_000, 20, 100)\n"
        "for line in sys.stdin:\n"
        "    began = time.process_time()\n    clearance.check(line.strip())\n"
        "    print(time.process_time() - began, flush=True)\n"
    )
    plain = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYDANTIC_DISABLE_PLUGINS": "__all__"}
    process = subprocess.Popen(
        [sys.executable, "-c", code], cwd=ROOT, env=plain, stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert process.stdin is not None
    assert process.stdout is not None
    worker = Worker(600.0, 4_000_000_000, begin_worker)
    ours, theirs, fresh, memory = [], [], [], []
    # the first of each brings the imports
    for k, setup in enumerate([setups[0], *setups]):
        process.stdin.write(f"{setup}\n".encode())
        process.stdin.flush()
        theirs.append(float(process.stdout.readline()))
        before = 0.0 if worker.pid is None else processor(worker.pid)
        worker.ask(WorkerQuestion(str(setup)))
        assert worker.pid is not None
        ours.append(processor(worker.pid) - before)
        memory.append(resident(worker.pid))
        if k % 3 == 1:
            began = resource.getrusage(resource.RUSAGE_CHILDREN)
            command = [sys.executable, "-m", "clearance", "check", str(setup)]
            subprocess.run(command, stdout=subprocess.DEVNULL, cwd=ROOT, env=plain)
            now = resource.getrusage(resource.RUSAGE_CHILDREN)
            fresh.append((now.ru_utime + now.ru_stime - began.ru_utime - began.ru_stime, ours[-1]))
    process.stdin.close()
    process.wait()
    worker.leave()
    ours, theirs = ours[1:], theirs[1:]
    print(
        f"  processor time a setup: load and check {statistics.median(theirs):.3f} s, a warm worker "
        f"{statistics.median(ours):.3f} s; in sum {sum(theirs) / sum(ours):.2f} (aim 0.95)"
    )
    times = sum(a for a, _ in fresh) / sum(b for _, b in fresh)
    print(f"  fresh processes: {times:.2f} times a warm worker's (aim 1.3)")
    at = (max(len(memory) // 10, 2), len(memory) // 2, len(memory) - 1)
    told = ", ".join(f"{memory[k]:.0f} MB after {k + 1}" for k in at)
    print(f"  memory of the worker: {told} setups; at most {max(memory):.0f}", flush=True)


def _pool(setups: list[Path]) -> None:
    questions = [WorkerQuestion(str(setup)) for setup in setups]
    taken = {}
    for count in (1, 2):
        began = time.perf_counter()
        found = [answer for _, answer in Runner(count).answers(questions)]
        taken[count] = time.perf_counter() - began
        assert len(found) == len(setups)
        assert all(answer.verdict is not None for answer in found)
    print(
        f"  throughput: one worker {len(setups) / taken[1]:.2f} a second, two {len(setups) / taken[2]:.2f}: "
        f"{taken[1] / taken[2]:.2f} times (aim 1.8 on two cores)",
        flush=True,
    )


class _Known:
    """Answers at once, with the hashes of the files that a setup of these has."""

    def answers(self, questions: Iterable[WorkerQuestion]) -> Iterator[tuple[WorkerQuestion, WorkerAnswer]]:
        for question in questions:
            job = Path(question.setup).parent
            files = sorted(job.glob("*.*"), key=lambda each: (each.name != "setup.toml", each.name))
            inputs = tuple((each.name, sha256(each.read_bytes()).hexdigest()) for each in files)
            yield question, WorkerAnswer("clear", "nothing touches", "A job", 0.5, None, inputs)


def _rows(jobs: Path, file: Path) -> tuple[float, list[Rechecked]]:
    began = time.perf_counter()
    found = list(ask([str(jobs)], AS_IT_IS, _Known(), lambda: Cache(file)))
    return time.perf_counter() - began, found


def _kept(folder: Path, times: int) -> None:
    """What the rows take that nothing has to be judged for: 5 s for 1 000."""
    before = 0.0
    for count in GROWTH:
        jobs, file = folder / f"kept {count}", folder / f"kept {count}.sqlite3"
        copies(jobs, count)
        first, _ = _rows(jobs, file)
        taken = [_rows(jobs, file) for _ in range(min(times, 3))]
        again, rows = statistics.median(seconds for seconds, _ in taken), taken[-1][1]
        assert all(row.kept for row in rows)
        began = time.perf_counter()
        made = page(rows, Otherwise(), "2026-11-28")
        drawn = time.perf_counter() - began
        grown = f"; {again / before:.1f} times the time for 10 times the setups" if before else ""
        before = again
        print(
            f"  {count:6d} setups: to keep {first:.2f} s, again from what is kept {again:.2f} s, "
            f"page {drawn:.2f} s, {len(made) / 1e6:.1f} MB{grown}",
            flush=True,
        )
        shutil.rmtree(jobs)
