"""Topology of a triangle soup: can it be trusted? Triangles go in, a ``Solid`` that says how far comes out.

Corners are hashed to 64-bit keys, so that finding equal ones is a sort of integers; shells are the
connected components over shared corners (union-find).

The rules
    closed       every edge belongs to an even number of facets, so a ray from any point crosses the
                 surface an even or an odd number of times whichever way it runs: inside is a fact. That
                 some facets, or whole shells, are wound the other way round does not change it.
    doubled      facets with the same three corners are taken once where that closes the surface (a body
                 that was written twice would otherwise cancel itself out). Where taking them once opens
                 it and leaves no edge with a single facet (two blocks that share a wall), they stay.
    winding      where facets of a closed surface disagree about outside, they are turned to agree if that
                 can be done; order of corners is trusted by nobody, volume and balance become right.
    cracks       where making corners within 1e-4 mm one closes an open surface, they are made one; how far
                 the farthest moved is added to the facet error, which counts against the body. Up to
                 1e-9 mm it is the rounding of zeros and nothing to tell.
    open         stays as it is, ``closed`` is False: distances to it are real, its inside is not known.
    no area      facets without area stay; they move no distance. A body of nothing else is open.
    self-crossing is not looked for. Distances to the surface are right all the same; where a shell
                 overlaps itself the crossings of a ray may cancel but the turns that it counts do not,
                 so whoever asks for inside takes an odd number of crossings or turns that are not 0.

How it is fast: for a directed edge a->b take f(a, b) = P(a) Q(b) - Q(a) P(b) modulo 2^64, with P and Q
two keys of a corner. f changes its sign with the direction, so the sum over all edges of all facets is 0
if each edge is used as often one way as the other, and else, but for a chance near 2^-62, is not. Only
a model that fails this sum is looked at edge by edge.
"""

from __future__ import annotations

from itertools import product

import numpy as np
from numpy.typing import NDArray

from clearance.mesh.model import Remark, Solid
from clearance.records import record

Keys = NDArray[np.uint64]

#: Triangles handled at a time: small enough that the work of one batch stays in the processor's cache.
BATCH = 8192

_HALF = np.uint64(32)
_SHORT = np.uint64(29)
# Odd multipliers without a pattern: digits of pi, e and the golden ratio, made odd.
_K = tuple(
    np.uint64(k)
    for k in (
        0x243F6A8885A308D3,
        0xB7E151628AED2A6B,
        0x9E3779B97F4A7C15,
        0xA4093822299F31D1,
        0x13198A2E03707345,
    )
)


def columns(triangles: NDArray[np.float64]) -> NDArray[np.float64]:
    """The coordinates of a batch as (3 corners, 3 coordinates, N), each row in one piece of memory.

    Adding 0.0 makes -0.0 and 0.0 the same bits.

    Args:
        triangles: (N, 3, 3) of a batch.
    """
    return np.ascontiguousarray(triangles.reshape(-1, 9).T).reshape(3, 3, -1) + 0.0


def keys_of_columns(xyz: NDArray[np.float64]) -> Keys:
    """Keys (3, N) of the corners of a batch that ``columns`` made.

    Args:
        xyz: (3 corners, 3 coordinates, N).
    """
    bits = xyz.view(np.uint64)
    key = bits[:, 0] * _K[0]
    scratch = np.empty_like(key)
    for axis in (1, 2):
        np.right_shift(key, _HALF, out=scratch)
        key ^= scratch
        key += bits[:, axis]
        key *= _K[axis]
    np.right_shift(key, _HALF, out=scratch)
    key ^= scratch
    key *= _K[3]
    np.right_shift(key, _SHORT, out=scratch)
    key ^= scratch
    return key


def second_keys(key: Keys) -> Keys:
    """Another key for each corner, as good as independent of the first."""
    other = key * _K[4]
    other ^= other >> _HALF
    return other


def corner_keys(triangles: NDArray[np.float64]) -> Keys:
    """Keys (N, 3) of all corners of ``triangles`` (N, 3, 3)."""
    keys = np.empty((len(triangles), 3), dtype=np.uint64)
    for k in range(0, len(triangles), BATCH):
        keys[k : k + BATCH] = keys_of_columns(columns(triangles[k : k + BATCH])).T
    return keys


