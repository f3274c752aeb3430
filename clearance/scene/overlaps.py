"""Overlaps: bodies as they stand go in; findings come out where two items cut into each other, and how deep.

Broad phase by bounding boxes; narrow phase by intersecting shells as solids, or, where one has very many
facets, by how deep points of one stand in the other.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Iterable, Sequence
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import AabbSet, boxes_of, neighbours
from clearance.geometry.facets import cross, lengths, normals
from clearance.mesh.topology import corner_numbers, shells
from clearance.scene.model import Body, Finding
from fixtures_lib.holder import between

Array = NDArray[np.float64]

#: corners that agree to so many digits of a mm are one
DIGITS = 7
#: points at which the depth is looked for
POINTS = 400
#: what is thinner all over is the rounding of faces that touch, mm
FILM = 0.005
#: what fills so much of its convex hull does not bend round
PLUMP = 0.7
#: faces across which the width is looked for, the largest
FACES = 500
#: point-triangle pairs handled at a time
BATCH = 50_000
#: corners, evenly picked, that say how far a point is at most; boxes looked into before the others
CORNERS, FIRST = 300, 8
#: triangles that are held against a point before the others
FEW = 16


class Shell:
    """One closed shell where it stands: its triangles and their boxes, and the solid when it is asked for."""

    def __init__(self, triangles: Array, sunk: bool, aabbs: AabbSet | None = None) -> None:
        self.triangles, self.sunk = triangles, sunk
        self._aabbs = AabbSet(*boxes_of(triangles)) if aabbs is None else aabbs
        self.low, self.high = self._aabbs.box
        self.whole, self._reach = self, (self.low, self.high)

    def near(self, low: Array, high: Array) -> Array:
        """Of all its facets those whose boxes meet a box.

        Args:
            low, high: corners (3,) of the box, mm, machine frame.
        """
        first, last = self._reach
        one = self if (first <= low).all() and (high <= last).all() else self.whole
        return one.triangles[one._aabbs.meeting(low, high)]

    def column(self, low: Array, high: Array) -> Shell:
        """Of its facets those that meet a box or stand over it; box and all facets are still known.

        Args:
            low, high: corners (3,) of the box, machine frame, mm.
        """
        some, top = copy.copy(self), np.array([high[0], high[1], np.inf])
        rows = self._aabbs.meeting(low, top)
        some.triangles, some._reach = self.triangles[rows], (low, top)
        some._aabbs = AabbSet(self._aabbs.low[rows], self._aabbs.high[rows])
        return some

    @cached_property
    def solid(self) -> Any:
        """A ``manifold3d.Manifold``; None where the triangles are no solid."""
        return solid_of(self.triangles)


def shells_of(body: Body) -> list[Shell]:
    """The shells of a closed body, machine frame, mm."""
    rounded = np.round(body.triangles_M, DIGITS) + 0.0
    if body.shells:
        parts = np.split(rounded, np.cumsum(body.shells)[:-1])
    else:
        label = shells(rounded)
        order = np.argsort(label, kind="stable")
        parts = np.split(rounded[order], np.cumsum(np.bincount(label))[:-1])
    return [Shell(part, k in body.sunk) for k, part in enumerate(parts)]


def solid_of(triangles: Array) -> Any:
    """A ``manifold3d.Manifold`` of triangles that close, whichever way round they are wound; or None."""
    import manifold3d

    faces, count = corner_numbers(triangles)
    corners = np.empty((count, 3))
    corners[faces.reshape(-1)] = triangles.reshape(-1, 3)
    a, b, c = faces.T
    faces = faces[(a != b) & (b != c) & (c != a)]
    p, q, r = (corners[faces[:, k]] - corners[0] for k in range(3))
    if float(np.einsum("ij,ij->", p, np.cross(q, r))) < 0.0:
        faces = faces[:, ::-1]
    solid = manifold3d.Manifold(manifold3d.Mesh64(corners, np.ascontiguousarray(faces.astype(np.uint64))))
    return None if solid.status() != manifold3d.Error.NoError or solid.is_empty() else solid


def depth(a: Shell, b: Shell) -> float:
    """How deep two solids stand in each other, mm; 0 where they do not, or only touch.

    Of several pieces that they share, the deepest counts.

    Args:
        a, b: two shells, machine frame, mm.
    """
    shared = a.solid ^ b.solid
    return max((_thickness(piece, a, b) for piece in shared.decompose()), default=0.0)


def _thickness(shared: Any, a: Shell, b: Shell) -> float:
    """The depth in one connected piece of what two solids share."""
    sheet = 2.0 * shared.volume() / max(shared.surface_area(), 1e-12)
    if sheet < FILM:
        return float(max(sheet, 0.0))
    hull = shared.hull()
    if shared.volume() >= PLUMP * hull.volume():
        return _width(hull)
    # each facet in n * n, so that there are points in the middle of large ones
    n = min(max(round(math.sqrt(2 * POINTS / shared.num_tri())), 1), 12)
    points = np.asarray(shared.refine(n).to_mesh64().vert_properties)[:, :3]
    points = points[:: -(-len(points) // (2 * POINTS))]
    return float(max(sheet, *(farthest(points, s.triangles) for s in (a, b))))


def _width(hull: Any) -> float:
    """The width of a convex body across its faces, where it is least, mm."""
    mesh = hull.to_mesh64()
    corners = np.asarray(mesh.vert_properties)[:, :3]
    t = corners[np.asarray(mesh.tri_verts).astype(np.int64)]
    n = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
    length = np.linalg.norm(n, axis=1)
    largest = np.argsort(-length)[:FACES]
    largest = largest[length[largest] > 1e-9 * length.max()]  # a sliver has no direction
    n = n[largest] / length[largest, None]
    return float(np.ptp(corners @ n.T, axis=0).min())


def farthest(points: Array, triangles: Array, least: float = 0.0) -> float:
    """The largest of the distances of points (N, 3) to the nearest of triangles (T, 3, 3) each, mm; what is
    ``least`` or less need not be exact.

    Branch and bound: a point no farther from some corner than the largest distance had so far is passed over,
    and of the triangles what lies in boxes farther than one already met.
    """
    aabbs = AabbSet(*boxes_of(triangles))
    corners = triangles[:: -(-len(triangles) // CORNERS), 0]
    near = np.concatenate(
        [
            np.linalg.norm(points[k : k + CORNERS, None] - corners, axis=2).min(axis=1)
            for k in range(0, len(points), CORNERS)
        ]
    )
    found = least
    for k in np.argsort(-near):
        if near[k] <= found:
            break
        found = max(found, _nearest(points[k], triangles, aabbs, float(near[k]), found))
    return found


def _nearest(p: Array, triangles: Array, aabbs: AabbSet, most: float, least: float) -> float:
    """The distance of a point (3,) to the nearest of the triangles, known to be ``most`` at most; what is
    ``least`` or less need not be exact."""
    low, high = aabbs.coarse
    apart = _to_boxes(p, low, high)
    first = np.argpartition(apart, min(FIRST, len(apart) - 1))[:FIRST]
    tried = np.zeros(len(apart), dtype=bool)
    tried[first] = True
    for some in (tried, ~tried & (apart <= most)):
        if most <= least:
            break
        rows = aabbs.inside(some & (apart <= most))
        boxed = _to_boxes(p, aabbs.low[rows], aabbs.high[rows])
        order = np.argsort(boxed)
        rows, boxed = rows[order], boxed[order]
        # a few of the nearest first: of a point at a face these are all
        begin, many = 0, FEW
        while begin < len(rows) and boxed[begin] <= most and most > least:
            here = triangles[rows[begin : begin + many]]
            most = min(most, float(_to_triangles(np.broadcast_to(p, (len(here), 3)), here).min()))
            begin, many = begin + many, BATCH
    return most


def _to_boxes(p: Array, low: Array, high: Array) -> Array:
    """Distances (N,) of a point (3,) to boxes with corners (N, 3)."""
    square = np.zeros(len(low))
    for k in range(3):
        off = np.maximum(np.maximum(low[:, k] - p[k], p[k] - high[:, k]), 0.0)
        square += off * off
    return np.asarray(np.sqrt(square))


def _to_triangles(p: Array, triangles: Array) -> Array:
    """Distances (P,) of points to triangles, one each: to the plane where the foot lies within, else to an
    edge."""
    n = normals(triangles)
    length = lengths(n)
    n = n / np.where(length > 0.0, length, 1.0)[:, None]
    best = np.full(len(p), np.inf)
    inside = length > 0.0
    for k in range(3):
        along, rel = triangles[:, (k + 1) % 3] - triangles[:, k], p - triangles[:, k]
        inside &= np.einsum("ij,ij->i", rel, cross(n, along)) >= 0.0
        square = np.einsum("ij,ij->i", along, along)
        share = np.einsum("ij,ij->i", rel, along) / np.where(square > 0.0, square, 1.0)
        foot = np.clip(share, 0.0, 1.0)[:, None] * along
        best = np.minimum(best, lengths(rel - foot))
    return np.where(inside, np.abs(np.einsum("ij,ij->i", p - triangles[:, 0], n)), best)


#: points on each of the two
SAMPLES = 300
#: a shell need not have its facets farther than this from the other one's box, nor those below it, mm
NEAR = 2.0
#: of these, so many are measured that may be the deepest
DEEPEST = 30


def depth_at_points(a: Shell, b: Shell) -> float:
    """How deep two shells stand in each other, mm, a little too small at most; ``NOTICED`` or less where they
    only touch.

    Of a shell with very many facets the ``column`` over the other one's box, grown by ``NEAR``, is enough.
    The depth is the distance from the deepest point in the other's metal to where the metal ends.

    Args:
        a, b: two shells, machine frame, mm.
    """
    low, high = np.maximum(a.low, b.low), np.minimum(a.high, b.high)
    deepest = 0.0
    for mine, theirs in ((a, b), (b, a)):
        points = _spread(_cut_to(mine, low, high), SAMPLES)
        inside = points[crossed(points, theirs.near(low, np.array([high[0], high[1], np.inf])))]
        if len(inside):
            deepest = max(deepest, _depth(inside, theirs))
    return deepest


def _depth(points: Array, shell: Shell) -> float:
    """The largest distance of points within a shell to its surface, mm, ``NOTICED`` at least; farther facets
    are looked at last."""
    found = NOTICED
    for reach in (NEAR, 20.0, 200.0, np.inf):
        low, high = points.min(axis=0) - reach, points.max(axis=0) + reach
        near = shell.near(low, high)
        if len(near):
            # the deepest are among those far from some corners of it
            corners = near[:: -(-len(near) // SAMPLES), 0]
            far = np.linalg.norm(points[:, None] - corners, axis=2).min(axis=1)
            found = farthest(points[np.argsort(-far)[:DEEPEST]], near, NOTICED)
            if found <= reach:
                break
    return found


def _cut_to(shell: Shell, low: Array, high: Array) -> Array:
    """What of a shell's triangles lies in a box."""
    triangles = shell.near(low, high)
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


