"""What is tried goes in (items moved, parameters set, items off, all raised); the setup as it would be comes
out, before anything of it is placed.

Who tries says it in machine axes (``Move``, ``Raise``, ``Param``, ``Off``); a setup says it by each item's
own place on its seat (``OnSeat``, ``Set``, ``Unfit``, ``Off``, ``UseNozzles``), rounded as a file has it, so
that what is tried and what is written are one. ``Stand`` turns the one into the other: what is moved changes
the item's pose on its seat alone, and all that stands on it goes along.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from clearance.errors import finite
from clearance.geometry.transforms import Matrix, invert, turn_matrix
from clearance.records import record
from clearance.scene.model import Body, Scene
from clearance.scene.placing import LAID_ALONG, on_its_seat
from clearance.scene.schema import Change as Listed
from clearance.scene.schema import CutIn, Setup
from clearance.scene.schema_items import Item
from clearance.scene.toml_file import MM_PER_UNIT

Three = tuple[float, float, float]
NONE: Three = (0.0, 0.0, 0.0)


# ------------------------------------------------------------------------------------ as somebody says it
@record
class Move:
    """An item moved by mm along the machine's axes and turned by degrees about them, fixed X, then Y, then Z,
    through its own origin; what stands on it goes along."""

    item: str
    by: Three = NONE
    turn: Three = NONE


@record
class Param:
    """A holder's parameter; lengths in mm."""

    item: str
    param: str
    value: Any


@record
class Off:
    """An item off for all cuts."""

    item: str


@record
class Raise:
    """All that stands on the table, and with it the part zero, higher by so much, mm."""

    by: float


Tried = Move | Param | Off | Raise


def said(one: Tried) -> str:
    """What is tried, in a setter's words: '"left strap" by X +5 mm'."""
    if isinstance(one, Raise):
        return f"all on the table raised by {one.by:g} mm"
    if isinstance(one, Off):
        return f'"{one.item}" off'
    if isinstance(one, Param):
        value = _typed(one.value) if isinstance(one.value, list | tuple) else _number(one.value)
        return f'"{one.item}": {one.param} = {value}'
    by = " ".join(f"{axis} {v:+g}" for axis, v in zip("XYZ", one.by, strict=True) if v)
    turn = ", ".join(f"{v:+g} degrees about {axis}" for axis, v in zip("XYZ", one.turn, strict=True) if v)
    how = [*([f"moved by {by} mm"] if by else []), *([f"turned by {turn}"] if turn else [])]
    return f'"{one.item}" {" and ".join(how) or "where it is"}'


def _typed(values: Sequence[Any]) -> str:
    return "[" + ", ".join(map(_number, values)) + "]"


def _number(value: Any) -> str:
    number = finite(value)
    if number is not None:
        return f"{number:g}"
    return f'"{value}"' if isinstance(value, str) else repr(value)


# ------------------------------------------------------------------------------------ as a setup says it
@record
class OnSeat:
    """Where an item is on its seat, mm and degrees; what is None stays as the setup has it."""

    item: str
    at: Three | None = None
    turn: Three | None = None


@record
class Set:
    """A parameter of a holder as the file would have it, in the file's own units."""

    item: str
    param: str
    value: Any


@record
class Unfit:
    """A holder that fits itself to a part no longer, but has the sizes that ``params`` gives."""

    item: str


@record
class Instead:
    """An item with other values of some of its keys, ``params`` in the file's units, all else in mm: it is
    another holder, or stands on another carrier."""

    item: str
    keys: tuple[tuple[str, Any], ...]


@record
class UseNozzles:
    """The nozzles that the setup chooses; "own" are the machine's own heads."""

    name: str


@record
class Packed:
    """All that stands on the table lies on so much packing, mm, that is not described, and each of some items
    on so much of its own; that they are higher their places say. Nothing of it is written into a file."""

    by: float
    items: tuple[tuple[str, float], ...] = ()


Edit = OnSeat | Set | Unfit | Off | Instead | UseNozzles | Packed


def together(edits: Sequence[Edit]) -> tuple[Edit, ...]:
    """The same with what is said twice said once: the later value counts."""
    out: dict[tuple[str, ...], Edit] = {}
    for edit in edits:
        if isinstance(edit, OnSeat):
            old = out.get(("place", edit.item))
            if isinstance(old, OnSeat):
                at, turn = (edit.at or old.at), (edit.turn or old.turn)
                edit = OnSeat(edit.item, at, turn)
            out["place", edit.item] = edit
        elif isinstance(edit, Set):
            out["set", edit.item, edit.param] = edit
        elif isinstance(edit, Unfit):
            out["unfit", edit.item] = edit
        elif isinstance(edit, Instead):
            before = out.get(("instead", edit.item))
            if isinstance(before, Instead):
                edit = Instead(edit.item, tuple({**dict(before.keys), **dict(edit.keys)}.items()))
            out["instead", edit.item] = edit
        elif isinstance(edit, UseNozzles):
            out["nozzles",] = edit
        elif isinstance(edit, Packed):
            out["packed",] = edit
        else:
            out["off", edit.item] = edit
    return tuple(out.values())


