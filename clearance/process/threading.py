"""Threading: what stands in the wire's way where it is threaded, and how much room it has.

Of holes that the setup says are drilled: seen along the hole, a cylinder about a wire that leans by t is an
ellipse, 1 / cos t as long as it is wide, and goes sideways with height. It lies within the hole's circle at
all heights if it does at both ends of the hole. In a circle of its longer half it lies for certain; where it
goes off in the direction of its lean, as it does in the middle of a hole, that is exact: (R - h / 2 tan t)
cos t for a hole h long.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import AabbSet, boxes_of
from clearance.geometry.planar import following
from clearance.geometry.transforms import apply
from clearance.mesh.sections import HoleRing, around, holds, hole_of, rings, section
from clearance.process.removal import Removals
from clearance.process.runs import Run
from clearance.records import record
from clearance.scene.model import Body, Scene

Array = NDArray[np.float64]

#: a wire that leans so much more than this against a hole, mm sideways for each mm along it, lies across it
ACROSS = 2.0
#: as good as nothing, mm
ROUNDING = 1e-9


@record
class Drilled:
    """A named hole as a wire passes it.

    Attributes:
        hole: where its middle line passes the middle of the body's height, machine X Y.
        free: diameter of the largest circle about the wire that is free in it; 0 or less: the wire meets its
            wall.
        off: how far its middle line is from the wire at that height, mm.
    """

    hole: HoleRing
    free: float
    off: float


def drilled_holes(body: Body, run: Run, near: Array, middle: float) -> list[Drilled]:
    """Each named hole that the wire does not lie across, as the wire passes it.

    Args:
        near: (N, 3, 3) the body's facets near the wire, machine frame: they say how long a hole is.
        middle: machine Z of the middle of the body's height.
    """
    if not body.start_holes:
        return []
    T_IM: Array = np.asarray(np.linalg.inv(body.T_MI), dtype=np.float64)
    at = np.array([*run.place(middle), middle], dtype=np.float64)
    p_I = apply(T_IM, at)
    way = T_IM[:3, :3] @ np.array([*run.lean, 1.0])
    if abs(way[2]) * ACROSS < np.hypot(way[0], way[1]):
        return []
    slope = way[:2] / way[2]
    facets = apply(T_IM, near) if len(near) else np.empty((0, 3, 3))
    centres = np.array([one.at for one in body.start_holes], dtype=np.float64)
    diameters = np.array([one.diameter for one in body.start_holes], dtype=np.float64)
    ends = _ends(facets, centres, diameters / 2.0, float(p_I[2]))
    aside = p_I[:2] + slope * (ends[..., None] - p_I[2]) - centres[:, None]
    off = np.hypot(aside[..., 0], aside[..., 1]).max(axis=1)
    room = (diameters / 2.0 - off) / np.hypot(1.0, np.hypot(*slope))
    here = _axes_at(body, centres, middle)
    away = np.hypot(*(here - at[:2]).T)
    return [
        Drilled(HoleRing((float(x), float(y)), float(wide), True), 2.0 * float(free), float(far))
        for (x, y), wide, free, far in zip(here, diameters, room, away, strict=True)
    ]


def best(holes: list[Drilled]) -> Drilled | None:
    """Of the holes in which the wire stands at the middle of the height the one with the most room."""
    around = [one for one in holes if one.off < one.hole.diameter / 2.0 - ROUNDING]
    return max(around, key=lambda one: one.free, default=None)


def _ends(facets: Array, centres: Array, radii: Array, level: float) -> Array:
    """Between which heights (H, 2) of the item's own frame there is metal about each hole."""
    ends = np.full((len(centres), 2), level)
    if not len(facets):
        return ends
    low, high = facets.min(axis=1), facets.max(axis=1)
    over = (low[None, :, :2] <= (centres + radii[:, None])[:, None]).all(axis=2)
    over &= (high[None, :, :2] >= (centres - radii[:, None])[:, None]).all(axis=2)
    some = over.any(axis=1)
    ends[some, 0] = np.where(over, low[:, 2], np.inf).min(axis=1)[some]
    ends[some, 1] = np.where(over, high[:, 2], -np.inf).max(axis=1)[some]
    return ends


def _axes_at(body: Body, centres: Array, z: float) -> Array:
    """Where each hole's middle line passes a machine height, (H, 2)."""
    feet = apply(body.T_MI, np.column_stack([centres, np.zeros(len(centres))]))
    up = body.T_MI[:3, 2]
    if abs(up[2]) < ROUNDING:
        return np.asarray(feet[:, :2])
    return np.asarray(feet[:, :2] + up[:2] / up[2] * (z - feet[:, 2:]))


