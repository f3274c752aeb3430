"""A scene and what is tried of it go in; the setup read anew with that, its files as they are, comes out."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from clearance.errors import InputError, WrongArgument, finite
from clearance.geometry.transforms import Matrix, invert
from clearance.records import record
from clearance.scene.fields import suggestion
from clearance.scene.load import load
from clearance.scene.measured import Asked, Trial
from clearance.scene.model import Body, Scene
from clearance.scene.settings import FromLibrary
from clearance.scene.toml_file import MM_PER_UNIT
from clearance.scene.tries import (
    DIGITS,
    NONE,
    Edit,
    Move,
    Off,
    Packed,
    Param,
    Raise,
    Set,
    Stand,
    Three,
    Tried,
    Unfit,
    UseNozzles,
    said,
    together,
)
from fixtures_lib import library
from fixtures_lib.holder import Holder, Kind

#: no item is moved farther, mm, nor turned by more, degrees
FARTHEST = 2000.0
MOST = 3600.0


@record
class ToldAs:
    """What a message names that tells of something wrong in what is tried.

    Attributes:
        moved, turned, set, off: where an item is named.   by, turn, raised: where numbers are.
        param: where a parameter is named.
    """

    moved: str
    turned: str
    set: str
    off: str
    by: str
    turn: str
    raised: str
    param: str


#: for who writes a command, and for who calls a function
OPTIONS = ToldAs("--move", "--turn", "--set", "--off", "--move", "--turn", "--raise", "--set")
ARGUMENTS = ToldAs("item", "item", "item", "item", "by", "turn", "by", "param")


def changed(scene: Scene, tried: Sequence[Tried], words: ToldAs = OPTIONS) -> Scene:
    """The setup read anew with what is tried.

    Parameters are set first; then items are moved in the order given, and all is raised.

    Args:
        scene: as read, or as it came from here.   tried: in machine axes, mm and degrees.
        words: what messages name.

    Raises:
        InputError: there is no such item or parameter; it cannot be set up so; the scene, or a file, was
            changed since it was read.
    """
    check(scene, tried, words)
    params, told = _set(scene, tried, words)
    stand, up = None, 0.0
    if any(isinstance(one, Move | Raise) for one in tried):
        stand = Stand(_anew(scene, params, (), ()) if params else scene)
        for one in tried:
            if isinstance(one, Move):
                stand = stand.moved(one.item, one.by, one.turn)
            elif isinstance(one, Raise):
                stand, up = stand.raised(one.by), up + one.by
    off = [Off(name) for name in off_with(scene, [one.item for one in tried if isinstance(one, Off)], words)]
    places: list[Edit] = [] if stand is None else [*stand.places()]
    if up:
        # what is lowered again stands as it stands
        places.append(Packed(max(0.0, scene.packed + up), scene.packed_items))
    return edited(scene, [*params, *places, *off], [*map(said, tried), *told])


def _set(scene: Scene, tried: Sequence[Tried], words: ToldAs) -> tuple[list[Edit], list[str]]:
    """What is set, as the file would have it, and what is fitted no longer since; the latter in words."""
    given: dict[str, list[str]] = {}
    for one in tried:
        if isinstance(one, Param):
            given.setdefault(one.item, []).append(one.param)
    edits: list[Edit] = [*params_of(scene, tried, words)]
    told = []
    for item, names in given.items():
        source = scene.items[item].library
        kept = None if source is None else unfitted(source, names, source.params)
        if source is not None and kept is not None:
            edits += [Unfit(item), *params_of(scene, [Param(item, name, v) for name, v in kept.items()])]
            stays = "".join(f", {name} stays {value}" for name, value in kept.items())
            told.append(f"{no_longer_fitted(item, source.fit)}{stays}")
    return edits, told


def no_longer_fitted(item: str, part: str | None) -> str:
    """That a holder is fitted no longer, in a setter's words.

    Args:
        item: its name.   part: that it was fitted to.
    """
    return f'"{item}" no longer fitted to "{part}"'


def unfitted(source: FromLibrary, names: Sequence[str], now: Mapping[str, Any]) -> dict[str, Any] | None:
    """What of a holder that fits itself to a part stays as it is, mm and degrees, once some of what its fit
    decides is set; None where that leaves the fit as it is.

    Args:
        source: the holder.   names: of the parameters that are set.   now: all its values as they are.
    """
    if not set(names) & set(source.decided):
        return None
    usual = {one.name: one.default for one in source.kind.parameters}
    return {
        name: now[name]
        for name in source.kind.fits
        if name not in names
        and now.get(name) is not None
        and (name in source.chosen or now[name] != usual[name])
    }


def edited(scene: Scene, edits: Sequence[Edit], words: Sequence[str]) -> Scene:
    """The setup read anew with some of it otherwise, beside what is otherwise already.

    Args:
        scene: as read.   edits: of its setup.   words: the same for a person.
    """
    if not scene.lies:
        return _anew(scene, edits, None, words)
    # parts that were measured go where their holders take them, and lie there as they lay
    there = _anew(scene, edits, (), ())
    before = {body.name: body for body in (scene.planned or scene).bodies}
    asked = _reading(scene)
    earlier: Mapping[str, Matrix] = {} if asked.trial is None else asked.trial.then
    then = {
        one.part: there.items[one.part].T_MI
        @ invert(before[one.part].T_MI)
        @ earlier.get(one.part, np.eye(4))
        for one in scene.lies
    }
    made = _anew(scene, edits, scene.lies, words, then)
    kept = tuple(f for f in scene.findings if f.kind in ("readings", "not told"))
    return replace(made, findings=(*made.findings, *kept))


def raised_as_read(before: Scene, after: Scene, bases: Sequence[str], by: float, words: str) -> Scene:
    """A scene that was raised, so that it can be read anew: its setup with what is raised says it.

    Args:
        before, after: it was raised.   bases: names of what was put higher; what stands on it went along.
        by: mm.   words: the same for a person.
    """
    asked = before.reading
    if asked is None:
        return after
    stand = Stand(before)
    for name in bases:
        stand = stand.moved(name, (0.0, 0.0, by), NONE)
    places = stand.places()
    there = {one.item: stand.placed(one.item) for one in places}
    trial, then = asked.trial or Trial(), {}
    for one in before.lies:
        up = np.eye(4)
        up[2, 3] = after.items[one.part].T_MI[2, 3] - before.items[one.part].T_MI[2, 3]
        then[one.part] = up @ trial.then.get(one.part, np.eye(4))
    edits = together([*trial.edits, *places, Packed(after.packed, after.packed_items)])
    lies = before.lies or trial.lies
    asked = replace(asked, trial=Trial(edits, lies, then, (*trial.said, words)))

    def placed(scene: Scene) -> Scene:
        bodies = tuple(
            replace(b, placed=replace(b.placed, at=there[b.name][0], turn=there[b.name][1]))
            if b.name in there
            else b
            for b in scene.bodies
        )
        return replace(scene, bodies=bodies)

    after = placed(after)
    after = replace(after, planned=None if after.planned is None else placed(after.planned))
    return replace(after, as_read=(asked, after.bodies, after.stretches))


def _reading(scene: Scene) -> Asked:
    if scene.reading is None:
        found = "the scene was changed since it was read"
        raise InputError(scene.setup_file, "", found, "try it on a scene as clearance.load gives it")
    return scene.reading


def _anew(
    scene: Scene,
    edits: Sequence[Edit],
    lies: tuple[Any, ...] | None,
    words: Sequence[str],
    then: Mapping[str, Matrix] | None = None,
) -> Scene:
    asked = _reading(scene)
    trial = asked.trial or Trial()
    every = together([*trial.edits, *edits])
    if any(isinstance(one, UseNozzles) for one in edits):
        # what is tried later goes before what was asked for
        asked = replace(asked, nozzles=None)
    made = load(
        scene.setup_file,
        replace(asked, trial=Trial(every, lies, then or {}, (*trial.said, *words))),
    )
    known = dict(scene.inputs)
    for name, sha256 in made.inputs:
        if known.get(name, sha256) != sha256:
            raise InputError(name, "", "has changed since it was read", "read the setup again")
    return made


# ------------------------------------------------------------------------------------------ what is refused
def three(name: str, values: Sequence[float]) -> Three:
    """Three numbers that somebody gave.

    Args:
        name: of the argument.   values: as given.
    """
    numbers = (
        list(values) if isinstance(values, Sequence | np.ndarray) and not isinstance(values, str) else []
    )
    right = [number for number in map(finite, numbers) if number is not None]
    if not len(right) == len(numbers) == 3:
        raise WrongArgument(name, values, "three numbers, for X, Y and Z")
    return right[0], right[1], right[2]


def check(scene: Scene, tried: Sequence[Tried], words: ToldAs = OPTIONS) -> None:
    """Refuse what names no item, or is no length.

    Args:
        scene: as read.   tried: of it.   words: what messages name.

    Raises:
        InputError: one message for the first that is wrong.
    """
    for one in tried:
        if isinstance(one, Raise):
            _within(words.raised, (one.by,), FARTHEST, "mm")
            continue
        if isinstance(one, Move):
            _within(words.by, one.by, FARTHEST, "mm")
            _within(words.turn, one.turn, MOST, "degrees")
            turned = any(one.turn) and not any(one.by)
            found_item(scene, one.item, words.turned if turned else words.moved)
        else:
            found_item(scene, one.item, words.set if isinstance(one, Param) else words.off)


def _within(option: str, values: Sequence[float], most: float, unit: str) -> None:
    for value in values:
        if not (math.isfinite(value) and abs(value) <= most):
            what = "length" if unit == "mm" else "angle"
            raise InputError(None, option, f"{value} is no {what}", f"{unit}, within {most:g}")


def found_item(scene: Scene, name: str, option: str) -> Body:
    """An item by its name.

    Args:
        scene: whose.   name: of the item.   option: that named it, or argument, for the message.

    Raises:
        InputError: there is none.
    """
    if not isinstance(name, str):
        raise WrongArgument(option, name, "the name of an item")
    if name in scene.items:
        return scene.items[name]
    raise InputError(None, option, f'there is no item "{name}"', suggestion(name, list(scene.items)))


def param_of(scene: Scene, words: str) -> tuple[str, str]:
    """Item and parameter of "vise.opening"; names may hold dots, so the longest item that fits is meant.

    Args:
        scene: whose items.   words: as somebody wrote them.

    Raises:
        InputError: no item is named so.
    """
    fits = [name for name in scene.items if words.startswith(f"{name}.")]
    if fits:
        name = max(fits, key=len)
        return name, words[len(name) + 1 :]
    item, dot, _ = words.rpartition(".")
    if not dot:
        raise InputError(None, "--set", f'"{words}" names no parameter', "ITEM.PARAMETER, as vise.opening")
    found_item(scene, item, "--set")
    raise AssertionError


def params_of(scene: Scene, tried: Sequence[Tried], words: ToldAs = OPTIONS) -> list[Set]:
    """What is set, as the file would have it.

    Args:
        scene: as read.   tried: of it.   words: what messages name.

    Raises:
        InputError: an item has no such parameter.
    """
    out = []
    for one in tried:
        if not isinstance(one, Param):
            continue
        kind = kind_of(found_item(scene, one.item, words.set), words)
        known = {each.name: each for each in kind.parameters}
        if not isinstance(one.param, str):
            raise WrongArgument(words.param, one.param, "the name of a parameter")
        if one.param not in known:
            found = f'"{one.item}" ({kind.name}) has no parameter "{one.param}"'
            raise InputError(None, words.param, found, suggestion(one.param, list(known)))
        if not _is_value(one.value):
            raise WrongArgument("value", one.value, "a number, a word, or a list of numbers")
        unit = _unit(scene, scene.items[one.item], one.param)
        out.append(Set(one.item, one.param, _in_file(one.value, unit)))
    return out


def _is_value(value: Any) -> bool:
    """Whether it may be a parameter's value: nothing that is used up as it is read, has no order, no end."""
    if isinstance(value, np.ndarray):
        return value.ndim <= 1
    if isinstance(value, list | tuple):
        return not any(isinstance(one, Iterable) and not isinstance(one, str) for one in value)
    return isinstance(value, str | dict) or not isinstance(value, Iterable)


