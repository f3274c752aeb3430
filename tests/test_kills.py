"""Stopped at any moment, a command leaves nothing behind: no process, no half file, no temporary file; and a
sheet comes, however often it is asked for. The project's own promises; no outside source.

What runs is seen in /proc, so on Linux alone. A process is told to stop from the moment on at which it says
what signals do: before that Python itself is starting.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import time
import tomllib
from pathlib import Path
from typing import Any

import pytest

from tests.ring_job import write_ring_job
from tests.test_parallel import in_session

pytestmark = pytest.mark.skipif(not sys.platform.startswith("linux"), reason="looks at /proc")

CODE = "from clearance.__main__ import main; main()"
COMMANDS = {
    "check": ["check", "setup.toml", "--json", "out.json", "--moves"],
    "sheet": ["sheet", "setup.toml", "-o", "out.html"],
    "picture": ["picture", "setup.toml", "-o", "out.png"],
    "approve": ["approve", "setup.toml", "-o", "out.json", "--by", "me"],
    "new": ["new", "plate.stl", "opening.nc", "-o", "out.toml"],
    "keepout": ["keepout", "setup.toml", "-o", "out.svg"],
    "raise": ["raise", "setup.toml", "--json", "out.json"],
}
FEW, MANY = 1, 30
DRAWN = ("picture", "sheet")
#: the others are left to the heavy share
QUICK = ("check", "approve")
LONG = (pytest.mark.slow, pytest.mark.long)


def whole(file: Path) -> bool:
    """Whether a file is one of its kind from its beginning to its end."""
    content = file.read_bytes()
    if file.suffix == ".json":
        return isinstance(json.loads(content), dict)
    if file.suffix == ".toml":
        return "cuts" in tomllib.loads(content.decode())
    ends = {".html": b"</html>", ".svg": b"</svg>", ".png": b"IEND\xaeB`\x82"}
    return content.rstrip().endswith(ends[file.suffix])


class Running:
    """A command in a session of its own, with its own folder for temporary files."""

    def __init__(self, job: Path, words: list[str]) -> None:
        self.temporary = job.parent / "temporary"
        self.temporary.mkdir(exist_ok=True)
        self.process = subprocess.Popen(
            [sys.executable, "-P", "-c", CODE, *words],
            cwd=job, env={**os.environ, "TMPDIR": str(self.temporary)}, stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        )  # fmt: skip
        # until it answers a plain kill itself
        while self.process.poll() is None and not self._catches(signal.SIGTERM):
            time.sleep(0.001)

    def _catches(self, number: int) -> bool:
        with contextlib.suppress(OSError):
            for line in Path(f"/proc/{self.process.pid}/status").read_text().splitlines():
                if line.startswith("SigCgt:"):
                    return bool(int(line.split()[1], 16) >> (number - 1) & 1)
        return False

    def left(self, seconds: float = 5.0) -> list[int]:
        """Its processes that are there after it has ended."""
        end = time.monotonic() + seconds
        while in_session(self.process.pid) and time.monotonic() < end:
            time.sleep(0.01)
        return in_session(self.process.pid)

    def end(self) -> None:
        for pid in in_session(self.process.pid):
            with contextlib.suppress(OSError):
                os.kill(pid, signal.SIGKILL)
        self.process.communicate()


def moments(name: str) -> list[Any]:
    drawn = [pytest.mark.draws] if name in DRAWN else []
    count = [pytest.param(1 if drawn else FEW), pytest.param(MANY, marks=LONG)]
    slow = [pytest.mark.slow] if name not in QUICK else []
    return [pytest.param(name, *each.values, marks=[*each.marks, *drawn, *slow]) for each in count]


@pytest.mark.few("check-1")
@pytest.mark.parametrize(("name", "count"), [each for name in COMMANDS for each in moments(name)])
def test_stopped_at_any_moment_it_leaves_nothing(tmp_path: Path, name: str, count: int) -> None:
    job = tmp_path / "job"
    job.mkdir()
    write_ring_job(job)
    before = set(os.listdir(job))
    out = next(word for word in COMMANDS[name] if word.startswith("out."))
    began = time.monotonic()
    first = Running(job, COMMANDS[name])
    _, said = first.process.communicate(timeout=300)
    lasts = time.monotonic() - began
    assert (first.process.returncode, said) == (0, "")
    assert first.left() == []
    draw = random.Random(name + str(count))
    for k in range(count):
        (job / out).unlink(missing_ok=True)
        number = (signal.SIGTERM, signal.SIGINT)[k % 2]
        running = Running(job, COMMANDS[name])
        moment = draw.uniform(0.0, lasts)
        try:
            with contextlib.suppress(subprocess.TimeoutExpired):
                running.process.wait(moment)
            running.process.send_signal(number)
            _, said = running.process.communicate(timeout=60)
            what = f"{number.name} after {moment:.3f} of {lasts:.3f} s: {said}"
            assert running.process.returncode in (130, 0), what
            if running.process.returncode == 130:
                done = f"{out} had been written" if (job / out).exists() else "nothing was written"
                assert said == f"stopped; {done}\n", what
            else:
                assert said == "", what
            assert running.left() == [], what
            assert os.listdir(running.temporary) == [], what
            assert set(os.listdir(job)) - {out} == before, what
            assert not (job / out).exists() or whole(job / out), what
        finally:
            running.end()


@pytest.mark.parametrize("name", ["check", pytest.param("sheet", marks=[*LONG, pytest.mark.draws])])
@pytest.mark.slow
def test_killed_it_leaves_no_process_and_no_half_file(tmp_path: Path, name: str) -> None:
    job = tmp_path / "job"
    job.mkdir()
    write_ring_job(job)
    before = set(os.listdir(job))
    out = next(word for word in COMMANDS[name] if word.startswith("out."))
    draw = random.Random(name)
    for _ in range(FEW if name == "check" else MANY):
        (job / out).unlink(missing_ok=True)
        running = Running(job, COMMANDS[name])
        try:
            time.sleep(draw.uniform(0.3, 2.0))
            running.process.kill()
            running.process.communicate(timeout=60)
            assert running.left() == []
            assert os.listdir(running.temporary) == []
            # what it was writing at that moment has a name that the next run clears away
            there = {f for f in os.listdir(job) if not (f.startswith(".clearance-") and f.endswith(".part"))}
            assert there - {out} == before
            assert not (job / out).exists() or whole(job / out)
        finally:
            running.end()


@pytest.mark.parametrize("count", [4, pytest.param(40, marks=LONG)])
def test_stopped_while_it_is_starting_it_shows_no_trace(tmp_path: Path, count: int) -> None:
    write_ring_job(tmp_path)
    draw = random.Random(count)
    for _ in range(count):
        running = Running(tmp_path, COMMANDS["raise"])
        try:
            time.sleep(draw.uniform(0.0, 0.5))
            running.process.send_signal(signal.SIGINT)
            _, said = running.process.communicate(timeout=60)
            assert (running.process.returncode, said) == (130, "stopped; nothing was written\n")
        finally:
            running.end()


@pytest.mark.draws
@pytest.mark.parametrize("count", [pytest.param(3, marks=pytest.mark.slow), pytest.param(300, marks=LONG)])
def test_a_sheet_always_comes(tmp_path: Path, count: int) -> None:
    """Pictures are drawn while work is shared with forked processes: none may wait for another's lock."""
    job = tmp_path / "job"
    job.mkdir()
    write_ring_job(job)
    for k in range(count):
        (job / "out.html").unlink(missing_ok=True)
        running = Running(job, COMMANDS["sheet"])
        try:
            _, said = running.process.communicate(timeout=120)
            assert (running.process.returncode, said) == (0, ""), f"sheet {k + 1}"
        finally:
            running.end()
        assert whole(job / "out.html")
        assert (job / "out.html").read_bytes().count(b"data:image/png;base64,") >= 2
