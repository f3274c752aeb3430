"""A scene and the convex parts of its bodies go in; certified brackets of every figure of the report come
out.

Arcs are cut into short bits; each is replaced by a straight bit from which it strays by no more than ``e``
(half the sagitta, R (1 - cos(t/2)) / 2), and the bits that could hold the smallest value are cut again
until e <= 2e-7 mm. Nothing is dropped but what a parting plane has shown to be farther than a pair of points
already found.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from clearance.setup.scene import Scene, Stretch
from tests.oracles.convex import Array, Pairs, distance, least_height, least_side

Index = NDArray[np.int64]
Bracket = tuple[float, float]

LEAF = 2e-7
MOST_BITS = 3000
EVEN = 1e-9
FAR = 1e5


@dataclass(frozen=True)
class Case:
    """A scene with its bodies as unions of convex parts: ``parts[i]`` are those of ``scene.bodies[i]``."""

    scene: Scene
    parts: tuple[tuple[Array, ...], ...]
    name: str = ""


@dataclass
class PairTruth:
    """What is true of one head and one body along one stretch; brackets in mm, None where there is none.

    ``grown`` is the distance of the head grown by allow, ``wide`` by allow and margin. ``side_lax`` and
    ``height_lax`` are the ends if the item is moved by ``nudge`` the kind way and the unkind way (an empty
    bracket where that was not asked).
    """

    head: str
    item: str
    cut: str
    margin: tuple[float, float]
    allow: tuple[float, float]
    clearance: Bracket = (0.0, 0.0)
    grown: Bracket = (0.0, 0.0)
    wide: Bracket = (0.0, 0.0)
    side: Bracket | None = None
    height: Bracket | None = None
    side_lax: Bracket = (np.inf, 0.0)
    height_lax: Bracket = (np.inf, 0.0)
    move_clearance: Array | None = None
    move_grown: Array | None = None
    move_side: Array | None = None
    move_height: Array | None = None


@dataclass
class Draws:
    """Rows of what pieces sweep along bits of path; see ``Pairs`` for the columns."""

    z: list[Array] = field(default_factory=list)
    r: list[Array] = field(default_factory=list)
    a: list[Array] = field(default_factory=list)
    b: list[Array] = field(default_factory=list)
    rect: list[tuple[float, ...]] = field(default_factory=list)
    e: list[float] = field(default_factory=list)
    arc: list[tuple[float, float, float, float, float]] = field(default_factory=list)


LEVELS = 4


def _padded(values: Array) -> Array:
    return np.concatenate([values, np.repeat(values[-1:], LEVELS - len(values))])


def bit_of_arc(arc: Array) -> tuple[Array, Array, Array]:
    """Straight bits for bits of arc (N, 5: centre x y, radius, from, to, radians): a, b (N, 2) and e (N,).

    The chord moved outward by half the sagitta: no point of either is farther than that from the other.
    """
    cx, cy, R, t0, t1 = arc.T
    half = (t1 - t0) / 2
    e = R * (1 - np.cos(half)) / 2
    e = np.where(np.abs(half) < 1e-3, R * half**2 / 4, e)
    mid = (t0 + t1) / 2
    out = e[:, None] * np.stack([np.cos(mid), np.sin(mid)], 1)
    c = np.stack([cx, cy], 1)
    a = c + R[:, None] * np.stack([np.cos(t0), np.sin(t0)], 1) + out
    b = c + R[:, None] * np.stack([np.cos(t1), np.sin(t1)], 1) + out
    return a, b, e


class Board:
    """All the draws and parts of many cases in flat arrays."""

    def __init__(self) -> None:
        self.draws = Draws()
        self.corners: list[Array] = []
        self._part_index: dict[tuple[int, int], list[int]] = {}

    def add_parts(self, case_no: int, body: int, parts: Sequence[Array], shift: Array) -> list[int]:
        key = (case_no, body)
        if key not in self._part_index:
            self._part_index[key] = list(range(len(self.corners), len(self.corners) + len(parts)))
            self.corners += [np.asarray(p, dtype=float) - shift for p in parts]
        return self._part_index[key]

    def add_draws(self, pieces, path, shift: Array, keep) -> tuple[list[int], list[int]]:
        """Draws of all pieces along all kept moves: their row numbers and their move numbers."""
        rows, moves = [], []
        d = self.draws
        for piece in pieces:
            z = _padded(np.asarray(piece.z, dtype=float) - shift[2])
            r = _padded(np.asarray(piece.r, dtype=float))
            for m in keep:
                start, end = path.start[m] - shift[:2], path.end[m] - shift[:2]
                sweep = float(path.sweep[m])
                if sweep == 0.0:
                    bits = [(start, end, 0.0, (np.nan,) * 5)]
                else:
                    c = path.centre[m] - shift[:2]
                    R = float(np.hypot(*(start - c)))
                    t0 = float(np.arctan2(*(start - c)[::-1]))
                    n = int(np.ceil(abs(sweep) / (np.pi / 6) - 1e-9))
                    ts = t0 + np.linspace(0.0, sweep, n + 1)
                    arcs = np.array([(c[0], c[1], R, ts[i], ts[i + 1]) for i in range(n)])
                    a, b, e = bit_of_arc(arcs)
                    bits = [(a[i], b[i], float(e[i]), tuple(arcs[i])) for i in range(n)]
                for a_, b_, e_, arc in bits:
                    rows.append(len(d.e))
                    moves.append(m)
                    d.z.append(z)
                    d.r.append(r)
                    d.a.append(a_)
                    d.b.append(b_)
                    d.rect.append(tuple(piece.rect))
                    d.e.append(e_)
                    d.arc.append(arc)
        return rows, moves

    def close(self) -> None:
        d = self.draws
        self.z, self.r = np.array(d.z), np.array(d.r)
        self.a, self.b = np.array(d.a), np.array(d.b)
        self.rect, self.e = np.array(d.rect, dtype=float), np.array(d.e)
        self.arc = np.array(d.arc)
        most = max(len(c) for c in self.corners)
        self.V = np.array([np.concatenate([c, np.repeat(c[-1:], most - len(c), 0)]) for c in self.corners])

    def pairs(self, draw: Index, part: Index) -> Pairs:
        return Pairs(
            self.V[part],
            self.z[draw],
            self.r[draw],
            self.a[draw],
            self.b[draw],
            self.rect[draw],
            self.e[draw],
        )

    def split(self, draw: Index, ways: int = 8) -> Index:
        """Cut each of these bits of arc ``ways`` times: new row numbers (len(draw) * ways,)."""
        arc = self.arc[draw]
        f = np.linspace(0.0, 1.0, ways + 1)
        t = arc[:, 3:4] + (arc[:, 4:5] - arc[:, 3:4]) * f
        new = np.repeat(arc, ways, 0)
        new[:, 3], new[:, 4] = t[:, :-1].ravel(), t[:, 1:].ravel()
        a, b, e = bit_of_arc(new)
        first = len(self.e)
        old = np.repeat(draw, ways)
        for name, more in (("a", a), ("b", b), ("e", e), ("arc", new)):
            setattr(self, name, np.concatenate([getattr(self, name), more]))
        for name in ("z", "r", "rect"):
            column = getattr(self, name)
            setattr(self, name, np.concatenate([column, column[old]]))
        return np.arange(first, first + len(new))


def _fixed_directions() -> Array:
    grid = np.array(
        [(x, y, z) for x in (-1, 0, 1) for y in (-1, 0, 1) for z in (-1, 0, 1) if x or y or z], float
    )
    t = np.linspace(0, 2 * np.pi, 16, endpoint=False)
    ring = np.stack([np.cos(t), np.sin(t), np.zeros(16)], 1)
    cones = [ring + np.array([0, 0, s]) for s in (-0.3, 0.3, -1.0, 1.0, -4.0, 4.0)]
    u = np.concatenate([grid, ring, *cones])
    return u / np.linalg.norm(u, axis=1)[:, None]


DIRECTIONS = _fixed_directions()
_FLAT = np.hypot(DIRECTIONS[:, 0], DIRECTIONS[:, 1])
_UP = np.abs(DIRECTIONS[:, 2])


def _quick(
    board: Board, ask: Question, draw: Index, part: Index, window: Array, group: Index
) -> tuple[Array, Index]:
    """Lower bounds (N,) from slabs along the fixed directions, and the best direction's number (N,)."""
    bound, best = np.empty(len(draw)), np.empty(len(draw), dtype=np.int64)
    used_d, at_d = np.unique(draw, return_inverse=True)
    used_p, at_p = np.unique(part, return_inverse=True)
    U = DIRECTIONS
    low = np.min(board.V[used_p] @ U.T, axis=1)
    bit = np.maximum(board.a[used_d] @ U[:, :2].T, board.b[used_d] @ U[:, :2].T)
    rect = board.rect[used_d]
    box = np.maximum(rect[:, :1] * U[:, 0], rect[:, 1:2] * U[:, 0]) + np.maximum(
        rect[:, 2:3] * U[:, 1], rect[:, 3:] * U[:, 1]
    )
    level = np.max(board.r[used_d][:, :, None] * _FLAT + board.z[used_d][:, :, None] * U[:, 2], axis=1)
    reach = bit + box + level
    step = 5000
    for i in range(0, len(draw), step):
        s = slice(i, i + step)
        slabs = low[at_p[s]] - reach[at_d[s]]
        bound[s], best[s] = ask.quick(slabs, window[group[s]], board.e[draw[s]])
    return bound, best


