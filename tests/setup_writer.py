"""Setups for tests: tables as Python dicts go in, files in a folder come out.

One setup and one machine with figures that nothing else in the project uses, each chosen so that a key
mistaken for its neighbour gives another number. The writers here share no code with the readers.
"""

from __future__ import annotations

import copy
import json
import struct
from pathlib import Path
from typing import Any

Tables = dict[str, Any]

MACHINE: Tables = {
    "name": "test bench",
    "travel": {"x": [0, 311], "y": [0, 207], "z": [1, 153], "u": [-21, 22], "v": [-23, 24]},
    "wire": 0.3,
    "max_part_mass": 90.0,
    "codes": {"thread": ["M71"], "cut": ["M72"], "ignore": ["M73"]},
    "lower_head": {
        "face_z": -0.4,
        "guide": 3.0,
        "profile": [[0, 4.0], [6, 5.0], [6, 11.0], [20, 12.0]],
        "bodies": [{"x": [-13, 14], "y": [-15, 160], "behind": [20, 35]}],
    },
    "upper_head": {
        "guide": 5.0,
        "profile": [[0, 4.5], [7, 4.5]],
        "bodies": [
            {"x": [-16, 17], "y": [-18, 19], "behind": [7, 30]},
            {"x": [-26, 27], "y": [28, 129], "behind": [9, 31], "follows": "xy"},
        ],
    },
    "bodies": [{"name": "frame", "box": {"x": [-90, -50], "y": [-51, 260], "z": [-52, 0]}}],
}

SETUP: Tables = {
    "title": "Side-plate die, first opening",
    "machine": {"file": "ours.toml"},
    "heads": {"flushing_distance": 0.2},
    "items": [
        {"name": "rail", "shape": {"box": [300, 40, 25]}, "at": [150, 60, -25]},
        {
            "name": "die plate",
            "part": "die.stl",
            "on": "rail",
            "seat": "top",
            "at": [-60, -20, 0],
            "held_by": "glue",
        },
        {"name": "stop", "model": "stop.stl", "at": [5, 130, 0]},
        {"name": "magnet", "shape": {"cylinder": [24, 9]}, "at": [10, 10, 0]},
    ],
    "cuts": [{"name": "opening", "part": "die plate", "path": "opening.csv", "zero": [70, 60, 3]}],
}

#: sizes of the models, mm, each with a corner at its origin
DIE = (120.0, 80.0, 20.0)
STOP = (11.0, 12.0, 13.0)
PROGRAM = "G90 G71\nG00 X0. Y0.\nM71 G01 X10.\nY5.\nM30\n"
STOPPING = "G90 G71\nG00 X0. Y0.\nM71 G01 X10.\nN4 M00\nY5.\nM30\n"
PATH = "x,y\n0,0\n10,0\n10,5\n"


def setup(**changes: Any) -> Tables:
    """A copy of ``SETUP``; a change names a key by its path, ``items_1_at=[...]``, None takes it out."""
    return changed(SETUP, changes)


def machine(**changes: Any) -> Tables:
    """A copy of ``MACHINE``, changed."""
    return changed(MACHINE, changes)


def changed(tables: Tables, changes: dict[str, Any]) -> Tables:
    """A copy with changes by path: steps are parted by two underscores, numbers are places in a list."""
    tables = copy.deepcopy(tables)
    for path, value in changes.items():
        *steps, last = [int(s) if s.isdigit() else s for s in path.split("__")]
        node: Any = tables
        for step in steps:
            if isinstance(node, dict):
                node = node.setdefault(step, {})
            else:
                if step == len(node):
                    node.append({})
                node = node[step]
        if value is None:
            node.pop(last)
        elif isinstance(node, list) and last == len(node):
            node.append(value)
        else:
            node[last] = value
    return tables


def write(folder: Path, tables: Tables | None = None, bench: Tables | None = None) -> Path:
    """A folder with a setup, the machine, both models and the path; returns the setup's file."""
    (folder / "die.stl").write_bytes(stl_of_block(*DIE))
    (folder / "stop.stl").write_bytes(stl_of_block(*STOP))
    (folder / "opening.csv").write_text(PATH, encoding="utf-8")
    (folder / "program.nc").write_text(PROGRAM, encoding="utf-8")
    (folder / "stopping.nc").write_text(STOPPING, encoding="utf-8")
    (folder / "ours.toml").write_text(toml(MACHINE if bench is None else bench), encoding="utf-8")
    file = folder / "setup.toml"
    file.write_text(toml(SETUP if tables is None else tables), encoding="utf-8")
    return file


def toml(tables: Tables) -> str:
    """Tables as TOML: plain values first, then [tables], then [[lists of tables]]."""
    plain, single, many = [], [], []
    for key, value in tables.items():
        if isinstance(value, dict):
            single.append(
                f"\n[{_key(key)}]\n" + "".join(f"{_key(k)} = {_value(v)}\n" for k, v in value.items())
            )
        elif isinstance(value, list) and value and all(isinstance(v, dict) for v in value):
            for each in value:
                many.append(f"\n[[{_key(key)}]]\n{_lines(each)}")
        else:
            plain.append(f"{_key(key)} = {_value(value)}\n")
    return "".join(plain + single + many)


def _lines(table: Tables) -> str:
    return "".join(f"{_key(key)} = {_value(value)}\n" for key, value in table.items())


def _key(key: str) -> str:
    return key if key and all(c.isascii() and (c.isalnum() or c in "_-") for c in key) else json.dumps(key)


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    return json.dumps(value) if isinstance(value, str) else repr(value)


def stl_of_block(x: float, y: float, z: float) -> bytes:
    """A binary STL of a block with a corner at the origin."""
    p = [(i * x, j * y, k * z) for k in (0, 1) for j in (0, 1) for i in (0, 1)]
    quads = [(0, 2, 3, 1), (4, 5, 7, 6), (0, 1, 5, 4), (2, 6, 7, 3), (0, 4, 6, 2), (1, 3, 7, 5)]
    facets = [(p[a], p[b], p[c]) for q in quads for a, b, c in ((q[0], q[1], q[2]), (q[0], q[2], q[3]))]
    body = b"".join(struct.pack("<12fH", 0, 0, 0, *(v for corner in f for v in corner), 0) for f in facets)
    return b"\0" * 80 + struct.pack("<I", len(facets)) + body
