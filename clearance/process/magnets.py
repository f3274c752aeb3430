"""What a hand lays, magnets above all, and what is there go in; whether it holds to anything, which magnets
do not hold a part that they touch, and why, come out.

A magnet holds iron, and holds it to iron: of one that stands on an aluminium fixture the part is held, and
both slide (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from clearance.mesh.mass import is_magnetic
from clearance.mesh.sections import Outline
from clearance.process.holding import MEETS, ContactCache
from clearance.scene.stability import attracts, is_magnet, table_is_described


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
