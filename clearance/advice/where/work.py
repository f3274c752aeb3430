"""An item and the job around it go in; how far a place keeps from where it would stand on air, press on air
or cut into something comes out.

Each condition is a question in plan (``conditions``). Outlines that must lie within a region are taken
larger (their hulls), what must be kept from is taken as its shadow between two heights: on the safe side.
What is broken for certain is told from slices and from single points.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from clearance.advice.where.conditions import CUTS_INTO, Apart, Condition, Inside, Work
from clearance.advice.where.pressing import BESIDE, ROUND, Heard, face, hulls, pressing
from clearance.geometry.aabb import AabbSet, boxes_of
from clearance.mesh.sections import region
from clearance.process.support import TOUCHES
from clearance.scene.model import Body, Scene
from clearance.scene.overlaps import NOTICED
from clearance.scene.stability import table_is_described
from fixtures_lib.holder import Fastened, between

if TYPE_CHECKING:
    from clearance.advice.where.seats import ItemSeat

Array = NDArray[np.float64]

#: layers between levels of corners at most
LAYERS = 10
#: a foot that stands out by no more than this, mm, is flush with its carrier's edge
FLUSH = 1e-7
#: a slab thinner than this, mm, is joined to its neighbour
THIN = 0.5
#: levels are known to half of this, mm
LEVEL = 2e-3
#: a body of more facets than this is looked at in slices alone
MANY = 20_000


def work_of(
    scene: Scene, seat: ItemSeat, heard: Heard, besides: Collection[int] = (), partly: bool = False
) -> Work:
    """The conditions on an item's places.

    Args:
        scene: in which it stands as it is to, whatever place it has now.   seat: of the item.
        heard: what is asked of the scene's parts.
        besides: indices of what is not where it stands now, and is not kept from.
        partly: a tip that lies on metal in part is enough.
    """
    there = seat.scene(scene)
    body = there.bodies[seat.index]
    without = {*seat.moving, *besides}
    conditions: list[Condition] = list(_foot(there, body, seat.origin))
    asked = heard.of(seat.index)
    against: set[int] = set()
    judged, in_part = True, []
    if seat.lines is not None and seat.holes is None:
        against = {question.part for question, _ in asked}
    else:
        found = pressing(there, seat.index, asked, seat.origin, partly)
        conditions += found.conditions
        judged, in_part = found.judged, found.partly
    judged = judged and not _hangs_beside(there, body)
    for k in seat.moving:
        conditions += _cuts(there, k, without, seat.origin, seat.around, against)
    fixed: list[Condition] = []
    if seat.slot is not None:
        screw = seat.scene(scene, goes=False)
        fixed += _cuts(screw, seat.index, without, seat.origin, seat.around)
    return Work(conditions, judged, fixed, seat.slide, in_part, partly)


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
    are counted as metal. None of both on the table.

    Args:
        scene: as planned.   body: the item.
    """
    import shapely

    names = [name for name in (body.stands_on, *body.also_on) if name is not None]
    if not names:
        return [], None
    low, _ = foot(body)
    faces = []
    for name in names:
        base = scene.items[name]
        level = face(base.triangles_M, low, True, TOUCHES + base.allow.height + body.allow.height)
        source = base.library
        if source is not None and source.holes and not level.is_empty:
            mouths = [base.T_MI @ np.array([*hole.at, 1.0]) for hole in source.holes]
            discs = [
                shapely.Point(m[:2]).buffer(h.diameter / 2 + 0.1)
                for m, h in zip(mouths, source.holes, strict=True)
            ]
            filled = shapely.union_all(
                [shapely.Polygon(p.exterior) for p in shapely.get_parts(level) if p.geom_type == "Polygon"]
            )
            level = level.union(shapely.union_all(discs).intersection(filled))
        faces.append(level)
    return names, shapely.union_all(faces)


def _foot(scene: Scene, body: Body, origin: Array) -> list[Inside]:
    """It stands wholly on what carries it."""
    names, level = carrier_face(scene, body)
    low, where = foot(body)
    said = " and ".join(f'"{name}"' for name in names)
    if level is None:
        level, said = _table(scene, body, low), "the table"
    if level is None:
        return []
    level = level.buffer(FLUSH, join_style="mitre")
    return [
        Inside(hull, level, f"its foot would not stand wholly on {said}") for hull in hulls(where, origin)
    ]


