"""What the judge answers: the same fields, by the same names, as the report.

``as_html`` is a small piece of HTML for a notebook: verdict, pairs, findings. What the user named is escaped.
Lengths are mm, rounded down.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from html import escape
from math import floor, isnan
from typing import TYPE_CHECKING, overload

import numpy as np
from numpy.typing import NDArray

from clearance.records import by_values, hash_by_values, record
from clearance.scene.model import Finding, Scene, SideHeight, Stretch

if TYPE_CHECKING:
    from clearance.checking.per_move import Along

Point = NDArray[np.float64]

#: worst first
SEVERITIES = ("clash", "undecided", "close", "clear")


def shown(length: float | None) -> str:
    """A length in mm with two decimals, rounded down: nothing looks like more than it is; "-" for none."""
    return "-" if length is None else f"{floor(length * 100.0 + 1e-9) / 100.0 + 0.0:.2f}"


@dataclass(frozen=True, repr=False)
class Pair:
    """One head (or the wire) against one body along one stretch. Lengths mm, points machine frame (3,).

    ``clearance`` is never above the true one and at most 0.005 below. ``move`` counts the path's moves from
    1, and is None where the stretch is no cut.
    """

    __eq__ = by_values
    __hash__ = hash_by_values

    head: str
    item: str
    body: str
    verdict: str
    clearance: float
    side: float | None
    height: float | None
    spare: float | None
    fcl: float | None
    flat: float | None
    margin: SideHeight
    allow: SideHeight
    cut: str
    move: int | None
    line: int | None
    n: str | None
    touching: tuple[tuple[int, int], ...] = ()
    head_at: Point | None = None
    on_head: Point | None = None
    on_item: Point | None = None

    def __repr__(self) -> str:
        head = self.head if self.head == "wire" else f"{self.head} head"
        least = f"clearance {shown(self.clearance)}, side {shown(self.side)}, height {shown(self.height)} mm"
        return f'<Pair {head} and "{self.item}": {self.verdict}, {least}; {self.where}>'

    @property
    def where(self) -> str:
        """Cut, move, block and line, as the setter finds them in the program."""
        parts = [self.cut]
        if self.move is not None:
            parts.append(f"move {self.move}")
        if self.n:
            parts.append(self.n)
        if self.line:
            parts.append(f"line {self.line}")
        return ", ".join(parts)


@dataclass(frozen=True)
class MoveDistance:
    """One move and head: the three distances to the item nearest to that move; None past the horizon."""

    cut: str
    move: int
    line: int | None
    head: str
    item: str | None
    clearance: float | None
    side: float | None
    height: float | None


@record
class HeadDistances:
    """One head on one cut, move by move, as columns.

    Attributes:
        items: the names that ``item`` (N,) counts into; -1 is none within the horizon.
        move, line: (N,) counted from 1; a line of 0 is none.
        clearance, side, height: (N,) mm, NaN where there is none.
    """

    cut: str
    head: str
    items: tuple[str, ...]
    item: NDArray[np.intp]
    move: NDArray[np.intp]
    line: NDArray[np.intp]
    clearance: NDArray[np.float64]
    side: NDArray[np.float64]
    height: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.move)

    def row(self, k: int) -> MoveDistance:
        """The move at place ``k``."""
        item = int(self.item[k])
        figures = [float(column[k]) for column in (self.clearance, self.side, self.height)]
        return MoveDistance(
            self.cut,
            int(self.move[k]),
            int(self.line[k]) or None,
            self.head,
            self.items[item] if item >= 0 else None,
            *(None if isnan(figure) else figure for figure in figures),
        )


class MoveTable(Sequence[MoveDistance]):
    """Every move of every head, cut by cut: they are many, and stand as columns until one is looked at."""

    def __init__(self, heads: Sequence[HeadDistances]) -> None:
        self.heads = tuple(heads)
        self._rows = range(sum(map(len, self.heads)))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, MoveTable) and self.heads == other.heads

    def __hash__(self) -> int:
        return hash(len(self))

    def __len__(self) -> int:
        return len(self._rows)

    def __iter__(self) -> Iterator[MoveDistance]:
        return (head.row(k) for head in self.heads for k in range(len(head)))

    @overload
    def __getitem__(self, place: int) -> MoveDistance: ...
    @overload
    def __getitem__(self, place: slice) -> tuple[MoveDistance, ...]: ...
    def __getitem__(self, place: int | slice) -> MoveDistance | tuple[MoveDistance, ...]:
        rows = self._rows[place]
        if isinstance(rows, range):
            return tuple(self[k] for k in rows)
        for head in self.heads:
            if rows < len(head):
                return head.row(rows)
            rows -= len(head)
        raise IndexError(place)


@dataclass(frozen=True)
class Cure:
    """One change that cures what it is named for and makes nothing else worse.

    Attributes:
        kind: "raise", "raise upper head", "nozzles", "move", "turn", "shorten", "leave on", "put on" or
            "take off".
        items: what is changed, with all that stands on it.
        by: mm, or degrees for a turn; 0 where nothing is moved.   along: the way of a move, (3,) unit vector,
            machine frame.
        change: how far anything moves at most, mm.   all: the whole job is clear then.
        text: an order to the setter.
    """

    kind: str
    items: tuple[str, ...]
    by: float
    change: float
    all: bool
    text: str
    along: tuple[float, float, float] | None = None

    def __repr__(self) -> str:
        return f'<Cure "{self.text}"{": the whole job is clear then" if self.all else ""}>'


@dataclass(frozen=True)
class Ailment:
    """What is wrong, and what cures it, the smallest change first.

    Attributes:
        head: what clashes with the item or comes close to it; None where it is a state of the job.
        item: its name.   cut: in which it is so.   verdict: "clash", "close" or "undecided".
        state: number of the state; None where it is about a head.
    """

    head: str | None
    item: str
    cut: str
    verdict: str
    cures: tuple[Cure, ...]
    state: int | None = None

    def __repr__(self) -> str:
        what = f"{self.head} head and " if self.head is not None else ""
        return f'<Ailment {self.verdict}: {what}"{self.item}", "{self.cut}": {len(self.cures)} cures>'


@dataclass(frozen=True)
class Cures(Sequence[Ailment]):
    """What would cure it: a sequence of what is wrong, each with its cures.

    Attributes:
        of_all: the single changes after which the whole job is clear, the smallest first.
        ailments: what is wrong, the states first, then items, the worst first.
        not_looked_for: items and cuts for which not all was looked for; ``OTHER_NOZZLES``.
    """

    of_all: tuple[Cure, ...]
    ailments: tuple[Ailment, ...]
    not_looked_for: tuple[str, ...]

    def __repr__(self) -> str:
        if not self.ailments:
            return "<Cures of nothing>"
        best = f'; of all: "{self.of_all[0].text}"' if self.of_all else ""
        return f"<Cures of {len(self.ailments)} ailments{best}>"

    def __len__(self) -> int:
        return len(self.ailments)

    @overload
    def __getitem__(self, place: int) -> Ailment: ...
    @overload
    def __getitem__(self, place: slice) -> tuple[Ailment, ...]: ...
    def __getitem__(self, place: int | slice) -> Ailment | tuple[Ailment, ...]:
        return self.ailments[place]


#: stands in ``Cures.not_looked_for`` where other nozzles were not tried
OTHER_NOZZLES = "other nozzles"


@record
class WithNozzles:
    """What a job says with one set of nozzles.

    Attributes:
        name: of the set; "own" for the machine's own heads.   chosen: the setup chooses it.
        wire: diameter that it runs with, mm.   spare: the least of all pairs, mm; None where none has any.
        verdict: of the whole job; None where it cannot be set up so: ``message`` says why.
        pair: the one from which the verdict comes, or where it comes from none, None.
        item: of that pair, or of the finding that ``message`` is of.
    """

    name: str
    chosen: bool = False
    wire: float | None = None
    verdict: str | None = None
    spare: float | None = None
    pair: Pair | None = None
    item: str | None = None
    message: str | None = None


@dataclass(frozen=True)
class CutResult:
    """One stretch as judged."""

    __eq__ = by_values
    __hash__ = hash_by_values

    name: str
    verdict: str
    stretch: Stretch


@dataclass(frozen=True)
class PairChange:
    """One head, or the wire, against one item along one stretch, before and after; None where it is not."""

    head: str
    item: str
    cut: str
    before: str | None
    after: str | None
    spare_before: float | None
    spare: float | None
    clearance_before: float | None
    clearance: float | None


@dataclass(frozen=True)
class Compared:
    """What a change does.

    Attributes:
        said: what was changed, in words.   before, after: the verdicts.
        spare_before, spare: the least to spare, mm.   pairs: those that change most first.
    """

    said: tuple[str, ...]
    before: str
    after: str
    spare_before: float | None
    spare: float | None
    pairs: tuple[PairChange, ...]


@dataclass(frozen=True, repr=False)
class Result:
    """The whole answer. ``pairs`` begin with the least to spare.

    Attributes:
        moves: every move of every head, where they were asked for.
        check_s: seconds it took.   spent_s: of processor time, with other processes; 0 where not measured.
        cures: what would cure what is wrong, where that was looked for; else None.
        nozzles: what it would say with each set of nozzles, where that was asked; else None.
        compared: where something is tried, what that changes; else None.
    """

    __eq__ = by_values
    __hash__ = hash_by_values

    scene: Scene
    verdict: str
    cuts: tuple[CutResult, ...]
    pairs: tuple[Pair, ...]
    findings: tuple[Finding, ...]
    moves: Sequence[MoveDistance] = ()
    check_s: float = field(default=0.0, compare=False)
    spent_s: float = field(default=0.0, compare=False)
    cures: Cures | None = None
    nozzles: tuple[WithNozzles, ...] | None = None
    compared: Compared | None = None

    def __repr__(self) -> str:
        grave = sum(finding.severity != "note" for finding in self.findings)
        notes = len(self.findings) - grave
        least = f"; the least: {self.pairs[0]!r}" if self.pairs else ""
        counts = f"{len(self.pairs)} pairs, {grave} findings, {notes} notes"
        return f"<{type(self).__name__} {self.verdict}: {counts}{least}>"

    def _repr_html_(self) -> str:
        """For a notebook: verdict, pairs and findings."""
        return as_html(self)

    @cached_property
    def along(self) -> tuple[Along, ...]:
        """What every move has to spare, for each cut and head; worked out when it is first asked for."""
        from clearance.checking.per_move import along

        return along(self)


#: pairs and notes that are shown; the others are counted
PAIRS, NOTES = 12, 8
HEADINGS = ("verdict", "head", "item", "clearance", "side", "height", "spare", "where")


def as_html(result: Result) -> str:
    """The result as an HTML fragment without style or script."""
    grave = [f"{f.severity}: {_about(f.item)}{f.message}" for f in result.findings if f.severity != "note"]
    notes = [f"note: {_about(f.item)}{f.message}" for f in result.findings if f.severity == "note"]
    name = result.scene.title or result.scene.setup_file
    return (
        f"<p><strong>{escape(result.verdict)}</strong> {escape(name)}</p>"
        + _table(result.pairs)
        + _list([*grave, *notes[:NOTES]], len(notes) - NOTES)
    )


def _about(item: str | None) -> str:
    return "" if item is None else f"{item}: "


def _table(pairs: Iterable[Pair]) -> str:
    every = list(pairs)
    if not every:
        return ""
    head = "".join(f"<th>{name}</th>" for name in HEADINGS)
    rows = "".join(f"<tr>{_row(pair)}</tr>" for pair in every[:PAIRS])
    return f"<table><thead><tr>{head}</tr></thead><tbody>{rows}</tbody></table>" + _more(len(every) - PAIRS)


def _row(pair: Pair) -> str:
    figures = (pair.clearance, pair.side, pair.height, pair.spare)
    cells = (pair.verdict, pair.head, pair.item, *map(shown, figures), pair.where)
    return "".join(f"<td>{escape(cell)}</td>" for cell in cells)


def _list(lines: Iterable[str], more: int) -> str:
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    return (f"<ul>{items}</ul>" if items else "") + _more(more)


def _more(count: int) -> str:
    return f"<p>and {count} more</p>" if count > 0 else ""