def corner_numbers(triangles: NDArray[np.float64]) -> tuple[NDArray[np.int64], int]:
    """The same corners as numbers from 0: (N, 3) int, and how many different ones there are.

    Args:
        triangles: (N, 3, 3), mm.
    """
    different, number = np.unique(corner_keys(triangles), return_inverse=True)
    return number.reshape(-1, 3).astype(np.int64, copy=False), len(different)


Ints = NDArray[np.int64]


def shells(triangles: NDArray[np.float64]) -> Ints:
    """Labels (N,) from 0 upward: triangles (N, 3, 3) with one label hang together by shared corners.

    Shells are numbered in the order in which their first triangle stands. Corners are shared where their
    coordinates are the same numbers.
    """
    if len(triangles) == 0:
        return np.zeros(0, dtype=np.int64)
    corners, count = corner_numbers(triangles)
    root = connected(count, corners[:, [0, 1]].reshape(-1), corners[:, [1, 2]].reshape(-1))[corners[:, 0]]
    _, first, label = np.unique(root, return_index=True, return_inverse=True)
    rank = np.empty(len(first), dtype=np.int64)
    rank[np.argsort(first)] = np.arange(len(first))
    return rank[label.reshape(-1)]


def connected(count: int, a: Ints, b: Ints) -> Ints:
    """For each of ``count`` nodes the smallest node that it hangs together with through links a[k]-b[k].

    Every round hooks each tree on the smallest neighbour of any of its nodes and then flattens the trees
    by pointer jumping, so the rounds grow with the logarithm of the longest chain.
    """
    root = np.arange(count, dtype=np.int64)
    while True:
        ra, rb = root[a], root[b]
        apart = ra != rb
        if not apart.any():
            return root
        a, b, ra, rb = a[apart], b[apart], ra[apart], rb[apart]
        low = np.minimum(ra, rb)
        np.minimum.at(root, np.maximum(ra, rb), low)
        while True:
            further = root[root]
            if np.array_equal(further, root):
                break
            root = further


@record
class Edges:
    """The edges of a set of facets; an edge that joins a corner with itself is none.

    Attributes (E different edges; U uses of an edge by a facet, sorted by edge):
        uses: (E,) how many facets use the edge.   facet, side: (E,) the first facet that does, and with
            which of its sides (0, 1, 2).
        use_facet: (U,) facet of each use.   use_forward: (U,) bool, in which direction it is used.
        use_start: (E,) where each edge's uses begin.
    """

    uses: Ints
    facet: Ints
    side: Ints
    use_facet: Ints
    use_forward: NDArray[np.bool_]
    use_start: Ints

    @property
    def odd(self) -> NDArray[np.bool_]:
        """(E,) bool: edges that an odd number of facets use."""
        return np.asarray(self.uses % 2 == 1)


def edges_of(triangles: NDArray[np.float64]) -> Edges:
    """The edges of ``triangles`` (N, 3, 3)."""
    corners, count = corner_numbers(triangles)
    a = corners.reshape(-1)
    b = corners[:, [1, 2, 0]].reshape(-1)
    use = np.flatnonzero(a != b)
    a, b = a[use], b[use]
    name = np.minimum(a, b) * count + np.maximum(a, b)
    order = np.argsort(name, kind="stable")
    name = name[order]
    start = np.flatnonzero(np.diff(name, prepend=-1))
    use = use[order]
    return Edges(
        uses=np.diff(start, append=len(name)),
        facet=use[start] // 3,
        side=use[start] % 3,
        use_facet=use // 3,
        use_forward=(a < b)[order],
        use_start=start,
    )


