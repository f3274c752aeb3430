"""FCL's side of the judgement: envelopes and bodies go in, their distance, swallowing included, comes out.

FCL sees surfaces only. A body that swallows another is no contact to it: see ``containment``.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field
from functools import cached_property, partial

import fcl
import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import boxes_of
from clearance.kernels.containment import body_swallows, head_swallows
from clearance.kernels.fcl.bodies import AS_IT_IS, SMALL, Bodies, Grow, is_short
from clearance.kernels.fcl.culling import (
    MANY,
    Neighbourhood,
    at_position,
    near_any,
    neighbourhood,
    neighbourhood_within,
    seen_from,
)
from clearance.kernels.fcl.envelope import Envelope, envelope_along, envelopes
from clearance.kernels.fcl.positions import BodyBoxes, Started, started
from clearance.kernels.fcl.surfaces import Groups, Shown, distances, smallest
from clearance.kernels.sweeps import Growth, HeadRun, WarmStart
from clearance.records import changing
from clearance.scene.heads import HeadPiece
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]
Rows = NDArray[np.bool_]
Index = NDArray[np.intp]

#: nothing of an envelope
_NONE = np.zeros(0, dtype=np.intp)
#: so many more for each body that is asked for, since what FCL needs to see is found for each by itself
_FOR_EACH = 1


@changing
class _Grown:
    """A head grown by some amount: its pieces and its envelope; for each body which triangles of the envelope
    FCL is shown, and what of the body; or, of a head that comes often, no envelope and
    how far each body is from it."""

    pieces: list[HeadPiece]
    triangles: Array | None
    seen: dict[int, Index] = field(default_factory=dict)
    places: dict[int, Neighbourhood] = field(default_factory=dict)
    known: dict[int, float] = field(default_factory=dict)


class FclHead:
    """One head along one set of moves, grown as asked; each envelope is made once.

    Args:
        present: the bodies that will be asked for.
        starts: for some bodies where to look first.
    """

    def __init__(
        self,
        bodies: Bodies,
        moves: Moves,
        pieces: Sequence[HeadPiece],
        only: Rows | None,
        present: Sequence[int],
        starts: Mapping[int, WarmStart] | None = None,
    ) -> None:
        self.bodies, self.path, self.pieces = bodies, bodies.path(moves, only), tuple(pieces)
        self.present, self._starts = present, starts or {}
        #: all parts of one head, this one with them
        self.parts: Sequence[FclHead] = (self,)
        self._started: dict[Grow, dict[int, Started]] = {}
        self._made: dict[Grow, _Grown] = {}
        self._expected: dict[Grow, Sequence[int]] = {}
        self._swept: dict[Grow, list[tuple[float, ...]]] = {}

    def expect(self, side: float, height: float, bodies: Sequence[int]) -> None:
        """Say which ``bodies`` will be asked for with this growth, mm; without it, all that are present."""
        self._expected[side, height] = bodies

    @property
    def growths(self) -> list[Grow]:
        """All that will be asked for, as it is first."""
        return [AS_IT_IS, *self._expected]

    def asked(self, growth: Grow) -> Sequence[int]:
        """The bodies that will be asked for with a growth."""
        return self._expected.get(growth, self.present)

    def is_small(self, asked: Sequence[int]) -> bool:
        """Whether it is quicker to hold the envelope against a bound than to ask what FCL needs to see."""
        few = all(len(self.bodies.triangles(body)) < MANY for body in asked)
        return few and is_short(self.path, self.pieces, SMALL + _FOR_EACH * len(asked))

    def _grown(self, side: float, height: float) -> _Grown:
        key = (side, height)
        if key not in self._made:
            prepare([self], [key])
        return self._made[key]

    def take(self, growth: Grow, grown: _Grown) -> None:
        """Hold ``grown``, which was made for this head and ``growth`` together with others."""
        self._made[growth] = grown

    @cached_property
    def is_repeated(self) -> bool:
        """Whether many heads of this shape along paths of this shape are expected."""
        return self.bodies.is_repeated(self.path, self.pieces)

    def share(self, growth: Grow) -> tuple[Groups, Array, dict[int, float]]:
        """Take the whole envelope, one for all heads and paths of this shape: it, where it stands, and what
        is to take in the distances of bodies from it."""
        made = self._made.setdefault(growth, _Grown([], None))
        return (*self.bodies.swept(self.path, self.pieces, growth), made.known)

    def make(self, growth: Grow) -> None:
        """Make the envelope of a long path, or for large bodies, by itself: what FCL needs to see of both."""
        own = self.bodies.tolerances
        pieces = [piece.grown(*growth) for piece in self.pieces]
        places = {body: self._place(body, growth, pieces) for body in self.asked(growth)}
        there = {body: place for body, place in places.items() if place is not None}
        seen = list(there.values())
        mesh = envelope_along(self.path.lines, pieces, partial(near_any, seen), own).triangles
        rows = dict(zip(there, seen_from(seen, mesh), strict=True))
        self._made[growth] = _Grown(pieces, mesh, rows, there)

    def _place(self, body: int, growth: Grow, pieces: Sequence[HeadPiece]) -> Neighbourhood | None:
        """What of a body FCL needs to see; None where another part of the head is nearer than all of it."""
        own, start, bound = self.bodies.tolerances, self.started(growth).get(body), self.bound(body, growth)
        aabbs, path = self.bodies.aabbs(body), self.path.boxes
        if start is None and bound < np.inf:
            return neighbourhood_within(bound, aabbs, path, pieces, own)
        return neighbourhood(self.bodies.triangles(body), aabbs, path, pieces, own, start)

    def started(self, growth: Grow) -> dict[int, Started]:
        """Distances that are there between the pieces, grown, on the path and those of the bodies of which it
        is said where to look, nearly the smallest. Nothing that was said is believed."""
        if growth not in self._started:
            known = [body for body in self.asked(growth) if body in self._starts]
            self._started[growth] = {}
            if not known:
                return {}  # no boxes of the path are made
            found = started(
                self.path.boxes,
                [piece.grown(*growth) for piece in self.pieces],
                [(self.bodies.triangles(b), self.bodies.aabbs(b), self._starts[b]) for b in known],
            )
            pairs = zip(known, found, strict=True)
            self._started[growth] = {body: each for body, each in pairs if each is not None}
        return self._started[growth]

    def bound(self, body: int, growth: Grow) -> float:
        """How near some part of the head is to a body for certain, mm; without end where nothing tells."""
        here = (part.started(growth).get(body) for part in self.parts)
        return min((each.there for each in here if each is not None), default=np.inf)

    def at_most(self, body: int, pieces: Sequence[HeadPiece]) -> float:
        """A distance that is there between a body and the pieces somewhere on the path, mm."""
        # as it stands at the corner of the path that is nearest to the body's box
        (x0, y0, _), (x1, y1, _) = self.bodies.box(body)
        points = self.path.points
        x = np.maximum(np.maximum(x0 - points[:, 0], points[:, 0] - x1), 0.0)
        y = np.maximum(np.maximum(y0 - points[:, 1], points[:, 1] - y1), 0.0)
        wire = points[int(np.argmin(x * x + y * y))]
        standing, lift = self.bodies.standing(pieces)
        there = standing.at(np.array([wire[0], wire[1], lift]) - self.bodies.origin)
        whole = self.bodies.whole(body)
        return max(float(fcl.distance(there.object, whole.object, fcl.DistanceRequest())), 0.0)

    def distance(self, body: int, side: float = 0.0, height: float = 0.0) -> float:
        """From the head, grown by ``side`` and ``height``, to a body; 0 too where it swallows the body."""
        # of others the envelope need not show what is near
        assert body in self.asked((side, height)), "a body that was not said to be asked for"
        grown = self._grown(side, height)
        if grown.triangles is None:
            if body not in grown.known:
                _at_many_places([self], (side, height), [body])
            distance = grown.known[body]
        else:
            distance = self._seen(grown, grown.triangles, body, (side, height))
        if distance > 0.0 and self._meets_box(body, (side, height)):
            aabbs = self.bodies.aabbs(body)
            pieces = grown.pieces or [piece.grown(side, height) for piece in self.pieces]
            if head_swallows(self.bodies.triangles(body), aabbs, self.path.runs, pieces):
                return 0.0
        return distance

    def _seen(self, grown: _Grown, envelope: Array, body: int, growth: Grow) -> float:
        """What FCL finds between a head and a body, or the bound on what it was not shown."""
        place, head = grown.places.get(body), envelope[grown.seen.get(body, _NONE)]
        nearest = partial(
            smallest,
            origin=self.bodies.origin,
            start=self._starts.get(body),
            matters=self.bound(body, growth) + self.bodies.tolerances.tie_from,
            tolerances=self.bodies.tolerances,
        )
        if place is None:
            return nearest(head, self.bodies.shown(body))
        shown = Shown(self.bodies.triangles(body)[place.rows], *place.groups, place.first)
        found = nearest(head, shown)
        if place.piece is not None and not place.is_found(found):
            # what the bound was had from lies beyond an open end: it is shown whole
            found = min(found, nearest(self._at_position(place, place.piece).triangles, shown))
        return place.holds(found)

    def _meets_box(self, body: int, growth: Grow) -> bool:
        """Whether the box of what some piece sweeps meets the body's: else neither can hold the other."""
        (a0, b0, c0), (a1, b1, c1) = self.bodies.box(body)
        x0, x1, y0, y1, z0, z1 = self._box
        by, up = growth
        # most are not even near the box about all pieces
        if x0 - by > a1 or x1 + by < a0 or y0 - by > b1 or y1 + by < b0 or z0 - up > c1 or z1 + up < c0:
            return False
        return any(
            x0 <= a1 and x1 >= a0 and y0 <= b1 and y1 >= b0 and z0 <= c1 and z1 >= c0
            for x0, x1, y0, y1, z0, z1 in self._boxes(growth)
        )

    @cached_property
    def _box(self) -> tuple[float, ...]:
        """A box about all that the pieces sweep, a hair larger."""
        first, last = self.path.points.min(axis=0), self.path.points.max(axis=0)
        slack = max(line.deviation for line in self.path.lines) + self.bodies.tolerances.box_slack
        r = max(float(piece.r.max()) for piece in self.pieces) + slack
        rect = np.array([piece.rect for piece in self.pieces])
        return (
            float(first[0] + rect[:, 0].min()) - r,
            float(last[0] + rect[:, 1].max()) + r,
            float(first[1] + rect[:, 2].min()) - r,
            float(last[1] + rect[:, 3].max()) + r,
            min(float(piece.z[0]) for piece in self.pieces) - slack,
            max(float(piece.z[-1]) for piece in self.pieces) + slack,
        )

    def _boxes(self, growth: Grow) -> list[tuple[float, ...]]:
        """What each piece sweeps, grown, as a box."""
        if growth not in self._swept:
            (x0, y0), (x1, y1) = self.path.points.min(axis=0).tolist(), self.path.points.max(axis=0).tolist()
            deviation = max(line.deviation for line in self.path.lines)
            boxes = self._swept[growth] = []
            for piece in (piece.grown(*growth) for piece in self.pieces):
                r = float(piece.r.max()) + deviation
                left, right, front, back = piece.rect
                sides = (x0 + left - r, x1 + right + r, y0 + front - r, y1 + back + r)
                boxes.append((*sides, float(piece.z[0]), float(piece.z[-1])))
        return self._swept[growth]

    def _at_position(self, place: Neighbourhood, piece: HeadPiece) -> Envelope:
        """What the place's own piece sweeps where its bound was had from."""

        def here(low: Array, high: Array, r: float, _: HeadPiece) -> tuple[Rows, Rows]:
            bits = at_position(place, low, high)
            return bits, bits

        return envelope_along(self.path.lines, [piece], here, self.bodies.tolerances)

    def swallowed_by(self, body: int) -> bool | None:
        """Whether the body holds the whole head; None: its surface is open, so it is undecided."""
        one = self.bodies.bodies[body]
        if not self._meets_box(body, AS_IT_IS):
            return False
        return body_swallows(
            one.triangles_M,
            self.bodies.aabbs(body),
            one.closed,
            self.path.runs,
            self.pieces,
            self.bodies.tolerances,
        )


