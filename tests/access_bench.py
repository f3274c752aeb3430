"""Small setups for what else stops a cut: bodies and a path go in, a loaded scene comes out.

Bodies are made by manifold3d, which the code under test does not use. The machine has plain round heads, a
wire of 0.2 and travel of 400 x 300 x 200 and 30 either way in U V.
"""

from __future__ import annotations

import struct
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
from manifold3d import Manifold

import clearance
from clearance.checking.result import CutResult, Result
from clearance.checking.verdict import worst
from clearance.process.findings import Checked, access_findings
from clearance.scene.model import Finding, Scene
from tests.setup_writer import Tables, toml

WIRE = 0.2
MACHINE: Tables = {
    "name": "bench",
    "travel": {"x": [0, 400], "y": [0, 300], "z": [0, 200], "u": [-30, 30], "v": [-30, 30]},
    "wire": WIRE,
    "lower_head": {"face_z": -0.1, "guide": 5.0, "profile": [[0, 4.0], [5, 4.0], [5, 12.0], [40, 12.0]]},
    "upper_head": {"guide": 5.0, "profile": [[0, 4.0], [5, 4.0], [5, 12.0], [40, 12.0]]},
}
#: machine X Y of the part's own origin
AT = (100.0, 100.0)


def block(x: float, y: float, z: float, at: tuple[float, float, float] = (0, 0, 0)) -> Manifold:
    """With its lowest corner at ``at``."""
    return Manifold.cube((x, y, z)).translate(at)


def post(
    diameter: float, height: float, at: tuple[float, float, float], top: float | None = None
) -> Manifold:
    """A cylinder or cone, corners of 64 flats on its circle, its foot's centre at ``at``."""
    end = diameter if top is None else top
    return Manifold.cylinder(height, diameter / 2, end / 2, 64).translate(at)


def write_stl(file: Path, body: Manifold) -> None:
    mesh = body.to_mesh64()
    corners = np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts)]
    rows = [struct.pack("<12fH", 0, 0, 0, *c.reshape(-1), 0) for c in corners]
    file.write_bytes(b"\0" * 80 + struct.pack("<I", len(rows)) + b"".join(rows))


def plate_with(**more: Any) -> Tables:
    """The item that is cut; ``more`` are keys of its own, None takes one out."""
    item = {"name": "plate", "part": "plate.stl", "units": "mm", "density": 7.7, "at": [*AT, 0], **more}
    return {key: value for key, value in item.items() if value is not None}


def scene(
    folder: Path,
    body: Manifold,
    *programs: str | Tables,
    items: list[Tables] | None = None,
    plate: Tables | None = None,
    machine: Tables | None = None,
    heads: Tables | None = None,
    others: dict[str, Manifold] | None = None,
) -> Scene:
    """A plate and one cut for each program (NC text, or a cut's own keys with the text as "nc").

    Programs run in the part's own coordinates, cut k is named "cut k", from 1.
    """
    write_stl(folder / "plate.stl", body)
    for name, other in (others or {}).items():
        write_stl(folder / name, other)
    cuts = []
    for k, program in enumerate(programs, 1):
        keys = {"nc": program} if isinstance(program, str) else dict(program)
        (folder / f"cut{k}.nc").write_text(f"%\n{keys.pop('nc')}\nM02\n%\n", encoding="utf-8")
        cuts.append({"name": f"cut {k}", "part": "plate", "path": f"cut{k}.nc", **keys})
    tables = {
        "title": "Bench",
        "machine": {"file": "bench.toml"},
        "heads": {"flushing_distance": 0.1} if heads is None else heads,
        "items": [plate_with() if plate is None else plate, *(items or [])],
        "cuts": cuts,
    }
    (folder / "bench.toml").write_text(toml({**MACHINE, **(machine or {})}), encoding="utf-8")
    file = folder / "setup.toml"
    file.write_text(toml(tables), encoding="utf-8")
    return clearance.load(str(file))


def findings(loaded: Scene, *kinds: str) -> list[Finding]:
    """Of these kinds, or all."""
    return [f for f in access_findings(loaded) if not kinds or f.kind in kinds]


def judged_in_time(loaded: Scene) -> Checked:
    """The job from moment to moment as ``clearance.check`` judges it, without the heads' distances.

    Those take most of a check's time, and nothing of the states and pieces rests on them: there are no
    pairs, and a cut's verdict and the job's are those of findings alone.
    """

    def no_distances(scene: Scene, **_: Any) -> Result:
        cuts = tuple(CutResult(stretch.name, "clear", stretch) for stretch in scene.stretches)
        return Result(scene, worst(f.severity for f in scene.findings), cuts, (), scene.findings)

    with mock.patch("clearance.process.findings.judge", no_distances):
        result = clearance.check(loaded)
    assert isinstance(result, Checked)
    return result


def line(*points: tuple[float, float], first: str = "G90 G00") -> str:
    """Straight cutting moves through points, from the first on."""
    (x, y), *rest = points
    return "\n".join([f"{first} X{x} Y{y}", *(f"G01 X{a} Y{b}" for a, b in rest)])


def box_path(
    x0: float, y0: float, x1: float, y1: float, thread: tuple[float, float], gap: float = 0.0
) -> str:
    """From ``thread`` to the middle of the right side and round anticlockwise, or short of it by ``gap``."""
    middle = (y0 + y1) / 2
    around = [(x1, middle), (x1, y1), (x0, y1), (x0, y0), (x1, y0), (x1, middle - gap)]
    return line(thread, *around)
