"""Cuts and what they say of stops go in; the job's stops, numbered, and what is there on which moves, come
out.

A stop is where a program stops for a person (M00, and M01 where its switch is on), or before a cut, where the
setup asks for it or something is moved or taken out. The first cut begins with no stop: all is put up anyway.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from clearance.records import changing, record
from clearance.scene.fields import suggestion
from clearance.scene.model import Body
from clearance.scene.schema import Change, CutIn, Setup
from clearance.scene.settings import HeldBy, JobStop, TakenOut
from clearance.scene.toml_file import Loc, TomlFile
from clearance.toolpath.moves import Moves

Rows = NDArray[np.bool_]

#: the word at which a program stops only where a switch at the control says so
OPTIONAL = 1.0
#: kinds of pieces, by which with a cut's name one is named
PIECES = ("slug", "off-cut", "good part")


@record
class CutPresence:
    """What is there for a cut: ``ever`` on any of its moves; ``partly`` (body, moves (M,) on which it is)."""

    ever: tuple[int, ...] = ()
    partly: tuple[tuple[int, Rows], ...] = ()

    def at(self, move: int) -> tuple[int, ...]:
        """What is there on a move; -1: on the last."""
        off = {k for k, rows in self.partly if not rows[move]}
        return tuple(k for k in self.ever if k not in off)


@changing
class Stops:
    """The stops of a job and what is there for each of its cuts."""

    setup: Setup
    file: TomlFile
    found: list[JobStop] = field(default_factory=list)
    passed: list[str] = field(default_factory=list)
    presences: list[CutPresence] = field(default_factory=list)

    # ------------------------------------------------------------------------------------- what is there
    def take(self, bodies: Sequence[Body], moves: Sequence[Moves], left_in: Sequence[bool]) -> None:
        """Number the stops of all cuts, by their moves, and see what is there on which.

        Args:
            left_in: for each cut whether its program leaves the wire in.
        """
        before = [False, *left_in[:-1]]
        for index, (cut, path) in enumerate(zip(self.setup.cuts, moves, strict=True)):
            self._in(index, cut, path, bodies, before[index])

    def _in(self, index: int, cut: CutIn, path: Moves, bodies: Sequence[Body], left_in: bool) -> None:
        first = tuple(_there(self.setup, bodies, cut, timed=_at_start))
        taken = any(one.at is None for one in cut.taken_out)
        if index and (cut.stop_before or taken or set(self.presences[-1].at(-1)) != set(first)):
            self.found.append(JobStop(len(self.found) + 1, index, wire_in=left_in))
        for (at, word, line, block), is_in in zip(path.stops, path.wire_at_stops, strict=True):
            if not 0 < at < len(path):
                continue
            if float(word[1:]) == OPTIONAL and not self.setup.optional_stops:
                self.passed.append(block or f"line {line}")
                continue
            wire_in = left_in if is_in is None else is_in
            self.found.append(JobStop(len(self.found) + 1, index, at, word, line, block, wire_in))
        self.presences.append(self._presence(index, cut, path, bodies))

    def _presence(self, index: int, cut: CutIn, path: Moves, bodies: Sequence[Body]) -> CutPresence:
        rows = {k: np.ones(len(path), dtype=bool) for k in _there(self.setup, bodies, cut, timed=_not_at_all)}
        number = {body.name: k for k, body in enumerate(bodies)}
        for key, listed in (("with", cut.with_), ("without", cut.without)):
            for k, change in enumerate(listed):
                if change.from_ is None and change.until is None:
                    continue
                so = np.zeros(len(path), dtype=bool)
                so[self._move(change, "from", index, key, k, 0) : self._move(
                    change, "until", index, key, k, len(path)
                )] = True  # fmt: skip
                if not so.any():
                    found = "it would never be so: its end does not lie behind its beginning"
                    raise self.file.error(("cuts", index, key, k), found, "name the earlier stop in from")
                rows[number[change.item]] = so if key == "with" else ~so
        partly = [(k, r) for k, r in rows.items() if not r.all() and r.any()]
        ever = tuple(sorted(k for k, r in rows.items() if r.any()))
        return CutPresence(ever, tuple(sorted(partly, key=lambda each: each[0])))

    def _move(self, change: Change, key: str, index: int, where: str, k: int, default: int) -> int:
        """The move before which one of a cut's own stops is."""
        name = change.from_ if key == "from" else change.until
        if name is None:
            return default
        place: Loc = ("cuts", index, where, k, key)
        own = [stop for stop in self.found if stop.cut == index and stop.word]
        stop = next((s for s in own if _is(s, name)), None)
        if stop is None:
            raise self._unknown(place, name, own, f"{self.setup.cuts[index].path} stops at")
        return stop.at

    def _unknown(self, place: Loc, name: int | str, known: Sequence[JobStop], lead: str) -> Exception:
        found = f"there is no stop {name}" if isinstance(name, int) else f'there is no stop "{name}"'
        if any(_block(str(name)) == _block(passed) for passed in self.passed):
            return self.file.error(place, f"{found}: M01 there", "it stops with  optional_stops = true")
        listed = ", ".join(
            f"{s.number} ({s.word} at {s.block or f'line {s.line}'})" if s.word else
            f'{s.number} (before "{self.setup.cuts[s.cut].name}")' for s in known
        )  # fmt: skip
        return self.file.error(place, found, f"{lead} {listed}" if listed else "nothing stops there")

    # ------------------------------------------------------------------------------------- stops by name
    def number(self, name: int | str, place: Loc, index: int | None = None) -> int:
        """The number of a stop by its name; an N of the cut ``index`` goes before those of others.

        Args:
            name: of a stop, or an N of a program.   place: of the key that names it, for the message.
            index: of the cut whose N numbers go first; None: none do.

        Raises:
            InputError: there is no such stop, or several.
        """
        if isinstance(name, int):
            named = [stop for stop in self.found if stop.number == name]
        else:
            named = [stop for stop in self.found if stop.block and _is(stop, name)]
            named += [s for s in self.found if not s.word and self.setup.cuts[s.cut].name == name]
            named = [stop for stop in named if stop.cut == index] or named
        if not named:
            raise self._unknown(place, name, self.found, "the job stops at")
        if len(named) > 1:
            cuts = " and ".join(f'"{self.setup.cuts[stop.cut].name}"' for stop in named)
            want = f"say which by its number: {' or '.join(str(stop.number) for stop in named)}"
            raise self.file.error(place, f'"{name}" stops in {cuts}', want)
        return named[0].number

    def taken_out(self, index: int) -> tuple[TakenOut, ...]:
        """What a cut says is taken out, each with the number of the stop.

        Raises:
            InputError: no cut is named so, or no stop.
        """
        cuts = [cut.name for cut in self.setup.cuts]
        for k, one in enumerate(self.setup.cuts[index].taken_out):
            kind, _, of = one.piece.partition(" of ")
            if one.piece != "all" and one.piece not in cuts and not (kind in PIECES and of in cuts):
                found = f'no cut is named "{one.piece}"'
                place: Loc = ("cuts", index, "taken_out", k)
                slugs = [f"slug of {cut}" for cut in cuts]
                raise self.file.error(place, found, suggestion(one.piece, ["all", *cuts, *slugs]))
        return tuple(
            TakenOut(one.piece, None)
            if one.at is None
            else TakenOut(one.piece, self.number(one.at, ("cuts", index, "taken_out", k, "at"), index))
            for k, one in enumerate(self.setup.cuts[index].taken_out)
        )

    def holds(self, index: int) -> tuple[HeldBy, ...]:
        """What a cut says that holds."""
        return tuple(
            HeldBy(
                one.by,
                None
                if one.until is None
                else self.number(one.until, ("cuts", index, "held_by", k, "until"), index),
                one.piece,
            )
            for k, one in enumerate(self.setup.cuts[index].held_by)
        )

    def held_until(self, item: int) -> int | None:
        """The number of the stop until which an item is held as it says; None: to the end."""
        said = self.setup.items[item].held_by
        if said is None or said.until is None:
            return None
        return self.number(said.until, ("items", item, "held_by", "until"))


