"""What each body does to a part: its role, and whether it grips.

``ContactCache`` keeps what was found out of each pair of bodies. A holder does what its kind says; one with
jaws or a ring grips what it touches from both sides. A shape or model of the user's own carries what lies on
it, presses what it lies on, and grips a part where it touches it from several sides about its middle, as jaws
do; a stop that is touched by one side does not.

Gripping: part and holder are sliced at some heights that they share. Straight lines go through the part where
its side comes near the holder, square to that side: where both ends of what lies in the part meet the holder,
it is gripped (two contact points with the line between them along both normals: Nguyen, Constructing force-
closure grasps, 1988, from memory). So is what is touched from sides all around, in a ring or by three jaws,
and what one jaw touches at places to either side of what the other one does (``process/opposed.py``).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.planar import common, edges
from clearance.mesh.sections import Outline
from clearance.process.opposed import held_between
from clearance.process.support import SHIM, TOUCHES, Bearing, Contacts, bearing
from clearance.records import record
from clearance.scene.model import Body
from clearance.scene.stability import attracts
from fixtures_lib.holder import Does, Fastened

#: share of a part's own size by which its middle must lie between what touches it, to be gripped
BETWEEN = 0.05

#: what is nearer than this to what a hand laid touches it, mm
MEETS = 0.1
#: metal within this of a sunk screw is what it goes into, mm
SCREW = 3.0


@record
class Role:
    """What a body can do to a part.

    Attributes:
        carries, presses, grips: see the package.
        over: it grips from above, too, what lies on something.
        pulls: it grips what merely lies on it or under it, too.
        aside: it presses by touching the part's side.
        unknown: of the user's own; whether it grips depends on where it touches.
        stands: it must stand on something itself to press.
        lies: it presses only if it lies on something besides the part, too.
    """

    carries: bool = True
    presses: bool = False
    grips: bool = False
    over: bool = False
    pulls: bool = False
    aside: bool = False
    unknown: bool = False
    stands: bool = False
    lies: bool = False


def role_of(body: Body, part: Body) -> Role:
    """What ``body`` can do to ``part``; of a holder of the library what its kind says (``Does``)."""
    if body.kind in ("part", "machine"):
        return Role()
    if body.library is None:
        return Role(presses=True, unknown=body.kind == "holder", lies=body.kind == "laid")
    does = body.library.does
    if Does.ATTRACTS in does:
        return Role(grips=attracts(body, part), pulls=True)
    if not does & (Does.BEARS | Does.CARRIES):
        # a clamp and no more: it must have something to stand on, and one with a toe presses a part's side
        bolted = body.library.fastened is Fastened.BOLTED
        return Role(carries=False, presses=True, aside=Does.GRIPS in does, stands=bolted)
    grips, presses = Does.GRIPS in does, Does.PRESSES in does
    return Role(grips=grips, over=grips and presses, presses=presses and not grips)


def sideways(contacts: Contacts, part: int, outline: Outline, present: tuple[int, ...], body: int) -> Any:
    """Where a body touches a part's sides or its top, seen from above (shapely; empty where it does not).

    Args:
        contacts: of the scene.   part: index of its body.   outline: of it, from above.
        present: bodies that are there.   body: index of the one asked about.
    """
    import shapely

    found = [c.where for c in contacts.of(part, outline, present) if c.body == body and not c.under]
    return shapely.union_all(found) if found else shapely.Polygon()


def between(where: Any, region: Any) -> bool:
    """Whether a part's region lies between the places at which something touches it.

    Args:
        where: shapely, machine X Y, mm.   region: of the part, likewise.
    """
    import shapely

    if where.is_empty:
        return False
    x0, y0, x1, y1 = region.bounds
    room = BETWEEN * min(x1 - x0, y1 - y0)
    hull = shapely.convex_hull(where)
    middle = shapely.centroid(region)
    return bool(hull.contains(middle) and hull.boundary.distance(middle) > room)


def foot_of(body: Body) -> tuple[np.ndarray, np.ndarray | None]:
    """A clamp's own foot: the facets of its shells that are not sunk, and those of the screw that is."""
    t = body.triangles_M
    if not body.shells:
        return t, None
    parts = np.split(t, np.cumsum(body.shells)[:-1])
    own = [shell for k, shell in enumerate(parts) if k not in body.sunk]
    sunk = [shell for k, shell in enumerate(parts) if k in body.sunk]
    return np.concatenate(own), np.concatenate(sunk) if sunk else None


Array = NDArray[np.float64]

