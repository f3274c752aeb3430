"""A plate whose true pose is known, and forms with what an instrument would read at it, by closed forms."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from tests.setup_writer import DIE, Tables, setup, write

Array = NDArray[np.float64]

HEAD = "part,group,place,x,y,z,nx,ny,nz,reading,u\n"
#: where the plate's origin is planned in the machine, on the rail of ``setup_writer``
ORIGIN = np.array([90.0, 40.0, 0.0])


def places(
    tops: int = 4, origin: Array = ORIGIN, size: tuple[float, float, float] = DIE
) -> list[tuple[str, Array, Array]]:
    """(name, point, normal) on top, front and left of a block."""
    x, y, z = size
    on_top = [(8, 8), (x - 8, 8), (x - 8, y - 8), (8, y - 8), (x / 2, y / 2)][:tops]
    out = [(f"top {k}", np.array([a, b, z]), np.array([0.0, 0, 1])) for k, (a, b) in enumerate(on_top, 1)]
    for k, (a, c) in enumerate([(8, 4), (x / 2, z - 4), (x - 8, 4)], 1):
        out.append((f"front {k}", np.array([a, 0, c]), np.array([0.0, -1, 0])))
    for k, (b, c) in enumerate([(8, z - 4), (y - 8, 4)], 1):
        out.append((f"left {k}", np.array([0, b, c]), np.array([-1.0, 0, 0])))
    return [(name, p + origin, n) for name, p, n in out]


def read_at(p: Array, n: Array, T: Array) -> float:
    """What a pointed stylus reads along ``n`` at the plane through ``p`` that ``T`` has moved."""
    moved, normal = T[:3, :3] @ p + T[:3, 3], T[:3, :3] @ n
    return float(normal @ (moved - p) / (normal @ n))


def motion(about: Array, shift: Array, degrees: Array) -> Array:
    """(4, 4) a turn by a rotation vector about a point, then a shift."""
    T = np.eye(4)
    T[:3, :3] = Rotation.from_rotvec(np.radians(degrees)).as_matrix()
    T[:3, 3] = about + shift - T[:3, :3] @ about
    return T


def form_text(
    part: str,
    T: Array,
    touched: list[tuple[str, Array, Array]],
    u: float = 0.005,
    noise: Array | None = None,
    group: str = "",
) -> str:
    """A form with the readings at a part that T has moved; with a group, each less the first of them."""
    reading = np.array([read_at(p, n, T) for _, p, n in touched])
    reading = reading - (reading[0] if group else 0.0) + (0.0 if noise is None else noise)
    rows = [
        f"{part},{group},{name},{','.join(f'{c:.12g}' for c in (*p, *n))},{r:.12g},{u:g}"
        for (name, p, n), r in zip(touched, reading, strict=True)
    ]
    return HEAD + "\n".join(rows) + "\n"


def plate_setup(folder: Path, tables: Tables | None = None) -> Path:
    """The setup of ``setup_writer``, in a folder."""
    return write(folder, setup() if tables is None else tables)


def at_and_turn(T_SP: Array) -> tuple[list[float], list[float]]:
    """``at`` and ``turn`` of an item with a pose (4, 4) on its seat, about the fixed X, then Y, then Z."""
    turn = Rotation.from_matrix(T_SP[:3, :3]).as_euler("xyz", degrees=True)
    return [float(c) for c in T_SP[:3, 3]], [float(a) for a in turn]
