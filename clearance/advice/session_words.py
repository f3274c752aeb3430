"""What a session changed goes in, as a setup's file would say it; the same comes out in a setter's words."""

from __future__ import annotations

from clearance.scene.model import Scene
from clearance.scene.reread import no_longer_fitted
from clearance.scene.tries import Edit, OnSeat, Packed, Param, Set, Unfit, UseNozzles, said


def read_in_words(one: Edit, scene: Scene) -> str:
    """What a setup is read with, in a setter's words.

    Args:
        one: of what it is read with.   scene: whose.
    """
    if isinstance(one, Set):
        return said(Param(one.item, one.param, one.value)) + (
            "" if scene.units == "mm" else f" {scene.units}"
        )
    if isinstance(one, Unfit):
        source = scene.items[one.item].library
        return no_longer_fitted(one.item, None if source is None else source.fit)
    if isinstance(one, UseNozzles):
        return f'nozzles "{one.name}"'
    assert not isinstance(one, Packed), "nothing is read with that before all is raised"
    return f'"{one.item}" off'


def placed_in_words(place: OnSeat) -> str:
    """Where an item is put, as its file would have it, mm and degrees.

    Args:
        place: of it.
    """
    said = [
        f"{key} [{', '.join(f'{v:.10g}' for v in values)}]"
        for key, values in (("at", place.at), ("turn", place.turn))
        if values is not None
    ]
    return f'"{place.item}" {" and ".join(said)}'
