"""Where no clamp may stand: a scene goes in; outlines in plan, each with the height that nothing may reach,
come out, for the upper and for the lower head.

Over a point at the distance g from the path, the upper head begins at the lowest height at which any piece's
radius is no smaller than g. Along a cylinder that is one step; a cone is taken in bands, each at the height
where it begins. Outlines are drawn around, one move at a time: never inside the true one, and at most
``Keepout.excess`` outside it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.kernels.query import SweepQuery
from clearance.mesh.sections import Outline
from clearance.scene.heads import Piece
from clearance.scene.model import Scene, SideHeight
from clearance.tolerances import AdviceTolerances
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]
Rect = tuple[float, float, float, float]
_Line = tuple[Array, Array]


@dataclass(frozen=True)
class Zone:
    """Inside ``outline`` (shapely, machine X Y, mm) nothing may reach ``limit`` (machine Z, mm)."""

    limit: float
    outline: Any


@dataclass(frozen=True)
class Keepout:
    """The drawing's content.

    Attributes:
        upper: zones of the upper head, the lowest limit first: all must stay below it.
        lower: zones of the lower head, the highest limit first: all must stay above it.
        kind, margin: what is to be laid, and the margin that is in the zones.
        excess: how far an outline may lie outside the true one, mm.
        paths: (n, 2) polylines, the cuts and the ways between.
        parts, items: shadows by name.   pads: where parts rest.   zeros: of the cuts by name, (2,).
    """

    upper: tuple[Zone, ...]
    lower: tuple[Zone, ...]
    kind: str
    margin: SideHeight
    excess: float
    paths: tuple[Array, ...]
    parts: dict[str, Any]
    items: dict[str, Any]
    pads: Any
    zeros: dict[str, Array]


def find_keepout(scene: Scene, kind: str = "laid") -> Keepout:
    """The zones for items of a kind ("laid" or "holder"), with its margin in them."""
    margin = scene.margins.of(kind)
    query = SweepQuery(scene)
    own = query.tolerances.advice
    lines, deviation = {}, 0.0
    for stretch in scene.stretches:
        for moves in (stretch.moves, stretch.upper_moves):
            if moves is not None and id(moves) not in lines:
                lines[id(moves)], slack = _straight(query, moves)
                deviation = max(deviation, slack)
    found: dict[bool, list[tuple[float, Any]]] = {True: [], False: []}
    for up, piece, line in _bodies_on_lines(query, lines):
        grown = piece.grown(margin.side + query.tolerances.beyond_touch, margin.height)
        for limit, radius in _bands(grown, up, own):
            found[up].append((limit, _swept(line, piece.rect, radius + deviation, own.outline_round)))
    cut = {b for s in scene.stretches for b in s.cut_bodies}
    return Keepout(
        upper=_nested(found[True], up=True),
        lower=_nested(found[False], up=False),
        kind=kind,
        margin=margin,
        excess=2.0 * deviation + own.outline_round + query.tolerances.beyond_touch,
        paths=tuple(_polylines(query)),
        parts={scene.bodies[b].name: _shadow(scene, b) for b in sorted(cut)},
        items={
            body.name: _shadow(scene, k)
            for k, body in enumerate(scene.bodies)
            if k not in cut and body.kind != "machine"
        },
        pads=_pads(scene, cut, own.pad),
        zeros={s.name: s.zero_M[:2] for s in scene.stretches if s.cut is not None and s.zero_M is not None},
    )


def _bands(piece: Piece, up: bool, own: AdviceTolerances) -> Iterator[tuple[float, float]]:
    """(limit, radius): what lies within the radius may not reach the limit. From the face backwards."""
    z, r = (piece.z, piece.r) if up else (piece.z[::-1], piece.r[::-1])
    yield float(z[0]), float(r[0])
    for k in range(int(np.argmax(r))):
        count = int(np.clip(np.ceil(abs(z[k + 1] - z[k]) / own.band), 1, own.bands))
        for i in range(count):
            begin, end = (r[k] + (r[k + 1] - r[k]) * (i + j) / count for j in (0, 1))
            if end > begin:
                yield float(z[k] + (z[k + 1] - z[k]) * i / count), float(end)


def _bodies_on_lines(query: SweepQuery, lines: dict[int, _Line]) -> Iterator[tuple[bool, Piece, _Line]]:
    """Each piece of a head (whether of the upper one) with the line that it follows.

    At each height that a program says the upper head follows the bits on which it is there; of a path of very
    many moves it follows all of it, which is on the safe side.
    """
    many = query.tolerances.advice.outline_many
    for stretch in query.scene.stretches:
        for piece in stretch.lower:
            yield False, piece, lines[id(stretch.moves)]
        for level in stretch.levels:
            chords = query.chords(stretch.moves, level.only)
            line = lines[id(stretch.moves)] if len(chords.p) > many else (chords.p, chords.q)
            for piece in level.pieces:
                yield True, piece, line
        for piece in () if stretch.levels else stretch.upper:
            leads = stretch.upper_moves is not None and not piece.lower_guide
            yield True, piece, lines[id(stretch.upper_moves if leads else stretch.moves)]


def _straight(query: SweepQuery, moves: Moves) -> tuple[tuple[Array, Array], float]:
    """The path's bits, p to q (n, 2) each, and how far the path may lie from them."""
    import shapely

    chords = query.chords(moves)
    p, q, slack = chords.p, chords.q, float(chords.slack.max(initial=0.0))
    own = query.tolerances.advice
    if len(p) <= own.outline_many:
        return (p, q), slack
    # the ends of neighbouring chords of arcs lie within the slack of each other
    line = shapely.simplify(
        shapely.linestrings(np.vstack([p, q[-1:]])), own.outline_simplify, preserve_topology=False
    )
    points = shapely.get_coordinates(line)
    gap = float(np.hypot(*(q[:-1] - p[1:]).T).max(initial=0.0))
    return (points[:-1], points[1:]), slack + own.outline_simplify + gap


