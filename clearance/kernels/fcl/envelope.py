"""The envelope of a head as triangles: moves and pieces go in, a mesh that encloses it comes out.

The mesh is not one clean skin. For each straight bit of the path it has the walls on both sides, at each
turn of the path a wedge of facets on the outer side, half turns at the ends, and caps made of the bits' own
outlines; walls inside do no harm to a distance from outside. Straight walls are exact. Facets of a round
are circumscribed, arcs and the path's own steps are replaced by chords within a bound by which the radius
grows; so the mesh is nowhere inside the envelope, and nowhere more than ``excess`` outside it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from clearance.scene.heads import Piece
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]
Index = NDArray[np.int64]

#: how far a circumscribed facet may stand out from its round, mm
FACET = 0.003
#: how far a chord may lie from its arc, mm: on paths that are taken as they are, and on simplified ones
SAGITTA = 0.00085
SAGITTA_SIMPLIFIED = 0.0004
#: how far a straight bit may lie from the moves it stands for, mm
SIMPLIFY = 0.0003
#: rounds about a rectangle up to this are left square, mm
_SMALL_ROUND = 0.0005
#: runs of fewer moves are taken as they are
_SIMPLIFY_FROM = 1500


@dataclass(frozen=True)
class Envelope:
    """Triangles (T, 3, 3) mm, and for each the move (T,) that it belongs to; ``excess`` as said above."""

    triangles: Array
    move: Index
    excess: float


@dataclass(frozen=True)
class _Line:
    """A polyline: points (n+1, 2), the move of each bit (n,), and how far it may lie from the true path.

    ``begins`` and ``ends`` say whether it has round ends there; else it is open, a part of a longer one.
    """

    points: Array
    move: Index
    deviation: float
    begins: bool = True
    ends: bool = True


#: told what a piece sweeps along each bit of the path, as boxes (n, 3) and the radius by which they are grown
#: sideways, and the piece; answers which bits are wanted (n,), and which of these to their round ends (n,)
Wanted = Callable[[Array, Array, float, Piece], tuple[NDArray[np.bool_], NDArray[np.bool_]]]


def envelope(
    moves: Moves,
    pieces: Sequence[Piece],
    only: NDArray[np.bool_] | None = None,
    wanted: Wanted | None = None,
) -> Envelope:
    """The envelope of ``pieces`` along ``moves``.

    Args:
        only: (M,) the moves on which the head is there (the wire is not in everywhere).
        wanted: leaves out bits of the path, piece by piece, that nothing is near to. Where what is left
            breaks off, the mesh is open: what the head is as it stands there, the bit left out sweeps too.
    """
    triangles: list[Array] = []
    owner: list[Index] = []
    deviation = 0.0
    for run in _runs(len(moves), only):
        whole = _flattened(moves, run)
        if not _is_short(run):
            whole = _simplified(whole)
        deviation = max(deviation, whole.deviation)
        for piece in pieces:
            bits = to_ends = None
            if wanted is not None:
                bits, to_ends = wanted(*_boxes(whole, piece), piece)
            if not np.any(piece.rect):
                low, high = _open_caps(piece, pieces)
                radius = float(piece.r.max()) + whole.deviation
                lines = [whole] if bits is None or to_ends is None else _parts(whole, bits, to_ends)
                if lines:
                    edges = _joined([_edges_of_line(line, radius) for line in lines])
                    _raise_walls(triangles, owner, edges, piece, whole.deviation, low, high)
                continue
            # bit by bit: what a rectangle draws does not hang on the bits before and behind
            p, q, of = whole.points[:-1], whole.points[1:], whole.move
            if bits is not None:
                p, q, of = p[bits], q[bits], of[bits]
            piece = _widened(piece, whole.deviation)
            edges, cores = _edges_of_rectangle(p, q, of, piece)
            _raise_walls(triangles, owner, edges, piece, 0.0, True, True)
            for z in (piece.z[0], piece.z[-1]):
                _add_fan(triangles, owner, cores, of, float(z))
    soup = np.concatenate(triangles) if triangles else np.empty((0, 3, 3))
    move = np.concatenate(owner) if owner else np.empty(0, dtype=np.int64)
    # a widened rectangle's corners are out by the root of two
    return Envelope(soup, move, FACET + 2.0 * deviation)


def _widened(piece: Piece, by: float) -> Piece:
    """A piece with its rectangle wider on all sides, its corners sharp: that needs no facets.

    A round too small to see goes into the rectangle as well.
    """
    x0, x1, y0, y1 = piece.rect
    if 0.0 < piece.r.max() <= _SMALL_ROUND:
        by += float(piece.r.max())
        piece = replace(piece, r=np.zeros_like(piece.r))
    return replace(piece, rect=(x0 - by, x1 + by, y0 - by, y1 + by))


def _boxes(line: _Line, piece: Piece) -> tuple[Array, Array, float]:
    """What a piece sweeps along each bit: a box (corners (n, 3)), and by how much it is grown sideways."""
    p, q = line.points[:-1], line.points[1:]
    x0, x1, y0, y1 = piece.rect
    n = (len(p), 1)
    low = np.hstack([np.minimum(p, q) + np.array([x0, y0]), np.full(n, piece.z[0])])
    high = np.hstack([np.maximum(p, q) + np.array([x1, y1]), np.full(n, piece.z[-1])])
    return low, high, float(piece.r.max()) + line.deviation + FACET


def _parts(line: _Line, bits: NDArray[np.bool_], to_ends: NDArray[np.bool_]) -> list[_Line]:
    """The unbroken parts of a line that ``bits`` (n,) picks; those with a bit of ``to_ends`` are not open."""
    if bits.all():
        return [line]
    parts = []
    for r in _runs(len(bits), bits):
        rounded = bool(to_ends[r].any())
        begins, ends = (
            rounded or (line.begins and r.start == 0),
            rounded or (line.ends and r.stop == len(bits)),
        )
        parts.append(_Line(line.points[r.start : r.stop + 1], line.move[r], line.deviation, begins, ends))
    return parts


def _runs(count: int, only: NDArray[np.bool_] | None) -> list[slice]:
    if only is None:
        return [slice(0, count)] if count else []
    edge = np.flatnonzero(np.diff(np.r_[False, only, False].astype(np.int8)))
    return [slice(int(a), int(b)) for a, b in zip(edge[::2], edge[1::2], strict=True)]


def _is_short(run: slice) -> bool:
    return bool(run.stop - run.start < _SIMPLIFY_FROM)


def _flattened(moves: Moves, run: slice) -> _Line:
    """Arcs become chords between points of the arc; bits of no length go, unless all are.

    Where a program's rounding gives an arc two radii, the radius runs evenly from one to the other.
    """
    start, end, centre, sweep = moves.start[run], moves.end[run], moves.centre[run], moves.sweep[run]
    arc = sweep != 0.0
    sagitta = SAGITTA if _is_short(run) else SAGITTA_SIMPLIFIED
    count = np.ones(len(sweep), dtype=np.int64)
    r0 = np.where(arc, np.hypot(*(start - centre).T), 0.0)
    r1 = np.where(arc, np.hypot(*(end - centre).T), 0.0)
    radius = np.maximum(np.maximum(r0, r1), sagitta)
    step = 2.0 * np.arccos(1.0 - sagitta / radius[arc])
    count[arc] = np.maximum(np.ceil(np.abs(sweep[arc]) / step), 1).astype(np.int64)
    owner = np.repeat(np.arange(len(sweep)), count)
    share = (np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count) + 1) / count[owner]
    points = end[owner].copy()
    bent = arc[owner] & (share < 1.0)
    o, s = owner[bent], share[bent]
    angle = np.arctan2(start[o, 1] - centre[o, 1], start[o, 0] - centre[o, 0]) + s * sweep[o]
    r = r0[o] + s * (r1[o] - r0[o])
    points[bent] = centre[o] + r[:, None] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    points = np.concatenate([start[:1], points])
    long = np.hypot(*np.diff(points, axis=0).T) > 0.0
    if long.any():
        points, owner = points[np.r_[True, long]], owner[long]
    else:
        points, owner = points[:2], owner[:1]
    deviation = sagitta if arc.any() else 0.0
    return _Line(points, owner + run.start, deviation)


def _simplified(line: _Line) -> _Line:
    """Bits that run on within ``SIMPLIFY`` of one straight become one, as long as they lead away."""
    n = len(line.move)
    xs, ys = line.points[:, 0].tolist(), line.points[:, 1].tolist()
    keep = [0]
    ax, ay = xs[0], ys[0]
    wide, reach = None, 0.0
    for i in range(1, n + 1):
        dx, dy = xs[i] - ax, ys[i] - ay
        far = (dx * dx + dy * dy) ** 0.5
        if wide is not None:
            ux, uy, low, high = wide
            along, across = dx * ux + dy * uy, dy * ux - dx * uy
            if along <= 0.0 or far < reach or not low <= across / along <= high:
                keep.append(i - 1)
                ax, ay = xs[i - 1], ys[i - 1]
                dx, dy = xs[i] - ax, ys[i] - ay
                far = (dx * dx + dy * dy) ** 0.5
                wide = None
        if far <= SIMPLIFY:
            # too near to give a direction: it stands for itself
            keep.append(i)
            ax, ay, wide = xs[i], ys[i], None
            continue
        if wide is None:
            wide, reach = (dx / far, dy / far, -SIMPLIFY / far, SIMPLIFY / far), far
        else:
            tangent, room = across / along, SIMPLIFY * far / (along * along)
            wide = (ux, uy, max(low, tangent - room), min(high, tangent + room))
            reach = far
            if wide[2] > wide[3]:
                keep.append(i)
                ax, ay, wide = xs[i], ys[i], None
    if keep[-1] != n:
        keep.append(n)
    index = np.array(sorted(set(keep)))
    return _Line(line.points[index], line.move[index[:-1]], line.deviation + 1.5 * SIMPLIFY)


@dataclass(frozen=True)
class _Edges:
    """Bits of outlines: from p + u r to q + v r at a height where the radius is r; (E, 2) each, move (E,)."""

    p: Array
    q: Array
    u: Array
    v: Array
    move: Index


def _fan(centre: Array, begin: Array, extent: Array, move: Index, radius: float) -> _Edges:
    """Circumscribed facets about each centre (n, 2), anticlockwise from ``begin`` over ``extent`` radians."""
    widest = 2.0 * np.arccos(radius / (radius + FACET)) if radius > 0.0 else np.pi / 2
    facets = np.maximum(np.ceil(extent / min(widest, np.pi / 2)), 1).astype(np.int64)
    owner = np.repeat(np.arange(len(facets)), facets + 1)
    step = (extent / facets)[owner]
    at = np.arange(len(owner)) - np.repeat(np.cumsum(facets + 1) - facets - 1, facets + 1)
    last = at == facets[owner]
    first = at == 0
    a0 = begin[owner] + np.where(first, 0.0, (at - 0.5) * step)
    a1 = begin[owner] + np.where(last, at * step, (at + 0.5) * step)
    stretch = 1.0 / np.cos(step / 2.0)
    u = np.stack([np.cos(a0), np.sin(a0)], axis=1) * np.where(first, 1.0, stretch)[:, None]
    v = np.stack([np.cos(a1), np.sin(a1)], axis=1) * np.where(last, 1.0, stretch)[:, None]
    return _Edges(centre[owner], centre[owner], u, v, move[owner])


def _joined(parts: Sequence[_Edges]) -> _Edges:
    return _Edges(
        *(np.concatenate([getattr(e, name) for e in parts]) for name in ("p", "q", "u", "v", "move"))
    )


def _edges_of_line(line: _Line, radius: float) -> _Edges:
    """The outline of a disc that follows the line: both sides, outer wedges, half turns at its ends."""
    p, q = line.points[:-1], line.points[1:]
    along = q - p
    length = np.hypot(along[:, 0], along[:, 1])
    if length[0] == 0.0:
        return _fan(p[:1], np.zeros(1), np.full(1, 2.0 * np.pi), line.move[:1], radius)
    along = along / length[:, None]
    left = np.stack([-along[:, 1], along[:, 0]], axis=1)
    angle = np.arctan2(left[:, 1], left[:, 0])
    turn = np.arctan2(
        along[:-1, 0] * along[1:, 1] - along[:-1, 1] * along[1:, 0], (along[:-1] * along[1:]).sum(axis=1)
    )
    to_left, to_right = np.flatnonzero(turn > 0.0), np.flatnonzero(turn < 0.0)
    parts = [
        _Edges(p, q, left, left, line.move),
        _Edges(p, q, -left, -left, line.move),
        _fan(q[to_left], angle[to_left] + np.pi, turn[to_left], line.move[to_left], radius),
        _fan(q[to_right], angle[to_right + 1], -turn[to_right], line.move[to_right], radius),
    ]
    if line.begins:
        parts.append(_fan(p[:1], angle[:1], np.full(1, np.pi), line.move[:1], radius))
    if line.ends:
        parts.append(_fan(q[-1:], angle[-1:] + np.pi, np.full(1, np.pi), line.move[-1:], radius))
    return _joined(parts)


def _edges_of_rectangle(p: Array, q: Array, move: Index, piece: Piece) -> tuple[_Edges, Array]:
    """The outline of a rectangle grown by a disc along bits p-q (n, 2) of ``move`` (n,); their hexagons
    (n, 6, 2)."""
    x0, x1, y0, y1 = piece.rect
    corner = np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]])
    d = q - p
    quarter = np.where(d[:, 1] >= 0.0, np.where(d[:, 0] >= 0.0, 0, 1), np.where(d[:, 0] < 0.0, 2, 3))
    pick = [corner[(quarter + k) % 4] for k in range(4)]
    core = np.stack([p + pick[0], p + pick[1], q + pick[1], q + pick[2], q + pick[3], p + pick[3]], axis=1)
    length = np.hypot(d[:, 0], d[:, 1])
    along = np.divide(d, length[:, None], out=np.zeros_like(d), where=length[:, None] > 0.0)
    side = np.stack([along[:, 1], -along[:, 0]], axis=1)
    outward = np.array([[0.0, -1.0], [1.0, 0.0], [0.0, 1.0], [-1.0, 0.0]])
    still = length == 0.0
    right = np.where(still[:, None], outward[quarter], side)
    left = np.where(still[:, None], outward[(quarter + 3) % 4], -side)
    normals = [
        outward[quarter], right, outward[(quarter + 1) % 4], outward[(quarter + 2) % 4], left,
        outward[(quarter + 3) % 4],
    ]  # fmt: skip
    parts = []
    radius = float(piece.r.max())
    for k in range(6):
        a, b = core[:, k], core[:, (k + 1) % 6]
        parts.append(_Edges(a, b, normals[k], normals[k], move))
        if radius > 0.0:
            n, m = normals[k], normals[(k + 1) % 6]
            extent = np.arctan2(n[:, 0] * m[:, 1] - n[:, 1] * m[:, 0], (n * m).sum(axis=1))
            some = np.flatnonzero(extent > 0.0)
            begin = np.arctan2(n[some, 1], n[some, 0])
            parts.append(_fan(b[some], begin, extent[some], move[some], radius))
    return _joined(parts), core


def _open_caps(piece: Piece, others: Sequence[Piece]) -> tuple[bool, bool]:
    """Whether the lower and upper end of a round piece are not covered by a neighbour at least as wide."""
    round_ones = [o for o in others if o is not piece and not np.any(o.rect)]
    low = not any(o.z[-1] == piece.z[0] and o.r[-1] >= piece.r[0] for o in round_ones)
    high = not any(o.z[0] == piece.z[-1] and o.r[0] > piece.r[-1] for o in round_ones)
    return low, high


def _raise_walls(
    triangles: list[Array], owner: list[Index], e: _Edges, piece: Piece, grow: float, low: bool, high: bool
) -> None:
    def ring(k: int) -> tuple[Array, Array]:
        z = np.full((len(e.move), 1), piece.z[k])
        r = piece.r[k] + grow
        return np.hstack([e.p + e.u * r, z]), np.hstack([e.q + e.v * r, z])

    rings = [ring(k) for k in range(len(piece.z))]
    for (a0, b0), (a1, b1) in zip(rings, rings[1:], strict=False):
        _add(triangles, owner, e.move, a0, b0, b1)
        _add(triangles, owner, e.move, a0, b1, a1)
    for k, wanted in ((0, low), (-1, high)):
        if wanted:
            a, b = rings[k]
            z = a[:, 2:]
            p, q = np.hstack([e.p, z]), np.hstack([e.q, z])
            _add(triangles, owner, e.move, p, b, a)
            apart = (e.p != e.q).any(axis=1)
            _add(triangles, owner, e.move[apart], p[apart], q[apart], b[apart])


def _add_fan(triangles: list[Array], owner: list[Index], core: Array, move: Index, z: float) -> None:
    flat = np.concatenate([core, np.full((*core.shape[:2], 1), z)], axis=2)
    for k in range(1, core.shape[1] - 1):
        _add(triangles, owner, move, flat[:, 0], flat[:, k], flat[:, k + 1])


def _add(triangles: list[Array], owner: list[Index], move: Index, a: Array, b: Array, c: Array) -> None:
    triangles.append(np.stack([a, b, c], axis=1))
    owner.append(move)


def straight_runs(moves: Moves, only: NDArray[np.bool_] | None = None) -> list[tuple[Array, float]]:
    """The path as polylines (n+1, 2), one for each unbroken run, and how far each may lie from the path.

    Args:
        moves: of one stretch, mm, machine X Y.   only: the moves (M,) that count; None for all of them.
    """
    lines = [_flattened(moves, run) for run in _runs(len(moves), only)]
    return [(line.points, line.deviation) for line in lines]
