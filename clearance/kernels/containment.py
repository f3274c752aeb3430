"""Containment by winding number: an envelope and a body whose surfaces do not meet go in; whether one lies
inside the other comes out.

Where the surfaces do not meet, one point of each connected part decides. What a piece sweeps along an
unbroken run is connected, so one point of each will do; a body is tested shell by shell. The rules
for models that lie:

- A point is inside a closed body when it is inside any one of its shells, by the signed count of facets
  above it or by the odd number of different heights at which they are: inside-out shells, doubled facets
  and overlapping shells all count as solid, and a void inside a body counts as solid too. Where facets of a
  shell face different ways they are turned to agree first; where that cannot be done, a point that the shell
  may hold is one that is undecided, unless there is a straight way out on which nothing is met.
- Of an open body only its surface is a fact. A point is taken to be outside where the surface closes less
  than a tenth of the way around it and no line along an axis meets it an odd number of times; else it is
  undecided.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import AabbSet
from clearance.geometry.transforms import extent
from clearance.mesh.topology import (
    Edges,
    connected,
    edges_of,
    shells,
    turned_to_agree,
)
from clearance.records import record
from clearance.scene.heads import HeadPiece
from clearance.tolerances import DEFAULT, FclTolerances

Array = NDArray[np.float64]
#: a path as polylines (n+1, 2), and how far each may lie from it
Runs = Sequence[tuple[Array, float]]

#: along the way through an open body it is asked about this many times across the body, and no more often
#: than this many facets in all allow
_STEPS = 60
_ASKED = 4_000_000
#: of a shell so many facets at most are asked whether a head holds it
_ASKED_OF = 16
#: a shell that falls into more parts than this is not looked at part by part
_PARTS = 1000


def head_swallows(
    triangles: Array,
    aabbs: AabbSet,
    runs: Runs,
    pieces: Sequence[HeadPiece],
    layer: float = DEFAULT.width,
) -> bool:
    """Whether any shell of ``triangles`` (N, 3, 3) lies inside the envelope. Their surfaces do not meet.

    FCL's envelope stands out over the true one by up to ``layer``: a point that lies so near outside says
    nothing, and more of its shell's are asked; one of them in the true envelope will do.

    Args:
        aabbs: the triangles' boxes.   runs: the path as straight bits, and how far each run may lie off it.
        pieces: of the head.   layer: mm.
    """
    if not runs:
        return False
    p = np.concatenate([points[:-1] for points, _ in runs])
    q = np.concatenate([points[1:] for points, _ in runs])
    deviation = max(d for _, d in runs)
    path_low, path_high = extent(np.minimum(p, q), np.maximum(p, q))
    for piece in pieces:
        reach = float(piece.r.max()) + deviation
        x0, x1, y0, y1 = piece.rect
        first = np.array([path_low[0] + x0 - reach, path_low[1] + y0 - reach, piece.z[0]])
        last = np.array([path_high[0] + x1 + reach, path_high[1] + y1 + reach, piece.z[-1]])
        within = aabbs.within(first, last)
        if not len(within):
            continue
        label = shells(triangles[within])
        _, one, of = np.unique(label, return_index=True, return_inverse=True)
        out = _out_of(triangles[within[one], 0], p, q, piece) - deviation
        if (out <= 0.0).any():
            return True
        for shell in np.flatnonzero(out <= layer):
            rows = within[of == shell]
            some = triangles[rows[:: -(-len(rows) // _ASKED_OF)]]
            points = np.concatenate([some.reshape(-1, 3), some.mean(axis=1)])
            if (_out_of(points, p, q, piece) <= deviation).any():
                return True
    return False


def _out_of(points: Array, p: Array, q: Array, piece: HeadPiece) -> Array:
    """How far (N,) points (N, 3) at a piece's heights lie beside what it sweeps along the bits p-q, mm; 0 and
    less: in it."""
    return _distance_to_path(points[:, :2], p, q, piece.rect) - np.interp(points[:, 2], piece.z, piece.r)


def _distance_to_path(points: Array, p: Array, q: Array, rect: tuple[float, ...]) -> Array:
    """Distance (N,) from each point to what a rectangle covers that slides along the bits p-q."""
    low, high = np.array([rect[0], rect[2]]), np.array([rect[1], rect[3]])
    best = np.full(len(points), np.inf)
    for i, x in enumerate(points):
        best[i] = np.sqrt(_bits_squared(x, p, q, low, high).min())
    return best


def _bits_squared(x: Array, p: Array, q: Array, low: Array, high: Array) -> Array:
    """Squared distance (n,) of the rectangle about a point of each bit, at its nearest, to x (2,).

    Along a bit the distance to the rectangle is convex: candidates are the bit's ends, the places where a
    side of the rectangle comes level with x, and the nearest places to its corners.
    """
    d = q - p
    length2 = (d * d).sum(axis=1)
    shares = [np.zeros(len(p)), np.ones(len(p))]
    with np.errstate(divide="ignore", invalid="ignore"):
        for axis in (0, 1):
            for side in (low, high):
                shares.append((x[axis] - side[axis] - p[:, axis]) / d[:, axis])
        for cx in (low[0], high[0]):
            for cy in (low[1], high[1]):
                shares.append(((x - np.array([cx, cy]) - p) * d).sum(axis=1) / length2)
    best = np.full(len(p), np.inf)
    for share in shares:
        t = np.clip(np.nan_to_num(share, nan=0.0, posinf=1.0, neginf=0.0), 0.0, 1.0)
        off = x - (p + t[:, None] * d)
        off = off - np.clip(off, low, high)
        np.minimum(best, (off * off).sum(axis=1), out=best)
    return best


def body_swallows(
    triangles: Array,
    aabbs: AabbSet,
    closed: bool,
    runs: Runs,
    pieces: Sequence[HeadPiece],
    tolerances: FclTolerances = DEFAULT.fcl,
) -> bool | None:
    """Whether any of the pieces lies inside the body; None: undecided.

    Their surfaces do not meet, so one point of each piece on each unbroken run decides, if the body is
    closed. Into an open one a head may come by the hole, so it is asked about along the way.

    Args:
        triangles: (N, 3, 3) of the body, mm.   aabbs: about them.   closed: whether its surface is.
        runs: the path as straight bits, and how far each may lie off it, mm, in the same frame.
        pieces: of the head, horizontally relative to the wire.
        tolerances: how far a line must stay from an edge to be believed.
    """
    box_low, box_high = aabbs.box
    boxes = aabbs.low, aabbs.high
    unknown = False
    lines = [points for points, _ in runs]
    step = float(np.linalg.norm(box_high - box_low)) / _STEPS
    most = max(_ASKED // len(triangles), 8)
    starts = (
        [points[0] for points in lines] if closed else _along(lines, step, box_low, box_high, pieces, most)
    )
    for piece, start in ((piece, start) for piece in pieces for start in starts):
        x0, x1, y0, y1 = piece.rect
        point = np.array([start[0] + (x0 + x1) / 2, start[1] + (y0 + y1) / 2, (piece.z[0] + piece.z[-1]) / 2])
        if (point < box_low).any() or (point > box_high).any():
            continue
        answer = holds_point(triangles, boxes, closed, point, tolerances)
        if answer:
            return True
        unknown |= answer is None
    return None if unknown else False


def _along(
    runs: Sequence[Array], step: float, low: Array, high: Array, pieces: Sequence[HeadPiece], most: int
) -> list[Array]:
    """Places of the wire, ``step`` apart, at which some piece is near a box; about ``most`` at most."""
    reach = max(max(abs(x) for x in piece.rect) for piece in pieces) + step
    out = []
    for points in runs:
        way = np.diff(points, axis=0)
        parts = np.maximum(np.ceil(np.hypot(way[:, 0], way[:, 1]) / step), 1).astype(int)
        row = np.repeat(np.arange(len(parts)), parts)
        share = (np.arange(len(row)) - np.repeat(np.cumsum(parts) - parts, parts)) / parts[row]
        places = np.concatenate([points[row] + share[:, None] * way[row], points[-1:]])
        near = ((places >= low[:2] - reach) & (places <= high[:2] + reach)).all(axis=1)
        out.append(places[near])
    places = np.concatenate(out)
    return list(places[:: max(len(places) // most, 1)])


def holds_point(
    triangles: Array,
    boxes: tuple[Array, Array],
    closed: bool,
    point: Array,
    tolerances: FclTolerances = DEFAULT.fcl,
) -> bool | None:
    """Whether a body holds a point (3,) that is not on its surface; None: undecided.

    Args:
        triangles: (N, 3, 3), mm.   boxes: lowest and highest corners (N, 3) of them.
        closed: whether they are a closed surface.   point: in the same frame.
        tolerances: how far a line must stay from an edge to be believed.
    """
    low, high = boxes
    over = (low[:, 0] <= point[0]) & (high[:, 0] >= point[0])
    over &= (low[:, 1] <= point[1]) & (high[:, 1] >= point[1])
    if closed and not ((high[over, 2] >= point[2]).any() and (low[over, 2] <= point[2]).any()):
        return False
    if not closed:
        return _open_body_holds(triangles, point, tolerances)
    closed_by = _Shells(triangles)
    for R in _TURNS:
        answer = _held_along(triangles @ R.T, closed_by, R @ point, tolerances.same_height)
        if answer is not None:
            return answer
    return False if any(_sees_out(triangles @ R.T, R @ point) for R in _TURNS) else None


def _sees_out(triangles: Array, point: Array) -> bool:
    """Whether from the point there is a way out, straight along an axis, on which no facet is met or grazed.

    Then nothing that closes can hold it, whichever way its facets face.
    """
    hair = 1e-9 * max(float(np.abs(triangles).max()), float(np.abs(point).max()), 1.0)
    for axis in range(3):
        i, j = (axis + 1) % 3, (axis + 2) % 3
        x, y, z = triangles[:, :, i] - point[i], triangles[:, :, j] - point[j], triangles[:, :, axis]
        near = (x.min(axis=1) <= hair) & (x.max(axis=1) >= -hair)
        near &= (y.min(axis=1) <= hair) & (y.max(axis=1) >= -hair)
        x, y, z = x[near], y[near], z[near]
        met = np.ones((2, len(x)), dtype=bool)
        for k in range(3):
            dx, dy = x[:, (k + 1) % 3] - x[:, k], y[:, (k + 1) % 3] - y[:, k]
            turn = x[:, k] * dy - y[:, k] * dx
            room = hair * (np.abs(dx) + np.abs(dy) + hair)
            met &= np.stack([turn >= -room, turn <= room])
        z = z[met.any(axis=0)]
        if (z.min(axis=1) > point[axis]).all() or (z.max(axis=1) < point[axis]).all():
            return True
    return False


def _some_turns() -> list[Array]:
    """Turns that leave no usual direction of a model upright: rays along Z meet no edge by design."""
    turns = []
    for a, b in ((0.5772156649, 0.9159655941), (1.2020569031, 0.2614972128), (2.6854520010, 0.6434105462)):
        (ca, sa), (cb, sb) = (np.cos(a), np.sin(a)), (np.cos(b), np.sin(b))
        about_x = np.array([[1, 0, 0], [0, cb, -sb], [0, sb, cb]])
        about_z = np.array([[ca, -sa, 0], [sa, ca, 0], [0, 0, 1]])
        turns.append(about_x @ about_z)
    return turns


_TURNS = _some_turns()


class _Shells:
    """The connected parts of a body's triangles, and which way their facets ought to face."""

    def __init__(self, triangles: Array) -> None:
        self.triangles, self.label = triangles, shells(triangles)
        self._wound: dict[int, _Wound] = {}

    def wound(self, shell: int) -> _Wound:
        if shell not in self._wound:
            rows = np.flatnonzero(self.label == shell)
            self._wound[shell] = _Wound.of(rows, self.triangles[rows])
        return self._wound[shell]


