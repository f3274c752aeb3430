"""Does cost leap where an input grows? Inputs of ``inputs`` at two or three sizes, whole processes.

Seconds are told as multiples of the raised demo's check in the same run, so that a slow computer, or one that
is shared, changes little.
"""

from __future__ import annotations

import contextlib
import os
import resource
import signal
import statistics
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "demo_models/side_plate_die_raised.toml"
#: the demo's check on the computer for which seconds are asked, s
DEMO_SECONDS = 0.55
#: no process may take more, s and bytes
PATIENCE, MOST_MEMORY = 240.0, 8 * 10**9


@dataclass(frozen=True)
class Cliff:
    """One kind of input: its sizes, the last of which is the one that is asked for, and what is asked of it.

    Attributes:
        kind: of ``inputs``.   sizes: rising.   ask: seconds on the computer of ``DEMO_SECONDS``.
        peak: MB of the largest process.   arguments: of the command line, SETUP and OUT stand for files.
    """

    kind: str
    sizes: tuple[int, ...]
    ask: float
    peak: float = 1500.0
    arguments: tuple[str, ...] = ("check", "SETUP", "--json", "OUT.json")

    @property
    def name(self) -> str:
        return f"{self.arguments[0]} {self.kind}" + (" --moves" if "--moves" in self.arguments else "")


PICTURE = ("picture", "SETUP", "-o", "OUT.png")
SHEET = ("sheet", "SETUP", "-o", "OUT.html")
MOVES = ("check", "SETUP", "--moves", "--json", "OUT.json")

CLIFFS = (
    Cliff("there_and_back", (500, 5_000, 50_000), 5.0, 1000.0),
    Cliff("again_and_again", (500, 5_000, 50_000), 5.0, 1000.0),
    Cliff("ring", (10_000, 100_000, 1_000_000), 20.0, 4000.0),
    Cliff("crossing", (120, 1_200, 12_000), 10.0),
    Cliff("crossing", (120, 1_200, 12_000), 10.0, arguments=PICTURE),
    Cliff("crossing", (120, 1_200, 12_000), 20.0, arguments=SHEET),
    Cliff("two_models", (2_000, 20_000, 200_000), 3.0),
    Cliff("two_balls", (3_300, 33_000, 330_000), 3.0),
    Cliff("nine_beside_part", (7_800, 78_000, 786_432), 1.5),
    Cliff("nine_in_part", (7_800, 78_000, 786_432), 2.0),
    Cliff("many_shells", (100, 1_000, 10_000), 3.0),
    Cliff("chain", (9, 90, 900), 3.0),
    Cliff("laid", (20, 200), 3.0),
    Cliff("start_holes", (10, 100, 1_000), 6.0),
    Cliff("drawing", (1_000, 10_000, 100_000), 10.0),
    Cliff("ring", (1_000, 10_000, 100_000), 5.0, arguments=MOVES),
    Cliff("ring", (200, 2_000, 20_000), 10.0, arguments=("raise", "SETUP")),
    Cliff("ring", (200, 2_000, 20_000), 10.0, arguments=("placement", "SETUP")),
    Cliff("ring", (200, 2_000, 20_000), 10.0, arguments=("keepout", "SETUP", "-o", "OUT.svg")),
)


@dataclass(frozen=True)
class Taken:
    """What one process took: seconds, MB, exit code (None: it was stopped), what it said at last."""

    seconds: float
    peak_mb: float
    code: int | None
    said: str


def run(command: list[str], patience: float = PATIENCE) -> Taken:
    """Run a command to its end, or to the end of patience; it and all that it started are stopped then."""

    def limited() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))

    begin = time.perf_counter()
    with subprocess.Popen(
        command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True, cwd=ROOT,
        start_new_session=True, preexec_fn=limited,
    ) as process:  # fmt: skip
        usage = None
        while usage is None:
            pid, status, used = os.wait4(process.pid, os.WNOHANG)
            if pid:
                usage, process.returncode = used, os.waitstatus_to_exitcode(status)
            elif time.perf_counter() - begin > patience:
                with contextlib.suppress(ProcessLookupError):
                    os.killpg(process.pid, signal.SIGKILL)
                _, status, usage = os.wait4(process.pid, 0)
                process.returncode = os.waitstatus_to_exitcode(status)
                return Taken(time.perf_counter() - begin, usage.ru_maxrss / 1e3, None, "stopped")
            time.sleep(0.01)
        seconds = time.perf_counter() - begin
        assert process.stderr is not None
        said = process.stderr.read().strip().split("\n")[-1]
    return Taken(seconds, usage.ru_maxrss / 1e3, process.returncode, said)


def command_of(cliff: Cliff, setup: Path) -> list[str]:
    """The command line for an input."""
    out = setup.parent / "out"
    words = [{"SETUP": str(setup)}.get(each, each.replace("OUT", str(out))) for each in cliff.arguments]
    return [sys.executable, "-m", "clearance", *words]


def written(kind: str, size: int, folder: Path) -> Path:
    """An input's setup; made in a process of its own: Linux counts this one's memory to those it starts."""
    place = folder / f"{kind}_{size}"
    if not (place / "setup.toml").exists():
        subprocess.run(
            [sys.executable, "-m", "tests.bench.inputs", kind, str(size), str(place)], check=True, cwd=ROOT
        )
    return place / "setup.toml"


def demo_seconds(times: int = 3) -> float:
    """The median of the demo's check, to be measured beside what is compared with it."""
    command = [sys.executable, "-m", "clearance", "check", str(DEMO)]
    return statistics.median(run(command).seconds for _ in range(times))


def measure(cliff: Cliff, folder: Path, patience: float = PATIENCE) -> None:
    """Print a line for each size: seconds, multiples of the demo's check, growth, peak memory."""
    before, smaller = 0.0, 0
    for size in cliff.sizes:
        setup = written(cliff.kind, size, folder)
        demo = demo_seconds()
        taken = run(command_of(cliff, setup), patience)
        asked = cliff.ask / DEMO_SECONDS
        last = size == cliff.sizes[-1]
        ratio = taken.seconds / demo
        grown = "" if not smaller else f"x{taken.seconds / before:.1f} on x{size / smaller:.0f}"
        told = ""
        if last:
            kept = taken.code in (0, 1) and ratio <= asked and taken.peak_mb <= cliff.peak
            told = f"asked {asked:.1f} and {cliff.peak:.0f} MB: {'kept' if kept else 'NOT KEPT'}"
        if taken.code not in (0, 1):
            told += f" (exit code {taken.code}: {taken.said[:80]})"
        print(
            f"  {cliff.name:<32} {size:>9} {taken.seconds:8.2f} s {ratio:7.1f} demos  {grown:<16}"
            f" {taken.peak_mb:6.0f} MB  {told}",
            flush=True,
        )
        before, smaller = taken.seconds, size


def cliffs(folder: Path, times: int, only: str = "") -> None:
    """All of them, or those whose name has ``only`` in it."""
    print("cliffs: seconds, and as multiples of the raised demo's check measured just before")
    for cliff in CLIFFS:
        if only in cliff.name:
            measure(cliff, folder)


if __name__ == "__main__":
    where = Path(sys.argv[1])
    where.mkdir(parents=True, exist_ok=True)
    for name in sys.argv[2:] or [""]:
        cliffs(where, 1, name)
