"""A setup and the files of its pallets go in; one setup with all items on them, in mm, comes out.

The items of a pallet are named "P3/front rail" and stand where the pallet stands. Pallets may hold pallets.
An item of a pallet is written in the pallet's file, and what the setup changes of it in the setup:
``Written`` says where each key of an item is written, in which unit, and the frame it counts from. All that
places, builds and judges items sees one list; only messages, units and advice ask for this.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from dataclasses import field, replace
from pathlib import Path
from typing import Any

from pydantic_core import PydanticCustomError

from clearance.errors import InputError
from clearance.geometry.transforms import Matrix, pose
from clearance.records import changing, record
from clearance.scene.bodies import Files
from clearance.scene.fields import Table, shown, suggestion
from clearance.scene.model import Finding, PalletThere, WrittenIn
from clearance.scene.placing import chained
from clearance.scene.schema import Change, CutIn, Setup
from clearance.scene.schema_items import ChangedItem, Item, Pallet, PalletUse, StandingTables
from clearance.scene.toml_file import MM_PER_UNIT, Loc, TomlFile, read_toml


@record
class TableAt:
    """A table of a file: ("items", 3) in pallet_3.toml."""

    file: TomlFile
    loc: Loc

    @property
    def units(self) -> str:
        """The unit of the lengths there."""
        units = self.file.data.get("units", "mm")
        return units if isinstance(units, str) else "mm"

    @property
    def mm(self) -> float:
        """mm in that unit."""
        return MM_PER_UNIT[self.units]

    def raw(self, *keys: str) -> Any:
        """What stands there under a key, as written; None where nothing does."""
        node: Any = self.file.data
        for step in (*self.loc, *keys):
            if isinstance(step, int):
                node = node[step]
            else:
                node = node.get(step) if isinstance(node, dict) else None
        return node


@record
class Origin:
    """Where an item is written.

    Attributes:
        own: its table.   pallet: the name of the pallet that it is on, in full ("P3", "P3/left"), or None.
        keys: what is written elsewhere, by key: ("at",), ("params", "length").
        frame: (4, 4) the pallet's frame on the seat (or the table) that the item's ``at`` counts from; None:
            the seat's own.
        changed: what a setup, or a pallet under it, has otherwise, by key: "reach = 22 (24 in one.toml)".
    """

    own: TableAt
    pallet: str | None = None
    keys: Mapping[tuple[str, ...], TableAt] = field(default_factory=dict)
    frame: Matrix | None = None
    changed: Mapping[str, str] = field(default_factory=dict)

    def of(self, *keys: str | int) -> TableAt:
        """The table in which a key of the item is written."""
        names = tuple(str(key) for key in keys)
        for length in range(len(names), 0, -1):
            if names[:length] in self.keys:
                return self.keys[names[:length]]
        return self.own

    def params_mm(self, names: Iterable[str]) -> dict[str, float]:
        """mm in one unit of the lengths in its params, of each by its name."""
        return {name: self.of("params", name).mm for name in names}


@record
class Written(TomlFile):
    """A setup file, whose items may stand in pallets' files; ``origins`` has one for each item."""

    origins: tuple[Origin, ...] = ()

    def error(self, loc: Loc, found: str, want: str = "", not_yet: bool = False) -> InputError:
        """The error for the key at ``loc``, in the file in which it is written; see ``TomlFile.error``.

        Args:
            loc: keys and numbers down to it.   found, want: what was found, and what would be right.
            not_yet: it is right, but of no use in this version.
        """
        if len(loc) < 2 or loc[0] != "items" or not isinstance(loc[1], int) or not self.origins:
            return super().error(loc, found, want, not_yet)
        spot = self.origins[loc[1]].of(*loc[2:])
        return spot.file.error((*spot.loc, *loc[2:]), found, want, not_yet)

    def written_in(self, i: int) -> WrittenIn | None:
        """Where item ``i`` is written, as everything outside this room takes it; None: all in the setup."""
        origin = self.origins[i]
        if origin.pallet is None:
            return None
        return WrittenIn(
            origin.pallet,
            origin.own.file.shown_as,
            origin.own.units,
            {".".join(keys): (spot.file.shown_as, spot.units) for keys, spot in origin.keys.items()},
            origin.frame is not None,
            tuple(origin.changed.values()),
        )


