"""A seat, the heads and the work go in; the map of its places comes out: free, forbidden and by what, and
what could not be decided.

Boxes of places are gone down level by level. One is free where no head meets the item in any of its places
and the work keeps its distance; it is forbidden where a head meets it in all of them, or the work is broken
in all; else it is divided, until it is as small as is promised.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.advice.where.conditions import Work
from clearance.advice.where.seats import FINE, ItemSeat
from clearance.kernels.query import DEGREE, Boxes, Pairs, PlaceSearch, SweepQuery
from clearance.records import changing, record

Array = NDArray[np.float64]
Rows = NDArray[np.bool_]
Index = NDArray[np.integer[Any]]

#: boxes with so many pairs at most are looked at together: what bounds the memory
_TOGETHER = 1 << 18
#: boxes begun together
_BEGUN = 256


@record
class Reason:
    """What forbids a place: a head with its cut and move (from 1; None between cuts), and the item of those
    that move that it meets; or, where there is no head, what would be wrong with its work."""

    words: str
    head: str | None = None
    cut: str | None = None
    move: int | None = None
    item: str | None = None


@changing
class Map:
    """All that is known of a seat's places.

    Attributes:
        seat: whose.   free, forbidden, open: boxes; disjoint, all places together.
        why: of each forbidden one, and ``doubt`` of each open one, the number of its reason in ``reasons``.
        done: whether every box was gone into as far as it is to be.
    """

    seat: ItemSeat
    reasons: list[Reason] = field(default_factory=list)
    _free: list[Boxes] = field(default_factory=list)
    _forbidden: list[Boxes] = field(default_factory=list)
    _open: list[Boxes] = field(default_factory=list)
    _why: list[Index] = field(default_factory=list)
    _doubt: list[Index] = field(default_factory=list)
    done: bool = False

    @property
    def free(self) -> Boxes:
        """Boxes in which the item may stand."""
        return Boxes.joined(self._free)

    @property
    def forbidden(self) -> Boxes:
        """Boxes in which it may not."""
        return Boxes.joined(self._forbidden)

    @property
    def open(self) -> Boxes:
        """Boxes that are undecided."""
        return Boxes.joined(self._open)

    @property
    def why(self) -> Index:
        """(forbidden,) numbers of reasons."""
        return np.concatenate(self._why) if self._why else np.empty(0, dtype=np.intp)

    @property
    def doubt(self) -> Index:
        """(open,) numbers of reasons."""
        return np.concatenate(self._doubt) if self._doubt else np.empty(0, dtype=np.intp)

    def size(self, boxes: Boxes) -> Array:
        """How much (n,) boxes hold: mm2, mm along a line, or one where it is a hole; each turn counts."""
        if self.seat.lines is None:
            return np.asarray(4.0 * boxes.half.prod(axis=1) * boxes.steps)
        long = 2.0 * np.hypot(*boxes.along.T)
        return long if self.seat.slot is not None or self.seat.holes is None else np.ones(len(boxes))


def look(query: SweepQuery, seat: ItemSeat, work: Work, fine: float = FINE) -> Iterator[Map]:
    """The map of a seat's places, again and again as it fills; the last one is done.

    Args:
        query: about the scene.   seat: of the item.   work: what is asked of it besides.
        fine: mm; boxes are halved down to this.
    """
    found = Map(seat)
    swallow = _may_swallow(query, seat)
    boxes = seat.boxes()
    known: dict[tuple[int, int], int] = {}
    waiting: list[tuple[Boxes, Pairs]] = []
    if seat.slot is not None:
        boxes = _by_screw(found, known, query, work, boxes)
        query = SweepQuery(seat.scene(query.scene), seat.moving, query)
    search = query.places(seat.moving, seat.origin.tolist(), beyond=seat.slide)
    # the work first: it leaves little of most seats
    _, breaks, which = work.look(boxes)
    _forbid(found, boxes.take(breaks), _numbers(found, known, work, which[breaks]))
    boxes = boxes.take(~breaks)
    near = np.argsort(np.hypot(*(boxes.centre - seat.origin).T), kind="stable")
    boxes = boxes.take(near)
    waiting += [
        search.begin(boxes.take(np.arange(k, min(k + _BEGUN, len(boxes)))))
        for k in range(0, len(boxes), _BEGUN)
    ]
    while waiting:
        later: list[tuple[Boxes, Pairs]] = []
        for boxes, pairs in waiting:
            for some, own in _portions(boxes, pairs):
                rest = _level(found, known, query, search, work, swallow, some, own, fine)
                if rest is not None:
                    later.append(rest)
        waiting = later
        found.done = not waiting
        yield found
    if not found.done:
        found.done = True
        yield found


def _by_screw(
    found: Map, known: dict[tuple[int, int], int], query: SweepQuery, work: Work, boxes: Boxes
) -> Boxes:
    """Of lines in slots those whose screw stands clear in its hole; the others go into the map."""
    seat = found.seat
    assert seat.lines is not None
    still = SweepQuery(seat.scene(query.scene, goes=False), [seat.index], query)
    search = still.places([seat.index], seat.origin.tolist())
    n = len(boxes)
    points = Boxes.plain(seat.lines.start[boxes.of], np.zeros((n, 2)), boxes.turn, boxes.half_turn)
    keeps, breaks, which = work.look(points, fixed=True)
    level, _ = search.decide(*search.begin(points))
    met = level.met & ~breaks
    _forbid(found, boxes.take(breaks), _numbers(found, known, work, which[breaks]))
    _forbid(found, boxes.take(met), _heads(found, known, still, search, level.row[met], level.move[met]))
    free = level.free & keeps
    rest = ~free & ~breaks & ~met
    number = np.zeros(n, dtype=np.intp)
    by_head, by_work = rest & ~level.free, rest & level.free
    number[by_head] = _heads(found, known, still, search, level.row[by_head], level.move[by_head])
    number[by_work] = _numbers(found, known, work, which[by_work])
    found._open.append(boxes.take(rest))
    found._doubt.append(number[rest])
    return boxes.take(free)


def _portions(boxes: Boxes, pairs: Pairs) -> Iterator[tuple[Boxes, Pairs]]:
    """Boxes in portions of so many pairs."""
    if len(pairs) <= _TOGETHER or len(boxes) == 1:
        yield boxes, pairs
        return
    count = np.bincount(pairs.ask, minlength=len(boxes))
    portion = np.cumsum(count) // _TOGETHER
    for k in np.unique(portion):
        mine = np.flatnonzero(portion == k)
        rows = np.flatnonzero(portion[pairs.ask] == k)
        number = np.full(len(boxes), -1)
        number[mine] = np.arange(len(mine))
        own = pairs.take_bare(rows)
        yield boxes.take(mine), Pairs(number[own.ask], own.tri, own.chord, own.row)


def _level(
    found: Map,
    known: dict[tuple[int, int], int],
    query: SweepQuery,
    search: PlaceSearch,
    work: Work,
    swallow: list[tuple[Array, Any]],
    boxes: Boxes,
    pairs: Pairs,
    fine: float,
) -> tuple[Boxes, Pairs] | None:
    """One look at some boxes: what is decided goes into the map, the halves of the rest come back."""
    keeps, breaks, which = work.look(boxes)
    if breaks.any():
        _forbid(found, boxes.take(breaks), _numbers(found, known, work, which[breaks]))
        number = np.cumsum(~breaks) - 1
        rows = np.flatnonzero(~breaks[pairs.ask])
        own = pairs.take_bare(rows)
        pairs = Pairs(number[own.ask], own.tri, own.chord, own.row)
        boxes, keeps, which = boxes.take(~breaks), keeps[~breaks], which[~breaks]
    if not len(boxes):
        return None
    level, pairs = search.decide(boxes, pairs)
    free = level.free & keeps
    if swallow and free.any():
        rows = np.flatnonzero(free)
        rows = rows[_over(swallow, found.seat, boxes.take(rows))]
        free[rows] = _not_swallowed(query, found.seat, boxes.take(rows))
    _accept(found, boxes.take(free))
    met = level.met
    _forbid(found, boxes.take(met), _heads(found, known, query, search, level.row[met], level.move[met]))
    rest = ~free & ~met
    small = rest & (2.0 * boxes.half.max(axis=1) <= fine * (1.0 + 1e-9))
    small &= boxes.half_turn < 0.75 * DEGREE
    if small.any():
        number = np.zeros(len(boxes), dtype=np.intp)
        by_head = small & ~level.free
        number[by_head] = _heads(found, known, query, search, level.row[by_head], level.move[by_head])
        by_work = small & level.free
        number[by_work] = _numbers(found, known, work, which[by_work])
        found._open.append(boxes.take(small))
        found._doubt.append(number[small])
    divide = rest & ~small
    return search.divided(level, pairs, divide, fine) if divide.any() else None


def _accept(found: Map, boxes: Boxes) -> None:
    if len(boxes):
        found._free.append(boxes)


def _forbid(found: Map, boxes: Boxes, why: Index) -> None:
    if len(boxes):
        found._forbidden.append(boxes)
        found._why.append(why)


def _numbers(found: Map, known: dict[tuple[int, int], int], work: Work, which: Index) -> Index:
    """Numbers of reasons for what is wrong with the work."""
    for k in np.unique(which):
        if (-1, int(k)) not in known:
            words = work.words(int(k)) if k >= 0 else "it could not be told"
            same = [n for n, r in enumerate(found.reasons) if r.words == words and r.head is None]
            known[-1, int(k)] = same[0] if same else len(found.reasons)
            if not same:
                found.reasons.append(Reason(words))
    return np.array([known[-1, int(k)] for k in which], dtype=np.intp)


def _heads(
    found: Map,
    known: dict[tuple[int, int], int],
    query: SweepQuery,
    search: PlaceSearch,
    row: Index,
    move: Index,
) -> Index:
    """Numbers of reasons for heads that are met; those with the same head and cut are one."""
    out = np.empty(len(row), dtype=np.intp)
    for j, (r, m) in enumerate(zip(row, move, strict=True)):
        if r < 0:
            out[j] = _numbers(found, known, Work([], True), np.array([-1]))[0]
            continue
        number, body = divmod(search.tag(int(r)), len(query.bodies))
        if (number, body) not in known:
            run = query.runs[number]
            stretch = run.stretch
            programmed = int(stretch.moves.programmed[m]) + 1 if stretch.cut is not None else None
            what = "the wire" if run.head == "wire" else f"the {run.head} head"
            words = f'{what} in "{stretch.name}"' if stretch.cut is not None else f"{what} on {stretch.name}"
            known[number, body] = len(found.reasons)
            found.reasons.append(Reason(words, run.head, stretch.name, programmed, query.bodies[body].name))
        out[j] = known[number, body]
    return out


# ---------------------------------------------------------------------------------- what is swallowed whole
def _may_swallow(query: SweepQuery, seat: ItemSeat) -> list[tuple[Array, Any]]:
    """Of each path along which a whole head, or the wire, may fit into what moves: one of its points (2,),
    and what covers that then, seen from above (shapely) where it stands now."""
    import shapely

    found = []
    for run in query.runs:
        for part in run.parts:
            points = query.path(part.moves, part.only).chords.p
            if not len(points) or float(np.ptp(points, axis=0).max()) > 2.0 * seat.reach:
                continue
            low = min(float(p.z[0]) for p in part.pieces)
            high = max(float(p.z[-1]) for p in part.pieces)
            over = []
            for k in seat.moving:
                z = query.bodies[k].aabbs.box
                if k in run.bodies and z[0][2] < low and z[1][2] > high:
                    over.append(query.bodies[k].outline.shadow)
            if over:
                found.append((points[0], shapely.union_all(over)))
    return found


def _over(swallow: list[tuple[Array, Any]], seat: ItemSeat, boxes: Boxes) -> Rows:
    """Which boxes (n,) have a place at which the item covers a point of a path that may be swallowed."""
    import shapely

    out = np.zeros(len(boxes), dtype=bool)
    angle = np.radians(-boxes.turn)
    c, s = np.cos(angle), np.sin(angle)
    far = seat.reach + seat.slide
    off = np.hypot(*boxes.half.T) + far * np.minimum(np.radians(boxes.half_turn), 2.0)
    for point, shadow in swallow:
        x, y = (point - boxes.centre).T
        there = np.column_stack([c * x - s * y, s * x + c * y]) + seat.origin
        shapely.prepare(shadow)
        out |= shapely.dwithin(shadow, shapely.points(there), off)
    return out


def _not_swallowed(query: SweepQuery, seat: ItemSeat, boxes: Boxes) -> Rows:
    """Which boxes (n,) hold no place at which a body holds a head or the wire: told at their middles, since
    nothing is met on the way through them."""
    from clearance.advice.edits import shifted, turned

    out = np.ones(len(boxes), dtype=bool)
    for k in range(len(boxes)):
        there = turned(query.scene, seat.moving, seat.origin, float(boxes.turn[k]))
        there = shifted(there, seat.moving, [*(boxes.centre[k] - seat.origin), 0.0])
        asked = SweepQuery(there, seat.moving, query)
        out[k] = not any(
            asked.swallowed(b, part.moves, part.pieces, part.only) is not False
            for run in query.runs
            for b in seat.moving
            if b in run.bodies
            for part in run.parts
        )
    return out


class Probe:
    """Single places, asked one by one.

    Args:
        found: the map, into which reasons go.
    """

    def __init__(self, query: SweepQuery, found: Map, work: Work) -> None:
        self.found, self.work = found, work
        seat = found.seat
        self.query, self.still = query, None
        if seat.slot is not None:
            self.query = SweepQuery(seat.scene(query.scene), seat.moving, query)
            self.still = SweepQuery(seat.scene(query.scene, goes=False), [seat.index], query)
        self.known: dict[tuple[int, int], int] = {}

    def first_wrong(self, at: Array, turn: float, push: Array | None = None) -> tuple[Rows, Index]:
        """Which places (n, 2) are wrong, and the number of the reason (-1 where none is).

        Args:
            at: machine X Y, mm, pushed along the slot.   turn: degrees.
            push: (2,) how far that is; what stays with the screw stays behind by it.
        """
        wrong, why = self._wrong(self.query, self.found.seat.moving, at, turn, False)
        if self.still is not None:
            back = at if push is None else at - push
            also, reason = self._wrong(self.still, [self.found.seat.index], back, turn, True)
            why = np.where(wrong, why, reason)
            wrong |= also
        return wrong, why

    def _wrong(
        self, query: SweepQuery, moving: Sequence[int], at: Array, turn: float, fixed: bool
    ) -> tuple[Rows, Index]:
        n = len(at)
        search = query.places(moving, self.found.seat.origin.tolist())
        boxes = Boxes.plain(at, np.zeros((n, 2)), np.full(n, turn), np.zeros(n))
        keeps, _, which = self.work.look(boxes, fixed)
        level, _ = search.decide(*search.begin(boxes))
        out = np.full(n, -1, dtype=np.intp)
        head = ~level.free
        out[head] = _heads(self.found, self.known, query, search, level.row[head], level.move[head])
        by_work = ~keeps & ~head
        out[by_work] = _numbers(self.found, self.known, self.work, which[by_work])
        return ~keeps | head, out

    def leaves(self, at: Array, turn: Array, room: float, push: Array | None = None) -> Rows:
        """Which places (n, 2) stay free of heads wherever within so much of them the item stands, mm.

        Args:
            at: machine X Y, mm, pushed along the slot.   turn: (n,) degrees.
            push: (n, 2) how far that is; what stays with the screw stays behind by it.
        """
        seat, half_turn = self.found.seat, np.full(len(at), self.found.seat.half_turn)
        searches = [(self.query.places(seat.moving, seat.origin.tolist(), beyond=seat.slide), at)]
        if self.still is not None:
            back = at if push is None else at - push
            searches.append((self.still.places([seat.index], seat.origin.tolist()), back))
        out = np.ones(len(at), dtype=bool)
        for search, where in searches:
            for k in range(0, len(at), _BEGUN):
                rows = np.arange(k, min(k + _BEGUN, len(at)))
                half = np.full((len(rows), 2), room)
                boxes = Boxes.plain(where[rows], half, turn[rows], half_turn[rows])
                out[rows] &= _all_free(search, boxes)
        return out


def _all_free(search: PlaceSearch, boxes: Boxes) -> Rows:
    """Which boxes (n,) are free all over."""
    out, of = np.ones(len(boxes), dtype=bool), np.arange(len(boxes))
    boxes, pairs = search.begin(replace(boxes, of=of))
    while True:
        level, pairs = search.decide(boxes, pairs)
        small = 2.0 * boxes.half.max(axis=1) <= FINE
        out[boxes.of[level.met | (~level.free & small)]] = False
        divide = ~level.free & out[boxes.of]
        if not divide.any():
            return out
        boxes, pairs = search.divided(level, pairs, divide, FINE)
