"""Broken input by the thousand: a small whole job is damaged at random, read and judged, for so many seconds.

    python -m tests.fuzz --seconds 600 [--seed 0] [--keep] [--paths] [--what job|record|holder]

``record`` damages approval records, ``holder`` the values that holders are given (fuzz_more.py).

Every try must end in a message (``ClearanceError``) or in an answer whose report is sound; never in another
exception, never after more than the time allowed, and never in "clear" for a job that says nothing: no move,
a figure that is no number, a body without extent. What failed is printed, and with ``--keep`` the damaged
files are written to tests/cases/fuzz/, where the default tests try them again. ``--paths``: the bytes of path
files alone, some thousand a minute, against a second reader (``tests.fuzz_paths``).
"""

from __future__ import annotations

import argparse
import json
import math
import random
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np

from clearance.errors import ClearanceError
from tests import fuzz_paths

KEPT = Path(__file__).parent / "cases" / "fuzz"
ALLOWED_S = 30

SETUP = """title = "Chain link gauge"
units = "mm"
[machine]
file = "ours.toml"
[heads]
flushing_distance = 0.1
approach_from = [0, 0]
[margins]
holder = { side = 1.0, height = 0.05 }
[[items]]
name = "gauge"
part = "part.stl"
units = "mm"
material = "tool steel"
start_holes = [{ at = [10, 8], diameter = 3.0 }]
at = [60, 50, 0]
turn = [0, 0, 90]
allow = { side = 0.02, height = 0.0 }
[[items]]
name = "stop"
shape = { box = [10, 12, 6] }
laid = true
at = [30, 50, -7]
[[items]]
name = "pin"
shape = { cylinder = [4, 9] }
on = "stop"
seat = "top"
[[cuts]]
name = "window"
part = "gauge"
path = "window.nc"
zero = [10, 8, 0]
axes = "part"
rotate = 5.0
offsets = { 1 = 0.18 }
without = ["pin"]
[[cuts]]
name = "points"
part = "gauge"
path = "points.csv"
zero = [10, 8, 0]
axes = "machine"
"""
MACHINE = """name = "ours"
travel = { x = [0, 200], y = [0, 200], z = [0, 120], u = [-30, 30], v = [-30, 30] }
wire = 0.25
max_part_mass = 100.0
codes = { thread = ["M50"], cut = ["M51"], ignore = ["M20"] }
[lower_head]
face_z = -0.1
guide = 4.0
profile = [[0, 5.0], [6, 7.0], [6, 17.5], [40, 25.0]]
bodies = [ { x = [-30, 30], y = [-30, 90], behind = [40, 60] } ]
[upper_head]
guide = 4.0
profile = [[0, 5.0], [6, 5.0], [6, 17.5], [60, 30.0]]
bodies = [ { x = [-40, 40], y = [-40, 40], behind = [60, 90], follows = "xy" } ]
[[bodies]]
name = "frame"
box = { x = [-60, -45], y = [-60, 160], z = [-60, 0] }
"""
PROGRAM = """%
O0012 (WINDOW)
N10 G21 G90 G00 X0 Y0
N20 M50
N30 G41 D1 G01 X4. Y0 F2.5
N40 G03 X4. Y0 I-4. J0
N50 G02 X-3. Y2.5 R6.
N60 G91 G01 X1.5 Y-.25
/N70 G90 X0 Y1
N80 G40 X0 Y0
N90 M51
N100 M02
%
"""
POINTS = "x,y,rapid\n0,0,0\n5,0,0\n5,5,0\n0,5,1\n0,0,0\n"

NUMBERS = [
    "nan",
    "inf",
    "-inf",
    "1e999",
    "1e300",
    "-1e30",
    "0",
    "-0",
    "1e-300",
    "0.0000001",
    "99999999999999999999",
    "1,5",
    "1.5.5",
    "--1",
    "+",
    "",
    "1e",
    "0x10",
    "true",
    "null",
    "[]",
    "{}",
    '"x"',
    "-1",
    "360",
    "1e6",
    "5e4",
]
WORDS = [
    "G28",
    "G68",
    "G92 X1",
    "M98 P1",
    "G18",
    "X",
    "G01G02",
    "G1.5",
    "(",
    ")",
    "\x00",
    "\ufeff",
    "é",
    "U1 V1",
    "Z5",
    "G03 X0 Y0 I0 J0",
    "R-5",
    "G02 X1 R0.1",
    "M02",
    "%",
    ";",
    "T1",
    "N",
    "G41",
    "G90.1",
    "D99",
    "G54",
    "\t",
    "units",
    "[[items]]",
    "[[cuts]]",
    "=",
    "with = ['pin']",
    'on = "pin"',
    "fit = 'gauge'",
    "layers = ['A']",
    "\r",
    "\n\n",
]


