"""A bench with pallets, for tests: tables go in, files in a folder come out, and the same setup written flat.

One pallet, a base with two rails and a stop, in a folder of its own; the die plate of ``setup_writer`` lies
on its rails. Where each thing lies in the flat setup is worked out by hand here: turned by 180 about Z, a
point (x, y, z) of the pallet lies at (at_x - x, at_y - y, at_z + z); all figures are whole or halves: exact.
"""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

from tests.setup_writer import MACHINE, STOP, Tables, setup, stl_of_block, toml, write

PALLET: Tables = {
    "units": "mm",
    "items": [
        {"name": "base", "shape": {"box": [260, 120, 15]}, "at": [130, 60, -40]},
        {
            "name": "front rail",
            "shape": {"box": [240, 20, 25]},
            "on": "base",
            "seat": "top",
            "at": [0, -40, 0],
        },
        {"name": "back rail", "shape": {"box": [240, 20, 25]}, "on": "base", "seat": "top", "at": [0, 40, 0]},
        {"name": "stop", "model": "models/own_stop.stl", "units": "mm", "at": [3, 120.5, 0]},
    ],
}

USED: Tables = {"file": "pallets/two_rails.toml", "name": "P3", "at": [30, 20, 0]}
PLATE: Tables = {
    "name": "die plate", "part": "die.stl", "on": "P3/front rail", "seat": "top", "at": [-60, -10, 0],
    "held_by": "glue",
}  # fmt: skip


def with_pallet(pallet: Tables | None = None, **changes: Any) -> tuple[Tables, Tables]:
    """A setup in which the plate lies on the pallet, and the pallet, both as tables."""
    base = setup(items=[copy.deepcopy(PLATE)], pallets=[copy.deepcopy(USED)])
    from tests.setup_writer import changed

    return changed(base, changes), copy.deepcopy(PALLET if pallet is None else pallet)


def written(folder: Path, tables: Tables, pallet: Tables, **others: Tables) -> Path:
    """The folder with the setup, the pallet and its model, and other files by name; the setup's file."""
    (folder / "pallets" / "models").mkdir(parents=True, exist_ok=True)
    (folder / "pallets" / "models" / "own_stop.stl").write_bytes(stl_of_block(*STOP))
    (folder / "pallets" / "two_rails.toml").write_text(toml(pallet), encoding="utf-8")
    for name, more in others.items():
        (folder / f"{name}.toml").write_text(toml(more), encoding="utf-8")
    return write(folder, tables, MACHINE)


def flat(turned: bool = False) -> Tables:
    """The same as ``with_pallet()`` without a pallet, by hand; ``turned``: it stands at (290, 150, 0), turned
    by 180 about Z, and the plate is turned back on the rail."""
    if turned:
        base, stop, turn = [290 - 130, 150 - 60, -40], [290 - 3, 150 - 120.5, 0], {"turn": [0, 0, 180]}
    else:
        base, stop, turn = [30 + 130, 20 + 60, -40], [30 + 3, 20 + 120.5, 0], {}
    return setup(
        items=[
            {"name": "P3/base", "shape": {"box": [260, 120, 15]}, "at": base, **turn},
            {**PALLET["items"][1], "name": "P3/front rail", "on": "P3/base"},
            {**PALLET["items"][2], "name": "P3/back rail", "on": "P3/base"},
            {"name": "P3/stop", "model": "stop.stl", "units": "mm", "at": stop, **turn},
            copy.deepcopy(PLATE),
        ]
    )
