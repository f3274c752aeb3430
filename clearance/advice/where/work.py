"""An item and the job around it go in; how far a place keeps from where it would stand on air, press on air
or cut into something comes out.

Each condition is a question in plan about one outline of the item: it must lie within a region, or apart from
one. How far it is from being broken, and how deeply it is broken, changes by no more than the place is
shifted, so that one look at the middle of a box of places tells of all of them. Outlines that must lie within
are taken larger (their hulls), what must be kept from is taken as its shadow between two heights: on the safe
side. What is broken for certain is told from slices and from single points.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import boxes_of
from clearance.mesh.sections import region
from clearance.process.check import heard
from clearance.process.holding import role_of
from clearance.process.stays import EDGE
from clearance.process.support import TOUCHES, bearing
from clearance.scene.model import Body, Scene
from clearance.scene.overlaps import NOTICED
from fixtures_lib.holder import Does, between

Array = NDArray[np.float64]
Rows = NDArray[np.bool_]

#: slices are made so far beside a face, mm
BESIDE = 0.01
#: of a tip that lies across several parts so much may come off each of them, mm
SHARED = 1.0
#: layers between levels of corners at most
LAYERS = 10
#: a slab thinner than this, mm, is joined to its neighbour
THIN = 0.5
#: what stands farther from all places than this, mm, is left out
AROUND = 5.0
#: a body of more facets than this is looked at in slices alone
MANY = 20_000
#: facets of a curved corner may lie so far inside the true region, mm; regions are simplified by less
ROUND = 0.005


@dataclass(frozen=True)
class Inside:
    """An outline of the item (m, 2), convex, from its origin, must lie within a region (machine X Y).

    ``sure``: where it does not the place is none for certain; else it is undecided.
    """

    outline: Array
    region: Any
    words: str
    sure: bool = True

    def tell(self, rings: Any, corners: Array, off: Array) -> tuple[Rows, Rows]:
        """Which places (n,) keep it by ``off`` mm, and which break it by more.

        Args:
            rings: (n,) the outline placed.   corners: (n, m, 2) its corners.   off: (n,) mm.
        """
        import shapely

        keeps = np.zeros(len(rings), dtype=bool)
        if self.region.is_empty:
            return keeps, np.full(len(rings), self.sure)
        shapely.prepare(self.region)
        within = np.flatnonzero(shapely.covers(self.region, rings))
        if len(within):
            edge = self.region.boundary
            shapely.prepare(edge)
            keeps[within] = ~shapely.dwithin(edge, rings[within], off[within])
        rest = np.flatnonzero(~keeps & self.sure)
        points = shapely.points(corners[rest])
        far = ~shapely.dwithin(self.region, points, np.broadcast_to(off[rest, None], points.shape))
        breaks = np.zeros(len(rings), dtype=bool)
        breaks[rest] = far.any(axis=1)
        return keeps, breaks

    def room(self, rings: Any) -> Array:
        """By how much (n,) each place keeps it, mm; 0 where it does not."""
        import shapely

        inside = shapely.covers(self.region, rings)
        return np.where(inside, shapely.distance(self.region.boundary, rings), 0.0)


@dataclass(frozen=True)
class Apart:
    """An outline of the item (m, 2), convex, from its origin, must not share anything with a region.

    ``core``: (k, 2) points of the item's slice there, and ``inner`` the slice's region, from which a depth is
    told for certain.
    """

    outline: Array
    region: Any
    core: Array
    inner: Any
    words: str

    def tell(self, rings: Any, corners: Array, off: Array) -> tuple[Rows, Rows]:
        """As for ``Inside``; ``corners``: (n, k, 2) the core's points."""
        import shapely

        shapely.prepare(self.region)
        keeps = ~shapely.dwithin(self.region, rings, off)
        breaks = np.zeros(len(rings), dtype=bool)
        rest = np.flatnonzero(~keeps)
        if len(rest) and len(self.core) and not self.inner.is_empty:
            points = shapely.points(corners[rest])
            shapely.prepare(self.inner)
            within = shapely.contains(self.inner, points)
            edge = self.inner.boundary
            shapely.prepare(edge)
            more = np.broadcast_to((off[rest] + NOTICED)[:, None], points.shape)
            deep = within & ~shapely.dwithin(edge, points, more)
            breaks[rest] = deep.any(axis=1)
        return keeps, breaks

    def room(self, rings: Any) -> Array:
        """By how much (n,) each place keeps it, mm."""
        import shapely

        return np.asarray(shapely.distance(self.region, rings))


Condition = Inside | Apart


