"""What touches a piece as it comes free goes in; what of it holds the piece comes out.

A clamp that presses from above holds a piece that lies on something; jaws hold it where they touch it from
both sides. A magnet, and a shape or model of the user's own, holds it from above where it is on something
else, too, or may be (what is screwed down reaches out over the piece's edge): what lies on the piece alone
goes with it. From beside, a shape of the user's own holds a piece that lies between what it touches, as jaws
do; a stop that is touched by one side does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from clearance.geometry.planar import common
from clearance.process.holding import MEETS, Role, between, grip, role_of
from clearance.process.support import LEAST, Contact, Contacts


def holding(
    contacts: Contacts,
    part: int,
    piece: Any,
    away: Any,
    touching: Sequence[Contact],
    present: tuple[int, ...],
) -> tuple[str, ...]:
    """Names of what holds a piece of a part.

    Args:
        contacts: of the scene.   part: index of its body.   piece: its region in plan (shapely).
        away: the kerfs about it.   touching: what touches the piece.
        present: indices of the bodies that are there.
    """
    lies = any(one.under for one in touching)
    found = []
    for one in touching:
        if one.under or one.name in found:
            continue
        role = role_of(contacts.bodies[one.body], contacts.bodies[part])
        if role.presses and not (role.unknown or role.lies):
            held = lies
        elif role.grips and not role.pulls:
            held = (role.over and one.above and lies) or grip(contacts, part, one.body, piece).holds
        elif one.above or role.pulls:
            held = _on_more(contacts, part, piece.union(away), one, present)
        else:
            held = _about(touching, one, piece, role)
        if held:
            found.append(one.name)
    return tuple(found)


def _about(touching: Sequence[Contact], one: Contact, piece: Any, role: Role) -> bool:
    """Whether a piece lies between the places at which a body touches its sides."""
    import shapely

    where = shapely.union_all([each.where for each in touching if each.body == one.body and not each.under])
    return role.unknown and between(common(where, piece), piece)


def _on_more(contacts: Contacts, part: int, piece: Any, one: Contact, present: tuple[int, ...]) -> bool:
    """Whether what touches a piece is on something else as well: other metal of the part, or another body."""
    import shapely

    if one.where.difference(piece).area > LEAST:
        return True
    body = contacts.bodies[one.body]
    low, high = body.aabbs.box
    if body.kind == "holder" and body.library is None:
        # of the user's own: any clamp, where it reaches out over the piece's edge
        return not shapely.box(*piece.bounds).contains(shapely.box(*low[:2], *high[:2]))
    return any(
        len(contacts.bodies[k].aabbs.meeting(low - MEETS, high + MEETS)) > 0
        for k in present
        if k not in (one.body, part)
    )
