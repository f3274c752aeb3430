"""A described scene goes in; the views on the sheet come out: camera, what is opaque, what is written.

A picture is one large view and, where it is an overview, a section through the worst place beside it: the
place itself is often a tenth of a millimetre wide and hidden under the part.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import boxes_of
from clearance.view.description import DIRECTIONS, Camera, Drawing, Panel, Place, Shape, fit, look_at

Array = NDArray[np.float64]
Box = tuple[int, int, int, int]

#: of a head, this much behind its face is always in the picture, mm
HEAD_SHOWN = 30.0
#: of a holder, this much beyond all else, mm
HOLDER_SHOWN = 25.0
#: half of what a section shows in height, mm, on a sheet of its own and beside an overview
CLOSE_HALF, INSET_HALF = 20.0, 13.0
#: a place this far from the cut still belongs to it, mm
IN_CUT = 3.0
#: a cut is moved by this much where it would run along a face, mm
GRAZE = 0.25
#: a facet this near to the cut all over would be torn by the depth's own steps, mm
FACE = 0.02


def unit(size: tuple[int, int]) -> float:
    """What one pixel of the 1600 x 1200 design is on this sheet; text shrinks no further than legible."""
    return max(min(size[0] / 1600, size[1] / 1200), 0.45)


def panels_for(drawing: Drawing, view: str) -> Drawing:
    """``drawing`` with its panels.

    Args:
        drawing: without panels.   view: one of ``drawing.VIEWS``.
    """
    w, h = drawing.size
    s = unit(drawing.size)
    top, bottom, edge = round(188 * s), round(96 * s), round(48 * s)
    whole: Box = (0, 0, w, h)
    place = drawing.places[0] if drawing.places else None
    if view in ("along_wire", "close_up") and place is not None:
        area = (edge, top, w - edge, h - bottom)
        camera = (
            _plan(drawing, place, area)
            if view == "along_wire"
            else _section(drawing, place, area, CLOSE_HALF)
        )
        panel = _close(
            drawing,
            "seen along the wire, cut at the place"
            if view == "along_wire"
            else "section through the wire and the place",
            whole,
            camera,
        )
        return replace(drawing, panels=(panel,))
    azimuth, elevation = DIRECTIONS.get(view, DIRECTIONS["iso"])
    inset: Box | None = None
    area = (edge, top, w - edge, h - bottom)
    if place is not None:
        side = round(0.30 * w) if w >= h else round(0.46 * w)
        tall = round(side * 0.92)
        gap = round(28 * s)
        inset = (w - side - gap, h - bottom - tall, side, tall)
        # the bodies stand beside the section or above it, where they come out larger
        beside, above = (edge, top, inset[0] - gap, h - bottom), (edge, top, w - edge, inset[1] - gap)
        points = shown_points(drawing)
        area = max((beside, above), key=lambda a: fit(azimuth, elevation, points, a).scale)
    camera = fit(azimuth, elevation, shown_points(drawing), area)
    panels = [_overview(drawing, view, whole, camera)]
    if inset is not None and place is not None:
        head = round(44 * s)
        close = _section(drawing, place, (0, head, inset[2], inset[3]), INSET_HALF)
        panels.append(
            replace(_close(drawing, "section through the wire and the place", inset, close), places=(0,))
        )
    return replace(drawing, panels=tuple(panels))


def shown_points(drawing: Drawing) -> Array:
    """The points that an overview must hold: parts, what is laid, path, places, the heads near their faces;
    and of the holders what lies within ``HOLDER_SHOWN`` of these, for a rail may be as long as the table."""
    core: list[Array] = [track.points for track in drawing.tracks]
    core += [np.stack([p.on_head, p.on_item]) for p in drawing.places]
    holders: list[tuple[Array, Array]] = []
    for shape in drawing.shapes:
        points = shape.triangles.reshape(-1, 3)
        if not len(points) or not shape.there:
            continue
        low, high = points.min(axis=0), points.max(axis=0)
        if shape.role in ("lower head", "upper head"):
            face = high[2] if shape.role == "lower head" else low[2]
            low[2], high[2] = max(low[2], face - HEAD_SHOWN), min(high[2], face + HEAD_SHOWN)
        if shape.role == "holder":
            holders.append((low, high))
        elif shape.role in ("part", "laid", "lower head", "upper head"):
            core.append(_corners(low, high))
    if core:
        within = np.concatenate(core)
        least, most = within.min(axis=0) - HOLDER_SHOWN, within.max(axis=0) + HOLDER_SHOWN
        holders = [(np.maximum(low, least), np.minimum(high, most)) for low, high in holders]
    core += [_corners(low, high) for low, high in holders if np.all(low <= high)]
    return np.concatenate(core) if core else np.array([[0.0, 0.0, 0.0], [100.0, 100.0, 50.0]])


def _corners(low: Array, high: Array) -> Array:
    return np.array(
        [[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])]
    )


def _indices(drawing: Drawing, *roles: str, there: bool | None = None) -> tuple[int, ...]:
    return tuple(
        k for k, s in enumerate(drawing.shapes) if s.role in roles and (there is None or s.there == there)
    )


def _overview(drawing: Drawing, view: str, box: Box, camera: Camera) -> Panel:
    ghost = _indices(drawing, "machine", "lower head body", "upper head body")
    ghost += _indices(drawing, "part", "holder", "laid", there=False)
    heads = _indices(drawing, "lower head", "upper head")
    worst_head = {f"{p.head} head" for p in drawing.places[:1]}
    clear_of = tuple(k for k in heads if worst_head and drawing.shapes[k].role not in worst_head)
    heads = tuple(k for k in heads if k not in clear_of)
    ghost += clear_of
    return Panel(
        name=view,
        box=box,
        camera=camera,
        solid=_indices(drawing, "part", "holder", "laid", there=True) + heads,
        ghost=ghost,
        veil=_indices(drawing, "lower envelope", "upper envelope"),
        through=heads,
        places=tuple(range(len(drawing.places))),
        labels=tuple(range(len(drawing.labels))),
    )


def _close(drawing: Drawing, title: str, box: Box, camera: Camera) -> Panel:
    named = {p.item for p in drawing.places}
    solid = tuple(
        k
        for k, s in enumerate(drawing.shapes)
        if not s.role.endswith("envelope") and (s.there or s.name in named)
    )
    return Panel(
        name="close_up",
        box=box,
        camera=camera,
        solid=solid,
        ghost=(),
        veil=_indices(drawing, "lower envelope", "upper envelope"),
        through=(),
        places=tuple(k for k, p in enumerate(drawing.places) if k == 0 or _in_cut(camera, p)),
        labels=tuple(range(len(drawing.labels))),
        title=title,
        tracks=False,
    )


def _in_cut(camera: Camera, place: Place) -> bool:
    depth = camera.project(np.stack([place.on_head, place.on_item]))[:, 2]
    return camera.cut is not None and bool(np.all(np.abs(depth - camera.cut) <= IN_CUT))


def _axis_of(drawing: Drawing, head: str) -> Array:
    """Where the head's wire axis stands, (2,)."""
    role = "upper head" if head == "upper" else "lower head"
    for shape in drawing.shapes:
        if shape.role == role:
            points = shape.triangles.reshape(-1, 3)
            return np.asarray((points.min(axis=0) + points.max(axis=0))[:2] / 2)
    return np.zeros(2)


