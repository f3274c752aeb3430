"""Triangles go in; a label comes out for each that says which shell it belongs to.

A shell is a maximal set of triangles that hang together by shared corners.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clearance.solids.keys import corner_numbers

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
