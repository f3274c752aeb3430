"""Where no clamp may stand: a scene goes in; outlines in plan, each with the height that nothing may reach,
come out, for the upper and for the lower head; and where nothing at all may stand, for the wire.

Over a point at the distance g from the path, the upper head begins at the lowest height at which any piece's
radius is no smaller than g. Along a cylinder that is one step; a cone is taken in bands, each at the height
where it begins and as wide as it ends. Outlines are drawn around, one move at a time: never inside the true
one, and at most ``excess`` outside it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.kernels.query import SweepQuery
from clearance.mesh.sections import Outline
from clearance.records import by_values, hash_by_values, record
from clearance.scene.heads import HeadPiece
from clearance.scene.model import Scene, SideHeight
from clearance.tolerances import AdviceTolerances
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]
Rect = tuple[float, float, float, float]
_Line = tuple[Array, Array]


@dataclass(frozen=True)
class Zone:
    """Inside ``outline`` (shapely, machine X Y, mm) nothing may reach ``limit`` (machine Z, mm).

    ``excess``: how far the outline may lie outside of where the head is at that height, mm.
    """

    __eq__ = by_values
    __hash__ = hash_by_values

    limit: float
    outline: Any
    excess: float = 0.0

    def __repr__(self) -> str:
        return f"<Zone up to Z {self.limit:.2f} mm>"


@record
class WireZone:
    """Inside ``outline`` nothing may stand between two heights: the wire is there.

    Attributes:
        low, high: machine Z of the guides, mm.   outline: shapely, machine X Y, mm.
        excess: how far the outline may lie outside the true one; where the wire leans, by what it leans too.
    """

    low: float
    high: float
    outline: Any
    excess: float


@dataclass(frozen=True)
class Keepout:
    """The drawing's content.

    Attributes:
        upper: zones of the upper head, the lowest limit first: all must stay below it.
        lower: zones of the lower head, the highest limit first: all must stay above it.
        kind, margin: what is to be laid, and the margin that is in the zones.
        excess: how far any head's outline may lie outside the true one, mm; ``Zone.excess`` says it for each.
        wire, wire_margin: where nothing may stand for the wire, and the margin that is in it, mm sideways.
        paths: (n, 2) polylines, the cuts and the ways between.
        parts, items: shadows by name.   pads: where parts rest.   zeros: of the cuts by name, (2,).
    """

    __eq__ = by_values
    __hash__ = hash_by_values

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
    wire: tuple[WireZone, ...] = ()
    wire_margin: float = 0.0

    def __repr__(self) -> str:
        upper, lower = f"{len(self.upper)} zones of the upper head", f"{len(self.lower)} of the lower"
        return f"<Keepout for {self.kind}: {upper}, {lower}>"


def find_keepout(scene: Scene, kind: str = "laid") -> Keepout:
    """The zones for items of a kind ("laid" or "holder"), with its margin in them.

    Args:
        scene: as planned.   kind: of what is to be laid.
    """
    margin = scene.margins.of(kind)
    query = SweepQuery(scene)
    own = query.tolerances.advice
    lines, deviation = {}, 0.0
    for stretch in scene.stretches:
        for moves in (stretch.moves, stretch.upper_moves):
            if moves is not None and id(moves) not in lines:
                lines[id(moves)], slack = _straight(query, moves)
                deviation = max(deviation, slack)
    exact = 2.0 * deviation + own.outline_round + query.tolerances.beyond_touch
    found: dict[bool, list[_Band]] = {True: [], False: []}
    for up, piece, line in _bodies_on_lines(query, lines):
        grown = piece.grown(margin.side + query.tolerances.beyond_touch, margin.height)
        for limit, radius, until, step in _bands(grown, up, own):
            shape = _swept(line, piece.rect, radius + deviation, own.outline_round)
            found[up].append(_Band(limit, shape, until, step))
    upper, lower = (_nested(found[up], up, exact) for up in (True, False))
    cut = {b for s in scene.stretches for b in s.cut_bodies}
    return Keepout(
        upper=upper,
        lower=lower,
        kind=kind,
        margin=margin,
        excess=max((zone.excess for zone in (*upper, *lower)), default=exact),
        paths=tuple(_polylines(query)),
        parts={scene.bodies[b].name: _shadow(scene, b) for b in sorted(cut)},
        items={
            body.name: _shadow(scene, k)
            for k, body in enumerate(scene.bodies)
            if k not in cut and body.kind != "machine"
        },
        pads=_pads(scene, cut, own.pad),
        zeros={s.name: s.zero_M[:2] for s in scene.stretches if s.cut is not None and s.zero_M is not None},
        wire=_of_wire(query),
        wire_margin=scene.wire_margin,
    )


@record
class _Band:
    """What lies within ``shape`` may not reach ``limit``; it is ``step`` wider than the head there, and as
    wide as that at the height ``until``."""

    limit: float
    shape: Any
    until: float
    step: float


def _of_wire(query: SweepQuery) -> tuple[WireZone, ...]:
    """Where the wire is, on all moves on which it is in."""
    import shapely

    own, beyond = query.tolerances.advice, query.tolerances.beyond_touch
    by_height: dict[tuple[float, float], list[Any]] = {}
    excess: dict[tuple[float, float], float] = {}
    for stretch in query.scene.stretches:
        if stretch.wire is None or not stretch.moves.threaded.any():
            continue
        chords = query.chords(stretch.moves, stretch.moves.threaded)
        apart = np.hypot(*(chords.q[:-1] - chords.p[1:]).T) > own.outline_simplify
        deviation = float(chords.slack.max(initial=0.0))
        grown = stretch.wire.grown(query.scene.wire_margin + beyond, 0.0)
        radius = float(grown.r.max())
        heights = float(grown.z[0]), float(grown.z[-1])
        for bit in np.split(np.arange(len(chords.p)), np.flatnonzero(apart) + 1):
            line, slack = _simple(chords.p[bit], chords.q[bit], deviation, own)
            by_height.setdefault(heights, []).append(
                _swept(line, grown.rect, radius + slack, own.outline_round)
            )
            lean = radius - float(grown.r.min())
            exact = 2.0 * slack + own.outline_round + beyond
            excess[heights] = max(excess.get(heights, 0.0), exact + lean)
    return tuple(
        WireZone(*heights, shapely.union_all(shapes), excess[heights])
        for heights, shapes in by_height.items()
    )


def _bands(piece: HeadPiece, up: bool, own: AdviceTolerances) -> Iterator[tuple[float, float, float, float]]:
    """(limit, radius, until, step): what lies within the radius may not reach the limit; at the height
    ``until`` the piece is as wide as that, at the limit ``step`` less. From the face backwards."""
    z, r = (piece.z, piece.r) if up else (piece.z[::-1], piece.r[::-1])
    yield float(z[0]), float(r[0]), float(z[0]), 0.0
    for k in range(int(np.argmax(r))):
        count = int(np.clip(np.ceil(abs(z[k + 1] - z[k]) / own.band), 1, own.bands))
        for i in range(count):
            begin, end = (r[k] + (r[k + 1] - r[k]) * (i + j) / count for j in (0, 1))
            if end > begin:
                first, last = (float(z[k] + (z[k + 1] - z[k]) * (i + j) / count) for j in (0, 1))
                yield first, float(end), last, float(end - begin) if last != first else 0.0


def _bodies_on_lines(query: SweepQuery, lines: dict[int, _Line]) -> Iterator[tuple[bool, HeadPiece, _Line]]:
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
    chords = query.chords(moves)
    slack = float(chords.slack.max(initial=0.0))
    return _simple(chords.p, chords.q, slack, query.tolerances.advice)


def _simple(p: Array, q: Array, slack: float, own: AdviceTolerances) -> tuple[_Line, float]:
    """A chain of bits, simplified where they are many, and how far the path may lie from it."""
    import shapely

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


def _nested(found: list[_Band], up: bool, exact: float) -> tuple[Zone, ...]:
    """Zones from the strictest limit on, each with all that stricter ones cover."""
    import shapely

    whole = shapely.Polygon()
    zones: list[Zone] = []
    for limit in sorted({band.limit for band in found}, reverse=not up):
        more = shapely.union_all([band.shape for band in found if band.limit == limit])
        if shapely.area(shapely.difference(more, whole)) > 1e-6:
            whole = shapely.union(whole, more)
            # a cone's band that begins here or before and ends behind is wider than the cone is here
            over = [
                b.step for b in found if (b.limit <= limit < b.until if up else b.limit >= limit > b.until)
            ]
            zones.append(Zone(limit, whole, exact + max(over, default=0.0)))
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
        first, last = scene.bodies[part].aabbs.box
        first, last = np.r_[first[:2], first[2] - near], np.r_[last[:2], first[2] + near]
        for k, body in enumerate(scene.bodies):
            if k in cut:
                continue
            rows = body.aabbs.meeting(first, last)
            level = (body.aabbs.low[rows, 2] >= first[2]) & (body.aabbs.high[rows, 2] <= last[2])
            faces.append(shapely.make_valid(shapely.polygons(body.triangles_M[rows[level]][..., :2])))
    flat = np.concatenate(faces) if faces else np.empty(0, dtype=object)
    return shapely.union_all([f for f in flat if shapely.area(f) > 0.0])
