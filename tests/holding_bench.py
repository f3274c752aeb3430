"""A few items and a path go in, exit code and report of ``clearance check`` come out: for tests of holding.

Machine and writers are those of ``setup_writer``. Lower head: face at Z -0.4, behind it a cone of radius 4
to 5 over 6 mm, then radius 11 to 12 down to 20 behind the face, then a box from -13 to 14 in X and -15 to 160
in Y. Upper: radius 4.5 for 7 mm, then a box from -16 to 17 in X and -18 to 19 in Y; 9 behind the face an arm
from -26 to 27 in X and 28 to 129 in Y.
"""

from __future__ import annotations

import json
import struct
from collections.abc import Sequence
from math import cos, pi, sin
from pathlib import Path
from typing import Any

from clearance import cli
from clearance.scene.load import load
from clearance.scene.model import Scene
from tests.setup_writer import MACHINE, Tables, stl_of_block, toml

#: a path that moves a little about its zero, where only the items matter
STAY = "x,y\n0,0\n0,1\n"

Report = dict[str, Any]


def write(folder: Path, items: Sequence[Tables], path: str = STAY, **cut: Any) -> Path:
    """A setup with one cut "c"; what ``cut`` says is added to it."""
    (folder / "ours.toml").write_text(toml({**MACHINE, "bodies": []}), encoding="utf-8")
    (folder / "path.csv").write_text(path, encoding="utf-8")
    heads = {} if "upper_z" in cut else {"flushing_distance": 0.2}
    tables = {
        "machine": {"file": "ours.toml"},
        "heads": heads,
        # figures written out by hand count with this one
        "margins": {"holder": {"height": 0.05}},
        "items": list(items),
        "cuts": [{"name": "c", "path": "path.csv", **cut}],
    }
    file = folder / "setup.toml"
    file.write_text(toml(tables), encoding="utf-8")
    return file


def checked(folder: Path, items: Sequence[Tables], path: str = STAY, **cut: Any) -> tuple[int, Report]:
    """Exit code and report."""
    file = write(folder, items, path, **cut)
    code = cli.run(["check", str(file), "--json", str(folder / "report.json")])
    report: Report = json.loads((folder / "report.json").read_text())
    return code, report


def scene(folder: Path, items: Sequence[Tables], path: str = STAY, **cut: Any) -> Scene:
    """The scene alone."""
    return load(write(folder, items, path, **cut))


def block(folder: Path, x: float, y: float, z: float, name: str = "block.stl") -> str:
    """A model of a block with a corner at its origin; returns the file's name."""
    (folder / name).write_bytes(stl_of_block(x, y, z))
    return name


def rod(folder: Path, diameter: float, height: float, name: str = "rod.stl", n: int = 96) -> str:
    """A model of a bar that stands on Z = 0 about its axis, its flats outside the circle; the file's name."""
    r = diameter / 2 / cos(pi / n)
    ring = [(r * cos((k + 0.5) * 2 * pi / n), r * sin((k + 0.5) * 2 * pi / n)) for k in range(n)]
    facets = []
    for (x, y), (u, v) in zip(ring, ring[1:] + ring[:1], strict=True):
        a, b, c, d = (x, y, 0.0), (u, v, 0.0), (u, v, height), (x, y, height)
        facets += [(a, b, c), (a, c, d), (b, a, (0.0, 0.0, 0.0)), (d, c, (0.0, 0.0, height))]
    body = b"".join(struct.pack("<12fH", 0, 0, 0, *(v for p in f for v in p), 0) for f in facets)
    (folder / name).write_bytes(b"\0" * 80 + struct.pack("<I", len(facets)) + body)
    return name


def row(report: Report, head: str, item: str) -> Report:
    """A head against an item."""
    (found,) = [p for p in report["pairs"] if (p["head"], p["item"]) == (head, item)]
    return dict(found)


def found(report: Report, kind: str) -> list[tuple[str, str, str]]:
    """Findings of a kind: (severity, item, message)."""
    return [(f["severity"], f["item"], f["message"]) for f in report["findings"] if f["kind"] == kind]


def quiet(report: Report) -> bool:
    """Nothing but notes, and none of them on bodies in each other or off their feet."""
    found = {(f["kind"], f["severity"]) for f in report["findings"]}
    return {s for _, s in found} <= {"note"} and not {k for k, _ in found} & {"overlap", "off its feet"}
