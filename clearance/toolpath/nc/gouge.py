"""A contour and the wire's way beside it go in; where the wire cuts into the contour farther on comes out.

At each corner the offset is settled between two moves. Whether the wire then comes too near to quite another
part of the contour, across a slot that is too narrow say, is asked here, for all pairs of moves.

Glossary
    chain      moves in a row whose directions lie within 90 degrees. Where its corners are settled, a
               parallel of a chain keeps its distance from the whole chain: both are graphs over one axis, and
               the distance from a point of the parallel grows along the contour to either side of the point's
               foot. So only different chains are compared.
    lead       the moves that lead onto a contour that closes, and off it again: they run through what falls
               out, are no wall of anything, and the wire crosses them when it has gone round.
    broad phase  boxes about 64 segments, then about 8, then single ones; a tree of boxes finds the first
               pairs.
Arcs are seen as chords, whose sagitta is taken off what counts.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from math import pi

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.planar import segment_segment
from clearance.records import changing, record
from clearance.toolpath.nc.rows import Row

Array = NDArray[np.float64]
Index = NDArray[np.int64]

#: mm: chords of arcs lie no farther from them
_SAGITTA = 0.0005
#: mm: what cuts in no deeper is rounding
_DEEP = 0.003
#: segments that share a box
_GROUPS = (64, 8, 1)
#: pairs that are looked at together, and pairs past which nobody waits
_TOGETHER, _MOST = 400_000, 20_000_000
#: times the offset: the start and the end of a contour are settled by nobody, and no control looks at both
_ENDS = 3.0
#: moves that lead onto a contour, or off it, at most
_LEAD = 3


@record
class Gouge:
    """The wire on ``line`` comes ``deep`` mm too near to the contour of line ``of`` (both as rows have them).

    ``at`` is the wire's place, mm. ``unknown``: there were too many moves to tell.
    """

    line: int
    of: int
    deep: float
    at: tuple[float, float]
    unknown: bool = False


@changing
class _Segments:
    """Straight pieces in order: ends (N, 2), the row that each is of, its chain."""

    start: Array
    end: Array
    row: Index
    chain: Index

    def only(self, keep: NDArray[np.bool_] | Index) -> _Segments:
        return _Segments(self.start[keep], self.end[keep], self.row[keep], self.chain[keep])


Way = tuple[tuple[float, float], Sequence[Row]]


def gouges(contour: Way, wire: Way, d: float, miss: float) -> list[Gouge]:
    """Where the wire cuts into the contour, one for each pair of lines, the deepest place of each.

    Args:
        contour: where it begins, and its rows.
        wire: the same of the wire's centre; its rows have the lines of the contour's rows they belong to.
        d: the offset, mm, positive.  miss: how far the wire's way may be off, mm.
    """
    of_line = {row[9]: k for k, row in enumerate(contour[1])}
    lines = np.array([row[9] for row in contour[1]], dtype=np.int64)
    chain = _chains(contour)
    wall = _segments(contour, np.arange(len(lines)), chain)
    belongs = np.array([of_line[row[9]] for row in wire[1]], dtype=np.int64)
    way = _segments(wire, belongs, chain)
    deep = _DEEP + 2 * _SAGITTA + miss
    if d <= deep or len(np.unique(chain)) < 2:
        return []
    walls = wall.only(~_leads(wall, len(lines), deep)[wall.row])
    worst: dict[tuple[int, int], Gouge] = {}
    budget = _MOST
    for part, others in _parts(way, walls, (wall.start[:1], wall.end[-1:]), d):
        for a, b, spent in _near(part, others, d - deep):
            budget -= spent
            if budget < 0:
                return [*worst.values(), Gouge(int(lines[part.row[0]]), 0, 0.0, (0.0, 0.0), unknown=True)]
            apart = segment_segment(part.start[a], part.end[a], others.start[b], others.end[b])
            for k in np.flatnonzero(apart < d - deep):
                key = int(lines[part.row[a[k]]]), int(lines[others.row[b[k]]])
                if key not in worst or worst[key].deep < d - apart[k]:
                    at = _nearest(part.start[a[k]], part.end[a[k]], others.start[b[k]], others.end[b[k]])
                    worst[key] = Gouge(*key, float(d - apart[k]), at)
    return list(worst.values())


def told(found: Sequence[Gouge], line_of: Callable[[int], int], scale: float) -> str:
    """One sentence for all that was found on one cut; "" for nothing. ``scale``: mm in the program's unit.

    Args:
        found: of one cut.   line_of: the file's line of a row.   scale: mm in the program's unit.
    """
    real = [gouge for gouge in found if not gouge.unknown]
    if not real:
        if found:
            return (
                "the wire offset was not compared with the whole contour: too many moves lie near each other"
            )
        return ""
    worst = max(real, key=lambda gouge: gouge.deep)
    first, other = line_of(worst.line), line_of(worst.of)
    more = f"; so it is for {len(real)} pairs of lines in all" if len(real) > 1 else ""
    return (
        f"with its offset the wire on line {first} cuts {worst.deep:.3f} mm into the contour of line {other}"
        f", near X{worst.at[0] / scale:.6g} Y{worst.at[1] / scale:.6g}{more}. "
        "Some controls stop there, others cut"
    )


# ---------------------------------------------------------------------- what is compared


def _ends_of(way: Way) -> tuple[Array, Array, Array, Array]:
    """Starts, ends, centres (N, 2) and sweeps (N,) of rows."""
    first, rows = way
    x, y, cx, cy, sweep = list(zip(*rows, strict=True))[:5]
    end = np.array([x, y], dtype=float).T
    return (
        np.vstack([[first], end[:-1]]),
        end,
        np.array([cx, cy], dtype=float).T,
        np.array(sweep, dtype=float),
    )


def _chains(contour: Way) -> Index:
    """The chain of each row (N,)."""
    start, end, centre, sweep = _ends_of(contour)
    spoke = start - centre
    way = np.where(
        (sweep != 0)[:, None],
        np.stack([-spoke[:, 1], spoke[:, 0]], axis=1) * np.sign(sweep)[:, None],
        end - start,
    )
    into = np.arctan2(way[:, 1], way[:, 0])
    corner = (into[1:] - (into + sweep)[:-1] + pi) % (2 * pi) - pi
    begin = np.concatenate([[0.0], np.cumsum(sweep[:-1] + corner)]) + into[0]
    low, high = np.minimum(begin, begin + sweep), np.maximum(begin, begin + sweep)
    chain = np.empty(len(sweep), dtype=np.int64)
    number, least, most = 0, np.inf, -np.inf
    for k, (a, b) in enumerate(zip(low.tolist(), high.tolist(), strict=True)):
        least, most = min(least, a), max(most, b)
        if most - least > pi / 2:
            number, least, most = number + (k > 0), a, b
        chain[k] = number
    return chain


def _segments(way: Way, belongs: Index, chain: Index) -> _Segments:
    """Rows as straight pieces; an arc as chords."""
    start, end, centre, sweep = _ends_of(way)
    radius = np.hypot(*(start - centre).T)
    with np.errstate(divide="ignore", invalid="ignore"):
        step = 2 * np.arccos(np.clip(1 - _SAGITTA / radius, 0.0, 1.0))
        count = np.where(sweep == 0, 1, np.ceil(np.abs(sweep) / np.where(step > 0, step, pi / 2)))
    pieces = np.maximum(count, 1).astype(np.int64)
    of = np.repeat(np.arange(len(sweep)), pieces)
    part = np.arange(len(of)) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    turn = sweep[of] * (part + 1) / pieces[of]
    c, s = np.cos(turn)[:, None], np.sin(turn)[:, None]
    spoke = (start - centre)[of]
    to = np.where(
        (part + 1 == pieces[of])[:, None],
        end[of],
        centre[of] + c * spoke + s * np.stack([-spoke[:, 1], spoke[:, 0]], axis=1),
    )
    return _Segments(np.vstack([[way[0]], to[:-1]]), to, belongs[of], chain[belongs[of]])


def _once(segments: _Segments, both_ways: bool) -> _Segments:
    """The same without what was there before: who goes over a contour 80 times goes over it once."""
    corners = np.round(np.hstack([segments.start, segments.end]) * 1e6).astype(np.int64).astype(np.uint64)
    x0, y0, x1, y1 = corners.T
    start = _mixed(x0, y0)
    end = _mixed(x1, y1)
    key = start + end if both_ways else start + np.uint64(3) * end
    return segments.only(np.sort(np.unique(key, return_index=True)[1]))


def _mixed(x: NDArray[np.uint64], y: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """One number of two, as good as a random one (multiplicative hashing, modulo 2^64)."""
    both = x * np.uint64(0x9E3779B97F4A7C15) ^ y * np.uint64(0xC2B2AE3D27D4EB4F)
    return np.asarray((both ^ (both >> np.uint64(29))) * np.uint64(0xBF58476D1CE4E5B9))


def _leads(wall: _Segments, rows: int, near: float) -> NDArray[np.bool_]:
    """(rows,) which of a contour's rows lead onto the part of it that closes, or off it.

    The contour closes at the first of its first corners that it comes back to; rows before that one lead on,
    and the last rows that end beside the closed part lead off.
    """
    lead = np.zeros(rows, dtype=bool)

    def touched(place: Array, first: int, last: int) -> Index:
        """Which rows of these have the place on them."""
        part = wall.only((wall.row >= first) & (wall.row <= last))
        places = np.repeat(place[None], len(part.row), axis=0)
        return part.row[segment_segment(places, places, part.start, part.end) <= near]

    for k in range(min(_LEAD, rows - 3) + 1):
        corner = wall.start[np.searchsorted(wall.row, k)]
        back = touched(corner, k + 2, rows - 1)
        if len(back) == 0:
            continue
        closes = int(back[0])
        lead[:k] = True
        for row in range(rows - 1, max(closes, rows - 1 - _LEAD), -1):
            end = wall.end[np.searchsorted(wall.row, row, side="right") - 1]
            if len(touched(end, k, closes)):
                break
            lead[row] = True
        break
    return lead


def _nearest(a: Array, b: Array, c: Array, d: Array) -> tuple[float, float]:
    """The place on the segment ab that lies nearest to the segment cd."""
    ab, cd = b - a, d - c
    cross = ab[0] * cd[1] - ab[1] * cd[0]
    shares = [0.0, 1.0]
    if (long := float(ab @ ab)) > 0:
        shares += [float((end - a) @ ab) / long for end in (c, d)]
    if cross != 0:
        shares.append(float((c - a)[0] * cd[1] - (c - a)[1] * cd[0]) / float(cross))
    places = a + np.clip(shares, 0.0, 1.0)[:, None] * ab
    others = np.repeat([c], len(places), axis=0), np.repeat([d], len(places), axis=0)
    x, y = places[np.argmin(segment_segment(places, places, *others))]
    return float(x), float(y)


def _parts(
    way: _Segments, wall: _Segments, ends: tuple[Array, Array], d: float
) -> Iterator[tuple[_Segments, _Segments]]:
    """The wire's way without its ends, and these, each with the part of the contour that counts for it.

    ``ends``: where the contour begins and ends, (1, 2) each.
    """
    long = float(np.hypot(*(way.end - way.start).T).sum())
    head, rest = _cut(way, min(_ENDS * d, long / 2))
    middle, tail = _cut(rest, max(long - 2 * _ENDS * d, 0.0))
    once = _once(wall, both_ways=True)
    yield _once(middle, both_ways=False), once
    for part, place in ((head, ends[0]), (tail, ends[1])):
        places = np.repeat(place, len(once.row), axis=0)
        away = segment_segment(places, places, once.start, once.end) > (_ENDS + 1.0) * d
        yield part, once.only(away)


def _cut(segments: _Segments, at: float) -> tuple[_Segments, _Segments]:
    """What lies before and behind the place so far along, mm."""
    length = np.hypot(*(segments.end - segments.start).T)
    until = np.cumsum(length)
    k = int(np.searchsorted(until, at))
    if k == len(until):
        return segments, segments.only(np.zeros(len(until), dtype=bool))
    share = 1.0 - (until[k] - at) / length[k] if length[k] > 0 else 0.0
    middle = segments.start[k] + share * (segments.end[k] - segments.start[k])
    before, behind = segments.only(np.arange(k + 1)), segments.only(np.arange(k, len(until)))
    before.end[-1] = behind.start[0] = middle
    return before, behind


# ---------------------------------------------------------------------- the broad phase


@record
class _Level:
    """Groups of segments, none of two chains: the first of each (G + 1,), and boxes (G, 2)."""

    first: Index
    low: Array
    high: Array


def _levels(segments: _Segments) -> list[_Level]:
    count = len(segments.row)
    low, high = np.minimum(segments.start, segments.end), np.maximum(segments.start, segments.end)
    new = np.concatenate([[True], np.diff(segments.chain) != 0])
    place = np.arange(count) - np.maximum.accumulate(np.where(new, np.arange(count), 0))
    levels = []
    for size in _GROUPS:
        first = np.flatnonzero(place % size == 0)
        levels.append(
            _Level(
                np.append(first, count),
                np.minimum.reduceat(low, first, axis=0),
                np.maximum.reduceat(high, first, axis=0),
            )
        )
    return levels


def _near(way: _Segments, wall: _Segments, reach: float) -> Iterator[tuple[Index, Index, int]]:
    """Pairs of segments of different chains whose boxes lie within ``reach`` mm, in portions, and how many
    pairs were looked at for them."""
    import shapely

    if not len(way.row) or not len(wall.row):
        return
    ways, walls = _levels(way), _levels(wall)
    tree = shapely.STRtree(shapely.box(*walls[0].low.T, *walls[0].high.T))
    groups = len(ways[0].low)
    for begin in range(0, groups, 1000):
        some = slice(begin, min(begin + 1000, groups))
        boxes = shapely.box(*(ways[0].low[some] - reach).T, *(ways[0].high[some] + reach).T)
        a, b = tree.query(boxes)
        a = a + begin
        other = way.chain[ways[0].first[a]] != wall.chain[walls[0].first[b]]
        yield from _finer(ways, walls, 0, a[other], b[other], reach, len(a))


def _finer(
    ways: list[_Level], walls: list[_Level], level: int, a: Index, b: Index, reach: float, spent: int
) -> Iterator[tuple[Index, Index, int]]:
    """Pairs of groups go in, those of their members that are near come out."""
    if level + 1 == len(ways):
        yield a, b, spent
        return
    starts_a = np.searchsorted(ways[level + 1].first, ways[level].first)
    starts_b = np.searchsorted(walls[level + 1].first, walls[level].first)
    size_a, size_b = np.diff(starts_a)[a], np.diff(starts_b)[b]
    total = size_a * size_b
    portion = np.cumsum(total) // _TOGETHER
    for which in np.split(np.arange(len(a)), np.flatnonzero(np.diff(portion)) + 1):
        of = np.repeat(which, total[which])
        place = np.arange(len(of)) - np.repeat(np.cumsum(total[which]) - total[which], total[which])
        next_a = starts_a[a[of]] + place // size_b[of]
        next_b = starts_b[b[of]] + place % size_b[of]
        one, two = ways[level + 1], walls[level + 1]
        apart = np.maximum(one.low[next_a] - two.high[next_b], two.low[next_b] - one.high[next_a]).max(axis=1)
        near = apart <= reach
        yield from _finer(ways, walls, level + 1, next_a[near], next_b[near], reach, spent + len(of))
        spent = 0