def section_azimuth(place: Place, axis: Array) -> float:
    """From where one looks square onto the upright plane that holds the wire and the gap, degrees.

    Of the two sides the one nearer to the operator, who stands at -Y.

    Args:
        place: a small clearance.   axis: (2,) of the wire there, machine X Y, mm.
    """
    gap = (place.on_item - place.on_head)[:2]
    arm = (place.on_head + place.on_item)[:2] / 2 - axis
    along = gap if np.linalg.norm(gap) > 0.05 else arm
    if np.linalg.norm(along) < 0.5 and np.linalg.norm(along) < 0.05:
        along = np.array([1.0, 0.0])
    back = np.array([-along[1], along[0]])
    if back[1] > 1e-9 or (abs(back[1]) <= 1e-9 and back[0] < 0):
        back = -back
    return float(np.degrees(np.arctan2(back[1], back[0])))


def _section(drawing: Drawing, place: Place, area: tuple[float, float, float, float], half: float) -> Camera:
    middle = (place.on_head + place.on_item) / 2
    gap = float(np.linalg.norm(place.on_item - place.on_head))
    azimuth = section_azimuth(place, _axis_of(drawing, place.head))
    camera = look_at(azimuth, 0.0, middle, max(half, 1.6 * gap), area, cut=0.0)
    return replace(camera, cut=_cut_through(drawing, place, camera))


