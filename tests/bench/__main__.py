"""Names of parts of the benchmark go in (none: all), a table of medians and ratios is printed."""

from __future__ import annotations

import argparse
import json
import math
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from tests.bench import BenchJob
from tests.bench.cliffs import cliffs
from tests.bench.jobs import make_cuts
from tests.bench.live import live, memory
from tests.bench.reading import reading
from tests.bench.recheck import recheck
from tests.bench.where import where

ROOT = Path(__file__).resolve().parents[2]
USUAL_IMPORTS = "import numpy, fcl, shapely, trimesh"

#: 12 x 64^2 = 49 152 facets, 12 x 256^2 = 786 432
USUAL_CELLS, BIG_CELLS = 64, 256


@dataclass
class Runs:
    """What several runs of one command took."""

    seconds: list[float] = field(default_factory=list)
    cpu: list[float] = field(default_factory=list)
    peak_mb: list[float] = field(default_factory=list)
    said: list[str] = field(default_factory=list)

    @property
    def median(self) -> float:
        return statistics.median(self.seconds)


def once(command: Sequence[str], runs: Runs) -> None:
    """Run a command to its end; add its time and, where the system tells it, its peak memory."""
    begin = time.perf_counter()
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True) as process:
        assert process.stdout is not None
        said = process.stdout.read()
        if hasattr(os, "wait4"):
            _, status, usage = os.wait4(process.pid, 0)
            process.returncode = os.waitstatus_to_exitcode(status)
            unit = 1e6 if sys.platform == "darwin" else 1e3
            runs.cpu.append(usage.ru_utime + usage.ru_stime)
            runs.peak_mb.append(usage.ru_maxrss / unit)
        else:
            process.wait()
    runs.seconds.append(time.perf_counter() - begin)
    runs.said.append(said)
    if process.returncode not in (0, 1):
        print(f"  (exit code {process.returncode}: {' '.join(command)})")


def by_turns(commands: Sequence[Sequence[str]], times: int) -> list[Runs]:
    """Each command several times, by turns, so that a slow minute of the computer is shared by all.

    A run before these is not counted: modules are compiled in it.
    """
    runs = [Runs() for _ in commands]
    once(commands[-1], Runs())
    for _ in range(times):
        for command, each in zip(commands, runs, strict=True):
            once(command, each)
    return runs


def make_job(folder: Path, cells: int, moves: int) -> BenchJob:
    """Write a job in a process of its own: Linux counts this one's memory to the processes it starts."""
    subprocess.run(
        [sys.executable, "-m", "tests.bench.jobs", str(folder), str(cells), str(moves)], check=True
    )
    return BenchJob(folder, 12 * cells * cells, moves)


def clearance(*arguments: str | Path) -> list[str]:
    return [sys.executable, "-m", "clearance", *map(str, arguments)]


def python(code: str) -> list[str]:
    return [sys.executable, "-c", code]


def line(name: str, runs: Runs, more: str = "") -> None:
    spread = f"({min(runs.seconds):.2f} to {max(runs.seconds):.2f})"
    cpu = f"cpu {statistics.median(runs.cpu):6.2f} s" if runs.cpu else ""
    peak = f"{statistics.median(runs.peak_mb):5.0f} MB" if runs.peak_mb else ""
    print(f"  {name:<44} {runs.median:7.3f} s {spread:<16} {cpu} {peak}  {more}", flush=True)


def ratio(ours: Runs, theirs: Runs) -> float:
    return statistics.median(a / b for a, b in zip(ours.seconds, theirs.seconds, strict=True))


# --------------------------------------------------------------------------------------- what is measured
def show_help(folder: Path, times: int) -> None:
    print("clearance --help: aim 0.15 s")
    (runs,) = by_turns([clearance("--help")], max(times, 7))
    line("clearance --help", runs)


def demos(folder: Path, times: int) -> None:
    print("demo setups, whole process: aim 1.5 s each")
    setups = sorted((ROOT / "demo_models").glob("*.toml"))
    for setup, runs in zip(
        setups, by_turns([clearance("check", setup) for setup in setups], times), strict=True
    ):
        line(setup.name, runs, runs.said[0].split(":")[0].split("\n")[0])