def prepare(heads: Sequence[FclHead], growths: Sequence[Grow] | None = None) -> None:
    """Make what FCL needs to see of many heads: of small ones all that are of one shape at a time.

    Heads of one shape along paths of one shape that come often, as of many equal openings, have one whole
    envelope, and are asked for at all its places at once. Of all others only what can matter is made: how
    near a body comes is bounded by the head as it stands at one corner of its path, in coarse facets; of the
    envelope only those triangles are shown to FCL whose boxes are no farther from the body's box than that.

    Args:
        growths: as which they will be asked for; without a word, all that each expects.
    """
    groups: dict[tuple[object, ...], list[tuple[FclHead, Grow]]] = {}
    repeated: dict[Grow, list[FclHead]] = {}
    for head in heads:
        shape = tuple((p.z.tobytes(), p.r.tobytes(), p.rect) for p in head.pieces)
        for growth in growths or head.growths:
            if not head.is_small(head.asked(growth)):
                head.make(growth)
            elif head.is_repeated:
                repeated.setdefault(growth, []).append(head)
            else:
                groups.setdefault((growth, shape), []).append((head, growth))
    for together in groups.values():
        _make_together([head for head, _ in together], together[0][1])
    for growth, same in repeated.items():
        _at_many_places(same, growth)