@dataclass(frozen=True)
class Question:
    """One figure: a quick lower bound from fixed slabs, and the search that brackets it on straight bits.

    ``quick(slabs, window, e)`` -> lo (N,) and the best direction's index (N,);
    ``search(pairs, window, stop, start)`` -> lo, hi (N,), window (N, 2).
    """

    quick: Callable[[Array, Array, Array], tuple[Array, Index]]
    search: Callable[[Pairs, Array, Array, Array], tuple[Array, Array]]


def _quick_distance(slabs: Array, grown: Array, e: Array) -> tuple[Array, Index]:
    value = slabs - (grown[:, :1] + e[:, None]) * _FLAT - grown[:, 1:] * _UP
    k = np.argmax(value, 1)
    return np.maximum(value[np.arange(len(k)), k], 0.0), k


def _search_distance(pairs: Pairs, grown: Array, stop: Array, start: Array) -> tuple[Array, Array]:
    got = distance(pairs, grown[:, 0] + pairs.e, grown[:, 1], start=start)
    hi = got.hi + 2 * pairs.e
    thin = _can_shrink(pairs, grown[:, 0])
    if np.any(thin):
        some = pairs.take(thin)
        inner = distance(some, grown[thin, 0] - some.e, grown[thin, 1], start=got.u[thin])
        hi[thin] = np.minimum(hi[thin], inner.hi)
    return got.lo, hi