class Work:
    """All conditions on an item's places.

    Args:
        conditions: of it.   judged: they say all that there is to say of its work; else candidates are looked
            at by the judge alone.
    """

    def __init__(self, conditions: Sequence[Condition], judged: bool) -> None:
        self.conditions, self.judged = list(conditions), judged

    def look(self, at: Array, turn: Array, off: Array, swing: float) -> tuple[Rows, Rows, NDArray[np.intp]]:
        """Which places (n,) keep all by so much, which break one by more, and which that is (-1: none).

        Args:
            at: (n, 2) mm, machine X Y.   turn: (n,) degrees.   off: (n,) mm sideways.
            swing: degrees by which the turn may be off, on top.
        """
        n = len(at)
        keeps, breaks, which = np.ones(n, dtype=bool), np.zeros(n, dtype=bool), np.full(n, -1, dtype=np.intp)
        for k, each in enumerate(self.conditions):
            some = np.flatnonzero(~breaks)
            if not len(some):
                break
            reach = 2.0 * np.hypot(*each.outline.T).max() * np.sin(np.radians(swing) / 2.0)
            away = off[some] + reach
            corners = placed(each.outline if isinstance(each, Inside) else each.core, at[some], turn[some])
            kept, broken = each.tell(_rings(each.outline, at[some], turn[some]), corners, away)
            keeps[some] &= kept
            breaks[some] |= broken
            which[some[~kept & (which[some] < 0)]] = k
            which[some[broken]] = k
        return keeps & ~breaks, breaks, which

    def room(self, at: Array, turn: Array) -> tuple[Array, NDArray[np.intp]]:
        """By how many mm (n,) each place may be off before a condition breaks, and which (-1: none)."""
        least, which = np.full(len(at), np.inf), np.full(len(at), -1, dtype=np.intp)
        for k, each in enumerate(self.conditions):
            room = each.room(_rings(each.outline, at, turn))
            which[room < least] = k
            least = np.minimum(least, room)
        return least, which

    def words(self, k: int) -> str:
        """What a condition is about, for a person."""
        return self.conditions[k].words


def placed(points: Array, at: Array, turn: Array) -> Array:
    """Points (m, 2) of the item at places (n, 2) and turns (n,): (n, m, 2)."""
    angle = np.radians(turn)
    c, s = np.cos(angle)[:, None], np.sin(angle)[:, None]
    x, y = points[None, :, 0], points[None, :, 1]
    return np.stack([c * x - s * y + at[:, :1], s * x + c * y + at[:, 1:]], axis=-1)


def _rings(outline: Array, at: Array, turn: Array) -> Any:
    import shapely

    corners = placed(outline, at, turn)
    if len(outline) == 1:
        return shapely.points(corners[:, 0])
    return shapely.polygons(corners)


# --------------------------------------------------------------------------------------- what is asked of it
def work_of(
    scene: Scene,
    item: int,
    moving: Sequence[int],
    origin: Array,
    around: tuple[float, float, float, float],
    besides: Collection[int] = (),
) -> Work:
    """The conditions on an item's places.

    Args:
        scene: in which it stands as it is to, whatever place it has now.   item: its index.
        moving: indices of it and of all that stands on it.   origin: (2,) what its places are told by.
        besides: indices of what is not where it stands now, and is not kept from.
        around: x0, y0, x1, y1, mm: none of what moves reaches farther, wherever it stands.
    """
    body = scene.bodies[item]
    conditions: list[Condition] = list(_foot(scene, body, origin))
    told = [(q, a) for q, a in heard(scene) if item in q.present]
    pressing, judged = _tip(scene, item, told, origin)
    conditions += pressing
    for k in moving:
        conditions += _cuts(scene, k, {*moving, *besides}, origin, around)
    return Work(conditions, judged)


def _hulls(shape: Any, origin: Array) -> list[Array]:
    """The convex hull (m, 2) of each piece of a region, from an origin."""
    import shapely

    out = []
    for piece in shapely.get_parts(shape):
        if piece.geom_type == "Polygon" and piece.area > 1e-3:
            hull = piece.convex_hull
            if len(hull.exterior.coords) > 40:
                # fewer corners, around: on the safe side
                hull = hull.simplify(ROUND).buffer(ROUND, join_style="mitre").convex_hull
            out.append(np.asarray(hull.exterior.coords)[:-1] - origin)
    return out


def _face(triangles: Array, z: float, up: bool, reach: float) -> Any:
    """Where a body has a face at a height, looking up or down (shapely), as slices beside it tell."""
    boxes = boxes_of(triangles)
    below, above = (region(triangles, z + d, boxes) for d in (-reach - BESIDE, reach + BESIDE))
    return below.difference(above) if up else above.difference(below)


