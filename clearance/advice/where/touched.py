"""An item, and another that it touches, go in; what of the other one it touches comes out, in words.

A holder of the library names its faces by its seats: the pads of a rail, say. What is touched on the side is
the face of a seat where the item comes to its edge just below it.
"""

from __future__ import annotations

import numpy as np

from clearance.mesh.sections import region
from clearance.process.support import TOUCHES
from clearance.scene.model import Body

#: so far below a seat's face it is looked at what stands beside it, mm
BELOW = 0.2
#: a face lies at its seat's height where it is no farther off, mm
LEVEL = 1e-3


def touched(item: Body, other: Body) -> str:
    """What of another item is touched: a face that one of its seats names, and of whom; else just whom.

    Args:
        item: where it stands.   other: that it touches.
    """
    import shapely

    whole = f'"{other.name}"'
    faces: dict[str, float] = {}
    for name, T_MS in other.seats_M.items():
        if name == "top" or T_MS[2, 2] < 1.0 - 1e-6:
            continue
        x, y, z = T_MS[:3, 3]
        level = other.triangles_M[(np.abs(other.triangles_M[..., 2] - z) < LEVEL).all(axis=1)]
        flat = shapely.union_all(shapely.polygons(level[..., :2]), grid_size=1e-6)
        own = [piece for piece in shapely.get_parts(flat) if shapely.intersects_xy(piece, x, y)]
        beside = region(item.triangles_M, float(z) - BELOW, item.aabbs)
        if own and not beside.is_empty:
            faces[name] = float(shapely.distance(own[0], beside))
    name = min(faces, key=lambda each: faces[each], default="")
    near = TOUCHES + item.allow.side + other.allow.side
    return f"{name} of {whole}" if name and faces[name] <= near else whole
