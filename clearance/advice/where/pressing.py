"""A clamp or a magnet and the job around it go in; where its tip must lie so that it does its work in every
state comes out.

A place asks for more than a check does: all of the tip on metal, where the check is content with any of it.
Only where there is no such place (a bar, an edge, a narrow part), and the tip lies on metal in part as it
stands now, or where that is asked for, a place asks for what the check asks for: that it touches, and
touches over what carries the part.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.advice.where.conditions import Bears, Condition, Inside
from clearance.geometry.aabb import AabbSet, boxes_of
from clearance.geometry.planar import common
from clearance.mesh.sections import region
from clearance.parallel import processor_time
from clearance.process.check import told
from clearance.process.hanging import RIM
from clearance.process.holding import role_of
from clearance.process.support import TOUCHES, bearing
from clearance.records import changing
from clearance.scene.model import Body, Finding, Scene
from clearance.scene.stability import EDGE
from fixtures_lib.holder import Does

Array = NDArray[np.float64]

#: slices are made so far beside a face, mm
BESIDE = 0.01
#: of a tip that lies across several parts so much may come off each of them, mm
SHARED = 1.0
#: facets of a curved corner may lie so far inside the true region, mm; regions are simplified by less
ROUND = 0.005


class Heard:
    """What the whole job says of a scene but for distances, asked once.

    Args:
        scene: in which an item stands as it is to, whatever place it has now.
    """

    def __init__(self, scene: Scene) -> None:
        self.scene = scene
        self.asked: list[tuple[Any, Any]] = []
        began = processor_time()
        findings, self.account = told(scene, hear=self.asked)
        self.findings: tuple[Finding, ...] = tuple(findings)
        #: s of processor time that it took
        self.took = processor_time() - began

    def of(self, item: int) -> list[tuple[Any, Any]]:
        """What is asked of parts, and what holds them, in states in which a body is there.

        Args:
            item: index of the body.
        """
        return [(q, a) for q, a in self.asked if item in q.present]


@changing
class Pressing:
    """What is asked of a tip.

    Attributes:
        conditions: of its places.   judged: they say all that there is to say.
        partly: names of the parts on which the tip lies in part only as it stands now.
    """

    conditions: list[Condition] = field(default_factory=list)
    judged: bool = False
    partly: list[str] = field(default_factory=list)


def pressing(
    scene: Scene, item: int, asked: Sequence[tuple[Any, Any]], origin: Array, partly: bool = False
) -> Pressing:
    """It presses on metal that is there, over what carries it, in every state; or it carries what it holds.

    It is to press what it presses where it stands now; where that is nothing, the nearest part whose top is
    as high as its tip. Across several parts no more is known than that what of its tip lies on each should
    go on doing so: elsewhere it is undecided.

    Args:
        scene: as it stands.   item: index of the body.   asked: of parts with it there.
        origin: (2,) what its places are told by.   partly: a tip that lies on metal in part is enough.
    """
    body = scene.bodies[item]
    on: list[tuple[Any, Any, float]] = []
    under = []
    for question, answer in asked:
        role = role_of(body, scene.bodies[question.part])
        if role.unknown or (role.grips and not role.pulls) or role.aside:
            return Pressing()
        part = scene.bodies[question.part]
        if role.pulls and role.grips and bearing(part, body).touches:
            under.append((question, answer))
        if role.presses:
            touching = bearing(body, part).touching
            height = None if touching.is_empty else underside(body, touching)
            if height is not None:
                on.append((question, answer, height))
    if under:
        return _under(scene, body, under, origin)
    if not on and presses_only(body):
        on = _would_press(scene, body, asked, origin)
    # whether what carries a part would do so elsewhere, too, is undecided in plan
    carries = any(
        role_of(body, part).carries and bearing(part, body).touches
        for part in {q.part: scene.bodies[q.part] for q, _ in asked}.values()
    )
    found = Pressing(judged=not presses_only(body) and not carries)
    several = len({question.part for question, _, _ in on}) > 1
    seen = set()
    for question, answer, top in on:
        part = scene.bodies[question.part]
        below = region(part.triangles_M, top - TOUCHES + BESIDE, part.aabbs)
        metal = below if question.whole else common(below, question.metal.region)
        tip = face(body.triangles_M, top, False, TOUCHES)
        if several:
            tip = common(tip, below).buffer(-SHARED)
        key = (question.part, metal.wkb, answer.corners.tobytes() if len(answer.corners) else b"")
        outlines = hulls(tip, origin)
        if not outlines:
            return Pressing()
        if key in seen:
            continue
        seen.add(key)
        # which piece stays when a cut frees one may depend on what the item holds down
        sure = not several and question.whole
        what = "its tip" if presses_only(body) else "its underside"
        found.conditions += _on(
            what, part.name, outlines, metal, answer.corners, origin, sure, several, partly, found
        )
        found.judged = not carries
    return found


def _on(
    what: str,
    name: str,
    outlines: Sequence[Array],
    metal: Any,
    corners: Array,
    origin: Array,
    sure: bool,
    several: bool,
    partly: bool,
    found: Pressing,
) -> Iterator[Condition]:
    """A tip on one part in one state."""
    import shapely

    over = shapely.MultiPoint(corners).convex_hull.buffer(EDGE / 2) if len(corners) else None
    tip = shapely.union_all([shapely.Polygon(each + origin) for each in outlines])
    on = tip.intersection(metal)
    if not several and on.area > 0.0 and not metal.buffer(ROUND).covers(tip):
        found.partly += [name] if name not in found.partly else []
    if partly and not several:
        words = f'{what} would not lie on metal of "{name}", over what carries it'
        inner = metal.buffer(-RIM)
        for each in outlines:
            yield Bears(each, metal if inner.is_empty else inner, over, words, sure)
        return
    words = f'{what} would not lie wholly on metal of "{name}"'
    for each in outlines:
        yield Inside(each, metal, words, sure)
    if over is not None:
        middle = np.array(tip.centroid.coords[0]) - origin
        yield Inside(middle[None], over, f'{what} would press "{name}" over air', sure)


def _would_press(
    scene: Scene, body: Body, asked: Sequence[tuple[Any, Any]], origin: Array
) -> list[tuple[Any, Any, float]]:
    """What is asked of the nearest part whose top is as high as a clamp's tip, and how high that is."""
    import shapely

    near: tuple[float, int] | None = None
    for part in {question.part for question, _ in asked}:
        other = scene.bodies[part]
        tip = face(body.triangles_M, float(other.aabbs.box[1][2]), False, TOUCHES)
        if tip.is_empty or not role_of(body, other).presses:
            continue
        far = float(shapely.distance(tip, shapely.box(*other.outline.shadow.bounds)))
        if near is None or far < near[0]:
            near = (far, part)
    if near is None:
        return []
    top = float(scene.bodies[near[1]].aabbs.box[1][2])
    return [(q, a, top) for q, a in asked if q.part == near[1]]


