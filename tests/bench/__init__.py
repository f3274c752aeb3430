"""How fast the whole program is, measured as a user meets it: whole processes, from the command to its end.

    python -m tests.bench            everything (some minutes)
    python -m tests.bench big usual  some of it
    python -m tests.bench reading    the real models and drawings, each
    python -m tests.bench live       what one drag takes in a session, beside the whole check
    python -m tests.bench cliffs     does cost leap where an input grows (long)

It prints medians of several runs and ratios within one run. It is no test: nothing fails.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class BenchJob:
    """Where a job's files are."""

    folder: Path
    triangles: int
    moves: int

    @property
    def setup(self) -> Path:
        return self.folder / "setup.toml"

    @property
    def part(self) -> Path:
        return self.folder / "plate.stl"
