"""Model files by the thousand, for so many seconds: whole ones against closed forms, and damaged ones.

    python -m tests.fuzz_models --seconds 600 [--seed 0] [--keep] [--what step|obj|both]

STEP: balls, rings, cones and walls of random sizes and units (tests/oracles/step_text.py); each facet must
lie within the error that the reader states, by the surface's own formula. OBJ: faces of three to nine
corners, counted from either end, in several bodies; a second reader here, of a few lines, says which area
vector each body has (the sum over a polygon is that of its triangles, however it is cut: Stokes). Damaged
files must end in a message that can be printed, or in a body of finite numbers that the second reader
agrees with where it knows; and in time. Failures are printed with their seed; ``--keep`` writes the files
to tests/cases/fuzz_models/, where the default tests try them again.
"""

from __future__ import annotations

import argparse
import math
import os
import random
import re
import signal
import tempfile
import time
import traceback
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from clearance import child
from clearance.errors import InputError
from clearance.mesh import step, step_child
from clearance.mesh.model import RawModel
from clearance.mesh.obj import read_obj
from clearance.mesh.read import read_model
from clearance.mesh.step import read_step
from clearance.parallel import Child, Ended, Limits
from tests.fuzz import damaged
from tests.oracles.step_text import INCH, METRE, MM, ball, cone, ring, wall

Floats = NDArray[np.float64]

KEPT = Path(__file__).parent / "cases" / "fuzz_models"
#: seconds by the clock that one file may take; processor seconds that the translator may
ALLOWED_S, STEP_S = 60.0, 20.0
MEMORY, LONGEST_MESSAGE = 1 << 30, 500
#: barycentric places at which a facet is looked at
WEIGHTS = np.array([(i, j, 6 - i - j) for i in range(7) for j in range(7 - i)]) / 6.0

NUMBERS = [
    "nan", "inf", "-inf", "1e999", "1e300", "-1e30", "0", "0.", "-0.", "1e-300", "1.E-7", "-1.", "1.5.5",
    "--1", "", "99999999999999999999", "$", "*", "#1", "#99999", "(1.,2.)", "'x'", ".T.", "1e6", "1e-9", "3.",
]  # fmt: skip
OBJ_WORDS = [
    b"f 1 2 3\n", b"f 1 2 3 4 5\n", b"f -1 -2 -3\n", b"f 1//2 2//3 3//1\n", b"f 1 1 1\n", b"f 1 2\n",
    b"f 0 1 2\n", b"v 1 2 3\n", b"v 1 2\n", b"v nan 0 0\n", b"v 1e400 0 0\n", b"v 1 2 3 4 5 6\n",
    b"o part\n", b"g\n", b"vt 0 0\n", b"cstype bezier\n", b"12\n", b"\\\n", b"\\", b"#", b"\t", b"\0",
    b"\r", b"\xff", b"\xe2\x80\xae", b"s off\n", b"f 1.5 2 3\n", b"f 1/1/1/1 2 3\n",
    b"f 9999999999999999999 1 2\n", b"l 1 2\n", b"usemtl a b\n", b"v\t1\t2\t3\n",
]  # fmt: skip


class Wrong(Exception):
    """An answer that is not sound."""


# ------------------------------------------------------------------------------------------------------ STEP
def step_text(rng: random.Random) -> tuple[str, str, tuple[float, ...], float]:
    """A whole STEP file; what it shows, its sizes in the file's unit, and mm in one of that."""
    unit, mm = rng.choice(((MM, 1.0), (INCH, 25.4), (METRE, 1000.0)))
    size = rng.uniform(2.0, 60.0) / mm
    kind = rng.choice(("ball", "ring", "cone", "wall"))
    if kind == "ball":
        return ball(size, unit), kind, (size,), mm
    if kind == "ring":
        small = size * rng.uniform(0.05, 0.9)
        return ring(size, small, unit), kind, (size, small), mm
    if kind == "cone":
        foot, high = size * rng.uniform(0.2, 0.9), size * rng.uniform(0.3, 3.0)
        return cone(foot, size, high, unit), kind, (foot, size, high), mm
    poles = [
        [[10.0 * i, rng.uniform(-8, 8) if i == j == 1 else 0.0, 8.0 * j] for j in range(3)] for i in range(3)
    ]
    return wall(poles, ((0.0, 1.0), (0.0, 1.0)), (2, 2), 10.0), kind, (poles[1][1][1],), 1.0


