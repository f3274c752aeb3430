"""Weights, jets and supports: whether a part stands, and the findings on weight and on tipping.

Vertical equilibrium of a body on supports that can only push, in closed form.

Supports are patches in plan: points, lines or areas, each by its convex hull of few corners. A downward
resultant is in equilibrium where its line of action goes through the convex hull of all patches (support
polygon of rigid-body statics; from memory). Which patch takes how much is left open by statics where there
are more than three places; the least and the most that a patch can take are reached in basic solutions, in
which three corners at most carry (fundamental theorem of linear programming; from memory), so they are looked
through one by one.

Forces are N, places mm, in any horizontal frame.

A jet pushes with the pressure at its nozzle times the area of its bore, or of a larger wetted area where one
is given: the lower one up, the upper one down, each alone or both at once. 6 mm at 10 bar give 28 N, 8 mm at
15 bar 75 N (common practice, no source, for the pressures; the rest is arithmetic).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import lru_cache
from math import pi
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.planar import following
from clearance.process.removal import Removals
from clearance.process.support import LEAST, Contact
from clearance.records import record
from clearance.scene.model import Finding, Scene

Array = NDArray[np.float64]

#: past this a part wants a hoist or two people, kg (common practice; NIOSH's equation gives 14.4 kg at
#: H 40, V 75, D 25 cm)
BY_HAND = 15.0
#: a part tips when its centre of gravity is farther outside its supports, mm
OUTSIDE = 0.1
#: hulls of points of no more bytes than this are kept
KEPT = 4096


@record
class Weight:
    """A part's volume (mm3), mass (kg, None where no density is known), centre of gravity (3,) mm, machine
    frame, density as used (g/cm3), and the material that it is taken from, if it is."""

    name: str
    volume: float
    mass: float | None
    middle: Array
    density: float | None
    material: str | None


def weights(scene: Scene) -> list[Weight]:
    """Of every part whose surface closes, as read, before anything is cut."""
    found = []
    for body in scene.bodies:
        if body.kind == "part" and body.closed:
            volume, middle = body.bulk
            mass = None if body.density is None else volume * body.density * 1e-6
            found.append(Weight(body.name, volume, mass, middle, body.density, body.material))
    return found


def outside(middle: Array, under: list[Contact]) -> float:
    """How far (mm) ``middle`` (2,) of gravity lies outside ``under``, its supports, from above; 0 inside."""
    import shapely

    area = shapely.convex_hull(shapely.union_all([contact.where for contact in under]))
    return float(area.distance(shapely.Point(float(middle[0]), float(middle[1]))))


def heavy_findings(found: Sequence[Weight]) -> list[Finding]:
    """What wants more than one pair of hands."""
    heavy = []
    for weight in found:
        if weight.mass is not None and weight.mass > BY_HAND:
            what = "" if weight.material is None else f"{weight.material}, "
            message = (
                f"weighs {weight.mass:.1f} kg ({what}{weight.density:g} g/cm3): a hoist or two people, "
                "as local rules ask"
            )
            heavy.append(Finding("heavy", "note", message, item=weight.name))
    return heavy


def tipping_findings(scene: Scene, told: Removals, found: Sequence[Weight]) -> list[Finding]:
    """What of a ``scene`` tips once slugs have dropped: ``told`` what runs part, ``found`` the weights."""
    part = {body.name: k for k, body in enumerate(scene.bodies)}
    return [
        finding
        for weight in found
        if part[weight.name] in told.outlines
        for finding in _tipping(scene, told, part[weight.name], weight)
    ]


def _tipping(scene: Scene, told: Removals, part: int, weight: Weight) -> list[Finding]:
    """The first cut whose pieces take the part's middle out over its supports, once they have dropped."""
    body, outline = scene.bodies[part], told.outlines[part]
    volume = weight.volume
    moment = volume * weight.middle
    for stretch in scene.stretches:
        freed = [p for p in told.pieces if p.part == part and p.run.stretch is stretch and not p.held]
        if not freed:
            continue
        touching = told.contacts.of(part, outline, stretch.bodies)
        under = [contact for contact in touching if contact.under]
        before = moment / volume
        for piece in freed:
            volume, moment = volume - piece.volume, moment - piece.volume * piece.middle
        left = [_without(contact, [p.outline for p in freed]) for contact in under]
        left = [contact for contact in left if contact.where.area > LEAST]
        if volume <= 0.0 or not left:
            return []
        after = moment / volume
        # what tips before anything is cut off is told where the setup is put together
        if outside(before, under) <= OUTSIDE and (off := outside(after, left)) > OUTSIDE:
            return [_tips(after, off, touching, body.name, stretch.name)]
    return []


def _without(contact: Contact, gone: list[Any]) -> Contact:
    import shapely

    near = [region for region in gone if region.intersects(contact.where)]
    return replace(contact, where=contact.where.difference(shapely.union_all(near)))


