"""An open surface goes in; out come the same facets with corners that are one but for rounding made one.

A CAD system that writes one corner as 0 here and as 3e-17 there leaves a crack that no eye and no machine
ever sees, and yet the surface does not close. Only corners on open edges are looked at, since a corner
that is split leaves open edges on both sides of the crack.
"""

from __future__ import annotations

from itertools import product

import numpy as np
from numpy.typing import NDArray

from clearance.solids.edges import Edges
from clearance.solids.keys import corner_numbers
from clearance.solids.shells import connected


def welded(
    triangles: NDArray[np.float64], edges: Edges, reach: float
) -> tuple[NDArray[np.float64], float] | None:
    """Facets whose corners on open edges are one where they lie within ``reach`` (mm) of each other.

    Corners are linked if they share a cell of 2 ``reach`` in any of eight grids shifted by half a cell
    (so all within ``reach`` are), and all that hang together move to the first of them.

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
