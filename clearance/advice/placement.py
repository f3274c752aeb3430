"""How far may the picked-up zero be off? A scene goes in; the box of shifts, the turn, what binds come out.

The part and its path move together, the holders stay. A head that may stand anywhere in a box of shifts
covers its outline grown by that box, and that is a piece of the same form: one question for the whole box,
answered exactly. So the box is grown evenly from the plan, each side until something binds there. Then it is
cut down to where the part still lies on what carries it, and is held (``standing``).
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from math import hypot, inf, radians, sin

import numpy as np

from clearance.advice.edits import replanned
from clearance.advice.shifts import ShiftedHeads, Touch
from clearance.advice.whole_job import GRAIN, TURN_GRAIN, PartElsewhere, as_told
from clearance.checking.result import Pair, Result
from clearance.checking.verdict import worst
from clearance.kernels.query import HeadRun, SweepQuery
from clearance.records import by_values, changing, hash_by_values
from clearance.scene.model import Finding, Scene, StretchKind
from clearance.tolerances import Tolerances
from clearance.toolpath.moves import Moves

Box = tuple[float, float, float, float]

#: a turn is looked for in no more steps
MOST_STEPS = 60
#: places with the least to spare that are told
PLACES = 5
SIDES = ("X-", "X+", "Y-", "Y+")


@dataclass(frozen=True)
class Binds:
    """What binds a side of the box: at ``shift`` (2,) just past it a head meets an item; or ``why``."""

    __eq__ = by_values
    __hash__ = hash_by_values

    side: str
    at: float
    shift: tuple[float, float] | None = None
    head: str | None = None
    item: str | None = None
    cut: str | None = None
    move: int | None = None
    why: str = ""


@dataclass(frozen=True)
class PlacementAnswer:
    """Where the zero may lie, mm and degrees from the plan.

    Attributes:
        verdict: "clear", the verdict as planned where that is not clear, or "undecided". Where a state of the
            job is not clear the box is that of the heads.
        x, y: the box; every shift in it is clear. None where the plan itself is not.
        turn: degrees that the part and its path may be turned about ``about`` (2,), the zero as planned.
        together: this share of the box and of the turn at once is clear.
        binds: for each side.   turn_binds: (item below, item above).
        places: the pairs with the least to spare, with the places of the head.
    """

    __eq__ = by_values
    __hash__ = hash_by_values

    verdict: str
    x: tuple[float, float] | None
    y: tuple[float, float] | None
    turn: tuple[float, float] | None
    about: tuple[float, float] | None
    together: float
    binds: tuple[Binds, ...]
    turn_binds: tuple[str | None, str | None]
    places: tuple[Pair, ...]
    findings: tuple[Finding, ...] = ()

    def __repr__(self) -> str:
        if self.x is None or self.y is None or self.turn is None:
            return f"<PlacementAnswer {self.verdict}: no room to be off>"
        x, y, turn = (f"{low:+.2f} to {high:+.2f}" for low, high in (self.x, self.y, self.turn))
        return f"<PlacementAnswer {self.verdict}: X {x}, Y {y} mm, {turn} degrees>"


def find_placement(result: Result) -> PlacementAnswer:
    """How far the picked-up zero may lie from the planned one, for a scene as judged."""
    scene = result.scene
    places = least_to_spare(result)
    planned = worst(p.verdict for p in result.pairs)
    if planned != "clear":
        return PlacementAnswer(planned, None, None, None, None, 0.0, (), (None, None), places)
    before = as_told(result)
    query = SweepQuery(scene)
    covered = ShiftedHeads(query)
    box, binds = _grown(query, covered)
    about = _about(scene)
    turn, turn_binds = _turn(covered, about)
    standing = PartElsewhere(scene, before, about)
    if standing.judged:
        box, binds, turn, turn_binds = _as_it_stands(standing, box, binds, turn, turn_binds)
    together = _together(query, covered, box, turn, about)
    if standing.judged and together:
        corners = [(x, y, turn[x > 0.0]) for x in box[:2] for y in box[2:]]
        together *= standing.share([tuple(together * v for v in corner) for corner in corners])  # type: ignore[misc]
    findings = covered.doubts(_shrunk(box, query.tolerances.advice.confirm_inside))
    states = () if before.account is None else before.account.states
    verdict = "undecided" if findings else worst(state.verdict for state in states)
    findings += [f for f in before.findings if f.state is not None and f.severity != "note"]
    if standing.gripped:
        names = " and ".join(f'"{name}"' for name in standing.gripped)
        message = f"how the part is held where it lies elsewhere is not judged: {names} must go along with it"
        findings.append(Finding("holding unknown", "note", message))
    return PlacementAnswer(
        verdict, box[:2], box[2:], turn, about, together, binds, turn_binds, places, tuple(findings)
    )


def _as_it_stands(
    standing: PartElsewhere,
    box: Box,
    binds: tuple[Binds, ...],
    turn: tuple[float, float],
    turn_binds: tuple[str | None, str | None],
) -> tuple[Box, tuple[Binds, ...], tuple[float, float], tuple[str | None, str | None]]:
    """The box and the turn, less what takes a part off what carries and holds it."""
    sides, bound = list(box), list(binds)
    for k, limit in enumerate(box):

        def moved(d: float, k: int = k) -> Finding | None:
            return standing.wrong(d, 0.0) if k < 2 else standing.wrong(0.0, d)

        sides[k], why = standing.end(limit, moved, GRAIN)
        if why is not None:
            about = f'"{why.item}": ' if why.item else ""
            bound[k] = Binds(SIDES[k], sides[k], why=about + why.message)
    share = standing.share([(x, y, 0.0) for x in sides[:2] for y in sides[2:]])
    if share < 1.0:
        sides = [share * side for side in sides]
        corner = "what carries or holds it, at a corner of the box"
        bound = [Binds(SIDES[k], sides[k], why=corner) for k in range(4)]
    ends, named = list(turn), list(turn_binds)
    for k, end in enumerate(turn):
        ends[k], why = standing.end(end, lambda a: standing.wrong(0.0, 0.0, a), TURN_GRAIN)
        named[k] = named[k] if why is None else why.item
    return (sides[0], sides[1], sides[2], sides[3]), tuple(bound), (ends[0], ends[1]), (named[0], named[1])


def least_to_spare(result: Result) -> tuple[Pair, ...]:
    """The pairs of head and item with the least to spare, each where it is nearest; the wire left out."""
    told: set[tuple[str, str]] = set()
    found = []
    for pair in result.pairs:
        if (
            pair.head == "wire"
            or pair.head_at is None
            or pair.spare is None
            or (pair.head, pair.item) in told
        ):
            continue
        told.add((pair.head, pair.item))
        found.append(pair)
    return tuple(found[:PLACES])


# ----------------------------------------------------------------------------------------------- the box
def _grown(query: SweepQuery, covered: ShiftedHeads) -> tuple[Box, tuple[Binds, ...]]:
    """The box, grown evenly until each side is bound."""
    limits, why = _limits(query)
    own = query.tolerances.advice
    box: Box = (0.0, 0.0, 0.0, 0.0)
    free = {0, 1, 2, 3}
    binds: dict[int, Binds] = {}
    while free:
        low = min(abs(box[k]) for k in free)
        high = max(abs(limits[k]) for k in free)
        if covered.clear(_out(box, free, limits, high)):
            low = high
        while high - low > own.shift_fine:
            middle = (low + high) / 2.0
            low, high = (middle, high) if covered.clear(_out(box, free, limits, middle)) else (low, middle)
        box = _out(box, free, limits, low)
        done = {k: Binds(SIDES[k], box[k], why=why[k]) for k in free if abs(box[k]) >= abs(limits[k])}
        for k in free - done.keys():
            touch = covered.first_touch(_longer(box, k, own.shift_past))
            if touch is not None:
                done[k] = _named(covered, box, k, touch)
        binds.update(done or _at_corner(covered, box, free))
        free -= binds.keys()
    return box, tuple(binds[k] for k in range(4))


def _out(box: Box, free: Collection[int], limits: Sequence[float], to: float) -> Box:
    """The box with its free sides at the distance ``to``, or at their limits."""
    sides = [
        float(np.copysign(min(max(to, abs(box[k])), abs(limits[k])), limits[k])) if k in free else box[k]
        for k in range(4)
    ]
    return sides[0], sides[1], sides[2], sides[3]


def _at_corner(covered: ShiftedHeads, box: Box, free: set[int]) -> dict[int, Binds]:
    """Two sides that bind together only: the one along X stops, the other may go on."""
    past = covered.query.tolerances.advice.shift_past
    for k in sorted(free & {0, 1}):
        for other in sorted(free & {2, 3}):
            taller = _longer(box, other, past)
            touch = covered.first_touch(_longer(taller, k, past))
            if touch is not None:
                return {k: _named(covered, taller, k, touch)}
    # nothing that can be named: all stop
    return {k: Binds(SIDES[k], box[k], why="something is within a hair") for k in free}


def _limits(query: SweepQuery) -> tuple[list[float], list[str]]:
    """How far each side may go at most, and why: the limit of the search, or travel in X and Y."""
    limit = query.tolerances.advice.shift_limit
    limits = [-limit, limit, -limit, limit]
    why = [f"nothing within {limit:g} mm"] * 4
    scene = query.scene
    if scene.machine is not None:
        cuts = [s.moves for s in scene.stretches if s.cut is not None]
        low = np.min([np.minimum(_reach(query, m)[0], m.start.min(axis=0)) for m in cuts], axis=0)
        high = np.max([np.maximum(_reach(query, m)[1], m.start.max(axis=0)) for m in cuts], axis=0)
        for axis, travel in enumerate((scene.machine.travel.x, scene.machine.travel.y)):
            for k, room in ((2 * axis, travel[0] - low[axis]), (2 * axis + 1, travel[1] - high[axis])):
                outward = room <= 0.0 if k % 2 == 0 else room >= 0.0
                if outward and abs(room) < abs(limits[k]):
                    limits[k], why[k] = float(room), "the travel ends"
    return limits, why


def _reach(query: SweepQuery, moves: Moves) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest X Y of a path; arcs by their chords, and their bulge by the radius's share."""
    chords = query.chords(moves)
    slack = chords.slack[:, None]
    low = np.minimum(chords.p, chords.q) - slack
    high = np.maximum(chords.p, chords.q) + slack
    return low.min(axis=0), high.max(axis=0)