def part_stl(binary: bool) -> bytes:
    """A plate of 40 x 30 x 8 with its corner at 0, as STL."""
    x, y, z = 40.0, 30.0, 8.0
    corner = np.array([[a, b, c] for a in (0, x) for b in (0, y) for c in (0, z)])
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    facets = np.array([corner[[q[0], q[i], q[i + 1]]] for q in quads for i in (1, 2)])
    if binary:
        record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
        rows = np.zeros(len(facets), record)
        rows["corners"] = facets
        return b"gauge".ljust(80) + np.uint32(len(facets)).tobytes() + rows.tobytes()
    lines = ["solid gauge"]
    for facet in facets:
        lines += ["facet normal 0 0 0", "outer loop", *(f"vertex {a} {b} {c}" for a, b, c in facet)]
        lines += ["endloop", "endfacet"]
    return "\n".join([*lines, "endsolid gauge", ""]).encode()


def job(rng: random.Random) -> dict[str, bytes]:
    """The whole job, by file name."""
    return {
        "setup.toml": SETUP.encode(),
        "ours.toml": MACHINE.encode(),
        "window.nc": PROGRAM.encode(),
        "points.csv": POINTS.encode(),
        "part.stl": part_stl(rng.random() < 0.6),
    }


def damaged(data: bytes, rng: random.Random) -> bytes:
    """One file with one or a few things wrong with it."""
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        data = rng.choice((_bytes, _cut, _number, _number, _word, _lines, _swap))(data, rng)
    return data


def _bytes(data: bytes, rng: random.Random) -> bytes:
    out = bytearray(data)
    for _ in range(rng.choice((1, 2, 8))):
        if out:
            out[rng.randrange(len(out))] = rng.randrange(256)
    return bytes(out)


def _cut(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data) + 1)
    return data[:at] if rng.random() < 0.7 else data[:at] + data[at + rng.randrange(1, 60) :]


def _number(data: bytes, rng: random.Random) -> bytes:
    spots = [i for i, c in enumerate(data) if 48 <= c <= 57]
    if not spots:
        return data
    at = rng.choice(spots)
    end = at
    while end < len(data) and chr(data[end]) in "0123456789.":
        end += 1
    return data[:at] + rng.choice(NUMBERS).encode() + data[end:]


def _word(data: bytes, rng: random.Random) -> bytes:
    at = rng.randrange(len(data) + 1)
    return data[:at] + rng.choice(WORDS).encode() + data[at:]


def _lines(data: bytes, rng: random.Random) -> bytes:
    lines = data.split(b"\n")
    at = rng.randrange(len(lines))
    if rng.random() < 0.5:
        del lines[at]
    else:
        lines.insert(at, rng.choice(lines))
    return b"\n".join(lines)


def _swap(data: bytes, rng: random.Random) -> bytes:
    lines = data.split(b"\n")
    a, b = rng.randrange(len(lines)), rng.randrange(len(lines))
    lines[a], lines[b] = lines[b], lines[a]
    return b"\n".join(lines)


class Late(Exception):
    """It took longer than is allowed."""


