"""A judged job and rates go in; how long each of its moves takes comes out: an estimate, least to most.

A rough pass is as quick as metal is cut, mm2/min: the wire's length in metal times the way. What it goes
through where no metal is, a trim, a rapid move and the upper head's way up and down go by length, mm/min.
Lengths are exact, arcs by radius and angle; the height of metal is that of the part's own slices, less what
was cut and what came free before (two slices in each slab between its levels, as ``process/stock.py``).

How long a spool lasts is found here too. A wire is a cylinder: its length is mass over density and section. 8
kg of brass of 0.25 mm and 8.44 g/cm3 are 19.3 km, 32 h at 10 m/min (density of CuZn37 from memory; the rest
is arithmetic).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.intervals import first_of_each, ways
from clearance.process.course import Course, There
from clearance.process.runs import SAME, Run, runs
from clearance.process.stock import kerf_width
from clearance.process.stops import is_trim
from clearance.records import record
from clearance.scene.model import Scene, Stretch, StretchKind
from clearance.scene.night import Rates, Spool, Three
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]

NOTHING: Three = (0.0, 0.0, 0.0)
#: a bit is in metal as far as so much of it is, mm
LEAST = 1e-6


def times(factor: float, span: Three) -> Three:
    """A span as many times as long.

    Args:
        factor: 0 or more.   span: least, likely, most.
    """
    return span[0] * factor, span[1] * factor, span[2] * factor


def plus(*spans: Three) -> Three:
    """Spans one after the other."""
    return sum(s[0] for s in spans), sum(s[1] for s in spans), sum(s[2] for s in spans)


def at_rate(amount: float, rate: Three) -> Three:
    """Minutes for so many mm or mm2 at a rate in the same unit a minute: the fastest is the shortest.

    Args:
        amount: mm or mm2.   rate: least, likely and most of it a minute.
    """
    return amount / rate[2], amount / rate[1], amount / rate[0]


@record
class Cutting:
    """What one bit of a run cuts.

    Attributes:
        bit: which.   what: "rough" or "trim".
        length: (M,) mm of each of its moves.   metal: (M,) mm of it that is in metal at any height.
        area: (M,) mm2 of metal that the wire goes through, on each side of the kerf's middle.
    """

    bit: Run
    what: str
    length: Array
    metal: Array
    area: Array

    @property
    def height(self) -> float:
        """The height of metal that is met, mm, where metal is met at all."""
        metal = float(self.metal.sum())
        return float(self.area.sum()) / metal if metal > LEAST else 0.0


@record
class Timed:
    """One stretch in time.

    Attributes:
        stretch: which.   minutes: for each move its span (M, 3), threading left out.
        threads: moves at whose start the wire is threaded.
    """

    stretch: Stretch
    minutes: Array
    threads: tuple[int, ...]


@record
class Durations:
    """A job in time: its stretches in order, and what they cut."""

    stretches: tuple[Timed, ...]
    cutting: tuple[Cutting, ...]

    def total(self, what: str) -> tuple[float, float, float]:
        """Length, length in metal (mm) and area (mm2) of all passes of a kind."""
        mine = [one for one in self.cutting if one.what == what]
        lengths = float(sum(one.length.sum() for one in mine))
        metal = float(sum(one.metal.sum() for one in mine))
        return lengths, metal, float(sum(one.area.sum() for one in mine))


def durations(course: Course, rates: Rates, told_by: Mapping[str, str], folder: Path) -> Durations:
    """How long each move of a job takes.

    Args:
        course: of the judged job.   rates: as the night has them.
        told_by: words of the programs and what the pass is that begins there; where none is met, a pass that
            goes along an earlier one is a trim, any other rough.
        folder: in which the setup's programs are.
    """
    scene = course.scene
    cutting = tuple(_all_cutting(course, told_by, folder))
    dwells = {cut.path: dwell_lines(folder / cut.path) for cut in scene.cuts}
    found = []
    for stretch in scene.stretches:
        if stretch.kind is StretchKind.PICKUP:
            continue
        minutes = _moving(stretch, rates)
        cut = scene.cut_of(stretch)
        if stretch.cut is not None:
            for one in cutting:
                if one.bit.stretch is stretch:
                    minutes[one.bit.first : one.bit.last + 1] = _cut_minutes(one, stretch, rates)
            if cut is not None:
                minutes += _dwelling(stretch.moves, dwells[cut.path], rates.dwell)
        if stretch.moves.again is not None:
            minutes[stretch.moves.again] = 0.0
        minutes += _rising(stretch, rates.z)
        threads = stretch.moves.thread_points if stretch.cut is not None else ()
        found.append(Timed(stretch, minutes, tuple(threads)))
    return Durations(tuple(found), cutting)


def lengths(moves: Moves) -> Array:
    """How long each move is (M,), mm: a line by its ends, an arc by radius and angle."""
    straight = np.hypot(*(moves.end - moves.start).T)
    radius = np.hypot(*np.nan_to_num(moves.start - moves.centre).T)
    return np.asarray(np.where(moves.sweep == 0.0, straight, radius * np.abs(moves.sweep)))


def _moving(stretch: Stretch, rates: Rates) -> Array:
    """Minutes of each move (M, 3) as if nothing were cut: rapid ones, and others by their way in air."""
    long = lengths(stretch.moves)
    out = np.zeros((len(long), 3))
    for rapid, rate in ((True, rates.rapid), (False, rates.air)):
        mine = stretch.moves.rapid == rapid
        out[mine] = long[mine, None] / np.array(rate[::-1])
    return out


def _cut_minutes(one: Cutting, stretch: Stretch, rates: Rates) -> Array:
    # a trim that meets metal, at a tab say, is as quick there as a rough pass
    rest = rates.trim if one.what == "trim" else rates.air
    other = np.maximum(one.length - one.metal, 0.0)
    minutes = one.area[:, None] / np.array(rates.rough[::-1]) + other[:, None] / np.array(rest[::-1])
    rapid = stretch.moves.rapid[one.bit.first : one.bit.last + 1]
    mine = lengths(stretch.moves)[one.bit.first : one.bit.last + 1]
    minutes[rapid] = mine[rapid, None] / np.array(rates.rapid[::-1])
    return np.asarray(minutes)


def _rising(stretch: Stretch, rate: Three) -> Array:
    """Minutes of each move (M, 3) for the upper head's way up and down."""
    moves = stretch.moves
    up = np.zeros(len(moves))
    if moves.start_z is not None and moves.end_z is not None:
        up += np.abs(moves.end_z - moves.start_z)
    if stretch.upper_ends is not None and len(up):
        up[0] += abs(stretch.upper_z - stretch.upper_ends[0])
        up[-1] += abs(stretch.upper_z - stretch.upper_ends[1])
    return np.asarray(up[:, None] / np.array(rate[::-1]))


