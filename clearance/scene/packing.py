"""A scene that was raised goes in; the same, as it is asked what carries and holds, comes out.

What is raised lies on packing that nobody describes: where all that stands on the table is raised, the table
and all else of the machine goes up with it for such questions. Heads and distances are judged as they are.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

import numpy as np

from clearance.scene.hanging import hanging_findings
from clearance.scene.model import Body, Finding, Scene
from clearance.scene.placing import Masses
from clearance.scene.stability import feet_findings
from clearance.scene.tries import Packed

#: no more items are named in a row
NAMED = 4
#: findings that nothing is under an item, which is not so once it is packed
IN_THE_AIR = frozenset(
    {"floats", "hardly gripped", "bolted to nothing", "bolted at one end", "clamp stands on nothing"}
)


def on_packing(scene: Scene) -> Scene:
    """The scene as planned, with the machine's bodies as much higher as all that stands on the table.

    Args:
        scene: raised or not; ``Scene.packed`` says by how much.
    """
    held = scene.planned or scene
    if scene.packed == 0.0 and not scene.packed_items:
        return held
    up, items = scene.packed, scene.packed_items
    return replace(held, bodies=with_machine_up(held.bodies, up), packed=up, packed_items=items)


def not_written(scene: Scene) -> str:
    """What a setup file leaves out into which a raised scene is written, and what to add to it; "" where it
    leaves nothing out.

    Args:
        scene: raised or not.
    """
    on_table = [b.name for b in scene.items.values() if b.stands_on is None]
    own = dict.fromkeys(on_table, scene.packed) if scene.packed else {}
    for name, by in scene.packed_items:
        own[name] = own.get(name, 0.0) + by
    if not own:
        return ""
    under = [f'{round(by, 6):g} mm under "{name}"' for name, by in own.items()]
    more = [] if len(under) <= NAMED else [f"{len(under) - NAMED + 1} more"]
    under = [*under[: NAMED - len(more)], *more]
    return f"the packing is not in the file: add it as an item, {', '.join(under)}"


def with_machine_up(bodies: Sequence[Body], by: float) -> tuple[Body, ...]:
    """Bodies, those of the machine higher.

    Args:
        bodies: all of a scene.   by: mm.
    """
    return tuple(_higher(body, by) if by and body.kind == "machine" else body for body in bodies)


def standing_findings(
    bodies: Sequence[Body],
    together: Sequence[Sequence[int]],
    masses: Masses,
    cut: Collection[str],
    packing: Packed,
) -> list[Finding]:
    """What would tip, floats or hangs; what lies on packing of its own hangs only if it did without that.

    Args:
        bodies: all of a scene as planned, the machine's where the machine file has them.
        together: indices of the bodies that are there at one time.   masses: of the items.
        cut: names of the parts that are cut.   packing: on which they lie.
    """
    own = {name for name, _ in packing.items}
    held = with_machine_up(bodies, packing.by)

    def found(there: Sequence[Body]) -> list[Finding]:
        up = packing.by
        return [*feet_findings(there, together, masses, cut, up), *hanging_findings(there, together, up)]

    if not own:
        return found(held)
    low = [_higher(b, -sum(by for name, by in packing.items if _is_on(b, name, bodies))) for b in held]
    without = [f for f in found(low) if f.kind in IN_THE_AIR and f.item in own]
    return [*without, *(f for f in found(held) if not (f.kind in IN_THE_AIR and f.item in own))]


def _is_on(body: Body, name: str, bodies: Sequence[Body]) -> bool:
    """Whether a body is, or stands on, an item, directly or by way of others."""
    under = {each.name: each.stands_on for each in bodies}
    at: str | None = body.name
    while at is not None and at != name:
        at = under[at]
    return at is not None


def _higher(body: Body, by: float) -> Body:
    T_MM = np.eye(4)
    T_MM[2, 3] = by
    return body.posed(T_MM)
