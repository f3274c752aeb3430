"""Triangles go in; their edges come out, each with how often and in which directions facets use it.

Exact and slow (a few tenths of a second for a million facets): called only where the quick sum of
``trust.py`` says that something is wrong, to say what.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.solids.keys import corner_numbers
from clearance.solids.shells import connected

Ints = NDArray[np.int64]


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
        return self.uses % 2 == 1


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
    (in file order) and how many facets use that one. There must be one at least."""
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
