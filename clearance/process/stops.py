"""What somebody does between cuts: items put on and off at stops, offsets keyed in; which runs are trims.

A control holds one value of a D at a time; another is keyed in at a stop.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np

from clearance.process.account import taken_words
from clearance.process.runs import Run
from clearance.records import record
from clearance.scene.at_stops import OPTIONAL
from clearance.scene.model import Finding, Scene, Stretch
from clearance.scene.settings import Cut

#: a trim runs this near to the pass before it, mm
NEAR = 0.5
#: and does so on this share of its length
SHARE = 0.7
#: places looked at along each line of it
PLACES = 100


def is_trim(bit: Run, before: Sequence[Run], z: float) -> bool:
    """Whether most of a bit retraces, at height ``z``, what was cut before it in the same parts."""
    import shapely

    mine = _lines(bit, z)
    theirs = [
        line
        for run in before
        if set(run.stretch.cut_bodies) & set(bit.stretch.cut_bodies)
        for line in _lines(run, z)
    ]
    if not mine or not theirs:
        return False
    at = (np.arange(PLACES) + 0.5) / PLACES
    other = shapely.multilinestrings(theirs)
    places = [shapely.line_interpolate_point(line, at, normalized=True) for line in mine]
    shares = [float((shapely.distance(each, other) <= NEAR).mean()) for each in places]
    lengths = [float(line.length) for line in mine]
    return float(np.dot(shares, lengths)) >= SHARE * sum(lengths)


def _lines(run: Run, z: float) -> list[Any]:
    import shapely

    return [shapely.linestrings(chain) for chain in run.line(z) if len(chain) > 1]


@record
class Stop:
    """What the setter does before a cut: what to take off, put on and take out (names of cuts whose pieces
    are, of pieces, or "all"); whether the setup or a program makes the machine stop there."""

    cut: str
    off: tuple[str, ...]
    on: tuple[str, ...]
    asked: bool
    out: tuple[str, ...] = ()


def stops(scene: Scene) -> list[Stop]:
    """Each cut before which the setup asks for a stop, or something is put on, taken off or out, in order.

    Before the first cut everything is put up anyway: it is there only where the setup asks for a stop.
    """
    found = []
    before: Stretch | None = None
    for stretch in scene.stretches:
        if stretch.cut is None:
            continue
        cut = scene.cut_of(stretch) or Cut(stretch.name, "")
        off: tuple[str, ...] = ()
        on: tuple[str, ...] = ()
        out: tuple[str, ...] = ()
        if before is not None:
            was, now = before.there(-1), stretch.there(0)
            off = tuple(scene.bodies[k].name for k in was if k not in now)
            on = tuple(scene.bodies[k].name for k in now if k not in was)
            out = tuple(one.name for one in cut.taken_out if one.stop is None)
        if off or on or out or cut.stop_before:
            found.append(Stop(stretch.name, off, on, stands_still(scene, stretch), out))
        before = stretch
    return found


def stands_still(scene: Scene, stretch: Stretch) -> bool:
    """Whether the machine stops before a cut: the setup says so, or the program before it as it ends, or its
    own as it begins.

    Args:
        stretch: the cut.
    """
    cut = scene.cut_of(stretch)
    if cut is not None and cut.stop_before:
        return True
    words = [word for at, word, *_ in stretch.moves.stops if at == 0]
    for before in scene.stretches:
        if before.cut is not None and stretch.cut is not None and before.cut == stretch.cut - 1:
            words += [word for at, word, *_ in before.moves.stops if at == len(before.moves)]
    return any(stops_at(scene, word) for word in words)


def stops_at(scene: Scene, word: str) -> bool:
    """Whether the control stops at a word, M00 or M01.

    Args:
        word: as the program has it.
    """
    return float(word[1:]) != OPTIONAL or scene.optional_stops


def stop_findings(listed: Iterable[Stop]) -> list[Finding]:
    """Where something is to be moved between two cuts and the machine runs on."""
    found = []
    for stop in listed:
        if not stop.asked:
            words = [
                f"{verb} {' and '.join(chr(34) + name + chr(34) for name in names)}"
                for verb, names in (("take off", stop.off), ("put on", stop.on))
                if names
            ]
            words += taken_words(stop.out)
            message = (
                f'before "{stop.cut}", {", ".join(words)}; but no stop is asked for, and the machine runs '
                "on: say stop_before = true, or M00 as the program before it ends"
            )
            found.append(Finding("no stop", "close", message, cut=stop.cut))
    return found


#: zeros that agree within this lie at one place, mm: what a control shows
SAME_PLACE = 0.001


@record
class Use:
    """What a cut uses a D for: its value, mm, and the first and last move on which it holds."""

    stretch: Stretch
    d: int
    value: float
    first: int
    last: int


def uses(scene: Scene) -> Iterator[Use]:
    """Each D of each cut whose value the setup gives, in order."""
    for stretch in scene.stretches:
        cut, numbers = scene.cut_of(stretch), stretch.moves.d_number
        if cut is None or numbers is None:
            continue
        for d in np.unique(numbers[numbers > 0]).tolist():
            if d in cut.options.offsets:
                holds = np.flatnonzero(numbers == d)
                yield Use(stretch, d, cut.options.offsets[d], int(holds[0]), int(holds[-1]))


def offset_findings(scene: Scene) -> list[Finding]:
    """Where a D has another value than in the cut before that used it, and where one is negative.

    Args:
        scene: as loaded.
    """
    found = []
    held: dict[int, Use] = {}
    negative: set[int] = set()
    for use in uses(scene):
        name, before = use.stretch.name, held.get(use.d)
        if use.value < 0.0 and use.d not in negative:
            negative.add(use.d)
            message = (
                f"D{use.d} is negative ({use.value:g}): the wire runs on the other side than G41 or G42 says"
            )
            found.append(Finding("negative D", "note", message, cut=name))
        if before is not None and before.value != use.value:
            was = f'D{use.d} is {before.value:g} in "{before.stretch.name}" and {use.value:g} in "{name}"'
            if _stops_between(scene, before, use):
                message = f"{was}: key in D{use.d} = {use.value:g} at the stop between them"
                found.append(Finding("two values", "note", message, cut=name))
            else:
                message = (
                    f"{was}, and the control holds one at a time: give one of them another number, or say "
                    "stop_before = true where the new value is keyed in"
                )
                found.append(Finding("two values", "close", message, cut=name))
        held[use.d] = use
    return found


def zero_findings(scene: Scene) -> list[Finding]:
    """Where a word that chooses a zero lies at another place than in the cut before that called it.

    Args:
        scene: as loaded.
    """
    found = []
    held: dict[str, tuple[Use, tuple[float, float]]] = {}
    for stretch in scene.stretches:
        for word, (x, y) in stretch.zeros if stretch.cut is not None else ():
            use = Use(stretch, 0, 0.0, 0, len(stretch.moves) - 1)
            before, at = held.get(word, (use, (x, y)))
            if max(abs(at[0] - x), abs(at[1] - y)) > SAME_PLACE:
                was = (
                    f'{word} lies at X{at[0]:.3f} Y{at[1]:.3f} in "{before.stretch.name}" and at X{x:.3f} '
                    f'Y{y:.3f} in "{stretch.name}"'
                )
                if _stops_between(scene, before, use):
                    message, severity = f"{was}: key it in anew at the stop between them", "note"
                else:
                    message = (
                        f"{was}, and the control holds one at a time: let one of them call another word, "
                        "or say stop_before = true where the new place is keyed in"
                    )
                    severity = "close"
                found.append(Finding("two values", severity, message, cut=stretch.name))
            held[word] = use, (x, y)
    return found


def _stops_between(scene: Scene, before: Use, use: Use) -> bool:
    """Whether the machine stops from the last move of one use to the first of the next."""
    first, last = before.stretch.cut, use.stretch.cut
    assert first is not None
    assert last is not None
    for stretch in scene.stretches:
        if stretch.cut is None or not first <= stretch.cut <= last:
            continue
        low = before.last if stretch.cut == first else -1
        high = use.first if stretch.cut == last else len(stretch.moves)
        if any(low < at <= high and stops_at(scene, word) for at, word, *_ in stretch.moves.stops):
            return True
        if stretch.cut > first and stands_still(scene, stretch):
            return True
    return False