def outcome(folder: Path) -> str:
    """What comes of a job: "message", a verdict, or a sentence that begins with "FAILED"."""
    import clearance
    from clearance.report.data import as_report

    def late(*_: object) -> None:
        raise Late

    if hasattr(signal, "SIGALRM"):
        signal.signal(signal.SIGALRM, late)
        signal.alarm(ALLOWED_S)
    try:
        result = clearance.check(clearance.load(str(folder / "setup.toml")))
        report = as_report(result)
        text = json.dumps(report, allow_nan=False)
    except ClearanceError as error:
        said = str(error)
        return "message" if said.strip() and "Traceback" not in said else f"FAILED: an empty message {said!r}"
    except Late:
        return f"FAILED: more than {ALLOWED_S} s"
    except Exception as error:
        where = traceback.extract_tb(error.__traceback__)[-1]
        return f"FAILED: {type(error).__name__} {error} ({Path(where.filename).name}:{where.lineno})"
    finally:
        if hasattr(signal, "SIGALRM"):
            signal.alarm(0)
    if result.verdict == "clear":
        empty = [cut["name"] for cut in report["cuts"] if cut["moves"] < 1]
        if empty or not report["pairs"] or not any(s.cut is not None for s in result.scene.stretches):
            return f"FAILED: clear, but nothing was judged ({empty})"
        bad = [p for p in report["pairs"] if p["verdict"] != "clear" or not p["clearance"] > 0.0]
        flat = [b.name for b in result.scene.bodies if not math.isfinite(float(np.ptp(b.triangles_M)))]
        if bad or flat or len(text) < 10:
            return f"FAILED: clear in spite of {bad or flat}"
    return str(result.verdict)


def write(folder: Path, files: dict[str, bytes]) -> None:
    """The job's files in a folder that has nothing else."""
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    for name, data in files.items():
        (folder / name).write_bytes(data)


def one_job(seed: int, folder: Path) -> tuple[str, dict[str, bytes]]:
    """What a whole damaged job led to, and its files."""
    rng = random.Random(seed)
    files = job(rng)
    for name in rng.sample(sorted(files), rng.choice((1, 1, 1, 2))):
        files[name] = damaged(files[name], rng)
    write(folder, files)
    return outcome(folder), files


def tried(what: str, seconds: float, seed: int) -> int:
    """Try records or holders for so many seconds; the exit code."""
    from tests.fuzz_more import holder_outcome, record_outcome

    of = {"record": record_outcome, "holder": holder_outcome}[what]
    seen: Counter[str] = Counter()
    failures: set[str] = set()
    first, end = seed, time.monotonic() + seconds
    while time.monotonic() < end:
        said = timed(lambda seed=seed: of(random.Random(seed)))  # type: ignore[misc]
        seen[said.split(":")[0]] += 1
        if said.startswith("FAILED") and said not in failures:
            failures.add(said)
            print(f"seed {seed}: {said}", flush=True)
        seed += 1
    print(f"{seed - first} {what}s in {seconds:g} s: {dict(seen)}; {len(failures)} kinds of failure")
    return 1 if failures else 0


def timed(work: Callable[[], str]) -> str:
    """What some work says; what it raises, or too long a time, as a failure in words."""

    def late(*_: object) -> None:
        raise Late

    if hasattr(signal, "SIGALRM"):
        signal.signal(signal.SIGALRM, late)
        signal.alarm(ALLOWED_S)
    try:
        return work()
    except Late:
        return f"FAILED: more than {ALLOWED_S} s"
    except Exception as error:
        where = traceback.extract_tb(error.__traceback__)[-1]
        return f"FAILED: {type(error).__name__} {error} ({Path(where.filename).name}:{where.lineno})"
    finally:
        if hasattr(signal, "SIGALRM"):
            signal.alarm(0)


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--keep", action="store_true", help="write what failed to tests/cases/fuzz/")
    parser.add_argument("--paths", action="store_true", help="the bytes of path files alone")
    parser.add_argument("--what", choices=("job", "record", "holder"), default="job")
    args = parser.parse_args(argv)
    if args.what != "job":
        return tried(args.what, args.seconds, args.seed)
    seen: Counter[str] = Counter()
    failures: dict[str, int] = {}
    end = time.monotonic() + args.seconds
    seed = args.seed
    with tempfile.TemporaryDirectory() as scratch:
        while time.monotonic() < end:
            if args.paths:
                said, data = fuzz_paths.outcome(seed, Path(scratch))
                files = {"path.bin": data}
            else:
                said, files = one_job(seed, Path(scratch) / "job")
            seen[said.split(":")[0]] += 1
            if said.startswith("FAILED") and said not in failures:
                failures[said] = seed
                print(f"seed {seed}: {said}", flush=True)
                if args.keep and not args.paths:
                    write(KEPT / f"seed_{seed}", files)
            seed += 1
    print(f"{seed - args.seed} jobs in {args.seconds:g} s: {dict(seen)}; {len(failures)} kinds of failure")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
