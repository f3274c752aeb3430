"""What was found out of a job's metal and of what holds it: a scene that has the same bodies need not find it
out again.

A change that is tried leaves most of a job as it was. What is left of a part is told by what was taken out of
it, one after the other: that is a tree, in which each way down is a course of the job. What holds a part is
told by the question.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import field
from typing import TYPE_CHECKING, Any

from clearance.records import changing
from clearance.scene.model import Body

if TYPE_CHECKING:
    from clearance.process.holding import ContactCache
    from clearance.process.part_state import PartInState, StateOfPart
    from clearance.process.stock import Metal


@changing
class Left:
    """A part after some kerfs and pieces were taken out of it.

    Attributes:
        metal: what is left.   away: the region of all that is gone.   freed: the piece that came free last.
        told: what else was found out of it, by what it is about.   kept: whose place in memory is a key.
    """

    metal: Metal | None = None
    away: Any = None
    freed: Metal | None = None
    told: dict[Any, Any] = field(default_factory=dict)
    kept: Any = None
    _after: dict[Any, Left] = field(default_factory=dict)

    def after(self, key: Any, kept: Any = None) -> Left:
        """The same once more is taken out.

        Args:
            key: what.   kept: an object by whose place in memory the key is told.
        """
        if key not in self._after:
            self._after[key] = Left(kept=kept)
        return self._after[key]


class Known:
    """What is known of scenes of the same bodies; of others it is forgotten."""

    def __init__(self) -> None:
        self.bodies: Sequence[Body] | None = None
        self.contact: ContactCache | None = None
        self._left: dict[tuple[int, float], Left] = {}
        self._answers: dict[Any, tuple[PartInState, StateOfPart]] = {}

    def begin(self, bodies: Sequence[Body]) -> None:
        """Say whose bodies are asked about now."""
        if self.bodies is not bodies:
            self.bodies, self.contact = bodies, None
            self._left.clear()
            self._answers.clear()

    def left(self, part: int, width: float) -> Left:
        """A part before anything is cut, by a kerf so wide (mm).

        Args:
            part: index of its body.   width: of the kerf, mm.
        """
        return self._left.setdefault((part, width), Left())

    def answer(self, asked: PartInState, make: Callable[[], StateOfPart]) -> StateOfPart:
        """What holds a part; made where the same was not asked before.

        Args:
            asked: the part, what is there, its metal, the jets.   make: works it out.
        """
        jets = None if asked.jets is None else (asked.jets.lower, asked.jets.upper)
        load = tuple((one.down, one.moment.tobytes()) for one in asked.load)
        key = (
            asked.part, id(asked.metal), asked.whole, asked.present, asked.cut, asked.held_by,
            asked.path.tobytes(), jets, asked.on_table, load, asked.pressed_above,
            tuple((k, id(metal)) for k, metal in asked.beside),
        )  # fmt: skip
        if key not in self._answers:
            # the question is kept with it, so that no other metal can have its place in memory
            self._answers[key] = (asked, make())
        return self._answers[key][1]