@record
class _Wound:
    """Facets of one shell, by their numbers ``rows`` (n,), rising.

    Attributes:
        turn: (n,) -1 where one is to be turned round.
        part: (n,) those of one part are counted together.
        apart: each part closes by itself, and its facets agree: a count of nothing is nothing.
        sure: a count that is not 0 is a body.
    """

    rows: NDArray[np.intp]
    turn: NDArray[np.int64]
    part: NDArray[np.int64]
    apart: bool
    sure: bool

    @staticmethod
    def of(rows: NDArray[np.intp], triangles: Array) -> _Wound:
        n = len(rows)
        turn = np.ones(n, dtype=np.int64)
        edges = edges_of(triangles)
        part = _parts(n, edges)
        names = np.unique(part)
        apart = len(names) <= _PARTS
        for name in names if apart else ():
            mine = np.flatnonzero(part == name)
            own = edges if len(mine) == n else edges_of(triangles[mine])
            turned = turned_to_agree(len(mine), own) if (own.uses == 2).all() else None
            if turned is None:
                apart = False
                break
            turn[mine[turned]] = -1
        if apart:
            return _Wound(rows, turn, part, True, True)
        turn = np.ones(n, dtype=np.int64)
        return _Wound(rows, turn, np.zeros(n, dtype=np.int64), False, _agree(edges, turn))


