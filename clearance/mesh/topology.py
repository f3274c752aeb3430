"""Topology of a triangle soup: corners compared as whole numbers, edges, shells, and what welding joins.

Corners are hashed to 64-bit keys, so that finding equal ones is a sort of integers; shells are the
connected components over shared corners (union-find).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

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
    """
    return np.ascontiguousarray(triangles.reshape(-1, 9).T).reshape(3, 3, -1) + 0.0


def keys_of_columns(xyz: NDArray[np.float64]) -> Keys:
    """Keys (3, N) of the corners of a batch that ``columns`` made."""
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
    """The same corners as numbers from 0: (N, 3) int, and how many different ones there are."""
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


@dataclass(frozen=True)
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
