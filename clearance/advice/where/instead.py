"""An item goes in; its setup with it on another carrier, or with another holder in its stead, comes out."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from clearance.advice.where.answer import ItemPlaces, Progress, find_item
from clearance.advice.where.several import Where
from clearance.errors import InputError
from clearance.scene.model import Body, Scene
from clearance.scene.reread import edited, found_item
from clearance.scene.tries import Instead


def on_another(scene: Scene, name: str, carrier: str) -> Scene:
    """The setup read anew with an item on another carrier: at the same place of its seat where both carriers
    are of one kind, else on its seat's plane.

    Args:
        scene: as read.   name: of the item.   carrier: of what it is to stand on.

    Raises:
        InputError: there is no such item, or it cannot stand there.
    """
    body, base = found_item(scene, name, "--item"), found_item(scene, carrier, "--on")
    if body.stands_on == carrier:
        return scene
    if carrier == name or _above(scene, carrier, name):
        raise InputError(None, "--on", f'"{carrier}" is "{name}" or stands on it', "what it is to stand on")
    seat = _seat(body, base)
    at, turn = body.placed.at, body.placed.turn
    was = scene.items.get(body.stands_on or "")
    if was is None or _kind(was) is None or _kind(was) != _kind(base):
        at = (0.0, 0.0, 0.0)
    keys: dict[str, Any] = {"on": [carrier], "seat": seat, "at": at, "turn": turn}
    return edited(scene, [Instead(name, tuple(keys.items()))], [f'"{name}" on "{carrier}"'])


def _above(scene: Scene, name: str, below: str) -> bool:
    on = scene.items[name].stands_on
    while on is not None and on != below:
        on = scene.items[on].stands_on
    return on == below


def _kind(body: Body) -> str | None:
    return None if body.library is None else body.library.holder


def _seat(body: Body, base: Body) -> str:
    """The seat of the same name, or the one that is called top, or the first."""
    for wanted in (body.placed.seat, "top"):
        if wanted in base.seats_M:
            return str(wanted)
    if not base.seats_M:
        raise InputError(None, "--on", f'"{base.name}" has no seat', "an item that things stand on")
    return next(iter(base.seats_M))


def with_others(
    scene: Scene,
    name: str,
    kinds: Sequence[str],
    least: float | None,
    turns: tuple[float, float] | None,
    progress: Progress | None,
) -> Where:
    """Holders, with their usual sizes, in an item's stead: which have a place, the roomiest first.

    Args:
        scene: as read.   name: of the item.   kinds: names of holders.   least, turns: as for ``find_where``.
        progress: is told the share done and what is looked at.

    Raises:
        InputError: there is no such item, or no such holder.
    """
    body = found_item(scene, name, "--item")
    if not kinds:
        raise InputError(None, "--with-any", "no holder is named", "strap,toe_clamp,magnet_block, say")
    from fixtures_lib import library

    for kind in kinds:
        if kind not in library.names():
            found = f'there is no holder "{kind}" in the library'
            raise InputError(None, "--with-any", found, "one that `clearance holders` lists")
    found_: list[tuple[str, ItemPlaces | None, str]] = []
    for kind in dict.fromkeys(kinds):
        there, why = _as(scene, body, kind)
        if there is None:
            found_.append((kind, None, why))
            continue
        try:
            one, _ = find_item(there, name, least, turns, progress)
        except InputError as error:
            found_.append((kind, None, error.found))
            continue
        found_.append((kind, one, ""))

    def rank(row: tuple[str, ItemPlaces | None, str]) -> tuple[int, float]:
        one = row[1]
        if one is None:
            return 2, 0.0
        return (1, 0.0) if one.best is None else (0, -one.best.spare)

    found_.sort(key=rank)
    return Where(scene, tuple(one for _, one, _ in found_ if one is not None)[:1], kinds=tuple(found_))


def _as(scene: Scene, body: Body, kind: str) -> tuple[Scene | None, str]:
    """The setup with another holder where an item is: fitted to the part where it can be; or why not."""
    keys: dict[str, Any] = {"holder": kind, "model": None, "shape": None, "params": {}, "fit": None}
    if _kind(body) == kind:
        return scene, ""
    source = body.library
    same = (
        {} if source is None else {k: v for k, v in source.params.items() if k in ("height", "screw_below")}
    )
    tries: list[dict[str, Any]] = []
    parts = [b.name for b in scene.bodies if b.kind == "part"]
    tries += [
        {**keys, "fit": part, "params": {k: v for k, v in same.items() if k != "height"}} for part in parts
    ]
    tries += [{**keys, "params": same}, {**keys, "params": {}}]
    why = ""
    for each in tries:
        try:
            said = [f'a {kind} instead of "{body.name}"']
            return edited(scene, [Instead(body.name, tuple(each.items()))], said), ""
        except InputError as error:
            why = error.found
    return None, why
