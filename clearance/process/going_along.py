"""A part on, or in the jaws of, a holder that stands by its own weight goes in; that both would tip, or that
nothing fastens these jaws, comes out.

Of a part that is whole it is told where the setup is put together (``stability``) whether it would tip.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from clearance.mesh.mass import density_of
from clearance.process.holding import ContactCache
from clearance.process.part_state import PartInState, StateOfPart, StateRemark
from clearance.process.statics import Resultant, hull, outside_statics
from clearance.scene.model import Body
from clearance.scene.stability import EDGE, is_against, is_magnet
from fixtures_lib.holder import Does, Fastened


def going_along(answer: StateOfPart, asked: PartInState, contact: ContactCache) -> StateOfPart:
    """What holds a part, and that it would tip with the one loose holder that carries and holds it, or that
    nothing holds the jaws that hold it.

    Args:
        answer: what holds it, by itself.   asked: the part in its state.   contact: of the scene.
    """
    return _tips_along(_in_loose_jaws(answer, asked, contact), asked, contact)


def _in_loose_jaws(answer: StateOfPart, asked: PartInState, contact: ContactCache) -> StateOfPart:
    """Jaws that stand loose hold a part no better than if it lay there (common practice, no source)."""
    held, bodies = answer.held, contact.bodies
    if not asked.cut or held.pressed_by or held.held_by is not None:
        return answer
    jaws = [k for k in asked.present if bodies[k].name in held.gripped_by]
    # what carries other holders as well, a plate with a bore say, has holes for its own screws
    if any(kind is not None and Does.CARRIES in kind.does for kind in (bodies[k].library for k in jaws)):
        return answer
    if not jaws or not all(stands_loose(k, asked.present, contact) for k in jaws):
        return answer
    message = (
        f'grips "{held.part}" and stands by its own weight: clamp it, or say what fastens it (held_by, or '
        "fastened in its own file)"
    )
    told = [StateRemark("not held", "close", bodies[k].name, message) for k in jaws]
    return replace(answer, remarks=[*answer.remarks, *told])


def stands_loose(k: int, present: Sequence[int], contact: ContactCache) -> bool:
    """Whether a holder stands by its own weight, and no clamp, magnet, jaws or words hold it.

    Args:
        k: index of its body.   present: of those that are there.   contact: of the scene.
    """
    bodies = contact.bodies
    body, kind = bodies[k], bodies[k].library
    if kind is None or is_magnet(body) or kind.fastened is not Fastened.STANDS or body.held_by:
        return False
    base = next((one for one in bodies if one.name == body.stands_on), None)
    if base is not None and (is_against(body, base) or _grips(base)):
        return False
    for j in present:
        other = bodies[j]
        if j == k or other.kind in ("part", "machine"):
            continue
        presses = other.library is None or Does.PRESSES in other.library.does
        if (presses and contact.bearing(j, k).touches) or (
            is_magnet(other) and contact.bearing(k, j).touches
        ):
            return False
    return True


def _grips(body: Body) -> bool:
    return body.library is not None and Does.GRIPS in body.library.does


def _tips_along(answer: StateOfPart, asked: PartInState, contact: ContactCache) -> StateOfPart:
    import shapely

    held, bodies = answer.held, contact.bodies
    if asked.whole or len(held.carried_by) != 1 or held.held_by is not None:
        return answer
    name = held.carried_by[0].item
    k = next((k for k in asked.present if bodies[k].name == name), None)
    library = None if k is None else bodies[k].library
    if k is None or library is None or library.fastened is not Fastened.STANDS or bodies[k].held_by:
        return answer
    others = {*held.pressed_by, *held.gripped_by} - {name}
    if others or not bodies[k].closed or any(r.kind == "off its feet" for r in answer.remarks):
        return answer
    base = next((one for one in bodies if one.name == bodies[k].stands_on), None)
    if base is not None and is_against(bodies[k], base):
        return answer
    below = [
        j for j in asked.present if j != k and bodies[j].kind != "part" and contact.bearing(k, j).touches
    ]
    if not below or any(is_magnet(bodies[j]) for j in below):
        return answer
    steel = density_of("steel")
    volume, middle = bodies[k].bulk
    mass = asked.metal.volume * steel * 1e-6 if asked.metal.mass is None else asked.metal.mass
    total = Resultant.of(mass, asked.metal.middle) + Resultant.of(volume * steel * 1e-6, middle)
    places = [shapely.get_coordinates(contact.bearing(k, j).touching) for j in below]
    off = outside_statics(total.at, hull(np.concatenate(places)))
    if off <= EDGE:
        return answer
    message = (
        f'what is left of it and "{name}", which stands by its own weight, have their centre of gravity '
        f"(X{total.at[0]:.1f} Y{total.at[1]:.1f}) {off:.1f} mm outside what carries them; they would tip"
    )
    remark = StateRemark("off its feet", "close", bodies[asked.part].name, message)
    return replace(answer, remarks=[*answer.remarks, remark])