def crossed(points: Array, triangles: Array) -> NDArray[np.bool_]:
    """Whether a ray upward from each point (N, 3) crosses an odd number of the triangles.

    Args:
        points: machine frame, mm.   triangles: (M, 3, 3) of a surface that closes, or of what of it is over.
    """
    odd = np.zeros(len(points), dtype=bool)
    e, f = (triangles[:, k, :2] - triangles[:, 0, :2] for k in (1, 2))
    triangles = triangles[e[:, 0] * f[:, 1] != e[:, 1] * f[:, 0]]  # no ray crosses an upright one
    triangles = triangles[neighbours(triangles)]
    aabbs = AabbSet(*boxes_of(triangles[:, :, :2]))
    n, m = aabbs.holding(points[:, :2])
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


#: less than this is touching: facets of round things, and lengths typed with two digits (mm)
NOTICED = 0.05
#: shells of more facets are not intersected, which would take too long: they are looked at in points
LARGEST = 20_000


def overlap_findings(bodies: Sequence[Body], together: Iterable[Sequence[int]]) -> list[Finding]:
    """Items that cut into each other, or into the machine, by more than ``NOTICED``, with the depth.

    A screw's end that is meant to be sunk does not count, save in a part that its holder does not stand on.
    Where no part is concerned and one of the two is a model or plain shape of the user's own, whose screws
    nobody knows, it is a note; so it is of a holder in the machine, which is described generously.

    Args:
        together: indices of the bodies that are there at one time; each of them is looked at.
    """
    items = [k for k, body in enumerate(bodies) if body.item is not None or body.kind == "machine"]
    boxes = np.array([bodies[k].aabbs.box for k in items]).reshape(-1, 2, 3)
    low, high = boxes[:, 0], boxes[:, 1]
    rows = [set(each) for each in together]
    shells: dict[int, list[Shell]] = {}
    findings = []
    for n, a in enumerate(items):
        shared = np.minimum(high[n], high[n + 1 :]) - np.maximum(low[n], low[n + 1 :])
        for b in (items[n + 1 + int(k)] for k in np.flatnonzero((shared > NOTICED).all(axis=1))):
            if not any(a in row and b in row for row in rows):
                continue
            # the part first
            i, j = (b, a) if bodies[a].kind != "part" and bodies[b].kind == "part" else (a, b)
            one, other = bodies[i], bodies[j]
            if one.kind == other.kind == "machine" or not (one.closed and other.closed):
                continue
            for k in (i, j):
                if k not in shells:
                    body = bodies[k]
                    fine = len(body.triangles_M) > LARGEST and not body.shells
                    shells[k] = [Shell(body.triangles_M, False, body.aabbs)] if fine else shells_of(body)
            findings += _pair(bodies, one, other, shells[i], shells[j])
    return findings


