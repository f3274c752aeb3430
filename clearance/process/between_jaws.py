"""A part that stands in a row between jaws, beside other parts or strips of copper, goes in; how the jaws
grip it by way of these comes out.

All that touches, one behind the other, is one body to the jaws. The way through it from jaw to jaw has to
pass through the part: what is gripped in front of it holds it no better than a stop.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from math import inf, isfinite
from typing import Any

from clearance.geometry.planar import common, edges
from clearance.process.holding import MEETS, Grip, air_between
from clearance.process.support import SHIM, TOUCHES, Contacts
from clearance.scene.model import Body
from fixtures_lib.holder import Does, Fastened


def in_the_row(bodies: Sequence[Body], part: int, jaws: int, present: Sequence[int]) -> list[int]:
    """What may stand between jaws and a part: no part, and nothing that is screwed down.

    Args:
        bodies: of the scene.   part, jaws: indices of theirs.   present: of those that are there.
    """
    low, high = bodies[jaws].aabbs.box
    return [
        k
        for k in present
        if k not in (part, jaws) and bodies[k].kind in ("holder", "laid") and _loose(bodies[k])
        if len(bodies[k].aabbs.meeting(low - MEETS, high + MEETS))
    ]


def _loose(body: Body) -> bool:
    kind = body.library
    return kind is None or (kind.fastened is Fastened.STANDS and bool(kind.does & Does.CARRIES))


def grip_in_a_row(
    contacts: Contacts, part: int, jaws: int, others: Mapping[int, Any], metal: Any = None
) -> Grip:
    """How jaws grip a part by way of what stands beside it.

    Args:
        contacts: of the scene.   part, jaws: indices of bodies.
        others: what stands beside it, and what is left of each, from above (shapely); None: all of it.
        metal: what is left of the part, likewise.
    """
    bodies = contacts.bodies
    touch = TOUCHES + bodies[part].allow.side + bodies[jaws].allow.side
    least = inf
    for z in sorted({float(z) for k in (jaws, *others) for z in contacts.levels(part, k)[0]}):
        own, outside = _slice(contacts, part, z, metal), contacts.slice(jaws, z)
        if own.is_empty or outside.is_empty:
            continue
        beside = [_slice(contacts, k, z, left) for k, left in others.items()]
        row = _row(own, [one for one in beside if not one.is_empty], touch)
        if row is not own:
            near = edges(row).intersection(outside.buffer(SHIM + touch, quad_segs=4))
            least = min(least, air_between(row, outside, near, touch, own))
        if least == 0.0:
            break
    return Grip(least, isfinite(least))


def _slice(contacts: Contacts, k: int, z: float, metal: Any) -> Any:
    whole = contacts.slice(k, z)
    return whole if metal is None or whole.is_empty else common(whole, metal)


def _row(own: Any, beside: list[Any], touch: float) -> Any:
    """A slice of the part with all that touches it, directly or by way of others."""
    row, begun = own, True
    while begun:
        joins = [one for one in beside if row.distance(one) <= touch]
        beside = [one for one in beside if row.distance(one) > touch]
        begun = bool(joins)
        for one in joins:
            row = row.union(one)
    return row