def big(folder: Path, times: int) -> None:
    job = make_job(folder / "big", BIG_CELLS, 20_000)
    report = folder / "big.json"
    print(
        f"big job: {job.triangles} triangles, 9 holders, {job.moves} moves, --moves, JSON: "
        "bound 1.5, aim 0.75"
    )
    load, ours = by_turns(
        [
            python(f"import trimesh; trimesh.load({str(job.part)!r})"),
            clearance("check", job.setup, "--moves", "--json", report),
        ],
        times,
    )
    line('python -c "import trimesh; trimesh.load(STL)"', load)
    line("clearance check --moves --json", ours, _timings(report))
    print(f"  ratio {ratio(ours, load):.2f}   (peak memory: bound 1500 MB)", flush=True)


def usual(folder: Path, times: int) -> None:
    job = make_job(folder / "usual", USUAL_CELLS, 500)
    report = folder / "usual.json"
    print(f"usual job: {job.triangles} triangles, 9 holders, {job.moves} moves: bound 2.5")
    imports, ours = by_turns([python(USUAL_IMPORTS), clearance("check", job.setup, "--json", report)], times)
    line(f'python -c "{USUAL_IMPORTS}"', imports)
    line("clearance check --json", ours, _timings(report))
    print(f"  ratio {ratio(ours, imports):.2f}", flush=True)


def files(folder: Path, times: int) -> None:
    print("reading a path, whole process: 100 000 lines of NC below 2 s, a DXF of 5 MB below 3 s")
    program, drawing = folder / "long.nc", folder / "large.dxf"
    lines = [f"N{k} G01 X{k * 0.01:.4f} Y{(k % 100) * 0.05 + 0.01:.4f}" for k in range(1, 100_001)]
    program.write_text("G90 G71\nG00 X0. Y0.\n" + "\n".join(lines) + "\nM30\n")
    write_drawing(drawing, 5_000_000)
    code = (
        "from pathlib import Path; from clearance.toolpath.read import PathOptions, read_path; "
        "print(len(read_path(Path({!r}), PathOptions(), 'path')[0]))"
    )
    runs = by_turns([python(code.format(str(program))), python(code.format(str(drawing)))], times)
    for file, each in zip((program, drawing), runs, strict=True):
        line(f"{file.name}, {file.stat().st_size / 1e6:.1f} MB", each, f"{each.said[0].strip()} moves")


def write_drawing(file: Path, size: int) -> None:
    """One closed contour of short lines, entity by entity, about ``size`` bytes."""
    count = size // 101
    ring = [(100 * math.cos(t), 100 * math.sin(t)) for t in (2 * math.pi * k / count for k in range(count))]
    entities = "".join(
        f"  0\nLINE\n  8\ncut\n 10\n{a[0]:.9f}\n 20\n{a[1]:.9f}\n 30\n0.0\n"
        f" 11\n{b[0]:.9f}\n 21\n{b[1]:.9f}\n 31\n0.0\n"
        for a, b in zip(ring, ring[1:] + ring[:1], strict=True)
    )
    point = "  0\nPOINT\n  8\ncut\n 10\n0.0\n 20\n0.0\n 30\n0.0\n"
    head = "  0\nSECTION\n  2\nHEADER\n  9\n$INSUNITS\n 70\n4\n  0\nENDSEC\n"
    file.write_text(f"{head}  0\nSECTION\n  2\nENTITIES\n{entities}{point}  0\nENDSEC\n  0\nEOF\n")


def cuts(folder: Path, times: int) -> None:
    print("cuts of four moves, whole process: a cut more 0.02 s, 200 cuts 6 s")
    counts = (1, 10, 100, 200)
    setups = [make_cuts(folder / f"cuts {count}", count) for count in counts]
    runs = by_turns([clearance("check", setup) for setup in setups], min(times, 3))
    for count, each in zip(counts, runs, strict=True):
        more = (each.median - runs[0].median) / (count - 1) if count > 1 else 0.0
        line(f"{count} cuts", each, f"{1000 * more:.0f} ms for each more" if more else "")


def pictures(folder: Path, times: int) -> None:
    print("picture of a demo below 4 s, sheet below 8 s, whole process")
    setups = sorted((ROOT / "demo_models").glob("*.toml"))
    for what, file in (("picture", folder / "p.png"), ("sheet", folder / "s.html")):
        commands = [clearance(what, setup, "-o", file) for setup in setups]
        for setup, runs in zip(setups, by_turns(commands, min(times, 3)), strict=True):
            line(f"{what} {setup.name}", runs)


