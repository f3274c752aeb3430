"""Lines of places: an item that slides along its slot on its screw, or along the side of a part that it
touches.

A line is a place to begin from, a way, how far it goes, and the item's turn on it. A hole without a slot is
a line of no length.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.advice.edits import rebuilt
from clearance.errors import InputError
from clearance.kernels.query import Boxes
from clearance.records import record
from clearance.scene.model import Body
from fixtures_lib.holder import Conflict

Array = NDArray[np.float64]

#: a slot with less play than this, mm, is a hole
PLAY = 0.05
#: no slot is longer, mm
LONGEST = 200.0
#: shells are alike within this, mm
ALIKE = 1e-6


@record
class Lines:
    """Lines of places (n).

    Attributes:
        start, way: (n, 2) a place, and the way from there, of length 1; machine X Y, mm.
        low, high: (n,) from where to where, mm along the way.
        turn: (n,) degrees from how the item stands.
        name: what each is at; "" for a hole.
    """

    start: Array
    way: Array
    low: Array
    high: Array
    turn: Array
    name: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.turn)

    def at(self, of: Any, along: Any) -> Array:
        """Places (k, 2) of lines (k,), so far along them (k,), mm."""
        return np.asarray(self.start[of] + np.asarray(along)[..., None] * self.way[of])

    def along(self, of: Any, at: Array) -> Array:
        """How far along their lines (k,) places (k, 2) are, mm.

        Args:
            of: numbers of the lines (k,).   at: mm, machine X Y.
        """
        return np.asarray(((at - self.start[of]) * self.way[of]).sum(axis=-1))

    def boxes(self, half_turn: float) -> Boxes:
        """All of them; each stands for so many degrees to either side of its turn."""
        middle, half = (self.low + self.high) / 2.0, (self.high - self.low) / 2.0
        of = np.arange(len(self))
        along = self.way * half[:, None]
        return Boxes(self.at(of, middle), np.abs(along), self.turn, np.full(len(self), half_turn), along, of)


@record
class Slot:
    """The slot along which an item may be pushed on its screw.

    Attributes:
        low, high: how far it may be pushed towards its tip from where it stands, mm.
        body: the item as large as it is anywhere along its slot.   goes: (facets,) which go along.
    """

    low: float
    high: float
    body: Body
    goes: NDArray[np.bool_]

    def part(self, goes: bool) -> Body:
        """What goes along alone, or what stays with the screw."""
        ends = np.cumsum(self.body.shells)
        mine = [k for k in range(len(ends)) if bool(self.goes[ends[k] - 1]) == goes]
        sunk = tuple(n for n, k in enumerate(mine) if k in self.body.sunk)
        shells = tuple(self.body.shells[k] for k in mine)
        return replace(
            self.body, triangles_M=self.body.triangles_M[self.goes == goes], shells=shells, sunk=sunk
        )


def pushed(body: Body, by: float) -> dict[str, Any]:
    """The values of an item once it is pushed along its slot by so much towards its tip, mm.

    Args:
        body: as it stands.   by: mm, negative away from its tip.
    """
    source = body.library
    if source is None or source.kind.slides is None or abs(by) < 1e-9:
        return {}
    return source.kind.slides(source.params, by)


def slot_of(body: Body) -> Slot | None:
    """The slot of an item; None where it has none, or what goes along changes on its way.

    Args:
        body: an item that stands on its screw.
    """
    source = body.library
    if source is None or source.kind.slides is None or not body.shells:
        return None
    known = {each.name: each for each in source.kind.parameters}

    def may(by: float) -> bool:
        assert source is not None
        assert source.kind.slides is not None
        try:
            values: Mapping[str, Any] = source.kind.slides(source.params, by)
        except Conflict:
            return False
        for name, value in values.items():
            least, most = known[name].low, known[name].high
            if (least is not None and value < least - 1e-9) or (most is not None and value > most + 1e-9):
                return False
        return True

    low, high = -_farthest(lambda by: may(-by)), _farthest(may)
    if high - low < PLAY:
        return None
    try:
        ends = [rebuilt(body, pushed(body, by)) for by in (low, high)]
    except InputError:
        return None
    if any(end.shells != body.shells for end in ends):
        return None
    way = np.array([*body.T_MI[:2, 0], 0.0])
    goes, made = [], []
    for mine, first, last in zip(*(_shells(each) for each in (body, *ends)), strict=True):
        if np.abs(first - last).max() < ALIKE:
            goes.append(np.zeros(len(mine), dtype=bool))
            made.append(mine)
            continue
        # as it is pushed back farthest, seen from where it stands: packing is largest there
        first = first - low * way
        for each in (mine, last - high * way):
            if not _holds(first, each):
                return None
        goes.append(np.ones(len(mine), dtype=bool))
        made.append(first)
    if not any(each.any() for each in goes):
        return None
    return Slot(low, high, replace(body, triangles_M=np.concatenate(made)), np.concatenate(goes))


def _shells(body: Body) -> list[Array]:
    return np.split(body.triangles_M, np.cumsum(body.shells)[:-1])


def _holds(one: Array, other: Array) -> bool:
    """Whether a shell's box holds another's."""
    return bool(
        (one.min(axis=(0, 1)) <= other.min(axis=(0, 1)) + 1e-5).all()
        and (one.max(axis=(0, 1)) >= other.max(axis=(0, 1)) - 1e-5).all()
    )


def _farthest(may: Any) -> float:
    """The largest way, mm, that may be gone, to a hundredth, never more."""
    low, high = 0.0, LONGEST
    for _ in range(24):
        middle = (low + high) / 2.0
        low, high = (middle, high) if may(middle) else (low, middle)
    return float(np.floor(low * 100.0 + 1e-3) / 100.0)


def in_holes(body: Body, holes: Array, turns: Array, slot: Slot | None) -> Lines:
    """A line for each hole and turn.

    Args:
        body: the item.   holes: (h, 2) machine X Y.   turns: (m,) degrees from how it stands.
    """
    n, m = len(holes), len(turns)
    turn = np.tile(turns, n)
    angle = np.arctan2(body.T_MI[1, 0], body.T_MI[0, 0]) + np.radians(turn)
    low, high = (0.0, 0.0) if slot is None else (slot.low, slot.high)
    return Lines(
        np.repeat(holes, m, axis=0), np.column_stack([np.cos(angle), np.sin(angle)]),
        np.full(n * m, low), np.full(n * m, high), turn, ("",) * (n * m),
    )  # fmt: skip


def of_all(lines: Sequence[tuple[Array, Array, float, float, float, str]]) -> Lines:
    """Lines of tuples: start, way, from, to, turn, name."""
    start, way, low, high, turn, name = zip(*lines, strict=True)
    return Lines(np.array(start), np.array(way), np.array(low), np.array(high), np.array(turn), tuple(name))
