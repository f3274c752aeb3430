"""A setup file and what is tried of it go in; the same file with that written into it comes out.

Comments, order and layout stay, and what was written reads as what was tried.
"""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from clearance.errors import InputError
from clearance.files import unreadable, write_whole
from clearance.scene.bodies import Files
from clearance.scene.model import Scene
from clearance.scene.pallets import assembled
from clearance.scene.schema import Setup
from clearance.scene.toml_file import MM_PER_UNIT, read_toml
from clearance.scene.tries import (
    DIGITS,
    SAME,
    Edit,
    Instead,
    Off,
    OnSeat,
    Packed,
    Set,
    Unfit,
    UseNozzles,
    applied,
)


def write_tried(scene: Scene, target: str | None = None) -> None:
    """Write into a scene's setup file what is tried in it.

    Args:
        scene: read anew with edits (``Scene.reading``).
        target: write it there instead; None: over the file.

    Raises:
        InputError: the file has changed since it was read, or cannot be written; or what is tried cannot be
            said in it.
    """
    _, content = with_tried(scene)
    _as_read(scene)
    write_whole(scene.setup_file if target is None else target, content)


def with_tried(scene: Scene) -> tuple[bytes, bytes]:
    """A setup file's bytes as they are, and with what is tried written into them; nothing is written.

    Args:
        scene: read anew with edits (``Scene.reading``).

    Raises:
        InputError: the file has changed since it was read; or what is tried cannot be said in it.
    """
    asked = scene.reading
    every = () if asked is None or asked.trial is None else asked.trial.edits
    edits = [one for one in every if not isinstance(one, Packed)]
    if not edits:
        raise InputError(None, "--write", "nothing is tried that could be written", "--move, say")
    raw = _as_read(scene)
    content = rewritten(raw, edits, scene.setup_file, scene.units, _on_pallets(scene, edits))
    _check(content, scene, edits)
    return raw, content


def _as_read(scene: Scene) -> bytes:
    """The setup file's bytes, which must still be those that were read."""
    file, sha256 = scene.inputs[0]
    try:
        raw = Path(scene.setup_file).read_bytes()
    except OSError as error:
        raise InputError(scene.setup_file, "", unreadable(error), "it was read a moment ago") from None
    if hashlib.sha256(raw).hexdigest() != sha256:
        found = "has changed since it was read; nothing was written"
        raise InputError(file, "", found, "run the command again")
    return raw


def _check(content: bytes, scene: Scene, edits: Sequence[Edit]) -> None:
    """Refuse to write what would not read as what was tried."""
    path = Path(scene.setup_file)
    before = read_toml(path, scene.setup_file)
    text = content.decode("utf-8-sig")
    after = replace(before, text=text, data=tomllib.loads(text))
    read, wanted = (assembled(f.checked(Setup), f, Files(path.parent))[0] for f in (after, before))
    if read.model_dump(exclude={"change"}) != applied(wanted, edits).model_dump(exclude={"change"}):
        found = "what is tried cannot be written into this file as it is laid out"
        raise InputError(scene.setup_file, "", found, "write it by hand")


def _on_pallets(scene: Scene, edits: Sequence[Edit]) -> set[str]:
    """The items of pallets' files among those that are edited.

    Raises:
        InputError: a holder's parameter is in another unit there than in the setup, or is fitted there.
    """
    found = set()
    for edit in edits:
        written = None if isinstance(edit, UseNozzles | Packed) else scene.items[edit.item].written
        if written is None:
            continue
        assert not isinstance(edit, UseNozzles | Packed)
        found.add(edit.item)
        if isinstance(edit, Set) and written.of(f"params.{edit.param}")[1] != scene.units:
            why = f'"{edit.item}" stands in {written.file}, whose lengths are in another unit'
            raise InputError(scene.setup_file, "", f"{why}; nothing was written", "set it in that file")
        if isinstance(edit, Unfit):
            why = f'"{edit.item}" stands in {written.file}, where fit decides its size'
            raise InputError(
                scene.setup_file, "", f"{why}; nothing was written", "set it in that file, without fit"
            )
    return found