def applied(setup: Setup, edits: Sequence[Edit]) -> Setup:
    """The setup as it would be.

    Args:
        setup: as read, mm.   edits: of its items.
    """
    places = {one.item: one for one in edits if isinstance(one, OnSeat)}
    params: dict[str, dict[str, Any]] = {}
    for one in edits:
        if isinstance(one, Set):
            params.setdefault(one.item, {})[one.param] = one.value
    off = [one.item for one in edits if isinstance(one, Off)]
    instead: dict[str, dict[str, Any]] = {one.item: {"fit": None} for one in edits if isinstance(one, Unfit)}
    for one in edits:
        if isinstance(one, Instead):
            instead.setdefault(one.item, {}).update(one.keys)
    items = [item.model_copy(update=instead.get(item.name, {})) for item in setup.items]
    items = [_item(item, places.get(item.name), params.get(item.name)) for item in items]
    cuts = [_without(cut, off) for cut in setup.cuts] if off else setup.cuts
    update: dict[str, Any] = {"items": items, "cuts": cuts}
    for one in edits:
        if isinstance(one, UseNozzles):
            update["heads"] = setup.heads.model_copy(update={"nozzles": one.name})
    return setup.model_copy(update=update)


def _item(item: Item, place: OnSeat | None, params: Mapping[str, Any] | None) -> Item:
    update: dict[str, Any] = {}
    if place is not None:
        update.update({k: v for k, v in (("at", place.at), ("turn", place.turn)) if v is not None})
    if params:
        update["params"] = {**item.params, **params}
    return item.model_copy(update=update) if update else item


def _without(cut: CutIn, off: Sequence[str]) -> CutIn:
    """A cut for which some items are off from its beginning to its end."""
    with_ = [one for one in cut.with_ if one.item not in off]
    without = [one for one in cut.without if one.item not in off]
    without += [Listed(item=name) for name in off]
    return cut.model_copy(update={"with_": with_, "without": without})


#: a place that differs by less from what the setup has is the setup's own, mm and degrees
SAME = 1e-9
#: digits after the point to which a file's lengths and angles are rounded
DIGITS = 6