# ------------------------------------------------------------------------------------------ metal that is met
def _all_cutting(course: Course, told_by: Mapping[str, str], folder: Path) -> Iterator[Cutting]:
    scene = course.scene
    words = {cut.path: word_lines(folder / cut.path, told_by) for cut in scene.cuts} if told_by else {}
    before: list[Run] = []
    for bit, there in _bits(course) if course.states else _only_cut(scene):
        cut = scene.cut_of(bit.stretch)
        said = words.get(cut.path, []) if cut is not None else []
        for one in _parted(bit, said):
            what = _told(one, told_by, said)
            if what is None:
                what = "trim" if is_trim(one, before, _middle(scene, one)) else "rough"
            yield met(course, one, there, what)
        before.append(bit)


def _bits(course: Course) -> Iterator[tuple[Run, There]]:
    """Each bit, and what stands there as it begins: once somebody has acted, where it is the first behind a
    stop."""
    left = iter(course.bit_by_bit)
    for phase in course.phases:
        there = phase.begun
        for bit in phase.bits:
            yield bit, there
            there = next(left)


def _only_cut(scene: Scene) -> Iterator[tuple[Run, There]]:
    """Each bit, and what was cut before it, where nobody can say what came free."""
    done: list[Run] = []
    for run in runs(scene):
        for bit in run.bits():
            yield bit, There((), tuple(done))
            done.append(bit)