def _quick_side(slabs: Array, window: Array, e: Array) -> tuple[Array, Index]:
    free = slabs - window[:, 1:] * _UP - e[:, None] * _FLAT
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.where(_FLAT > 0, free / _FLAT, -np.inf)
    k = np.argmax(value, 1)
    lo = np.maximum(value[np.arange(len(k)), k], 0.0)
    never = np.any((_FLAT == 0) & (free > 1e-12), axis=1)
    return np.where(never, np.inf, lo), k


def _search_side(pairs: Pairs, window: Array, stop: Array, start: Array) -> tuple[Array, Array]:
    got = least_side(pairs, window[:, 1], np.minimum(stop + 2 * pairs.e, FAR), start)
    lo, hi = np.where(got.lo > FAR, np.inf, got.lo) - pairs.e, got.hi + pairs.e
    thin = _can_shrink(pairs, 0.0) & (got.lo <= pairs.e)
    if np.any(thin):
        some = pairs.take(thin)
        inner = distance(some, -some.e, window[thin, 1])
        hi[thin] = np.where(inner.hi <= 1e-9, 1e-9, hi[thin])
    return lo, hi


def _quick_height(slabs: Array, window: Array, e: Array) -> tuple[Array, Index]:
    free = slabs - (window[:, :1] + e[:, None]) * _FLAT
    with np.errstate(divide="ignore", invalid="ignore"):
        value = np.where(_UP > 0, free / _UP, -np.inf)
    k = np.argmax(value, 1)
    lo = np.maximum(value[np.arange(len(k)), k], 0.0)
    never = np.any((_UP == 0) & (free > 1e-12), axis=1)
    return np.where(never, np.inf, lo), k