#: lines at a height, and at least so many for each place that comes near
LINES, FEW = 200, 5
#: lines that are looked at together, before it is seen whether more are needed
TOGETHER = 20
#: bits of a line, in order: from where to where, mm
_Stretches = list[tuple[float, float]]
#: touched from all around: no two neighbouring normals turn by more, radians (three jaws: 120 degrees)
AROUND = np.radians(150.0)
#: an end that lies in the holder by less does not count as in it, mm
_IN = 1e-6


@record
class Grip:
    """Whether a holder touches a part from both sides.

    ``air``: the least way, mm, by which jaws would have to close for that; 0 where they touch, infinite where
    nothing faces it from the other side. ``touched``: it touches one side at least.
    """

    air: float
    touched: bool

    @property
    def holds(self) -> bool:
        """Whether it grips; where that wants a little air closed, jaws that are tightened do it."""
        return self.air <= SHIM

    @property
    def faces(self) -> bool:
        """Whether it stands on both sides of the part, near or far."""
        return bool(np.isfinite(self.air))

    @property
    def why(self) -> str:
        """What is between, in a few words."""
        if not self.faces:
            return "it is touched from one side only"
        return f"{self.air:.2f} mm of air between jaw and part"


def grip(contacts: Contacts, part: int, body: int, metal: Any = None) -> Grip:
    """How a holder grips a part.

    Args:
        part, body: indices of the bodies.
        metal: what is left of the part, seen from above (shapely); left out, all of it.
    """
    held, holder = contacts.bodies[part], contacts.bodies[body]
    touch = TOUCHES + held.allow.side + holder.allow.side
    least, touched = np.inf, False
    normals: list[Array] = []
    slices = []
    for inside, outside in _slices(contacts, part, body, metal):
        slices.append((inside, outside))
        near = edges(inside).intersection(outside.buffer(SHIM + touch, quad_segs=4))
        found = _through(inside, outside, near, touch)
        touched |= bool(len(found.normals))
        normals.append(found.normals)
        least = min(least, found.air)
        if least == 0.0 or _all_around(np.concatenate(normals)):
            return Grip(0.0, True)
        if not near.is_empty and held_between(inside, outside, touch):
            return Grip(0.0, True)
    if least > SHIM:
        least = min([_through(*pair, edges(pair[0]), touch).air for pair in slices], default=np.inf)
    return Grip(least, touched)


def _slices(contacts: Contacts, part: int, body: int, metal: Any) -> Iterator[tuple[Any, Any]]:
    """What is left of a part and what a body has at each height that they share, where neither is nothing."""
    for z in contacts.levels(part, body)[0]:
        inside, outside = contacts.slice(part, z), contacts.slice(body, z)
        if metal is not None:
            inside = common(inside, metal)
        if not (inside.is_empty or outside.is_empty):
            yield inside, outside


@record
class _Found:
    """Of lines through a part: the least air at both ends together, 0 where both touch; the outward normals
    (N, 2) of the part's sides that touch, and the places where (N, 2)."""

    air: float
    normals: Array
    places: Array


def touched_sides(
    contacts: Contacts, part: int, body: int, air: float = 0.0, metal: Any = None
) -> tuple[Array, Array]:
    """Places (N, 2) at which a body touches a part's sides, and the outward normals (N, 2) of these there, at
    some heights that they share.

    Args:
        part, body: indices of the bodies.   air: so much between them counts as touching, too, mm.
        metal: what is left of the part, seen from above (shapely); left out, all of it.
    """
    touch = TOUCHES + contacts.bodies[part].allow.side + contacts.bodies[body].allow.side + air
    places, normals = [np.empty((0, 2))], [np.empty((0, 2))]
    for inside, outside in _slices(contacts, part, body, metal):
        near = edges(inside).intersection(outside.buffer(touch, quad_segs=4))
        found = _through(inside, outside, near, touch)
        places.append(found.places)
        normals.append(found.normals)
    return np.concatenate(places), np.concatenate(normals)


def air_between(inside: Any, outside: Any, where: Any, touch: float, by_way_of: Any = None) -> float:
    """The least air, mm, by which jaws would have to close on a slice; 0 where they touch it on both sides.

    Args:
        inside, outside, where, touch: as for ``from_both_sides``.   by_way_of: only lines count that go
            through this bit of the slice (shapely); None: all.
    """
    return _through(inside, outside, where, touch, by_way_of).air


