"""An item that has no place goes in; what would make one comes out, each tried."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from clearance.advice.where.answer import Finder, ItemPlaces, find_item
from clearance.errors import InputError
from clearance.scene.model import Scene

#: shares of a strap's thickness that are tried, the least change first
THINNER = (0.8, 0.6, 0.4)
#: raises of all on the table that are tried, mm
RAISES = (1.0, 2.0, 3.0, 5.0, 8.0, 12.0)


def what_opens(scene: Scene, found: ItemPlaces, finder: Finder) -> Iterator[str]:
    """What would make a place, in words, each tried.

    Args:
        scene: as it stands.   found: the item's places, none of them of use.   finder: what found that.
    """
    name, turns = found.item, _turns(found)
    if found.tight:
        most = max(place.room for place in found.tight)
        least = np.floor(most * 10.0 + 1e-6) / 10.0
        yield f"to be content with ± {least:g} mm (--least), where it is set that well"
    heads = any(reason.head is not None for reason, _ in found.forbids)
    if not heads:
        return
    yield from _thinner(scene, name, found.least, turns)
    for by in RAISES:
        if _has_place(lambda by=by: _raised(scene, by), name, found.least, turns):
            yield f"all on the table raised by {by:g} mm"
            break
    for nozzles in scene.sets:
        if nozzles == scene.known_machine.nozzles:
            continue
        if _has_place(lambda nozzles=nozzles: _with_nozzles(scene, nozzles), name, found.least, turns):
            yield f'the nozzles "{nozzles}"'


def _turns(found: ItemPlaces) -> tuple[float, float] | None:
    turns = found.seat.turns
    return None if found.seat.holes is not None else (float(turns[0]), float(turns[-1]))


def _thinner(scene: Scene, name: str, least: float, turns: tuple[float, float] | None) -> Iterator[str]:
    """A thinner one of the same kind."""
    source = scene.items[name].library
    had: Any = None if source is None else source.params.get("thickness")
    for share in THINNER if isinstance(had, float) else ():
        value = round(share * had, 1)
        if _has_place(lambda value=value: scene.with_param(name, "thickness", value), name, least, turns):
            yield f"a thinner one: thickness = {value:g} instead of {had:g}"
            return


def _raised(scene: Scene, by: float) -> Scene:
    from clearance.scene.reread import changed
    from clearance.scene.tries import Raise

    return changed(scene, [Raise(by)])


def _with_nozzles(scene: Scene, nozzles: str) -> Scene:
    from dataclasses import replace

    from clearance.scene.load import load
    from clearance.scene.measured import Asked

    asked = scene.reading
    return load(scene.setup_file, replace(Asked() if asked is None else asked, nozzles=nozzles))


def _has_place(made: Any, name: str, least: float, turns: tuple[float, float] | None) -> bool:
    try:
        there = made()
        return find_item(there, name, least, turns)[0].best is not None
    except InputError:
        return False
