"""What lies on what goes in; what each holder takes, by way of others too, and what it is said to carry and
does not, come out.

A holder that carries parts hands their weight and its own on to what it lies on itself: a frame on two
spacers, a spacer on a rail. Where statics leave open how much goes where, each takes the most that it may
have to.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import field, replace

import numpy as np

from clearance.mesh.mass import GRAVITY
from clearance.process.bolted import Fixings
from clearance.process.hanging import FAR
from clearance.process.holding import ContactCache
from clearance.process.part_state import StateOfPart, StateRemark
from clearance.process.statics import (
    Array,
    Resultant,
    hull,
    load_ranges,
    nearest,
)
from clearance.process.statics import (
    outside_statics as outside,
)
from clearance.process.support import bearing
from clearance.records import changing
from clearance.scene.model import Body, Scene
from clearance.scene.packing import IN_THE_AIR
from clearance.scene.placing import ROUNDING, Masses
from clearance.scene.stability import EDGE


@changing
class Taken:
    """What bodies take.

    Attributes:
        most: N, by body index.   handed_on: those that hand on what they take, their own weight with it.
        remarks: on those that would tip off what carries them.
    """

    most: dict[int, float] = field(default_factory=dict)
    handed_on: set[int] = field(default_factory=set)
    remarks: list[StateRemark] = field(default_factory=list)


def taken(
    contact: ContactCache,
    present: Sequence[int],
    first: Mapping[int, Sequence[Resultant]],
    masses: Masses,
    fixings: Fixings,
) -> Taken:
    """What each body takes.

    Args:
        contact: of the scene.   present: indices of the bodies that are there.
        first: what parts put on holders, by index: the most, N, where it acts.
        masses: of the items; one that is not known counts as nothing.
        fixings: where bridging holders are bolted.
    """
    found = Taken()
    carriers = _carriers(contact, present, first)
    put: dict[int, list[Resultant]] = {k: list(loads) for k, loads in first.items()}
    for k in _from_above(carriers):
        loads = put.get(k, [])
        found.most[k] = sum(load.down for load in loads)
        body = contact.bodies[k]
        total = Resultant.of(
            (masses.of(body) or 0.0) * GRAVITY, body.bulk[1] if body.closed else _middle(body)
        )
        for load in loads:
            total = total + load
        stands_out = fixings.remark(k, present, total)
        found.remarks += [] if stands_out is None else [stands_out]
        if not carriers[k]:
            continue
        found.handed_on.add(k)
        if total.down <= 0.0:
            continue
        _tips(body, total, carriers[k], contact, found)
        ranges = load_ranges(list(carriers[k].values()), total)
        for (below, corners), (_, most) in zip(carriers[k].items(), ranges, strict=True):
            put.setdefault(below, []).append(Resultant.of(most, nearest(total.at, hull(corners))))
    return found


def load_remarks(
    contact: ContactCache,
    present: Sequence[int],
    first: Mapping[int, Sequence[Resultant]],
    masses: Masses,
    fixings: Fixings,
) -> tuple[list[StateRemark], set[str]]:
    """What tips or is too heavy of what is taken, each holder's held against its limit; and the names of the
    holders that were held against one.

    Args:
        contact, present, first, masses, fixings: see ``taken``.
    """
    has = taken(contact, present, first, masses, fixings)
    found, carriers = list(has.remarks), set()
    # one that hands its load on brought its own weight along
    counted = {contact.bodies[k].name for k in has.handed_on}
    for k, most in sorted(has.most.items()):
        body = contact.bodies[k]
        limits = [] if body.library is None else [x for x in body.library.limits if x.quantity == "mass"]
        if not limits:
            continue
        carriers.add(body.name)
        above = [b for b in masses.above(body) if b.kind != "part" and b.name not in counted]
        kilos = most / GRAVITY + sum(masses.of(b) or 0.0 for b in above)
        for limit in limits:
            if limit.high is not None and kilos > limit.high + ROUNDING:
                message = f"carries up to {kilos:.1f} kg; {limit.high:g} kg at most ({limit.source})"
                found.append(StateRemark("too heavy", "close", body.name, message))
    return found, carriers


def _middle(body: Body) -> Array:
    low, high = body.aabbs.box
    return np.asarray((low + high) / 2.0)


def _carriers(
    contact: ContactCache, present: Sequence[int], first: Collection[int]
) -> dict[int, dict[int, Array]]:
    """Of each body on which there is a load, directly or by way of others: the corners of what it lies on."""
    import shapely

    found: dict[int, dict[int, Array]] = {}
    begun = list(first)
    bodies = contact.bodies
    while begun:
        k = begun.pop()
        if k in found:
            continue
        found[k] = {}
        for j in present:
            other = bodies[j]
            if j == k or other.item is None or other.kind == "part" or not contact.role(j, k).carries:
                continue
            where = contact.bearing(k, j)
            places = where.touching if where.touches else where.near
            # two that lie side by side and touch with a face each carry none of each other
            if not places.is_empty and not contact.bearing(j, k).touches:
                found[k][j] = np.asarray(shapely.get_coordinates(places))
        begun += found[k]
    return found


def _from_above(carriers: Mapping[int, Mapping[int, Array]]) -> list[int]:
    """Bodies in such an order that each stands before what carries it."""
    waits = dict.fromkeys(carriers, 0)
    for below in carriers.values():
        for j in below:
            waits[j] += 1
    free = [k for k, count in waits.items() if count == 0]
    order = []
    while free:
        k = free.pop()
        order.append(k)
        for j in carriers[k]:
            waits[j] -= 1
            if waits[j] == 0:
                free.append(j)
    return order


def _tips(
    body: Body, total: Resultant, carriers: Mapping[int, Array], contact: ContactCache, found: Taken
) -> None:
    """That what lies on several would tip; of anything else it is told where the setup is put together."""
    off = outside(total.at, hull(np.concatenate(list(carriers.values()))))
    if not body.also_on or off <= EDGE:
        return
    names = " and ".join(f'"{contact.bodies[j].name}"' for j in carriers)
    message = (
        f"its centre of gravity, with what stands on it, (X{total.at[0]:.1f} Y{total.at[1]:.1f}) lies "
        f"{off:.1f} mm outside {names}; it would tip"
    )
    found.remarks.append(StateRemark("off its feet", "close", body.name, message))


def said_to_carry(contact: ContactCache, present: Sequence[int]) -> list[StateRemark]:
    """What the setup says that an item lies on, one of several, and does not reach.

    Args:
        contact: of the scene.   present: indices of the bodies that are there.
    """
    index = {contact.bodies[k].name: k for k in present}
    found = []
    for k in present:
        body = contact.bodies[k]
        missing = []
        for name in (body.stands_on, *body.also_on) if body.also_on else ():
            if name is None or name not in index:
                continue
            where = contact.bearing(k, index[name])
            if where.touches or not where.near.is_empty:
                continue
            far = bearing(body, contact.bodies[index[name]], FAR)
            how = "does not reach under it" if far.near.is_empty else f"is {far.gap:.2f} mm below it"
            missing.append(f'is to lie on "{name}", which {how}')
        if missing:
            found.append(StateRemark("not carried", "close", body.name, "; ".join(missing)))
    return found


def as_packed(answer: StateOfPart, scene: Scene) -> StateOfPart:
    """What holds a part, and of what alone lies on packing a note in place of that nothing is under it.

    Args:
        answer: as its bodies stand.   scene: which may have been raised in part.
    """
    packed = dict(scene.packed_items)

    def told(remark: StateRemark) -> StateRemark:
        if remark.kind not in IN_THE_AIR or remark.item not in packed:
            return remark
        by = f"{packed[remark.item]:g} mm of packing"
        message = f"lies on {by}, which is not described: how it is held is not judged"
        return StateRemark("packed", "note", remark.item, message)

    return replace(answer, remarks=[told(r) for r in answer.remarks]) if packed else answer