def _cut_through(drawing: Drawing, place: Place, camera: Camera) -> float:
    """The cut, moved by a hair where the plane of wire and gap runs along a face: a body that is cut shows
    its cut face, one that is grazed looks as if it stood behind, or as torn."""
    triangles = [s.triangles for s in drawing.shapes if s.name == place.item]
    if not triangles:
        return 0.0
    q = camera.project(np.concatenate(triangles))
    near = camera.project(place.on_item)[:2]
    low, high = boxes_of(q[..., :2])
    reach = 2.0 * camera.scale
    close = np.all((low < near + reach) & (high > near - reach), axis=1)

    def cuts(cut: float) -> bool:
        depth = q[..., 2] - cut
        return bool(np.any(close & (depth.min(axis=1) < -1e-6) & (depth.max(axis=1) > 1e-6)))

    depths = [camera.project(s.triangles)[..., 2] for s in drawing.shapes if _is_body(s) and len(s.triangles)]
    able = [cut for cut in (0.0, -GRAZE, GRAZE) if cuts(cut)]
    return next((cut for cut in able if not _along_a_face(depths, cut)), able[0] if able else 0.0)


def _is_body(shape: Shape) -> bool:
    return not shape.role.endswith("envelope")


def _along_a_face(heights: list[Array], at: float) -> bool:
    """Whether a plane across a direction lies in a facet; ``heights`` (N, 3) of its corners along it."""
    return any(bool(np.logical_and.reduce(np.abs(h.T - at) < FACE).any()) for h in heights)


def _plan(drawing: Drawing, place: Place, area: tuple[float, float, float, float]) -> Camera:
    middle = (place.on_head + place.on_item) / 2
    gap = place.on_item - place.on_head
    half = max(42.0, 1.6 * float(np.linalg.norm(gap)))
    return look_at(-90.0, 90.0, middle, half, area, cut=plan_height(drawing, place) - float(middle[2]))


def plan_height(drawing: Drawing, place: Place) -> float:
    """The machine Z at which a level cut meets both the head and the item near the place; where none does
    (they lie over one another), one just inside the upper of the two.

    Args:
        drawing: with its shapes.   place: a small clearance.
    """
    low, high = sorted((float(place.on_head[2]), float(place.on_item[2])))
    middle = (low + high) / 2
    roles = {place.item, f"{place.head} head", f"{place.head} head body"}
    solids: dict[str, list[Array]] = {}
    for shape in drawing.shapes:
        if shape.name in roles:
            solids.setdefault("item" if shape.name == place.item else "head", []).append(shape.triangles)
    near = (place.on_head + place.on_item)[:2] / 2
    heights = [s.triangles[..., 2] for s in drawing.shapes if _is_body(s) and len(s.triangles)]
    able = [
        z
        for z in (middle, middle - 0.4, middle + 0.4, middle - 2.0, middle + 2.0)
        if solids and all(_meets(np.concatenate(t), z, near) for t in solids.values())
    ]
    able = able or [high + 0.3, high + 0.35, high + 0.25, high + 0.4]
    return next((z for z in able if not _along_a_face(heights, z)), able[0])


def _meets(triangles: Array, z: float, near: Array, reach: float = 6.0) -> bool:
    low, high = boxes_of(triangles)
    across = (low[:, 2] < z - 1e-3) & (high[:, 2] > z + 1e-3)
    return bool(np.any(across & np.all((low[:, :2] < near + reach) & (high[:, :2] > near - reach), axis=1)))
