"""A question about raises: a scene, what rises and how the upper heads go along go in; the raises at which
something meets come out.

Where the guides' paths change with the raise (U V), windows are found by confirmed steps. From a raise at
which the nearest body is c away, a raise by s moves head and body against each other by no more than s times
``pace``; so the next c / pace are clear too. Through raises at which something meets the steps are even, and
a window lower than such a step may be missed; none is ever too wide.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import replace
from math import hypot

import numpy as np

from clearance.advice.edits import UpperRule, carried, end_rules, lifted, raised, upper_rules
from clearance.kernels.query import Growth, HeadRun, Hits, Lifted, SweepQuery, runs_of
from clearance.records import changing, record
from clearance.scene.heads import HeadPiece, risen
from clearance.scene.model import Body, Scene, StretchKind
from clearance.tolerances import DEFAULT, Tolerances


@changing
class RaiseQuestion:
    """What is asked: the scene, what rises, how the upper heads go along, the range."""

    query: SweepQuery
    rising: Sequence[int]
    rules: Sequence[UpperRule]
    first: float
    last: float

    def __post_init__(self) -> None:
        self.scene = self.query.scene
        self._endless = self.query.tolerances.advice.endless
        ends = end_rules(self.scene, self.rules)
        self.runs = [
            (run, rule, beside)
            for stretch, rule, beside in zip(self.scene.stretches, self.rules, ends, strict=True)
            for run in runs_of(stretch, self.scene.wire_margin, level_ends=True)
        ]

    def hits(self, margins: bool, heads: Collection[str] = ("lower", "upper", "wire")) -> Hits:
        """The raises in the range at which one of the heads (or the wire) meets something.

        Args:
            margins: heads grown by allow and margin; else by allow alone.   heads: "lower", "upper",
                "wire".
        """
        whole = Hits(self.first, self.last)
        for low, high in self._parts_of_range():
            part = Hits(low, high)
            for number, (run, rule, ends) in enumerate(self.runs):
                if run.head not in heads:
                    continue
                for one in run.parts:
                    rows: list[list[Lifted]] = [[] for _ in self.scene.bodies]
                    for body in run.bodies:
                        tag = (number * len(self.scene.bodies) + body) << 32
                        grow = self.query.growth(run, body, margins)
                        s = (low + high) / 2
                        if one.rise is not None:
                            beside = ends[one.rise[0]]
                            assert beside is not None
                            both = (rule, beside)
                            rows[body] = [
                                row
                                for piece in one.rise[1]
                                for row in self._rising(run, both, piece, grow, body, s, tag)
                            ]
                            continue
                        rows[body] = [
                            row
                            for piece in one.pieces
                            for row in self._rows(run, rule, piece, grow, body, s, tag)
                        ]
                    self.query.hits(part, [(one, rows)])
            for a, b, tags in part.intervals:
                # what reaches beyond its part of the range says nothing about the next one
                whole.take(np.maximum(a, low), np.minimum(b, high), tags)
        return whole

    def _parts_of_range(self) -> list[tuple[float, float]]:
        ways = [(rule, beside) for _, rule, ends in self.runs for beside in ends if beside is not None]
        turns = {rule.fixed - rule.follows for way in [*ways, self.rules] for rule in way}
        # and where a face that rides passes one that stands, at an end of a way
        turns |= {a.fixed - b.follows for way in ways for a, b in (way, way[::-1])}
        turns = {turn for turn in turns if math.isfinite(turn)}
        ends = [self.first, *sorted(t for t in turns if self.first < t < self.last), self.last]
        return list(zip(ends, ends[1:], strict=False)) if len(ends) > 2 else [(self.first, self.last)]

    def _beyond(self, grow: Growth) -> tuple[float, float]:
        """Grown so far that the end of a window is no touch."""
        beyond = self.query.tolerances.beyond_touch
        return grow.side + beyond, grow.height + beyond

    def _rows(
        self, run: HeadRun, rule: UpperRule, piece: HeadPiece, grow: Growth, body: int, s: float, tag: int
    ) -> list[Lifted]:
        """How a piece, grown, and a body are to each other when raised about s."""
        moves = body in self.rising
        rides = rule.follows + s > rule.fixed
        # where the upper face would be at s = 0 if it went on as it does about s
        shift = (rule.follows if rides else rule.fixed) - run.stretch.upper_z
        side, height = self._beyond(grow)
        if run.head == "lower":
            return [Lifted(piece.grown(side, height), 1 if moves else 0, tag=tag)]
        if run.head == "upper":
            way = (1 if moves else 0) - (1 if rides else 0)
            return [Lifted(lifted(piece.grown(side, height), shift), way, tag=tag)]
        bottom, top = float(piece.z[0]), float(piece.z[-1]) + shift
        if not rides:
            whole = HeadPiece(np.array([bottom, top]), piece.r).grown(side, height)
            return [Lifted(whole, 1 if moves else 0, tag=tag)]
        if moves:
            endless = HeadPiece(np.array([bottom, top + self._endless]), piece.r).grown(side, height)
            return [Lifted(endless, 1, (-np.inf, top + height), tag)]
        endless = HeadPiece(np.array([bottom - self._endless, top]), piece.r).grown(side, height)
        return [Lifted(endless, -1, (bottom - height, np.inf), tag)]

    def _rising(
        self,
        run: HeadRun,
        both: tuple[UpperRule, UpperRule],
        piece: HeadPiece,
        grow: Growth,
        body: int,
        s: float,
        tag: int,
    ) -> list[Lifted]:
        """The same for an upper head that goes up or down between two heights, a cut's and the way's.

        Args:
            piece: with the face where the way has it, not raised.
        """
        moves = 1 if body in self.rising else 0
        rides = [rule.follows + s > rule.fixed for rule in both]
        # where both faces would be at s = 0 if they went on as they do about s, against where the piece is
        face = [
            (rule.follows if up else rule.fixed) - run.stretch.upper_z
            for rule, up in zip(both, rides, strict=True)
        ]
        side, height = self._beyond(grow)
        if rides[0] == rides[1]:
            column = risen(lifted(piece, min(face)), abs(face[1] - face[0]))
            return [Lifted(column.grown(side, height), moves - int(rides[0]), tag=tag)]
        ride, stand = face if rides[0] else reversed(face)
        # both ends, and what is between: one end goes along with the body and bounds its heights, the column
        # runs on from the other past it, as far as the piece is at its widest
        along, other, way = (ride, stand, 1) if moves else (stand, ride, -1)
        upward = (ride + s < stand) != bool(moves)
        column = risen(lifted(piece, other), self._endless if upward else -self._endless).grown(side, height)
        widest = np.flatnonzero(piece.r == piece.r.max())
        end = along + float(piece.z[widest[-1 if upward else 0]])
        span = (-np.inf, end + height) if upward else (end - height, np.inf)
        own = piece.grown(side, height)
        return [
            Lifted(lifted(own, ride), moves - 1, tag=tag),
            Lifted(lifted(own, stand), moves, tag=tag),
            Lifted(column, way, span, tag),
        ]

    def who(self, tag: int) -> tuple[HeadRun, Body, int]:
        """The run, the body and the programmed move (0-based) of a tag."""
        number, body = divmod(tag >> 32, len(self.scene.bodies))
        run = self.runs[number][0]
        return run, self.scene.bodies[body], int(run.stretch.moves.programmed[tag & 0xFFFFFFFF])


#: a head, an item and a cut (or way) that meet
Meeting = tuple[str, str, str]


@record
class Shut:
    """A raise at which something meets, and what."""

    s: float
    who: tuple[Meeting, ...]


def stepped_windows(
    scene: Scene,
    rising: Sequence[int],
    first: float,
    last: float,
    margins: bool,
    tolerances: Tolerances = DEFAULT,
) -> tuple[list[tuple[float, float]], list[float]]:
    """The raises in [first, last] found to be clear, as open intervals; and those looked at that are not.

    Args:
        scene: as planned.   rising: indices of bodies.   first, last: ends of the range, mm.
        margins: heads grown by allow and margin; else by allow alone.   tolerances: steps and their
            least.
    """
    pace = _pace(scene)
    own = tolerances.advice
    stride = max((last - first) * own.stride_share, own.least_stride)
    look = RoomWhenRaised(scene, rising, margins, tolerances).room
    windows: list[tuple[float, float]] = []
    s = first
    begin: float | None = None
    before = first
    shut: list[float] = []
    while True:
        room = look(s)
        if room > own.step_end:
            if begin is None:
                begin = s if s == first else _edge(look, before, s, room / pace, own.step_end, pace)
            if s >= last:
                break
            s = min(s + room / pace, last)
            continue
        shut.append(s)
        if begin is not None:
            windows.append((begin, s))
            begin = None
        if s >= last:
            break
        before, s = s, min(s + stride, last)
    if begin is not None:
        windows.append((begin, last))
    return windows, shut


def spans(shut: Sequence[Shut], last: float) -> list[tuple[float, float, Meeting]]:
    """From the first such raise to the end always the meeting that goes on for longest: from, to, who.

    Args:
        shut: the raises looked at, one after the other, without a window between.   last: the range's end.
    """
    found = []
    k = 0
    while k < len(shut):
        ends = {who: k for who in shut[k].who}
        for who in ends:
            while ends[who] + 1 < len(shut) and who in shut[ends[who] + 1].who:
                ends[who] += 1
        if not ends:
            k += 1
            continue
        who, end = max(ends.items(), key=lambda one: one[1])
        found.append((shut[k].s, shut[end + 1].s if end + 1 < len(shut) else last, who))
        k = end + 1
    return found


def _edge(
    look: Callable[[float], float],
    shut: float,
    clear: float,
    room: float,
    least: float,
    pace: float,
) -> float:
    """Downward from a clear raise to where it ends, by safe steps; not below ``shut``."""
    s = clear
    while True:
        s = max(s - room, shut)
        room = look(s)
        if room <= least or s <= shut:
            return s
        room /= pace


#: what a bound is widened by
_SAFE = 1.001


def _pace(scene: Scene) -> float:
    """By how much, at most, a raise of 1 mm moves heads and bodies against each other, mm."""
    return _SAFE * hypot(1.0, _steepest(scene))


def _steepest(scene: Scene) -> float:
    """By how much, at most, a raise of 1 mm moves a guide's path sideways, mm."""
    steepest = 0.0
    for stretch in scene.stretches:
        if stretch.cut is not None and stretch.upper_moves is not None:
            a, b = stretch.moves, stretch.upper_moves
            apart = max(
                float(np.hypot(*(b.start - a.start).T).max()),
                float(np.hypot(*(b.end - a.end).T).max()),
                # arcs about two centres, of two radii, are no farther apart than these two add up to
                _bulge(a, b),
            )
            guides = scene.known_machine.lower_head.guide + scene.known_machine.upper_head.guide
            steepest = max(steepest, apart / (stretch.upper_z - stretch.lower_z + guides))
    return steepest


