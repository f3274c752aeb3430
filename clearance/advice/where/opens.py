"""An item that has no place goes in; what would make one comes out, each tried."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import partial
from typing import Any, Protocol

import numpy as np

from clearance.advice.where.answer import ItemPlaces, Progress, find_item
from clearance.errors import InputError
from clearance.parallel import processor_time
from clearance.scene.model import Scene

#: shares of a strap's thickness that are tried, the least change first
THINNER = (0.8, 0.6, 0.4)
#: raises of all on the table that are tried, mm; the first that does is made smaller, to this
RAISES = (1.0, 2.0, 3.0, 5.0, 8.0, 12.0)
FINER = 0.5

#: s of processor time after which nothing more is tried
LONG = 20.0
NOT_TRIED = "(what else might open it was not tried: it takes too long)"


class Late(Exception):
    """There is no time for more."""


class Has(Protocol):
    """Whether there is a place in a scene that is made, with a tip on metal in part where that is said."""

    def __call__(self, what: str, made: Callable[[], Scene], partly: bool = False) -> bool: ...


def what_opens(scene: Scene, found: ItemPlaces, progress: Progress | None = None) -> Iterator[str]:
    """What would make a place, in words, each tried; a last one says so where not all was tried.

    Args:
        scene: as it stands.   found: the item's places, none of them of use.
        progress: is told the share done and what is tried.
    """
    say = progress or (lambda share, what: None)
    turns = _turns(found)
    began = processor_time()

    def has(what: str, made: Callable[[], Scene], partly: bool = False) -> bool:
        if processor_time() - began > LONG:
            raise Late
        say(0.97, f"whether it opens: {what}")
        try:
            return find_item(made(), found.item, found.least, turns, partly=partly)[0].best is not None
        except InputError:
            return False

    if found.tight:
        most = max(place.room for place in found.tight)
        least = np.floor(most * 10.0 + 0.01) / 10.0
        yield f"to be content with ± {least:g} mm (--least), where it is set that well"
    try:
        yield from _tried(scene, found, has)
    except Late:
        yield NOT_TRIED


def _tried(scene: Scene, found: ItemPlaces, has: Has) -> Iterator[str]:
    """What does, one after the other."""
    by_tip = not found.in_part and any("its tip would" in reason.words for reason, _ in found.forbids)
    if by_tip and has("a part of its tip on metal", lambda: scene, True):
        yield "a tip that lies on metal in part only, which a check is content with"
    if not any(reason.head is not None for reason, _ in found.forbids):
        return
    yield from _thinner(scene, found.item, has)
    yield from _raised_by(scene, has)
    for nozzles in scene.sets:
        words = f'the nozzles "{nozzles}"'
        if nozzles == scene.known_machine.nozzles:
            continue
        if has(words, partial(_with_nozzles, scene, nozzles)):
            yield words


def _turns(found: ItemPlaces) -> tuple[float, float] | None:
    turns = found.seat.turns
    if found.seat.lines is not None:
        return None
    return float(turns[0]), float(turns[-1])


def _thinner(scene: Scene, name: str, has: Has) -> Iterator[str]:
    """A thinner one of the same kind."""
    source = scene.items[name].library
    had: Any = None if source is None else source.params.get("thickness")
    for share in THINNER if isinstance(had, float) else ():
        value = round(share * had, 1)
        words = f"a thinner one: thickness = {value:g} instead of {had:g}"
        if has(words, partial(scene.with_param, name, "thickness", value)):
            yield words
            return


def _raised_by(scene: Scene, has: Has) -> Iterator[str]:
    """All on the table raised by as little as does."""

    def does(by: float) -> bool:
        return has(f"all on the table raised by {by:g} mm", partial(_raised, scene, by))

    last = 0.0
    for by in RAISES:
        if not does(by):
            last = by
            continue
        low, high = last, by
        with suppress(Late):
            while high - low > FINER + 1e-9:
                middle = round((low + high) / 2.0 / FINER) * FINER
                low, high = (low, middle) if does(middle) else (middle, high)
        yield f"all on the table raised by {high:g} mm"
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
