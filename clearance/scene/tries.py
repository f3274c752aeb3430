"""What is tried goes in (items moved, parameters set, items off, all raised); the setup as it would be comes
out, before anything of it is placed.

Who tries says it in machine axes (``Move``, ``Raise``, ``Param``, ``Off``); a setup says it by each item's
own place on its seat (``Place``, ``Set``, ``Off``, ``Nozzles``), rounded as a file has it, so that what is
tried and what is written are one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from clearance.scene.schema import Change as Listed
from clearance.scene.schema import Cut, Setup
from clearance.scene.schema_items import Item

Three = tuple[float, float, float]
NONE: Three = (0.0, 0.0, 0.0)


# ------------------------------------------------------------------------------------ as somebody says it
@dataclass(frozen=True)
class Move:
    """An item moved by mm along the machine's axes and turned by degrees about them, fixed X, then Y, then Z,
    through its own origin; what stands on it goes along."""

    item: str
    by: Three = NONE
    turn: Three = NONE


@dataclass(frozen=True)
class Param:
    """A holder's parameter; lengths in mm."""

    item: str
    param: str
    value: Any


@dataclass(frozen=True)
class Off:
    """An item off for all cuts."""

    item: str


@dataclass(frozen=True)
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
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"


# ------------------------------------------------------------------------------------ as a setup says it
@dataclass(frozen=True)
class Place:
    """Where an item is on its seat, mm and degrees; what is None stays as the setup has it."""

    item: str
    at: Three | None = None
    turn: Three | None = None


@dataclass(frozen=True)
class Set:
    """A parameter of a holder as the file would have it, in the file's own units."""

    item: str
    param: str
    value: Any


@dataclass(frozen=True)
class Instead:
    """An item with other values of some of its keys, mm: another holder, or on another carrier."""

    item: str
    keys: tuple[tuple[str, Any], ...]


@dataclass(frozen=True)
class Nozzles:
    """The nozzles that the setup chooses; "own" are the machine's own heads."""

    name: str


Edit = Place | Set | Off | Instead | Nozzles


def together(edits: Sequence[Edit]) -> tuple[Edit, ...]:
    """The same with what is said twice said once: the later value counts."""
    out: dict[tuple[str, ...], Edit] = {}
    for edit in edits:
        if isinstance(edit, Place):
            old = out.get(("place", edit.item))
            if isinstance(old, Place):
                at, turn = (edit.at or old.at), (edit.turn or old.turn)
                edit = Place(edit.item, at, turn)
            out["place", edit.item] = edit
        elif isinstance(edit, Set):
            out["set", edit.item, edit.param] = edit
        elif isinstance(edit, Instead):
            out["instead", edit.item] = edit
        elif isinstance(edit, Nozzles):
            out["nozzles",] = edit
        else:
            out["off", edit.item] = edit
    return tuple(out.values())


def applied(setup: Setup, edits: Sequence[Edit]) -> Setup:
    """The setup as it would be.

    Args:
        setup: as read, mm.   edits: of its items.
    """
    places = {one.item: one for one in edits if isinstance(one, Place)}
    params: dict[str, dict[str, Any]] = {}
    for one in edits:
        if isinstance(one, Set):
            params.setdefault(one.item, {})[one.param] = one.value
    off = [one.item for one in edits if isinstance(one, Off)]
    instead = {one.item: dict(one.keys) for one in edits if isinstance(one, Instead)}
    items = [item.model_copy(update=instead.get(item.name, {})) for item in setup.items]
    items = [_item(item, places.get(item.name), params.get(item.name)) for item in items]
    cuts = [_without(cut, off) for cut in setup.cuts] if off else setup.cuts
    update: dict[str, Any] = {"items": items, "cuts": cuts}
    for one in edits:
        if isinstance(one, Nozzles):
            update["heads"] = setup.heads.model_copy(update={"nozzles": one.name})
    return setup.model_copy(update=update)


def _item(item: Item, place: Place | None, params: Mapping[str, Any] | None) -> Item:
    update: dict[str, Any] = {}
    if place is not None:
        update.update({k: v for k, v in (("at", place.at), ("turn", place.turn)) if v is not None})
    if params:
        update["params"] = {**item.params, **params}
    return item.model_copy(update=update) if update else item


def _without(cut: Cut, off: Sequence[str]) -> Cut:
    """A cut for which some items are off from its beginning to its end."""
    with_ = [one for one in cut.with_ if one.item not in off]
    without = [one for one in cut.without if one.item not in off]
    without += [Listed(item=name) for name in off]
    return cut.model_copy(update={"with_": with_, "without": without})
