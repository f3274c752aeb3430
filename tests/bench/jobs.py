"""A number of triangles and of moves goes in, a folder with a whole job comes out: part, nine holders, path.

The job is the demo workshop's: a plate of 300 x 200 x 25 on two rails that lie across the table's opening,
three straps on each, a wavy opening of 780 mm: held as a shop would, so that nothing is wrong with it. Its
model is a plate whose six faces are cut into a grid, as many small facets as are wanted.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fixtures_lib import library
from tests.bench import BenchJob

PLATE = np.array([300.0, 200.0, 25.0])
PLATE_AT = np.array([50.0, 50.0, 0.0])
MIDDLE = np.array([200.0, 150.0])
PATH_LENGTH = 780.0

#: name, holder, parameters, place, turn about Z
_PADS = {"length": 520, "pads": [160, 200, 240, 280, 320, 360], "pad_length": 10}
_STRAP = {"height": 28, "reach": 35, "back": 12, "width": 24, "screw_below": 12}
HOLDERS: tuple[tuple[str, str, dict[str, object], tuple[float, float, float], float], ...] = (
    ("front rail", "rail", _PADS, (-60, 30, 0), 0),
    ("back rail", "rail", _PADS, (460, 270, 0), 180),
    ("front strap, left", "strap", _STRAP, (120, 42.5, -3), 90),
    ("front strap, middle", "strap", _STRAP, (200, 42.5, -3), 90),
    ("front strap, right", "strap", _STRAP, (280, 42.5, -3), 90),
    ("back strap, left", "strap", _STRAP, (120, 257.5, -3), 270),
    ("back strap, middle", "strap", _STRAP, (200, 257.5, -3), 270),
    ("back strap, right", "strap", _STRAP, (280, 257.5, -3), 270),
    ("spare block", "v_block", {}, (480, 330, 0), 0),
)


def gridded_plate(cells: int) -> NDArray[np.float64]:
    """A plate of 12 x cells^2 facets (N, 3, 3), mm, its corner at the origin."""
    s = np.linspace(0.0, 1.0, cells + 1)
    a, b = np.meshgrid(s[:-1], s[:-1], indexing="ij")
    c, d = np.meshgrid(s[1:], s[1:], indexing="ij")
    low, right, high, left = (np.stack(p, axis=-1).reshape(-1, 2) for p in ((a, b), (c, b), (c, d), (a, d)))
    facets = np.concatenate([np.stack([low, right, high], axis=1), np.stack([low, high, left], axis=1)])
    faces = []
    for axis in range(3):
        first, second = (axis + 1) % 3, (axis + 2) % 3
        for level in (0.0, 1.0):
            face = np.empty((len(facets), 3, 3))
            face[..., first], face[..., second], face[..., axis] = facets[..., 0], facets[..., 1], level
            faces.append(face if level else face[:, ::-1])
    return np.concatenate(faces) * PLATE


def write_stl(file: Path, triangles: NDArray[np.float64]) -> None:
    """A binary STL; its layout is from memory: 80 bytes, a count, 50 bytes a facet."""
    record = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    facets = np.zeros(len(triangles), record)
    facets["corners"] = triangles
    file.write_bytes(b"plate".ljust(80) + np.uint32(len(triangles)).tobytes() + facets.tobytes())


def wavy_path(moves: int) -> NDArray[np.float64]:
    """A closed path (moves + 1, 2) of 780 mm inside an ellipse of 210 x 90, about the origin, mm."""
    turn = np.linspace(0.0, 2 * np.pi, 4 * moves + 1)
    ellipse = np.column_stack([105 * np.cos(turn), 45 * np.sin(turn)])

    def wave(depth: float) -> NDArray[np.float64]:
        return ellipse * (1 - depth * (1 - np.cos(24 * turn)) / 2)[:, None]

    def along(path: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])

    shallow, deep = 0.0, 0.9
    for _ in range(60):
        depth = (shallow + deep) / 2
        shallow, deep = (depth, deep) if along(wave(depth))[-1] < PATH_LENGTH else (shallow, depth)
    path, length = wave(depth), along(wave(depth))
    at = np.linspace(0.0, length[-1], moves + 1)
    return np.column_stack([np.interp(at, length, path[:, k]) for k in (0, 1)])


def make_job(folder: Path, cells: int, moves: int) -> BenchJob:
    """Write a job into a folder: 12 x cells^2 facets, so many moves."""
    folder.mkdir(parents=True, exist_ok=True)
    job = BenchJob(folder, 12 * cells * cells, moves)
    write_stl(job.part, gridded_plate(cells))
    path = wavy_path(moves)
    lines = [f"N{k} G01 X{x:.4f} Y{y:.4f}" for k, (x, y) in enumerate(path[1:], 1)]
    first = f"G90 G00 X{path[0][0]:.4f} Y{path[0][1]:.4f}"
    (folder / "opening.nc").write_text("\n".join(["%", first, *lines, "M02", "%", ""]))
    np.savetxt(folder / "path.csv", path + MIDDLE, delimiter=",")
    holders = []
    for k, (name, kind, params, at, turn) in enumerate(HOLDERS):
        given = ", ".join(f"{key} = {value}" for key, value in params.items())
        holders.append(
            f'[[items]]\nname = "{name}"\nholder = "{kind}"\nparams = {{ {given} }}\n'
            f"at = {list(at)}\nturn = [0, 0, {turn}]\n"
        )
        _write_placed(folder / f"holder_{k}.stl", kind, params, at, turn)
    corner = [float(x) for x in PLATE_AT]
    zero = [float(MIDDLE[0] - corner[0]), float(MIDDLE[1] - corner[1]), 0.0]
    hole = [zero[0] + float(path[0][0]), zero[1] + float(path[0][1])]
    job.setup.write_text(
        'title = "Wavy opening"\n[machine]\nuse = "mid_size"\n[heads]\nflushing_distance = 0.1\n\n'
        + "\n".join(holders)
        + f'\n[[items]]\nname = "plate"\npart = "plate.stl"\nunits = "mm"\ndensity = 7.7\nat = {corner}\n'
        f"start_holes = [{{ at = {hole}, diameter = 2.0 }}]\n"
        f'\n[[cuts]]\nname = "opening"\npart = "plate"\npath = "opening.nc"\nzero = {zero}\n'
    )
    (folder / "job.json").write_text(json.dumps({"holders": len(HOLDERS), "part_at": corner}))
    return job


def make_cuts(folder: Path, count: int) -> Path:
    """The same plate (3 072 facets) and holders with so many square openings of 4 mm, four moves each, in a
    grid: the setup file."""
    job = make_job(folder, 16, 4)
    head = job.setup.read_text().split("[[cuts]]")[0]
    (folder / "square.nc").write_text("\n".join(["%", "G90 G00 X0 Y0", *_SQUARE, "M02", "%", ""]))
    cuts = []
    for k in range(count):
        row, column = divmod(k, 20)
        zero = [45.0 + 10.5 * column, 55.0 + 9.0 * row, 0.0]
        cuts.append(
            f'[[cuts]]\nname = "opening {k + 1}"\npart = "plate"\npath = "square.nc"\nzero = {zero}\n'
        )
    job.setup.write_text(head + "\n".join(cuts))
    return job.setup


_SQUARE = ("G01 X4 Y0", "G01 X4 Y4", "G01 X0 Y4", "G01 X0 Y0")


def _write_placed(
    file: Path, kind: str, params: dict[str, object], at: tuple[float, float, float], turn: float
) -> None:
    """A holder where it stands, for the scripted baseline, which knows no library."""
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    triangles = library.build(kind, params).triangles @ np.array(
        [[c, s, 0], [-s, c, 0], [0, 0, 1]]
    ) + np.array(at)
    write_stl(file, triangles)


if __name__ == "__main__":
    make_job(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