#: a hole beside the place is named when its centre is no farther, mm
BESIDE = 30.0
#: walls are looked for so near at first, mm
CLOSE = 4.0
#: as good as over a point, mm
HAIR = 1e-6
#: holes beyond this diameter are openings, in which nobody threads at the centre, mm
OPENING = 15.0


@record
class Way:
    """What a wire meets of one body where it is threaded. Lengths mm, machine frame.

    Attributes:
        body: its index.   at: (2,) where the wire passes the middle of the body's height.
        solid: (low, high) in Z of each bit of the line that lies in the body, up to the guides.
        free: diameter of the largest circle about the wire that is free through the full height; 0 in metal.
        hole: the hole it goes through, or None where it passes outside; named ones have ``is_round``.
        off_centre: of that hole.   nearest: where it is solid, the hole beside it.
        drilled: the hole is one of the item's ``start_holes``.
        blind: "", or "above" or "below": the side on which a hole around the wire is closed.
        leans: a hole is around the wire somewhere, and its wall lies across the wire above and below that.
        edge: how far the edge of ``nearest`` is.
    """

    body: int
    at: Array
    solid: tuple[tuple[float, float], ...]
    free: float
    hole: HoleRing | None
    off_centre: float | None
    nearest: HoleRing | None = None
    drilled: bool = False
    blind: str = ""
    leans: bool = False
    edge: float | None = None


def way_through(body: Body, index: int, run: Run, column: tuple[float, float] | None = None) -> Way | None:
    """The way of a run's wire, where it is threaded, through or past one body; None where it is far away.

    Args:
        index: of the body.
        column: machine Z between which it is threaded; both guides as they cut where None.
    """
    low, high = run.guides_z if column is None else column
    first, last = body.aabbs.box
    bottom, top = max(low, float(first[2])), min(high, float(last[2]))
    if top <= bottom:
        return None
    at = run.place((bottom + top) / 2.0)
    point = run.thread_point
    sheared = _along(body.triangles_M, run)
    boxes = body.aabbs if sheared is body.triangles_M else AabbSet(*boxes_of(sheared))
    for width in (CLOSE, BESIDE):
        near = _near(sheared, boxes, point, width, low, high)
        distance = _distances(near, point) if len(near) else np.empty(0)
        reach = float(distance.min(initial=np.inf))
        if 0.0 < reach <= width:
            break
    named = drilled_holes(body, run, _unsheared(near, run), (bottom + top) / 2.0)
    drilled = best(named)
    solid: tuple[tuple[float, float], ...] = ()
    if reach == 0.0:
        # what lies past the guides is crossed as well: metal may begin there
        over = _near(sheared, boxes, point, HAIR, -np.inf, np.inf)
        solid = _solid(over[_distances(over, point) == 0.0], point, low, high)
    if drilled is not None and (solid or drilled.free / 2.0 >= reach):
        return Way(index, at, (), max(drilled.free, 0.0), drilled.hole, drilled.off, drilled=True)
    if reach == 0.0:
        blind = _blind(near, point, solid)
        nearest, edge = _beside(near, point, solid, [one.hole for one in named], at)
        leans = not blind and _leans(near, point, solid)
        return Way(index, at, solid, 0.0, None, None, nearest, blind=blind, leans=leans, edge=edge)
    if not np.isfinite(reach):
        return None
    tight = near[distance <= reach + 1e-6]
    tall = tight[np.argmax(np.ptp(tight[..., 2], axis=1))][:, 2]
    level = float(np.clip((tall.min() + tall.max()) / 2.0, low, high))
    ring = around(rings(section(near, level)), point)
    if ring is None and width < BESIDE:
        ring = around(rings(section(_near(sheared, boxes, point, BESIDE, low, high), level)), point)
    if ring is None and len(near) < len(sheared):
        ring = around(rings(section(sheared, level)), point)
    if ring is None:
        return Way(index, at, (), 2.0 * reach, None, None)
    hole = _moved(hole_of(ring), at - point)
    return Way(index, at, (), 2.0 * reach, hole, float(np.hypot(*(np.array(hole.centre) - at))))


def _moved(hole: HoleRing, by: Array) -> HoleRing:
    return HoleRing(
        (hole.centre[0] + float(by[0]), hole.centre[1] + float(by[1])), hole.diameter, hole.is_round
    )