def off_surface(kind: str, sizes: tuple[float, ...], p: Floats) -> Floats:
    """How far points (N, 3) lie off a body's surfaces at least, in the file's unit."""
    x, y, z = p.T
    if kind == "ball":
        return np.asarray(np.abs(np.linalg.norm(p, axis=1) - sizes[0]))
    if kind == "ring":
        return np.asarray(np.abs(np.hypot(np.hypot(x, y) - sizes[0], z) - sizes[1]))
    if kind == "cone":
        foot, top, high = sizes
        slope = (top - foot) / high
        mantle = np.abs(np.hypot(x, y) - foot - slope * z) / math.hypot(1.0, slope)
        return np.asarray(np.min([mantle, np.abs(z), np.abs(z - high)], axis=0))
    # a wall's height over its base, sizes[0] 2 s (1 - s) 2 t (1 - t) (Bernstein), rises by no more than this
    s, t, rise = x / 20.0, z / 16.0, abs(sizes[0])
    level = sizes[0] * 4 * s * (1 - s) * t * (1 - t)
    curved = np.abs(y - level) / math.hypot(1.0, rise * math.hypot(1 / 20.0, 1 / 16.0))
    return np.asarray(
        np.min([curved, np.abs(x), np.abs(x - 20), np.abs(z), np.abs(z - 16), np.abs(y + 10)], axis=0)
    )


def closes(triangles: Floats) -> bool:
    """Whether each edge, by the very bits of its ends, is in two triangles."""
    uses: Counter[frozenset[bytes]] = Counter()
    for corners in triangles + 0.0:
        ends = [corner.tobytes() for corner in corners]
        uses.update(frozenset((ends[k], ends[k - 1])) for k in range(3))
    return set(uses.values()) == {2}


def spoilt_step(text: str, rng: random.Random) -> bytes:
    """The file with numbers, references or lines wrong, or its bytes damaged."""
    if rng.random() < 0.25:
        return damaged(text.encode(), rng)
    lines = text.split("\n")
    for _ in range(rng.choice((1, 1, 2, 3))):
        k = rng.randrange(len(lines))
        how = rng.random()
        if how < 0.1:
            lines[k] = ""
        elif how < 0.2:
            lines.insert(k, rng.choice(lines))
        elif how < 0.45:
            # a reference to another entity
            lines[k] = re.sub(r"(?<=[(,])#\d+", lambda _: f"#{rng.randrange(1, 140)}", lines[k], count=1)
        else:
            found = list(re.finditer(r"-?\d+\.\d*(?:[eE][+-]?\d+)?", lines[k]))
            if found:
                at = rng.choice(found)
                said = rng.choice(
                    (*NUMBERS, f"{rng.uniform(-50, 50):.6f}", f"{float(at[0]) * rng.uniform(0.5, 2)!r}")
                )
                lines[k] = lines[k][: at.start()] + said + lines[k][at.end() :]
    return "\n".join(lines).encode()


class Forked:
    """In place of ``parallel.Child``: a fork of this process, which has the translator loaded already."""

    def __init__(self, entry: str, limits: Limits) -> None:
        self.limits = limits

    def __enter__(self) -> Forked:
        return self

    def __exit__(self, *_: object) -> None:
        return None

    def finish(self, request: bytes, seconds: float) -> Ended:
        """What the translator says, in ``seconds`` at most."""
        with tempfile.TemporaryFile() as file:
            process = os.fork()
            if process == 0:
                self._work(request, file.fileno())
            end = time.monotonic() + seconds
            done, status = os.waitpid(process, os.WNOHANG)
            while not done and time.monotonic() < end:
                time.sleep(0.005)
                done, status = os.waitpid(process, os.WNOHANG)
            if not done:
                os.kill(process, signal.SIGKILL)
                os.waitpid(process, 0)
                return Ended(None, b"", "")
            file.seek(0)
            return Ended(os.waitstatus_to_exitcode(status), file.read(), "")

    def _work(self, request: bytes, to: int) -> None:
        import resource

        code = 1
        try:
            resource.setrlimit(resource.RLIMIT_CPU, (int(STEP_S), int(STEP_S)))
            resource.setrlimit(resource.RLIMIT_AS, (4 * MEMORY, 4 * MEMORY))
            resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
            null = os.open(os.devnull, os.O_WRONLY)
            os.dup2(null, 1)
            os.dup2(null, 2)
            with open(to, "wb", closefd=False) as file:
                try:
                    file.write(step_child.main(request))
                    code = 0
                except child.Refused as refused:
                    file.write(str(refused).encode())
                    code = child.REFUSED
        finally:
            os._exit(code)