def _bulge(a: object, b: object) -> float:
    arcs = (a.sweep != 0.0) & (b.sweep != 0.0)  # type: ignore[attr-defined]
    if not arcs.any():
        return 0.0
    centres = np.hypot(*(a.centre - b.centre)[arcs].T)  # type: ignore[attr-defined]
    radii = np.hypot(*(a.start - a.centre)[arcs].T) - np.hypot(*(b.start - b.centre)[arcs].T)  # type: ignore[attr-defined]
    return float((centres + np.abs(radii)).max())


class RoomWhenRaised:
    """How near any head comes to any body when some are raised, one raise after another.

    A pair that goes up as one, or stands as one, is as far apart at every raise; another one that was far off
    comes nearer by no more than the pace allows. So most need no look.

    Args:
        scene: as planned.   rising: indices of bodies.   margins: heads grown by allow and margin; else by
            allow alone.
    """

    def __init__(self, scene: Scene, rising: Sequence[int], margins: bool, tolerances: Tolerances) -> None:
        self.scene, self.rising, self.margins, self.tolerances = scene, rising, margins, tolerances
        query = SweepQuery(scene, tolerances=tolerances)
        rules = upper_rules(scene, rising)
        self._rules = {
            id(stretch): (rule, *(end for end in ends if end is not None))
            for stretch, rule, ends in zip(scene.stretches, rules, end_rules(scene, rules), strict=True)
        }
        #: run, part (None: all of them) and body of each pair, by number
        self.pairs = [
            (number, part, body)
            for number, run in enumerate(query.runs)
            for part in _parts_apart(run)
            for body in run.bodies
        ]
        #: how fast they may come nearer when raised farther, and when less far, mm for 1 mm; and which go up,
        #: or stand, as one
        steepest = _steepest(scene)
        paces = [
            self._pace_of(query, _of_part(query.runs[n], part), b, steepest) for n, part, b in self.pairs
        ]
        self._pace, self._back = np.array(paces, dtype=float).reshape(-1, 2).T
        self._as_one = self._back == 0.0
        #: how far each pair is apart at least at a raise, mm
        self._apart = np.full(len(self.pairs), -np.inf)
        self._at = np.zeros(len(self.pairs))
        self._nearest: int | None = None
        #: how many pairs were asked about
        self.looks = 0

    def _pace_of(self, query: SweepQuery, run: HeadRun, body: int, steepest: float) -> tuple[float, float]:
        """By how much a head and a body may come nearer to each other, at most, when raised by 1 mm; and when
        lowered."""
        stretch, goes_up = run.stretch, body in self.rising
        if run.head == "wire":
            return _SAFE * hypot(1.0, steepest), _SAFE * hypot(1.0, steepest)
        rides = all(rule.fixed == -np.inf < rule.follows for rule in self._rules[id(stretch)])
        stands = all(rule.follows == -np.inf for rule in self._rules[id(stretch)])
        level, aside = stretch.upper_moves is None, 0.0
        if run.head == "lower":
            rides, stands = False, True
            aside = 0.0 if level else steepest
        elif not level:
            # its guide's path goes up with it, unless what stands on the lower one's or more chords go along
            paths = (stretch.moves, stretch.upper_moves)
            same = stretch.kind is StretchKind.CUT and rides and carried(stretch, self.rising)
            exact = not any(path is not None and path.chord_error for path in paths)
            own = all(part.moves is stretch.upper_moves for part in run.parts)
            aside = 0.0 if same and exact and own else steepest
        if not (rides or stands):
            return _SAFE * hypot(1.0, aside), _SAFE * hypot(1.0, aside)
        up = int(goes_up) - int(rides)
        away = up != 0 and self._apart_in_height(query, run, body, above=up > 0)
        return _SAFE * hypot(0.0 if away else up, aside), _SAFE * hypot(up, aside)

    def _apart_in_height(self, query: SweepQuery, run: HeadRun, body: int, above: bool) -> bool:
        """Whether a body lies above all of a head, or else below it: going on so it goes away from it."""
        heights = self.scene.bodies[body].triangles_M[..., 2]
        grow = query.growth(run, body, self.margins).height
        pieces = [piece for part in run.parts for piece in part.pieces]
        if above:
            return float(heights.min(initial=np.inf)) >= max(float(p.z[-1]) for p in pieces) + grow
        return float(heights.max(initial=-np.inf)) <= min(float(p.z[0]) for p in pieces) - grow

    def room(self, s: float) -> float:
        """The smallest distance of any grown head from any body, no more than the horizon; where that is the
        end of a window, some distance that is."""
        own = self.tolerances.advice
        # either figure may be below the truth by the width of a search
        went = s - self._at
        pace = np.where(went < 0.0, self._back, self._pace)
        least = self._apart - pace * np.abs(went) - self.tolerances.width
        known = self._as_one & (self._apart > -np.inf)
        room = float(np.minimum(self._apart[known].min(initial=own.step_horizon), own.step_horizon))
        there: Scene | None = None
        if room > own.step_end:
            some = np.flatnonzero(~known & (least < room))
            # what ended a window a bit before mostly ends it here
            first = [] if self._nearest is None or self._nearest not in some else [self._nearest]
            for which in (first, [k for k in some.tolist() if k not in first]):
                if not which or room <= own.step_end:
                    continue
                there = there or raised(self.scene, self.rising, s)
                found = self._asked(there, s, which)
                room = min(room, float(found.min()))
                self._nearest = which[int(np.argmin(found))] if room <= own.step_end else None
        return 0.0 if room <= self.tolerances.found_touch else room

    def _asked(self, there: Scene, s: float, which: Sequence[int] | np.ndarray) -> np.ndarray:
        """The distances of some pairs, by number, each no more than the horizon."""
        horizon = self.tolerances.advice.step_horizon
        query = SweepQuery(there, sorted({self.pairs[k][2] for k in which}), tolerances=self.tolerances)
        rows, near = np.asarray(which), np.isfinite(self._apart[which]) & (self._apart[which] < horizon)
        found = np.full(len(rows), horizon)
        # of what is beyond the horizon it is worth knowing how far: it may be passed over for so long
        apart = self._distances(query, rows[~near], _BEYOND * horizon)
        self._apart[rows[~near]] = apart
        near[~near] = apart < horizon + self.tolerances.width
        found[near] = self._distances(query, rows[near], horizon)
        self._apart[rows[near]] = found[near]
        self._at[rows] = s
        self.looks += len(rows)
        return found

    def _distances(self, query: SweepQuery, which: Sequence[int] | np.ndarray, up_to: float) -> np.ndarray:
        if not len(which):
            return np.empty(0)
        grown: dict[tuple[int, int | None], dict[int, Growth]] = {}
        for k in which:
            number, part, body = self.pairs[k]
            growth = query.growth(query.runs[number], body, self.margins)
            grown.setdefault((number, part), {})[body] = growth
        runs = [_of_part(query.runs[number], part) for number, part in grown]
        found = dict(zip(grown, query.grown(runs, list(grown.values()), up_to), strict=True))
        return np.array([float(found[n, part][body]) for n, part, body in (self.pairs[k] for k in which)])


