"""Threading: what stands in the wire's way where it is threaded, and how much room it has."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import Boxes, boxes_of
from clearance.geometry.extent import extent
from clearance.mesh.sections import Hole, around, holds, hole_of, rings, section
from clearance.process.removal import Story
from clearance.process.runs import Run
from clearance.scene.model import Body, Finding, Scene

Array = NDArray[np.float64]

#: a hole beside the place is named when its centre is no farther, mm
BESIDE = 30.0
#: walls are looked for so near at first, mm
CLOSE = 4.0
#: as good as over a point, mm
HAIR = 1e-6


@dataclass(frozen=True)
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
    """

    body: int
    at: Array
    solid: tuple[tuple[float, float], ...]
    free: float
    hole: Hole | None
    off_centre: float | None
    nearest: Hole | None = None
    drilled: bool = False
    blind: str = ""


def way_through(body: Body, index: int, run: Run, boxes: Boxes) -> Way | None:
    """The way of a run's wire, where it is threaded, through or past one body; None where it is far away.

    Args:
        boxes: lowest and highest corner (N, 3) of each of the body's triangles.
    """
    low, high = run.guides_z
    first, last = extent(*boxes)
    bottom, top = max(low, float(first[2])), min(high, float(last[2]))
    if top <= bottom:
        return None
    at = run.place((bottom + top) / 2.0)
    point = run.thread_point
    sheared = _along(body.triangles_M, run)
    if sheared is not body.triangles_M:
        boxes = boxes_of(sheared)
    for width in (CLOSE, BESIDE):
        near = _near(sheared, boxes, point, width, low, high)
        distance = _distances(near, point) if len(near) else np.empty(0)
        reach = float(distance.min(initial=np.inf))
        if 0.0 < reach <= width:
            break
    drilled = _drilled(body, at)
    solid: tuple[tuple[float, float], ...] = ()
    if reach == 0.0:
        # what lies past the guides is crossed as well: metal may begin there
        over = _near(sheared, boxes, point, HAIR, -np.inf, np.inf)
        solid = _solid(over[_distances(over, point) == 0.0], point, low, high)
    if drilled is not None:
        off = float(np.hypot(*(np.array(drilled.centre) - at)))
        named = drilled.diameter / 2.0 - off
        if named > 0.0 and (solid or named >= reach):
            return Way(index, at, (), 2.0 * named, drilled, off, drilled=True)
    if reach == 0.0:
        blind = _blind(near, point, solid)
        return Way(index, at, solid, 0.0, None, None, _beside(near, point, solid, body, at), blind=blind)
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


def _moved(hole: Hole, by: Array) -> Hole:
    return Hole((hole.centre[0] + float(by[0]), hole.centre[1] + float(by[1])), hole.diameter, hole.is_round)


def _along(triangles: Array, run: Run) -> Array:
    """Triangles with the wire's lean taken out: the wire stands upright over its thread point."""
    lean = run.lean
    if not lean.any():
        return triangles
    out = triangles.copy()
    out[..., :2] -= (triangles[..., 2:] - run.guides_z[0]) * lean
    return out


def _near(triangles: Array, boxes: Boxes, point: Array, width: float, low: float, high: float) -> Array:
    """The triangles within ``width`` of the point, sideways, that reach between two heights."""
    first, last = boxes
    near = (first[:, 0] <= point[0] + width) & (last[:, 0] >= point[0] - width)
    near &= (first[:, 1] <= point[1] + width) & (last[:, 1] >= point[1] - width)
    near &= (first[:, 2] < high) & (last[:, 2] > low)
    return np.asarray(triangles[near])


def _distances(triangles: Array, point: Array) -> Array:
    """Distance (N,) of a point (2,) from each triangle as seen from above; 0 in it."""
    p = triangles[..., :2] - point
    q = np.roll(p, -1, axis=1)
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