def growth(folder: Path, times: int) -> None:
    print("growth of the check's own time (timings.check_s)")
    few = make_job(folder / "usual", USUAL_CELLS, 500)
    _grown(
        folder, times, few, make_job(folder / "fine", BIG_CELLS, 500), "16 times the triangles: below 16", []
    )
    short = make_job(folder / "short", USUAL_CELLS, 2_000)
    long = make_job(folder / "long", USUAL_CELLS, 20_000)
    for more in ([], ["--moves"]):
        _grown(folder, times, short, long, " ".join(["10 times the moves", *more]) + ": below 10", more)


def _grown(folder: Path, times: int, small: BenchJob, large: BenchJob, what: str, more: list[str]) -> None:
    taken: list[list[float]] = [[], []]
    for _ in range(times):
        for job, seconds in zip((small, large), taken, strict=True):
            report = folder / "growth.json"
            once(clearance("check", job.setup, "--json", report, *more), Runs())
            seconds.append(json.loads(report.read_text())["timings"]["check_s"])
    a, b = (statistics.median(seconds) for seconds in taken)
    print(f"  {what:<44} {a:.3f} s -> {b:.3f} s: {b / a:.2f}", flush=True)


def scripted(folder: Path, times: int) -> None:
    job = make_job(folder / "big", BIG_CELLS, 20_000)
    print("scripted: the big job with trimesh's CollisionManager, both heads stepped along the path")
    program = [sys.executable, str(ROOT / "tests/bench/scripted.py"), str(job.folder)]
    contact, distance = by_turns([[*program, "contact", "0.1"], [*program, "distance", "2"]], min(times, 3))
    for what, runs in (("contact only, steps of 0.1 mm", contact), ("distance, steps of 2 mm", distance)):
        told = [json.loads(said) for said in runs.said]
        parts = ", ".join(f"{k[:-2]} {statistics.median(t[k] for t in told):.2f}" for k in STEPS_OF_SCRIPT)
        line(what, runs, parts)


STEPS_OF_SCRIPT = ("load_s", "build_s", "step_s")


def _timings(report: Path) -> str:
    if not report.exists():
        return ""
    told = json.loads(report.read_text())
    seconds = ", ".join(f"{key[:-2]} {value:.2f}" for key, value in told["timings"].items())
    return f"{told['verdict']}; {seconds}"


PARTS: dict[str, Callable[[Path, int], None]] = {
    "help": show_help,
    "demos": demos,
    "usual": usual,
    "big": big,
    "growth": growth,
    "files": files,
    "cuts": cuts,
    "pictures": pictures,
    "scripted": scripted,
    "cliffs": cliffs,
    "live": live,
    "recheck": recheck,
    "where": where,
}
#: reads real files, and may stand beside another checkout
READING = "reading"


def main() -> None:
    names = ", ".join([*PARTS, READING])
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("part", nargs="*", help=f"what to measure: {names}; all where left out")
    parser.add_argument("--runs", type=int, default=5, help="how often each is run (5)")
    parser.add_argument("--drags", type=int, help="live: memory after so many drags, and nothing else")
    parser.add_argument("--before", type=Path, help=f"{READING}: another checkout, to stand beside this one")
    chosen = parser.parse_args()
    unknown = set(chosen.part) - {*PARTS, READING}
    if unknown:
        parser.error(f"there is no {', '.join(sorted(unknown))}; choose from {names}")
    os.chdir(ROOT)
    # as installed: where nothing may be kept, each process compiles a hundred modules again (0.4 s)
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    subprocess.run(clearance("check", ROOT / "demo_models" / "punch_blank.toml"), stdout=subprocess.DEVNULL)
    with tempfile.TemporaryDirectory() as folder:
        for name in chosen.part or [*PARTS, READING]:
            if name == READING:
                reading(chosen.runs, chosen.before)
            elif name == "live" and chosen.drags:
                memory(chosen.drags)
            else:
                PARTS[name](Path(folder), chosen.runs)
            print()


if __name__ == "__main__":
    main()