def _tips(middle: Array, off: float, touching: list[Contact], part: str, cut: str) -> Finding:
    names = _named(contact.name for contact in touching if contact.under)
    grips = _named(contact.name for contact in touching if not contact.under)
    message = (
        f"once what this cut frees has dropped, its centre of gravity (X{middle[0]:.1f} Y{middle[1]:.1f}) "
        f"lies {off:.1f} mm outside {names}; "
    )
    if grips:
        return Finding("off its feet", "note", f"{message}only {grips} keeps it from tipping", part, cut)
    return Finding("off its feet", "close", f"{message}it would tip", part, cut)


def _named(names: Iterable[str]) -> str:
    return " and ".join(f'"{name}"' for name in dict.fromkeys(names))


#: corners of a patch that are looked at
CORNERS = 8
#: in units of a scene's size: what differs by less is the same place
ROUNDING = 1e-9


@record
class Resultant:
    """A vertical force and its moment: ``down`` N (positive is down), ``moment`` (2,) = sum of force x place,
    N mm."""

    down: float
    moment: Array

    @staticmethod
    def of(force: float, at: Sequence[float] | Array) -> Resultant:
        """A force down at a place (2,); a negative one pushes up.

        >>> (Resultant.of(30.0, (0, 0)) + Resultant.of(10.0, (8, 0))).at
        array([2., 0.])
        """
        return Resultant(float(force), float(force) * np.asarray(at, dtype=float)[:2])

    def __add__(self, other: Resultant) -> Resultant:
        return Resultant(self.down + other.down, self.moment + other.moment)

    @property
    def at(self) -> Array:
        """The place (2,) in plan through which it goes; nan where it is no force."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(self.moment / self.down)


def hull(points: Array) -> Array:
    """Corners (N, 2) of the convex hull of points (P, 2), anticlockwise, none of them on the line between its
    neighbours; two of a line, one of a point (Andrew's monotone chain, Information Processing Letters 9,
    1979). They are not to be changed: of the same points they are the same array."""
    packed = np.ascontiguousarray(points, dtype=float).tobytes()
    return _hull_of(packed) if len(packed) <= KEPT else _hull_of.__wrapped__(packed)


@lru_cache(maxsize=2048)
def _hull_of(packed: bytes) -> Array:
    """The hull of points as their bytes: from state to state most of what carries a part is the same."""
    points = np.frombuffer(packed).reshape(-1, 2)
    if len(points) == 0:
        return _fixed(np.empty((0, 2)))
    size = float(np.abs(points - points[0]).max())
    ordered = np.unique(np.round(points - points[0], 12) + 0.0, axis=0).tolist()
    slack = ROUNDING * size * size
    if len(ordered) < 3:
        return _fixed(np.array(ordered) + points[0])
    chains: list[list[float]] = []
    for way in (ordered, ordered[::-1]):
        chain: list[list[float]] = []
        for p in way:
            while len(chain) > 1 and _turn(chain[-2], chain[-1], p) <= slack:
                chain.pop()
            chain.append(p)
        chains += chain[:-1]
    return _fixed(np.array(chains) + points[0])


def _fixed(corners: Array) -> Array:
    corners.flags.writeable = False
    return corners


def _turn(a: Sequence[float], b: Sequence[float], c: Sequence[float]) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def few_corners(points: Array) -> Array:
    """At most ``CORNERS`` corners of the hull of points (P, 2): those that reach farthest in so many
    directions. What they span lies within the hull, so nothing stands that would tip."""
    corners = hull(points)
    if len(corners) <= CORNERS:
        return corners
    angle = 2.0 * np.pi * np.arange(CORNERS) / CORNERS
    reach = corners @ np.array([np.cos(angle), np.sin(angle)])
    return np.asarray(corners[np.unique(reach.argmax(axis=0))])


def outside_statics(point: Array, corners: Array) -> float:
    """How far (mm) a point (2,) lies outside a hull (N, 2) of ``hull``; negative: so deep within.

    Of no corners at all it is infinitely far outside.
    """
    if len(corners) == 0:
        return float("inf")
    ends = following(corners)
    along, rel = ends - corners, np.asarray(point)[:2] - corners
    square = (along * along).sum(axis=1)
    share = np.clip((along * rel).sum(axis=1) / np.where(square > 0.0, square, 1.0), 0.0, 1.0)
    nearest = float(np.hypot(*(rel - share[:, None] * along).T).min())
    left = along[:, 0] * rel[:, 1] - along[:, 1] * rel[:, 0]
    return -nearest if len(corners) > 2 and bool((left >= 0.0).all()) else nearest


def stands(resultant: Resultant, corners: Array, edge: float = 0.0) -> bool:
    """Whether a body stands: the resultant points down, through the hull or ``edge`` mm beside it.

    Args:
        resultant: of all vertical forces, N and mm.   corners: (N, 2) of the hull, anticlockwise, mm.
            edge: mm.
    """
    return resultant.down > 0.0 and outside_statics(resultant.at, corners) <= edge


def holding_force(resultant: Resultant, at: Array, corners: Array, edge: float = 0.0) -> float:
    """The least force down at a place (2,) with which a body stands, N; infinite where none is enough.

    With a force F at p the resultant goes through the hull where, for each side of it with outward unit
    normal n and n.x <= c, F (c - n.p) >= n.M - c W: a bound on F for each side, and F > -W besides.

    Args:
        resultant: of all vertical forces, N and mm.   at: mm.   corners: (N, 2) of the hull,
            anticlockwise, mm.
        edge: by how much beside the hull it still stands, mm.
    """
    normals, c = _sides(corners, edge)
    if len(normals) == 0:
        return float("inf")
    lack = normals @ resultant.moment - c * resultant.down
    lever = c - normals @ np.asarray(at)[:2]
    # what is missing by rounding alone is not missing
    small = ROUNDING * (1.0 + np.abs(resultant.down)) * (1.0 + np.abs(corners).max())
    never = (lever <= 0.0) & (lack > small)
    if never.any():
        return float("inf")
    bound = np.where(lever > 0.0, lack / np.where(lever > 0.0, lever, 1.0), -np.inf)
    least = max(0.0, -resultant.down, float(bound.max()))
    # for lever < 0 the same inequality is an upper bound
    over = lever < 0.0
    if over.any() and least > float((lack[over] / lever[over]).min()) + small:
        return float("inf")
    return least


def _sides(corners: Array, edge: float) -> tuple[Array, Array]:
    """Outward unit normals (K, 2) and offsets (K,) of a hull's sides, moved outward by ``edge``."""
    if len(corners) == 0:
        return np.empty((0, 2)), np.empty(0)
    if len(corners) == 1:
        normals = np.array([(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)])
        return normals, normals @ corners[0] + edge
    if len(corners) == 2:
        along = (corners[1] - corners[0]) / np.hypot(*(corners[1] - corners[0]))
        across = np.array([-along[1], along[0]])
        normals = np.array([along, -along, across, -across])
        return normals, (normals @ corners.T).max(axis=1) + edge
    along = following(corners) - corners
    normals = np.column_stack([along[:, 1], -along[:, 0]]) / np.hypot(*along.T)[:, None]
    return normals, (normals * corners).sum(axis=1) + edge