def _longer(box: Box, k: int, by: float) -> Box:
    """The box with its side k farther out."""
    x0, x1, y0, y1 = box
    boxes = (
        (x0 - by, x1, y0, y1),
        (x0, x1 + by, y0, y1),
        (x0, x1, y0 - by, y1),
        (x0, x1, y0, y1 + by),
    )
    return boxes[k]


def _strip(box: Box, k: int, by: float) -> Box:
    """The strip that the box gains where its side k goes out by ``by``."""
    x0, x1, y0, y1 = box
    strips = ((x0 - by, x0, y0, y1), (x1, x1 + by, y0, y1), (x0, x1, y0 - by, y0), (x0, x1, y1, y1 + by))
    return strips[k]


def _named(covered: ShiftedHeads, box: Box, k: int, touch: Touch) -> Binds:
    """What binds side k, with a shift just past it at which it does: the strip is halved down to a spot."""
    own = covered.query.tolerances.advice
    past = covered.within(_strip(box, k, own.shift_past))
    if past.clear(_strip(box, k, own.shift_past)):
        # two parts meet, each off its own way: no single shift does it
        return Binds(SIDES[k], float(box[k]), None, touch.head, touch.item, touch.cut, touch.move)
    along = 2 * (1 - k // 2)
    # where the first half is clear what meets is in the second one, as the end shows
    for told in (False, True):
        strip = list(_strip(box, k, own.shift_past))
        while strip[along + 1] - strip[along] > own.shift_spot:
            middle = (strip[along] + strip[along + 1]) / 2.0
            half = list(strip)
            half[along + 1] = middle
            if past.clear(tuple(half)):  # type: ignore[arg-type]
                half = list(strip)
                half[along] = middle
                if told and past.clear(tuple(half)):  # type: ignore[arg-type]
                    break
            strip = half
        spotted = covered.first_touch(tuple(strip))  # type: ignore[arg-type]
        if spotted is not None:
            touch = spotted
            break
    across = 2 * (k // 2)
    outer = strip[across] if k % 2 == 0 else strip[across + 1]
    low, high = strip[along], strip[along + 1]

    def spot(y: float) -> tuple[float, float]:
        return (outer, y) if k < 2 else (y, outer)

    shift = spot((low + high) / 2.0)
    for y in (low, high):
        if not past.clear((spot(y)[0], spot(y)[0], spot(y)[1], spot(y)[1])):
            shift = spot(y)
            break
    return Binds(SIDES[k], float(box[k]), shift, touch.head, touch.item, touch.cut, touch.move)


def _shrunk(box: Box, less: float) -> Box:
    """The box less what FCL's envelope may stand out."""
    x0, x1, y0, y1 = box
    return min(x0 + less, 0.0), max(x1 - less, 0.0), min(y0 + less, 0.0), max(y1 - less, 0.0)


# ---------------------------------------------------------------------------------------------- the turn
def _about(scene: Scene) -> tuple[float, float]:
    """The zero that the part is turned about: the first cut's."""
    first = next(s for s in scene.stretches if s.cut is not None)
    zero = first.moves.start[0] if first.zero_M is None else first.zero_M[:2]
    return float(zero[0]), float(zero[1])


def _turn(
    covered: ShiftedHeads, about: tuple[float, float]
) -> tuple[tuple[float, float], tuple[str | None, str | None]]:
    """How far the part may be turned either way at the planned zero, degrees, and which item ends it."""
    own = covered.query.tolerances.advice
    turning = Turning(covered.query, covered.apart, about)
    ends, names = [], []
    for way in (-1.0, 1.0):
        angle, name = 0.0, None
        for _ in range(MOST_STEPS):
            step, name = turning.safe_step(way * angle)
            if step < own.least_turn:
                break
            angle = min(angle + step, own.turn_limit)
            if angle >= own.turn_limit:
                name = None
                break
        ends.append(way * angle)
        names.append(name)
    return (ends[0], ends[1]), (names[0], names[1])


@changing
class _Seen:
    """A head, or one part of it, against a body: what it was like where it was last asked about.

    Attributes:
        run, part, boxed: which, by number, and whether the pieces that do not turn are meant.   body: index.
        radius: that what moves of both lies within, mm from the centre.
        planned, least: mm by which they are apart at least, the head grown, as planned and at ``angle``.
    """

    run: int
    part: int
    boxed: bool
    body: int
    radius: float
    planned: float
    least: float = -np.inf
    angle: float = 0.0


class Turning:
    """The parts with their paths turned about a point, as far as the heads may see them so.

    Turned by a, a point at the distance R from the centre goes 2 R sin(a / 2) at most. A round head sees no
    turn of the part that turns with its path; a box that goes along does not turn, and sees the part's points
    go as well. By the same bound a pair that had much room a bit before needs no look.

    Args:
        query: of the scene as planned.   apart: of each run how far off each body is there, mm.
        about: (2,) the centre, machine X Y.
    """

    def __init__(self, query: SweepQuery, apart: Sequence[np.ndarray], about: tuple[float, float]) -> None:
        self.planned, self.about, self.centre = query, about, np.asarray(about)
        self.parts = {b for s in query.scene.stretches for b in s.cut_bodies}
        self.seen: list[_Seen] = []
        #: who was asked about last, and what they say as planned
        self._last: list[int] = []
        self._as_planned: tuple[float, str | None] | None = None
        #: how many pairs were asked about
        self.looks = 0
        widest = {b: _widest(query.bodies[b].triangles_M, self.centre) for b in self.parts}
        for number, run in enumerate(query.runs):
            reach = self._reach(query, run)
            rigid = run.stretch.kind in (StretchKind.CUT, StretchKind.BETWEEN)
            for k, part in enumerate(run.parts):
                for boxed in (False, True):
                    if not any(any(p.rect) == boxed for p in part.pieces):
                        continue
                    for b in run.bodies:
                        if boxed or not rigid or b not in self.parts:
                            grow = query.growth(run, b)
                            least = float(apart[number][b]) - hypot(grow.side, grow.height)
                            radius = reach + widest.get(b, 0.0)
                            self.seen.append(_Seen(number, k, boxed, b, radius, least))

    def safe_step(self, angle: float) -> tuple[float, str | None]:
        """By how many degrees more it can be turned for certain, and which item allows the least.

        Args:
            angle: degrees from the plan, anticlockwise from above.
        """
        if angle == 0.0 and self._as_planned is not None:
            return self._as_planned
        if not self.seen:  # all that is there turns with its path
            return inf, None
        bounds = [self._least_step(one, angle) for one in self.seen]
        # those that bound the step before, or the one that may now, then whatever may allow less than these
        first = min(range(len(self.seen)), key=bounds.__getitem__)
        waiting = sorted({first, *self._last})
        there = replanned(self.planned.scene, (0.0, 0.0), angle, self.about)
        steps: dict[int, float] = {}
        while waiting:
            steps |= self._asked(there, waiting, angle)
            least = min(steps.values())
            waiting = [k for k in range(len(self.seen)) if k not in steps and bounds[k] <= least]
        at, least = min(sorted(steps.items()), key=lambda one: one[1])
        self._last = [k for k in steps if bounds[k] <= least]
        told = least, there.bodies[self.seen[at].body].name
        if angle == 0.0:
            self._as_planned = told
        return told

    def _least_step(self, one: _Seen, angle: float) -> float:
        """What a pair allows at least, degrees, by where it was seen before."""
        tolerances = self.planned.tolerances
        room = max(
            min(least, tolerances.advice.shift_limit)
            - 2.0 * one.radius * sin(radians(min(abs(angle - seen), 180.0)) / 2.0)
            for least, seen in ((one.planned, 0.0), (one.least, one.angle))
        )
        # either figure may be below the truth by the width of a search
        return _step(room - tolerances.width, one.radius, tolerances)

    def _asked(self, there: Scene, which: Sequence[int], angle: float) -> dict[int, float]:
        """What some pairs allow, degrees, by their numbers."""
        some = [self.seen[k] for k in which]
        query = SweepQuery(there, sorted({one.body for one in some}), tolerances=self.planned.tolerances)
        limit = query.tolerances.advice.shift_limit
        groups: dict[tuple[int, int, bool], list[int]] = {}
        for k, one in zip(which, some, strict=True):
            groups.setdefault((one.run, one.part, one.boxed), []).append(k)
        asked = []
        for (number, part, boxed), mine in groups.items():
            run = query.runs[number]
            pieces = tuple(p for p in run.parts[part].pieces if any(p.rect) == boxed)
            bodies = tuple(self.seen[k].body for k in mine)
            asked.append(replace(run, parts=(replace(run.parts[part], pieces=pieces),), bodies=bodies))
        grown = [{b: query.growth(run, b) for b in run.bodies} for run in asked]
        widest = {
            b: _widest(there.bodies[b].triangles_M, self.centre)
            for b in {one.body for one in some} & self.parts
        }
        steps = {}
        for run, mine, found in zip(asked, groups.values(), query.grown(asked, grown, limit), strict=True):
            reach = self._reach(query, run)
            for k in mine:
                one = self.seen[k]
                one.least, one.angle = float(found[one.body]), angle
                steps[k] = _step(one.least, reach + widest.get(one.body, 0.0), query.tolerances)
        self.looks += len(steps)
        return steps

    def _reach(self, query: SweepQuery, run: HeadRun) -> float:
        """How far from the centre the wire goes at most, at either guide, mm."""
        paths = (run.stretch.moves, run.stretch.upper_moves or run.stretch.moves)
        return max(_farthest(query, moves, self.centre) for moves in paths)


def _step(distance: float, radius: float, tolerances: Tolerances) -> float:
    """The turn, degrees, that brings points at ``radius`` no nearer to each other than the room left."""
    room = distance - tolerances.advice.turn_room
    if distance <= tolerances.found_touch or room <= 0.0:
        return 0.0
    return float(np.degrees(2.0 * np.arcsin(min(room / (2.0 * radius), 1.0)))) if radius else 180.0


def _widest(triangles: np.ndarray, centre: np.ndarray) -> float:
    return float(np.hypot(*(triangles[..., :2].reshape(-1, 2) - centre).T).max())


def _farthest(query: SweepQuery, moves: Moves, centre: np.ndarray) -> float:
    chords = query.chords(moves)
    far = np.maximum(np.hypot(*(chords.p - centre).T), np.hypot(*(chords.q - centre).T))
    return float((far + chords.slack).max())


def _together(
    query: SweepQuery, covered: ShiftedHeads, box: Box, turn: tuple[float, float], about: tuple[float, float]
) -> float:
    """Which share of the box and of the turn is clear at once, by the bound on what a turn moves."""
    centre = np.asarray(about)
    stretches = query.scene.stretches
    reach = max(_farthest(query, m, centre) for s in stretches for m in (s.moves, s.upper_moves or s.moves))
    widest = max(abs(turn[0]), abs(turn[1]))
    for share in (0.5, 0.25, 0.1, 0.05):
        away = 2.0 * reach * float(np.sin(np.radians(share * widest) / 2.0))
        part = tuple(share * side for side in box)
        if covered.clear(part, extra=away):  # type: ignore[arg-type]
            return share
    return 0.0