def foot(body: Body) -> tuple[float, Any]:
    """The height on which an item stands, and its foot there (shapely, machine X Y): without the screw that
    goes on into what it stands on."""
    import shapely

    parts = np.split(body.triangles_M, np.cumsum(body.shells)[:-1]) if body.shells else [body.triangles_M]
    own = [t for k, t in enumerate(parts) if k not in body.sunk]
    low = min(float(t[..., 2].min()) for t in own)
    faces = [region(t, low + BESIDE) for t in own if float(t[..., 2].min()) < low + BESIDE]
    sunk = [shapely.box(*_bounds(parts[k])) for k in body.sunk]
    faces = [f for f in faces if not any(s.covers(f.centroid) for s in sunk)]
    return low, shapely.union_all(faces) if faces else shapely.Polygon()


def _bounds(triangles: Array) -> tuple[float, float, float, float]:
    xy = triangles[..., :2].reshape(-1, 2)
    (x0, y0), (x1, y1) = xy.min(axis=0), xy.max(axis=0)
    return float(x0), float(y0), float(x1), float(y1)


def carrier_face(scene: Scene, body: Body) -> tuple[list[str], Any]:
    """What carries an item, by name, and where its upper face is at the item's foot (shapely); thread holes
    are counted as metal. None of both on the table."""
    import shapely

    names = [name for name in (body.stands_on, *body.also_on) if name is not None]
    if not names:
        return [], None
    low, _ = foot(body)
    faces = []
    for name in names:
        base = scene.items[name]
        face = _face(base.triangles_M, low, True, TOUCHES + base.allow.height + body.allow.height)
        source = base.library
        if source is not None and source.holes and not face.is_empty:
            mouths = [base.T_MI @ np.array([*hole.at, 1.0]) for hole in source.holes]
            discs = [
                shapely.Point(m[:2]).buffer(h.diameter / 2 + 0.1)
                for m, h in zip(mouths, source.holes, strict=True)
            ]
            filled = shapely.union_all(
                [shapely.Polygon(p.exterior) for p in shapely.get_parts(face) if p.geom_type == "Polygon"]
            )
            face = face.union(shapely.union_all(discs).intersection(filled))
        faces.append(face)
    return names, shapely.union_all(faces)


def _foot(scene: Scene, body: Body, origin: Array) -> list[Inside]:
    """It stands wholly on what carries it."""
    names, face = carrier_face(scene, body)
    if face is None:
        return []
    _, where = foot(body)
    said = " and ".join(f'"{name}"' for name in names)
    return [
        Inside(hull, face, f"its foot would not stand wholly on {said}") for hull in _hulls(where, origin)
    ]


def _tip(
    scene: Scene, item: int, told: Sequence[tuple[Any, Any]], origin: Array
) -> tuple[list[Condition], bool]:
    """It presses on metal that is there, over what carries it, in every state; and whether that is all that
    is to be asked.

    It is to press what it presses where it stands now. Across several parts no more is known than that what
    of its tip lies on each should go on doing so: elsewhere it is undecided.
    """
    import shapely

    body = scene.bodies[item]
    found: list[Condition] = []
    pressing = []
    for question, answer in told:
        role = role_of(body, scene.bodies[question.part])
        if role.grips or role.aside or role.pulls or role.unknown:
            return [], False
        if role.presses and not bearing(body, scene.bodies[question.part]).touching.is_empty:
            pressing.append((question, answer))
    parts = {question.part for question, _ in pressing}
    seen = set()
    for question, answer in pressing:
        part = scene.bodies[question.part]
        top = float(part.aabbs.box[1][2])
        under = region(part.triangles_M, top - TOUCHES - BESIDE, (part.aabbs.low, part.aabbs.high))
        metal = under if question.whole else under.intersection(question.metal.region)
        tip = _face(body.triangles_M, top, False, TOUCHES)
        if len(parts) > 1:
            tip = tip.intersection(under).buffer(-SHARED)
        corners = shapely.MultiPoint(np.asarray(answer.corners)) if len(answer.corners) else None
        key = (question.part, metal.wkb, b"" if corners is None else corners.wkb)
        hulls = _hulls(tip, origin)
        if not hulls:
            return [], False
        if key in seen:
            continue
        seen.add(key)
        # which piece stays when a cut frees one may depend on what the item holds down
        sure = len(parts) == 1 and question.whole
        words = f'its tip would not lie wholly on metal of "{part.name}"'
        found += [Inside(hull, metal, words, sure) for hull in hulls]
        if corners is not None:
            middle = np.array(tip.centroid.coords[0]) - origin
            over = corners.convex_hull.buffer(EDGE / 2)
            found.append(Inside(middle[None], over, f'its tip would press "{part.name}" over air', sure))
    return found, bool(found) or not presses_only(body)


def presses_only(body: Body) -> bool:
    """Whether a body is a clamp of the library and no more: it is to press something."""
    does = Does.BEARS if body.library is None else body.library.does
    return Does.PRESSES in does and not does & (Does.BEARS | Does.CARRIES)


