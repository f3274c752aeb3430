"""What is left of a part at a moment of the job goes in; its solid, and those of free pieces, come out.

They are for pictures, and made only when one is asked for; nothing that is judged comes from here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.process.course import Course, There
from clearance.process.runs import Run
from clearance.process.slug import Fate
from clearance.process.stock import kerf_width
from clearance.scene.model import Body
from clearance.scene.overlaps import solid_of

Array = NDArray[np.float64]

#: what is cut out of a part goes on beyond it, mm
BEYOND = 1.0
#: splinters that two cuts leave between them are not drawn, mm3
SPLINTER = 0.5
#: of a part of more triangles a coarser one is cut where it is shown in many forms: moved by so much, mm
MANY, MOVED = 60_000, (0.02, 0.1, 0.3)
#: faces within this are one, mm
FLAT = 1e-3
#: corners of a leaning wire's kerf, seen along it
CORNERS = 12


@dataclass(frozen=True)
class Solids:
    """Triangles (N, 3, 3) mm, machine frame: of what is left, and of each piece that is free and there."""

    metal: Array
    free: list[tuple[Fate, Array]] = field(default_factory=list)


def blank(body: Body) -> Any:
    """A part before it is cut, as a solid to draw from again and again: of fewer triangles where it has many.

    ``None`` where its model is no solid.
    """
    solid = solid_of(body.triangles_M) if body.closed else None
    for moved in MOVED:
        if solid is not None and solid.num_tri() > MANY:
            solid = solid.simplify(moved)
    return solid


def solids(course: Course, there: There, part: int, whole: Any = None) -> Solids | None:
    """What is left of a part, and the pieces that are free; None where its model is no solid.

    Args:
        whole: the part as ``blank`` gives it, where that is known already.
    """
    body = course.scene.bodies[part]
    bits = there.bits(part)
    if not bits:
        return Solids(body.triangles_M)
    if whole is None and body.closed:
        whole = solid_of(body.triangles_M)
    if whole is None:
        return None
    low, high = (float(corner[2]) for corner in body.aabbs.box)
    return _parted(whole - _kerfs(course, there, part, bits, (low, high)), there, part, (low, high))


def _parted(left: Any, there: There, part: int, heights: tuple[float, float]) -> Solids:
    """What hangs together, told apart: metal, pieces that are there, pieces that are gone."""
    gone = {id(piece): piece.outline for piece in there.gone if piece.part == part}
    free = {id(one.piece): one for one in there.free if one.piece.part == part}
    pieces: dict[int, list[Any]] = {}
    metal = []
    for each in left.decompose():
        region = _middle_of(each)
        mine = [key for key, outline in gone.items() if _lies_in(region, outline)]
        loose = [key for key, one in free.items() if _lies_in(region, one.piece.outline)]
        if mine or loose:
            pieces.setdefault((mine or loose)[0], []).append(each)
        elif abs(each.volume()) > SPLINTER:
            metal.append(each)
    rest = _joined(metal)
    for key, outline in gone.items():
        if key not in pieces and rest is not None:
            # it hangs by what rounding leaves
            rest = rest - _upright(outline, heights)
    return Solids(
        np.empty((0, 3, 3)) if rest is None else _triangles(rest),
        [(one, _triangles(_joined(pieces[key]))) for key, one in free.items() if key in pieces],
    )


def _kerfs(course: Course, there: There, part: int, bits: Sequence[Run], heights: tuple[float, float]) -> Any:
    """All that the wire took out, a little beyond the part."""
    import manifold3d

    upright = [bit for bit in bits if bit.upright]
    made = []
    if upright:
        from dataclasses import replace

        made.append(_upright(course.kerfs(replace(there, cut=tuple(upright)), part), heights))
    radius = kerf_width(course.scene) / 2.0
    for bit in bits:
        if not bit.upright:
            made += _leaning(bit, heights[0] - BEYOND, heights[1] + BEYOND, radius)
    return manifold3d.Manifold.batch_boolean(made, manifold3d.OpType.Add)


def _upright(region: Any, heights: tuple[float, float]) -> Any:
    """A flat region as high as a part, and a little beyond it."""
    import manifold3d
    import shapely

    rings = []
    for each in shapely.get_parts(region):
        if each.geom_type == "Polygon":
            rings += [shapely.get_coordinates(ring)[:-1] for ring in (each.exterior, *each.interiors)]
    section = manifold3d.CrossSection(rings, manifold3d.FillRule.EvenOdd)
    low, high = heights[0] - BEYOND, heights[1] + BEYOND
    return manifold3d.Manifold.extrude(section, high - low).translate((0.0, 0.0, low))


def _leaning(bit: Run, low: float, high: float, radius: float) -> list[Any]:
    """What a wire that leans takes out between two heights: a hull for each chord of its way."""
    import manifold3d

    turn = 2.0 * np.pi * np.arange(CORNERS) / CORNERS
    rim = radius / np.cos(np.pi / CORNERS) * np.column_stack([np.cos(turn), np.sin(turn)])
    made = []
    for below, above in zip(bit.line(low), bit.line(high), strict=True):
        for k in range(len(below) - 1):
            ends = [(below[k : k + 2], low), (above[k : k + 2], high)]
            corners = [np.column_stack([at + rim, np.full(CORNERS, z)]) for both, z in ends for at in both]
            made.append(manifold3d.Manifold.hull_points(np.concatenate(corners)))
    return made


def _joined(several: Sequence[Any]) -> Any:
    import manifold3d

    return manifold3d.Manifold.compose(list(several)) if several else None


def _middle_of(solid: Any) -> Any:
    """A solid's section halfway up (shapely)."""
    import shapely

    box = solid.bounding_box()
    rings = solid.slice((box[2] + box[5]) / 2.0).to_polygons()
    flat = [shapely.Polygon(ring) for ring in rings if len(ring) > 2]
    # a hole's ring lies in that of its metal
    return shapely.make_valid(_even_odd(flat)) if flat else shapely.Polygon()


def _even_odd(polygons: Sequence[Any]) -> Any:
    import shapely

    found = shapely.Polygon()
    for each in polygons:
        found = shapely.symmetric_difference(found, shapely.make_valid(each))
    return found


def _lies_in(region: Any, outline: Any) -> bool:
    """Whether most of a section lies in a piece's outline."""
    return bool(region.intersection(outline).area > 0.5 * region.area > 0.0)


def _triangles(solid: Any) -> Array:
    # flat faces of fewer, rounder triangles: long slivers show as specks
    mesh = solid.simplify(FLAT).to_mesh64()
    corners = np.asarray(mesh.vert_properties, dtype=float)[:, :3]
    return np.asarray(corners[np.asarray(mesh.tri_verts, dtype=np.int64)])
