"""How far the facets of faces lie from their surfaces is measured, and those too far off are split.

How far a facet lies from its surface: the surface is looked at in a grid of (u, v) over the facet; how far
its points lie from the facet is measured, and between them it lies within the bound of ``surfaces.py``. Where
no such bound is known twice what the grid shows is taken, and the answer is called an estimate. The distance
is that to the facet, not to its point of equal (u, v), which on a cone is another thing. A side on an edge is
measured against the edge's curve; the strip of surface between that curve and the facet lies no farther off
than the larger of the two and what the surface bends over the strip's own width.

Splitting: the sides of a facet that bend most are halved, and each neighbour with them, so that no gap
opens (red-green refinement; Bank, Sherman and Weiser 1983, from memory). A side within a face is halved in
(u, v); one on an edge at the middle of the edge's own curve, for both faces.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from clearance.mesh.surfaces import Floats, Ints, Patch
from clearance.mesh.topology import connected
from clearance.records import record

#: Steps of the grid along a facet's sides, and of the finer one where the coarse one decides nothing.
GRID, FINE = 4, 16

#: Rounds of splitting at most; each halves, so this is a hundredth of the mesher's error at least.
ROUNDS = 8

#: Facets measured at a time.
_BATCH = 20_000


@record
class Edge:
    """A curve between faces.

    Attributes:
        at: points (N, 3) at parameters (N,).
        bend: bound on its second derivative between two parameters, (N,) and (N,); infinite where unknown.
        known: whether such bounds are known; else twice what samples show is an estimate.
        on_face: (u, v) of the parameter t on a face, the nearest of several to a given (u, v).
    """

    at: Callable[[Floats], Floats]
    bend: Callable[[Floats, Floats], Floats]
    known: bool
    on_face: Callable[[int, float, Floats], Floats]


@record
class Facets:
    """Facets in faces.

    Attributes (M nodes, each of one face; N facets):
        points: (M, 3) mm, the same numbers for nodes that are one.   uv: (M, 2).
        corners: (N, 3) nodes.   face: (N,) index of the face.
        edge: (N, 3) the edge on which the side from corner k to k + 1 lies, or -1.
        t: (N, 3, 2) that edge's parameters at the side's two ends.
    """

    points: Floats
    uv: Floats
    corners: Ints
    face: Ints
    edge: Ints
    t: Floats

    def take(self, rows: NDArray[np.bool_] | Ints) -> Facets:
        """The facets at ``rows``; points stay."""
        return replace(
            self, corners=self.corners[rows], face=self.face[rows], edge=self.edge[rows], t=self.t[rows]
        )


class TooMany(Exception):
    """Splitting would make more facets than there may be."""


def joined(points: Floats, a: Ints, b: Ints) -> Floats:
    """Points (M, 3) with those that links a[k]-b[k] make one at the same place.

    Args:
        points: mm.   a, b: (K,) rows of ``points``.
    """
    return points[connected(len(points), a, b)]


def refined(
    facets: Facets, patches: Sequence[Patch], edges: Sequence[Edge], bound: float, most: int
) -> tuple[Facets, float, bool]:
    """Facets split until they and their sides on edges lie within ``bound``, mm, of what they stand for.

    Args:
        facets: of the mesher.   patches: the surface of each face.   edges: where faces meet.
        bound: mm.   most: facets that there may be.

    Returns:
        The facets, how far off the farthest is (that of what could not be split further), and whether that
        is an estimate.

    Raises:
        TooMany: more than ``most`` facets would be needed.
    """
    off = _off(facets, patches, edges, bound)
    side = _off_edge(facets, edges)
    for _ in range(ROUNDS):
        mark = side > bound
        rows = np.flatnonzero(off > bound)
        if len(rows):
            bends = _bends(facets.take(rows), patches)
            mark[rows] |= bends >= 0.4 * bends.max(axis=1, keepdims=True)
        if not mark.any():
            break
        split, old = _halved(facets, patches, edges, mark)
        if len(split.corners) > most:
            raise TooMany
        fresh = old < 0
        new = split.take(fresh)
        off, side = off[old], side[old]
        off[fresh], side[fresh] = _off(new, patches, edges, bound), _off_edge(new, edges)
        facets = split
    used = np.unique(facets.face)
    estimate = any(not patches[k].known for k in used)
    on = np.unique(facets.edge)
    estimate |= any(not edges[k].known for k in on[on >= 0])
    return facets, float(max(off.max(initial=0.0), side.max(initial=0.0))), estimate


def _by_face(facets: Facets) -> list[tuple[int, Ints]]:
    order = np.argsort(facets.face, kind="stable")
    faces, first = np.unique(facets.face[order], return_index=True)
    return list(zip(faces.tolist(), np.split(order, first[1:]), strict=True)) if len(faces) else []


_WEIGHTS = {
    n: np.array([(i, j, n - i - j) for i in range(n + 1) for j in range(n + 1 - i)]) / n for n in (GRID, FINE)
}


def _off(facets: Facets, patches: Sequence[Patch], edges: Sequence[Edge], bound: float) -> Floats:
    """How far (N,) each facet, and the strips along its sides on edges, lie from the surface, mm, at most."""
    off = _off_surface(facets, patches, bound) + _strips(facets, patches, edges)
    # what cannot be told is not near
    return np.where(np.isnan(off), np.inf, off)


def _strips(facets: Facets, patches: Sequence[Patch], edges: Sequence[Edge]) -> Floats:
    """How far (N,) the surface bends over the width of the strips between sides on edges and the edges'
    curves in (u, v), mm; 0 where the curve is straight there, as a rim of a cylinder is."""
    rows, k = np.nonzero(facets.edge >= 0)
    curved = np.array([patch.known and not patch.flat for patch in patches])[facets.face[rows]]
    rows, k = rows[curved], k[curved]
    out = np.zeros(len(facets.corners))
    if not len(rows):
        return out
    a, b = (facets.uv[facets.corners[rows, side]] for side in (k, (k + 1) % 3))
    width = np.zeros((len(rows), 2))
    for share in (0.25, 0.5, 0.75):
        t = facets.t[rows, k, 0] + share * (facets.t[rows, k, 1] - facets.t[rows, k, 0])
        chord = a + share * (b - a)
        for j, (row, name) in enumerate(zip(rows.tolist(), facets.edge[rows, k].tolist(), strict=True)):
            off = np.abs(edges[name].on_face(int(facets.face[row]), float(t[j]), chord[j]) - chord[j])
            width[j] = np.maximum(width[j], off)
    # between the three places the curve may run farther out
    width = np.where(width > 1e-9, 1.5 * width, 0.0)
    low, high = np.minimum(a, b) - width, np.maximum(a, b) + width
    for face in np.unique(facets.face[rows]).tolist():
        own = facets.face[rows] == face
        bend = _sagitta(width[own], patches[face].second(low[own], high[own]))
        np.maximum.at(out, rows[own], np.where(np.isfinite(bend), bend, 0.0))
    return out


def _off_surface(facets: Facets, patches: Sequence[Patch], bound: float) -> Floats:
    """How far (N,) each facet lies from its surface, mm, at most; of estimates twice what the grid shows."""
    off = np.zeros(len(facets.corners))
    for k, rows in _by_face(facets):
        patch = patches[k]
        if patch.flat:
            continue
        for at in range(0, len(rows), _BATCH):
            some = rows[at : at + _BATCH]
            corners, uv = facets.points[facets.corners[some]], facets.uv[facets.corners[some]]
            between = _between(patch, uv)
            # a corner that was joined with another's, or lies on an edge's curve, is off its surface
            ends = patch.at(uv.reshape(-1, 2)).reshape(corners.shape)
            between_and_ends = between + np.linalg.norm(ends - corners, axis=2).max(axis=1)
            # what is near enough without a look is not looked at
            look = np.flatnonzero(~(between_and_ends <= bound))
            off[some] = between_and_ends
            shown = _shown(patch, uv[look], corners[look], GRID)
            sure = shown + between[look] / GRID**2
            off[some[look]] = np.where(np.isfinite(sure), sure, 2.0 * shown)
            again = np.isfinite(sure) & (sure > bound) & (shown < 0.9 * bound)
            look = look[again]
            off[some[look]] = _shown(patch, uv[look], corners[look], FINE) + between[look] / FINE**2
    return off


def _shown(patch: Patch, uv: Floats, corners: Floats, steps: int) -> Floats:
    """The largest distance (N,) of a grid of the surface's points at uv (N, 3, 2) from facets (N, 3, 3)."""
    out = np.zeros(len(uv))
    size = max(1, _BATCH * GRID**2 // steps**2)
    for k in range(0, len(uv), size):
        grid = np.einsum("gc,ncd->ngd", _WEIGHTS[steps], uv[k : k + size])
        points = patch.at(grid.reshape(-1, 2)).reshape(*grid.shape[:2], 3)
        out[k : k + size] = _distances(points, corners[k : k + size]).max(axis=1)
    return out


def _between(patch: Patch, uv: Floats) -> Floats:
    """How far (N,) a surface lies at most from the plane pieces through its points at uv (N, 3, 2)."""
    low, high = uv.min(axis=1), uv.max(axis=1)
    return _sagitta(high - low, patch.second(low, high))


def _sagitta(d: Floats, m: Floats) -> Floats:
    """The bound of ``surfaces.py`` for extents (N, 2) and bounds on second derivatives (N, 3)."""
    with np.errstate(invalid="ignore"):
        terms = np.column_stack([d[:, 0] ** 2, 2.0 * d[:, 0] * d[:, 1], d[:, 1] ** 2]) * m
    return np.asarray(np.where(np.isnan(terms), np.inf, terms).sum(axis=1) / 8.0)


def _distances(points: Floats, triangles: Floats) -> Floats:
    """Distances (N, G) of points (N, G, 3) from their triangle (N, 3, 3)."""
    a, b, c = (triangles[:, None, k] for k in range(3))
    normal = np.cross(b - a, c - a)
    size = np.linalg.norm(normal, axis=2)
    unit = normal / np.where(size == 0.0, 1.0, size)[..., None]
    least = np.full(points.shape[:2], np.inf)
    within = np.broadcast_to(size > 0.0, least.shape)
    for p, q in ((a, b), (b, c), (c, a)):
        way, off = q - p, points - p
        long = (way * way).sum(axis=2)
        share = np.clip((off * way).sum(axis=2) / np.where(long == 0.0, 1.0, long), 0.0, 1.0)
        least = np.minimum(least, np.linalg.norm(off - share[..., None] * way, axis=2))
        within = within & ((np.cross(way, off) * unit).sum(axis=2) >= 0.0)
    height = np.abs(((points - a) * unit).sum(axis=2))
    return np.asarray(np.where(within, height, least))


def _off_edge(facets: Facets, edges: Sequence[Edge]) -> Floats:
    """How far (N, 3) each side on an edge lies from the edge's curve, mm, at most; 0 of others."""
    off = np.zeros(facets.edge.shape)
    rows, k = np.nonzero(facets.edge >= 0)
    which = facets.edge[rows, k]
    steps = 2 * GRID
    order = np.argsort(which, kind="stable")
    names, first = np.unique(which[order], return_index=True)
    for name, some in zip(names.tolist(), np.split(order, first[1:]) if len(names) else [], strict=True):
        edge = edges[name]
        r, s = rows[some], k[some]
        t = facets.t[r, s]
        bend = edge.bend(t[:, 0], t[:, 1])
        if not bend.any():
            continue
        grid = t[:, :1] + (t[:, 1:] - t[:, :1]) * np.arange(steps + 1) / steps
        points = edge.at(grid.reshape(-1)).reshape(*grid.shape, 3)
        a, b = facets.points[facets.corners[r, s]], facets.points[facets.corners[r, (s + 1) % 3]]
        shown = _distances(points, np.stack([a, b, b], axis=1)).max(axis=1)
        sure = shown + (t[:, 1] - t[:, 0]) ** 2 * bend / 8.0 / steps**2
        off[r, s] = np.where(np.isfinite(sure), sure, 2.0 * shown)
    return np.where(np.isnan(off), np.inf, off)


def _bends(facets: Facets, patches: Sequence[Patch]) -> Floats:
    """How far (N, 3) the surface lies from the middle of each side, mm, and may lie between grid points."""
    out = np.zeros(facets.corners.shape)
    for k, rows in _by_face(facets):
        uv, points = facets.uv[facets.corners[rows]], facets.points[facets.corners[rows]]
        middle = patches[k].at(((uv + np.roll(uv, -1, axis=1)) / 2.0).reshape(-1, 2)).reshape(points.shape)
        after = np.roll(points, -1, axis=1)
        sides = np.stack([points, after, after], axis=2).reshape(-1, 3, 3)
        out[rows] = _distances(middle.reshape(-1, 1, 3), sides).reshape(-1, 3)
        m = patches[k].second(uv.min(axis=1), uv.max(axis=1))
        if patches[k].known:
            for side in range(3):
                between = _sagitta(np.abs(uv[:, side] - uv[:, (side + 1) % 3]), m) / FINE**2
                out[rows, side] += np.where(np.isfinite(between), between, 0.0)
    return out


def _children() -> list[list[tuple[int, int, int]]]:
    """For each set of halved sides (bit k: the side from corner k) the facets that come of it; corners 0 to 2
    are the facet's, 3 to 5 the middles of its sides."""
    table: list[list[tuple[int, int, int]]] = [[] for _ in range(8)]
    table[7] = [(0, 3, 5), (3, 1, 4), (5, 4, 2), (3, 4, 5)]
    for turn in range(3):
        a, b, c = turn, (turn + 1) % 3, (turn + 2) % 3
        m, n = 3 + a, 3 + b
        table[1 << a] = [(a, m, c), (m, b, c)]
        table[1 << a | 1 << b] = [(m, b, n), (a, m, n), (a, n, c)]
    return table


_CHILDREN = _children()


def _halved(
    facets: Facets, patches: Sequence[Patch], edges: Sequence[Edge], mark: NDArray[np.bool_]
) -> tuple[Facets, Ints]:
    """The facets with the marked sides halved, in their neighbours too, and for each of them which one it was
    before, or -1 where it is new."""
    n = len(facets.corners)
    a, b = facets.corners, np.roll(facets.corners, -1, axis=1)
    on = facets.edge >= 0
    middle = (facets.t[..., 0] + facets.t[..., 1]) / 2.0
    # one name for a side wherever it is used: by its two nodes in a face, by edge and parameter on an edge
    names = np.stack(
        [
            np.where(on, facets.edge, -1).astype(np.float64),
            np.where(on, middle, np.minimum(a, b)),
            np.where(on, 0.0, np.maximum(a, b)),
        ],
        axis=2,
    ).reshape(-1, 3)
    _, name = np.unique(names, axis=0, return_inverse=True)
    name = name.reshape(n, 3)
    chosen = np.zeros(int(name.max()) + 1, dtype=bool)
    chosen[name[mark]] = True
    mark = chosen[name]
    points, uv = [facets.points], [facets.uv]
    new = np.full((n, 3), -1, dtype=np.int64)
    count = len(facets.points)
    # within faces: one node for both facets
    rows, k = np.nonzero(mark & ~on)
    _, first, number = np.unique(name[rows, k], return_index=True, return_inverse=True)
    new[rows, k] = count + number.reshape(-1)
    count += len(first)
    r, s = rows[first], k[first]
    half = (facets.uv[a[r, s]] + facets.uv[b[r, s]]) / 2.0
    place = np.empty((len(r), 3))
    for face in np.unique(facets.face[r]).tolist():
        own = facets.face[r] == face
        place[own] = patches[face].at(half[own])
    points.append(place)
    uv.append(half)
    # on edges: a node for each facet, all at the same place
    rows, k = np.nonzero(mark & on)
    new[rows, k] = count + np.arange(len(rows))
    half = (facets.uv[a[rows, k]] + facets.uv[b[rows, k]]) / 2.0
    place = np.empty((len(rows), 3))
    for j, (row, side) in enumerate(zip(rows.tolist(), k.tolist(), strict=True)):
        edge, t = edges[int(facets.edge[row, side])], float(middle[row, side])
        place[j] = edge.at(np.array([t]))[0]
        half[j] = edge.on_face(int(facets.face[row]), t, half[j])
    points.append(place)
    uv.append(half)
    return _assembled(facets, np.concatenate(points), np.concatenate(uv), mark, new, middle)


def _assembled(
    facets: Facets, points: Floats, uv: Floats, mark: NDArray[np.bool_], new: Ints, middle: Floats
) -> tuple[Facets, Ints]:
    """The facets with ``new`` nodes (N, 3) in their marked sides, and which one each was before, or -1."""
    pattern = mark @ np.array([1, 2, 4])
    whole = np.flatnonzero(pattern == 0)
    nodes = np.concatenate([facets.corners, new], axis=1)
    corners, face, edge, t = ([each[whole]] for each in (facets.corners, facets.face, facets.edge, facets.t))
    old = [whole]
    for mask in range(1, 8):
        rows = np.flatnonzero(pattern == mask)
        if not len(rows):
            continue
        for child in _CHILDREN[mask]:
            corners.append(nodes[rows][:, list(child)])
            face.append(facets.face[rows])
            own_edge, own_t = np.full((len(rows), 3), -1, dtype=np.int64), np.zeros((len(rows), 3, 2))
            for k in range(3):
                ends = child[k], child[(k + 1) % 3]
                side = next((s for s in range(3) if set(ends) <= {s, s + 3, (s + 1) % 3}), None)
                if side is None:
                    continue
                own_edge[:, k] = facets.edge[rows, side]
                at = {side: facets.t[rows, side, 0], (side + 1) % 3: facets.t[rows, side, 1]}
                at[side + 3] = middle[rows, side]
                own_t[:, k] = np.stack([at[end] for end in ends], axis=1)
            edge.append(own_edge)
            t.append(own_t)
            old.append(np.full(len(rows), -1, dtype=np.int64))
    made = Facets(
        points, uv, np.concatenate(corners), np.concatenate(face), np.concatenate(edge), np.concatenate(t)
    )
    return made, np.concatenate(old)