def _parts(n: int, edges: Edges) -> NDArray[np.int64]:
    """For each of ``n`` facets a number of its part: what hangs together by edges of two facets.

    Where more facets meet at an edge, those parts that have it twice close there by themselves; if two facets
    are left, they belong together, too: a face may have all its edges in common with other parts.
    """
    pair = edges.use_start[edges.uses == 2]
    a, b = edges.use_facet[pair], edges.use_facet[pair + 1]
    part = connected(n, a, b)
    crowded = np.repeat(edges.uses > 2, edges.uses)
    facet, edge = edges.use_facet[crowded], np.repeat(np.arange(len(edges.uses)), edges.uses)[crowded]
    while len(facet):
        _, of_part, times = np.unique(edge * n + part[facet], return_inverse=True, return_counts=True)
        odd = times[of_part] % 2 == 1
        open_edge, open_facet = edge[odd], facet[odd]
        _, first, left = np.unique(open_edge, return_index=True, return_counts=True)
        first = first[left == 2]
        if not len(first):
            break
        a, b = np.concatenate((a, open_facet[first])), np.concatenate((b, open_facet[first + 1]))
        part = connected(n, a, b)
    return part


def _agree(edges: Edges, turn: NDArray[np.int64]) -> bool:
    """Whether each edge is used as often one way as the other."""
    if not len(edges.use_facet):
        return True
    ways = np.where(edges.use_forward, 1, -1) * turn[edges.use_facet]
    return not np.add.reduceat(ways, edges.use_start).any()