def _pair(
    bodies: Sequence[Body], one: Body, other: Body, ours: Sequence[Shell], theirs: Sequence[Shell]
) -> list[Finding]:
    """The finding about two items, if they cut into each other."""
    deepest, broken = 0.0, False
    ours, theirs = _narrowed(ours, theirs), _narrowed(theirs, ours)
    for a in ours:
        for b in theirs:
            if (np.minimum(a.high, b.high) - np.maximum(a.low, b.low)).min() <= NOTICED:
                continue
            if (a.sunk and _may_sink(bodies, one, other)) or (b.sunk and _may_sink(bodies, other, one)):
                continue
            if max(len(a.whole.triangles), len(b.whole.triangles)) > LARGEST:
                deepest = max(deepest, depth_at_points(a, b))
                continue
            if a.solid is None or b.solid is None:
                broken = True
                continue
            deepest = max(deepest, depth(a, b))
    ours_too = one.library is not None and other.library is not None
    severity = "close" if one.kind == "part" or ours_too else "note"
    one, other = _which_into_which(bodies, one, other)
    if deepest > NOTICED:
        message = f'cuts {deepest:.2f} mm deep into "{other.name}"'
        return [Finding("overlap", severity, message, item=one.name)]
    if broken:
        message = f'whether it cuts into "{other.name}" cannot be told: a surface crosses itself'
        return [Finding("overlap", "note", message, item=one.name)]
    return []