def _at_many_places(heads: Sequence[FclHead], growth: Grow, bodies: Sequence[int] | None = None) -> None:
    """Distances of heads of shapes that come often: for each shape and body those at all its places.

    Args:
        bodies: only from these; else from all that each head is asked about.
    """
    asked: dict[tuple[int, int], tuple[Groups, list[Array], list[dict[int, float]]]] = {}
    for head in heads:
        groups, shift, known = head.share(growth)
        for body in head.asked(growth) if bodies is None else bodies:
            _, shifts, into = asked.setdefault((id(groups), body), (groups, [], []))
            shifts.append(shift)
            into.append(known)
    own = heads[0].bodies
    for (_, body), (groups, shifts, into) in asked.items():
        found = np.full(len(shifts), np.inf)
        if len(own.triangles(body)):
            found = distances(groups, own.parted(body), np.array(shifts), own.tolerances.plane_slack)
        for known, distance in zip(into, found.tolist(), strict=True):
            known[body] = 0.0 if distance <= own.tolerances.touch else distance


def _make_together(heads: Sequence[FclHead], growth: Grow) -> None:
    """The envelopes of heads of one shape, grown alike."""
    bodies = heads[0].bodies
    pieces = [piece.grown(*growth) for piece in heads[0].pieces]
    asked = sorted({body for head in heads for body in head.asked(growth)})
    reach = np.full((len(heads), len(asked)), -np.inf)
    slack = bodies.tolerances.coarse + bodies.tolerances.bound_slack
    for k, head in enumerate(heads):
        for body in head.asked(growth):
            there = head.bound(body, growth)
            reach[k, asked.index(body)] = (there if there < np.inf else head.at_most(body, pieces)) + slack
    boxes = BodyBoxes([bodies.aabbs(b).box for b in asked], [bodies.groups(b) for b in asked])

    def shown(low: Array, high: Array, path: NDArray[np.int64]) -> Rows:
        return boxes.within(low, high, reach[path])

    mesh, path = envelopes([head.path.lines for head in heads], pieces, shown, tolerances=bodies.tolerances)
    low, high = boxes_of(mesh.triangles)
    rows, of = boxes.pairs(low, high, reach[path])
    pair = path[rows] * len(asked) + of
    rows = rows[np.argsort(pair, kind="stable")]
    ends = np.searchsorted(np.sort(pair), np.arange(len(heads) * len(asked) + 1)).tolist()
    for k, head in enumerate(heads):
        grown = _Grown(pieces, mesh.triangles)
        for body in head.asked(growth):
            n = k * len(asked) + asked.index(body)
            grown.seen[body] = rows[ends[n] : ends[n + 1]]
        head.take(growth, grown)


class FclRun:
    """A head in all its parts; what is nearest of them counts.

    Args:
        asked: for each growth which bodies will be asked for with it; without a word, all.
        starts: for some bodies where to look first.
    """

    def __init__(
        self,
        bodies: Bodies,
        run: HeadRun,
        asked: Mapping[Growth, Sequence[int]],
        starts: Mapping[int, WarmStart],
    ) -> None:
        #: the parts, each as FCL holds it
        self.parts = [FclHead(bodies, p.moves, p.pieces, p.only, run.bodies, starts) for p in run.parts]
        for part in self.parts:
            part.parts = self.parts
        for growth, some in asked.items():
            for part in self.parts:
                part.expect(growth.side, growth.height, some)

    def distance(self, body: int, growth: Growth, up_to: float = np.inf) -> float:
        """From the head grown by ``growth`` to ``body`` (its index), mm: 0 too where it swallows the body,
        ``up_to`` where it is no less."""
        return min(min(part.distance(body, growth.side, growth.height), up_to) for part in self.parts)

    def swallowed_by(self, body: int) -> bool | None:
        """Whether the body holds any part of the head whole; None: undecided."""
        held = [part.swallowed_by(body) for part in self.parts]
        return True if any(held) else None if None in held else False