def boundary(
    triangles: NDArray[np.float64], edges: Edges
) -> tuple[int, float, NDArray[np.float64], NDArray[np.float64], int]:
    """Of the edges that an odd number of facets use: how many, their length in mm, both ends of the first
    (in file order) and how many facets use that one. There must be one at least.

    Args:
        triangles: (N, 3, 3), mm.   edges: theirs, by ``edges_of``.
    """
    odd = np.flatnonzero(edges.odd)
    facet, side = edges.facet[odd], edges.side[odd]
    a, b = triangles[facet, side], triangles[facet, (side + 1) % 3]
    first = int(np.argmin(facet * 3 + side))
    length = float(np.linalg.norm(b - a, axis=1).sum())
    return len(odd), length, a[first], b[first], int(edges.uses[odd[first]])


def turned_to_agree(facets: int, edges: Edges) -> NDArray[np.bool_] | None:
    """(facets,) bool: the facets to turn so that every edge is used as often one way as the other.

    Two facets that share an edge (of two facets) agree if they use it in opposite directions. Each facet
    stands twice in a graph, as it is and turned, and agreeing pairs are linked; a facet that hangs
    together with its own turned self cannot be wound rightly (a Moebius strip, say). Of each shell the
    smaller part is turned. Returns None where it cannot be done.

    Args:
        facets: how many there are.   edges: theirs, by ``edges_of``.
    """
    pair = edges.use_start[edges.uses == 2]
    f, g = edges.use_facet[pair], edges.use_facet[pair + 1]
    against = (edges.use_forward[pair] == edges.use_forward[pair + 1]).astype(np.int64)
    a = np.concatenate([2 * f, 2 * f + 1])
    b = np.concatenate([2 * g + against, 2 * g + 1 - against])
    root = connected(2 * facets, a, b).reshape(facets, 2)
    if (root[:, 0] == root[:, 1]).any():
        return None
    turned = root[:, 0] > root[:, 1]
    shell = root.min(axis=1)
    _, shell = np.unique(shell, return_inverse=True)
    shell = shell.reshape(-1)
    most = np.bincount(shell, weights=turned) * 2 > np.bincount(shell)
    turned = turned ^ most[shell]
    forward = edges.use_forward ^ turned[edges.use_facet]
    balance = np.add.reduceat(np.where(forward, 1, -1), edges.use_start) if len(forward) else np.zeros(0)
    return None if balance.any() else turned


def welded(
    triangles: NDArray[np.float64], edges: Edges, reach: float
) -> tuple[NDArray[np.float64], float] | None:
    """Facets whose corners on open edges are one where they lie within ``reach`` (mm) of each other.

    Corners are linked if they share a cell of 2 ``reach`` in any of eight grids shifted by half a cell
    (so all within ``reach`` are), and all that hang together move to the first of them.

    Args:
        triangles: (N, 3, 3), mm.   edges: theirs, by ``edges_of``.   reach: mm.

    Returns:
        The facets (N, 3, 3) and how far the farthest corner moved (mm); None where no corner would move,
        or one would move farther than 4 ``reach`` along a chain of links.
    """
    corners, count = corner_numbers(triangles)
    points = np.empty((count, 3))
    points[corners.reshape(-1)] = triangles.reshape(-1, 3)
    odd = np.flatnonzero(edges.odd)
    facet, side = edges.facet[odd], edges.side[odd]
    rim = np.unique(np.concatenate([corners[facet, side], corners[facet, (side + 1) % 3]]))
    cell = 2.0 * reach
    links: list[NDArray[np.int64]] = []
    for shift in product((0.0, 0.5), repeat=3):
        cells = np.floor(points[rim] / cell + shift).astype(np.int64)
        _, group = np.unique(cells, axis=0, return_inverse=True)
        group = group.reshape(-1)
        first = np.full(group.max() + 1, len(rim), dtype=np.int64)
        np.minimum.at(first, group, np.arange(len(rim)))
        links.append(first[group])
    root = connected(len(rim), np.tile(np.arange(len(rim)), len(links)), np.concatenate(links))
    target = points[rim[root]]
    moved = float(np.linalg.norm(target - points[rim], axis=1).max(initial=0.0))
    if (root == np.arange(len(rim))).all() or moved > 4.0 * reach:
        return None
    points[rim] = target
    return points[corners], moved


__all__ = ["COUNT_SHELLS_UP_TO", "judged", "shells"]