#: pallets on pallets, at most
DEEPEST = 8
#: items and pallets of a whole setup, at most
MOST = 5000
#: keys that name a file, counted from the file in which they stand
_FILES = ("part", "model", "becomes", "measured")
#: tables of which a change says single keys
_BY_KEY = ("params", "allow")


@record
class _One:
    """An item, and the names in it, as the file sees it that has been reached; ``told``: what was changed."""

    item: Item
    origin: Origin
    told: tuple[str, ...] = ()


@changing
class _Reader:
    """Reads pallets' files, each once. ``where``, ``chain``: the folder and the files down to the one that is
    read, both as seen from the setup's folder."""

    files: Files
    read: dict[str, tuple[TomlFile, Pallet]] = field(default_factory=dict)
    there: list[PalletThere] = field(default_factory=list)
    count: int = 0

    def standing(
        self, table: StandingTables, file: TomlFile, where: str, chain: tuple[str, ...]
    ) -> list[_One]:
        """All that stands on a table or pallet: what is on its pallets, then its own items."""
        self._counted(len(table.items), ("items",), file)
        found: list[_One] = []
        out: dict[str, int] = {}
        first_pallet = len(self.there)
        for k, use in enumerate(table.pallets):
            on_it, left_out = self._on_pallet(k, use, file, where, chain)
            found += on_it
            out.update(dict.fromkeys(left_out, k))
        found += [_One(item, Origin(TableAt(file, ("items", i)))) for i, item in enumerate(table.items)]
        index = {one.item.name: n for n, one in enumerate(found)}
        first_own = len(found) - len(table.items)
        for j, change in enumerate(table.change):
            for pallet in self.there[first_pallet:]:
                if change.item in [f"{pallet.name}/{left}" for left in pallet.without]:
                    said = f'"{change.item}" is left out by without of the pallet "{pallet.name}"'
                    raise file.error(("change", j, "item"), said, "take it out of one of the two")
            if change.item not in index:
                want = suggestion(change.item, list(index))
                raise file.error(("change", j, "item"), f'there is no item "{change.item}"', want)
            n = index[change.item]
            if n >= first_own:
                stands = f'"{change.item}" stands in this file itself'
                raise file.error(("change", j, "item"), stands, "say it there, in [[items]]")
            found[n] = _with(found[n], change, TableAt(file, ("change", j)))
        for one in found:
            for name in (*(one.item.on or ()), *((one.item.fit,) if one.item.fit else ())):
                if name in out:
                    how = "stands on it" if name in (one.item.on or ()) else "is fitted to it"
                    want = f'leave "{one.item.name}" out too, or say otherwise of it in [[change]]'
                    raise file.error(
                        ("pallets", out[name], "without"),
                        f'"{name}" is left out, but "{one.item.name}" {how}',
                        want,
                    )
        if isinstance(table, Pallet):
            _names_are_there(found)
        return found

    def _on_pallet(
        self, k: int, use: PalletUse, file: TomlFile, where: str, chain: tuple[str, ...]
    ) -> tuple[list[_One], list[str]]:
        """The items on a pallet, as the file sees them in which it is used, and the names left out."""
        self._counted(1, ("pallets", k), file)
        name = _joined(where, use.file)
        path = self.files.find(name, file, ("pallets", k, "file"))
        real = os.path.realpath(path)
        if real in chain:
            whole = [Path(each).name for each in (*chain[chain.index(real) :], real)]
            found, want = f"{chained(whole, ' holds ')}: a circle", "leave one of these pallets out"
            raise file.error(("pallets", k, "file"), found, want)
        if len(chain) > DEEPEST:
            found = f"{len(chain)} pallets, each on another"
            raise file.error(("pallets", k, "file"), found, f"{DEEPEST} at most")
        if real not in self.read:
            read = read_toml(path, name)
            pallet = read.checked(Pallet)
            if not pallet.items and not pallet.pallets:
                raise read.error((), "nothing stands on this pallet", "give it [[items]]")
            self.read[real] = (read, pallet)
            self.files.note(name, read.sha256)
        inner_file, table = self.read[real]
        used_in = file.shown_as if len(chain) > 1 else None
        out = tuple(use.without)
        there = PalletThere(use.name, name, use.at, use.turn, use.on, use.seat, out, used_in)
        self.there.append(there)
        first = len(self.there)
        inner = self.standing(table, inner_file, os.path.dirname(name), (*chain, real))
        for n in range(first, len(self.there)):
            each = self.there[n]
            on = None if each.on is None else f"{use.name}/{each.on}"
            self.there[n] = replace(each, name=f"{use.name}/{each.name}", on=on)
        names = {one.item.name for one in inner}
        for j, left in enumerate(use.without):
            if left not in names:
                found, want = f'"{use.file}" has no item "{left}"', suggestion(left, sorted(names))
                raise file.error(("pallets", k, "without", j), found, want)
        without = set(use.without)
        on_it = [_put(one, k, use, file) for one in inner if one.item.name not in without]
        return on_it, [f"{use.name}/{left}" for left in use.without]

    def _counted(self, more: int, loc: tuple[str | int, ...], file: TomlFile) -> None:
        self.count += more
        if self.count > MOST:
            raise file.error(loc, f"with its pallets the setup has more than {MOST} items", f"{MOST} at most")


