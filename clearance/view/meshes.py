"""Heads, paths and bodies as triangles to look at; nothing that is judged comes from here.

Display only: outlines are flattened to about 0.05 mm and large models are thinned, which a picture
does not show and a clearance would.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import AabbSet, boxes_of
from clearance.geometry.intervals import first_of_each, tangled, ways
from clearance.geometry.transforms import extent
from clearance.records import record
from clearance.scene.heads import HeadPiece
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]

#: segments from which boxes about bits of a path tell whether it crosses itself a lot; of fewer, each is
#: asked, and so many crossings a segment (each counted twice) are a lot
TANGLED_FROM, CROSSED = 400, 8
#: how near two segments lie that are drawn as one, and how narrow a band is at least, mm
CLOSE, LEAST_BAND = 0.05, 0.5
#: triangles of one body above which it is thinned for display
MOST_TRIANGLES = 200_000


def flatten(moves: Moves, step_deg: float = 6.0) -> tuple[Array, NDArray[np.int64]]:
    """The path as straight segments: (S, 2, 2) mm, and for each the index of its move.

    Args:
        moves: in any frame, mm.   step_deg: of an arc for each segment, at most.
    """
    arc = (moves.sweep != 0.0) & np.isfinite(moves.centre).all(axis=1)
    pieces = np.ones(len(moves), dtype=np.int64)
    pieces[arc] = np.maximum(2, np.ceil(np.abs(np.degrees(moves.sweep[arc])) / step_deg))
    owners = np.repeat(np.arange(len(moves)), pieces)
    first = np.cumsum(pieces) - pieces
    step = np.arange(len(owners)) - first[owners]
    ends = [_along(moves, owners, arc[owners], (step + k) / pieces[owners]) for k in (0, 1)]
    return np.stack(ends, axis=1), owners


def _along(moves: Moves, owners: NDArray[np.int64], arc: NDArray[np.bool_], t: Array) -> Array:
    """The points (S, 2) at the shares ``t`` of moves; the programmed ends where t is 0 or 1."""
    start, end = moves.start[owners], moves.end[owners]
    out = start + t[:, None] * (end - start)
    angle = t[arc] * moves.sweep[owners[arc]]
    c, s = np.cos(angle), np.sin(angle)
    centre = moves.centre[owners[arc]]
    arm = start[arc] - centre
    out[arc] = centre + np.column_stack([arm[:, 0] * c - arm[:, 1] * s, arm[:, 0] * s + arm[:, 1] * c])
    out[t == 0.0], out[t == 1.0] = start[t == 0.0], end[t == 1.0]
    return out


def place_on(moves: Moves, p: Array) -> tuple[int, float]:
    """The move nearest to ``p`` (2,) and how far along it (0 to 1) the nearest point of its chords lies.

    Args:
        moves: in the frame of ``p``, mm.   p: X, Y.
    """
    segments, owners = flatten(moves)
    a, d = segments[:, 0], segments[:, 1] - segments[:, 0]
    length2 = np.einsum("ij,ij->i", d, d)
    t = np.clip(np.einsum("ij,ij->i", p - a, d) / np.where(length2 > 0, length2, 1.0), 0.0, 1.0)
    best = int(np.argmin(((a + t[:, None] * d - p) ** 2).sum(axis=1)))
    move = int(owners[best])
    mine = np.flatnonzero(owners == move)
    return move, float((best - mine[0] + t[best]) / len(mine))


def point_at(moves: Moves, move: int, t: float) -> Array:
    """The point (2,) at the share ``t`` of a move.

    Args:
        moves: in any frame, mm.   move: its index.   t: 0 to 1.
    """
    arc = np.array([moves.sweep[move] != 0.0 and bool(np.isfinite(moves.centre[move]).all())])
    return np.asarray(_along(moves, np.array([move]), arc, np.array([t]))[0])


def box(x: tuple[float, float], y: tuple[float, float], z: tuple[float, float]) -> Array:
    """A block's twelve triangles (12, 3, 3), outward.

    Args:
        x, y, z: from, to, mm.
    """
    c = np.array([[x[i], y[j], z[k]] for i in (0, 1) for j in (0, 1) for k in (0, 1)], dtype=float)
    quads = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
    return np.concatenate([[c[[a, b, d]], c[[a, d, e]]] for a, b, d, e in quads])


def lathe(z: Array, r: Array, facets: int = 96) -> Array:
    """A body of revolution about Z: heights rising (K,), radii (K,); triangles (N, 3, 3), outward, closed.

    Args:
        z, r: mm.   facets: a turn.
    """
    angle = np.linspace(0.0, 2 * np.pi, facets + 1)
    ring = np.column_stack([np.cos(angle), np.sin(angle)])
    ring[-1] = ring[0]
    grid = np.empty((len(z), facets + 1, 3))
    grid[..., :2] = np.asarray(r)[:, None, None] * ring
    grid[..., 2] = np.asarray(z)[:, None]
    a, b, c, d = grid[:-1, :-1], grid[:-1, 1:], grid[1:, 1:], grid[1:, :-1]
    sides = np.concatenate([np.stack([a, b, c], axis=2), np.stack([a, c, d], axis=2)]).reshape(-1, 3, 3)
    # caps in strips: the slivers of a fan show as spokes where edges are found from the depth
    half = facets // 2
    left, right = np.arange(0, half + 1), facets - np.arange(0, half + 1)
    p, q, s, t = left[:-1], left[1:], right[1:], right[:-1]
    cap = np.concatenate([np.column_stack([p, q, s]), np.column_stack([p, s, t])])
    triangles = np.concatenate([sides, grid[-1][cap], grid[0][cap[:, ::-1]]])
    area2 = np.linalg.norm(
        np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0]), axis=1
    )
    return np.asarray(triangles[area2 > 1e-12])


def is_round(piece: HeadPiece) -> bool:
    """A body of revolution about the wire, and not a box."""
    return all(value == 0.0 for value in piece.rect)


def round_stacks(pieces: Iterable[HeadPiece]) -> list[tuple[Array, Array]]:
    """Bodies of revolution that stand on one another, joined to one outline (z, r) each, so that no face
    is drawn inside the head."""
    stacks: list[tuple[Array, Array]] = []
    for piece in sorted((p for p in pieces if is_round(p)), key=lambda p: float(p.z[0])):
        z, r = np.asarray(piece.z, dtype=float), np.asarray(piece.r, dtype=float)
        if stacks and abs(stacks[-1][0][-1] - z[0]) < 1e-9:
            stacks[-1] = (np.concatenate([stacks[-1][0], z]), np.concatenate([stacks[-1][1], r]))
        else:
            stacks.append((z, r))
    return stacks


def box_piece(piece: HeadPiece, corner: int = 8) -> Array:
    """A box of a head, with the round corners it may have; triangles (N, 3, 3).

    Args:
        piece: of a head that is a box.   corner: facets of a quarter turn.
    """
    x0, x1, y0, y1 = piece.rect
    z, r = np.asarray(piece.z, dtype=float), np.asarray(piece.r, dtype=float)
    if not r.any():
        return box((x0, x1), (y0, y1), (float(z[0]), float(z[-1])))
    quarter = np.linspace(0, np.pi / 2, corner + 1)
    angle = np.concatenate([quarter + k * np.pi / 2 for k in range(4)])
    centres = np.repeat(np.array([[x1, y1], [x0, y1], [x0, y0], [x1, y0]]), corner + 1, axis=0)
    ring = np.column_stack([np.cos(angle), np.sin(angle)])
    middle = np.array([(x0 + x1) / 2, (y0 + y1) / 2])
    levels = []
    for height, radius in zip(z, r, strict=True):
        xy = centres + radius * ring
        levels.append(np.column_stack([xy, np.full(len(xy), height)]))
    out = []
    for low, high in zip(levels, levels[1:], strict=False):
        a, b, c, d = low, np.roll(low, -1, axis=0), np.roll(high, -1, axis=0), high
        out += [np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)]
    for level, turned in ((levels[0], True), (levels[-1], False)):
        hub = np.broadcast_to([*middle, level[0, 2]], level.shape)
        fan = np.stack([hub, level, np.roll(level, -1, axis=0)], axis=1)
        out.append(fan[:, ::-1] if turned else fan)
    return np.concatenate(out)


def _triangulated(polygon: Any, z_of: Any, upward: bool) -> Array:
    """A flat region as triangles, the height of each corner from ``z_of`` (points (N, 2) -> (N,))."""
    import manifold3d
    import shapely

    out = []
    for part in getattr(polygon, "geoms", [polygon]):
        if part.geom_type != "Polygon" or part.is_empty or part.area < 1e-6:
            continue
        part = shapely.geometry.polygon.orient(part)
        rings = [np.asarray(ring.coords)[:-1] for ring in (part.exterior, *part.interiors)]
        points = np.concatenate(rings)
        index = np.asarray(manifold3d.triangulate(rings))
        corners = np.column_stack([points, z_of(points)])[index]
        out.append(corners if upward else corners[:, ::-1])
    return np.concatenate(out) if out else np.zeros((0, 3, 3))


def _walls(polygon: Any, z0: float, z1: float) -> Array:
    """Upright walls over a region's outline, outward."""
    import shapely

    out = []
    for part in getattr(polygon, "geoms", [polygon]):
        if part.geom_type != "Polygon" or part.is_empty:
            continue
        part = shapely.geometry.polygon.orient(part)
        for ring in (part.exterior, *part.interiors):
            xy = np.asarray(ring.coords)
            low = np.column_stack([xy, np.full(len(xy), z0)])
            high = np.column_stack([xy, np.full(len(xy), z1)])
            a, b, c, d = low[:-1], low[1:], high[1:], high[:-1]
            out += [np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)]
    return np.concatenate(out) if out else np.zeros((0, 3, 3))


