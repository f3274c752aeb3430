"""The words Z of an NC program go in, one block after the other; how high the upper head's face is above
the part zero comes out, for each move.

Z is the height of the upper head's face above the part zero of the setup, which lies at the same height for
all of G54 to G59. Before the first Z word the face is where the setup puts it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

NOTE = "Z is read as the height of the upper head's face above the part zero"

#: mm: G92 Z at the begin may miss the setup's own height by this much
_AGREE = 0.001


class Height:
    """The height while a program is read, mm above the part zero.

    Attributes:
        now: at this moment.   named: whether the program has any Z.
        on_own: whether ``now`` counts from where the setup puts the face.
    """

    def __init__(self, own: float | None) -> None:
        self.own = own
        self.now = 0.0 if own is None else own
        self.named = False
        self.on_own = True
        self._shift, self._shift_on_own = 0.0, False
        self._of_line: dict[int, tuple[float, float]] = {}
        self._moved = self._own_move = False

    @property
    def used_own(self) -> bool:
        """Whether some move, or where the heads stand, is at a height that counts from the setup's."""
        return self._own_move if self._moved else self.on_own

    def says(self, said: float, relative: bool) -> float:
        """The height at the end of a block with a Z word of ``said`` mm."""
        return self.now + said if relative else said + self._shift

    def goes(self, to: float, relative: bool, line: int | None) -> None:
        """A block's Z is carried out, as a move of its line, or before the path begins (None)."""
        before, on_own = self.now, self.on_own
        self.named, self.now = True, to
        if not relative:
            self.on_own = self._shift_on_own
        if line is not None:
            self._of_line[line] = (before, to)
            self._counts(on_own or self.on_own)

    def stays(self, line: int) -> None:
        """A move without a Z word."""
        if self.named:
            self._of_line[line] = (self.now, self.now)
        self._counts(self.on_own)

    def _counts(self, on_own: bool) -> None:
        self._own_move |= on_own
        self._moved = True

    def preset(self, said: float) -> float | None:
        """G92: the height gets a new figure. Where the setup has the face elsewhere, that height comes back.

        Before any Z word the program thus says where the face is, and the setup has said so already.
        """
        if not self.named and self.own is not None and abs(said - self.own) > _AGREE:
            return self.own
        if not self.named and self.own is None:
            self.now = said
        self._shift, self._shift_on_own = self.now - said, self.on_own
        return None

    def of(self, lines: Sequence[int]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """The heights at both ends of the moves of these lines, (M,) each."""
        begin = 0.0 if self.own is None else self.own
        if not self._moved:
            begin = self.now
        both = np.array([self._of_line.get(line, (begin, begin)) for line in lines], dtype=float)
        return both[:, 0], both[:, 1]