def assembled(
    setup: Setup, file: TomlFile, files: Files
) -> tuple[Setup, Written, list[Finding], tuple[PalletThere, ...]]:
    """The setup with all that stands on its pallets among its items.

    Args:
        setup, file: as read.   files: finds the pallets' files, and remembers them.

    Returns:
        The setup; its file, which knows where each item is written; what was changed, a note each; and the
        pallets.

    Raises:
        InputError: a pallet's file is missing or wrong, holds itself, or names what is not there.
    """
    reader = _Reader(files)
    found = reader.standing(setup, file, "", (os.path.realpath(file.path),))
    told = [Finding("changed", "note", words, item=one.item.name) for one in found for words in one.told]
    told += [
        Finding("left out", "note", f"{each.name}: without {', '.join(each.without)}, as {_says(each)} says")
        for each in reader.there
        if each.without
    ]
    written = Written(
        file.path, file.shown_as, file.text, file.data, file.sha256, tuple(one.origin for one in found)
    )
    items = [one.item for one in found]
    cuts = [_of_whole_pallets(cut, items, reader.there) for cut in setup.cuts]
    return setup.model_copy(update={"items": items, "cuts": cuts}), written, told, tuple(reader.there)


def _names_are_there(found: list[_One]) -> None:
    """Refuse what a pallet's file, or a change in it, puts on something, or fits to something, that is not in
    that file; the names in it are its own."""
    names = [one.item.name for one in found]
    for one in found:
        for key, said in (("on", one.item.on or ()), ("fit", (one.item.fit,) if one.item.fit else ())):
            for name in said:
                if name in names:
                    continue
                plain = name.rpartition("/")[2]
                want = suggestion(name, [other for other in names if other != one.item.name])
                if plain in names and plain != one.item.name:
                    want = f'did you mean "{plain}"? A pallet\'s file uses its own plain names'
                spot = one.origin.of(key)
                raise spot.file.error((*spot.loc, key), f'there is no item "{name}" on this pallet', want)


def _of_whole_pallets(cut: CutIn, items: list[Item], pallets: list[PalletThere]) -> CutIn:
    """A cut whose with and without name items: a pallet's name there means all of it but what has its own.

    The first item stands where the pallet was named, the others at the end, so that messages find the place.
    """
    said = [one.item for one in (*cut.with_, *cut.without)]
    known = {pallet.name for pallet in pallets}
    taken, of = set(said), {}
    for name in sorted(known.intersection(said), key=len, reverse=True):
        of[name] = [i.name for i in items if i.name.startswith(f"{name}/") and i.name not in taken]
        taken.update(of[name])
    if not of:
        return cut

    def items_of(listed: list[Change]) -> list[Change]:
        each = [(one, of.get(one.item) or [one.item]) for one in listed]
        first = [one.model_copy(update={"item": names[0]}) for one, names in each]
        return first + [one.model_copy(update={"item": name}) for one, names in each for name in names[1:]]

    return cut.model_copy(update={"with_": items_of(cut.with_), "without": items_of(cut.without)})


def _says(pallet: PalletThere) -> str:
    return "the setup" if pallet.used_in is None else pallet.used_in