@record
class Band:
    """What a disc of some radius, mm, sweeps along a path that crosses itself a lot: a flat region."""

    region: Any
    radius: float


def band(segments: Array, radius: float) -> Band | None:
    """The band along segments (S, 2, 2), where they are many and cross each other a lot; else None.

    A buffer of all of them at once would sort out each crossing first, and their number grows with the
    square of that of the segments. What single ones sweep lies mostly within what others do. What lies within
    ``CLOSE`` of an earlier one is left out.

    Args:
        segments: in plan, mm.   radius: of what goes along them, mm.
    """
    import shapely

    if len(segments) < TANGLED_FROM:
        lines = shapely.linestrings(segments)
        if shapely.STRtree(lines).query(lines, predicate="crosses").shape[1] < CROSSED * len(lines):
            return None
    elif not tangled(np.concatenate([segments[:, 0], segments[-1:, 1]])):
        return None
    radius = max(radius, LEAST_BAND)
    kept = segments[first_of_each(ways(segments, CLOSE))]
    region = shapely.union_all(shapely.buffer(shapely.linestrings(kept), radius, quad_segs=12))
    return Band(shapely.simplify(region, 0.02), radius)


def envelope(
    segments: Array,
    z: Array,
    r: Array,
    rect: tuple[float, float, float, float] = (0, 0, 0, 0),
    along: Band | None = None,
) -> Array:
    """The skin that an outline (z rising, r) draws along segments (S, 2, 2) mm: triangles (N, 3, 3).

    One skin with nothing inside it, so that it can be drawn translucent: upright walls where the radius
    stays, the ring between the two outlines where it changes.

    Args:
        along: a band along the segments, no wider than the outline, from which this one grows.
    """
    import shapely

    if not len(segments):
        return np.zeros((0, 3, 3))
    width = 0.0
    if along is not None:
        base, width = along.region, along.radius
    elif any(rect):
        x0, x1, y0, y1 = rect
        corners = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
        both = (segments[:, :, None, :] + corners).reshape(len(segments), 8, 2)
        base = shapely.union_all(shapely.convex_hull(shapely.multipoints(both)))
    else:
        lines = [
            shapely.LineString(c) if len(c) > 1 and np.ptp(c, axis=0).any() else shapely.Point(c[0])
            for c in _chains(segments)
        ]
        base = shapely.simplify(shapely.union_all(lines), 0.05)
    outlines: dict[float, Any] = {}

    def outline(radius: float) -> Any:
        if radius not in outlines:
            grown = base.buffer(radius - width, quad_segs=24) if radius > width else base
            outlines[radius] = shapely.simplify(grown, 0.02)
        return outlines[radius]

    levels = [(float(a), float(b)) for a, b in zip(z, r, strict=True)]
    out = [_triangulated(outline(levels[0][1]), lambda p: np.full(len(p), levels[0][0]), upward=False)]
    for (z0, r0), (z1, r1) in zip(levels, levels[1:], strict=False):
        if r0 == r1:
            out.append(_walls(outline(r0), z0, z1))
            continue
        wide, narrow = (outline(r1), outline(r0)) if r1 > r0 else (outline(r0), outline(r1))
        z_wide, z_narrow = (z1, z0) if r1 > r0 else (z0, z1)
        rim = wide.boundary

        def height(p: Array, rim: Any = rim, zw: float = z_wide, zn: float = z_narrow) -> Array:
            return np.where(shapely.distance(rim, shapely.points(p)) < 1e-6, zw, zn)

        out.append(_triangulated(wide.difference(narrow), height, upward=r1 < r0))
    out.append(_triangulated(outline(levels[-1][1]), lambda p: np.full(len(p), levels[-1][0]), upward=True))
    return np.concatenate(out)