def _beside(
    near: Array, point: Array, solid: tuple[tuple[float, float], ...], body: Body, at: Array
) -> Hole | None:
    """The hole nearest to a point that lies in metal: one that is round, or named."""
    found = [hole for hole in _start_holes(body)]
    if solid:
        level = (solid[0][0] + solid[0][1]) / 2.0
        loops = [r for r in rings(section(near, level)) if np.abs(r - point).max() <= 2.0 * BESIDE]
        for ring in loops:
            if not holds(ring, point):
                hole = hole_of(ring)
                if hole.is_round:
                    found.append(_moved(hole, at - point))
    found = [hole for hole in found if np.hypot(*(np.array(hole.centre) - at)) <= BESIDE]
    return min(found, key=lambda hole: float(np.hypot(*(np.array(hole.centre) - at))), default=None)


def _start_holes(body: Body) -> list[Hole]:
    """The named holes that stand along the wire, where the part lies."""
    up = body.T_MI[:3, 2]
    if abs(float(up[2])) < 1.0 - 1e-9:
        return []
    holes = []
    for one in body.start_holes:
        x, y = one.at
        centre = body.T_MI[:2, :2] @ np.array([x, y], dtype=float) + body.T_MI[:2, 3]
        holes.append(Hole((float(centre[0]), float(centre[1])), one.diameter, True))
    return holes


def _drilled(body: Body, at: Array) -> Hole | None:
    """The named hole in which a point lies; of several the one with the most room."""

    def room(hole: Hole) -> float:
        return hole.diameter / 2.0 - float(np.hypot(*(np.array(hole.centre) - at)))

    return max((hole for hole in _start_holes(body) if room(hole) > 0.0), key=room, default=None)


#: room that the wire must have all round where it is threaded, mm (common practice, no source)
MARGIN = 0.1
#: a round hole is named as off its centre past this, mm and share of its diameter
OFF, OFF_SHARE = 0.25, 0.05
#: holes beyond this diameter are openings, in which nobody threads at the centre, mm
OPENING = 15.0


class Ways:
    """What wires meet where they are threaded, in one scene."""

    def __init__(self, scene: Scene, told: Story) -> None:
        self.scene, self.told = scene, told

    def of(self, run: Run, index: int) -> Way | None:
        """The way of a run's wire through or past one body."""
        return way_through(self.scene.bodies[index], index, run, self.told.contacts.boxes(index))

    def parts(self, run: Run) -> list[Way]:
        """Through the parts that the run's cut goes through."""
        return [way for k in run.stretch.cut_bodies if (way := self.of(run, k)) is not None]

    def across(self, run: Run) -> list[Way]:
        """Of all else that is there, what lies across the wire."""
        others = [
            k for k in run.stretch.there(run.first) if k not in run.stretch.cut_bodies and self._over(run, k)
        ]
        return [way for k in others if (way := self.of(run, k)) is not None and way.solid]

    def _over(self, run: Run, index: int) -> bool:
        """Whether the wire, where it is threaded, passes through the box of a body."""
        low, high = self.told.contacts.boxes(index)
        first, last = extent(low, high)
        ends = np.stack([run.place(float(z)) for z in (first[2], last[2])])
        return bool((ends.min(axis=0) <= last[:2]).all() and (ends.max(axis=0) >= first[:2]).all())


def threading_findings(
    scene: Scene, told: Story, through: Sequence[tuple[Run, Sequence[Way]]], ways: Ways
) -> list[Finding]:
    """What is in the wire's way where it is threaded, one finding for each cut, item and kind.

    Args:
        through: each run with its ways through the parts.
    """
    wire = scene.known_machine.wire
    gathered: dict[tuple[str, str, str, str], list[str]] = {}
    for run, parts in through:
        about = [
            (way.body, _about_part(way, wire, scene.bodies[way.body], run.stretch.name, _is_bare(told, way)))
            for way in parts
            if (run.number, way.body) not in told.reopened
        ]
        about += [(way.body, _about_other(scene, run, way)) for way in ways.across(run)]
        for body, words in about:
            if words:
                kind, severity, message = words
                key = (kind, severity, scene.bodies[body].name, run.stretch.name)
                if message not in gathered.setdefault(key, []):
                    gathered[key].append(message)
    return [
        Finding(kind, severity, _joined(messages), item=item, cut=cut)
        for (kind, severity, item, cut), messages in gathered.items()
    ]