def load_ranges(patches: Sequence[Array], resultant: Resultant) -> list[tuple[float, float]]:
    """The least and the most (N) that each patch may have to carry.

    Args:
        patches: corners (K, 2) of each.   resultant: points down and goes through the hull of all of them;
            where it passes beside it, the nearest place of the hull is taken.

    >>> load_ranges([np.array([[0.0, 0.0]]), np.array([[10.0, 0.0]])], Resultant.of(100.0, (2.5, 0)))
    [(75.0, 75.0), (25.0, 25.0)]
    """
    reduced = [few_corners(np.asarray(patch, dtype=float)) for patch in patches]
    everything = hull(np.concatenate(reduced)) if reduced else np.empty((0, 2))
    if len(everything) == 0 or resultant.down <= 0.0:
        return [(0.0, 0.0) for _ in reduced]
    place = nearest(resultant.at, everything)
    found = []
    for k, own in enumerate(reduced):
        others = [patch for j, patch in enumerate(reduced) if j != k]
        if not others:
            found.append((resultant.down, resultant.down))
            continue
        low, high = _share(own, hull(np.concatenate(others)), place)
        found.append((low * resultant.down, high * resultant.down))
    return found


def nearest(point: Array, corners: Array) -> Array:
    """The place (2,) of the hull of ``corners`` (N, 2) nearest to ``point``, which may lie within; mm."""
    if outside_statics(point, corners) <= 0.0:
        return point
    ends = following(corners)
    along, rel = ends - corners, point - corners
    square = (along * along).sum(axis=1)
    share = np.clip((along * rel).sum(axis=1) / np.where(square > 0.0, square, 1.0), 0.0, 1.0)
    places = corners + share[:, None] * along
    return np.asarray(places[np.hypot(*(places - point).T).argmin()])


