"""A result and the name of a cut, stop or state go in; what stands there then, and what is near it, come out.

What is gone or off is not drawn, and carries no figure.

``going`` makes of a drawing one that changes along the path. Metal goes where the wire has cut it, pieces
once they fall or are taken out, items while they are off. How far along is counted in moves of all stretches,
as the window's slider has it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.checking.result import Pair, Result
from clearance.errors import InputError
from clearance.process.course import Course, There, blank, solids
from clearance.process.findings import Checked
from clearance.records import record
from clearance.scene.model import Stretch
from clearance.view import meshes
from clearance.view.description import Drawing, Shape

Array = NDArray[np.float64]

#: a figure's end farther from metal than this hangs in the air, mm
ON_METAL = 0.5


@record
class StandingBody:
    """One thing that stands there: its name, its kind, its triangles (N, 3, 3) mm, and what shells it has."""

    name: str
    kind: str
    triangles: Array
    shells: int = 1


@record
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
    things: tuple[StandingBody, ...]
    whole: tuple[str, ...]


def moment(result: Result, name: str) -> At:
    """What stands there after a cut, or as a stop or a state begins.

    Args:
        result: as judged.   name: of a cut, a stop or a state.

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


def standing_at(course: Course, there: There) -> tuple[tuple[StandingBody, ...], tuple[str, ...]]:
    """All that stands there at a moment, and the names of parts whose models could not be cut.

    Args:
        course: of the job.   there: one of its moments.
    """
    things: list[StandingBody] = []
    whole: list[str] = []
    for k in there.bodies:
        body = course.scene.bodies[k]
        shells = max(len(body.shells), 1)
        made = solids(course, there, k) if there.bits(k) else None
        if made is None:
            things.append(
                StandingBody(body.name, body.kind, np.asarray(body.triangles_M, dtype=float), shells)
            )
            whole += [body.name] if there.bits(k) else []
            continue
        things.append(StandingBody(body.name, body.kind, made.metal, shells))
        things += [
            StandingBody(f'{one.piece.kind} of "{one.piece.run.stretch.name}"', body.kind, triangles)
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


#: forms of one part that are kept at most, and triangles of all of them
MOST_FORMS, MOST_TRIANGLES = 16, 1_500_000
#: a stop is over as soon as the heads go on by this much, in moves
BEGUN = 1e-6
END = float("inf")


@record
class Going:
    """What is left of each part, by name: from how many moves on, and its metal (shapely) seen from above."""

    left: dict[str, tuple[tuple[float, Any], ...]] = field(default_factory=dict)

    def lacks(self, run: float, item: str, place: Any) -> bool:
        """Whether there is no metal any more at a place (3,) on an item.

        Args:
            run: the share of the job that is run.   item: its name.   place: machine frame, mm.
        """
        import shapely

        metal = next((m for since, m in reversed(self.left.get(item, ())) if since <= run), None)
        point = shapely.Point(float(place[0]), float(place[1]))
        return metal is not None and float(metal.distance(point)) > ON_METAL


def going(result: Result, drawing: Drawing) -> tuple[Drawing, Going]:
    """The drawing with each part in all its forms, and what is gone when; as it is where nothing is cut.

    Args:
        result: as judged.   drawing: of it, with all that stands there at first.
    """
    if not isinstance(result, Checked) or result.account is None:
        return drawing, Going()
    course = Course(result)
    moments = _moments(course)
    bodies = result.scene.bodies
    shapes: list[Shape] = []
    left: dict[str, tuple[tuple[float, Any], ...]] = {}
    parts = {b.name: k for k, b in enumerate(bodies) if b.kind == "part"}
    for shape in drawing.shapes:
        part = parts.get(shape.name)
        if part is None or shape.role != "part" or not any(there.bits(part) for _, there in moments):
            shapes.append(replace(shape, there=True))
            continue
        whole = blank(bodies[part])
        changes = _changes(moments, part, len(shape.triangles) if whole is None else whole.num_tri())
        shapes += _forms(course, part, shape, changes, whole)
        left[shape.name] = tuple((since, course.standing(there, part)) for since, there in changes)
    labels = tuple(replace(label, text=label.text.removesuffix(OFF)) for label in drawing.labels)
    return replace(drawing, shapes=tuple(shapes), labels=labels), Going(left)


#: what a label of the drawing says of an item that is off where the heads stand as drawn
OFF = " (off for this cut)"


def _moments(course: Course) -> list[tuple[float, There]]:
    """What stands there, and from how many moves on."""
    stretches = course.scene.stretches
    first = np.concatenate([[0], np.cumsum([len(s.moves) for s in stretches])]).tolist()
    begins = {id(s): float(at) for s, at in zip(stretches, first[:-1], strict=True)}
    found: list[tuple[float, There]] = []
    now = 0.0
    for phase in course.phases:
        if phase.state.begins == "stop":
            now = max(now, begins[id(phase.moment.stretch)])
            found.append((now + BEGUN, phase.begun))
        elif phase.state.begins == "start":
            found.append((-1.0, phase.begun))
        else:
            found[-1] = (now, phase.begun)
        for done, there in enumerate(_after_bits(phase.begun, phase.bits, course), 1):
            bit = phase.bits[done - 1]
            now = begins[id(bit.stretch)] + bit.last + 1
            found.append((now, there))
    return found


def _after_bits(begun: There, bits: Sequence[Any], course: Course) -> list[There]:
    """What stands there after each bit of a state."""
    ends = {id(there.after): there for there in course.bit_by_bit}
    return [ends[id(bit)] for bit in bits]


def _changes(moments: Sequence[tuple[float, There]], part: int, facets: int) -> list[tuple[float, There]]:
    """The moments at which a part changes; of too many, a few."""
    changes: list[tuple[float, There]] = []
    key: object = None
    for since, there in moments:
        now = (
            len(there.bits(part)),
            tuple(id(piece) for piece in there.gone if piece.part == part),
            tuple(id(one.piece) for one in there.free if one.piece.part == part),
        )
        if now != key:
            changes.append((since, there))
            key = now
    most = int(np.clip(MOST_TRIANGLES // max(facets, 1), 2, MOST_FORMS))
    if len(changes) > most:
        # of several in a row the last: metal rather goes too early than too late
        kept = np.linspace(0, len(changes) - 1, most).round().astype(int).tolist()
        starts = [changes[a + 1][0] if k else changes[0][0] for k, a in enumerate([-1, *kept[:-1]])]
        changes = [(since, changes[k][1]) for since, k in zip(starts, kept, strict=True)]
    return changes


def _forms(
    course: Course, part: int, shape: Shape, changes: Sequence[tuple[float, There]], whole: Any
) -> list[Shape]:
    """A part as it is from one moment to the next, and its pieces that are free."""
    made: list[Shape] = []
    ends = [since for since, _ in changes[1:]] + [END]
    for (since, there), until in zip(changes, ends, strict=True):
        parts = None if whole is None else solids(course, there, part, whole)
        forms = [shape.triangles] if parts is None else [parts.metal, *(t for _, t in parts.free)]
        if not there.bits(part):
            forms = [shape.triangles]
        made += [
            replace(shape, triangles=meshes.thinned(each), there=True, span=(since, until))
            for each in forms
            if len(each)
        ]
    return made