def _search_height(pairs: Pairs, window: Array, stop: Array, start: Array) -> tuple[Array, Array]:
    stop = np.minimum(stop, FAR)
    got = least_height(pairs, window[:, 0] + pairs.e, stop, start)
    lo, hi = np.where(got.lo > FAR, np.inf, got.lo), got.hi.copy()
    bent = pairs.e > 0
    hi[bent] = np.inf
    thin = (_can_shrink(pairs, window[:, 0]) | (bent & (pairs.e <= LEAF))) & np.isfinite(lo)
    if np.any(thin):
        some = pairs.take(thin)
        # the tip of a cone has no room: at the finest bits it keeps its place, wrong by LEAF at most
        room = np.maximum(some.r, some.e[:, None] - window[thin, :1])
        some = replace(some, r=room)
        hi[thin] = least_height(some, window[thin, 0] - some.e, stop[thin], start[thin]).hi
    return lo, hi


def _can_shrink(pairs: Pairs, grown: Array | float) -> NDArray[np.bool_]:
    """Bits of arc whose draw has room to lose ``e`` all round: what is left lies inside the true one."""
    return (pairs.e > 0) & (pairs.r.min(1) + grown >= pairs.e)


DISTANCE = Question(_quick_distance, _search_distance)
SIDE = Question(_quick_side, _search_side)
HEIGHT = Question(_quick_height, _search_height)


def _first_of_each(group: Index, value: Array, most: int) -> NDArray[np.bool_]:
    """Mask of the ``most`` rows of each group with the smallest value."""
    order = np.lexsort((value, group))
    g = group[order]
    first = np.concatenate([[0], np.flatnonzero(np.diff(g)) + 1])
    rank = np.arange(len(g)) - np.repeat(first, np.diff(np.append(first, len(g))))
    mask = np.zeros(len(g), dtype=bool)
    mask[order[rank < most]] = True
    return mask


def least(
    board: Board, ask: Question, draw: Index, part: Index, group: Index, groups: int, window: Array
) -> tuple[Array, Array]:
    """The smallest value in each group, to ``EVEN`` and ``LEAF``, as brackets lo, hi (groups,); inf where
    there is none.

    ``window`` is (groups, 2): what the draw is grown by, or (side, height) window.
    """
    lo, hi = np.full(groups, np.inf), np.full(groups, np.inf)
    if len(draw) == 0:
        return lo, hi
    bound, best = _quick(board, ask, draw, part, window, group)
    bits = np.zeros(groups, dtype=np.int64)
    most = 1
    while len(draw):
        keep = bound < hi[group] - EVEN
        draw, part, group, bound, best = (x[keep] for x in (draw, part, group, bound, best))
        if len(draw) == 0:
            break
        now = _first_of_each(group, bound, most)
        most = 8
        d, p, g = draw[now], part[now], group[now]
        got_lo, got_hi = ask.search(board.pairs(d, p), window[g], hi[g], DIRECTIONS[best[now]])
        got_lo = np.maximum(got_lo, bound[now])
        np.minimum.at(hi, g, np.where(np.isnan(got_hi), np.inf, got_hi))
        leaf = board.e[d] <= LEAF
        leaf |= bits[g] > MOST_BITS
        np.minimum.at(lo, g[leaf], got_lo[leaf])
        draw, part, group, bound, best = (x[~now] for x in (draw, part, group, bound, best))
        more = ~leaf & (got_lo < hi[g] - EVEN)
        if np.any(more):
            ways = 8
            new = board.split(d[more], ways)
            np.add.at(bits, g[more], ways)
            np_, ng = np.repeat(p[more], ways), np.repeat(g[more], ways)
            nb, nk = _quick(board, ask, new, np_, window, ng)
            nb = np.maximum(nb, np.repeat(got_lo[more], ways))
            draw, part = np.concatenate([draw, new]), np.concatenate([part, np_])
            group, bound = np.concatenate([group, ng]), np.concatenate([bound, nb])
            best = np.concatenate([best, nk])
    return np.maximum(np.where(np.isinf(hi), lo, np.minimum(lo, hi - EVEN)), 0.0), hi


