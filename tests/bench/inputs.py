"""A kind of hard input and a size go in, a folder with a setup comes out: what costs leap on, if they leap.

    python -m tests.bench.inputs KIND SIZE FOLDER     writes FOLDER/setup.toml

Each is an input that somebody may have: a program that clears a pocket by going over it again and again, a
scanned model, a long chain of packings. All lie on the plate of ``jobs``, or do without one.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.bench.jobs import HOLDERS, MIDDLE, PLATE, PLATE_AT, gridded_plate, write_stl

Array = NDArray[np.float64]

#: half sides of the field in the plate's middle in which paths lie, mm
FIELD = np.array([80.0, 40.0])
_RAILS = HOLDERS[:2]


# ------------------------------------------------------------------------------------------ writing
def write_program(folder: Path, points: Array, head: str = "G90") -> None:
    """Straight cutting moves through points (n, 2) about the plate's middle."""
    lines = [f"N{k} G01 X{x:.4f} Y{y:.4f}" for k, (x, y) in enumerate(points[1:].tolist(), 1)]
    first = f"{head} G00 X{points[0, 0]:.4f} Y{points[0, 1]:.4f}"
    (folder / "cut.nc").write_text("\n".join(["%", first, *lines, "M02", "%", ""]))


def item(name: str, what: str, at: Sequence[float], more: str = "") -> str:
    """One item's table; ``what`` is the line that says what it is."""
    return f'[[items]]\nname = "{name}"\n{what}\nat = {[float(x) for x in at]}\n{more}\n'


def write_setup(
    folder: Path,
    items: Sequence[str],
    cut: str = 'path = "cut.nc"',
    start_holes: str = "[]",
    rails: bool = True,
) -> None:
    """A setup: rails, the plate (``plate.stl``, written unless it is there), what else, and one cut."""
    if not (folder / "plate.stl").exists():
        write_stl(folder / "plate.stl", gridded_plate(1))
    below = [
        item(
            name,
            f'holder = "{kind}"\nparams = {{ length = {params["length"]} }}',
            at,
            f"turn = [0, 0, {turn}]",
        )
        for name, kind, params, at, turn in (_RAILS if rails else ())
    ]
    plate = item(
        "plate", 'part = "plate.stl"\nunits = "mm"\ndensity = 7.7', PLATE_AT, f"start_holes = {start_holes}"
    )
    zero = [float(x) for x in (*(MIDDLE - PLATE_AT[:2]), 0.0)]
    (folder / "setup.toml").write_text(
        'title = "Bench"\n[machine]\nuse = "mid_size"\n[heads]\nflushing_distance = 0.1\n\n'
        + "\n".join([*below, plate, *items])
        + f'\n[[cuts]]\nname = "opening"\npart = "plate"\n{cut}\nzero = {zero}\n'
    )


def ring_of(moves: int) -> Array:
    """A closed ring of so many moves (n + 1, 2), an ellipse that fills the field."""
    turn = np.linspace(0.0, 2 * np.pi, moves + 1)
    return np.column_stack([np.cos(turn), np.sin(turn)]) * FIELD