def _along(triangles: Array, run: Run) -> Array:
    """Triangles with the wire's lean taken out: the wire stands upright over its thread point."""
    lean = run.lean
    if not lean.any():
        return triangles
    out = triangles.copy()
    out[..., :2] -= (triangles[..., 2:] - run.guides_z[0]) * lean
    return out


def _unsheared(triangles: Array, run: Run) -> Array:
    """The triangles as they are, where ``_along`` took the wire's lean out."""
    if not run.lean.any():
        return triangles
    out = triangles.copy()
    out[..., :2] += (triangles[..., 2:] - run.guides_z[0]) * run.lean
    return out


def _near(triangles: Array, boxes: AabbSet, point: Array, width: float, low: float, high: float) -> Array:
    """The triangles within ``width`` of the point, sideways, that reach between two heights."""
    rows = boxes.meeting(np.r_[point - width, low], np.r_[point + width, high])
    return np.asarray(triangles[rows[(boxes.low[rows, 2] < high) & (boxes.high[rows, 2] > low)]])


def _distances(triangles: Array, point: Array) -> Array:
    """Distance (N,) of a point (2,) from each triangle as seen from above; 0 in it."""
    p = triangles[..., :2] - point
    q = p[:, (1, 2, 0)]
    way = q - p
    share = -(p * way).sum(axis=2) / np.maximum((way * way).sum(axis=2), 1e-300)
    off = p + np.clip(share, 0.0, 1.0)[..., None] * way
    nearest = np.sqrt((off * off).sum(axis=2).min(axis=1))
    turn = p[..., 0] * q[..., 1] - p[..., 1] * q[..., 0]
    within = (turn > 0.0).all(axis=1) | (turn < 0.0).all(axis=1)
    return np.asarray(np.where(within, 0.0, nearest))


def _solid(triangles: Array, point: Array, low: float, high: float) -> tuple[tuple[float, float], ...]:
    """Between which heights the line through a point lies in metal, by every other crossing.

    An edge exactly over the point would be crossed twice; the line is looked at a hair beside it.
    """
    x, y = point + np.array([1.37e-7, 0.71e-7])
    a, b, c = (triangles[:, k] - np.array([x, y, 0.0]) for k in range(3))
    weights = [u[:, 0] * v[:, 1] - u[:, 1] * v[:, 0] for u, v in ((b, c), (c, a), (a, b))]
    w = np.stack(weights, axis=1)
    hit = (w > 0.0).all(axis=1) | (w < 0.0).all(axis=1)
    w, z = w[hit], triangles[hit][..., 2]
    heights = np.unique(np.round((w * z).sum(axis=1) / w.sum(axis=1), 6))
    if len(heights) < 2:
        return ((max(float(triangles[..., 2].min()), low), min(float(triangles[..., 2].max()), high)),)
    if len(heights) % 2:
        pairs = [(heights[0], heights[-1])]
    else:
        pairs = list(zip(heights[::2], heights[1::2], strict=True))
    return tuple((float(max(a, low)), float(min(b, high))) for a, b in pairs if b > low and a < high)


def _blind(near: Array, point: Array, solid: tuple[tuple[float, float], ...]) -> str:
    """On which side a hole around the point ends in metal: there is one below the metal, or above it."""
    if not solid:
        return ""
    bottom, top = float(near[..., 2].min()), float(near[..., 2].max())
    for side, z in (
        ("above", (bottom + solid[0][0]) / 2.0 if solid[0][0] - bottom > 0.05 else None),
        ("below", (top + solid[-1][1]) / 2.0 if top - solid[-1][1] > 0.05 else None),
    ):
        if z is not None and around(rings(section(near, z)), point) is not None:
            return side
    return ""


def _leans(near: Array, point: Array, solid: tuple[tuple[float, float], ...]) -> bool:
    """Whether a hole is around the point between two bits of metal, as where one is drilled askew: one small
    enough for that, since a channel across has no wall around the wire."""
    for (_, z), (over, _) in pairwise(solid):
        ring = around(rings(section(near, (z + over) / 2.0)), point)
        if ring is not None and np.ptp(ring, axis=0).max() <= OPENING:
            return True
    return False