def heads_of(stretch: Stretch) -> list[tuple[str, list, list[int]]]:
    """(head, [(piece, path)], moves on which it is there) of a stretch.

    The wire's piece runs along the lower guide's path; under taper it is wide enough to hold the leaning
    wire.
    """
    upper_path = stretch.moves if stretch.upper_moves is None else stretch.upper_moves
    every = list(range(len(stretch.moves)))
    out = [
        ("lower", [(p, stretch.moves) for p in stretch.lower], every),
        ("upper", [(p, stretch.moves if p.lower_guide else upper_path) for p in stretch.upper], every),
    ]
    if stretch.wire is not None:
        threaded = [m for m in every if stretch.moves.threaded[m]]
        if threaded:
            out.append(("wire", [(stretch.wire, stretch.moves)], threaded))
    return out


def point_to_body(parts: Sequence[Array], point: Array) -> float:
    """Distance from a point to a body, mm; 0 inside."""
    board = Board()
    board.add_parts(0, 0, parts, point)
    board.draws = Draws(
        [np.zeros(LEVELS)],
        [np.zeros(LEVELS)],
        [np.zeros(2)],
        [np.zeros(2)],
        [(0.0,) * 4],
        [0.0],
        [(np.nan,) * 5],
    )
    board.close()
    n = len(parts)
    return float(distance(board.pairs(np.zeros(n, dtype=np.int64), np.arange(n))).hi.min())


def point_to_head(stretch: Stretch, head: str, point: Array) -> float:
    """Distance from a point to all that a head sweeps along a stretch, mm; 0 inside."""
    board = Board()
    board.add_parts(0, 0, [np.zeros((1, 3))], np.zeros(3))
    rows: list[int] = []
    for name, pieces, kept in heads_of(stretch):
        if name == head:
            for piece, path in pieces:
                rows += board.add_draws([piece], path, point, kept)[0]
    board.close()
    draw, zero = np.array(rows, dtype=np.int64), np.zeros(len(rows), dtype=np.int64)
    return float(least(board, DISTANCE, draw, zero, zero, 1, np.zeros((1, 2)))[1][0])


def truths(cases: Sequence[Case], per_move: bool = True, nudge: float | None = None) -> list[list[PairTruth]]:
    """The truth about each pair of each case, in the order stretch, head, body.

    Args:
        per_move: give the clearance and the grown distance of each move as well.
        nudge: also find what side and height become if the item is moved by this much, mm.
    """
    board = Board()
    draw: list[int] = []
    part: list[int] = []
    pair: list[int] = []
    move: list[int] = []
    rows: list[PairTruth] = []
    lengths: list[int] = []
    answer: list[list[PairTruth]] = []
    for case_no, case in enumerate(cases):
        scene = case.scene
        mine: list[PairTruth] = []
        origin = scene.stretches[0].moves.start[0]
        shift = np.array([origin[0], origin[1], scene.stretches[0].lower_z])
        for stretch in scene.stretches:
            for head, pieces, kept in heads_of(stretch):
                d_rows: list[int] = []
                d_moves: list[int] = []
                for piece, path in pieces:
                    got, at = board.add_draws(
                        [piece], path, shift, kept
                    )  # a stretch's pieces are grown already
                    d_rows += got
                    d_moves += at
                for index in stretch.bodies:
                    if head == "wire" and index in stretch.cut_bodies:
                        continue
                    body = scene.bodies[index]
                    margin = (body.margin.side, body.margin.height)
                    if head == "wire":
                        margin = (scene.wire_margin, 0.0)
                    truth = PairTruth(
                        head, body.name, stretch.name, margin, (body.allow.side, body.allow.height)
                    )
                    number = len(rows)
                    rows.append(truth)
                    lengths.append(len(stretch.moves))
                    mine.append(truth)
                    for p in board.add_parts(case_no, index, case.parts[index], shift):
                        draw += d_rows
                        part += [p] * len(d_rows)
                        pair += [number] * len(d_rows)
                        move += d_moves
        answer.append(mine)
    board.close()
    D, P, G, M = (np.array(x, dtype=np.int64) for x in (draw, part, pair, move))
    _fill(board, D, P, G, M, rows, np.array(lengths), per_move, nudge)
    return answer


