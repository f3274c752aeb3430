"""A part that nothing carries goes in; how much of it jaws or a ring hold, and if that is little, come out.

Where the part's sides come within touching of a holder is looked at in slices of the height that both share.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from clearance.geometry.planar import common, edges
from clearance.process.holding import ContactCache
from clearance.process.statics import Array, Resultant, hull, outside_statics
from clearance.process.support import SHIM, TOUCHES, Contacts
from clearance.records import record

#: what stands so far over all that would carry it is pulled down by what clamps it, mm (common practice, no
#: source: twice what is touching, a round bar in a V is measured no better)
SINKS = 0.1
#: slices at which the sides are looked at
SLICES = 8
#: slices at which it is asked how much of each side jaws touch
FEW = 3
#: a side faces a jaw where the cosine of the angle between is more
FACES = 0.7
#: what hangs in jaws that grip less of its height, mm and share of it, is hardly gripped (common practice, no
#: source: jaws want some millimetres, and of what is thin they have all that there is)
LOW, SHARE = 3.0, 0.2


@record
class Gripped:
    """What jaws hold of a part.

    Attributes:
        height: over which they touch it, mm.   of: its own height, mm.
        length: along which they touch it, mm: half of all, as jaws touch two sides.
        where: lines on which they do, seen from above (shapely; may be empty).
    """

    height: float
    of: float
    length: float
    where: Any


def held_by_jaws(contacts: Contacts, part: int, jaws: Mapping[int, float], metal: Any = None) -> Gripped:
    """What of a part some holders touch at its sides, or will once they are tightened.

    Args:
        part: index of its body.   jaws: of what grips it, with the air that is to be closed, mm.
        metal: what is left of it, seen from above (shapely); None: all.
    """
    import shapely

    bodies = contacts.bodies
    bottom, top = (float(corner[2]) for corner in bodies[part].aabbs.box)
    height, length, lines = 0.0, 0.0, []
    for k, air in jaws.items():
        touch = TOUCHES + min(air, SHIM) + bodies[part].allow.side + bodies[k].allow.side
        low, high = (float(corner[2]) for corner in bodies[k].aabbs.box)
        low, high = max(low, bottom), min(high, top)
        here = []
        for z in low + (high - low) * (np.arange(SLICES) + 0.5) / SLICES:
            inside = contacts.slice(part, float(z))
            inside = inside if metal is None else common(inside, metal)
            if not inside.is_empty:
                near = edges(inside).intersection(contacts.slice(k, float(z)).buffer(touch, quad_segs=4))
                here += [] if near.length == 0.0 else [near]
        height = max(height, len(here) / SLICES * (high - low))
        length += max((one.length for one in here), default=0.0) / 2.0
        lines += here
    return Gripped(height, top - bottom, length, shapely.union_all(lines))


def turns_out(
    contact: ContactCache, part: int, jaws: Mapping[int, float], weight: Resultant, metal: Any = None
) -> str:
    """Why a part would turn out of jaws that meet its two sides, one of them at an edge; "": it would not.

    A wedge has a jaw along one side, and the other one at its thick end. A round part is met along lines too,
    and these lie beside its middle.

    Args:
        contact: of the scene.   part, jaws, metal: as for ``held_by_jaws``.
        weight: of the part, where it acts.
    """
    contacts, most, far = contact.contacts, 0.0, 0.0
    bottom, top = (float(corner[2]) for corner in contacts.bodies[part].aabbs.box)
    for k, air in jaws.items():
        low, high = (float(corner[2]) for corner in contacts.bodies[k].aabbs.box)
        low, high = max(low, bottom), min(high, top)
        for z in low + (high - low) * (np.arange(FEW) + 0.5) / FEW:
            inside = contacts.slice(part, float(z))
            inside = inside if metal is None else common(inside, metal)
            outside = contacts.slice(k, float(z))
            if inside.is_empty or outside.is_empty:
                continue
            near = edges(inside).intersection(outside.buffer(TOUCHES + min(air, SHIM), quad_segs=4))
            found = _shorter_side(inside, near, weight.at)
            if found is None:
                return ""
            if found[0] > most:
                most, far = found
    if most == 0.0 or most >= LOW or far <= most:
        return ""
    side = f"on {most:.1f} mm of one of its sides, {far:.1f} mm beside its middle"
    return f"{side}: it would turn out of them"


def _shorter_side(inside: Any, near: Any, middle: Array) -> tuple[float, float] | None:
    """Of the two sides on which a slice is touched, the one that is touched less: on how much of it, mm, and
    how far along it the middle is from there; None where it is not touched on two sides that face away from
    each other (from all around, say).

    Args:
        inside: the slice.   near: lines on which it is touched (shapely).   middle: (2,).
    """
    import shapely

    pieces = [one for one in shapely.get_parts(shapely.line_merge(near)) if one.length > 0.0]
    if not pieces:
        return None
    points = [shapely.get_coordinates(one) for one in pieces if one.geom_type == "LineString"]
    starts, ends = (np.concatenate([each[cut] for each in points]) for cut in (np.s_[:-1], np.s_[1:]))
    way = ends - starts
    size = np.hypot(*way.T)
    normal = np.column_stack([way[:, 1], -way[:, 0]]) / np.maximum(size, 1e-300)[:, None]
    inward = shapely.contains_xy(inside, (starts + ends) / 2.0 + 1e-4 * normal)
    facing = np.where(inward, -1.0, 1.0) * (normal @ normal[size.argmax()])
    facing *= np.sign(facing[size.argmax()])
    sides = [facing > FACES, facing < -FACES]
    if not all(side.any() for side in sides):
        return None
    less = min(sides, key=lambda side: float(size[side].sum()))
    along = normal[size.argmax()][::-1] * (-1.0, 1.0)
    low, high = np.sort([starts[less] @ along, ends[less] @ along], axis=None)[[0, -1]]
    return float(size[less].sum()), float(max(low - middle @ along, middle @ along - high, 0.0))


def lies_against(contact: ContactCache, part: int, present: Sequence[int], metal: Any = None) -> bool:
    """Whether a part lies with a side against what it is placed on, an angle plate say, that has no jaws.

    Args:
        contact: of the scene.   part: index of its body.   present: of those that are there.
        metal: what is left of it, seen from above (shapely); None: all.
    """
    below = contact.bodies[part].stands_on
    base = {k: 0.0 for k in present if contact.bodies[k].name == below}
    if any(contact.role(k, part).grips for k in base):
        return False
    return not held_by_jaws(contact.contacts, part, base, metal).where.is_empty


def in_a_bore(contact: ContactCache, part: int, holder: int) -> bool:
    """Whether a holder has a part in it, with metal below and above: a shank may stand out of that.

    Args:
        contact: of the scene.   part, holder: indices of their bodies.
    """
    both = (contact.bearing(part, holder), contact.bearing(holder, part))
    return all(where.touches or not where.near.is_empty for where in both)


def hardly(
    contact: ContactCache,
    part: int,
    jaws: Mapping[int, float],
    weight: Resultant,
    metal: Any = None,
    *,
    carried: bool,
) -> str:
    """Why jaws that alone keep a part from falling or tipping hold too little of it; "": they hold enough.

    Args:
        contact: of the scene.   part, jaws, metal: as for ``held_by_jaws``.
        weight, carried: as for ``too_little``.
    """
    held = held_by_jaws(contact.contacts, part, jaws, metal)
    if held.length >= LOW and any(in_a_bore(contact, part, k) for k in jaws):
        return ""
    return too_little(held, weight, carried)


def too_little(held: Gripped, weight: Resultant, carried: bool) -> str:
    """Why so much is hardly a grip; "" where it is one.

    Args:
        held: what the jaws touch.   weight: of the part, where it acts.
        carried: something else carries or presses the part, so that its height is not asked.
    """
    import shapely

    if held.where.is_empty:
        return ""
    beside = outside_statics(weight.at, hull(shapely.get_coordinates(held.where)))
    if beside > held.length:
        return (
            f"on {held.length:.1f} mm along its sides, and its centre of gravity is {beside:.1f} mm beside "
            "them: it would tip or turn out of them"
        )
    if not carried and held.height < min(LOW, SHARE * held.of):
        return f"on {held.height:.1f} mm of its height of {held.of:.1f}, and nothing carries it"
    return ""


def goes_down(low: float, under: Mapping[str, float]) -> str:
    """What is said of a part that stands a little over all that would carry it.

    Args:
        low: machine Z of its lowest point.   under: what is below it, by name: how far, mm.
    """
    name, gap = min(under.items(), key=lambda one: one[1])
    return (
        f'floats at Z {low:.2f}: nothing touches it from below, "{name}" is {gap:.2f} mm below it, '
        "and it goes down as it is clamped: place it on that, or describe the shims"
    )