def underside(body: Body, where: Any) -> float | None:
    """The height of a body's level underside over a region (shapely), machine Z, mm; None where it has none.

    Args:
        where: seen from above.
    """
    import shapely

    t = body.triangles_M
    n = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
    down = n[:, 2] < -0.999 * np.maximum(np.linalg.norm(n, axis=1), 1e-300)
    level = t[down & (np.ptp(t[..., 2], axis=1) < 1e-6)]
    if not len(level):
        return None
    shared = shapely.area(shapely.intersection(where, shapely.polygons(level[..., :2])))
    most = int(np.argmax(shared))
    return float(level[most, 0, 2]) if shared[most] > 0.0 else None


def _under(scene: Scene, body: Body, asked: Sequence[tuple[Any, Any]], origin: Array) -> Pressing:
    """A magnet on which a part lies: some of its poles stay under metal; whether the part would stand without
    it is left to the judge, unless others carry it anyway."""
    import shapely

    found = Pressing(judged=True)
    for question, answer in asked:
        part = scene.bodies[question.part]
        low = float(part.aabbs.box[0][2])
        above = region(part.triangles_M, low + TOUCHES - BESIDE, part.aabbs)
        metal = above if question.whole else common(above, question.metal.region)
        poles = face(body.triangles_M, low, True, TOUCHES)
        outlines = hulls(poles, origin)
        if not outlines:
            return Pressing()
        corners = np.asarray(answer.corners)
        own = shapely.intersects_xy(poles.buffer(EDGE), *corners.T) if len(corners) else np.ones(0, bool)
        others = shapely.MultiPoint(corners[~own]).convex_hull if (~own).any() else shapely.Polygon()
        if not others.contains(shapely.Point(*question.metal.middle[:2])):
            found.judged = False
        words = f'its poles would not lie under metal of "{part.name}"'
        found.conditions += [Bears(each, metal, None, words, question.whole) for each in outlines[:1]]
    return found


def presses_only(body: Body) -> bool:
    """Whether a body is a clamp of the library and no more: it is to press something."""
    does = Does.BEARS if body.library is None else body.library.does
    return Does.PRESSES in does and not does & (Does.BEARS | Does.CARRIES)


def hulls(shape: Any, origin: Array) -> list[Array]:
    """The convex hull (m, 2) of each piece of a region, from an origin.

    Args:
        shape: shapely, machine X Y, mm.   origin: (2,) mm.
    """
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


def face(triangles: Array, z: float, up: bool, reach: float) -> Any:
    """Where a body has a face at a height, looking up or down (shapely), as slices beside it tell.

    Args:
        triangles: (N, 3, 3), machine frame, mm.   z: the height, mm.   up: it looks up; else down.
        reach: mm above and below at which slices are taken.
    """
    boxes = AabbSet(*boxes_of(triangles))
    below, above = (region(triangles, z + d, boxes) for d in (-reach - BESIDE, reach + BESIDE))
    return below.difference(above) if up else above.difference(below)
