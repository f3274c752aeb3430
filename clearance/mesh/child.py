"""Runs a module of this package as a child process with limits on memory, time and disk.

Readers made of native code, which a hostile or broken file can kill or fill, run in such a child. What
happens to it is an error message here and never the end of this process.
"""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

#: Seconds that a child may take beside its own processor time, before it is ended.
GRACE = 30.0


@dataclass(frozen=True)
class Outcome:
    """How a child ended: its exit code (negative: the signal that killed it; None: it took too long) and
    the last line that it wrote to its error output."""

    code: int | None
    last_words: str


def run_child(module: str, arguments: list[str], *, memory: int, seconds: float, disk: int) -> Outcome:
    """Run ``python -m module arguments`` within limits.

    Args:
        memory: bytes of address space.   seconds: processor time, and a little more by the clock.
        disk: bytes that any one file it writes may reach.
    """
    command = [sys.executable, "-m", "clearance.mesh.child", str(memory), str(int(seconds)), str(disk)]
    home = str(Path(__file__).parents[2])
    path = os.pathsep.join([home, *filter(None, [os.environ.get("PYTHONPATH")])])
    try:
        done = subprocess.run(
            [*command, module, *arguments],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            timeout=seconds + GRACE,
            env={**os.environ, "PYTHONPATH": path, "OPENBLAS_NUM_THREADS": "1"},
            check=False,
        )
    except subprocess.TimeoutExpired:
        return Outcome(None, "")
    lines = done.stderr[-4000:].decode("utf-8", "replace").strip().splitlines()
    return Outcome(done.returncode, lines[-1][-300:] if lines else "")


def limit_this_process(memory: int, seconds: int, disk: int) -> None:
    """Set the limits for this process where the system has them; on Windows the clock alone ends it.

    Args:
        memory: bytes of address space.   seconds: of processor time.   disk: bytes in any one file.
    """
    try:
        import resource
    except ImportError:
        return
    for what, most in (
        (resource.RLIMIT_AS, memory),
        (resource.RLIMIT_CPU, seconds),
        (resource.RLIMIT_FSIZE, disk),
        (resource.RLIMIT_CORE, 0),
    ):
        _, hard = resource.getrlimit(what)
        most = most if hard == resource.RLIM_INFINITY else min(most, hard)
        resource.setrlimit(what, (most, most))


def _main() -> None:
    """In the child: limits first, then the module."""
    import runpy

    memory, seconds, disk = (int(text) for text in sys.argv[1:4])
    module = sys.argv[4]
    sys.argv = sys.argv[4:]
    limit_this_process(memory, seconds, disk)
    runpy.run_module(module, run_name="__main__")


if __name__ == "__main__":
    _main()
