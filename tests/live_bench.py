"""A page that ``clearance try`` serves, in a process of its own, and what that leaves behind."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.chromium import environment

#: in another folder than this one: where the program is
ROOT = str(Path(__file__).parents[1])
START = f"import sys; sys.path.insert(0, {ROOT!r}); from clearance.__main__ import main; main()"


class Served:
    """A running ``clearance try``: its process, its address, and what it printed."""

    def __init__(self, setup: Path, *words: str) -> None:
        command = [sys.executable, "-P", "-c", START, "try", setup.name, "--no-browser", *words]
        self.process = subprocess.Popen(
            command, cwd=setup.parent, env=environment(), text=True,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, start_new_session=True,
        )  # fmt: skip
        assert self.process.stdout is not None
        self.said = ""
        while (found := re.search(r"http://127\.0\.0\.1:(\d+)/([\w-]+)/", self.said)) is None:
            line = self.process.stdout.readline()
            assert line, self.process.stderr.read() if self.process.stderr else ""
            self.said += line
        self.address, self.port, self.token = found[0], int(found[1]), found[2]

    def below(self) -> list[int]:
        """The processes that it has started and that live."""
        return [int(p) for p in _children(self.process.pid) for p in (p, *_children(int(p)))]

    def stop(self, by: signal.Signals = signal.SIGINT) -> int:
        """Stop it as Ctrl-C does, and see that nothing of it is left."""
        below = self.below()
        os.kill(self.process.pid, by)
        code = self.process.wait(20)
        end = time.monotonic() + 10
        while any(_lives(pid) for pid in below):
            assert time.monotonic() < end, "a process was left behind"
            time.sleep(0.02)
        return code


def _children(pid: int) -> list[str]:
    try:
        return Path(f"/proc/{pid}/task/{pid}/children").read_text().split()
    except OSError:
        return []


def _lives(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


@contextmanager
def served(setup: Path, *words: str) -> Iterator[Served]:
    """A page of a setup, which is ended after the block."""
    one = Served(setup, *words)
    try:
        yield one
    finally:
        if one.process.poll() is None:
            one.process.kill()
        one.process.communicate()