# ------------------------------------------------------------------------------------------ paths
def there_and_back(folder: Path, moves: int) -> None:
    """A zigzag over the field, finer the more moves there are, and back by the very same lines."""
    lines = moves // 4
    y = np.repeat(np.linspace(-FIELD[1], FIELD[1], lines + 1), 2)
    x = np.tile([-FIELD[0], FIELD[0], FIELD[0], -FIELD[0]], lines // 2 + 1)[: len(y)]
    way = np.column_stack([x, y])[: moves // 2 + 1]
    write_program(folder, np.concatenate([way, way[-2::-1]]))
    write_setup(folder, [])


def again_and_again(folder: Path, moves: int) -> None:
    """The same hundred lines across the field over and over; they cross each other."""
    rng = np.random.default_rng(5)
    corners = rng.uniform(-1.0, 1.0, (100, 2)) * FIELD
    write_program(folder, np.concatenate([corners] * (moves // 100) + [corners[:1]]))
    write_setup(folder, [])


def ring(folder: Path, moves: int) -> None:
    """A simple closed ring."""
    write_program(folder, ring_of(moves))
    write_setup(folder, [])


def crossing(folder: Path, moves: int) -> None:
    """A path that crosses itself everywhere: chords across the field, each turned by the golden section."""
    step = 2 * np.pi * (np.sqrt(5.0) - 1.0) / 2.0
    turn = step * np.arange(moves + 1)
    write_program(folder, np.column_stack([np.cos(turn), np.sin(turn)]) * FIELD)
    write_setup(folder, [])


# ------------------------------------------------------------------------------------------ models
def ball(triangles: int, radius: float) -> Array:
    """A ball of about so many facets (N, 3, 3) about the origin, by meridians and parallels."""
    rows = max(3, round(math.sqrt(triangles / 4.0)))
    polar = np.linspace(0.0, np.pi, rows + 1)
    around = np.linspace(0.0, 2 * np.pi, 2 * rows + 1)
    ring_x, ring_y = np.cos(around), np.sin(around)
    ring_x[-1], ring_y[-1] = ring_x[0], ring_y[0]
    s = np.sin(polar)
    s[-1] = 0.0
    grid = np.stack(
        np.broadcast_arrays(s[:, None] * ring_x, s[:, None] * ring_y, np.cos(polar)[:, None]), axis=-1
    )
    a, b, c, d = grid[:-1, :-1], grid[1:, :-1], grid[1:, 1:], grid[:-1, 1:]
    facets = np.concatenate([np.stack([a, b, c], axis=2)[:-1].reshape(-1, 3, 3),
                             np.stack([a, c, d], axis=2)[1:].reshape(-1, 3, 3)])  # fmt: skip
    return facets * radius


def two_models(folder: Path, triangles: int) -> None:
    """Two plain blocks of very many facets beside the plate that stand in each other."""
    write_stl(
        folder / "block.stl", gridded_plate(round(math.sqrt(triangles / 12))) * np.array([0.1, 0.1, 1.0])
    )
    write_program(folder, ring_of(100))
    model = 'model = "block.stl"\nunits = "mm"'
    write_setup(folder, [item("left", model, (500, 100, 0)), item("right", model, (515, 107, 3))])


def two_balls(folder: Path, triangles: int) -> None:
    """Two balls of very many facets, each through the middle of the other: all facets are equally far."""
    write_stl(folder / "ball.stl", ball(triangles, 20.0))
    write_program(folder, ring_of(100))
    model = 'model = "ball.stl"\nunits = "mm"'
    write_setup(folder, [item("left", model, (500, 100, 20)), item("right", model, (520, 100, 20))])


def nine_in_part(folder: Path, triangles: int) -> None:
    """Nine models of holders that all cut into a part of very many facets."""
    nine_beside_part(folder, triangles, -3.0)


def nine_beside_part(folder: Path, triangles: int, gap: float = 5.0) -> None:
    """The same, ``gap`` mm beside the part."""
    write_stl(folder / "plate.stl", gridded_plate(round(math.sqrt(triangles / 12))))
    write_stl(folder / "stop.stl", ball(2_000, 20.0))
    write_program(folder, ring_of(100))
    model = 'model = "stop.stl"\nunits = "mm"'
    low, high = PLATE_AT[0] + 30, PLATE_AT[0] + PLATE[0] - 30
    items = [
        item(f"stop {k}", model, (x, PLATE_AT[1] - 20 - gap, 12))
        for k, x in enumerate(np.linspace(low, high, 5))
    ]
    items += [item(f"back {k}", model, (x, PLATE_AT[1] + PLATE[1] + 20 + gap, 12))
              for k, x in enumerate(np.linspace(low, high, 4))]  # fmt: skip
    write_setup(folder, items, rails=False)


def many_shells(folder: Path, shells: int) -> None:
    """A part that is a plate and so many closed specks beside it, each a shell of its own."""
    speck = gridded_plate(1) / PLATE * 0.2
    at = np.stack(np.meshgrid(np.arange(200), np.arange(-(-shells // 200)), indexing="ij"), axis=-1).reshape(
        -1, 2
    )
    at = np.column_stack([at[:shells] * [1.0, 0.4], np.full(shells, 30.0)])
    write_stl(
        folder / "plate.stl",
        np.concatenate([gridded_plate(1), (at[:, None, None] + speck).reshape(-1, 3, 3)]),
    )
    write_program(folder, ring_of(100))
    write_setup(folder, [])


# ------------------------------------------------------------------------------------------ setups
def chain(folder: Path, items: int) -> None:
    """Packings that stand on one another, each on the one before."""
    write_program(folder, ring_of(100))
    box = 'holder = "spacer"'
    first = item("packing 0", box, (500, 100, 0))
    on = [f'on = "packing {k}"\nseat = "top"' for k in range(items - 1)]
    more = [item(f"packing {k}", box, (0, 0, 0), each) for k, each in enumerate(on, 1)]
    write_setup(folder, [first, *more])


def laid(folder: Path, items: int) -> None:
    """Loose blocks on the plate around the field."""
    write_program(folder, ring_of(2_000))
    turn = np.linspace(0.0, 2 * np.pi, items, endpoint=False)
    at = MIDDLE + np.column_stack([np.cos(turn), np.sin(turn)]) * (FIELD + 45.0)
    blocks = [item(f"block {k}", "shape = { box = [3, 3, 9] }\nlaid = true", (x, y, PLATE[2])) for k, (x, y)
              in enumerate(at)]  # fmt: skip
    write_setup(folder, blocks)


def start_holes(folder: Path, holes: int) -> None:
    """A program of so many small openings, each with a start hole that the setup names."""
    side = math.ceil(math.sqrt(holes))
    at = (
        np.stack(np.meshgrid(*[np.linspace(-1, 1, side)] * 2, indexing="ij"), axis=-1).reshape(-1, 2)[:holes]
        * FIELD
    )
    ways = [f"G00 X{x:.4f} Y{y:.4f}\nG01 X{x + 0.4:.4f}\nY{y + 0.4:.4f}\nX{x - 0.4:.4f}\nY{y - 0.4:.4f}\n"
            f"X{x + 0.4:.4f}\nY{y:.4f}" for x, y in at.tolist()]  # fmt: skip
    (folder / "cut.nc").write_text("\n".join(["%", "G90", *ways, "M02", "%", ""]))
    corner = MIDDLE - PLATE_AT[:2]
    named = ", ".join(f"{{ at = [{x:.4f}, {y:.4f}], diameter = 0.5 }}" for x, y in (at + corner).tolist())
    write_setup(folder, [], start_holes=f"[{named}]")


def drawing(folder: Path, entities: int) -> None:
    """A ring drawn with so many lines, each on its own, in no order."""
    points = ring_of(entities)
    order = np.random.default_rng(2).permutation(entities)
    rows = np.column_stack([points[:-1], points[1:]])[order].tolist()
    lines = "".join(
        f"  0\nLINE\n  8\ncut\n 10\n{a:.9f}\n 20\n{b:.9f}\n 30\n0.0\n 11\n{c:.9f}\n 21\n{d:.9f}\n 31\n0.0\n"
        for a, b, c, d in rows
    )
    point = "  0\nPOINT\n  8\ncut\n 10\n0.0\n 20\n0.0\n 30\n0.0\n"
    top = "  0\nSECTION\n  2\nHEADER\n  9\n$INSUNITS\n 70\n4\n  0\nENDSEC\n"
    (folder / "cut.dxf").write_text(
        f"{top}  0\nSECTION\n  2\nENTITIES\n{lines}{point}  0\nENDSEC\n  0\nEOF\n"
    )
    write_setup(folder, [], cut='path = "cut.dxf"\nlayers = ["cut"]')


KINDS: dict[str, Callable[[Path, int], None]] = {
    each.__name__: each
    for each in (
        there_and_back, again_and_again, ring, crossing, two_models, two_balls, nine_in_part,
        nine_beside_part, many_shells, chain, laid, start_holes, drawing,
    )
}  # fmt: skip


def write(kind: str, size: int, folder: Path) -> Path:
    """Write the input into a new folder; its setup file."""
    folder.mkdir(parents=True, exist_ok=True)
    KINDS[kind](folder, size)
    return folder / "setup.toml"


if __name__ == "__main__":
    write(sys.argv[1], int(sys.argv[2]), Path(sys.argv[3]))