def rewritten(
    raw: bytes, edits: Sequence[Edit], shown_as: str, units: str = "mm", on_pallets: Collection[str] = ()
) -> bytes:
    """A setup file's bytes with edits written into them.

    Args:
        raw: as read.   edits: of items that stand in it.   shown_as: its name.   units: of its lengths.
        on_pallets: names of items on its pallets; what is otherwise with them goes into [[change]].

    Raises:
        InputError: an item does not stand in this file, nor on its pallets; its layout could not be kept.
    """
    import tomlkit

    text = raw.decode("utf-8-sig")
    crlf = "\r\n" in text and text.count("\r\n") == text.count("\n")
    text = text.replace("\r\n", "\n") if crlf else text
    text = text if text.endswith("\n") else text + "\n"
    document = tomlkit.parse(text)
    if tomlkit.dumps(document) != text:
        found = "tables of one kind stand apart from each other; nothing was written, which would move them"
        raise InputError(shown_as, "", found, "put all [[items]] together, all [[cuts]] and so on")
    items = {str(item["name"]).strip(): item for item in document.get("items", [])}
    mm = MM_PER_UNIT[units]
    changes = {str(each["item"]).strip(): each for each in document.get("change", [])}
    for edit in edits:
        if isinstance(edit, Packed):
            continue
        if isinstance(edit, UseNozzles):
            if "heads" not in document:
                document["heads"] = tomlkit.table()
            if str(document["heads"].get("nozzles")) != edit.name:
                _add(document["heads"], "nozzles", edit.name)
            continue
        if edit.item in on_pallets and not isinstance(edit, Off):
            if edit.item not in changes:
                changes[edit.item] = _new_change(document, edit.item)
            items[edit.item] = changes[edit.item]
        elif edit.item not in items and edit.item not in on_pallets:
            found = f'"{edit.item}" does not stand in this file; nothing was written'
            raise InputError(shown_as, "", found, "change it in the file in which it stands")
        if isinstance(edit, OnSeat):
            if edit.at is not None:
                _numbers(items[edit.item], "at", edit.at, mm)
            if edit.turn is not None:
                _numbers(items[edit.item], "turn", edit.turn, 1.0)
        elif isinstance(edit, Unfit):
            items[edit.item].pop("fit", None)
        elif isinstance(edit, Set):
            _param(items[edit.item], edit)
        elif isinstance(edit, Instead):
            _instead(items[edit.item], edit, mm)
        else:
            for cut in document["cuts"]:
                _off(cut, edit)
    text = tomlkit.dumps(document)
    text = text.replace("\n", "\r\n") if crlf else text
    return (b"\xef\xbb\xbf" if raw.startswith(b"\xef\xbb\xbf") else b"") + text.encode("utf-8")


def _new_change(document: Any, item: str) -> Any:
    """A new [[change]] behind the others, or at the end of a setup; one blank line before it."""
    import tomlkit

    table = tomlkit.table()
    table["item"] = item
    table.trivia.indent = "\n"
    if "change" in document:
        # what stands before the next table goes behind the new one
        body, behind = document["change"][-1].value.body, []
        while body and body[-1][0] is None:
            behind.append(body.pop())
        for _, each in reversed(behind):
            table.add(each)
    else:
        document.append("change", tomlkit.aot())
    document["change"].append(table)
    return document["change"][-1]


def _plain(value: Any) -> Any:
    """A number as a person types it: 305, not 305.0."""
    if isinstance(value, list | tuple):
        return [_plain(one) for one in value]
    return int(value) if isinstance(value, float) and value.is_integer() else value


def _numbers(table: Any, key: str, values: Sequence[float], unit: float) -> None:
    """Set a list of numbers; of one that stands there only those that differ, so that its layout stays."""
    there = table.get(key)
    as_typed = [_plain(round(value / unit, DIGITS)) for value in values]
    if there is None:
        _add(table, key, as_typed)
        return
    for k, value in enumerate(values):
        if abs(float(there[k]) * unit - value) > SAME:
            there[k] = as_typed[k]


def _param(item: Any, edit: Set) -> None:
    import tomlkit

    if "params" not in item:
        table = tomlkit.inline_table()
        table[edit.param] = _plain(edit.value)
        _add(item, "params", table)
    elif edit.param in item["params"]:
        item["params"][edit.param] = _plain(edit.value)
    else:
        _add(item["params"], edit.param, _plain(edit.value))


def _instead(item: Any, edit: Instead, mm: float) -> None:
    """An item on another carrier: what it stands on, and where."""
    for key, value in edit.keys:
        if key in ("at", "turn"):
            _numbers(item, key, value, mm if key == "at" else 1.0)
        elif key == "on" and len(value) == 1:
            item[key] = value[0]
        elif value is None and key in item:
            del item[key]
        elif value is not None:
            item[key] = value


def _off(cut: Any, edit: Off) -> None:
    """Take an item off for a cut: out of its ``with``, into its ``without``."""
    for key in ("with", "without"):
        listed = cut.get(key)
        if listed is None:
            continue
        if not isinstance(listed, list):
            listed = [listed]
            cut[key] = listed
            listed = cut[key]
        for k in reversed(range(len(listed))):
            name = listed[k]["item"] if isinstance(listed[k], dict) else listed[k]
            if str(name).strip() == edit.item:
                del listed[k]
        if key == "with" and not listed:
            del cut[key]
    if "without" in cut:
        cut["without"].append(edit.item)
    else:
        _add(cut, "without", [edit.item])


def _add(table: Any, key: str, value: Any) -> None:
    """A new key behind the last one of its table; comments at its end belong to what follows."""
    body = getattr(getattr(table, "value", None), "body", None)
    behind = []
    if body is not None:
        while body and body[-1][0] is None:
            behind.append(body.pop())
    table[key] = value
    for _, each in reversed(behind):
        table.add(each)
