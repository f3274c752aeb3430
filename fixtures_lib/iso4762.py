"""A thread size goes in ("M8"); the screw's and nut's measures, and their solids, come out.

Heads of socket-head cap screws: ISO 4762, as tabled in public pages; dk of M3 to M5 knurled, sockets,
washers (ISO 7089), nuts (ISO 4032) and through-holes (ISO 273, medium) from memory. Lengths are mm.
"""

from __future__ import annotations

from typing import Any

from clearance.records import record
from fixtures_lib.solids import FACET, bar, cut, hexagon, hole, join, prism


@record
class Screw:
    """Measures that go with one thread size, mm.

    Attributes:
        d: thread.   k: head height, = d.   dk: head diameter, plain.   dk_knurled: the one to clear.
        socket: across flats; it is ``d / 2`` deep.
        through: hole it passes through.   washer: its diameter.
        nut: across flats.   nut_height.   drill: thread hole.
    """

    d: float
    dk: float
    dk_knurled: float
    socket: float
    through: float
    washer: float
    nut: float
    nut_height: float
    drill: float

    @property
    def k(self) -> float:
        return self.d


SCREWS = {
    "M3": Screw(3, 5.5, 5.68, 2.5, 3.4, 7, 5.5, 2.4, 2.5),
    "M4": Screw(4, 7, 7.22, 3, 4.5, 9, 7, 3.2, 3.3),
    "M5": Screw(5, 8.5, 8.72, 4, 5.5, 10, 8, 4.7, 4.2),
    "M6": Screw(6, 10, 10.22, 5, 6.6, 12, 10, 5.2, 5.0),
    "M8": Screw(8, 13, 13.27, 6, 9, 16, 13, 6.8, 6.8),
    "M10": Screw(10, 16, 16.27, 8, 11, 20, 16, 8.4, 8.5),
    "M12": Screw(12, 18, 18.27, 10, 13.5, 24, 18, 10.8, 10.2),
    "M16": Screw(16, 24, 24.33, 14, 17.5, 30, 24, 14.8, 14.0),
    "M20": Screw(20, 30, 30.33, 17, 22, 37, 30, 18, 17.5),
}


def head(size: str, under: float, at: tuple[float, float] = (0.0, 0.0), *, error: float = FACET) -> Any:
    """The head, knurled, seated at z = ``under`` and standing up from there; ``error`` of its facets."""
    s = SCREWS[size]
    socket = prism(hexagon(s.socket, at), under + s.k - s.d / 2, under + s.k + 1)
    return cut(bar(s.dk_knurled, under, under + s.k, at, error=error), socket)


def screw(size: str, under: float, end: float, at: tuple[float, float] = (0.0, 0.0)) -> Any:
    """Head seated at z = ``under`` and the thread down to z = ``end``, as one solid."""
    return join(head(size, under, at), bar(SCREWS[size].d, end, under + SCREWS[size].d / 4, at))


def nut(size: str, low: float, at: tuple[float, float] = (0.0, 0.0)) -> Any:
    """A hexagon nut whose lower face is at z = ``low``, with its bore."""
    s = SCREWS[size]
    return cut(
        prism(hexagon(s.nut, at), low, low + s.nut_height), hole(s.d, low - 1, low + s.nut_height + 1, at)
    )
