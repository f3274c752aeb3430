"""A scene and an item's name go in; where it may stand comes out: regions or holes, the best place with what
bounds it, and whether there is none at all. What is told of as free was proven, and looked at by the judge.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.advice.where.best import ENOUGH, Bound, Rooms, Spot, best_of
from clearance.advice.where.conditions import CUTS_INTO, TOUCHES, Work
from clearance.advice.where.confirm import PlaceJudge
from clearance.advice.where.found import Hole, ItemPlaces, Place, Region, Side
from clearance.advice.where.free import Map, Probe, Reason, look
from clearance.advice.where.in_lines import TRIES, along_side, on_lines
from clearance.advice.where.pressing import Heard
from clearance.advice.where.seats import DEGREE, FINE, ItemSeat, seat_of
from clearance.advice.where.touched import touched
from clearance.advice.where.work import work_of
from clearance.kernels.query import Boxes, SweepQuery
from clearance.parallel import processor_time
from clearance.records import changing
from clearance.scene.model import Scene
from clearance.tolerances import PLACES

Array = NDArray[np.float64]
Progress = Callable[[float, str], None]

#: by how much what a hand lays down may be off where nobody says otherwise, mm (common practice, no source)
BY_HAND = 2.0
#: the same for what a screw holds in its hole: the play of an M8 screw in a hole of 9 (ISO 273, medium)
IN_HOLE = 0.5
#: and for a holder that is set by a stop or a rule (common practice, no source)
BY_RULE = 0.5
#: places of a green region that the judge looks at, besides the best one
SAMPLES = 3
#: the judge looks at samples for so long, s of processor time; the best place it always looks at
JUDGING = 1.5
#: where a place ends is looked for so far, mm
FARTHEST = 30.0
#: an undecided strip thinner than this is no place, mm
STRIP = FINE


def usual_least(scene: Scene, seat: ItemSeat) -> float:
    """By how much an item is to be allowed to be off where nobody says it, mm.

    Args:
        scene: as planned.   seat: of the item.
    """
    if seat.holes is not None:
        return IN_HOLE
    return BY_HAND if scene.bodies[seat.index].kind == "laid" else BY_RULE


def filling(
    scene: Scene, item: str, turns: tuple[float, float] | None = None, query: SweepQuery | None = None
) -> Iterator[Map]:
    """The map of an item's places, again and again as it fills; the last one is done.

    Of what lies against the sides of parts, or is pushed along a slot, the boxes are bits of lines
    (``Boxes.along``, ``ItemSeat.lines``). Where no place has all of a tip on metal, and a part of it is there
    now, the map is that of places which have a part of it there.

    Args:
        scene: as it stands.   item: its name.   turns: degrees, from and to.   query: about the scene.
    """
    heard = Heard(scene)
    seat = seat_of(scene, item, turns, heard)
    query = query or SweepQuery(scene, tolerances=PLACES)
    work = work_of(scene, seat, heard)
    for found in look(query, seat, work):
        if found.done and not len(found.free) and work.partly:
            yield from look(query, seat, work_of(scene, seat, heard, partly=True))
            return
        yield found


def find_item(
    scene: Scene,
    item: str,
    least: float | None = None,
    turns: tuple[float, float] | None = None,
    progress: Progress | None = None,
    query: SweepQuery | None = None,
    besides: Sequence[int] | None = None,
    heard: Heard | None = None,
    partly: bool | None = None,
) -> tuple[ItemPlaces, Finder]:
    """Where one item may stand; and what found it.

    Args:
        scene: as it stands.   item: its name.   least: mm; None: the usual.
        turns: degrees, from and to.   progress: is told the share done and what is looked at.
        query: about the scene.
        besides: indices of what is looked for a place too: it is not kept from, and the judge is not asked
            about this item alone. None where it is asked about alone.
        heard: what the job says of the scene.   partly: a tip that lies on metal in part is enough; None:
            where it does so now, and no place is found for all of it.

    Raises:
        InputError: there is no such item, or it has no places.
    """
    say = progress or (lambda share, what: None)
    say(0.0, f'what "{item}" stands on, holds and stands beside')
    from clearance.scene.reread import found_item

    found_item(scene, item, "--item")
    heard = heard or Heard(scene)
    seat = seat_of(scene, item, turns, heard)
    least = usual_least(scene, seat) if least is None else least
    work = work_of(scene, seat, heard, besides or (), bool(partly))
    query = SweepQuery(scene, tolerances=PLACES) if query is None else query
    found = Map(seat)
    whole = float(found.size(seat.boxes()).sum())
    for each in look(query, seat, work):
        found = each
        done = sum(float(found.size(boxes).sum()) for boxes in (found.free, found.forbidden, found.open))
        say(0.1 + 0.6 * done / max(whole, 1e-9), f'heads about "{item}"')
    say(0.7, f'the best place of "{item}"')
    finder = Finder(scene, query, found, work, least, heard, alone=besides is None, say=say)
    made = finder.made()
    if partly is None and made.best is None and work.partly and not made.tight:
        again = find_item(scene, item, least, turns, progress, query, besides, heard, True)
        if again[0].best is not None or again[0].tight or not again[0].nowhere:
            return again
    return made, finder


@changing
class Finder:
    """What makes an answer of a map.

    Args:
        scene, query, found, work: of the item.   least: mm.   heard: what the job says of the scene.
        alone: the judge is asked about it alone.   say: is told the share done and what is looked at.
    """

    scene: Scene
    query: SweepQuery
    found: Map
    work: Work
    least: float
    heard: Heard
    alone: bool = True
    say: Progress = lambda share, what: None
    doubts: list[str] = field(default_factory=list)
    #: places with the room at each, from which several items choose
    spots: list[Spot] = field(default_factory=list)
    by_turn: dict[float, list[Any]] = field(default_factory=dict)

    def made(self) -> ItemPlaces:
        """The answer."""
        seat = self.found.seat
        self.rooms = Rooms(self.query, seat)
        self.probe = Probe(self.query, self.found, self.work)
        self.judge = PlaceJudge(self.scene, [seat.item], self.heard) if self.alone else None
        # where the job alone takes so long no sample is judged
        self.judging = self.heard.took
        base = ItemPlaces(
            seat.item, seat, self.found, self.least, forbids=tuple(self._forbids()),
            partly=self.work.partly, in_part=self.work.in_part,
        )  # fmt: skip
        filled = self._on_plane(base) if seat.lines is None else on_lines(self, base)
        now, why = self.room_now()
        filled = replace(filled, now=now, now_why=why, nowhere=filled.nowhere and now is None)
        if filled.best is not None:
            self.say(0.95, f'what bounds the best place of "{seat.item}"')
            filled = replace(filled, bounds=tuple(self.bounds(filled.best)))
        return replace(filled, doubts=tuple(dict.fromkeys(self.doubts)), looked_at=not self.work.judged)

    def _forbids(self) -> list[tuple[Reason, float]]:
        boxes, why = self.found.forbidden, self.found.why
        if not len(boxes):
            return []
        share = np.bincount(why, self.found.size(boxes), minlength=len(self.found.reasons))
        whole = max(float(share.sum()), 1e-12)
        order = np.argsort(-share, kind="stable")
        return [(self.found.reasons[k], float(share[k]) / whole) for k in order if share[k] > 0.0]

    def confirmed(self, spot: Spot, needed: bool = True) -> bool:
        """Whether the judge says of a place what was proven of it.

        Args:
            needed: he is asked in any case; else only as long as there is time for samples.
        """
        if self.judge is None or not (needed or self.judging < JUDGING):
            return True
        began = processor_time()
        said = self.judge.wrong(self.judge.moved(self.found.seat, spot))
        self.judging += processor_time() - began
        if said is not None:
            self.doubts.append(said)
        return said is None

    # ------------------------------------------------------------------------------------------ on a plane
    def _on_plane(self, base: ItemPlaces) -> ItemPlaces:
        import shapely

        good: list[Region] = []
        tight: list[Place] = []
        by_turn: dict[float, list[Any]] = {}
        turns = self.found.free.turns
        for number, turn in enumerate(turns):
            self.say(
                0.7 + 0.1 * number / len(turns), f'places of "{self.found.seat.item}" at {turn:+g} degrees'
            )
            mine = self.found.free.at(float(turn))
            for piece in shapely.get_parts(shapely.union_all(squares(mine))):
                room = float(shapely.length(shapely.maximum_inscribed_circle(piece, 0.02)))
                one = Region(piece, float(turn), room)
                if room < self.least - 1e-9:
                    tight.append(one)
                elif not self.work.judged or self._looked_at(one):
                    good.append(one)
        good.sort(key=lambda one: -one.room)
        for one in good:
            by_turn.setdefault(one.turn, []).append(one.outline)
        self.by_turn = by_turn
        cores = {t: within(shapely.union_all(each), self.least) for t, each in by_turn.items()}
        best = self._judged(cores) if not self.work.judged else None
        if not self.work.judged:
            # the judge alone says whether it holds: what it was not asked about is no place
            good, cores = [], {}
        while cores and best is None:
            found = best_of(self.rooms, cores, self.found.seat.origin)
            if found is None:
                break
            turn, at, spare = found
            whole = shapely.union_all(by_turn[turn])
            spot = Spot(at, turn, spare, float(shapely.distance(whole.boundary, shapely.Point(at))))
            if self.confirmed(spot):
                best = spot
            else:
                cores[turn] = cores[turn].difference(shapely.Point(at).buffer(5.0))
                if len(self.doubts) > 4:
                    break
        # nowhere: no place with that much room, and none wider than the finest box, is left undecided
        thick = False
        for turn in self.found.open.turns if not len(self.found.free) else ():
            left = shapely.union_all(squares(self.found.open.at(float(turn))))
            thick |= not within(left, max(self.least, STRIP / 2.0 + 1e-6)).is_empty
        nowhere = not len(self.found.free) and not thick
        open_ = float(self.found.size(self.found.open).sum()) / len(self.found.seat.turns)
        return replace(
            base, regions=tuple(good), tight=tuple(tight), best=best, nowhere=nowhere,
            undecided=open_ + (0.0 if self.work.judged else self._unknown(by_turn)),
        )  # fmt: skip

    def _unknown(self, by_turn: Mapping[float, Sequence[Any]]) -> float:
        """mm2 of places at which heads run free and it is undecided whether it holds."""
        return float(sum(piece.area for pieces in by_turn.values() for piece in pieces))

    def _judged(self, cores: Mapping[float, Any]) -> Spot | None:
        """Of some places, and the one that it has now, the one with the most room that the judge is content
        with."""
        import shapely

        now = self.found.seat.origin
        spots = self.choices(2 * TRIES)
        for turn, core in cores.items():
            if turn == 0.0 and shapely.intersects_xy(core, *now):
                room = float(shapely.distance(core.boundary, shapely.Point(now))) + self.least
                spare = float(self.rooms.of(now[None], 0.0)[0])
                spots.append(Spot((float(now[0]), float(now[1])), 0.0, spare, room))
        near = sorted(spots, key=lambda s: (np.hypot(*(np.array(s.at) - now)), abs(s.turn)))[:TRIES]
        for spot in sorted(near, key=lambda s: -s.spare):
            if self.confirmed(spot):
                return spot
        return None

    def _looked_at(self, one: Region) -> bool:
        """Whether the judge says of some of a region's places what was proven of all."""
        import shapely

        core = within(one.outline, self.least - 1e-6)
        core = one.outline if core.is_empty else core
        rng = np.random.default_rng(1)
        x0, y0, x1, y1 = core.bounds
        points = [shapely.get_coordinates(core.representative_point())[0]]
        for _ in range(200):
            if len(points) >= SAMPLES:
                break
            p = rng.uniform((x0, y0), (x1, y1))
            if shapely.intersects_xy(core, *p):
                points.append(p)
        spots = [Spot((float(p[0]), float(p[1])), one.turn, 0.0, 0.0) for p in points]
        return all([self.confirmed(spot, needed=False) for spot in spots])

    def choices(self, most: int) -> list[Spot]:
        """Places of a region to choose from, spread over it, with the room at each."""
        import shapely

        if self.found.seat.lines is not None:
            return self.spots
        out: list[Spot] = []
        for turn, pieces in self.by_turn.items():
            whole = shapely.union_all(pieces)
            core = within(whole, self.least)
            if core.is_empty:
                continue
            x0, y0, x1, y1 = core.bounds
            apart = max(1.0, float(np.sqrt(core.area * len(self.by_turn) / most)))
            x = np.unique(np.r_[x0, np.arange(x0, x1, apart), x1])
            y = np.unique(np.r_[y0, np.arange(y0, y1, apart), y1])
            if y1 - y0 < apart:
                y = np.array([(y0 + y1) / 2.0])
            if x1 - x0 < apart:
                x = np.array([(x0 + x1) / 2.0])
            at = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
            at = np.round(at, 2)
            at = at[shapely.intersects_xy(core, *at.T)]
            if not len(at):
                continue
            spare = self.rooms.of(at, turn)
            room = shapely.distance(whole.boundary, shapely.points(at))
            out += [
                Spot((float(p[0]), float(p[1])), turn, float(e), float(r))
                for p, e, r in zip(at, spare, room, strict=True)
            ]
        return out

    # -------------------------------------------------------------------------------------- what bounds it
    def room_now(self) -> tuple[float | None, str]:
        """By how much it may be off where it stands now, mm; None where that is no place, and why.

        What is not proven to be a place is one all the same where the judge says nothing, with no room: what
        touches, or stands on the last bit of what carries it.
        """
        seat, at = self.found.seat, self.found.seat.origin[None]
        wrong, why = self.probe.first_wrong(at, 0.0)
        words = self.found.reasons[int(why[0])].words if wrong[0] else ""
        if wrong[0] and self.work.partly and not self.work.in_part:
            return None, words
        if wrong[0] or not self.work.judged:
            said = self._judged_now()
            if said is not None:
                return None, said
            if wrong[0]:
                return 0.0, self._as_touched(words)
        if seat.lines is not None and seat.holes is None:
            lines = seat.lines
            t = lines.along(np.arange(len(lines)), np.repeat(seat.origin[None], len(lines), axis=0))
            off = np.hypot(*(lines.at(np.arange(len(lines)), t) - seat.origin).T) if len(lines) else t
            room = np.minimum(t - lines.low, lines.high - t)
            mine = (off < 0.05) & (np.abs(lines.turn) < 0.01) & (room >= -1e-6)
            if not mine.any():
                return None, "its face does not lie against a side"
            return max(float(room[mine].max()), 0.0), ""
        if seat.holes is not None and np.hypot(*(seat.holes - seat.origin).T).min(initial=np.inf) > 0.05:
            return None, "its screw does not stand over a thread hole"
        free, _ = self.work.room(at, np.zeros(1))
        return float(min(free[0], self.rooms.of(at, 0.0)[0])), ""

    def _as_touched(self, words: str) -> str:
        """What is told of what it would cut into if it were moved: that it touches that, and what of it."""
        bodies = {body.name: body for body in self.scene.bodies}
        for name, body in bodies.items():
            if words == f'{CUTS_INTO} "{name}"':
                return f"{TOUCHES} {touched(bodies[self.found.seat.item], body)}"
        return words.replace(CUTS_INTO, TOUCHES, 1)

    def _judged_now(self) -> str | None:
        """What the judge says is wrong where it stands now."""
        judge = self.judge or PlaceJudge(self.scene, [self.found.seat.item], self.heard)
        return judge.wrong(self.scene)

    def bounds(self, spot: Spot) -> list[Bound]:
        """What bounds a place on each side."""
        out = []
        ways = {"X+": (1.0, 0.0), "X-": (-1.0, 0.0), "Y+": (0.0, 1.0), "Y-": (0.0, -1.0)}
        steps = np.r_[0.1 * 1.3 ** np.arange(22)]
        steps = np.r_[steps[steps < FARTHEST], FARTHEST]
        seat = self.found.seat
        if seat.lines is not None and seat.holes is None:
            return list(along_side(self, spot, FARTHEST))
        push = np.zeros(2)
        if self.found.seat.slot is not None:
            push = spot.slide * np.array(self.found.seat.heading(spot.turn))
        at = np.array(spot.at) + push
        points = np.concatenate([at + steps[:, None] * np.array(way) for way in ways.values()])
        wrong, reason = self.probe.first_wrong(points, spot.turn, push)
        for k, (side, way) in enumerate(ways.items()):
            mine = slice(k * len(steps), (k + 1) * len(steps))
            bad = np.flatnonzero(wrong[mine])
            if not len(bad):
                continue
            first = int(bad[0])
            low, high = (float(steps[first - 1]) if first else 0.0), float(steps[first])
            why = int(reason[mine][first])
            for _ in range(14):
                middle = (low + high) / 2.0
                point = (at + middle * np.array(way))[None]
                is_wrong, told = self.probe.first_wrong(point, spot.turn, push)
                if is_wrong[0]:
                    high, why = middle, int(told[0])
                else:
                    low = middle
            out.append(Bound(side, low, self.found.reasons[why]))
        return out


