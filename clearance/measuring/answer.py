"""A setup and a form go in; how the part lies, what to turn, the zeros, and three verdicts come out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from clearance.measuring.corrections import Corrected, corrections, lean_of, per_height
from clearance.process.check import check
from clearance.process.findings import Checked
from clearance.records import by_values, hash_by_values, record
from clearance.scene.load import load
from clearance.scene.measured import Asked, Lies, Trial, Zero, zeros_of
from clearance.scene.model import Scene
from clearance.scene.tries import Set

if TYPE_CHECKING:
    from clearance.advice.placement import PlacementAnswer

Array = NDArray[np.float64]
Tell = Callable[[float, str], None]

#: walls that lean by less need no correction, micrometres over the part's height, where nobody says otherwise
LEAN = 10.0
#: the findings about the readings themselves
OF_READINGS = ("readings", "not told")


@record
class PartAnswer:
    """One part that was measured.

    Attributes:
        lies: how.   height: of the part, mm.   lean_um: how far cut walls would lean, if all is left.
        uv: U and V for each mm of height that make the wire square to it.
        corrected: what to turn.   left_um: how far walls lean then.
        zeros: of each program through it, as it lies.   zeros_after: after the corrections.
    """

    lies: Lies
    height: float
    lean_um: float
    uv: tuple[float, float]
    corrected: Corrected
    left_um: float
    zeros: tuple[Zero, ...]
    zeros_after: tuple[Zero, ...]


@dataclass(frozen=True)
class Measured:
    """The whole answer.

    Attributes:
        parts: each part that was measured.
        planned, measured: the verdicts as planned and as it lies.
        after: the one after the corrections, or None where nothing is to be turned.
        placement: how far the zero may be off where the part ends up, or None where that is not clear.
        lean: the figure under which walls may lean, micrometres.
        needed: whether anything has to be corrected at all.
    """

    __eq__ = by_values
    __hash__ = hash_by_values

    parts: tuple[PartAnswer, ...]
    planned: Checked
    measured: Checked
    after: Checked | None
    placement: PlacementAnswer | None
    lean: float
    needed: bool

    def __repr__(self) -> str:
        after = "nothing to turn" if self.after is None else f"{self.after.verdict} after corrections"
        verdicts = f"{self.planned.verdict} as planned, {self.measured.verdict} as measured, {after}"
        return f"<Measured {len(self.parts)} parts: {verdicts}>"


def find_measured(setup: str, asked: Asked, lean: float = LEAN, tell: Tell | None = None) -> Measured:
    """How the parts of a setup lie, and what to do about it.

    Args:
        setup: the path of the setup file.   asked: the form, and for how many standard uncertainties.
        lean: walls may lean by so many micrometres.   tell: is told the share done and what is looked at.

    Raises:
        InputError: as for ``load``; or nothing was measured.
    """
    from clearance.advice.placement import find_placement
    from clearance.measuring.corrections import refuse_nothing_measured

    say = tell or (lambda share, what: None)
    say(0.0, "reading")
    scene = load(setup, asked)
    refuse_nothing_measured(scene, asked.form or setup)
    assert scene.planned is not None
    say(0.1, "checking as planned")
    # what is told of readings is told of the part as it lies
    stands = tuple(f for f in scene.planned.findings if f.kind not in OF_READINGS)
    planned = check(replace(scene.planned, findings=stands))
    say(0.3, "checking as it lies")
    measured = check(scene)
    say(0.5, "looking what to turn")
    done = {one.part: corrections(scene, one) for one in scene.lies}
    after_scene = tried(setup, scene, done)
    after = None
    if after_scene is not None:
        say(0.6, "checking as corrected")
        after = check(after_scene)
    parts = tuple(_part(scene, after_scene, one, done[one.part]) for one in scene.lies)
    needed = measured.verdict != "clear" or any(part.lean_um > lean for part in parts)
    last = after if after is not None and needed else measured
    say(0.8, "looking how far the zero may be off")
    placement = find_placement(last) if last.verdict == "clear" else None
    return Measured(parts, planned, measured, after, placement, lean, needed)


def tried(setup: str, scene: Scene, done: dict[str, Corrected], rounded: bool = True) -> Scene | None:
    """The setup loaded afresh with the corrections, its parts where they then lie; None: nothing to turn.

    Args:
        setup: the path of the setup file.   scene: as measured.   done: the corrections of each part.
        rounded: to the divisions of the screws.
    """
    edits = tuple(
        Set(item, param, value)
        for each in done.values()
        for item, values in each.params(rounded).items()
        for param, value in values.items()
    )
    if not edits:
        return None
    then = {name: each.then if rounded else each.exact for name, each in done.items()}
    nozzles = None if scene.reading is None else scene.reading.nozzles
    there = load(setup, Asked(trial=Trial(edits, scene.lies, then), nozzles=nozzles))
    kept = tuple(f for f in scene.findings if f.kind in OF_READINGS)
    return replace(there, findings=(*there.findings, *kept))


def _part(scene: Scene, after: Scene | None, one: Lies, done: Corrected) -> PartAnswer:
    body = scene.items[one.part]
    z = body.triangles_M[..., 2]
    height = float(z.max() - z.min())
    T = one.fit.matrix
    left = done.then @ T
    return PartAnswer(
        lies=one,
        height=height,
        lean_um=lean_of(T, height),
        uv=per_height(T),
        corrected=done,
        left_um=lean_of(left, height),
        zeros=zeros_of(scene, scene, one),
        zeros_after=zeros_of(scene, after, one) if after is not None else (),
    )