def try_step(rng: random.Random) -> tuple[bytes, str]:
    """A STEP file and what came of it."""
    text, kind, sizes, mm = step_text(rng)
    whole = rng.random() < 0.2
    bound = 10 ** rng.uniform(-2.3, -0.3)
    data = text.encode() if whole else spoilt_step(text, rng)

    def asked() -> str:
        model = read_step(data, "a.step", MEMORY, bound, seconds=STEP_S)
        _finite(model)
        if not (math.isfinite(model.facet_error) and model.facet_error >= 0.0):
            raise Wrong(f"a facet error of {model.facet_error}")
        if whole:
            p = np.einsum("kc,ncj->nkj", WEIGHTS, model.bodies[0].triangles).reshape(-1, 3)
            off = float(off_surface(kind, sizes, p / mm).max()) * mm
            if off > model.facet_error + 1e-9:
                raise Wrong(f"{kind} {sizes}: {off:.6f} mm off, {model.facet_error:.6f} said")
            if not closes(model.bodies[0].triangles):
                raise Wrong(f"{kind} {sizes} is open")
            if model.facet_error > 2 * bound:
                raise Wrong(f"{kind} {sizes}: {model.facet_error:.6f} mm said, {bound:.6f} asked for")
        return "whole" if whole else "read"

    return data, _outcome(asked, whole)


# ------------------------------------------------------------------------------------------------------- OBJ
def obj_text(rng: random.Random) -> bytes:
    """A whole OBJ file: vertices and faces mixed, polygons flat and not, in bodies."""
    lines, count = [b"# a part"], 0
    for _ in range(rng.randrange(1, 6)):
        if rng.random() < 0.5:
            lines.append(rng.choice((b"o ", b"g ")) + rng.choice((b"pin", b"link plate", b"a")))
        sides = rng.randrange(3, 10)
        centre = [rng.uniform(-50, 50) for _ in range(3)]
        tilt = rng.uniform(-1, 1)
        for k in range(sides):
            turn = 2 * math.pi * k / sides
            radius = rng.choice((5.0, 5.0, 2.0, rng.uniform(0.1, 9)))
            x, y = centre[0] + radius * math.cos(turn), centre[1] + radius * math.sin(turn)
            z = centre[2] + tilt * x + (rng.uniform(-1, 1) if rng.random() < 0.1 else 0.0)
            lines.append(
                rng.choice((b"v %r %r %r", b"v\t%r %r  %r 1.0", b"v %r %r %r 0.1 0.2 0.3")).replace(
                    b"%r", b"%a"
                )
                % (x, y, z)
            )
        first = count + 1
        count += sides
        numbers = [first + k if rng.random() < 0.7 else first + k - count - 1 for k in range(sides)]
        words = [b"%d%s" % (n, rng.choice((b"", b"", b"/1", b"//2", b"/3/4"))) for n in numbers]
        lines.append(b"f " + (b" \\\n " if rng.random() < 0.1 else b" ").join(words))
    return rng.choice((b"\n", b"\r\n")).join(lines) + b"\n"


def second_reader(data: bytes) -> dict[str, Floats] | None:
    """Area vector (3,) of each body; None where it does not know what the file means."""
    if b"\0" in data or b"\r" in data.replace(b"\r\n", b"") or b"\x0b" in data or b"\x0c" in data:
        return None
    points: list[list[float]] = []
    area: dict[str, Floats] = {}
    name = ""
    text = data.replace(b"\r\n", b"\n").replace(b"\\\n", b" ").decode("utf-8", "replace")
    for line in text.split("\n"):
        # other control characters part no words
        words = re.split(r"[ \t]+", line.strip(" \t")) if line.strip(" \t") else []
        if not words or words[0].startswith("#"):
            continue
        try:
            if words[0] == "v":
                points.append([float(word) for word in words[1:4]])
            elif words[0] == "f":
                numbers = [int(word.split("/")[0]) for word in words[1:]]
                corners = np.array([points[n - 1 if n > 0 else len(points) + n] for n in numbers])
                if 0 in numbers or len(numbers) < 3 or min(numbers) < -len(points):
                    return None
                vector = np.cross(corners, np.roll(corners, -1, axis=0)).sum(axis=0) / 2
                area[name] = area.get(name, np.zeros(3)) + vector
            elif words[0] in ("o", "g"):
                name = " ".join(words[1:])
        except (ValueError, IndexError):
            return None
    return area


def try_obj(rng: random.Random) -> tuple[bytes, str]:
    """An OBJ file and what came of it."""
    data = obj_text(rng)
    whole = rng.random() < 0.3
    if not whole:
        data = damaged(data, rng) if rng.random() < 0.5 else _with_words(data, rng)

    def asked() -> str:
        model = read_obj(data, "a.obj", MEMORY)
        _finite(model)
        truth = second_reader(data)
        if truth is None:
            if whole:
                raise Wrong("the second reader does not know it")
            return "read alone"
        for body in model.bodies:
            t = body.triangles
            vector = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0]).sum(axis=0) / 2
            size = 1.0 + float(np.abs(t).max()) ** 2
            if body.name not in truth or not np.allclose(
                vector, truth[body.name], rtol=1e-9, atol=1e-9 * size
            ):
                raise Wrong(f"body {body.name!r}: {vector}, not {truth.get(body.name)}")
        return "whole" if whole else "read"

    return data, _outcome(asked, whole)