def _cuts(
    scene: Scene, k: int, without: Collection[int], origin: Array, around: tuple[float, float, float, float]
) -> list[Apart]:
    """What it would cut into: everything that is there with it at any time."""
    body = scene.bodies[k]
    together = {b for s in scene.stretches if k in s.bodies for b in s.bodies} - set(without)
    out: list[Apart] = []
    x0, y0, x1, y1 = around
    for b in sorted(together):
        other = scene.bodies[b]
        if other.item is None:
            continue
        low, high = other.aabbs.box
        if low[0] > x1 or high[0] < x0 or low[1] > y1 or high[1] < y0:
            continue
        for mine in shells_of(body, other.kind == "part"):
            z0, z1 = (
                max(float(mine[..., 2].min()), float(low[2])),
                min(float(mine[..., 2].max()), float(high[2])),
            )
            if z1 - z0 <= NOTICED:
                continue
            for theirs in shells_of(other, body.kind == "part"):
                out += layers(mine, theirs, origin, f'it would cut into "{other.name}"')
    return out


def shells_of(body: Body, into_part: bool) -> list[Array]:
    """A body's shells; those that are meant to be sunk only where they may not be."""
    parts = np.split(body.triangles_M, np.cumsum(body.shells)[:-1]) if body.shells else [body.triangles_M]
    return [t for k, t in enumerate(parts) if into_part or k not in body.sunk]


def layers(mine: Array, theirs: Array, origin: Array, words: str) -> list[Apart]:
    """Between heights at which either has corners: the item's outline and the other's shadow.

    Args:
        mine, theirs: triangles of shells (N, 3, 3), machine frame, mm.   origin: (2,) of the item.
        words: of the conditions.
    """
    import shapely

    z0 = max(float(mine[..., 2].min()), float(theirs[..., 2].min())) + NOTICED / 2.0
    z1 = min(float(mine[..., 2].max()), float(theirs[..., 2].max())) - NOTICED / 2.0
    if z1 <= z0:
        return []
    levels = (
        np.unique(np.round(np.concatenate([mine[..., 2].ravel(), theirs[..., 2].ravel()]), 3))
        if len(theirs) <= MANY
        else np.unique(np.round(mine[..., 2].ravel(), 3))
    )
    levels = levels[(levels > z0) & (levels < z1)]
    kept = [z0]
    for z in levels:
        if z - kept[-1] > THIN and z1 - z > THIN:
            kept.append(float(z))
    if len(kept) > LAYERS:
        kept = list(np.linspace(z0, z1, LAYERS + 1)[:-1])
    out = []
    for a, b in zip(kept, [*kept[1:], z1], strict=True):
        outline = _shadow_hull(mine, a, b)
        if outline is None:
            continue
        shadow, inner = _shadow(theirs, a, b)
        if shadow.is_empty:
            continue
        core = region(mine, (a + b) / 2.0)
        points = np.empty((0, 2))
        if not core.is_empty:
            points = np.concatenate(
                [
                    shapely.get_coordinates(core.simplify(0.2)),
                    shapely.get_coordinates(shapely.point_on_surface(shapely.get_parts(core))),
                ]
            )
            points = points - origin
        out.append(Apart(outline - origin, shadow, points, inner, words))
    return out


def _shadow_hull(triangles: Array, a: float, b: float) -> Array | None:
    """The convex hull (m, 2) in plan of what lies between two heights."""
    import shapely

    t = between(triangles, 2, a, b)
    if not len(t):
        return None
    hull = shapely.MultiPoint(t[..., :2].reshape(-1, 2)).convex_hull
    if hull.geom_type != "Polygon" or hull.area < 1e-6:
        return None
    hull = (
        hull.simplify(ROUND).buffer(ROUND, join_style="mitre").convex_hull
        if len(hull.exterior.coords) > 24
        else hull
    )
    return np.asarray(hull.exterior.coords)[:-1]


def _shadow(triangles: Array, a: float, b: float) -> tuple[Any, Any]:
    """What of a body lies between two heights, seen from above; and its slice at the middle."""
    import shapely

    boxes = boxes_of(triangles)
    inner = region(triangles, (a + b) / 2.0, boxes)
    slices = [region(triangles, z, boxes) for z in (a, b)]
    sloping = []
    some = triangles[(boxes[0][:, 2] < b) & (boxes[1][:, 2] > a)]
    if len(some) and len(some) <= MANY:
        n = np.cross(some[:, 1] - some[:, 0], some[:, 2] - some[:, 0])
        some = some[np.abs(n[:, 2]) > 1e-9]
        if len(some):
            cut = between(some, 2, a, b)
            sloping = list(shapely.polygons(cut[..., :2])) if len(cut) else []
    return shapely.union_all([inner, *slices, *[p for p in sloping if p.area > 1e-9]], grid_size=1e-6), inner