def _parted(bit: Run, words: Sequence[tuple[int, str]]) -> list[Run]:
    """A bit, parted where a word says that another pass begins."""
    line = bit.stretch.moves.line
    at = sorted(
        {
            bit.first + int(np.argmax(later))
            for number, _ in words
            if (later := line[bit.first : bit.last + 1] >= number).any() and not later[0]
        }
    )
    bounds = [bit.first, *at, bit.last + 1]
    return [replace(bit, first=a, last=b - 1) for a, b in zip(bounds[:-1], bounds[1:], strict=True)]


def _middle(scene: Scene, bit: Run) -> float:
    """Halfway up the highest part that a bit cuts."""
    boxes = [scene.bodies[k].aabbs.box for k in bit.stretch.cut_bodies]
    low, high = max(((float(a[2]), float(b[2])) for a, b in boxes), key=lambda z: z[1], default=(0.0, 0.0))
    return (low + high) / 2.0


def met(course: Course, bit: Run, there: There, what: str) -> Cutting:
    """The metal that a bit of a run meets, move by move.

    Args:
        course: of the job.   bit: which.   there: what was cut and came free before.   what: of pass.
    """
    moves = bit.stretch.moves
    long = lengths(moves)[bit.first : bit.last + 1]
    count = bit.last + 1 - bit.first
    most, area = np.zeros(count), np.zeros(count)
    for part in bit.stretch.cut_bodies:
        of_part, area_of_part = _in_part(course, bit, there, part, long)
        most = np.maximum(most, of_part)
        area += area_of_part
    return Cutting(bit, what, np.where(moves.rapid[bit.first : bit.last + 1], 0.0, long), most, area)


def _in_part(course: Course, bit: Run, there: There, part: int, long: Array) -> tuple[Array, Array]:
    """Length in metal at any height, and area, of each move of a bit in one part."""
    import shapely

    body = course.scene.bodies[part]
    most, area = np.zeros(len(long)), np.zeros(len(long))
    if not body.closed:
        # nobody can tell its inside: as much metal as its box has
        low, high = (float(corner[2]) for corner in body.aabbs.box)
        return long, long * (high - low)
    gone = [piece.outline for piece in there.gone if piece.part == part]
    cut_by = [one for one in there.cut if part in one.stretch.cut_bodies]
    width = kerf_width(course.scene)
    upright = bit.upright and all(one.upright for one in cut_by)
    known: dict[int, Array] = {}
    for z, weight, level in zip(body.slabs.z, body.slabs.weight, body.slabs.slices, strict=True):
        inside = known.get(id(level)) if upright else None
        if inside is None:
            row, ends = bit.chords(float(z))
            if not len(row):
                return most, area
            window = shapely.box(*(ends.reshape(-1, 2).min(0) - 1.0), *(ends.reshape(-1, 2).max(0) + 1.0))
            here = level.intersection(window)
            away = [each for each in (*gone, *(one.kerf(float(z), width) for one in cut_by))]
            away = [each for each in away if each.intersects(window)]
            left = here.difference(shapely.union_all(away)) if away else here
            inside = _inside(row - bit.first, ends, left, long)
            known[id(level)] = inside
        most = np.maximum(most, inside)
        area += float(weight) * inside
    return most, area


