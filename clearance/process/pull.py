"""What lies on magnets goes in; whether their pull keeps it from tipping off them comes out.

A magnet pulls with so much on each square millimetre on which metal lies, in the middle of that. With these
forces and its weight a body stands where the resultant goes through the hull of what carries it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.planar import common
from clearance.mesh.mass import GRAVITY, density_of, is_magnetic
from clearance.process.holding import MEETS
from clearance.process.support import Contact
from clearance.scene.model import Body
from clearance.scene.stability import EDGE, attracts, is_magnet, table_is_described

Array = NDArray[np.float64]

#: with which a magnet pulls, N/mm2: a fourth of what magnetic chucks are rated at on thick, ground steel
#: (common practice, no source: 80 to 100 N/cm2)
PULL = 0.2


def magnets_keep(force: float, at: Array, touching: Sequence[Any], bed: Any) -> bool:
    """Whether magnets keep a body from tipping.

    Args:
        force: its weight, N, down.   at: (2,) where it acts, machine X Y.
        touching: on each magnet the region on which it lies (shapely).   bed: of all that carries it.

    >>> import shapely
    >>> ten = shapely.box(0, 0, 10, 10)
    >>> magnets_keep(8.0, np.array([20.0, 5.0]), [ten], ten)  # 20 N at X 5, 8 N at X 20: together at X 9.3
    True
    >>> magnets_keep(12.0, np.array([20.0, 5.0]), [ten], ten)  # at X 10.6
    False
    """
    import shapely

    total, moment = force, force * np.asarray(at, dtype=float)[:2]
    for each in touching:
        pull = PULL * float(each.area)
        total, moment = total + pull, moment + pull * shapely.get_coordinates(shapely.centroid(each))[0]
    if total <= 0.0:
        return True
    return bool(shapely.convex_hull(bed).distance(shapely.Point(moment / total)) <= EDGE)


def holds_to_another(bodies: Sequence[Body], laid: int, present: Iterable[int], table: float) -> bool:
    """Whether what is laid touches anything besides parts, a magnet iron.

    Where nothing that is described meets it, and no table is, one at the table's height stands on that.

    Args:
        bodies: of the scene.   laid: index of one.   present: indices of those that are there.
        table: machine Z of its top.
    """
    low, high = bodies[laid].aabbs.box
    met = [
        bodies[k]
        for k in present
        if k != laid and bodies[k].kind in ("holder", "machine")
        if len(bodies[k].aabbs.meeting(low - MEETS, high + MEETS))
    ]
    if not met:
        at_its_height = abs(float(low[2]) - table) <= MEETS
        return at_its_height and not table_is_described(bodies, table)
    return not is_magnet(bodies[laid]) or any(is_magnetic(one.material, one.density) for one in met)


def that_hold(
    bodies: Sequence[Body], part: int, on: Sequence[Contact], piece: Any, present: Sequence[int], table: float
) -> list[str]:
    """The magnets under a piece that comes free; none where they do not keep it from tipping.

    Args:
        bodies: of the scene.   part: index of the one that it is cut from.   on: what touches the piece.
        piece: seen from above (shapely); None: it is more than was looked at.
        present, table: as for ``holds_to_another``.
    """
    import shapely

    body, under = bodies[part], [c for c in on if c.under]
    magnets = [c for c in under if attracts(bodies[c.body], body)]
    magnets = [c for c in magnets if holds_to_another(bodies, c.body, present, table)]
    names = [c.name for c in magnets]
    if not magnets or piece is None:
        return names
    density = density_of("steel") if body.density is None else body.density
    high = float(body.aabbs.box[1][2] - body.aabbs.box[0][2])
    weight = float(piece.area) * high * density * 1e-6 * GRAVITY
    middle = shapely.get_coordinates(shapely.centroid(piece))[0]
    bed = shapely.union_all([common(c.where, piece) for c in under])
    kept = magnets_keep(weight, middle, [common(c.where, piece) for c in magnets], bed)
    return names if kept else []
