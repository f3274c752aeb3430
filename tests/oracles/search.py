"""Draws and parts of a board go in; the smallest distance, side or height of each group comes out, bracketed.

Arcs are cut into short bits; each is replaced by a straight bit from which it strays by no more than ``e``
(half the sagitta, R (1 - cos(t/2)) / 2), and the bits that could hold the smallest value are cut again
until e <= ``LEAF``. Nothing is dropped but what a parting plane has shown to be farther than a pair of
points found.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from tests.oracles.board import Board, Index
from tests.oracles.convex import Array, Pairs, distance, least_height, least_side

#: mm: bits of arc are cut until they stray no more
LEAF = 2e-7
#: so many bits in a group, and the bracket stays as wide as it is
MOST_BITS = 3000
#: mm: values nearer to one another than this are one value
EVEN = 1e-9
#: mm: past this there is no side and no height
FAR = 1e5


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