def built_with(scene: Scene, item: str, sets: Sequence[Set]) -> Holder:
    """A holder of the library as a setup would have it with some of its parameters set.

    Args:
        scene: as read.   item: its name.   sets: of it, as a file would have them.

    Raises:
        InputError: it cannot be built so.
    """
    body = scene.items[item]
    source = body.library
    assert source is not None
    given: dict[str, Any] = {name: _in_mm(source.params[name], 1.0) for name in source.chosen}
    for one in sets:
        given[one.param] = _in_mm(one.value, _unit(scene, body, one.param))
    return library.build(source.kind, given, item, scene.setup_file)


def in_the_file(scene: Scene, body: Body, kind: Kind, params: Mapping[str, Any]) -> dict[str, Any]:
    """A holder's parameters as the file in which an item stands would have them.

    Args:
        scene: as read.   body: the item.   kind: the holder.   params: mm and degrees.
    """
    return {name: _in_file(value, _unit(scene, body, name, kind)) for name, value in params.items()}


def _unit(scene: Scene, body: Body, param: str, kind: Kind | None = None) -> float:
    """Millimetres in one unit in which a parameter stands in the file."""
    known = {each.name: each for each in (kind or kind_of(body)).parameters}
    if known[param].unit != "mm":
        return 1.0
    written = body.written
    return MM_PER_UNIT[scene.units if written is None else written.of(f"params.{param}")[1]]


