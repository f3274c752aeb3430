"""Drawings by the thousand, for so many seconds: nested blocks against closed forms, and damage.

    python -m tests.fuzz_dxf --seconds 600 [--seed 0] [--keep]

Whole ones must come out where the matrices put them (tests/oracles/dxf_nesting.py). Damaged ones must end in
a message that can be printed, or in curves of finite numbers, and in time. Failures are printed with their
seed; ``--keep`` writes the files to tests/cases/fuzz_dxf/, where the default tests try them again.
"""

from __future__ import annotations

import argparse
import io
import json
import logging
import math
import random
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path
from typing import Any

import ezdxf
import numpy as np

from clearance.toolpath.dxf.child import answer
from tests.fuzz import damaged
from tests.oracles.dxf_nesting import add_nesting, away

KEPT = Path(__file__).parent / "cases" / "fuzz_dxf"
BOUND = 0.002
ALLOWED_S = 20.0
#: group codes to put where another stands
CODES = (0, 2, 5, 8, 10, 11, 20, 21, 30, 38, 40, 41, 42, 43, 44, 45, 50, 66, 67, 70, 71, 210, 220, 230, 999)


def ask(file: Path) -> dict[str, Any]:
    request = {"file": str(file), "layers": [], "bound": BOUND, "unit": 1.0, "unit_if_none": 1.0}
    return answer({**request, "limit": 20_000, "memory": 3_000_000_000})


def nested(seed: int) -> tuple[str, list[Any]]:
    """A drawing of a few nestings as text, and the truth of its curves."""
    rng = np.random.default_rng(seed)
    doc = ezdxf.new(str(rng.choice(["R2000", "R2010", "R2018"])))
    truths = [truth for k in range(rng.integers(1, 4)) for truth in add_nesting(doc, rng, f"case {k}")]
    out = io.StringIO()
    doc.write(out)
    return out.getvalue(), truths


def wrong(truths: list[Any], said: dict[str, Any]) -> str:
    """What is wrong with the answer to a whole drawing; "" where nothing is."""
    if "error" in said:
        return f"refused: {said['error']}"
    got: dict[str, list[Any]] = {}
    for _, layer, error, pieces in said["curves"]:
        got.setdefault(layer, []).append((error, pieces))
    if len(truths) != len(said["curves"]):
        return f"{len(said['curves'])} curves of {len(truths)}"
    for truth in truths:
        error, pieces = got[truth.layer].pop(0)
        off = float(away(truth.points, pieces).max())
        if not off <= error + 1e-8 * (1 + np.abs(truth.points).max()) or error > BOUND * (1 + 1e-9):
            return f"a {truth.kind} {off:.3g} mm off, {error:.3g} said"
    return ""


def spoilt(text: str, rng: random.Random) -> tuple[str, str]:
    """The text with something wrong, and what was done: "lines", "bytes" or "groups"."""
    start = text.index("BLOCKS")
    if rng.random() < 0.3:
        data = text[start:].encode()
        return text[:start] + damaged(data, rng).decode("utf-8", "surrogateescape"), "bytes"
    lines = text.split("\n")
    first = text[:start].count("\n")
    how = "groups" if rng.random() < 0.5 else "lines"
    for _ in range(rng.choice((1, 1, 2, 4))):
        k = rng.randrange(first, len(lines))
        if how == "groups":
            # A group is two lines: its number and its value.
            k -= k % 2
            lines[k] = rng.choice((str(rng.choice(CODES)), lines[k]))
            if rng.random() < 0.5 and k + 1 < len(lines):
                lines[k + 1] = rng.choice(("nan", "1e400", "-1", "0", "x", "", f"{rng.uniform(-99, 99):.3f}"))
        elif rng.random() < 0.5:
            del lines[k]
        else:
            lines.insert(k, rng.choice(lines))
    return "\n".join(lines), how


def outcome(text: str, truths: list[Any] | None, file: Path) -> str:
    """What comes of a drawing; a sentence that begins with FAILED where it may not."""
    file.write_text(text, encoding="utf-8", errors="surrogateescape")
    begin = time.monotonic()
    try:
        said = ask(file)
        json.dumps(said, allow_nan=False)
    except Exception as error:
        where = traceback.extract_tb(error.__traceback__)[-1]
        return f"FAILED: {type(error).__name__} {error} ({Path(where.filename).name}:{where.lineno})"
    if time.monotonic() - begin > ALLOWED_S:
        return f"FAILED: more than {ALLOWED_S:g} s"
    if truths is not None:
        found = wrong(truths, said)
        return f"FAILED: {found}" if found else "whole"
    if "error" in said:
        place, found = said["error"][:2]
        sound = found.strip() and (place + found).isprintable() and "Traceback" not in found
        return "message" if sound else f"FAILED: a message that cannot be printed {said['error']!r}"
    if not all(math.isfinite(v) for *_, pieces in said["curves"] for piece in pieces for v in piece):
        return "FAILED: a coordinate that is no number"
    begun = text.count("\n  0\nLINE\n") + text.count("\n  0\nLWPOLYLINE\n") + text.count("\n  0\nSPLINE\n")
    return "mended" if said["mended"] else ("read" if said["curves"] or not begun else "FAILED: all is lost")


def main(argv: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz_dxf")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--keep", action="store_true", help="write what failed to tests/cases/fuzz_dxf/")
    args = parser.parse_args(argv)
    logging.disable(logging.CRITICAL)
    seen: Counter[str] = Counter()
    failures: dict[str, int] = {}
    end, seed = time.monotonic() + args.seconds, args.seed
    with tempfile.TemporaryDirectory() as scratch:
        file = Path(scratch) / "a.dxf"
        while time.monotonic() < end:
            whole, truths = nested(seed)
            rng = random.Random(seed)
            tries = [(whole, truths), *((spoilt(whole, rng)[0], None) for _ in range(6))]
            for k, (text, truth) in enumerate(tries):
                said = outcome(text, truth, file)
                seen[said.split(":")[0]] += 1
                if said.startswith("FAILED") and said not in failures:
                    failures[said] = seed
                    print(f"seed {seed} try {k}: {said}", flush=True)
                    if args.keep:
                        KEPT.mkdir(parents=True, exist_ok=True)
                        name = KEPT / f"seed_{seed}_{k}.dxf"
                        name.write_text(text, encoding="utf-8", errors="surrogateescape")
            seed += 1
    print(
        f"{seed - args.seed} drawings in {args.seconds:g} s: {dict(seen)}; {len(failures)} kinds of failure"
    )
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
