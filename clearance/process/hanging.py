"""A part that nothing carries goes in; how much of it jaws or a ring hold, and if that is little, come out.

Where the part's sides come within touching of a holder is looked at in the slices by which a grip is told: a
thin collar between two even ones would grip and not be seen here.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from clearance.geometry.planar import common, edges
from clearance.process.holding import ContactCache, from_both_sides
from clearance.process.statics import Resultant, hull, outside_statics
from clearance.process.support import SHIM, TOUCHES, Contacts
from clearance.records import record

#: what stands so far over all that would carry it is pulled down by what clamps it, mm (common practice, no
#: source: twice what is touching, a round bar in a V is measured no better)
SINKS = 0.1
#: what hangs in jaws that grip less of its height, mm and share of it, is hardly gripped (common practice, no
#: source: jaws want some millimetres, and of what is thin they have all that there is)
LOW, SHARE = 3.0, 0.2
#: out of a bore the middle of a part may stand so many times as far as the part is in it (common practice, no
#: source: what is in it by less tilts by its play)
OUT_OF_BORE = 5.0
#: heights are told as finely, mm
ROUNDED = 1e-3


@record
class Gripped:
    """What jaws hold of a part.

    Attributes:
        height: over which they touch it from both sides, mm.   of: its own height, mm.
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
        touch = TOUCHES + bodies[part].allow.side + bodies[k].allow.side
        here, over, both = [], 0.0, 0.0
        for z, stands_for in zip(*contacts.levels(part, k), strict=True):
            inside, outside = contacts.slice(part, float(z)), contacts.slice(k, float(z))
            inside = inside if metal is None else common(inside, metal)
            if inside.is_empty or outside.is_empty:
                continue
            near = edges(inside).intersection(outside.buffer(touch + min(air, SHIM), quad_segs=4))
            if near.length > 0.0:
                here.append(near)
                over += float(stands_for)
                both += float(stands_for) if from_both_sides(inside, outside, near, touch) else 0.0
        # jaws that touch it from around at several heights grip it at none of them alone
        height = max(height, both or over)
        length += max((one.length for one in here), default=0.0) / 2.0
        lines += here
    return Gripped(height, top - bottom, length, shapely.union_all(lines))


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


def too_little(held: Gripped, weight: Resultant, carried: bool, bore: bool = False) -> str:
    """Why so much is hardly a grip; "" where it is one.

    Args:
        held: what the jaws touch.   weight: of the part, where it acts.
        carried: something else carries or presses the part, so that its height is not asked.
        bore: it is held in one, with metal below and above: that is not asked then, either.
    """
    import shapely

    if held.where.is_empty:
        return "on none of its height that was looked at"
    beside = outside_statics(weight.at, hull(shapely.get_coordinates(held.where)))
    if beside > held.length * (OUT_OF_BORE if bore else 1.0):
        return (
            f"on {held.length:.1f} mm along its sides, and its centre of gravity is {beside:.1f} mm beside "
            "them: it would tip or turn out of them"
        )
    if not (carried or bore) and held.height < min(LOW, SHARE * held.of) - ROUNDED:
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