def _through(inside: Any, outside: Any, where: Any, touch: float, by_way_of: Any = None) -> _Found:
    """What lines find that go through a slice of the part square to its sides, at places on these."""
    import shapely

    at, normal = _places(where)
    if not len(at):
        return _Found(np.inf, np.empty((0, 2)), np.empty((0, 2)))
    inward = shapely.contains_xy(inside, at + 1e-4 * normal)
    normal = np.where(inward[:, None], -normal, normal)
    x0, y0, x1, y1 = shapely.union(shapely.box(*inside.bounds), shapely.box(*outside.bounds)).bounds
    reach = float(np.hypot(x1 - x0, y1 - y0)) + 1.0
    lines = shapely.linestrings(np.stack([at - reach * normal, at + reach * normal], axis=1))
    if by_way_of is not None:
        some = shapely.length(shapely.intersection(by_way_of, lines)) > 0.0
        at, normal, lines = at[some], normal[some], lines[some]
    least = np.inf
    touching: list[int] = []
    for first in range(0, len(at), TOGETHER):
        some = slice(first, first + TOGETHER)
        parts, holders = (
            _stretches(shape, lines[some], at[some], normal[some]) for shape in (inside, outside)
        )
        for k, (part, holder) in enumerate(zip(parts, holders, strict=True), first):
            if not (part and holder):
                continue
            ahead = [(-b, -a) for a, b in holder]
            before = [_gap(-a, ahead) for a, _ in part]
            behind = [_gap(b, holder) for _, b in part]
            own = min(range(len(part)), key=lambda i: abs(part[i][1]))
            if behind[own] <= touch:
                touching.append(k)
            for i, one in enumerate(before):
                other = min(behind[i:])
                least = min(least, 0.0 if max(one, other) <= touch else one + other)
        if least == 0.0:
            # nothing is nearer, and nobody asks for more
            break
    return _Found(float(least), normal[touching], at[touching])


def from_both_sides(inside: Any, outside: Any, where: Any, touch: float) -> bool:
    """Whether a holder grips a part at the height of a slice, by what is at that height alone.

    Args:
        inside, outside: slices of part and holder (shapely).   where: lines on the part's sides that are
            looked at.   touch: how near touches, mm.
    """
    found = _through(inside, outside, where, touch)
    return found.air <= SHIM or _all_around(found.normals) or held_between(inside, outside, touch)


def _places(where: Any) -> tuple[Array, Array]:
    """Places (N, 2) along lines, and what is square to the line there."""
    import shapely

    pieces = [one for one in shapely.get_parts(shapely.line_merge(where)) if one.geom_type == "LineString"]
    pieces = [one for one in pieces if one.length > 1e-6]
    whole = sum(one.length for one in pieces)
    at, normal = [np.empty((0, 2))], [np.empty((0, 2))]
    for one in pieces:
        points = shapely.get_coordinates(one)
        along = np.diff(points, axis=0)
        size = np.hypot(*along.T)
        end = np.cumsum(size)
        count = max(FEW, int(LINES * one.length / whole))
        s = (np.arange(count) + 0.5) / count * end[-1]
        bit = np.minimum(np.searchsorted(end, s), len(end) - 1)
        way = along[bit] / np.maximum(size[bit], 1e-300)[:, None]
        at.append(points[bit] + (s - end[bit] + size[bit])[:, None] * way)
        normal.append(np.column_stack([way[:, 1], -way[:, 0]]))
    return np.concatenate(at), np.concatenate(normal)


def _stretches(shape: Any, lines: NDArray[np.object_], at: Array, normal: Array) -> list[_Stretches]:
    """Of each line the stretches that lie in a shape, from its place on along its normal, mm, in order."""
    import shapely

    shapely.prepare(shape)
    parts, line = shapely.get_parts(shapely.intersection(shape, lines), return_index=True)
    some = shapely.length(parts) > 0.0
    parts, line = parts[some], line[some]
    found: list[_Stretches] = [[] for _ in lines]
    if len(parts):
        points, part = shapely.get_coordinates(parts, return_index=True)
        way, out = points - at[line[part]], normal[line[part]]
        along, first = (
            way[:, 0] * out[:, 0] + way[:, 1] * out[:, 1],
            np.searchsorted(part, np.arange(len(parts))),
        )
        low, high = np.minimum.reduceat(along, first), np.maximum.reduceat(along, first)
        for k, a, b in zip(line.tolist(), low.tolist(), high.tolist(), strict=True):
            found[k].append((a, b))
    return [sorted(each) for each in found]


def _gap(end: float, holder: _Stretches) -> float:
    """How far behind an end the holder begins; 0 where the end lies in it."""
    return min((max(first - end, 0.0) for first, last in holder if last > end + _IN), default=float("inf"))


