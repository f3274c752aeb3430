"""A holder that bridges, a rail or a frame, and what it carries go in; that it is bolted at one end only, and
how far it stands out from there, comes out. So does a shank that is hardly in its chuck.

It is bolted where it touches, level or upright, what would be held without it: the machine, another holder.
Screws there hold it up though its centre of gravity is beside them, as long as that is not too far. What
grips a part, a chuck or a vise, is made to stand out, and is not asked.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from clearance.process.hanging import held_by_jaws
from clearance.process.holding import ContactCache
from clearance.process.part_state import StateRemark
from clearance.process.statics import Array, Resultant, hull, outside_statics
from clearance.process.support import SHIM, TOUCHES
from clearance.records import record
from clearance.scene.hanging import Holding
from clearance.scene.model import Body
from clearance.scene.placing import Masses
from clearance.scene.stability import LEVER, reach, table_is_described
from fixtures_lib.holder import Does, Fastened

#: the remarks' kind
ONE_END = "bolted at one end"
#: a holder's shank that is less in what grips it is hardly held, mm (common practice, no source: those of the
#: library are 40 long and 20 high)
SHANK_IN = 10.0


@record
class Fixing:
    """Where a holder is bolted.

    Attributes:
        names: of what it is bolted to.   corners: (N, 2) of the hull of all places, from above, mm.
        height: over which it lies against something upright, mm.
    """

    names: tuple[str, ...]
    corners: Array
    height: float


class Fixings:
    """Where the bridging holders of a scene are bolted; each is looked at once beside the same others.

    Args:
        contact: of the scene.   masses: of its items.
    """

    def __init__(self, contact: ContactCache, masses: Masses) -> None:
        self._contact, self._masses = contact, masses
        self._described = table_is_described(contact.bodies, contact.table)
        self._holding: Holding | None = None
        self._known: dict[tuple[int, frozenset[int]], Fixing | None] = {}

    def remark(self, k: int, present: Sequence[int], total: Resultant) -> StateRemark | None:
        """What is told of a holder that stands out from what it is bolted to.

        Args:
            k: index of its body.   present: of those that are there.   total: its weight and all its load.
        """
        if not (self._described and _bridges(self._contact.bodies[k])) or total.down <= 0.0:
            return None
        fixing = self._at(k, frozenset(present))
        if fixing is None:
            return None
        beside = outside_statics(total.at, fixing.corners)
        along = max(reach(fixing.corners, total.at), fixing.height)
        if beside <= along:
            return None
        message = (
            f"is bolted to {_named(fixing)} only, on {along:.1f} mm, and its centre of gravity, with what "
            f"stands on it, is {beside:.1f} mm out from there"
        )
        if beside > LEVER * along and self._table_beyond(fixing, total.at):
            return StateRemark(ONE_END, "close", self._contact.bodies[k].name, f"{message}: {_FAR}")
        return StateRemark(ONE_END, "note", self._contact.bodies[k].name, f"{message}: {_SCREWS}")

    def _table_beyond(self, fixing: Fixing, at: Array) -> bool:
        """Whether the machine file has table on the side on which a holder stands out; else nobody has said
        what its other end may reach.

        Args:
            fixing: where it is bolted.   at: its centre of gravity (2,), outside that.
        """
        import shapely

        out = (
            at
            - shapely.get_coordinates(
                shapely.shortest_line(shapely.MultiPoint(fixing.corners).convex_hull, shapely.Point(at))
            )[0]
        )
        table = self._contact.table
        for body in self._contact.bodies:
            if body.kind != "machine" or body.name in fixing.names or not table_is_described([body], table):
                continue
            (x0, y0, _), (x1, y1, _) = body.aabbs.box
            corners = np.array([(x0, y0), (x0, y1), (x1, y0), (x1, y1)])
            if float(((corners - at) @ out).max()) > 0.0:
                return True
        return False

    def shanks(self, present: Sequence[int]) -> list[StateRemark]:
        """What is told of holders whose shank is hardly in what grips it.

        Args:
            present: indices of the bodies that are there.
        """
        found = []
        bodies, there = self._contact.bodies, frozenset(present)
        for k in sorted(there):
            kind = bodies[k].library
            if kind is None or kind.fastened is not Fastened.IN_A_SHANK:
                continue
            fixing = self._at(k, there)
            middle = (bodies[k].bulk[1] if bodies[k].closed else np.mean(bodies[k].aabbs.box, axis=0))[:2]
            if fixing is None or outside_statics(middle, fixing.corners) <= 0.0:
                continue
            along = reach(fixing.corners, middle)
            if along < SHANK_IN:
                message = f"its shank is only {along:.1f} mm in {_named(fixing)}: push it in"
                found.append(StateRemark("hardly gripped", "close", bodies[k].name, message))
        return found

    def _at(self, k: int, there: frozenset[int]) -> Fixing | None:
        key = k, there
        if key not in self._known:
            self._known[key] = self._fixing(k, there)
        return self._known[key]

    def _fixing(self, k: int, there: frozenset[int]) -> Fixing | None:
        """None where nothing is known to hold it: that is told where the setup is put together."""
        import shapely

        bodies = self._contact.bodies
        if self._holding is None:
            self._holding = Holding(bodies)
        above = {body.name for body in (*self._masses.above(bodies[k]), *self._masses.shared(bodies[k]))}
        names, points, height = [], [], 0.0
        # screws draw up what is half a millimetre off, and a slot has its play
        air = SHIM if _bridges(bodies[k]) else TOUCHES
        for j in self._holding.of(k, there, above, self._described):
            upright = held_by_jaws(self._contact.contacts, k, {j: air}, one_sided=True)
            places = shapely.union_all([self._contact.near(k, j), self._contact.near(j, k), upright.where])
            if not places.is_empty:
                names.append(bodies[j].name)
                points.append(shapely.get_coordinates(places))
                height = max(height, upright.height)
        return Fixing(tuple(names), hull(np.concatenate(points)), height) if points else None


def _named(fixing: Fixing) -> str:
    return " and ".join(f'"{name}"' for name in fixing.names)


_FAR = "too far for its screws there; let its other end reach something, too"
_SCREWS = "only its screws there keep it up, its other end hangs free"


def _bridges(body: Body) -> bool:
    """Whether a holder is screwed down and carries what lies across it, with no jaws of its own."""
    kind = body.library
    if kind is None or kind.fastened is not Fastened.BOLTED:
        return False
    return Does.BEARS in kind.does and Does.CARRIES in kind.does and Does.GRIPS not in kind.does