def _put(one: _One, k: int, use: PalletUse, file: TomlFile) -> _One:
    """An item of a pallet, as the file sees it in which the pallet is used."""
    item, origin = one.item, one.origin

    def full(name: str) -> str:
        return f"{use.name}/{name}"

    more: dict[str, Any] = {"name": full(item.name)}
    more.update({key: _seen(use.file, value) for key in _FILES if (value := getattr(item, key)) is not None})
    if item.fit is not None:
        more["fit"] = full(item.fit)
    pallet = use.name if origin.pallet is None else full(origin.pallet)
    origin = replace(origin, pallet=pallet)
    if item.on is not None:
        more["on"] = [full(name) for name in item.on]
    else:
        frame = pose(use.at, use.turn)
        origin = replace(origin, frame=frame if origin.frame is None else frame @ origin.frame)
        if use.on is not None:
            more.update(on=[use.on], seat=use.seat)
            spot = TableAt(file, ("pallets", k))
            origin = replace(origin, keys={("on",): spot, ("seat",): spot, **origin.keys})
    return replace(one, item=item.model_copy(update=more), origin=origin)


def _seen(pallet: str, name: str) -> str:
    """A file that a pallet names, as seen from the folder in which the pallet is used."""
    return _joined(os.path.dirname(pallet), name)


def _joined(folder: str, name: str) -> str:
    return os.path.join(folder, name) if folder else name


# ------------------------------------------------------------------------------------------ what is changed
def _with(one: _One, change: ChangedItem, spot: TableAt) -> _One:
    """An item as a change says, with what was there before in words."""
    item, origin = one.item, one.origin
    said = [key for key in _said(change) if key != "item"]
    more: dict[str, Any] = {key: getattr(change, key) for key in said}
    keys = dict(origin.keys)
    words: list[str] = []
    short = dict(origin.changed)
    for key in said:
        if key not in _BY_KEY:
            words.append(_told((key,), origin, spot, short))
            keys[(key,)] = spot
            continue
        for inner in spot.raw(key) or {}:
            words.append(_told((key, inner), origin, spot, short))
            keys[(key, inner)] = spot
    if "allow" in said:
        more["allow"] = item.allow.model_copy(update=_given(change.allow))
    if "params" in said:
        more["params"] = {**item.params, **change.params}
    frame = None if "on" in said else origin.frame
    if "on" in said and "seat" not in said:
        more["seat"] = None
    fields = {**{key: getattr(item, key) for key in type(item).model_fields}, **more}
    changed = Item.model_construct(_fields_set=item.model_fields_set | set(said), **fields)
    try:
        changed.refuse_what_does_not_go_together()
    except PydanticCustomError as error:
        context = error.context or {}
        raise spot.file.error((*spot.loc, *context["keys"]), context["found"], context["want"]) from None
    told = f"changed from {origin.own.file.shown_as}: {'; '.join(words)}"
    if spot.mm != origin.own.mm:
        told += f"; lengths here in {spot.units}, there in {origin.own.units}"
    origin = replace(origin, keys=keys, frame=frame, changed=short)
    return _One(changed, origin, (*one.told, told) if words else one.told)


def _said(table: Table) -> list[str]:
    """The keys that a table of the file gives, in their order in the schema."""
    return [key for key in type(table).model_fields if key in table.model_fields_set]


def _given(table: Table) -> dict[str, Any]:
    return {key: getattr(table, key) for key in table.model_fields_set}


def _told(keys: tuple[str, ...], origin: Origin, spot: TableAt, short: dict[str, str]) -> str:
    """ "params.reach = 22 (there 24)"; for the sheet "reach = 22 (24 in pallet_3.toml)" goes to ``short``."""
    was = origin.of(*keys)
    before = was.raw(*keys)
    there = "left out" if before is None else _whole(before)
    now = _whole(spot.raw(*keys))
    name = keys[-1] if keys[0] == "params" else ".".join(keys)
    units = "" if spot.units == "mm" else f"; lengths here in {spot.units}"
    if spot.units != was.units:
        units = f"; lengths here in {spot.units}, there in {was.units}"
    # the sheet's own lengths are mm
    short[".".join(keys)] = f"{name} = {now} ({there} in {was.file.shown_as}{units})"
    return f"{'.'.join(keys)} = {now} (there {there})"


def _whole(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {shown(one)}" for key, one in value.items()) + " }"
    return shown(value)