def _beside(
    near: Array, point: Array, solid: tuple[tuple[float, float], ...], named: Sequence[HoleRing], at: Array
) -> tuple[HoleRing | None, float | None]:
    """Of the holes beside a point that lies in metal the one whose edge is nearest; and how far that is."""
    found = [(max(_off(hole, at) - hole.diameter / 2.0, 0.0), hole) for hole in named]
    if solid:
        level = (solid[0][0] + solid[0][1]) / 2.0
        loops = [r for r in rings(section(near, level)) if np.abs(r - point).max() <= 2.0 * BESIDE]
        for ring in loops:
            edge = _to_ring(ring, point)
            # on the very edge it is chance which side it is on
            if edge <= HAIR or not holds(ring, point):
                hole = hole_of(ring)
                if hole.is_round or _is_hole(ring, loops, point):
                    found.append((edge, _moved(hole, at - point)))
    found = [(edge, hole) for edge, hole in found if edge <= BESIDE]
    if not found:
        return None, None
    nearest = min(found, key=lambda one: one[0])
    return nearest[1], nearest[0]


def _off(hole: HoleRing, at: Array) -> float:
    return float(np.hypot(*(np.array(hole.centre) - at)))


def _is_hole(ring: Array, loops: Sequence[Array], point: Array) -> bool:
    """Whether a ring beside a point in metal lies in that metal: within as many rings as the point, evenly
    counted. The outline around both may reach farther than was looked, and be none of them."""
    around_ring = sum(holds(other, ring[0]) for other in loops if other is not ring)
    return (around_ring - sum(holds(other, point) for other in loops)) % 2 == 0


def _to_ring(ring: Array, point: Array) -> float:
    """How far a point is from a closed ring of corners (N, 2)."""
    p = ring - point
    way = following(p) - p
    share = -(p * way).sum(axis=1) / np.maximum((way * way).sum(axis=1), 1e-300)
    return float(np.hypot(*(p + np.clip(share, 0.0, 1.0)[:, None] * way).T).min())


#: room that the wire must have all round where it is threaded, mm (common practice, no source)
MARGIN = 0.1
#: a round hole is named as off its centre past this, mm and share of its diameter
OFF, OFF_SHARE = 0.25, 0.05
#: mm: so little less room than wanted is rounding
THREADING_ROUNDING = 1e-6


class Ways:
    """What wires meet where they are threaded, in one scene."""

    def __init__(self, scene: Scene, told: Removals) -> None:
        self.scene, self.told = scene, told
        boxes = [body.aabbs.box for body in scene.bodies]
        self._low, self._high = (np.array([box[k] for box in boxes]).reshape(-1, 3) for k in (0, 1))

    def reach(self, run: Run) -> tuple[float, float]:
        """Machine Z of both guides as a run is threaded."""
        low, high = run.guides_z
        threads_at = self.scene.heads.thread_z
        return low, high if threads_at is None else threads_at + self.scene.known_machine.upper_head.guide

    def of(self, run: Run, index: int, column: tuple[float, float] | None = None) -> Way | None:
        """The way of a run's wire through or past one body.

        Args:
            index: of the body.   column: machine Z between which; as it is threaded where None.
        """
        body = self.scene.bodies[index]
        return way_through(body, index, run, self.reach(run) if column is None else column)

    def parts(self, run: Run) -> list[Way]:
        """Through the parts that the run's cut goes through."""
        return [way for k in run.stretch.cut_bodies if (way := self.of(run, k)) is not None]

    def column(self, run: Run) -> list[Way]:
        """Past all that is in the wire's column: the parts, then what else leaves less room, or none."""
        found = self.parts(run)
        room = min((way.free for way in found if not way.solid), default=2.0 * CLOSE) / 2.0
        others = [k for k in run.stretch.there(run.first) if k not in run.stretch.cut_bodies]
        for k, near in zip(others, self._near(run, others, room).tolist(), strict=True):
            if near:
                way = self.of(run, k)
                if way is not None and (way.solid or way.free / 2.0 < room):
                    found.append(way)
        return found

    def _near(self, run: Run, bodies: Sequence[int], room: float) -> NDArray[np.bool_]:
        """Whether the wire, where it is threaded, passes the boxes of bodies (n,) nearer than that."""
        low, high = self._low[list(bodies)], self._high[list(bodies)]
        # where it is as it enters and leaves the height of each
        ends = run.thread_point + (np.stack([low[:, 2:], high[:, 2:]]) - run.guides_z[0]) * run.lean
        near = (ends.min(axis=0) <= high[:, :2] + room) & (ends.max(axis=0) >= low[:, :2] - room)
        return np.asarray(near.all(axis=1))
