"""An item goes in; its setup with it on another carrier, or with another holder in its stead, comes out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from clearance.advice.where.answer import ItemPlaces, Progress, find_item
from clearance.advice.where.several import Where
from clearance.errors import InputError
from clearance.scene.model import Body, Scene
from clearance.scene.reread import edited, found_item, in_the_file, params_of
from clearance.scene.tries import Instead, Param
from fixtures_lib.holder import Does

#: a clamp that presses from the side stays so much under the part's top, mm (common practice, no source)
BELOW = 2.0


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

    def rank(row: tuple[str, ItemPlaces | None, str]) -> tuple[int, float, float]:
        one = row[1]
        if one is None:
            return 2, 0.0, 0.0
        return (1, 0.0, 0.0) if one.best is None else (0, -one.best.spare, -one.best.room)

    found_.sort(key=rank)
    return Where(scene, tuple(one for _, one, _ in found_ if one is not None)[:1], kinds=tuple(found_))


def _as(scene: Scene, body: Body, kind: str) -> tuple[Scene | None, str]:
    """The setup with another holder where an item is, with its usual sizes; or why not.

    Of these only what the job leaves no choice in is otherwise: how high a part's top is over what it
    stands on, and how far a screw may go down. What fits itself to a part is tried so where that does not do.
    """
    if _kind(body) == kind:
        return with_sizes(scene, [body.name]), ""
    from fixtures_lib import library

    def in_file(params: Mapping[str, Any]) -> dict[str, Any]:
        return in_the_file(scene, body, library.get(kind), params)

    keys: dict[str, Any] = {"holder": kind, "model": None, "shape": None, "params": {}, "fit": None}
    parts = sorted((b for b in scene.bodies if b.kind == "part"), key=lambda b: _apart(b, body))
    tries = [{**keys, "params": in_file(_usual(kind, body, part))} for part in parts]
    tries += [{**keys, "fit": part.name, "params": in_file(_screw(kind, body))} for part in parts]
    tries += [keys]
    why = ""
    for each in tries:
        try:
            said = [f'a {kind} instead of "{body.name}"']
            there = edited(scene, [Instead(body.name, tuple(each.items()))], said)
            return with_sizes(there, [body.name]), ""
        except InputError as error:
            why = why or error.found
    return None, why


def _apart(part: Body, item: Body) -> float:
    """How far a part's box is from an item's, mm."""
    (a0, a1), (b0, b1) = part.aabbs.box, item.aabbs.box
    return float(np.hypot(*np.maximum(np.maximum(a0 - b1, b0 - a1), 0.0)[:2]))


def _known(kind: str) -> dict[str, Any]:
    from fixtures_lib import library

    return {each.name: each.default for each in library.get(kind).parameters}


def _screw(kind: str, body: Body) -> dict[str, Any]:
    """How far its screw goes down, as that does which stands there."""
    had = {} if body.library is None else body.library.params
    if "screw_below" not in _known(kind) or "screw_below" not in had:
        return {}
    return {"screw_below": had["screw_below"]}


def _usual(kind: str, body: Body, part: Body) -> dict[str, Any]:
    """What of a holder's usual sizes the job gives: how high it is for a part."""
    values = _screw(kind, body)
    known = _known(kind)
    high = round(float(part.aabbs.box[1][2] - body.T_MI[2, 3]), 4)
    does = _does(kind)
    if Does.PRESSES not in does or "height" not in known:
        return values
    if Does.GRIPS not in does:
        return {**values, "height": high}
    # what presses from the side stays under the part's top
    height = min(float(known["height"]), high - BELOW)
    values["height"] = height
    if "toe" in known:
        values["toe"] = min(float(known["toe"]), height - 1.0)
    return values


def _does(kind: str) -> Does:
    from fixtures_lib import library

    return library.get(kind).does


def with_sizes(scene: Scene, names: Sequence[str]) -> Scene:
    """The setup with items that fit themselves to a part as large as they are now, wherever they are put.

    Args:
        scene: as read.   names: of items.
    """
    edits = []
    for name in names:
        source = None if name not in scene.items else scene.items[name].library
        if source is None or source.fit is None:
            continue
        usual = {one.name: one.default for one in source.kind.parameters}
        sizes = {k: v for k, v in source.params.items() if k in source.chosen or v != usual.get(k)}
        sets = params_of(scene, [Param(name, k, v) for k, v in sizes.items()])
        edits.append(Instead(name, (("fit", None), ("params", {one.param: one.value for one in sets}))))
    if not edits:
        return scene
    return edited(scene, edits, [f'"{one.item}" as large as it is now' for one in edits])