def _in_mm(value: Any, unit: float) -> Any:
    if isinstance(value, list | tuple):
        return [_in_mm(one, unit) for one in value]
    return value * unit if isinstance(value, int | float) and not isinstance(value, bool) else value


def kind_of(body: Body, words: ToldAs = OPTIONS) -> Kind:
    """The holder of the library that an item is.

    Args:
        body: the item.   words: what messages name.

    Raises:
        InputError: it is none.
    """
    source = body.library
    if source is None:
        found = f'"{body.name}" is no holder of the library and has no parameters'
        raise InputError(None, words.set, found, "its model or shape says how large it is")
    return source.kind


def _in_file(value: Any, unit: float) -> Any:
    if isinstance(value, np.ndarray):
        return _in_file(value.tolist(), unit)
    if isinstance(value, list | tuple):
        return [_in_file(one, unit) for one in value]
    number = finite(value)
    return value if number is None else round(number / unit, DIGITS)


def off_with(scene: Scene, names: Sequence[str], words: ToldAs = OPTIONS) -> list[str]:
    """Items that are taken off, with all that stands on them.

    Args:
        scene: as read.   names: of items.   words: what messages name.

    Raises:
        InputError: one of them is cut.
    """
    out: list[str] = []
    for name in names:
        gone = {name}
        while more := {b.name for b in scene.items.values() if b.stands_on in gone} - gone:
            gone |= more
        for cut in scene.cuts:
            for part in cut.parts:
                if part in gone:
                    what = "it" if part == name else f'"{part}", which stands on it,'
                    found = f'"{name}" cannot be off: {what} is cut in "{cut.name}"'
                    raise InputError(None, words.off, found, "take off what no cut needs")
        out += [each for each in scene.items if each in gone and each not in out]
    return out
