"""The words U and V of an NC program go in, one block after the other; u and v in mm come out."""

from __future__ import annotations

from math import isnan, nan


class Taper:
    """The words U V as they stand, one value an axis: counted from X Y, or the upper point itself."""

    def __init__(self, words: str | None) -> None:
        self.absolute = words == "absolute"
        self.named = False
        self.now = [nan, nan] if self.absolute else [0.0, 0.0]

    def axis(
        self, k: int, said: float | None, scale: float, relative: bool, before: float, x: float, shift: float
    ) -> float:
        """u (k = 0) or v (k = 1) at the end of a block, mm.

        Args:
            said: the block's word, in program units.  relative: G91 holds.
            before, x: X or Y before and at the end of the block, mm.  shift: of the program's zero, mm.
        """
        if said is not None:
            self.named = True
            base = self.now[k]
            if self.absolute:
                base = before if isnan(base) else base
                self.now[k] = base + said * scale if relative else said * scale + shift
            else:
                self.now[k] = base + said * scale if relative else said * scale
        if self.absolute:
            return 0.0 if isnan(self.now[k]) else self.now[k] - x
        return self.now[k]
