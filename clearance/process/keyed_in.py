"""The cuts of a job go in; findings on the values of one D come out: a control holds one at a time, and
another is keyed in at a stop.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from clearance.process.passes import stands_still, stops_at
from clearance.scene.model import Finding, Scene, Stretch


@dataclass(frozen=True)
class Use:
    """What a cut uses a D for: its value, mm, and the first and last move on which it holds."""

    stretch: Stretch
    d: int
    value: float
    first: int
    last: int


def uses(scene: Scene) -> Iterator[Use]:
    """Each D of each cut whose value the setup gives, in order."""
    for stretch in scene.stretches:
        cut, numbers = scene.cut_of(stretch), stretch.moves.d_number
        if cut is None or numbers is None:
            continue
        for d in np.unique(numbers[numbers > 0]).tolist():
            if d in cut.options.offsets:
                holds = np.flatnonzero(numbers == d)
                yield Use(stretch, d, cut.options.offsets[d], int(holds[0]), int(holds[-1]))


def offset_findings(scene: Scene) -> list[Finding]:
    """Where a D has another value than in the cut before that used it, and where one is negative.

    Args:
        scene: as loaded.
    """
    found = []
    held: dict[int, Use] = {}
    negative: set[int] = set()
    for use in uses(scene):
        name, before = use.stretch.name, held.get(use.d)
        if use.value < 0.0 and use.d not in negative:
            negative.add(use.d)
            message = (
                f"D{use.d} is negative ({use.value:g}): the wire runs on the other side than G41 or G42 says"
            )
            found.append(Finding("negative D", "note", message, cut=name))
        if before is not None and before.value != use.value:
            was = f'D{use.d} is {before.value:g} in "{before.stretch.name}" and {use.value:g} in "{name}"'
            if _stops_between(scene, before, use):
                message = f"{was}: key in D{use.d} = {use.value:g} at the stop between them"
                found.append(Finding("two values", "note", message, cut=name))
            else:
                message = (
                    f"{was}, and the control holds one at a time: give one of them another number, or say "
                    "stop_before = true where the new value is keyed in"
                )
                found.append(Finding("two values", "close", message, cut=name))
        held[use.d] = use
    return found


def _stops_between(scene: Scene, before: Use, use: Use) -> bool:
    """Whether the machine stops from the last move of one use to the first of the next."""
    first, last = before.stretch.cut, use.stretch.cut
    assert first is not None
    assert last is not None
    for stretch in scene.stretches:
        if stretch.cut is None or not first <= stretch.cut <= last:
            continue
        low = before.last if stretch.cut == first else -1
        high = use.first if stretch.cut == last else len(stretch.moves)
        if any(low < at <= high and stops_at(scene, word) for at, word, *_ in stretch.moves.stops):
            return True
        if stretch.cut > first and stands_still(scene, stretch):
            return True
    return False