def _is(stop: JobStop, name: int | str) -> bool:
    """Whether a stop in a program has this number, or this N; N050 is N50."""
    return stop.number == name if isinstance(name, int) else _block(stop.block) == _block(name)


def _block(name: str) -> str:
    digits = name[1:]
    return f"N{int(digits)}" if name[:1] in ("N", "n") and digits.isdecimal() else name


def present_in_cuts(setup: Setup, bodies: Sequence[Body], file: TomlFile) -> list[tuple[int, ...]]:
    """For each cut the indices of the bodies that are there as it begins, and where that differs as it ends;
    InputError where it names what is not.

    Args:
        setup: as read.   bodies: items and machine bodies.   file: the setup's, for messages.
    """
    names = [item.name for item in setup.items]
    found: list[tuple[int, ...]] = []
    for index, cut in enumerate(setup.cuts):
        for key, listed in (("with", cut.with_), ("without", cut.without)):
            for one in listed:
                if one.item not in names:
                    want = suggestion(one.item, names)
                    raise file.error(("cuts", index, key), f'there is no item "{one.item}"', want)
        for timed in (_at_start, _at_end):
            there = tuple(_there(setup, bodies, cut, timed))
            if not found or there != found[-1]:
                found.append(there)
    return found


def _at_start(change: Change) -> bool:
    return change.from_ is None


def _at_end(change: Change) -> bool:
    return change.until is None


def _not_at_all(change: Change) -> bool:
    return change.from_ is None and change.until is None


def always_present(setup: Setup, bodies: Sequence[Body]) -> list[tuple[int, ...]]:
    """For each cut the indices of the bodies that are there for all of it.

    Args:
        setup: as read.   bodies: items in file order, then the machine's.
    """
    found = []
    for cut in setup.cuts:
        sometimes = {one.item for one in (*cut.with_, *cut.without) if not _not_at_all(one)}
        there = _there(setup, bodies, cut, _not_at_all)
        found.append(tuple(k for k in there if bodies[k].name not in sometimes))
    return found


def _there(setup: Setup, bodies: Sequence[Body], cut: CutIn, timed: Callable[[Change], bool]) -> list[int]:
    """Indices of what is there where of its changes those hold that ``timed`` says."""
    only_sometimes = {one.item for each in setup.cuts for one in each.with_}
    off = (only_sometimes | {one.item for one in cut.without if timed(one)}) - {
        one.item for one in cut.with_ if timed(one)
    }
    return [k for k, body in enumerate(bodies) if body.item is None or body.name not in off]
