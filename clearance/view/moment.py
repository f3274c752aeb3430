"""A result and the name of a cut, stop or state go in; what stands there then, and what is near it, come out.

What is gone or off is not drawn, and carries no figure.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clearance.checking.result import Pair, Result
from clearance.errors import InputError
from clearance.process.course import Course, There
from clearance.process.findings import Checked
from clearance.process.solids import solids
from clearance.scene.model import Stretch

Array = NDArray[np.float64]

#: a figure's end farther from metal than this hangs in the air, mm
ON_METAL = 0.5


@dataclass(frozen=True)
class Standing:
    """One thing that stands there: its name, its kind, its triangles (N, 3, 3) mm, and what shells it has."""

    name: str
    kind: str
    triangles: Array
    shells: int = 1


@dataclass(frozen=True)
class At:
    """A moment of the job.

    Attributes:
        words: when it is: "after "opening"".
        result: with the pairs of the cut that follows, against what stands there.
        stretch: that cut; None at the end of the job, and where something is moved before it.
        things: all that stands there.
        whole: names of parts that are drawn whole, as their models could not be cut.
    """

    words: str
    result: Result
    stretch: Stretch | None
    things: tuple[Standing, ...]
    whole: tuple[str, ...]


def moment(result: Result, name: str) -> At:
    """What stands there after a cut, or as a stop or a state begins.

    Raises:
        InputError: there is no such name; the message lists the right ones.
    """
    if not isinstance(result, Checked):
        raise InputError(
            None, "--after", f'there is no "{name}": nothing is known of the job', "leave it out"
        )
    course = Course(result)
    words, there = course.after(name)
    things, whole = standing_at(course, there)
    pairs = tuple(pair for pair in result.pairs if _there(course, there, pair))
    return At(words, replace(result, pairs=pairs), there.next, things, whole)


def standing_at(course: Course, there: There) -> tuple[tuple[Standing, ...], tuple[str, ...]]:
    """All that stands there at a moment, and the names of parts whose models could not be cut."""
    things: list[Standing] = []
    whole: list[str] = []
    for k in there.bodies:
        body = course.scene.bodies[k]
        shells = max(len(body.shells), 1)
        made = solids(course, there, k) if there.bits(k) else None
        if made is None:
            things.append(Standing(body.name, body.kind, np.asarray(body.triangles_M, dtype=float), shells))
            whole += [body.name] if there.bits(k) else []
            continue
        things.append(Standing(body.name, body.kind, made.metal, shells))
        things += [
            Standing(f'{one.piece.kind} of "{one.piece.run.stretch.name}"', body.kind, triangles)
            for one, triangles in made.free
        ]
    return tuple(things), tuple(whole)


def _there(course: Course, there: There, pair: Pair) -> bool:
    """Whether a pair is of the cut that follows, and its item, there where it is nearest, has not gone."""
    if there.next is None or pair.cut != there.next.name:
        return False
    index = next((k for k in there.bodies if course.scene.bodies[k].name == pair.item), None)
    if index is None:
        return False
    if pair.on_item is None or not there.bits(index):
        return True
    import shapely

    place = shapely.Point(float(pair.on_item[0]), float(pair.on_item[1]))
    return float(course.standing(there, index).distance(place)) <= ON_METAL