def _joined(messages: Sequence[str]) -> str:
    more = len(messages) - 1
    return messages[0] + (f" (and at {more} more place{'s' if more > 1 else ''})" if more else "")


def _xy(point: Array | tuple[float, float]) -> str:
    return f"X{point[0]:.2f} Y{point[1]:.2f}"


def _from_to(way: Way) -> str:
    """Between which heights the wire would have to go through metal."""
    low, high = (round(z, 2) + 0.0 for z in (way.solid[0][0], way.solid[-1][1]))
    return f"from Z {low:.2f} to {high:.2f}"


def _is_bare(told: Story, way: Way) -> bool:
    """Whether a part's model shows no hole that goes right through, wherever."""
    import shapely

    if way.body not in told.outlines:
        return way.nearest is None
    shadow = told.outlines[way.body].shadow
    return not any(one.interiors for one in shapely.get_parts(shadow) if one.geom_type == "Polygon")


def _about_part(way: Way, wire: float, body: Body, cut: str, bare: bool) -> tuple[str, ...]:
    """Kind, severity and message on the way through a part that is cut; nothing where all is well.

    ``bare``: the model shows no hole anywhere, so that it does not tell what is drilled.
    """
    at = f'in "{cut}" the wire is threaded at {_xy(way.at)}'
    if way.solid:
        beside = ""
        if way.nearest is not None:
            off = float(np.hypot(*(np.array(way.nearest.centre) - way.at)))
            beside = (
                f"; the nearest hole, D {way.nearest.diameter:.2f} at {_xy(way.nearest.centre)}, "
                f"is {off:.2f} mm off"
            )
        if way.blind:
            return (
                "blind hole",
                "close",
                f"{at}, in a blind hole: solid {way.blind} it, {_from_to(way)}{beside}",
            )
        no_hole = f"{at}, where there is no hole (solid {_from_to(way)})"
        if bare and not body.start_holes:
            return "no hole", "note", f"{no_hole}; if one is drilled, name it in start_holes"
        return "no hole", "close", f"{no_hole}{beside}"
    room = (way.free - wire) / 2.0 - body.allow.side
    hole = way.hole
    where = "beside the part"
    if hole is not None:
        shape = f"hole of D {hole.diameter:.2f}" if hole.is_round else "hole"
        where = f"in a {shape}, {way.off_centre:.2f} mm off its centre {_xy(hole.centre)}"
    if room < 0.0:
        return (
            "hole too narrow",
            "close",
            f"{at}, {where}: only D {_down(way.free)} is free there, for a wire of {wire:g}",
        )
    if room < MARGIN:
        return (
            "hole too narrow",
            "close",
            f"{at}, {where}: {_down(room)} mm of room around the wire, less than {MARGIN:g}",
        )
    if hole is None or not hole.is_round or hole.diameter > OPENING or way.off_centre is None:
        return ()
    if way.off_centre <= max(OFF, OFF_SHARE * hole.diameter):
        return ()
    return "off centre", "note", f"{at}, {where}"


def _down(length: float) -> str:
    """To 0.01 mm, never more than there is."""
    return f"{math.floor(length * 100.0 + 1e-7) / 100.0:.2f}"


def _about_other(scene: Scene, run: Run, way: Way) -> tuple[str, ...]:
    """Kind, severity and message on a body that is not cut and lies across the wire."""
    body = scene.bodies[way.body]
    low, high = way.solid[0][0], way.solid[-1][1]
    where = f'in "{run.stretch.name}" at {_xy(way.at)}, {_from_to(way)}'
    message = f"lies across the wire where it is threaded {where}"
    if body.kind != "part":
        return "holder across", "close", message
    cut = [scene.bodies[k].triangles_M[..., 2] for k in run.stretch.cut_bodies]
    side = "above"
    if cut and (low + high) / 2.0 < (min(z.min() for z in cut) + max(z.max() for z in cut)) / 2.0:
        side = "below"
    return f"solid {side}", "close", f"{message}: solid {side} the part that is cut"