def _which_into_which(bodies: Sequence[Body], one: Body, other: Body) -> tuple[Body, Body]:
    """Two that cut into each other, the one first of which a setter says that it cuts into the other: what
    stands on the other, else a part, else the smaller one."""
    if _stands_on(bodies, other, one):
        return other, one
    if one.kind == "part" or other.kind == "machine" or _stands_on(bodies, one, other):
        return one, other
    size, other_size = (float(np.prod(np.subtract(b.aabbs.box[1], b.aabbs.box[0]))) for b in (one, other))
    return (other, one) if other_size < size * (1.0 - 1e-9) else (one, other)


def _stands_on(bodies: Sequence[Body], body: Body, below: Body) -> bool:
    """Whether a body stands on another one, directly or by way of others."""
    by_name = {each.name: each for each in bodies}
    under = body.stands_on
    while under is not None and under != below.name:
        under = by_name[under].stands_on
    return under is not None


def _narrowed(shells: Sequence[Shell], others: Sequence[Shell]) -> list[Shell]:
    """The shells, those of very many facets only as far as the others can meet them."""
    low = np.min([shell.low for shell in others], axis=0) - NEAR
    high = np.max([shell.high for shell in others], axis=0) + NEAR
    return [s if len(s.triangles) <= LARGEST else s.column(low, high) for s in shells]


def _may_sink(bodies: Sequence[Body], holder: Body, into: Body) -> bool:
    """Whether the holder's sunk screws may go into a body: any but a part, or a part that it stands on."""
    if into.kind != "part":
        return True
    return _stands_on(bodies, holder, into)