def _held_along(triangles: Array, closed_by: _Shells, point: Array, same: float) -> bool | None:
    """Whether any shell holds the point, by the facets on the line through it; None if it meets an edge, and
    where that is undecided.

    A line that misses all edges goes into a closed shell as often as it comes out.
    """
    column = _column(triangles, point, 2)
    height, upward = _crossings(triangles[column], point, 2)
    above = height > point[2]
    known = True
    for shell in np.unique(closed_by.label[column]):
        of_shell = closed_by.label[column] == shell
        wound = closed_by.wound(int(shell))
        at = np.searchsorted(wound.rows, column[of_shell])
        up = upward[of_shell] * wound.turn[at]
        heights, over = height[of_shell], above[of_shell]
        for part in np.unique(wound.part[at]):
            mine = wound.part[at] == part
            through, count = int(up[mine].sum()), int(up[mine & over].sum())
            if wound.apart:
                if through != 0:
                    return None
                if count != 0:
                    return True
                continue
            if _different(heights[mine], same) % 2 == 1 and (through != 0 or not wound.sure):
                return None
            if _facets(triangles[column[of_shell][mine & over]]) % 2 == 1 or (wound.sure and count != 0):
                return True
            # facets at one height are one, or several that lie in one plane: undecided
            known &= _different(heights[mine & over], same) % 2 == 0
            # and one shell's way in may cancel another's way out
            known &= not (mine & over).any()
    return False if known else None


