"""A scene that was raised goes in; the same, as it is asked what carries and holds, comes out.

What is raised lies on packing that nobody describes: where all that stands on the table is raised, the table
and all else of the machine goes up with it for such questions. Heads and distances are judged as they are.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from clearance.scene.model import Body, Scene

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
    up, items, by = scene.packed, scene.packed_items, scene.packed_by
    bodies = with_machine_up(held.bodies, up)
    return replace(held, bodies=bodies, packed=up, packed_items=items, packed_by=by)


def with_machine_up(bodies: Sequence[Body], by: float) -> tuple[Body, ...]:
    """Bodies, those of the machine higher.

    Args:
        bodies: all of a scene.   by: mm.
    """
    T_MM = np.eye(4)
    T_MM[2, 3] = by
    return tuple(body.posed(T_MM) if by and body.kind == "machine" else body for body in bodies)