def _table(scene: Scene, body: Body, low: float) -> Any:
    """Where there is something to stand on at Z = 0, for what stands there (shapely); None where the machine
    file says nothing of its table, or the item hangs lower or stands higher."""
    import shapely

    if abs(low) > TOUCHES or not table_is_described(scene.bodies):
        return None
    others = [b for b in scene.bodies if b.name != body.name and b.kind in ("holder", "machine") and b.closed]
    return shapely.union_all([face(b.triangles_M, low, True, TOUCHES + b.allow.height) for b in others])


def _hangs_beside(scene: Scene, body: Body) -> bool:
    """Whether it is screwed to the side of what it touches, on no plane: of that the judge alone knows."""
    if body.library is None or body.library.fastened is Fastened.STANDS or body.stands_on or body.also_on:
        return False
    return table_is_described(scene.bodies) and abs(foot(body)[0]) > TOUCHES


def _cuts(
    scene: Scene,
    k: int,
    without: Collection[int],
    origin: Array,
    around: tuple[float, float, float, float],
    against: Collection[int] = (),
) -> list[Apart]:
    """What it would cut into: everything that is there with it at any time; by less than is noticed into
    what it lies against."""
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
                less = NOTICED / 2.0 if b in against else 0.0
                out += layers(mine, theirs, origin, f'{CUTS_INTO} "{other.name}"', less)
    return out


def shells_of(body: Body, into_part: bool) -> list[Array]:
    """A body's shells; those that are meant to be sunk only where they may not be.

    Args:
        body: as it stands.   into_part: whether those that are meant to be sunk are among them.
    """
    parts = np.split(body.triangles_M, np.cumsum(body.shells)[:-1]) if body.shells else [body.triangles_M]
    return [t for k, t in enumerate(parts) if into_part or k not in body.sunk]


def layers(mine: Array, theirs: Array, origin: Array, words: str, less: float = 0.0) -> list[Apart]:
    """Between heights at which either has corners: the item's outline and the other's shadow.

    Args:
        mine, theirs: triangles of shells (N, 3, 3), machine frame, mm.   origin: (2,) of the item.
        words: of the conditions.   less: mm; so much of the other's rim may be cut into.
    """
    import shapely

    z0 = max(float(mine[..., 2].min()), float(theirs[..., 2].min())) + NOTICED / 2.0
    z1 = min(float(mine[..., 2].max()), float(theirs[..., 2].max())) - NOTICED / 2.0
    if z1 <= z0:
        return []
    kept = _levels(mine, theirs, z0, z1)
    out = []
    for a, b in zip(kept, [*kept[1:], z1], strict=True):
        # without the faces that are its ends: these are of the next layer
        outline = _shadow_hull(mine, a + LEVEL, b - LEVEL)
        if outline is None:
            continue
        # what is nearer in height than is noticed is not cut into
        near = min(NOTICED / 2.0, (b - a) / 4.0)
        shadow, inner = _shadow(theirs, a + near, b - near)
        if less:
            shadow, inner = shadow.buffer(-less), inner.buffer(-less)
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


def _levels(mine: Array, theirs: Array, z0: float, z1: float) -> list[float]:
    """Where layers between two heights begin: at the item's own corners, then at the other's."""

    def apart(levels: Array, kept: list[float]) -> list[float]:
        out: list[float] = []
        for z in levels:
            if z0 < z < z1 and all(abs(z - each) > THIN for each in (*kept, *out, z0, z1)):
                out.append(float(z))
        return out

    own = apart(np.unique(np.round(mine[..., 2], 3)), [])
    if len(own) >= LAYERS:
        return list(np.linspace(z0, z1, LAYERS + 1)[:-1])
    others: list[float] = []
    if len(theirs) <= MANY:
        others = apart(np.unique(np.round(theirs[..., 2], 3)), own)
        if len(own) + len(others) >= LAYERS:
            some = np.linspace(0, len(others) - 1, LAYERS - len(own) - 1).round().astype(int)
            others = [others[k] for k in np.unique(some)]
    return sorted([z0, *own, *others])


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

    boxes = AabbSet(*boxes_of(triangles))
    inner = region(triangles, (a + b) / 2.0, boxes)
    slices = [region(triangles, z, boxes) for z in (a, b)]
    sloping = []
    some = triangles[(boxes.low[:, 2] < b) & (boxes.high[:, 2] > a)]
    if len(some) and len(some) <= MANY:
        n = np.cross(some[:, 1] - some[:, 0], some[:, 2] - some[:, 0])
        some = some[np.abs(n[:, 2]) > 1e-9]
        if len(some):
            cut = between(some, 2, a, b)
            sloping = list(shapely.polygons(cut[..., :2])) if len(cut) else []
    return shapely.union_all([inner, *slices, *[p for p in sloping if p.area > 1e-9]], grid_size=1e-6), inner
