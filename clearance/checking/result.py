"""What the judge answers: the same fields, by the same names, as the report."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from math import isnan
from typing import overload

import numpy as np
from numpy.typing import NDArray

from clearance.scene.model import Finding, Scene, SideHeight, Stretch

Point = NDArray[np.float64]

#: worst first
SEVERITIES = ("clash", "undecided", "close", "clear")


@dataclass(frozen=True)
class Pair:
    """One head (or the wire) against one body along one stretch. Lengths mm, points machine frame (3,).

    ``clearance`` is never above the true one and at most 0.005 below. ``move`` counts the path's moves from
    1, and is None where the stretch is no cut.
    """

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


@dataclass(frozen=True)
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
class CutResult:
    """One stretch as judged."""

    name: str
    verdict: str
    stretch: Stretch


@dataclass(frozen=True)
class Result:
    """The whole answer. ``pairs`` begin with the least to spare."""

    scene: Scene
    verdict: str
    cuts: tuple[CutResult, ...]
    pairs: tuple[Pair, ...]
    findings: tuple[Finding, ...]
    moves: Sequence[MoveDistance] = ()
    check_s: float = 0.0
    extra: dict[str, object] = field(default_factory=dict)
