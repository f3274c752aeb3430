"""Every number of the kernels that changes an answer, in one object that is handed down. Lengths mm."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Tolerances:
    """What counts as a touch, how fine is looked, and what either kernel may be short by.

    Attributes:
        touch: a distance up to this is a touch: exact contacts come out of doubles a little above zero.
        width: what either kernel's figure may be below the truth; the promise of the report.
        search_width: a golden section search ends within this of the lowest place; taken off its answer.
        agree_from: grown distances are of interest up to here: enough to see whether two ways agree.
        horizon: distances past this are not given move by move.
        beyond_touch: heads are grown by this on top of all else where windows are looked for, so that the end
            of one is no touch.
    """

    touch: float = 1e-6
    width: float = 0.005
    search_width: float = 1e-7
    agree_from: float = 0.02
    horizon: float = 20.0
    beyond_touch: float = 4e-6

    @property
    def found_touch(self) -> float:
        """A touch by a figure from which the search's width was taken off."""
        return self.touch + self.search_width


DEFAULT = Tolerances()
