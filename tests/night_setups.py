"""Small jobs and nights for tests: tables go in, files in a folder come out.

A job is a plate on two rails under two straps, at a place on the table; it is clear by itself.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from tests.access_bench import MACHINE, block, line, post, write_stl
from tests.setup_writer import Tables, toml

#: a slit from the plate's front edge: it frees nothing
SLIT = line((40, -5), (40, 20))
PLATE = (80.0, 60.0, 20.0)


def job(
    folder: Path, name: str, program: str = SLIT, at: tuple[float, float] = (100.0, 100.0), **more: Any
) -> Path:
    """A job's setup and all that it names.

    Args:
        folder: to write into.   name: of its files.   program: NC text, in the plate's own X Y.
        at: machine X Y of the plate's corner.   more: keys of the setup.
    """
    folder.mkdir(exist_ok=True)
    hole = post(2, 22, (40, 30, -1))
    write_stl(folder / "plate.stl", block(*PLATE) - hole)
    (folder / f"{name}.nc").write_text(f"%\n{program}\nM02\n%\n", encoding="utf-8")
    (folder / "bench.toml").write_text(toml(MACHINE), encoding="utf-8")
    file = folder / f"{name}.toml"
    file.write_text(toml(tables(name, at, **more)), encoding="utf-8")
    return file


def tables(name: str, at: tuple[float, float], **more: Any) -> Tables:
    """The setup of a job."""
    x, y = at
    cut = {"name": "cut", "part": "plate", "path": f"{name}.nc"}
    return {
        "title": name,
        "machine": {"file": "bench.toml"},
        "heads": {"flushing_distance": 0.1},
        "items": items(x, y),
        "cuts": [cut],
        **more,
    }


def items(x: float, y: float) -> list[Tables]:
    """A plate with its corner at X Y, and what holds it."""
    strap = {"height": 20.0, "reach": 20.0, "back": 20.0, "width": 20.0, "screw_below": 10.0}
    return [
        {"name": "left rail", "shape": {"box": [60, 80, 20]}, "at": [x - 20, y + 30, -20]},
        {"name": "right rail", "shape": {"box": [60, 80, 20]}, "at": [x + 100, y + 30, -20]},
        {"name": "plate", "part": "plate.stl", "units": "mm", "density": 7.7, "at": [x, y, 0]},
        {"name": "left strap", "holder": "strap", "params": strap, "at": [x - 15, y + 40, 0]},
        {
            "name": "right strap", "holder": "strap", "params": strap, "at": [x + 95, y + 40, 0],
            "turn": [0, 0, 180],
        },
    ]  # fmt: skip


def night(folder: Path, jobs: list[Tables], **more: Any) -> Path:
    """A night's file; dates are written as TOML has them, in ``more`` as texts that begin with "@"."""
    plain = {
        "start": "@2025-11-28T17:00:00",
        "threads_itself": True,
        "changes_pallets": True,
        "spool": {"mass": 8.0, "speed": 10.0},
        "present": [{"from": "@06:00:00", "until": "@17:30:00"}],
        "jobs": jobs,
    }
    file = folder / "night.toml"
    text = toml({key: value for key, value in {**plain, **more}.items() if value is not None})
    file.write_text(_dates(text), encoding="utf-8")
    return file


def _dates(text: str) -> str:
    parts = text.split('"@')
    return parts[0] + "".join(part.replace('"', "", 1) for part in parts[1:])
