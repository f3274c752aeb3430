"""Pieces that still lie there while another part is cut go in; what the heads and the wire meet comes out.

A piece that stays where it came free is judged with its part, as that was read. Where its part has been taken
off and the piece has not, it is a body of its own.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from clearance.checking.verdict import check as judge
from clearance.mesh.topology import corner_numbers
from clearance.process.loose import Loose
from clearance.process.statics import Array
from clearance.process.stays import Remark
from clearance.scene.model import Body, Scene, Stretch

#: slices of the wire are this much longer than a piece at both ends, mm
_OVER = 1.0


def in_the_way(scene: Scene, pieces: Sequence[Loose], stretch: Stretch) -> list[tuple[str, Remark]]:
    """What the heads and the wire meet, on a stretch, of pieces whose part is not there."""
    left = [one for one in pieces if not one.gone and one.piece.part not in stretch.bodies]
    if not left:
        return []
    bodies = tuple(_body(scene.bodies[one.piece.part], one) for one in left)
    alone = replace(stretch, bodies=tuple(range(len(bodies))), partly=(), cut_bodies=())
    result = judge(replace(scene, bodies=bodies, stretches=(alone,), findings=()))
    found = []
    for one, body in zip(left, bodies, strict=True):
        part = scene.bodies[one.piece.part].name
        met = [pair for pair in result.pairs if pair.item == body.name and pair.verdict != "clear"]
        if not met:
            continue
        worst = min(met, key=lambda pair: ("clash", "undecided", "close").index(pair.verdict))
        head = "the wire" if worst.head == "wire" else f"the {worst.head} head"
        at = f", move {worst.move}" if worst.move is not None else ""
        how = "meets it" if worst.verdict == "clash" else f"comes within {worst.clearance:.2f} mm of it"
        message = (
            f'the {one.name} still lies there when "{stretch.name}" runs, and {head} {how}{at}: take it out '
            f'(taken_out = "{one.piece.run.stretch.name}")'
        )
        found.append((stretch.name, Remark("left in the way", worst.verdict, part, message)))
    return found


def _body(part: Body, one: Loose) -> Body:
    """A piece as a body: the part's model within its outline, or, where that cannot be cut, all of that."""
    low, high = part.crowd.box
    triangles = _cut_out(part.triangles_M, one.metal.region, float(low[2]), float(high[2]))
    return Body(
        name=f"{one.name}, {id(one)}",
        kind=part.kind,
        triangles_M=triangles,
        closed=True,
        margin=part.margin,
        allow=part.allow,
    )


def _cut_out(triangles: Array, region: Any, low: float, high: float) -> Array:
    """Facets (N, 3, 3) of what lies within a region, seen from above."""
    from manifold3d import CrossSection, FillRule, Manifold, Mesh64

    rings = [np.asarray(ring.coords)[:-1] for each in _polygons(region) for ring in _rings(each)]
    origin = rings[0].mean(axis=0)
    outline = CrossSection([ring - origin for ring in rings], FillRule.EvenOdd)
    prism = outline.extrude(high - low + 2.0 * _OVER).translate((0.0, 0.0, low - _OVER))
    faces, count = corner_numbers(triangles)
    corners = np.empty((count, 3))
    corners[faces.reshape(-1)] = triangles.reshape(-1, 3)
    corners[:, :2] -= origin
    solid = Manifold(Mesh64(vert_properties=corners, tri_verts=faces.astype(np.uint64)))
    piece = solid ^ prism
    if piece.is_empty() or piece.volume() <= 0.0:
        piece = outline.extrude(high - low).translate((0.0, 0.0, low))
    mesh = piece.to_mesh64()
    cut = np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts)]
    return np.asarray(cut + np.array([*origin, 0.0]))


def _polygons(region: Any) -> list[Any]:
    import shapely

    return [each for each in shapely.get_parts(region) if each.geom_type == "Polygon"]


def _rings(polygon: Any) -> Iterator[Any]:
    yield polygon.exterior
    yield from polygon.interiors
