"""What is asked of a part in a state of the job, and what is answered: no more than names for the values.

``balance`` makes the answers, others ask and add to them.
"""

from __future__ import annotations

from dataclasses import field

import numpy as np

from clearance.mesh.sections import Outline
from clearance.process.account import Held
from clearance.process.statics import Array, Jets, Resultant
from clearance.process.stock import Metal
from clearance.records import changing, record

#: how a message begins that says what of an item, or who, does something, and not what the item itself does
_OF_IT = ("the ", "its ", "only ", "nothing ")


def sentence(item: str | None, message: str) -> str:
    """What is told of an item, its name before it.

    Args:
        item: its name.   message: as of a finding.

    >>> sentence("plate", "floats"), sentence("plate", "its tip is too low")
    ('"plate" floats', '"plate": its tip is too low')
    """
    return f'"{item}": {message}' if message.startswith(_OF_IT) else f'"{item}" {message}'


@record
class StateRemark:
    """One thing to tell: kind, severity, the item that it is about, the message; and what of the item it is
    about, where several things of one kind are told of it."""

    kind: str
    severity: str
    item: str
    message: str
    about: str = ""


@changing
class StateOfPart:
    """What holds a part in a state, and what is to be told."""

    held: Held
    remarks: list[StateRemark] = field(default_factory=list)
    #: places at which something carries it, for what stands on it
    corners: Array = field(default_factory=lambda: np.empty((0, 2)))
    #: by the name of what carries it: the most that it puts there, N, and where
    puts: dict[str, Resultant] = field(default_factory=dict)


@record
class PartInState:
    """A part in a state, and what is asked of it.

    Attributes:
        part: index of the body.   metal: what is left of it.
        whole: nothing has been cut from it yet.
        outline: its slices, for what touches its sides.
        present: indices of the bodies that are there.
        cut: whether it is cut in this state: then something must press or grip it.
        held_by: what the setup says that holds it.
        path: (N, 2) places at which the jets act in this state.   jets: their forces, or None.
        on_table: it lies on Z = 0, where the setup describes nothing that carries.
        load: weight of other parts that stand on it.   pressed_above: names of what presses such a part.
        beside: indices of other parts that touch it or nearly, and what is left of each; None: all of it.
    """

    part: int
    metal: Metal
    whole: bool
    outline: Outline
    present: tuple[int, ...]
    cut: bool
    held_by: str | None = None
    path: Array = field(default_factory=lambda: np.empty((0, 2)))
    jets: Jets | None = None
    on_table: bool = False
    load: tuple[Resultant, ...] = ()
    pressed_above: tuple[str, ...] = ()
    beside: tuple[tuple[int, Metal | None], ...] = ()
