"""Two closed shells, one of very many facets, go in; how deep one stands in the other at points comes out.

Points are spread over the surface of each, where their boxes overlap, from a fixed start, so that the answer
is the same every time. Inside is told by the facets that a ray upward crosses; a point spread at random meets
no edge.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.crowd import Crowd, boxes_of
from clearance.setup.metal import Shell, distances
from fixtures_lib.fitting import between

Array = NDArray[np.float64]

#: points on each of the two
POINTS = 300
#: a shell need not have its facets farther than this from the other one's box, nor those below it, mm
NEAR = 2.0
#: of these, so many are measured that may be the deepest
DEEPEST = 30


def depth_at_points(a: Shell, b: Shell) -> float:
    """How deep two shells stand in each other, mm, a little too small at most; 0 where they only touch.

    Of a shell with very many facets the ``column`` over the other one's box, grown by ``NEAR``, is enough.
    The depth is the distance from the deepest point in the other's metal to where the metal ends.
    """
    low, high = np.maximum(a.low, b.low), np.minimum(a.high, b.high)
    deepest = 0.0
    for mine, theirs in ((a, b), (b, a)):
        points = _spread(_cut_to(mine.triangles, low, high), POINTS)
        column = _meeting(theirs.triangles, low, np.array([high[0], high[1], np.inf]))
        inside = points[_crossed(points, column)]
        if len(inside):
            deepest = max(deepest, _depth(inside, theirs))
    return deepest


def _depth(points: Array, shell: Shell) -> float:
    """The largest distance of points within a shell to its surface, mm; farther facets are looked at last."""
    found = 0.0
    for reach in (NEAR, 20.0, 200.0, np.inf):
        triangles = shell.triangles if reach <= NEAR else shell.whole.triangles
        near = _meeting(triangles, points.min(axis=0) - reach, points.max(axis=0) + reach)
        if len(near):
            # the deepest are among those far from some corners of it
            corners = near[:: -(-len(near) // POINTS), 0]
            far = np.linalg.norm(points[:, None] - corners, axis=2).min(axis=1)
            found = float(distances(points[np.argsort(-far)[:DEEPEST]], near).max())
            if found <= reach:
                break
    return found


def _meeting(triangles: Array, low: Array, high: Array) -> Array:
    """The triangles whose boxes meet a box."""
    for axis in (2, 0, 1):
        a, b, c = (triangles[:, k, axis] for k in range(3))
        lows, highs = np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)
        triangles = triangles[(highs >= low[axis]) & (lows <= high[axis])]
    return triangles


def _cut_to(triangles: Array, low: Array, high: Array) -> Array:
    """What of the triangles lies in a box."""
    triangles = _meeting(triangles, low, high)
    for axis in range(3):
        triangles = between(triangles, axis, float(low[axis]), float(high[axis]))
    return triangles


def _spread(triangles: Array, count: int) -> Array:
    """So many points (N, 3) on triangles, by their areas; none where there is no area."""
    rng = np.random.default_rng(1)
    a, b, c = (triangles[:, k] for k in range(3))
    area = np.linalg.norm(np.cross(b - a, c - a), axis=1)
    if not area.sum() > 0.0:
        return np.empty((0, 3))
    which = rng.choice(len(triangles), count, p=area / area.sum())
    s, t = rng.random((2, count, 1))
    s, t = np.where(s + t > 1.0, 1.0 - s, s), np.where(s + t > 1.0, 1.0 - t, t)
    return np.asarray(a[which] + s * (b - a)[which] + t * (c - a)[which])


def _crossed(points: Array, triangles: Array) -> NDArray[np.bool_]:
    """Whether a ray upward from each point crosses an odd number of the triangles."""
    odd = np.zeros(len(points), dtype=bool)
    e, f = (triangles[:, k, :2] - triangles[:, 0, :2] for k in (1, 2))
    triangles = triangles[e[:, 0] * f[:, 1] != e[:, 1] * f[:, 0]]  # no ray crosses an upright one
    crowd = Crowd(*boxes_of(triangles[:, :, :2]))
    n, m = crowd.holding(points[:, :2])
    t, point = triangles[m], points[n]
    p = t[:, :, :2] - point[:, None, :2]
    q = p[:, (1, 2, 0)]
    side = p[..., 0] * q[..., 1] - p[..., 1] * q[..., 0]
    round_ = (side > 0.0).all(axis=1) | (side < 0.0).all(axis=1)
    t, point, n = t[round_], point[round_], n[round_]
    normal = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
    over = np.einsum("ij,ij->i", normal, t[:, 0] - point) / normal[:, 2]
    np.logical_xor.at(odd, n[over > 0.0], True)
    return odd