def _swept(line: tuple[Array, Array], rect: Rect, radius: float, out: float) -> Any:
    """The union of the hulls of a rectangle, grown by a disc, at both ends of each bit; corners of its
    rounds stand ``out`` by no more than that."""
    import shapely

    p, q = line
    x0, x1, y0, y1 = rect
    corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]) if any(rect) else np.zeros((1, 2))
    count = 4
    if radius > 0.0:
        count = int(np.ceil(np.pi / np.arccos(radius / (radius + out)) / 4.0)) * 4
    angle = 2.0 * np.pi * (np.arange(count) + 0.5) / count
    ring = np.stack([np.cos(angle), np.sin(angle)], axis=1) * (radius / np.cos(np.pi / count))
    around = (corners[:, None] + ring[None]).reshape(-1, 2)
    points = np.concatenate([p[:, None] + around, q[:, None] + around], axis=1)
    # a line through the points has their hull, and is made far quicker than so many points
    return shapely.union_all(shapely.convex_hull(shapely.linestrings(points)))


def _nested(found: list[tuple[float, Any]], up: bool) -> tuple[Zone, ...]:
    """Zones from the strictest limit on, each with all that stricter ones cover."""
    import shapely

    whole = shapely.Polygon()
    zones: list[Zone] = []
    for limit in sorted({z for z, _ in found}, reverse=not up):
        more = shapely.union_all([shape for z, shape in found if z == limit])
        if shapely.area(shapely.difference(more, whole)) > 1e-6:
            whole = shapely.union(whole, more)
            zones.append(Zone(limit, whole))
    return tuple(zones)


def _polylines(query: SweepQuery) -> Iterator[Array]:
    for stretch in query.scene.stretches:
        for moves in (stretch.moves, stretch.upper_moves):
            if moves is not None and len(moves):
                chords = query.chords(moves)
                yield np.vstack([chords.p, chords.q[-1:]])


def _shadow(scene: Scene, body: int) -> Any:
    return Outline(scene.bodies[body].triangles_M).shadow


def _pads(scene: Scene, cut: set[int], near: float) -> Any:
    """Where something that is not cut has a face at the height of a part's underside, under that part."""
    import shapely

    faces = []
    for part in sorted(cut):
        first, last = scene.bodies[part].crowd.box
        first, last = np.r_[first[:2], first[2] - near], np.r_[last[:2], first[2] + near]
        for k, body in enumerate(scene.bodies):
            if k in cut:
                continue
            rows = body.crowd.meeting(first, last)
            level = (body.crowd.low[rows, 2] >= first[2]) & (body.crowd.high[rows, 2] <= last[2])
            faces.append(shapely.make_valid(shapely.polygons(body.triangles_M[rows[level]][..., :2])))
    flat = np.concatenate(faces) if faces else np.empty(0, dtype=object)
    return shapely.union_all([f for f in flat if shapely.area(f) > 0.0])