def _inside(row: NDArray[np.intp], ends: Array, region: Any, long: Array) -> Array:
    """How much of each move lies in a region, mm; what goes exactly over itself counts once."""
    import shapely

    first = np.zeros(len(row), dtype=bool)
    first[first_of_each(ways(ends, SAME))] = True
    chord = np.hypot(*(ends[:, 1] - ends[:, 0]).T)
    lines = shapely.linestrings(ends)
    shapely.prepare(region)
    within = shapely.contains_properly(region, lines)
    some = ~within & first & shapely.intersects(region, lines)
    found = np.where(within & first, chord, 0.0)
    found[some] = shapely.length(shapely.intersection(lines[some], region))
    whole, part = np.zeros(len(long)), np.zeros(len(long))
    np.add.at(whole, row, chord)
    np.add.at(part, row, found)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(whole > 0.0, part / whole, 0.0)
    return np.asarray(share * long)


# ------------------------------------------------------------------------------------- what programs say
_COMMENT = re.compile(r"\([^()]*\)")
_WORD = re.compile(r"([A-Z])[ \t]*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))")


def _lines_of(file: Path) -> list[str]:
    """The lines of a program in capitals without comments in brackets; none where the file is no program."""
    from clearance.errors import InputError
    from clearance.toolpath.nc.words import text_of
    from clearance.toolpath.read import kind_of

    try:
        if kind_of(file) != "program":
            return []
        text = text_of(file.read_bytes(), file.name, "a program")
    except (OSError, InputError):
        return []
    return [_COMMENT.sub(" ", line).upper() for line in text.split("\n")]


def word_lines(file: Path, told_by: Mapping[str, str]) -> list[tuple[int, str]]:
    """Where words stand in a program that say what a pass is: line, from 1, and what it is from there on.

    Args:
        file: the program.   told_by: words, and what the pass is that begins there; D words are left out.
    """
    wanted = {word: what for word, what in told_by.items() if word[0] != "D"}
    found = []
    for number, line in enumerate(_lines_of(file) if wanted else [], 1):
        for letter, digits in _WORD.findall(line):
            what = wanted.get(f"{letter}{float(digits):g}")
            if what is not None:
                found.append((number, what))
    return found


def _told(bit: Run, told_by: Mapping[str, str], words: Sequence[tuple[int, str]]) -> str | None:
    """What a bit is, as the night's file says by a word; None where it says nothing of it."""
    moves = bit.stretch.moves
    if moves.d_number is not None:
        number = int(moves.d_number[bit.first : bit.last + 1].max(initial=0))
        if number and f"D{number}" in told_by:
            return told_by[f"D{number}"]
    line = int(moves.line[bit.first])
    return next((what for at, what in reversed(words) if at <= line), None)


def dwell_lines(file: Path) -> list[int]:
    """The lines, from 1, of a program in which it dwells (G04; ISO 6983-1, from memory)."""
    return [
        number
        for number, line in enumerate(_lines_of(file), 1)
        if any(letter == "G" and float(digits) == 4.0 for letter, digits in _WORD.findall(line))
    ]


def _dwelling(moves: Moves, lines: Sequence[int], dwell: Three) -> Array:
    """Minutes of each move (M, 3) that the machine dwells before it."""
    out = np.zeros((len(moves), 3))
    for line in lines:
        after = np.flatnonzero(moves.line >= line)
        if len(moves):
            out[after[0] if len(after) else -1] += dwell
    return out


def metres(spool: Spool, diameter: float) -> float:
    """How much wire is on it, m.

    Args:
        spool: as the night's file says.   diameter: of the wire, mm, where the file does not say it.
    """
    if spool.metres is not None:
        return spool.metres
    assert spool.mass is not None
    wide = diameter if spool.diameter is None else spool.diameter
    section = math.pi / 4.0 * wide * wide
    # kg over g/cm3 is 1e6 mm3; over mm2 that is mm, a thousandth of which is m
    return spool.mass / spool.density * 1e6 / section / 1e3


def minutes(spool: Spool, diameter: float) -> float:
    """How long it lasts while the machine cuts.

    Args:
        spool: as the night's file says.   diameter: of the wire, mm, where the file does not say it.
    """
    return metres(spool, diameter) / spool.speed