Triangles = NDArray[np.float64]

#: Above this many facets the shells of a sound model are not counted (counting would take as long as all
#: the rest); they are counted all the same where something is wrong with it.
COUNT_SHELLS_UP_TO = 100_000

#: Corners on open edges count as one within this, mm: ten times the rounding of a 32-bit number at 100 mm.
WELD = 1e-4

#: A shift of corners that is not worth a word, mm.
ROUNDING = 1e-9

#: A facet has no area if the sine of its first corner is not above this (1e-10), squared.
_SINE_SQUARED = 1e-20


@record
class _Survey:
    """What one pass over the facets shows."""

    balanced: bool
    volume: float
    flat: int
    facets: Keys


def judged(triangles: Triangles, facet_error: float = 0.0) -> Solid:
    """The solid that ``triangles`` (N, 3, 3), mm and finite, describe, with remarks on what is wrong or odd.

    ``facet_error`` (mm) is passed on. No triangle moves; the order of corners may change, and doubled
    facets may be taken once, both by the rules above and with a remark.
    """
    survey = _survey(triangles)
    remarks: list[Remark] = []
    if survey.flat == len(triangles):
        text = "no facet has any area: distances to its lines are real, but there is no body"
        return Solid(triangles, False, facet_error, (Remark("nothing solid", "note", text),))
    if survey.flat:
        text = f"{_facets(survey.flat)} no area; kept as they are, they change no distance"
        remarks.append(Remark("facets without area", "note", text))
    doubled = _doubled(survey.facets)
    if doubled.any():
        triangles, remark = _without_doubles(triangles, doubled)
        remarks.append(remark)
        survey = _survey(triangles)
    closed = survey.balanced
    if not survey.balanced:
        edges = edges_of(triangles)
        if edges.odd.any():
            mended = _welded(triangles, edges)
            if mended is not None:
                triangles, edges, moved, remark = mended
                if moved > ROUNDING:
                    facet_error += moved
                    remarks.append(remark)
        closed = not edges.odd.any()
        survey = _survey(triangles)
        if not closed:
            remarks.append(_open(triangles, edges))
        elif not survey.balanced:
            triangles, remark = _agreed(triangles, edges)
            remarks.append(remark)
            survey = _survey(triangles)
    if closed and survey.balanced and survey.volume < 0.0:
        text = "the facets are wound inside out; harmless, winding is not trusted"
        remarks.append(Remark("inside out", "note", text))
    if len(triangles) <= COUNT_SHELLS_UP_TO:
        count = int(shells(triangles).max()) + 1
        if count > 1:
            text = f"the model is {count} separate bodies; all of them count, also where one lies in another"
            remarks.append(Remark("several shells", "note", text))
    return Solid(triangles, closed, facet_error, tuple(remarks))


def _survey(triangles: Triangles) -> _Survey:
    """One pass in batches that fit the cache: edge balance, volume (mm3), facets without area, facet keys."""
    n = len(triangles)
    facets = np.empty(n, dtype=np.uint64)
    total = 0
    volume = 0.0
    flat = 0
    origin = triangles[0, 0].reshape(1, 3, 1) if n else np.zeros((1, 3, 1))
    for k in range(0, n, BATCH):
        xyz = columns(triangles[k : k + BATCH])
        p = keys_of_columns(xyz)
        q = second_keys(p)
        np.add(p[0], p[1], out=facets[k : k + BATCH])
        facets[k : k + BATCH] += p[2]
        # f(a,b) + f(b,c) + f(c,a), multiplied out
        turns = (p[0] - p[2]) * (q[1] - q[2]) - (q[0] - q[2]) * (p[1] - p[2])
        total += int(turns.sum(dtype=np.uint64))
        d1, d2 = xyz[1] - xyz[0], xyz[2] - xyz[0]
        normal = np.empty_like(d1)
        for i, j, m in ((0, 1, 2), (1, 2, 0), (2, 0, 1)):
            normal[i] = d1[j] * d2[m] - d1[m] * d2[j]
        size = np.einsum("ij,ij->j", normal, normal)
        bound = np.einsum("ij,ij->j", d1, d1) * np.einsum("ij,ij->j", d2, d2)
        flat += int(np.count_nonzero(size <= _SINE_SQUARED * bound))
        volume += float(np.einsum("ij,ij->", xyz[0] - origin[0], normal)) / 6.0
    return _Survey(total % 2**64 == 0, volume, flat, facets)