def _fill(
    board: Board,
    D: Index,
    P: Index,
    G: Index,
    M: Index,
    rows: list[PairTruth],
    lengths: Index,
    per_move: bool,
    nudge: float | None,
) -> None:
    n = len(rows)
    margin = np.array([t.margin for t in rows]).reshape(n, 2)
    allow = np.array([t.allow for t in rows]).reshape(n, 2)
    zero = np.zeros((n, 2))

    def ask(question: Question, window: Array, mask: NDArray[np.bool_] | None = None) -> tuple[Array, Array]:
        d, p, g = (D, P, G) if mask is None else (D[mask], P[mask], G[mask])
        return least(board, question, d, p, g, n, window)

    first = np.concatenate([[0], np.cumsum(lengths)])
    if per_move:
        of_move = first[G] + M
        owner = np.repeat(np.arange(n), lengths)
        total = int(first[-1])

        def each(question: Question, window: Array) -> Array:
            return np.stack(least(board, question, D, P, of_move, total, window[owner]), 1)

        clear_m, grown_m = each(DISTANCE, zero), each(DISTANCE, allow)
        side_m, height_m = each(SIDE, margin), each(HEIGHT, margin)
        for i, truth in enumerate(rows):
            s = slice(first[i], first[i + 1])
            truth.move_clearance, truth.move_grown = clear_m[s], grown_m[s]
            truth.move_side, truth.move_height = side_m[s], height_m[s]
        starts = first[:-1]
        clear, grown, side, height = (
            tuple(np.minimum.reduceat(x[:, k], starts) for k in (0, 1))
            for x in (clear_m, grown_m, side_m, height_m)
        )
    else:
        clear = ask(DISTANCE, zero)
        loose = np.any(allow > 0, axis=1)[G]
        grown = tuple(x.copy() for x in clear)
        if np.any(loose):
            wide = ask(DISTANCE, allow, loose)
            which = np.any(allow > 0, axis=1)
            for k in (0, 1):
                grown[k][which] = wide[k][which]
        side, height = ask(SIDE, margin), ask(HEIGHT, margin)
    wide = ask(DISTANCE, allow + margin)
    for i, truth in enumerate(rows):
        truth.clearance = (float(clear[0][i]), float(clear[1][i]))
        truth.grown = (float(grown[0][i]), float(grown[1][i]))
        truth.wide = (float(wide[0][i]), float(wide[1][i]))
        truth.side = None if np.isinf(side[1][i]) else (float(side[0][i]), float(side[1][i]))
        truth.height = None if np.isinf(height[1][i]) else (float(height[0][i]), float(height[1][i]))
    if nudge is not None:
        _nudge(board, D, P, G, rows, margin, nudge)


def _nudge(
    board: Board, D: Index, P: Index, G: Index, rows: list[PairTruth], margin: Array, by: float
) -> None:
    """How far side and height may go when the item is moved by ``by``: fills the lax brackets."""
    n = len(rows)
    pairs = board.pairs(D, P)
    low, high = pairs.corners[:, :, 2].min(1), pairs.corners[:, :, 2].max(1)
    apart = np.maximum(low - pairs.z.max(1), pairs.z.min(1) - high)
    sure = apart <= margin[G, 1] - by
    kind, _ = least(board, SIDE, D, P, G, n, margin + by)
    _, unkind = least(board, SIDE, D[sure], P[sure], G[sure], n, margin)
    for truth, lo, hi in zip(rows, kind, unkind, strict=True):
        truth.side_lax = (float(lo), float(hi))
    shadow = distance(pairs.flattened())
    sure = shadow.hi + pairs.e <= margin[G, 0] - by
    kind, _ = least(board, HEIGHT, D, P, G, n, margin + by)
    # some bits of an arc may be over the item only just: there the whole window is narrower
    bent = np.zeros(n, dtype=bool)
    bent[G[pairs.e > 0]] = True
    narrow = margin - np.stack([np.where(bent, by, 0.0), np.zeros(n)], 1)
    _, unkind = least(board, HEIGHT, D[sure], P[sure], G[sure], n, narrow)
    for truth, lo, hi in zip(rows, kind, unkind, strict=True):
        truth.height_lax = (float(lo), float(hi))
