"""The programs and what comes free go in; the moments of the job, in order, come out.

A moment begins as the job does, at a stop where somebody acts, and where metal comes free. What comes free
before anybody acts again belongs to one moment: sixty holes are one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from clearance.process.removal import Piece
from clearance.process.runs import Run
from clearance.scene.model import Scene, Stretch
from clearance.scene.settings import Cut

#: the word at which a program stops only where a switch at the control says so
OPTIONAL = 1.0


@dataclass
class Step:
    """A bit of a run, and what it frees."""

    bit: Run
    freed: list[Piece] = field(default_factory=list)


@dataclass
class Moment:
    """A span of the job.

    Attributes:
        begins: "start", "stop" or "piece".   name: for a person.
        stretch: the cut in which it begins.   line: of the word at which the program stops, or None.
        steps: what is cut in it, in order; what a step frees comes free at its end.
        freed: at the beginning of a moment that begins with a piece: what came free.
        move: what a person puts on, takes off or takes out as it begins.
        taken_out: names of cuts whose pieces are taken out, "all", or names of pieces.
    """

    begins: str
    name: str
    stretch: Stretch
    line: int | None = None
    steps: list[Step] = field(default_factory=list)
    freed: list[Piece] = field(default_factory=list)
    move: list[str] = field(default_factory=list)
    taken_out: tuple[str, ...] = ()


def moments(scene: Scene, runs: Iterable[Run], pieces: Iterable[Piece]) -> list[Moment]:
    """All moments of the job, in order.

    Args:
        runs: every run of it, in order.   pieces: all that comes free.
    """
    runs, freed_by = list(runs), _freed_by(pieces)
    found: list[Moment] = []
    stops = 0
    before: Stretch | None = None
    for stretch in scene.stretches:
        if stretch.cut is None:
            continue
        cut = scene.cut_of(stretch) or Cut(stretch.name, "")
        move = [] if before is None else _moved(scene, before, stretch)
        move += [f'take out what "{name}" freed' if name != "all" else "take all that is free out"
                 for name in cut.taken_out]  # fmt: skip
        if before is None:
            found.append(Moment("start", "start", stretch, taken_out=cut.taken_out))
        elif move or cut.stop_before:
            stops += 1
            name = f'stop {stops}, before "{stretch.name}"'
            found.append(Moment("stop", name, stretch, move=move, taken_out=cut.taken_out))
        done = 0
        for bit in _bits(runs, stretch):
            for at, word, line, block in stretch.moves.stops:
                if done < at <= bit.first and _counts(scene, word):
                    stops += 1
                    where = block or f"line {line}"
                    name = f'stop {stops}, {word} at {where} of "{stretch.name}"'
                    found.append(Moment("stop", name, stretch, line))
            done = bit.first
            freed = freed_by.get((bit.number, bit.first), [])
            now = found[-1]
            now.steps.append(Step(bit))
            if freed and now.begins == "piece" and now.stretch is stretch:
                now.steps[-1].freed += freed
            elif freed:
                what, verb = (freed[0].kind, "is") if len(freed) == 1 else (f"{len(freed)} pieces", "are")
                name = f'once the {what} of "{stretch.name}" {verb} free'
                found.append(Moment("piece", name, stretch, freed=list(freed)))
        before = stretch
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


def _counts(scene: Scene, word: str) -> bool:
    """Whether the program really stops at a word: M01 does where its switch is on."""
    return float(word[1:]) != OPTIONAL or scene.optional_stops


def _moved(scene: Scene, before: Stretch, stretch: Stretch) -> list[str]:
    """What is taken off and put on between two cuts."""
    off = [scene.bodies[k].name for k in before.bodies if k not in stretch.bodies]
    on = [scene.bodies[k].name for k in stretch.bodies if k not in before.bodies]
    return [f'take off "{name}"' for name in off] + [f'put on "{name}"' for name in on]
