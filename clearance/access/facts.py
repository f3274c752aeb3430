"""What was found out about threading, pieces, weight, stops and travel goes to whoever shows it: the figures
in the findings, and those that gave rise to none.
"""

from __future__ import annotations

from dataclasses import dataclass

from clearance.access.balance import Weight
from clearance.access.parting import Piece
from clearance.access.runs import Run
from clearance.access.stops import Stop
from clearance.access.travel import Used
from clearance.access.way import Way


@dataclass(frozen=True)
class Facts:
    """Of one scene.

    Attributes:
        weights: of every part that closes.
        stops: what the setter does between cuts.
        travel: what each axis uses.   lean: the largest lean of the wire in each cut, degrees.
        threaded: each run, with its wire's way through each part that is cut, where it is threaded.
        pieces: what comes free, in order.   tabs: what a tab still holds at the end.
    """

    weights: tuple[Weight, ...]
    stops: tuple[Stop, ...]
    travel: dict[str, Used]
    lean: dict[str, float]
    threaded: tuple[tuple[Run, tuple[Way, ...]], ...] = ()
    pieces: tuple[Piece, ...] = ()
    tabs: tuple[Piece, ...] = ()
