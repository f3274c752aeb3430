"""A job that is enough work for several processes: a ring of 2 000 moves on a plate, six bodies about it."""

from __future__ import annotations

from math import cos, pi, sin
from pathlib import Path

from tests.test_cli_bad_input import MACHINE, SETUP, plate

MOVES = 2000


def write_ring_job(folder: Path) -> Path:
    """Write it to a folder; the setup's file. It is clear."""
    ring = [
        (20.0 + 15.0 * cos(2 * pi * k / MOVES), 10.0 + 15.0 * sin(2 * pi * k / MOVES)) for k in range(MOVES)
    ]
    ring.append(ring[0])
    blocks = "".join(
        f'\n[[items]]\nname = "block {k}"\nshape = {{ box = [20, 20, 15] }}\nat = [{x}, {y}, 0]\n'
        for k, (x, y) in enumerate([(-60, 40), (-60, 80), (150, 10), (150, 60)], 2)
    )
    (folder / "setup.toml").write_text(SETUP.replace("\n[[cuts]]", blocks + "\n[[cuts]]"))
    (folder / "machine.toml").write_text(MACHINE)
    lines = [f"N{k} G{k > 1:02d} X{x:.4f} Y{y:.4f}" for k, (x, y) in enumerate(ring, 1)]
    (folder / "opening.nc").write_text("\n".join(["G90", *lines, ""]))
    (folder / "plate.stl").write_bytes(plate())
    return folder / "setup.toml"
