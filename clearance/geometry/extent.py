"""Points go in, the lowest and highest corner of the box about them comes out."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

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
