"""What is found of an item's places: regions, holes, sides of parts, and the answer that they are part of."""

from __future__ import annotations

from typing import Any

from clearance.advice.where.best import Bound, Spot
from clearance.advice.where.free import Map, Reason
from clearance.advice.where.seats import ItemSeat
from clearance.records import record


@record
class Region:
    """Places on a plane that hang together.

    Attributes:
        outline: of the item's origin (shapely), machine X Y, mm.   turn: degrees from how it stands.
        room: by how much the item may be off in the middle of it, mm.
    """

    outline: Any
    turn: float
    room: float


@record
class Hole:
    """Places about one thread hole.

    Attributes:
        at: (x, y), machine, mm.   turns: from, to, degrees from how it stands now, each end proven, pushed as
            far as ``best`` says.
        room: by how much it may be off in X and Y at the best of these places, mm.
        best: turn, degrees, and how far it is pushed along its slot towards its tip from how it stands now,
            mm.
        slot: from where to where it may be pushed at that turn, mm.
    """

    at: tuple[float, float]
    turns: tuple[float, float]
    room: float
    best: tuple[float, float] = (0.0, 0.0)
    slot: tuple[float, float] | None = None


@record
class Side:
    """Places along a side of a part, which the item lies against.

    Attributes:
        part: its name.   ends: (x, y) of the item's own zero from where to where, machine, mm.
        turn: degrees from how it stands.   room: by how much it may be off along the side, mm.
    """

    part: str
    ends: tuple[tuple[float, float], tuple[float, float]]
    turn: float
    room: float


Place = Region | Hole | Side


@record
class ItemPlaces:
    """Where one item may stand.

    Attributes:
        item: its name.   seat: the family of places.   map: all that was found out.
        least: by how much it must be allowed to be off, mm.
        regions, holes, sides: its places, those with the most room first; ``tight``: those with less room
            than ``least``, which are no places to use.
        best: the one to use; None where there is none.   bounds: what bounds it on each side.
        nowhere: no place at all, for certain.   undecided: mm2 (or holes' degrees) that are undecided.
        forbids: what forbids places, the one that forbids most first: words, share.
        doubts: what the judge said against places that were found; these are not among ``regions``.
        looked_at: the judge alone tells its work, at single places.
        now: by how much it may be off where it stands now, mm; None where that is no place.
            ``now_why``: why not, or why by nothing at all.
        partly: parts on which its tip lies in part only where it stands now.
        in_part: a tip that lies on metal in part is enough for these places.
        opens: what would make room where there is none.
    """

    item: str
    seat: ItemSeat
    map: Map
    least: float
    regions: tuple[Region, ...] = ()
    holes: tuple[Hole, ...] = ()
    sides: tuple[Side, ...] = ()
    tight: tuple[Place, ...] = ()
    best: Spot | None = None
    bounds: tuple[Bound, ...] = ()
    nowhere: bool = False
    undecided: float = 0.0
    forbids: tuple[tuple[Reason, float], ...] = ()
    doubts: tuple[str, ...] = ()
    looked_at: bool = False
    opens: tuple[str, ...] = ()
    now: float | None = None
    now_why: str = ""
    partly: tuple[str, ...] = ()
    in_part: bool = False

    @property
    def shift(self) -> tuple[float, float] | None:
        """By how much its own origin goes from where it stands to the best place, mm; None where there is no
        best place."""
        if self.best is None:
            return None
        return self.seat.by(self.best.at, self.best.turn)

    @property
    def verdict(self) -> str:
        """ "places", "nowhere" or "undecided"."""
        return "places" if self.best is not None else "nowhere" if self.nowhere else "undecided"