def _all_around(normals: Array) -> bool:
    if len(normals) < 3:
        return False
    turn = np.sort(np.arctan2(normals[:, 1], normals[:, 0]))
    return bool(np.diff(np.r_[turn, turn[0] + 2.0 * np.pi]).max() <= AROUND)


class ContactCache:
    """Where the bodies of a scene lie on each other; each pair is looked at once.

    Args:
        bodies: of the scene.   contacts: of the same.   table: machine Z of its top.
    """

    def __init__(self, bodies: Sequence[Body], contacts: Contacts, table: float = 0.0) -> None:
        self.bodies, self.contacts, self.table = bodies, contacts, table
        self._bearings: dict[tuple[int, int], Bearing] = {}
        self._feet: dict[tuple[int, frozenset[int]], str] = {}
        self._grips: dict[tuple[int, int], Grip] = {}
        self._near: dict[tuple[int, int], Any] = {}
        self._roles: dict[tuple[int, int], Role] = {}

    def role(self, body: int, part: int) -> Role:
        """What a body can do to a part.

        Args:
            body, part: indices of bodies of the scene.
        """
        key = (body, part)
        if key not in self._roles:
            self._roles[key] = role_of(self.bodies[body], self.bodies[part])
        return self._roles[key]

    def near(self, above: int, below: int) -> Any:
        """Where body ``above`` lies on ``below`` (their indices), or hardly above it (shapely)."""
        import shapely

        key = (above, below)
        if key not in self._near:
            where = self.bearing(above, below)
            self._near[key] = shapely.union_all([where.touching, where.near])
            shapely.prepare(self._near[key])
        return self._near[key]

    def bearing(self, above: int, below: int) -> Bearing:
        """Where body ``above`` lies on ``below`` (their indices)."""
        key = (above, below)
        if key not in self._bearings:
            self._bearings[key] = bearing(self.bodies[above], self.bodies[below])
        return self._bearings[key]

    def grip(self, part: int, body: int, left: Any = None) -> Grip:
        """How a holder grips a part, or what is left of it.

        Args:
            part, body: indices of bodies.   left: what is left of the part, from above (shapely); None:
                all of it.
        """
        key = (part, body)
        if left is None and key not in self._grips:
            self._grips[key] = grip(self.contacts, part, body)
        return self._grips[key] if left is None else grip(self.contacts, part, body, left)

    def foot(self, clamp: int, present: Iterable[int]) -> str:
        """What is missing under a clamp; "" where its heel and its screw have something to stand on.

        Args:
            clamp: index of a body.   present: indices of those that are there.
        """
        there = frozenset(k for k in present if k != clamp and self.bodies[k].kind not in ("laid",))
        key = (clamp, there)
        if key not in self._feet:
            self._feet[key] = self._missing(clamp, there)
        return self._feet[key]

    def on_it_alone(self, clamp: int, part: int, present: Iterable[int]) -> bool:
        """Whether a clamp is fixed to nothing but a part: it presses nothing then, it goes along.

        Args:
            clamp, part: indices of bodies.   present: indices of those that are there.
        """
        others = frozenset(k for k in present if k not in (clamp, part) and self.bodies[k].kind != "laid")
        screw = foot_of(self.bodies[clamp])[1]
        return bool(self.foot(clamp, others)) and (screw is None or not self._goes_into(screw, others))

    def _goes_into(self, screw: Array, there: Iterable[int]) -> bool:
        """Whether a screw's sunk end has anything around it."""
        first, last = screw.min(axis=(0, 1)) - SCREW, screw.max(axis=(0, 1)) + SCREW
        last[2] -= SCREW
        return any(len(self.bodies[k].aabbs.meeting(first, last)) for k in there)

    def _missing(self, clamp: int, there: frozenset[int]) -> str:
        body = self.bodies[clamp]
        own, sunk = foot_of(body)
        low = float(own[..., 2].min())
        stands = any(
            found.touches
            for k in there
            if self.bodies[k].aabbs.box[1][2] >= low - SHIM
            for found in [self.bearing(clamp, k)]
            if self.bodies[k].kind != "part" or self._at(clamp, k, low)
        )
        if not stands:
            return "stands on nothing: there is no metal under its heel; move it, or put something there"
        if sunk is not None and not self._goes_into(sunk, there):
            return "its screw goes into nothing: move it to where there is something, or give it a longer one"
        return ""

    def _at(self, clamp: int, part: int, low: float) -> bool:
        """Whether a clamp's lowest face lies on a part's top: then it stands on the part."""
        return abs(float(self.bodies[part].aabbs.box[1][2]) - low) <= SHIM
