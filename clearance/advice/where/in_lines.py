"""Places on lines: about thread holes, along a slot, against the sides of parts. The map of an item's
places goes in; holes and sides, and the best place of them, come out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from clearance.advice.where.best import ALIKE, ENOUGH, Bound, Spot
from clearance.advice.where.found import Hole, ItemPlaces, Place, Side
from clearance.advice.where.free import Reason
from clearance.kernels.query import DEGREE, Boxes
from clearance.records import changing

if TYPE_CHECKING:
    from clearance.advice.where.answer import Finder

Array = NDArray[np.float64]
Index = NDArray[np.intp]
Rows = NDArray[np.bool_]

#: places along a line are this far apart, mm; along sides no more than so many
APART, MOST = 0.5, 40
#: more room than this is not told apart where one place of many is to stand for them, mm
ROOMY = 2.0
#: half a millimetre more room is no reason to stand askew
ASKEW = 0.5
#: places looked at together; looks at most
TOGETHER, LOOKS = 24, 40
#: the judge is asked about so many places at most until one is right
TRIES = 12


@changing
class Choice:
    """Places on lines (n): the number of the line, how far along it, where that is, the turn; by how much
    each may be off for its work; the bit of its line that it is on."""

    of: Index
    along: Array
    at: Array
    turn: Array
    room: Array
    bit: Array

    def __len__(self) -> int:
        return len(self.of)

    def take(self, rows: NDArray[Any]) -> Choice:
        """Those at ``rows``."""
        return Choice(*(v[rows] for v in (self.of, self.along, self.at, self.turn, self.room, self.bit)))


def on_lines(finder: Finder, base: ItemPlaces) -> ItemPlaces:
    """The answer for an item whose places are lines.

    Args:
        finder: with its map.   base: what is known already.
    """
    return _OnLines(finder).answer(base)


def along_side(finder: Finder, spot: Spot, farthest: float) -> Iterator[Bound]:
    """What bounds a place along the side of a part, both ways; across, it lies against the part.

    Args:
        finder: of the item.   spot: the place.   farthest: mm; it is looked no farther.
    """
    lines = finder.found.seat.lines
    assert lines is not None
    at = np.array(spot.at)
    all_ = np.arange(len(lines))
    t = lines.along(all_, np.repeat(at[None], len(lines), axis=0))
    near = np.hypot(*(lines.at(all_, t) - at).T) < 1e-6
    near &= (lines.turn == spot.turn) & (t >= lines.low - 1e-6) & (t <= lines.high + 1e-6)
    of = int(np.flatnonzero(near)[0])
    for sign, end in ((1.0, lines.high[of] - t[of]), (-1.0, t[of] - lines.low[of])):
        way = sign * lines.way[of]
        axis = int(np.argmax(np.abs(way)))
        side = "XY"[axis] + ("+" if way[axis] > 0.0 else "-")
        low, high, why = 0.0, float(end), -1
        steps = np.linspace(0.0, high, 61)[1:] if high > 0.0 else np.empty(0)
        wrong, reason = finder.probe.first_wrong(at + steps[:, None] * way, spot.turn)
        if wrong.any():
            first = int(np.flatnonzero(wrong)[0])
            low, high, why = (
                float(steps[first - 1]) if first else 0.0,
                float(steps[first]),
                int(reason[first]),
            )
            for _ in range(10):
                middle = (low + high) / 2.0
                is_wrong, told = finder.probe.first_wrong((at + middle * way)[None], spot.turn)
                low, high, why = (low, middle, int(told[0])) if is_wrong[0] else (middle, high, why)
        far = low if why >= 0 else high
        over = Reason(f'its face would stand out over the end of that side of "{lines.name[of]}"')
        if far <= farthest:
            yield Bound(side, far, finder.found.reasons[why] if why >= 0 else over)


class _OnLines:
    def __init__(self, finder: Finder) -> None:
        self.f, self.found, self.seat = finder, finder.found, finder.found.seat
        assert self.seat.lines is not None
        self.lines = self.seat.lines
        self.about_holes = self.seat.holes is not None

    def answer(self, base: ItemPlaces) -> ItemPlaces:
        choice = self.choices(list(self.bits(self.found.free)))
        good = self.roomy(choice)
        some = choice.take(good)
        # the rims of what has room are no places of their own
        keys = self.keys(choice)
        roomy = np.unique(keys[good], axis=0)
        rims = (keys[:, None] == roomy[None]).all(axis=2).any(axis=1)
        tight = choice.take(~good & ~rims)
        best = self.best(some)
        if not self.f.work.judged:
            # the judge alone says whether it holds: what it was not asked about is no place
            some = some.take(np.zeros(len(some), dtype=bool) if best is None else self.same(some, best))
        found = [
            place
            for place, spot in self.places(some)
            if (best is not None and spot == best) or self.f.confirmed(spot, needed=False)
        ]
        unknown = len(some) if best is None and not self.f.work.judged else 0
        open_ = self.found.size(self.found.open)
        more: dict[str, Any] = {}
        if not len(self.lines) and not base.forbids:
            words = "no straight side of a part is there that it could lie against"
            if self.f.scene.bodies[self.seat.index].sunk:
                words += ", its screw over a thread hole"
            more["forbids"] = ((Reason(words), 1.0),)
        return replace(
            base,
            holes=tuple(sorted((h for h in found if isinstance(h, Hole)), key=lambda h: -h.room)),
            sides=tuple(sorted((s for s in found if isinstance(s, Side)), key=lambda s: -s.room)),
            tight=tuple(place for place, _ in self.places(tight)),
            best=best,
            nowhere=not len(self.found.free) and not len(self.found.open),
            undecided=float(open_.sum()) + unknown * DEGREE,
            **more,
        )

    def keys(self, c: Choice) -> Array:
        """What each place (n) is of: its hole, or the free bit of its side."""
        return self.lines.start[c.of] if self.about_holes else np.column_stack([c.of, c.bit])

    # ------------------------------------------------------------------------------------- which there are
    def bits(self, free: Boxes) -> Iterator[tuple[int, float, float]]:
        """The free bits of each line, from where to where, mm."""
        t = self.lines.along(free.of, free.centre)
        half = np.hypot(*free.along.T)
        order = np.lexsort((t, free.of))
        last: list[float] | None = None
        for k in order:
            of, low, high = int(free.of[k]), float(t[k] - half[k]), float(t[k] + half[k])
            if last is not None and last[0] == of and low <= last[2] + 1e-6:
                last[2] = max(last[2], high)
                continue
            if last is not None:
                yield int(last[0]), last[1], last[2]
            last = [of, low, high]
        if last is not None:
            yield int(last[0]), last[1], last[2]

    def choices(self, bits: Sequence[tuple[int, float, float]]) -> Choice:
        """Places on them."""
        rows: list[tuple[int, float, float, float]] = []
        now = self.seat.origin
        for of, low, high in bits:
            if self.about_holes:
                t = np.arange(np.ceil(low / APART), np.floor(high / APART) + 0.5) * APART
                t = t if len(t) else np.array([(low + high) / 2.0])
            else:
                apart = max(APART, (high - low) / MOST)
                t = np.r_[np.arange(low, high, apart), high, (low + high) / 2.0]
                nearest = float((now - self.lines.start[of]) @ self.lines.way[of])
                t = np.unique(np.r_[t, min(max(nearest, low), high)])
            rows += [(of, float(each), low, high) for each in t]
        table = np.array(rows).reshape(-1, 4)
        of_, along = table[:, 0].astype(np.intp), table[:, 1]
        if self.about_holes:
            along = np.round(along, 2)
        at, turn, bit = self.lines.at(of_, along), self.lines.turn[of_], table[:, 2:]
        if self.about_holes:
            room, _ = self.f.work.room(at, turn)
        else:
            room = np.minimum(along - bit[:, 0], bit[:, 1] - along)
        return Choice(of_, along, at, turn, room, bit)

    def roomy(self, choice: Choice) -> Rows:
        """Which leave as much room as is wanted."""
        least = self.f.least
        good = choice.room >= least - 1e-6
        if not self.about_holes or not good.any() or least <= 0.0:
            return good
        some = np.flatnonzero(good)
        c = choice.take(some)
        good[some] = self.f.probe.leaves(c.at, c.turn, least, self.push(c))
        return good

    def push(self, c: Choice) -> Array | None:
        """How far (n, 2) places are pushed along the slot, mm; None where there is none."""
        return None if self.seat.slot is None else np.asarray(c.along[:, None] * self.lines.way[c.of])

    def far(self, c: Choice) -> Array:
        """How far (n,) places are from that of now, as a person counts: the hole, then the turn, then the
        push."""
        home = self.lines.start[c.of] if self.about_holes else c.at
        slid = np.abs(c.along) if self.about_holes else np.zeros(len(c))
        return np.asarray(
            np.round(np.hypot(*(home - self.seat.origin).T), 3) * 1e4 + np.abs(c.turn) * 10.0 + slid * 0.01
        )

    def spare(self, c: Choice, below: float = ENOUGH) -> Array:
        """The room (n,) to all heads, mm."""
        out = np.zeros(len(c))
        for turn in np.unique(c.turn):
            rows = np.flatnonzero(c.turn == turn)
            mine = c.take(rows)
            push = self.push(mine)
            home = self.lines.start[mine.of] if push is not None else mine.at
            out[rows] = self.f.rooms.of(home, float(turn), below, push=push)
        return out

    # ------------------------------------------------------------------------------------------- the best
    def best(self, c: Choice) -> Spot | None:
        """Of places the one with the most room to heads, of those alike the nearest; the judge is content."""
        if not len(c):
            return None
        spare, bound = np.full(len(c), np.nan), np.full(len(c), ENOUGH)
        far = self.far(c)
        left = np.ones(len(c), dtype=bool)
        self.look(c, spare, bound, np.argsort(far, kind="stable")[:TOGETHER])
        for _ in range(TRIES):
            chosen = self.roomiest(c, spare, bound, far, left)
            if chosen is None:
                break
            spot = self.spot(c, chosen, float(spare[chosen]))
            if self.f.confirmed(spot):
                if not self.f.alone:
                    # several choose from them; the room about each is a search of its own
                    seen = np.flatnonzero(left & ~np.isnan(spare))
                    self.f.spots = [self.spot(c, int(k), float(spare[k])) for k in seen]
                return spot
            left &= ~self.same(c, spot) if self.f.work.judged else np.arange(len(c)) != chosen
        return None

    def roomiest(self, c: Choice, spare: Array, bound: Array, far: Array, left: Rows) -> int | None:
        for _ in range(LOOKS):
            if not left.any():
                return None
            seen = left & ~np.isnan(spare)
            most = float(spare[seen].max()) if seen.any() else -np.inf
            ask = np.flatnonzero(left & np.isnan(spare) & (bound > most + ALIKE))
            ask = ask[np.argsort(-np.round(bound[ask]) * 1e9 + far[ask], kind="stable")][:TOGETHER]
            if not len(ask):
                alike = np.flatnonzero(seen & (spare >= most - ASKEW))
                nearest = int(alike[np.argmin(far[alike])])
                ask = np.flatnonzero(left & np.isnan(spare) & (bound >= most - ASKEW) & (far < far[nearest]))
                ask = ask[np.argsort(far[ask], kind="stable")][:TOGETHER]
                if not len(ask):
                    return nearest
            self.look(c, spare, bound, ask)
        seen = left & ~np.isnan(spare)
        alike = np.flatnonzero(seen & (spare >= float(spare[seen].max(initial=-np.inf)) - ASKEW))
        return int(alike[np.argmin(far[alike])]) if len(alike) else None

    def look(self, c: Choice, spare: Array, bound: Array, ask: NDArray[Any]) -> None:
        """Look at some places; what the others can have at most is known from these."""
        spare[ask] = self.spare(c.take(ask))
        home = self.lines.start[c.of]
        for k in ask:
            if spare[k] >= ENOUGH:
                continue
            away = np.hypot(*(c.at - c.at[k]).T)
            if self.seat.slot is not None:
                away = np.maximum(away, np.hypot(*(home - home[k]).T))
            turned = np.radians(np.minimum(np.abs(c.turn - c.turn[k]), 180.0))
            away = away + 2.0 * self.seat.reach * np.sin(turned / 2.0)
            np.minimum(bound, spare[k] + away, out=bound)

    def spot(self, c: Choice, k: int, spare: float) -> Spot:
        home = self.lines.start[c.of[k]] if self.about_holes else c.at[k]
        room = float(c.room[k])
        if self.about_holes and spare < room:
            room = self.room_by_heads(c.take(np.array([k])), spare, room)
        slide = float(c.along[k]) if self.seat.slot is not None else 0.0
        return Spot((float(home[0]), float(home[1])), float(c.turn[k]), spare, room, slide)

    def room_by_heads(self, one: Choice, low: float, high: float) -> float:
        """By how much it may be off at a place (1) before it comes too near to a head, mm: between its room
        to heads, which is that much in any case, and what its work leaves."""
        push = self.push(one)
        for _ in range(8):
            middle = (low + high) / 2.0
            free = bool(self.f.probe.leaves(one.at, one.turn, middle, push)[0])
            low, high = (middle, high) if free else (low, middle)
            if high - low < 0.02:
                break
        return low

    def same(self, c: Choice, spot: Spot) -> Rows:
        """Which places are about the same hole, or along the same side."""
        if self.about_holes:
            return np.asarray((self.lines.start[c.of] == np.array(spot.at)).all(axis=1))
        mine = np.flatnonzero((np.hypot(*(c.at - np.array(spot.at)).T) < 1e-9) & (c.turn == spot.turn))
        return np.asarray(np.isin(c.of, c.of[mine]))

    # --------------------------------------------------------------------------------------- as it is told
    def places(self, c: Choice) -> Iterator[tuple[Place, Spot]]:
        """Holes with what goes together about each, or sides; and a place of each that stands for it."""
        if self.about_holes:
            homes = self.lines.start[c.of]
            for home in np.unique(homes, axis=0):
                yield from self.of_hole(c.take(np.flatnonzero((homes == home).all(axis=1))))
            return
        keys = self.keys(c)
        for key in np.unique(keys, axis=0):
            mine = c.take(np.flatnonzero((keys == key).all(axis=1)))
            of = int(mine.of[0])
            ends = self.lines.at(np.array([of, of]), mine.bit[0])
            ends_ = tuple((float(x), float(y)) for x, y in ends)
            k = int(np.argmax(mine.room))
            room, turn = float(mine.room[k]), float(mine.turn[0])
            yield Side(self.lines.name[of], (ends_[0], ends_[1]), turn, room), self.spot(mine, k, 0.0)

    def of_hole(self, c: Choice) -> Iterator[tuple[Hole, Spot]]:
        """Of one hole: bands of neighbouring turns; of each the place with the most room, the turns that go
        with its push, and the pushes that go with its turn."""
        table = {
            (round(float(t) / DEGREE), float(s)): k
            for k, (t, s) in enumerate(zip(c.turn, c.along, strict=True))
        }
        left = set(table)
        while left:
            # with as much room as a hand needs, then as it stands
            key = max(
                left,
                key=lambda one: (
                    round(min(float(c.room[table[one]]), ROOMY), 1), -abs(one[0]), -abs(one[1])
                ),
            )  # fmt: skip
            turn, push = key
            first, last, low, high = turn, turn, push, push
            while (first - 1, push) in table:
                first -= 1
            while (last + 1, push) in table:
                last += 1
            along = sorted(s for t, s in table if t == turn)
            for each in along[along.index(push) :]:
                high = each if each - high <= APART + 1e-6 else high
            for each in along[along.index(push) :: -1]:
                low = each if low - each <= APART + 1e-6 else low
            k = table[key]
            spot = self.spot(c, k, float(self.spare(c.take(np.array([k])))[0]))
            slot = (low, high) if self.seat.slot is not None else None
            turns = (float(c.turn[table[first, push]]), float(c.turn[table[last, push]]))
            yield Hole(spot.at, turns, spot.room, (spot.turn, spot.slide), slot), spot
            # what hangs together with it is told of with it
            waiting = [key]
            left.discard(key)
            while waiting:
                t, s = waiting.pop()
                beside = [o for o in left if abs(o[0] - t) <= 1 and abs(o[1] - s) <= APART + 1e-6]
                left.difference_update(beside)
                waiting += beside