def _parts_apart(run: HeadRun) -> Sequence[int | None]:
    """What of an upper head goes along the upper guide's path goes up with a part, what goes along the lower
    one's does not: its parts by number; of others all in one."""
    apart = (
        run.head == "upper" and run.stretch.kind is StretchKind.CUT and run.stretch.upper_moves is not None
    )
    return range(len(run.parts)) if apart else (None,)


def _of_part(run: HeadRun, part: int | None) -> HeadRun:
    return run if part is None else replace(run, parts=(run.parts[part],))


#: horizons up to which it is told how far off a pair is
_BEYOND = 20.0


def met_when_raised(
    scene: Scene, rising: Sequence[int], s: float, margins: bool, tolerances: Tolerances = DEFAULT
) -> Shut:
    """Who is as near as the end of a window when raised by s.

    Args:
        scene: as planned.   rising: indices of bodies.   s: mm.
        margins: heads grown by allow and margin; else by allow alone.
    """
    query = SweepQuery(raised(scene, rising, s), tolerances=tolerances)
    grown = [{b: query.growth(run, b, margins) for b in run.bodies} for run in query.runs]
    horizon, end = tolerances.advice.step_horizon, tolerances.advice.step_end
    return Shut(
        s,
        tuple(
            (run.head, query.bodies[b].name, run.stretch.name)
            for run, found in zip(query.runs, query.grown(query.runs, grown, horizon), strict=True)
            for b in run.bodies
            if found[b] <= end
        ),
    )