def _open_body_holds(triangles: Array, point: Array, tolerances: FclTolerances) -> bool | None:
    same = tolerances.same_height
    for axis in range(3):
        column = _column(triangles, point, axis)
        height, _ = _crossings(triangles[column], point, axis)
        above = height > point[axis]
        if _different(height[above], same) % 2 == 1 or _different(height[~above], same) % 2 == 1:
            return None
    return False if abs(_winding(triangles, point)) < tolerances.closing else None


def _column(triangles: Array, point: Array, axis: int) -> NDArray[np.intp]:
    """Triangles that a line through the point along an axis meets (their boxes first, then exactly)."""
    i, j = (axis + 1) % 3, (axis + 2) % 3
    x, y = triangles[:, :, i], triangles[:, :, j]
    near = (x.min(axis=1) <= point[i]) & (x.max(axis=1) >= point[i])
    near &= (y.min(axis=1) <= point[j]) & (y.max(axis=1) >= point[j])
    rows = np.flatnonzero(near)
    x, y = x[rows] - point[i], y[rows] - point[j]
    turn = [x[:, k] * y[:, (k + 1) % 3] - y[:, k] * x[:, (k + 1) % 3] for k in range(3)]
    left = (turn[0] > 0) & (turn[1] > 0) & (turn[2] > 0)
    right = (turn[0] < 0) & (turn[1] < 0) & (turn[2] < 0)
    return np.asarray(rows[left | right])


def _crossings(triangles: Array, point: Array, axis: int) -> tuple[Array, NDArray[np.int64]]:
    """Heights (n,) at which a line through the point meets the triangles, and which way each one faces."""
    i, j = (axis + 1) % 3, (axis + 2) % 3
    x, y, z = triangles[:, :, i] - point[i], triangles[:, :, j] - point[j], triangles[:, :, axis]
    weight = np.stack([x[:, k] * y[:, (k + 1) % 3] - y[:, k] * x[:, (k + 1) % 3] for k in (1, 2, 0)], axis=1)
    total = weight.sum(axis=1)
    height = (weight * z).sum(axis=1) / total
    return height, np.sign(total).astype(np.int64)


def _different(height: Array, same: float) -> int:
    """How many heights there are, those that are closer than ``same`` being one."""
    return int((np.diff(np.sort(height)) > same).sum() + 1) if len(height) else 0


def _facets(triangles: Array) -> int:
    """How many different facets there are, whichever way round and with whichever corner they begin."""
    if not len(triangles):
        return 0
    corners = np.array([sorted(map(tuple, facet)) for facet in triangles.tolist()])
    return len(np.unique(corners.reshape(len(triangles), -1), axis=0))


def _winding(triangles: Array, point: Array) -> float:
    """How far the surface closes around a point: 1 from inside, 0 from far (solid angles, summed).

    Source: van Oosterom and Strackee, The solid angle of a plane triangle, IEEE Trans. Biomed. Eng. 30
    (1983), from memory; a closed cube gives 1 from inside and 0 from outside.
    """
    a, b, c = (triangles[:, k] - point for k in range(3))
    la, lb, lc = (np.sqrt((v * v).sum(axis=1)) for v in (a, b, c))
    top = (a * np.cross(b, c)).sum(axis=1)
    bottom = la * lb * lc + (a * b).sum(axis=1) * lc + (b * c).sum(axis=1) * la + (c * a).sum(axis=1) * lb
    return float(np.arctan2(top, bottom).sum() / (2.0 * np.pi))