def _with_words(data: bytes, rng: random.Random) -> bytes:
    lines = data.splitlines(keepends=True)
    for _ in range(rng.choice((1, 1, 2, 4))):
        lines.insert(rng.randrange(len(lines) + 1), rng.choice(OBJ_WORDS))
    return b"".join(lines)


# -------------------------------------------------------------------------------------------------- the judge
def _finite(model: RawModel) -> None:
    if not model.bodies:
        raise Wrong("no body, and no message")
    for body in model.bodies:
        if body.triangles.ndim != 3 or not np.isfinite(body.triangles).all():
            raise Wrong(f"body {body.name!r}: a corner that is no number")


def _outcome(asked: Callable[[], str], whole: bool) -> str:
    """Whole, read or message; a sentence that begins with FAILED for what may not be."""
    begin = time.monotonic()
    try:
        said = asked()
    except InputError as error:
        text = str(error)
        if "was ended after" in text:
            return "ended by the clock"  # by a computer that is shared, it may be
        if whole:
            return f"FAILED: a whole one refused: {text}"
        if not text.strip() or not text.isprintable() or len(text) > LONGEST_MESSAGE or "Traceback" in text:
            return f"FAILED: message {text!r}"
        said = "broke down" if "broke down" in text else "message"
    except Wrong as error:
        return f"FAILED: {error}"
    except Exception as error:
        where = traceback.extract_tb(error.__traceback__)[-1]
        return f"FAILED: {type(error).__name__} {error} ({Path(where.filename).name}:{where.lineno})"
    if time.monotonic() - begin > ALLOWED_S:
        return f"FAILED: more than {ALLOWED_S:g} s"
    return said


def judged(data: bytes, folder: Path) -> str:
    """What comes of a file by the whole reader, trust and all; FAILED for what may not be."""
    file = folder / "a.model"
    file.write_bytes(data)

    def asked() -> str:
        solid, _ = read_model(file, None, "a.model")
        if not np.isfinite(solid.triangles).all():
            raise Wrong("a corner that is no number")
        for remark in solid.remarks:
            if not remark.message.isprintable():
                raise Wrong(f"a remark that cannot be printed {remark.message!r}")
        return "read"

    return _outcome(asked, False)


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz_models")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--what", choices=("step", "obj", "both"), default="both")
    parser.add_argument("--keep", action="store_true", help="write what failed to tests/cases/fuzz_models/")
    args = parser.parse_args(argv)
    seen: Counter[str] = Counter()
    failures: dict[str, int] = {}
    begin, seed = time.monotonic(), args.seed
    spent = {"step": 0.0, "obj": 0.0}
    if args.what != "obj":
        import OCP.STEPCAFControl  # noqa: F401  (before it forks)
    with tempfile.TemporaryDirectory() as scratch:
        while time.monotonic() - begin < args.seconds:
            # as long on either
            what = min(spent, key=lambda key: spent[key]) if args.what == "both" else args.what
            rng, now = random.Random(seed), time.monotonic()
            # one in twenty goes the whole way, in a process of its own
            setattr(step, "Child", Child if seed % 20 == 0 else Forked)  # noqa: B010
            data, said = (try_step if what == "step" else try_obj)(rng)
            if not said.startswith("FAILED") and what == "obj":
                more = judged(data, Path(scratch))
                said = more if more.startswith("FAILED") else said
            spent[what] += time.monotonic() - now
            seen[f"{what} {said.split(':')[0]}"] += 1
            if said.startswith("FAILED") and said not in failures:
                failures[said] = seed
                print(f"seed {seed}, {what}: {said}", flush=True)
                if args.keep:
                    KEPT.mkdir(exist_ok=True)
                    (KEPT / f"{what}_{seed}.{what}").write_bytes(data)
            seed += 1
            if seed % 5000 == 0:
                print(f"{time.monotonic() - begin:.0f} s: {dict(sorted(seen.items()))}", flush=True)
    counts = dict(sorted(seen.items()))
    print(f"{seed - args.seed} files in {time.monotonic() - begin:.0f} s: {counts}; seeds {failures}")
    return 1 if failures else 0


if __name__ == "__main__":
    raise SystemExit(main())
