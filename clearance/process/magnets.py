"""What a hand lays, magnets above all, and what is there go in; whether it holds to anything, which magnets
do not hold a part that they touch, and why, come out.

A magnet holds iron, and holds it to iron: of one that stands on an aluminium fixture the part is held, and
both slide (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any

import numpy as np

from clearance.mesh.mass import is_magnetic
from clearance.mesh.sections import Outline
from clearance.process.holding import ContactCache
from clearance.process.pull import holds_to_another, magnets_keep
from clearance.process.removal import Removals
from clearance.process.statics import Array, hull, outside_statics
from clearance.scene.model import Body, Finding, Scene
from clearance.scene.stability import LEVER, attracts, is_magnet, reach

#: what shares more height with a part than this touches its side, mm
BESIDE = 0.1


def meets_another(contact: ContactCache, laid: int, present: Iterable[int]) -> bool:
    """Whether what is laid touches anything besides parts, a magnet iron; else it holds to nothing.

    Args:
        contact: of the scene.   laid: index of a body.   present: indices of those that are there.
    """
    return holds_to_another(contact.bodies, laid, present, contact.table)


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


def unsaid(body: Body) -> str:
    """That nothing says whether a magnet holds a part, with what cures it; "" where something does.

    Args:
        body: of a part.
    """
    known = body.material is not None or body.density is not None
    return "" if known else 'and nothing says that it is of iron: say what it is made of (material = "steel")'


def magnet_findings(scene: Scene, told: Removals) -> list[Finding]:
    """Magnets at parts that no magnet holds: they are passed over wherever it matters what holds a part.

    Args:
        scene: as planned.   told: what its runs part.
    """
    found: dict[str, Finding] = {}
    for stretch in scene.stretches:
        magnets = [k for k in stretch.bodies if is_magnet(scene.bodies[k])]
        for part in stretch.cut_bodies:
            body = scene.bodies[part]
            if not magnets or part not in told.outlines or is_magnetic(body.material, body.density):
                continue
            what = body.material or f"what weighs {body.density:g} g/cm3"
            for k in magnets:
                name = scene.bodies[k].name
                if name not in found and told.contacts.meet(part, told.outlines[part], k):
                    message = f'does not hold "{body.name}": {what} is not held by a magnet'
                    # beside it, it may be meant for a stop: whether the part is held is asked elsewhere
                    stop = _beside(scene.bodies[k], body)
                    message += "; it is no more than a stop there" if stop else ""
                    severity = "note" if stop else "close"
                    found[name] = Finding("does not hold", severity, message, name, stretch.name)
    return list(found.values())


def _beside(magnet: Body, part: Body) -> bool:
    """Whether what touches a part does so at its side: they share some height."""
    (low, high), (bottom, top) = ([float(end[2]) for end in one.aabbs.box] for one in (magnet, part))
    return min(high, top) - max(low, bottom) > BESIDE
