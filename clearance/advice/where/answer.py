"""A scene and an item's name go in; where it may stand comes out: regions or holes, the best place with what
bounds it, and whether there is none at all. What is told of as free was proven, and looked at by the judge.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.advice.where.best import ENOUGH, Bound, Rooms, Spot, best_of
from clearance.advice.where.confirm import Judge
from clearance.advice.where.free import Map, Probe, Reason, look
from clearance.advice.where.seats import DEGREE, FINE, Seat, seat_of
from clearance.advice.where.work import Work, work_of
from clearance.kernels.query import Boxes, SweepQuery
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
#: the judge is asked about so many places at most until one is right
TRIES = 12
#: where a place ends is looked for so far, mm
FARTHEST = 30.0
#: an undecided strip thinner than this is no place, mm
STRIP = FINE


@dataclass(frozen=True)
class Region:
    """Places on a plane that hang together.

    Attributes:
        outline: of the item's origin (shapely), machine X Y, mm.   turn: degrees from how it stands.
        room: by how much the item may be off in the middle of it, mm.
    """

    outline: Any
    turn: float
    room: float


@dataclass(frozen=True)
class Hole:
    """Places about one thread hole.

    Attributes:
        at: (x, y), machine, mm.   turns: from, to, degrees from how it stands now, each end proven.
        room: by how much it may be off in X and Y at the best of these turns, mm.
    """

    at: tuple[float, float]
    turns: tuple[float, float]
    room: float


@dataclass(frozen=True)
class ItemPlaces:
    """Where one item may stand.

    Attributes:
        item: its name.   seat: the family of places.   map: all that was found out.
        least: by how much it must be allowed to be off, mm.
        regions, holes: its places, those with the most room first; ``tight``: those with less room than
            ``least``, which are no places to use.
        best: the one to use; None where there is none.   bounds: what bounds it on each side.
        nowhere: no place at all, for certain.   undecided: mm2 (or holes' degrees) that are undecided.
        forbids: what forbids places, the one that forbids most first: words, share.
        doubts: what the judge said against places that were found; these are not among ``regions``.
        looked_at: the judge alone tells its work, at single places.
        opens: what would make room where there is none.
    """

    item: str
    seat: Seat
    map: Map
    least: float
    regions: tuple[Region, ...] = ()
    holes: tuple[Hole, ...] = ()
    tight: tuple[Region | Hole, ...] = ()
    best: Spot | None = None
    bounds: tuple[Bound, ...] = ()
    nowhere: bool = False
    undecided: float = 0.0
    forbids: tuple[tuple[Reason, float], ...] = ()
    doubts: tuple[str, ...] = ()
    looked_at: bool = False
    opens: tuple[str, ...] = ()

    @property
    def shift(self) -> tuple[float, float]:
        """By how much its own origin goes from where it stands to the best place, mm."""
        assert self.best is not None
        return self.seat.by(self.best.at, self.best.turn)

    @property
    def verdict(self) -> str:
        """ "places", "nowhere" or "undecided"."""
        return "places" if self.best is not None else "nowhere" if self.nowhere else "undecided"


def usual_least(scene: Scene, seat: Seat) -> float:
    """By how much an item is to be allowed to be off where nobody says it, mm."""
    if seat.holes is not None:
        return IN_HOLE
    return BY_HAND if scene.bodies[seat.index].kind == "laid" else BY_RULE


def filling(
    scene: Scene, item: str, turns: tuple[float, float] | None = None, query: SweepQuery | None = None
) -> Iterator[Map]:
    """The map of an item's places, again and again as it fills.

    Args:
        scene: as it stands.   item: its name.   turns: degrees, from and to.   query: about the scene.
    """
    seat = seat_of(scene, item, turns)
    work = work_of(scene, seat.index, seat.moving, seat.origin, seat.around)
    yield from look(query or SweepQuery(scene, tolerances=PLACES), seat, work)


def find_item(
    scene: Scene,
    item: str,
    least: float | None = None,
    turns: tuple[float, float] | None = None,
    progress: Progress | None = None,
    query: SweepQuery | None = None,
    besides: Sequence[int] | None = None,
) -> tuple[ItemPlaces, Finder]:
    """Where one item may stand; and what found it.

    Args:
        scene: as it stands.   item: its name.   least: mm; None: the usual.
        turns: degrees, from and to.   progress: is told the share done and what is looked at.
        query: about the scene.
        besides: indices of what is looked for a place too: it is not kept from, and the judge is not asked
            about this item alone. None where it is asked about alone.

    Raises:
        InputError: there is no such item, or it has no places.
    """
    say = progress or (lambda share, what: None)
    seat = seat_of(scene, item, turns)
    least = usual_least(scene, seat) if least is None else least
    say(0.0, f'what "{item}" stands on, holds and stands beside')
    work = work_of(scene, seat.index, seat.moving, seat.origin, seat.around, besides or ())
    query = SweepQuery(scene, tolerances=PLACES) if query is None else query
    found, share = Map(seat), 0.1
    for each in look(query, seat, work):
        found = each
        share = min(share + 0.05, 0.7)
        say(share, f'heads about "{item}"')
    say(0.7, f'the best place of "{item}"')
    finder = Finder(scene, query, found, work, least, alone=besides is None)
    return finder.made(), finder


@dataclass
class Finder:
    """What makes an answer of a map.

    Args:
        scene, query, found, work: of the item.   least: mm.   alone: the judge is asked about it alone.
    """

    scene: Scene
    query: SweepQuery
    found: Map
    work: Work
    least: float
    alone: bool = True
    doubts: list[str] = field(default_factory=list)
    #: places with the room at each, from which several items choose
    spots: list[Spot] = field(default_factory=list)
    by_turn: dict[float, list[Any]] = field(default_factory=dict)

    def made(self) -> ItemPlaces:
        """The answer."""
        seat = self.found.seat
        self.rooms = Rooms(self.query, seat)
        self.probe = Probe(self.query, self.found, self.work)
        self.judge = Judge(self.scene, [seat.item]) if self.alone else None
        base = ItemPlaces(seat.item, seat, self.found, self.least, forbids=tuple(self._forbids()))
        filled = self._on_plane(base) if seat.holes is None else self._in_holes(base)
        if filled.best is not None:
            filled = replace(filled, bounds=tuple(self.bounds(filled.best)))
        return replace(filled, doubts=tuple(dict.fromkeys(self.doubts)), looked_at=not self.work.judged)

    def _forbids(self) -> list[tuple[Reason, float]]:
        boxes, why = self.found.forbidden, self.found.why
        if not len(boxes):
            return []
        size = 4.0 * boxes.half.prod(axis=1) if self.found.seat.holes is None else np.ones(len(boxes))
        share = np.bincount(why, size, minlength=len(self.found.reasons))
        whole = max(float(share.sum()), 1e-12)
        order = np.argsort(-share, kind="stable")
        return [(self.found.reasons[k], float(share[k]) / whole) for k in order if share[k] > 0.0]

    def _confirmed(self, at: tuple[float, float], turn: float) -> bool:
        if self.judge is None:
            return True
        there = self.judge.moved(self.found.seat, at, turn)
        said = self.judge.wrong(there)
        if said is not None:
            self.doubts.append(said)
        return said is None

    # ------------------------------------------------------------------------------------------ on a plane
    def _on_plane(self, base: ItemPlaces) -> ItemPlaces:
        import shapely

        good: list[Region] = []
        tight: list[Region | Hole] = []
        by_turn: dict[float, list[Any]] = {}
        for turn in np.unique(self.found.free.turn):
            mine = self.found.free.take(self.found.free.turn == turn)
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
            if self._confirmed(at, turn):
                best = Spot(at, turn, spare, float(shapely.distance(whole.boundary, shapely.Point(at))))
            else:
                cores[turn] = cores[turn].difference(shapely.Point(at).buffer(5.0))
                if len(self.doubts) > 4:
                    break
        open_ = shapely.union_all(squares(self.found.open)) if len(self.found.open) else shapely.Polygon()
        # a strip thinner than the finest box is no place
        thick = within(open_, STRIP / 2.0 + 1e-6)
        nowhere = not len(self.found.free) and thick.is_empty
        return replace(
            base, regions=tuple(good), tight=tuple(tight), best=best, nowhere=nowhere,
            undecided=float(open_.area) + (0.0 if self.work.judged else self._unknown(by_turn)),
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
            if self._confirmed(spot.at, spot.turn):
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
        return all([self._confirmed((float(p[0]), float(p[1])), one.turn) for p in points])

    def choices(self, most: int) -> list[Spot]:
        """Places of a region to choose from, spread over it, with the room at each."""
        import shapely

        if self.found.seat.holes is not None:
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

    # ------------------------------------------------------------------------------------------ in holes
    def _in_holes(self, base: ItemPlaces) -> ItemPlaces:
        free, seat = self.found.free, self.found.seat
        assert seat.holes is not None
        spots: list[Spot] = []
        for turn in np.unique(free.turn):
            at = free.centre[free.turn == turn]
            spare = self.rooms.of(at, float(turn))
            room, _ = self.work.room(at, np.full(len(at), turn))
            spots += [
                Spot((float(p[0]), float(p[1])), float(turn), float(e), float(min(e, r)))
                for p, e, r in zip(at, spare, room, strict=True)
            ]
        good: list[Spot] = []
        tight: list[Spot] = []
        for spot in sorted(spots, key=lambda s: (s.at, s.turn)):
            into = good if spot.room >= self.least - 1e-6 else tight
            into.append(spot)
        best = None
        self.spots = list(good)
        left, tries = list(good), 0
        while left and best is None:
            # half a millimetre more room is no reason to stand askew
            most = max(spot.spare for spot in left)
            alike = [spot for spot in left if spot.spare >= most - 0.5]
            near = min(alike, key=lambda s: (np.hypot(*(np.array(s.at) - seat.origin)), abs(s.turn)))
            if self._confirmed(near.at, near.turn):
                best = near
            elif self.work.judged:
                left = [spot for spot in left if spot.at != near.at]
                good = [spot for spot in good if spot.at != near.at]
            else:
                left.remove(near)
            tries += 1
            if tries >= TRIES:
                break
        holes = []
        if not self.work.judged:
            # the judge alone says whether it holds: what it was not asked about is no place
            good = [] if best is None else [best]
        for one in _bands(good):
            if (best is not None and one.at == best.at) or self._confirmed(one.at, _middle(one)):
                holes.append(one)
        undecided = self.found.open
        unknown = len(free) if best is None and not self.work.judged else 0
        return replace(
            base, holes=tuple(sorted(holes, key=lambda h: -h.room)), tight=tuple(_bands(tight)), best=best,
            nowhere=not len(free) and not len(undecided),
            undecided=float(len(undecided) + unknown) * DEGREE,
        )  # fmt: skip

    # -------------------------------------------------------------------------------------- what bounds it
    def bounds(self, spot: Spot) -> list[Bound]:
        """What bounds a place on each side."""
        out = []
        ways = {"X+": (1.0, 0.0), "X-": (-1.0, 0.0), "Y+": (0.0, 1.0), "Y-": (0.0, -1.0)}
        steps = np.r_[0.1 * 1.3 ** np.arange(22)]
        steps = np.r_[steps[steps < FARTHEST], FARTHEST]
        at = np.array(spot.at)
        points = np.concatenate([at + steps[:, None] * np.array(way) for way in ways.values()])
        wrong, reason = self.probe.first_wrong(points, spot.turn)
        for k, (side, way) in enumerate(ways.items()):
            mine = slice(k * len(steps), (k + 1) * len(steps))
            bad = np.flatnonzero(wrong[mine])
            if not len(bad):
                continue
            first = int(bad[0])
            low, high = (float(steps[first - 1]) if first else 0.0), float(steps[first])
            why = int(reason[mine][first])
            for _ in range(10):
                middle = (low + high) / 2.0
                is_wrong, told = self.probe.first_wrong((at + middle * np.array(way))[None], spot.turn)
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
    return shapely.box(*low.T, *high.T)


def _bands(spots: list[Spot]) -> list[Hole]:
    """Neighbouring turns about one hole as one."""
    out: list[Hole] = []
    for spot in spots:
        last = out[-1] if out else None
        if last is not None and last.at == spot.at and abs(spot.turn - last.turns[1] - DEGREE) < 1e-9:
            out[-1] = Hole(last.at, (last.turns[0], spot.turn), max(last.room, spot.room))
        else:
            out.append(Hole(spot.at, (spot.turn, spot.turn), spot.room))
    return out


def _middle(hole: Hole) -> float:
    """A turn of a band, a whole one, as near to none as it can be."""
    low, high = hole.turns
    return float(min(max(0.0, low), high))


__all__ = ["ENOUGH", "Finder", "Hole", "ItemPlaces", "Region", "filling", "find_item", "usual_least"]