def within(region: Any, by: float) -> Any:
    """A region (shapely) less a rim, ``by`` mm wide."""
    return region if by <= 0.0 or region.is_empty else region.buffer(-by, quad_segs=4)


def squares(boxes: Boxes) -> Any:
    """Boxes of places as shapely's, machine X Y, mm."""
    import shapely

    # neighbours are to share their edges to the last digit
    low, high = np.round(boxes.centre - boxes.half, 9), np.round(boxes.centre + boxes.half, 9)
    # joined to strips first: of these there are few, and a union takes long over many
    for across in (0, 1):
        along = 1 - across
        order = np.lexsort((low[:, across], high[:, along], low[:, along]))
        low, high = low[order], high[order]
        joins = (low[1:, across] == high[:-1, across]) & (low[1:, along] == low[:-1, along])
        joins &= high[1:, along] == high[:-1, along]
        first = np.flatnonzero(np.r_[True, ~joins])
        last = np.r_[first[1:], len(low)] - 1 if len(low) else first
        low, high = low[first], np.where(np.arange(2) == across, high[last], high[first])
    return shapely.box(*low.T, *high.T)


__all__ = [
    "DEGREE",
    "ENOUGH",
    "Finder",
    "Hole",
    "ItemPlaces",
    "ItemSeat",
    "Region",
    "Side",
    "filling",
    "find_item",
    "usual_least",
]  # fmt: skip
