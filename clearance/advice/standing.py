"""A part that lies elsewhere than planned: a scene goes in; how far it may, until what carries and holds it,
or where its wire is threaded, is no longer right, comes out.

The part and its path move together, the holders stay; that is the same as holders that move the other way. It
is asked at the ends and the corners of a box: what carries and presses goes away one after the other on the
way out. A vise that grips the part goes along with it, so there nothing is told.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from clearance.advice.edits import shifted, turned
from clearance.advice.whole import Key, Told, key_of
from clearance.process.check import told
from clearance.scene.model import Finding, Scene

#: ends are found to this, mm, and degrees
GRAIN, TURN_GRAIN = 0.05, 0.05
#: shares of a box that are tried where its corners are not right
SHARES = (1.0, 0.75, 0.5, 0.25, 0.1)


class Standing:
    """How a job stands where its parts lie elsewhere.

    Args:
        scene: as planned.   before: what the job says of it.   about: (2,) what the parts are turned about.
    """

    def __init__(self, scene: Scene, before: Told, about: Sequence[float]) -> None:
        self.scene, self.about = scene, np.asarray(about, dtype=float)
        self.known: frozenset[Key] = before.grave
        parts = {b for s in scene.stretches for b in s.cut_bodies}
        self.others = [k for k in range(len(scene.bodies)) if k not in parts]
        states = () if before.account is None else before.account.states
        held = [each for state in states for each in state.parts]
        self.gripped = sorted({name for each in held for name in each.gripped_by})
        #: whether anything is known of what holds the parts, and stays where it is when they do not
        self.judged = bool(held) and not self.gripped

    def wrong(self, dx: float, dy: float, degrees: float = 0.0) -> Finding | None:
        """What is no longer right where the parts lie shifted, mm, and turned before that; None: nothing."""
        there = shifted(self.scene, self.others, (-dx, -dy, 0.0))
        if degrees:
            there = turned(there, self.others, self.about, -degrees)
        found, _ = told(there)
        return next((f for f in found if f.severity != "note" and key_of(f) not in self.known), None)

    def end(
        self, limit: float, at: Callable[[float], Finding | None], grain: float
    ) -> tuple[float, Finding | None]:
        """How far it may go towards a limit, and what is wrong farther on; None where it may all the way."""
        why = at(limit)
        if why is None:
            return limit, None
        low, high = 0.0, limit
        while abs(high - low) > grain:
            middle = (low + high) / 2.0
            found = at(middle)
            if found is None:
                low = middle
            else:
                high, why = middle, found
        return low, why

    def share(self, places: Sequence[tuple[float, float, float]]) -> float:
        """The largest share of the way to all these shifts and turns at which all is right; 0: at none."""
        for share in SHARES:
            if all(self.wrong(share * x, share * y, share * a) is None for x, y, a in places):
                return share
        return 0.0
