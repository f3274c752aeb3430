"""Clamps that push a part from beside go in; which of them have nothing to push it against comes out.

The toe of such a clamp goes down only as it is pushed along: with nothing on the other side the part slides
away from under it (common practice, no source: an edge clamp wants a stop, or a second one, across), and with
that far along its side it turns (a couple of forces; elementary statics).
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from clearance.process.holding import ContactCache, touched_sides
from clearance.process.part_state import PartInState
from clearance.process.statics import Array
from clearance.process.support import SHIM
from clearance.process.telling import named

#: a side backs a push where the cosine of the angle between its outward normal and the push is more: two pins
#: 120 degrees apart back a round part
BACKS = 0.3
#: clamps push the same way where the cosine of the angle between their pushes is more
SAME = 0.7


def pushed_away(
    contact: ContactCache, asked: PartInState, presses: dict[str, Array], metal: Any = None
) -> list[str]:
    """Takes out of what presses a part what only pushes it from beside, if that is all and nothing is across.

    Args:
        contact: of the scene.   asked: the part, and what is there.
        presses: where what presses it does so, by name; changed.
        metal: what is left of the part, from above (shapely); None: all.

    Returns:
        The names of what was taken out.
    """
    names = {k: contact.bodies[k].name for k in asked.present}
    beside = [k for k in asked.present if names[k] in presses and contact.role(k, asked.part).aside]
    if not beside or len(beside) < len(presses):
        return []
    if len(_without_stop(contact, asked, beside, metal)) < len(beside):
        return []
    presses.clear()
    return [names[k] for k in beside]


def why_pushed(names: list[str]) -> str:
    """That such clamps do not hold a part, in brackets; "" where there are none.

    Args:
        names: theirs.
    """
    if not names:
        return ""
    verb = "pushes" if len(names) == 1 else "push"
    return f" ({named(names)} {verb} it from beside, and nothing stands against that: it slides away)"


def _without_stop(contact: ContactCache, asked: PartInState, clamps: Iterable[int], metal: Any) -> list[int]:
    """Those of the clamps against whose push nothing stands; a little air closes as they are tightened.

    What stands across has to be met by the push, beside which it would turn the part; clamps that push one
    way push together.
    """
    contacts, part = contact.contacts, asked.part
    sides = {k: touched_sides(contacts, part, k, SHIM, metal) for k in asked.present if k != part}
    pushes = {k: touched_sides(contacts, part, k, 0.0, metal) for k in clamps}
    found = []
    for clamp, (_, normals) in pushes.items():
        way = -normals.mean(axis=0) if len(normals) else np.zeros(2)
        along = np.array([-way[1], way[0]])
        together = [at for at, out in pushes.values() if len(out) and -out.mean(axis=0) @ way > SAME]
        across = [at[out @ way > BACKS] for k, (at, out) in sides.items() if k != clamp]
        own, other = (np.concatenate([np.empty((0, 2)), *each]) @ along for each in (together, across))
        if not len(own) or not len(other) or own.max() < other.min() or other.max() < own.min():
            found.append(clamp)
    return found
