"""A part that nothing carries goes in; how much of it jaws or a ring hold, and if that is little, come out.

Where the part's sides come within touching of a holder is looked at in the slices by which a grip is told: a
thin collar between two even ones would grip and not be seen here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from math import inf
from typing import Any

import numpy as np

from clearance.geometry.planar import common, edges
from clearance.process.holding import ContactCache, air_between, from_both_sides
from clearance.process.statics import Array, Resultant, hull, outside_statics
from clearance.process.support import SHIM, TOUCHES, Contacts, bearing
from clearance.records import record
from clearance.scene.stability import LEVER
from clearance.scene.stability import RIM as RIM

#: what is looked for under a part that floats, mm
FAR = 300.0
#: what stands so far over all that would carry it is pulled down by what clamps it, mm (common practice, no
#: source: twice what is touching, a round bar in a V is measured no better)
SINKS = 0.1
#: an area that is none, mm2
NO_PLACE = 1e-4
#: slices at which it is asked how much of each side jaws touch
FEW = 3
#: a side faces a jaw where the cosine of the angle between is more
FACES = 0.7
#: facets that turn by less, as a cosine, stand for a curve (23 degrees: sixteen of them go round)
ONE_WAY = 0.92
#: what hangs in jaws that grip less of its height, mm and share of it, is hardly gripped (common practice, no
#: source: jaws want some millimetres, and of what is thin they have all that there is)
LOW, SHARE = 3.0, 0.2
#: jaws that touch less of the height of what something else carries meet it along a line, mm (common
#: practice, no source: sides that lean by three degrees want a wedge or a pair of pins)
LINE = 1.0
#: heights at which it is asked how far jaws are off leaning sides
HEIGHTS = 12
#: heights are told as finely, mm
ROUNDED = 1e-3


@record
class Gripped:
    """What jaws hold of a part.

    Attributes:
        height: over which they touch it from both sides, mm.   of: its own height, mm.
        length: along which they touch it, mm: half of all, as jaws touch two sides.
        where: lines on which they do, seen from above (shapely; may be empty).
        low, high: machine Z between which they do, mm.
    """

    height: float
    of: float
    length: float
    where: Any
    low: float
    high: float


def held_by_jaws(
    contacts: Contacts, part: int, jaws: Mapping[int, float], metal: Any = None, one_sided: bool = False
) -> Gripped:
    """What of a part some holders touch at its sides, or will once they are tightened.

    Args:
        part: index of its body.   jaws: of what grips it, with the air that is to be closed, mm.
        metal: what is left of it, seen from above (shapely); None: all.
        one_sided: it is screwed to them: a touch from one side counts over all its height.
    """
    import shapely

    bodies = contacts.bodies
    bottom, top = (float(corner[2]) for corner in bodies[part].aabbs.box)
    height, length, lines = 0.0, 0.0, []
    lowest, highest = inf, -inf
    for k, air in jaws.items():
        touch = TOUCHES + bodies[part].allow.side + bodies[k].allow.side
        here: list[tuple[Any, float, float, bool]] = []
        for z, stands_for in zip(*contacts.levels(part, k), strict=True):
            inside, outside = contacts.slice(part, float(z)), contacts.slice(k, float(z))
            inside = inside if metal is None else common(inside, metal)
            if inside.is_empty or outside.is_empty:
                continue
            near = edges(inside).intersection(outside.buffer(touch + min(air, SHIM), quad_segs=4))
            if near.length > 0.0:
                both = not one_sided and from_both_sides(inside, outside, near, touch)
                here.append((near, float(z), float(stands_for), both))
        # jaws that touch it from around at several heights grip it at none of them alone
        gripped = [one for one in here if one[3]] or here
        height = max(height, sum(over for _, _, over, _ in gripped))
        for _, z, over, _ in gripped:
            lowest, highest = min(lowest, z - over / 2.0), max(highest, z + over / 2.0)
        length += max((near.length for near, *_ in here), default=0.0) / 2.0
        lines += [near for near, *_ in here]
    return Gripped(height, top - bottom, length, shapely.union_all(lines), lowest, highest)


def on_the_edge(places: Any, metal: Any) -> bool:
    """Whether places on a part lie wholly on its outermost bit, off which it, or a clamp, slips.

    Args:
        places: where something touches it (shapely), from above.   metal: of the part, likewise.
    """
    # most touches are wider than the rim, which is told at once
    if places.is_empty or 2.0 * places.area > RIM * places.length:
        return False
    inner = metal.buffer(-RIM)
    return not inner.is_empty and common(places, inner).area <= NO_PLACE


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
    out = np.where(inward, -1.0, 1.0)[:, None] * normal
    facing = out @ out[size.argmax()]
    sides = [facing > FACES, facing < -FACES]
    if not all(side.any() for side in sides):
        return None
    less = min(sides, key=lambda side: float(size[side].sum()))
    # what meets at an edge that a jaw touches stands for a curve: the jaw is along neither of the two
    one_way = (np.abs(facing) > ONE_WAY) * np.sign(facing) * size
    across = (one_way[:, None] * out).sum(axis=0)
    along = across[::-1] / np.hypot(*across) * (-1.0, 1.0)
    low, high = np.sort([starts[less] @ along, ends[less] @ along], axis=None)[[0, -1]]
    return float(size[less].sum()), float(max(low - middle @ along, middle @ along - high, 0.0))


def leans_out(contact: ContactCache, part: int, jaws: Mapping[int, float], metal: Any = None) -> str:
    """Why parallel jaws hardly hold a part whose sides lean: they meet it along a line; "": they hold it.

    How much of its height they touch once they are closed is told by how fast the air grows from where it is
    least: slow enough on what is round, and no air anywhere where the sides are parallel.

    Args:
        contact: of the scene.   part, jaws, metal: as for ``held_by_jaws``.
    """
    bottom, top = (float(corner[2]) for corner in contact.bodies[part].aabbs.box)
    most = 0.0
    for k, air in jaws.items():
        if air <= 0.0:
            return ""
        low, high = (float(corner[2]) for corner in contact.bodies[k].aabbs.box)
        z, airs = _airs(contact.contacts, part, k, (max(low, bottom), min(high, top)), metal)
        near = np.isfinite(airs)
        if near.any():
            half = (z[1] - z[0]) / 2.0
            z, airs = _airs(contact.contacts, part, k, (z[near][0] - half, z[near][-1] + half), metal)
            most = max(most, _flat(z, airs))
    if most >= min(LINE, SHARE * (top - bottom)):
        return ""
    return f"on {most:.1f} mm of its height, since its sides lean away from them"


def _airs(
    contacts: Contacts, part: int, jaws: int, within: tuple[float, float], metal: Any
) -> tuple[Array, Array]:
    """Heights, evenly between two, and by how much jaws would have to close at each, mm, or infinite."""
    low, high = within
    z = low + (high - low) * (np.arange(HEIGHTS) + 0.5) / HEIGHTS
    airs = np.full(HEIGHTS, inf)
    for i, at in enumerate(z):
        inside, outside = contacts.slice(part, float(at)), contacts.slice(jaws, float(at))
        inside = inside if metal is None else common(inside, metal)
        if not (inside.is_empty or outside.is_empty):
            near = edges(inside).intersection(outside.buffer(SHIM, quad_segs=4))
            airs[i] = air_between(inside, outside, near, 0.0)
    return z, airs


def _flat(z: Array, airs: Array) -> float:
    """Over what height, about where the air is least, it grows by no more than touching at both sides, mm."""
    if not np.isfinite(airs).any():
        return 0.0
    least = int(np.argmin(airs))
    step = float(z[1] - z[0])
    found, at_end = 0.0, False
    for other in (least - 1, least + 1):
        if 0 <= other < len(z):
            rise = float(airs[other] - airs[least]) / step
            room = float(abs(z[0 if other < least else -1] - z[least])) + step / 2.0
            found += min(room, 2.0 * TOUCHES / max(rise, 1e-9))
        else:
            # where it grows all the way from an end, it is less still at the very end
            at_end = True
    even = found >= float(z[-1] - z[0])
    return found + (step / 2.0 if even and at_end else 0.0)


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


def too_little(held: Gripped, weight: Resultant, z: float, carried: bool, bored: bool) -> str:
    """Why so much is hardly a grip; "" where it is one.

    Args:
        held: what the jaws touch.   weight: of the part, where it acts.   z: of its centre of gravity.
        carried: something else carries or presses the part, so that its height is not asked.
        bored: it lies in a bore, out of which it may stand farther.
    """
    import shapely

    if held.where.is_empty:
        return "on none of its height that was looked at"
    beside = outside_statics(weight.at, hull(shapely.get_coordinates(held.where)))
    if beside > held.length * (LEVER if bored and held.length >= LOW else 1.0):
        return (
            f"on {held.length:.1f} mm along its sides, and its centre of gravity is {beside:.1f} mm beside "
            "them: it would tip or turn out of them"
        )
    out = max(z - held.high, held.low - z)
    little = held.height < min(LOW, SHARE * held.of) - ROUNDED
    if not carried and (little or out > LEVER * held.height):
        return f"on {held.height:.1f} mm of its height of {held.of:.1f}, and nothing carries it"
    return ""


def far_below(contact: ContactCache, part: int, present: Sequence[int], left: Callable[[Any], Any]) -> str:
    """What is the nearest below a part that nothing carries, in words; "" where nothing is.

    Args:
        contact: of the scene.   part: index of its body.   present: of those that are there.
        left: of places on the part those where it still has metal.
    """
    nearest = ("", inf)
    for k in present:
        if k != part and contact.role(k, part).carries:
            where = bearing(contact.bodies[part], contact.bodies[k], FAR)
            if not left(where.near).is_empty and where.gap < nearest[1]:
                nearest = (contact.bodies[k].name, where.gap)
    return f'; "{nearest[0]}" is {nearest[1]:.2f} mm below it' if nearest[0] else ""


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
