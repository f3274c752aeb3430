"""How long each real model and drawing takes to read, whole processes; beside another checkout's, if asked.

    python -m tests.bench reading [--before CHECKOUT] [--runs 3]

The files are those of CLEARANCE_REAL_DATA, or of ../shared/data beside the checkout. Processor seconds are
told, imports and the processes that a reader starts included, as they change little on a shared computer;
what was read stands beside them, so that a quick answer is seen to be one. The other checkout is run by its
own .venv, if it has one.
"""

from __future__ import annotations

import os
import re
import statistics
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
MODELS = {".stl", ".3mf", ".step", ".stp", ".obj", ".ply"}
DRAWINGS = {".dxf"}
#: words for the units of $INSUNITS that a cut may name (DXF reference)
UNITS = {b"1": "inch", b"5": "cm", b"6": "m"}

#: reads one file, from the checkout that is named first; rooms had other names before
WORKER = """
import sys
sys.path.insert(0, sys.argv[1])
kind, file, unit = sys.argv[2:]
from pathlib import Path
try:
    try:
        from clearance.mesh.read import read_model
        from clearance.toolpath.read import PathOptions, read_path
    except ImportError:
        from clearance.solids.read import read_model
        from clearance.paths.read import PathOptions, read_path
    if kind == "model":
        solid, _ = read_model(file, None, "it")
        error = solid.facet_error
        said = f"{len(solid.triangles)} facets" + ("" if solid.closed else ", open")
        print(said + (f", {error:.4f} mm off" if error else ""))
    else:
        print(f"{len(read_path(Path(file), PathOptions(path_units=unit or None), 'it')[0])} moves")
except Exception as error:
    print("refused: " + str(error).removeprefix("it: "))
"""


def data() -> Path:
    """Where the real files are."""
    return Path(os.environ.get("CLEARANCE_REAL_DATA") or ROOT.parent / "shared" / "data")


def once(checkout: Path, file: Path) -> tuple[float, float, str]:
    """Processor and wall seconds of reading a file, and what came of it."""
    kind, unit = ("model", "") if file.suffix.lower() in MODELS else ("drawing", _unit(file))
    own = checkout / ".venv/bin/python"
    python = str(own) if checkout != ROOT and own.exists() else sys.executable
    command = [python, "-c", WORKER, str(checkout), kind, str(file), unit]
    begin = time.perf_counter()
    pipe, null = subprocess.PIPE, subprocess.DEVNULL
    # what is started from there takes modules from there
    with subprocess.Popen(command, stdout=pipe, stderr=null, text=True, cwd=checkout) as process:
        assert process.stdout is not None
        said = process.stdout.read().strip()
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    return usage.ru_utime + usage.ru_stime, time.perf_counter() - begin, said or f"exit {process.returncode}"


def _unit(file: Path) -> str:
    match = re.search(rb"\$INSUNITS\s+70\s+(\d+)", file.read_bytes()[:200_000])
    return UNITS.get(match[1], "") if match else ""


def reading(times: int, before: Path | None) -> None:
    """Print the table: medians of so many runs, by turns."""
    files = sorted(file for file in data().rglob("*") if file.suffix.lower() in MODELS | DRAWINGS)
    if not files:
        print(f"no models or drawings in {data()}: name a folder by CLEARANCE_REAL_DATA")
        return
    checkouts = [ROOT] if before is None else [before.resolve(), ROOT]
    heads = "now" if before is None else f"{'before':>7} {'now':>6}"
    print(f"reading {len(files)} real files, processor seconds, medians of {times}, imports included")
    print(f"  {'file':<26} {'KB':>5} {heads:>6}  what was read")
    totals = [0.0] * len(checkouts)
    for file in files:
        runs: list[list[tuple[float, float, str]]] = [[] for _ in checkouts]
        for _ in range(times):
            for checkout, mine in zip(checkouts, runs, strict=True):
                mine.append(once(checkout, file))
        medians = [statistics.median(cpu for cpu, _, _ in mine) for mine in runs]
        totals = [total + median for total, median in zip(totals, medians, strict=True)]
        said = [mine[0][2][:60] for mine in runs]
        words = said[-1] if len(set(said)) == 1 else f"{said[-1]}   (before: {said[0]})"
        figures = " ".join(f"{median:6.2f}" for median in medians)
        print(f"  {file.name[:26]:<26} {file.stat().st_size / 1024:5.0f} {figures}  {words}", flush=True)
    print(f"  {'all':<32} {' '.join(f'{total:6.2f}' for total in totals)}")
