"""Parts that nothing but glue holds go in; that all that they are glued to lies loose itself comes out.

Glue holds a part to what it lies on and no more: a carrier plate that nothing presses, grips or fastens
slides with all that is glued on it (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from clearance.process.balance import judge_part
from clearance.process.held_by import names_glue
from clearance.process.holding import ContactCache
from clearance.process.part_state import PartInState, StateOfPart, StateRemark
from clearance.process.stock import Metal

#: what is asked of a part, by its index and whether it is taken as cut
Ask = Callable[[int], PartInState]
#: what is told of a carrier, as it would be of a part that is cut
KINDS = ("not held", "does not grip", "material not said")


def on_loose_carriers(
    contact: ContactCache, answers: Mapping[int, StateOfPart], ask: Ask
) -> dict[int, StateOfPart]:
    """The same answers, with what is to be told of the carriers of those parts that are cut and only glued.

    Args:
        contact: of the scene.   answers: of parts, by index.   ask: the question of a part in this state.
    """
    return {part: _with_its_carriers(contact, part, answer, ask) for part, answer in answers.items()}


def as_lid(contact: ContactCache, asked: PartInState) -> tuple[str, ...]:
    """Names of what presses a part, itself or by way of others that lie on it.

    Args:
        contact: of the scene.   asked: the part, and what is there.
    """
    touching = contact.contacts.of(asked.part, asked.outline, asked.present)
    return tuple(dict.fromkeys(one.name for one in touching if one.above))


def whole(contact: ContactCache, part: int, present: tuple[int, ...], held_by: str | None) -> PartInState:
    """The question of a part that is cut nowhere.

    Args:
        contact: of the scene.   part: index of its body.   present: of those that are there.
        held_by: what the setup says that holds it.
    """
    body = contact.bodies[part]
    volume, middle = body.bulk
    mass = None if body.density is None else volume * body.density * 1e-6
    metal = Metal(body.outline.shadow, volume, middle, mass)
    return PartInState(part, metal, True, body.outline, present, True, held_by)


def _with_its_carriers(contact: ContactCache, part: int, answer: StateOfPart, ask: Ask) -> StateOfPart:
    found = _loose_below(contact, answer, ask, frozenset()) if ask(part).cut else []
    return replace(answer, remarks=[*answer.remarks, *found]) if found else answer


def _loose_below(
    contact: ContactCache, answer: StateOfPart, ask: Ask, above: frozenset[str]
) -> list[StateRemark]:
    """What is to be told of all that a part lies on, where glue alone holds it; [] where one is fast.

    Args:
        contact: of the scene.   answer: what holds the part.   ask: the question of a part in this state.
        above: names of the parts that were looked at on the way.
    """
    held, found = answer.held, list[StateRemark]()
    if held.held_by is None or not names_glue(held.held_by) or held.pressed_by or held.gripped_by:
        return []
    names = {one.item for one in held.carried_by} - above
    for k, body in enumerate(contact.bodies):
        if body.name not in names:
            continue
        told: list[StateRemark] = []
        if body.kind == "part" and body.closed:
            question = ask(k)
            question = replace(question, cut=True, pressed_above=as_lid(contact, question))
            below = judge_part(contact, question)
            told = [one for one in below.remarks if one.kind in KINDS and one.severity == "close"]
            told = [replace(one, message=f'{one.message}; "{held.part}" is glued on it') for one in told]
            told = told or _loose_below(contact, below, ask, above | {held.part})
        if not told:
            return []
        found += told
    return found