def _chains(segments: Array) -> list[Array]:
    """Runs of segments that join end to start, as point lists."""
    breaks = np.flatnonzero(np.any(np.abs(segments[1:, 0] - segments[:-1, 1]) > 1e-9, axis=1)) + 1
    return [np.concatenate([run[:1, 0], run[:, 1]]) for run in np.split(segments, breaks)]


def thinned(
    triangles: Array, most: int = MOST_TRIANGLES, keep_near: Array | None = None, reach: float = 15.0
) -> Array:
    """At most about ``most`` triangles: corners that fall into one cell of a grid become one.

    Triangles within ``reach`` mm of a point of ``keep_near`` (K, 3) stay as they are: there the picture
    is looked at closely.
    """
    if len(triangles) <= most:
        return triangles
    kept = np.zeros(len(triangles), dtype=bool)
    aabbs = AabbSet(*boxes_of(triangles))
    for p in np.zeros((0, 3)) if keep_near is None else keep_near:
        kept[aabbs.meeting(p - reach, p + reach)] = True
    if np.count_nonzero(kept) > most // 2:
        kept[:] = False
    rest = triangles[~kept]
    most = max(most - int(np.count_nonzero(kept)), most // 4)
    low, high = aabbs.box
    span = float((high - low).max())
    cells = np.sqrt(most) * 0.7
    for _ in range(12):
        out = _clustered(rest, span / cells)
        if len(out) <= most:
            break
        cells *= min(0.8, np.sqrt(most / len(out)))
    return np.concatenate([out, triangles[kept]])


def _clustered(triangles: Array, cell: float) -> Array:
    origin, last = extent(triangles)
    n = np.floor((last - origin) / cell).astype(np.int64) + 1
    at = [np.floor((triangles[..., k].reshape(-1) - origin[k]) / cell).astype(np.int64) for k in range(3)]
    key = (at[0] * n[1] + at[1]) * n[2] + at[2]
    _, first, index = np.unique(key, return_index=True, return_inverse=True)
    corners = index.reshape(-1, 3)
    open_ = (
        (corners[:, 0] != corners[:, 1]) & (corners[:, 1] != corners[:, 2]) & (corners[:, 2] != corners[:, 0])
    )
    corners = corners[open_]
    _, unique = np.unique(np.sort(corners, axis=1), axis=0, return_index=True)
    return np.asarray(triangles.reshape(-1, 3)[first][corners[unique]])


def outward(triangles: Array) -> Array:
    """The triangles turned so that the body's volume counts positive; a picture's cut faces need that."""
    volume = np.einsum("ij,ij->i", triangles[:, 0], np.cross(triangles[:, 1], triangles[:, 2])).sum()
    return triangles if volume >= 0 else triangles[:, ::-1]
