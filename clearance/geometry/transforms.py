"""Rigid poses that compose by their letters, and the box about points.

An item's ``at`` and ``turn`` go in, a 4x4 matrix comes out; points go in, the corners of the box about them
come out.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Matrix = NDArray[np.float64]


def exact_cos_sin(angle_deg: float) -> tuple[float, float]:
    """Cosine and sine, exact at multiples of 90 degrees so that a turned block keeps flat faces.

    Args:
        angle_deg: degrees.
    """
    quarter, rest = divmod(angle_deg, 90.0)
    if rest == 0.0:
        return ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))[int(quarter) % 4]
    angle = np.radians(angle_deg)
    return float(np.cos(angle)), float(np.sin(angle))


def turn_matrix(turn: Sequence[float]) -> Matrix:
    """Rotation (3, 3) that turns about the fixed X, then Y, then Z axis; ``turn`` is degrees (3,)."""
    (cx, sx), (cy, sy), (cz, sz) = (exact_cos_sin(float(a)) for a in turn)
    about_x = np.array([[1, 0, 0], [0, cx, -sx], [0, sx, cx]], dtype=float)
    about_y = np.array([[cy, 0, sy], [0, 1, 0], [-sy, 0, cy]], dtype=float)
    about_z = np.array([[cz, -sz, 0], [sz, cz, 0], [0, 0, 1]], dtype=float)
    return np.asarray(about_z @ about_y @ about_x)


def pose(at: Sequence[float] = (0, 0, 0), turn: Sequence[float] = (0, 0, 0)) -> Matrix:
    """The pose (4, 4) of an item on its seat: turned first, then moved to ``at`` (mm).

    Args:
        at: the origin, mm, in the frame of the seat.
        turn: degrees about the fixed X, then Y, then Z of the seat.
    """
    T = np.eye(4)
    T[:3, :3] = turn_matrix(turn)
    T[:3, 3] = at
    return T


def apply(T_AB: Matrix, p_B: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points (..., 3) given in frame B, in frame A.

    Args:
        T_AB: the pose (4, 4) of B in A, rigid.
        p_B: points, mm, in B; any leading shape.
    """
    R = T_AB[:3, :3]
    if np.array_equal(R, np.eye(3)):
        return p_B + T_AB[:3, 3]
    return p_B @ R.T + T_AB[:3, 3]


def invert(T_AB: Matrix) -> Matrix:
    """The pose of A in B. Rigid poses only.

    Args:
        T_AB: (4, 4), from coordinates in B to those in A, mm.
    """
    T_BA = np.eye(4)
    T_BA[:3, :3] = T_AB[:3, :3].T
    T_BA[:3, 3] = -T_AB[:3, :3].T @ T_AB[:3, 3]
    return T_BA


Array = NDArray[np.float64]


def extent(points: Array, and_points: Array | None = None) -> tuple[Array, Array]:
    """Lowest and highest corner (d,) of points (..., d); infinite, the wrong way round, of none.

    Column by column: numpy takes ten times as long over rows of three.

    Args:
        and_points: where given, the highest corner is that of these.
    """
    columns = range(points.shape[-1])
    last = points if and_points is None else and_points
    low = np.array([points[..., k].min(initial=np.inf) for k in columns])
    return low, np.array([last[..., k].max(initial=-np.inf) for k in columns])
