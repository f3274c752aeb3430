"""What a hand lays, magnets above all, and what is there go in; whether it holds to anything, which magnets
do not hold a part that they touch, and why, come out.

A magnet holds iron, and holds it to iron: of one that stands on an aluminium fixture the part is held, and
both slide (common practice, no source). It pulls with so much on each square millimetre on which metal lies,
in the middle of that. With these forces and its weight a body stands where the resultant goes through the
hull of what carries it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from clearance.geometry.planar import common
from clearance.mesh.mass import density_of, is_magnetic
from clearance.mesh.sections import Outline
from clearance.process.holding import MEETS, ContactCache
from clearance.process.statics import EDGE, GRAVITY, Array, hull, outside_statics
from clearance.process.support import Contact
from clearance.scene.model import Body
from clearance.scene.stability import LEVER, attracts, is_magnet, reach, table_is_described

#: with which a magnet pulls, N/mm2: a fourth of what magnetic chucks are rated at on thick, ground steel
#: (common practice, no source: 80 to 100 N/cm2)
PULL = 0.2


def meets_another(contact: ContactCache, laid: int, present: Iterable[int]) -> bool:
    """Whether what is laid touches anything besides parts, a magnet iron; else it holds to nothing.

    Where nothing that is described meets it, and no table is, one at the table's height stands on that.

    Args:
        contact: of the scene.   laid: index of a body.   present: indices of those that are there.
    """
    bodies = contact.bodies
    low, high = bodies[laid].aabbs.box
    met = [
        bodies[k]
        for k in present
        if k != laid and bodies[k].kind in ("holder", "machine")
        if len(bodies[k].aabbs.meeting(low - MEETS, high + MEETS))
    ]
    if not met:
        at_its_height = abs(float(low[2]) - contact.table) <= MEETS
        return at_its_height and not table_is_described(bodies, contact.table)
    return not is_magnet(bodies[laid]) or any(is_magnetic(one.material, one.density) for one in met)


def idle_magnets(
    contact: ContactCache, part: int, outline: Outline, present: Sequence[int]
) -> tuple[str, ...]:
    """Names of the magnets that touch a part and do not hold it.

    Args:
        contact: of the scene.   part: index of its body.   outline: of what is left of it.
        present: indices of the bodies that are there.
    """
    bodies = contact.bodies
    return tuple(
        bodies[k].name
        for k in present
        if is_magnet(bodies[k])
        and not (attracts(bodies[k], bodies[part]) and meets_another(contact, k, present))
        and contact.contacts.meet(part, outline, k)
    )


def why_idle(contact: ContactCache, part: int, idle: Sequence[str]) -> str:
    """That magnets do not hold it, in brackets; "" where there are none.

    Args:
        contact: of the scene.   part: index of its body.   idle: their names.
    """
    if not idle:
        return ""
    names = " and ".join(f'"{name}"' for name in idle)
    one = len(idle) == 1
    body = contact.bodies[part]
    index = {each.name: each for each in contact.bodies}
    if all(attracts(index[name], body) for name in idle):
        return f" ({names} {'holds' if one else 'hold'} to nothing else that is of iron)"
    return f" ({names} {'does' if one else 'do'} not hold {body.material or 'what it is made of'})"


def pulled_too_little(
    contact: ContactCache, part: int, magnets: Mapping[int, Any], at: Array, mass: float, corners: Array
) -> str:
    """Why magnets that alone hold a part hardly do; "" where they do.

    Args:
        contact: of the scene.   part: index of its body.   magnets: where they touch it (shapely), by index.
        at: its centre of gravity (2,).   mass: that hangs on them, kg; 0 where something carries it.
        corners: (N, 2) of what carries it; may be none.
    """
    import shapely

    bodies = contact.bodies
    most, along = 0.0, 0.0
    for k in magnets:
        kind = bodies[k].library
        limits = [one.high for one in (() if kind is None else kind.limits) if one.quantity == "mass"]
        most += min((high for high in limits if high is not None), default=float("inf"))
        low, high = (np.array([bodies[j].aabbs.box[end][2] for j in (part, k)]) for end in (0, 1))
        along = max(along, float(high.min() - low.max()))
    if mass > most:
        return f"it weighs {mass:.1f} kg and nothing carries it; {most:g} kg at most"
    places = shapely.get_coordinates(shapely.union_all(list(magnets.values())))
    held = hull(np.concatenate([places, corners]))
    beside = outside_statics(at, held)
    along = max(along, reach(held, at))
    if beside <= LEVER * along:
        return ""
    return (
        f"on {along:.1f} mm, and its centre of gravity is {beside:.1f} mm beside that: it would tip or turn"
    )


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


def too_weak(
    contact: ContactCache,
    part: int,
    present: Sequence[int],
    force: float,
    at: Array,
    corners: Array,
    left: Callable[[Any], Any],
) -> list[str]:
    """The magnets under a part that keep it from tipping not even all together; none where they do.

    Args:
        contact: of the scene.   part: index of its body.   present: of those that are there.
        force, at: as for ``magnets_keep``.   corners: (N, 2) of what carries it.
        left: of places on the part those where it still has metal.
    """
    import shapely

    under = {
        contact.bodies[k].name: left(contact.bearing(part, k).touching)
        for k in present
        if k != part and contact.role(k, part).pulls and contact.role(k, part).grips
    }
    under = {name: where for name, where in under.items() if not where.is_empty}
    bed = shapely.multipoints(corners)
    return [] if not under or magnets_keep(force, at, list(under.values()), bed) else list(under)


def that_hold(bodies: Sequence[Body], part: int, on: Sequence[Contact], piece: Any) -> list[str]:
    """The magnets under a piece that comes free; none where they do not keep it from tipping.

    Args:
        bodies: of the scene.   part: index of the one that it is cut from.   on: what touches the piece.
        piece: seen from above (shapely); None: it is more than was looked at.
    """
    import shapely

    body, under = bodies[part], [c for c in on if c.under]
    magnets = [c for c in under if attracts(bodies[c.body], body)]
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
