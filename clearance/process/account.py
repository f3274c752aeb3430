"""The account of a job: what it says of each state. Masses kg, lengths mm, machine frame.

``Moment`` and its kin are made of the programs and of what comes free. A moment begins as the job does, at a
stop where somebody acts, and where metal comes free. What comes free before anybody acts again belongs to one
moment: sixty holes are one.

Of parts whose surface does not close, what was therefore not judged is told. Distances to such a part are
real. What asks for its inside (is there a hole at the thread point, what comes free, what does it weigh, does
it tip) cannot be answered, and silence on it would read as "nothing found".
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import field

import numpy as np

from clearance.process.removal import KINDS, Piece
from clearance.process.runs import Run
from clearance.process.statics import Resultant
from clearance.records import changing, record
from clearance.scene.model import Body, Finding, FromModel, Scene, Stretch
from clearance.scene.settings import Cut, JobStop

#: a rapid move that ends this near to where the wire was threaded leads out, mm
ASIDE = 1.0


@record
class Carrier:
    """What carries a part, and how much of its weight: least and most, kg; None where no density is known."""

    item: str
    least: float | None
    most: float | None


@record
class Held:
    """A part in a state.

    Attributes:
        part: its name.   mass: of what is left of it, kg or None.
        carried_by: what it lies on.   pressed_by: names of what presses it where that counts.
        gripped_by: names of what grips it.
        held_by: what else holds it, as the setup says ("glue").
        inside: how far its centre of gravity lies within what carries it, seen from above, mm; negative:
            outside; None where nothing carries it.
        idle: names of magnets that touch it and do not hold it, where it is told that nothing does.
    """

    part: str
    mass: float | None
    carried_by: tuple[Carrier, ...] = ()
    pressed_by: tuple[str, ...] = ()
    gripped_by: tuple[str, ...] = ()
    held_by: str | None = None
    inside: float | None = None
    idle: tuple[str, ...] = ()


@record
class Freed:
    """A piece that came free.

    Attributes:
        leaves: "drops", "lifts" (it must be lifted out) or "stuck".
        held: by a clamp, or by what the setup says; ``held_by``: by which, in words.
        up: by how much the upper head must go up for it to be lifted out, mm; None where it is not.
    """

    piece: str
    mass: float | None
    leaves: str
    held: bool
    held_by: tuple[str, ...] = ()
    up: float | None = None


@record
class State:
    """A state of the job; see ``clearance.process``.

    Attributes:
        n: from 1.   begins: "start", "stop" or "piece".   name: for a person.
        cut: the cut in which it begins.   line: in the path file, of the word that stops, or None.
        wire: "in" or "out" as it begins.   move: what is to be put on, taken off or taken out.
        why: what is wrong in it and was not so before, a sentence each.
    """

    n: int
    begins: str
    name: str
    cut: str
    line: int | None
    verdict: str
    parts: tuple[Held, ...] = ()
    free: tuple[Freed, ...] = ()
    wire: str = "out"
    move: tuple[str, ...] = ()
    why: tuple[str, ...] = ()


@record
class Account:
    """The states of a job and what is to be told of them.

    Attributes:
        carriers: names of the holders whose load was judged by what each of them takes.
        puts: part, what carries it, and the most that it puts on that in any state.
        loose: names of the pieces that stand on the lower head in their openings as the job ends.
    """

    states: tuple[State, ...]
    findings: tuple[Finding, ...]
    carriers: frozenset[str] = frozenset()
    puts: tuple[tuple[str, str, Resultant], ...] = ()
    loose: tuple[str, ...] = ()


@changing
class Step:
    """A bit of a run, and what it frees."""

    bit: Run
    freed: list[Piece] = field(default_factory=list)


@changing
class Moment:
    """A span of the job.

    Attributes:
        begins: "start", "stop" or "piece".   name: for a person.
        stretch: the cut in which it begins.   present: indices of the bodies that are there.
        stop: number of the last stop so far, 0 where there was none.
        line: of the word at which the program stops, or None.
        steps: what is cut in it, in order; what a step frees comes free at its end.
        freed: at the beginning of a moment that begins with a piece: what came free.
        move: what a person puts on, takes off or takes out as it begins.
        taken_out: names of cuts whose pieces are taken out, "all", or names of pieces.
        acts: the stop, where it begins with one.   was: what was there before it, as ``present``.
    """

    begins: str
    name: str
    stretch: Stretch
    present: tuple[int, ...]
    stop: int = 0
    line: int | None = None
    steps: list[Step] = field(default_factory=list)
    freed: list[Piece] = field(default_factory=list)
    move: list[str] = field(default_factory=list)
    taken_out: tuple[str, ...] = ()
    acts: JobStop | None = None
    was: tuple[int, ...] = ()

    @property
    def ends_in(self) -> Stretch:
        """The cut that runs as it ends."""
        return self.steps[-1].bit.stretch if self.steps else self.stretch

    def goes_away(self, following: Moment | None) -> bool:
        """Whether the heads go elsewhere by rapid moves once it has cut all that it cuts.

        A rapid move back to where the wire was threaded is a lead-out; what follows the next thread point is
        a run of its own.

        Args:
            following: the next moment of the job, None where there is none.
        """
        stretch, moves = self.ends_in, self.ends_in.moves
        bits = [step.bit for step in self.steps] or [piece.run for piece in self.freed]
        if bits:
            last = bits[-1]
            cutting = np.flatnonzero(~moves.rapid[last.first : last.last + 1])
            first = last.first + (int(cutting[-1]) + 1 if len(cutting) else 0)
            home = last.thread_point
        elif self.acts is not None and self.acts.word:
            first, home = self.acts.at, moves.end[self.acts.at - 1]
        else:
            return False
        until = None if following is None or following.stretch is not stretch else following.acts
        stops = (until.at,) if until is not None and until.word else ()
        ends = [k for k in (*moves.thread_points, *stops) if k >= first]
        span = slice(first, min(ends, default=len(moves)))
        away = np.hypot(*(moves.end[span] - home).T)
        return bool(np.any(moves.rapid[span] & (away > ASIDE)))


def moments(scene: Scene, runs: Iterable[Run], pieces: Iterable[Piece]) -> list[Moment]:
    """All moments of the job, in order.

    Args:
        runs: every run of it, in order.   pieces: all that comes free.
    """
    runs, freed_by = list(runs), _freed_by(pieces)
    found: list[Moment] = []
    before: tuple[int, ...] | None = None
    number = 0
    for stretch in scene.stretches:
        if stretch.cut is None:
            continue
        cut = scene.cut_of(stretch) or Cut(stretch.name, "")
        stops = [stop for stop in scene.stops if stop.cut == stretch.cut]
        present = stretch.there(0)
        taken = tuple(one.name for one in cut.taken_out if one.stop is None)
        move = [] if before is None else [*_moved(scene, before, present), *taken_words(taken)]
        asked = next((stop for stop in stops if not stop.word), None)
        if before is None:
            found.append(Moment("start", "start", stretch, present, taken_out=taken))
        elif move or asked or cut.stop_before:
            number = number + 1 if asked is None else asked.number
            name = f'stop {number}, before "{stretch.name}"'
            one = Moment("stop", name, stretch, present, number, move=move, taken_out=taken, acts=asked)
            one.was = before or ()
            found.append(one)
        inside = [stop for stop in stops if stop.word]
        for bit in _bits(runs, stretch):
            while inside and inside[0].at <= bit.first:
                found.append(_stop(scene, cut, stretch, inside.pop(0)))
                number = found[-1].stop
            freed = freed_by.get((bit.number, bit.first), [])
            now = found[-1]
            now.steps.append(Step(bit))
            if freed and now.begins == "piece" and now.stretch is stretch:
                now.steps[-1].freed += freed
            elif freed:
                what, verb = (freed[0].kind, "is") if len(freed) == 1 else (f"{len(freed)} pieces", "are")
                name = f'once the {what} of "{stretch.name}" {verb} free'
                there = stretch.there(bit.last)
                found.append(Moment("piece", name, stretch, there, number, freed=list(freed)))
        for stop in inside:
            found.append(_stop(scene, cut, stretch, stop))
            number = stop.number
        before = stretch.there(-1)
    return found


def _stop(scene: Scene, cut: Cut, stretch: Stretch, stop: JobStop) -> Moment:
    """The moment that begins where a program stops."""
    where = stop.block or f"line {stop.line}"
    name = f'stop {stop.number}, {stop.word} at {where} of "{stretch.name}"'
    taken = tuple(one.name for one in cut.taken_out if one.stop == stop.number)
    there = stretch.there(stop.at)
    was = stretch.there(stop.at - 1)
    return Moment(
        "stop",
        name,
        stretch,
        there,
        stop.number,
        stop.line,
        move=[*_moved(scene, was, there), *taken_words(taken)],
        taken_out=taken,
        acts=stop,
        was=was,
    )


def taken_words(names: Sequence[str]) -> list[str]:
    """What a setter does with what is named to be taken out.

    Args:
        names: "all", names of cuts whose pieces are taken out, or of pieces.
    """
    found = []
    for name in names:
        kind, _, cut = name.partition(" of ")
        if name == "all":
            found.append("take all that is free out")
        else:
            found.append(
                f'take out the {kind} of "{cut}"'
                if kind in KINDS and cut
                else f'take out what "{name}" freed'
            )
    return found


def _bits(runs: Iterable[Run], stretch: Stretch) -> Iterator[Run]:
    for run in runs:
        if run.stretch is stretch:
            yield from run.bits()


def _freed_by(pieces: Iterable[Piece]) -> dict[tuple[int, int], list[Piece]]:
    found: dict[tuple[int, int], list[Piece]] = {}
    for piece in pieces:
        found.setdefault((piece.run.number, piece.run.first), []).append(piece)
    return found


def _moved(scene: Scene, before: Sequence[int], after: Sequence[int]) -> list[str]:
    """What is taken off and put on from one moment to the next."""
    off = [scene.bodies[k].name for k in before if k not in after]
    on = [scene.bodies[k].name for k in after if k not in before]
    return [f'take off "{name}"' for name in off] + [f'put on "{name}"' for name in on]


OPEN_PART = "open part"
_CUT = "the wire's way through it where it is threaded, what comes free, mass and tipping"
_STANDS = "mass, and whether it stands or is cut into by another body"


def open_part_findings(scene: Scene) -> list[Finding]:
    """One for each open part and cut that it is cut in, "close" unless the setup accepts its cracks; a note
    for an open part that is not cut."""
    found = []
    cuts = [stretch for stretch in scene.stretches if stretch.cut is not None]
    for k, body in enumerate(scene.bodies):
        if body.kind != "part" or body.closed:
            continue
        names = [stretch.name for stretch in cuts if k in stretch.cut_bodies]
        found += [_of_cut(body, name) for name in names] or [_of_other(body)]
    return found


def _of_cut(body: Body, cut: str) -> Finding:
    not_judged = f"its surface is open, so not judged for it: {_CUT}"
    if accepted(body):
        message = f'{not_judged}; the setup says cracks = "accepted"'
        return Finding(OPEN_PART, "note", message, item=body.name, cut=cut)
    message = f'{not_judged}. Export a closed body, or look at these by eye and say cracks = "accepted"'
    return Finding(OPEN_PART, "close", message, item=body.name, cut=cut)


def _of_other(body: Body) -> Finding:
    message = f"its surface is open, so not judged for it: {_STANDS}"
    return Finding(OPEN_PART, "note", message, item=body.name)


def accepted(body: Body) -> bool:
    """Whether the setup accepts that the part's surface does not close."""
    return isinstance(body.source, FromModel) and body.source.cracks_accepted