def _share(own: Array, others: Array, place: Array) -> tuple[float, float]:
    """The least and the most share of a unit force at ``place`` that corners ``own`` (K, 2) can take, the
    rest on ``others`` (N, 2): over all basic solutions, those with three corners, two, or one."""
    corners = np.concatenate([own, others]) - place
    mine = np.r_[np.ones(len(own)), np.zeros(len(others))]
    size = max(float(np.abs(corners).max()), 1e-12)
    q = corners / size
    shares: list[Array] = []
    n = len(q)
    if n >= 3:
        i, j, k = _triples(n)
        # barycentric weights of the origin in each triangle
        a, b, c = q[i], q[j], q[k]
        area = _cross(b - a, c - a)
        flat = np.abs(area) <= 1e-12
        area = np.where(flat, 1.0, area)
        weights = np.stack([_cross(b, c), _cross(c, a), _cross(a, b)], axis=1) / area[:, None]
        good = ~flat & (weights >= -ROUNDING).all(axis=1)
        shares.append((weights * mine[np.stack([i, j, k], axis=1)])[good].sum(axis=1))
    if n >= 2:
        i, j = np.triu_indices(n, 1)
        along = q[j] - q[i]
        square = (along * along).sum(axis=1)
        t = np.clip(-(q[i] * along).sum(axis=1) / np.where(square > 0.0, square, 1.0), 0.0, 1.0)
        off = q[i] + t[:, None] * along
        good = np.hypot(*off.T) <= 1e-8
        shares.append(((1.0 - t) * mine[i] + t * mine[j])[good])
    shares.append(mine[np.hypot(*q.T) <= 1e-8])
    every = np.concatenate(shares)
    if len(every) == 0:
        return 0.0, 1.0
    return float(np.clip(every.min(), 0.0, 1.0)), float(np.clip(every.max(), 0.0, 1.0))


def _triples(n: int) -> tuple[NDArray[np.intp], ...]:
    i, j, k = np.indices((n, n, n)).reshape(3, -1)
    keep = (i < j) & (j < k)
    return i[keep], j[keep], k[keep]


def _cross(a: Array, b: Array) -> Array:
    return np.asarray(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])


#: N/mm2 in one bar
BAR = 0.1


def force(pressure: float, bore: float, area: float | None = None) -> float:
    """The force (N) of a jet: bar, mm, and mm2 where the wetted area is larger than the bore.

    Args:
        pressure: bar, at the nozzle.   bore: diameter, mm.   area: wetted, mm2; None: that of the bore.

    >>> round(force(10, 6), 1), round(force(15, 8), 1)
    (28.3, 75.4)
    """
    wet = pi * bore * bore / 4.0
    return BAR * pressure * (wet if area is None else max(wet, area))


@record
class Jets:
    """The forces of the lower and the upper jet, N."""

    lower: float
    upper: float


def resultants(weight: Resultant, jets: Jets, path: Array) -> list[Resultant]:
    """The weight alone, and with the jets on at each place of a path (N, 2) where they can do worst.

    The place of the resultant is affine in that of the jet, and how far it lies outside a hull is convex: the
    corners of the path's own hull are enough.
    """
    found = [weight]
    if jets.lower == jets.upper == 0.0:
        return found
    for net in sorted({-jets.lower, jets.upper, jets.upper - jets.lower} - {0.0}):
        found += [weight + Resultant.of(net, place) for place in hull(path)]
    return found


def worst(weight: Resultant, jets: Jets, path: Array, corners: Array) -> float:
    """By how much (mm) the resultant lies outside the hull ``corners`` at the worst place of a path.

    Negative: within; infinite where it points up.

    Args:
        weight: N and mm.   jets: of both nozzles.   path: (N, 2) of their middles, mm.   corners: (N, 2),
            anticlockwise.
    """
    return max(
        float("inf") if total.down <= 0.0 else outside_statics(total.at, corners)
        for total in resultants(weight, jets, path)
    )


def needed(weight: Resultant, jets: Jets, path: Array, at: Array, corners: Array, edge: float = 0.0) -> float:
    """The least force down (N) at a place (2,) with which a part stands wherever on a path (N, 2) the jets
    are; infinite where none is enough.

    Args:
        weight: N and mm.   jets: of both nozzles.   path: of their middles, mm.   at: mm.
        corners: (N, 2) of the hull, anticlockwise, mm.   edge: by how much beside it a part still stands,
            mm.
    """
    return max(holding_force(total, at, corners, edge) for total in resultants(weight, jets, path))


def least_force(presses: dict[str, Array], force: Callable[[Array], float]) -> tuple[float, tuple[str, ...]]:
    """The least force that is enough, at one clamp alone or at each of all of them, and their names; else
    infinite. So many equal forces act as their sum does in the middle of their places.

    Args:
        presses: where each clamp presses, by its name, (2,) mm.   force: N that is needed at a place.
    """
    least, names = float("inf"), tuple[str, ...]()
    for name, at in presses.items():
        if (alone := force(at)) < least:
            least, names = alone, (name,)
    if len(presses) > 1:
        each = force(np.mean(list(presses.values()), axis=0)) / len(presses)
        if each < least:
            least, names = each, tuple(presses)
    return least, names