class Stand:
    """Where the items of a scene are, as planned; some of them moved.

    Args:
        scene: as read.   on_seat: (4, 4) the pose on its seat of each item that was moved, by name.
    """

    def __init__(self, scene: Scene, on_seat: Mapping[str, Matrix] | None = None) -> None:
        held = scene.planned or scene
        self.items: dict[str, Body] = {body.name: body for body in held.bodies if body.item is not None}
        self.unit = MM_PER_UNIT[scene.units]
        self.on_seat: dict[str, Matrix] = dict(on_seat or {})
        self._seats: dict[str, Matrix] = {}
        self._known: dict[str, Matrix] = {}

    def with_on_seat(self, on_seat: Mapping[str, Matrix]) -> Stand:
        """The same items with others of them moved."""
        there = object.__new__(Stand)
        there.items, there.unit, there._seats = self.items, self.unit, self._seats
        there.on_seat, there._known = dict(on_seat), {}
        return there

    def _seat(self, name: str) -> Matrix:
        """The seat (4, 4) of an item in the frame of what it stands on; of the machine on the table."""
        if name not in self._seats:
            body = self.items[name]
            T_MS = body.T_MI @ invert(on_its_seat(body.placed))
            base = body.stands_on
            self._seats[name] = T_MS if base is None else invert(self.items[base].T_MI) @ T_MS
        return self._seats[name]

    def seat(self, name: str) -> Matrix:
        """The seat (4, 4) on which an item stands, in the machine frame."""
        base = self.items[name].stands_on
        return self._seat(name) if base is None else self.pose(base) @ self._seat(name)

    def pose(self, name: str) -> Matrix:
        """An item's pose (4, 4) in the machine frame."""
        if name not in self._known:
            body = self.items[name]
            chain = [name]
            while (base := self.items[chain[-1]].stands_on) is not None:
                chain.append(base)
            if any(each in self.on_seat for each in chain):
                placed = body.placed
                P = self.on_seat.get(name)
                self._known[name] = self.seat(name) @ (on_its_seat(placed) if P is None else P)
            else:
                self._known[name] = body.T_MI
        return self._known[name]

    def over(self, name: str, holder: str) -> Matrix:
        """An item's pose (4, 4) in the seat of a holder on which it stands, directly or by way of others; in
        the holder's own frame where it stands elsewhere.

        Args:
            name: of the item.   holder: of what carries it, or not.
        """
        T, k = np.eye(4), name
        while True:
            own, base = self.items[k].placed, self.items[k].stands_on
            P = self.on_seat.get(k)
            T = (on_its_seat(own) if P is None else P) @ T
            if base is None:
                return np.asarray(invert(self.pose(holder)) @ self.pose(name))
            if base == holder:
                return np.asarray(T)
            T, k = self._seat(k) @ T, base

    def moved(self, name: str, by: Three, turn: Three) -> Stand:
        """The same with one item elsewhere.

        Args:
            name: of the item.   by: mm along the machine's axes.   turn: degrees about them, fixed X, then Y,
                then Z, through its own origin.
        """
        T_MI = self.pose(name).copy()
        T_MI[:3, :3] = turn_matrix(turn) @ T_MI[:3, :3]
        T_MI[:3, 3] += by
        return self.with_on_seat({**self.on_seat, name: invert(self.seat(name)) @ T_MI})

    def raised(self, by: float) -> Stand:
        """The same with all that stands on the table higher by so much, mm."""
        there = self
        for name, body in self.items.items():
            if body.stands_on is None:
                there = there.moved(name, (0.0, 0.0, by), (0.0, 0.0, 0.0))
        return there

    def placed(self, name: str) -> tuple[Three, Three]:
        """``at`` and ``turn`` of an item on its seat, mm and degrees, rounded as a file has them."""
        own = self.items[name].placed
        P = self.on_seat.get(name)
        if P is None:
            return own.at, own.turn
        at = [_kept(a, was, self.unit) for a, was in zip(P[:3, 3], own.at, strict=True)]
        turn, turned = own.turn, P.copy()
        turned[:3, :3] = P[:3, :3] @ turn_matrix(LAID_ALONG[own.axis]).T
        if np.abs(turned[:3, :3] - turn_matrix(own.turn)).max() > 1e-12:
            ways = zip(angles(turned, own.turn), own.turn, strict=True)
            turn = _three([_kept(a, was, 1.0) for a, was in ways])
        return _three(at), turn

    def places(self) -> list[OnSeat]:
        """What a setup says of the items that were moved, by what differs from what it says now."""
        out = []
        for name in self.on_seat:
            own = self.items[name].placed
            at, turn = self.placed(name)
            if (at, turn) != (own.at, own.turn):
                out.append(OnSeat(name, at if at != own.at else None, turn if turn != own.turn else None))
        return out

    def as_written(self) -> Stand:
        """The same, each moved item where the rounded numbers of a file put it."""
        there = {}
        for name in self.on_seat:
            at, turn = self.placed(name)
            there[name] = on_its_seat(replace(self.items[name].placed, at=at, turn=turn))
        return self.with_on_seat(there)


def _three(values: list[float]) -> Three:
    return values[0], values[1], values[2]


def _kept(value: float, was: float, unit: float) -> float:
    """A value as a file would have it, in mm or degrees; what is as it was stays so to the last digit."""
    if abs(value - was) <= SAME:
        return was
    return round(float(value) / unit, DIGITS) * unit + 0.0


def angles(T: Matrix, near: Three) -> list[float]:
    """Degrees about the fixed X, then Y, then Z that give a rotation; of all ways to say it the nearest one.

    Args:
        T: (4, 4).   near: degrees, which the answer is to be near to.
    """
    R = T[:3, :3]
    cos_b = math.hypot(R[0, 0], R[1, 0])
    if cos_b > 1e-9:
        a = math.degrees(math.atan2(R[2, 1], R[2, 2]))
        b = math.degrees(math.atan2(-R[2, 0], cos_b))
        c = math.degrees(math.atan2(R[1, 0], R[0, 0]))
        ways = [(a, b, c), (a + 180.0, 180.0 - b, c + 180.0)]
    else:
        # about Y by a quarter turn X and Z are one axis: what is said about X stays
        b = math.copysign(90.0, -R[2, 0])
        a = near[0]
        rest = turn_matrix((a, b, 0.0)).T
        Z = R @ rest
        ways = [(a, b, math.degrees(math.atan2(Z[1, 0], Z[0, 0])))]
    whole = [[v + 360.0 * round((n - v) / 360.0) for v, n in zip(way, near, strict=True)] for way in ways]
    return min(whole, key=lambda way: sum(abs(v - n) for v, n in zip(way, near, strict=True)))