def _doubled(facets: Keys) -> NDArray[np.bool_]:
    """(N,) bool: a facet with the same three corners stands earlier in the file; (0,) where there is none."""
    ordered = np.sort(facets)
    if not (ordered[1:] == ordered[:-1]).any():
        return np.zeros(0, dtype=bool)
    _, first = np.unique(facets, return_index=True)
    later = np.ones(len(facets), dtype=bool)
    later[first] = False
    return later


def _without_doubles(triangles: Triangles, doubled: NDArray[np.bool_]) -> tuple[Triangles, Remark]:
    """The facets with doubles taken once, shell by shell, where the rule says so."""
    label = shells(triangles)
    keep = np.ones(len(triangles), dtype=bool)
    once = edges_of(triangles[~doubled])
    odd_once = np.zeros(label.max() + 1, dtype=bool)
    single = np.zeros_like(odd_once)
    of_edge = label[~doubled][once.facet]
    odd_once[of_edge[once.odd]] = True
    single[of_edge[once.uses == 1]] = True
    has_doubles = np.zeros_like(odd_once)
    has_doubles[label[doubled]] = True
    drop_in = has_doubles & (~odd_once | single)
    keep[doubled & drop_in[label]] = False
    dropped = int(np.count_nonzero(~keep))
    count = int(np.count_nonzero(doubled))
    if dropped == count:
        what = "taken once each"
    elif dropped == 0:
        what = "kept, as a wall between two bodies"
    else:
        what = f"{dropped} of them taken once, the others kept as walls between two bodies"
    verb = "facet stands" if count == 1 else "facets stand"
    return triangles[keep], Remark("doubled facets", "note", f"{count} {verb} a second time; {what}")


def _welded(triangles: Triangles, edges: Edges) -> tuple[Triangles, Edges, float, Remark] | None:
    """The facets with hairline cracks shut, their edges and how far a corner moved; None if that fails."""
    mended = welded(triangles, edges, WELD)
    if mended is None:
        return None
    edges = edges_of(mended[0])
    if edges.odd.any():
        return None
    text = (
        f"hairline cracks: corners up to {mended[1]:.1e} mm apart were taken as one, "
        "which counts as an error of the model"
    )
    return mended[0], edges, mended[1], Remark("hairline cracks", "note", text)


def _agreed(triangles: Triangles, edges: Edges) -> tuple[Triangles, Remark]:
    """The same facets, turned to agree on outside where that can be done."""
    turned = turned_to_agree(len(triangles), edges)
    if turned is None:
        text = "facets disagree about which side is outside, and cannot be made to agree"
    else:
        triangles = triangles.copy()
        triangles[turned] = triangles[turned][:, ::-1]
        text = f"{_facets(int(turned.sum()), 'was', 'were')} wound against the others; read as if wound alike"
    return triangles, Remark("inconsistent winding", "note", f"{text}; no distance depends on it")


def _open(triangles: Triangles, edges: Edges) -> Remark:
    """What to say about a surface that does not close."""
    count, length, a, b, uses = boundary(triangles, edges)
    ends = " to ".join("(" + ", ".join(f"{c:.6g}" for c in end) + ")" for end in (a, b))
    where = "one facet only" if uses == 1 else f"{uses} facets"
    edge_word = "edge is" if count == 1 else "edges are"
    return Remark(
        "open edges",
        "note",
        f"the surface is open: {count} {edge_word} not shared by facets in pairs ({length:.6g} mm in all; "
        f"the first, {ends} mm, belongs to {where}); distances to it are real, but its inside is not known",
    )


def _facets(count: int, one: str = "has", many: str = "have") -> str:
    """ "1 facet has" or "7 facets have"."""
    return f"1 facet {one}" if count == 1 else f"{count} facets {many}"
