"""A record's file goes in, its content comes out, if it is whole: shape and checksum of an approval record.

The checksum is over the content, however the JSON is set out. It shows an edit made by accident; it is no
signature, since who edits on purpose can write it anew.

Nothing heavy is imported here: ``confirm`` answers at the machine at once.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

from clearance.errors import InputError
from clearance.files import refuse_no_file

SCHEMA = 1
KIND = "approval"

#: a record of a thousand inputs stays far below; a larger file is none, bytes
LARGEST_FILE = 8_000_000

_Shape = Mapping[str, type | tuple[type, ...]]
_TEXT_OR_NONE, _NUMBER = (str, type(None)), (float, int)

#: what a record's keys must hold; then those of ``approved``, of ``least``, of each of ``inputs``
_SHAPE: _Shape = {
    "tool": dict, "title": str, "setup": str, "folder": str, "approved": dict, "verdict": str,
    "margins": dict, "least": (dict, type(None)), "cuts": list, "findings": list, "inputs": list,
}  # fmt: skip
_APPROVED: _Shape = {
    "by": _TEXT_OR_NONE, "when": str, "draft": bool, "overridden": bool, "reason": _TEXT_OR_NONE,
}  # fmt: skip
_LEAST: _Shape = {"head": str, "item": str, "cut": str, "spare": _NUMBER, "move": (int, type(None))}
_INPUT: _Shape = {"file": str, "kind": str, "sha256": str}
_PROGRAM: _Shape = {**_INPUT, "words_sha256": str}

_WANT = "a record that  clearance approve  has written"


def sealed(content: Mapping[str, Any]) -> dict[str, Any]:
    """The content with its checksum, which stands last."""
    return {**content, "checksum": checksum(content)}


def checksum(content: Mapping[str, Any]) -> str:
    """The SHA-256 (hex) of a record's content, its own checksum left out."""
    bare = {key: value for key, value in content.items() if key != "checksum"}
    text = json.dumps(bare, sort_keys=True, separators=(",", ":"), allow_nan=False)
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def folder_of(record_file: str | Path) -> str:
    """The folder that a record's own paths count from: where the file truly lies, symbolic links followed."""
    return os.path.dirname(os.path.realpath(record_file))


def shipped_machine(name: str) -> Path:
    """Where a machine that ships with the tool lies; there need be none of that name."""
    plain = name if name.replace("_", "").isalnum() else "none"
    with resources.as_file(resources.files("clearance.scene") / "machines" / f"{plain}.toml") as path:
        return path


def read_record(file: str | Path) -> dict[str, Any]:
    """The content of a record.

    Raises:
        InputError: it cannot be read, is no approval record, is of a later version, or has been edited.
    """
    record = parsed(file)
    if not isinstance(record, dict) or record.get("record") != KIND:
        report = isinstance(record, dict) and "pairs" in record
        found = "is the report of a check, no approval record" if report else "is no approval record"
        raise InputError(file, "", found, _WANT)
    if record.get("schema") != SCHEMA:
        found = f"is a record of schema {_short(record.get('schema'))}, and this version knows {SCHEMA}"
        raise InputError(file, "schema", found, "confirm it with the version that wrote it, or approve anew")
    if record.get("checksum") != checksum(record):
        found = "has been edited, or spoilt, since it was written: its checksum does not fit"
        raise InputError(file, "checksum", found, "the record as written, or approve anew")
    _check_shape(record, _SHAPE, file, "")
    _check_shape(record["approved"], _APPROVED, file, "approved.")
    _check_shape(record["tool"], {"version": str}, file, "tool.")
    if record["least"] is not None:
        _check_shape(record["least"], _LEAST, file, "least.")
    for k, each in enumerate(record["inputs"]):
        if not isinstance(each, dict):
            raise InputError(file, f"inputs[{k + 1}]", f"found {_short(each)}", _WANT)
        _check_shape(each, _PROGRAM if each.get("kind") == "program" else _INPUT, file, f"inputs[{k + 1}].")
    if not record["inputs"]:
        raise InputError(file, "inputs", "names no file", _WANT)
    return record


def parsed(file: str | Path) -> Any:
    """What a JSON file holds. Raises InputError where it cannot be read, or is not JSON."""
    refuse_no_file(file, str(file), _WANT)
    try:
        with open(file, "rb") as stream:
            data = stream.read(LARGEST_FILE + 1)
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise InputError(str(file).replace("\0", "?"), "", f"cannot be read: {reason}", _WANT) from None
    if len(data) > LARGEST_FILE:
        raise InputError(file, "", "is larger than 8 MB", _WANT)
    try:
        return json.loads(data.decode("utf-8-sig"), object_pairs_hook=_once, parse_constant=_none)
    except RecursionError:
        raise InputError(file, "", "brackets are nested too deeply", _WANT) from None
    except ValueError as error:
        line = getattr(error, "lineno", None)
        raise InputError(file, f"line {line}" if line else "", "this is not JSON", _WANT) from None


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """A JSON object; a key that stands twice could hide what a person reads there."""
    if len({key for key, _ in pairs}) != len(pairs):
        raise ValueError("a key stands twice")
    return dict(pairs)


def _none(word: str) -> Any:
    raise ValueError(f"{word} is not JSON")


def _check_shape(table: Mapping[str, Any], shape: _Shape, file: str | Path, before: str) -> None:
    for key, kind in shape.items():
        if key not in table:
            raise InputError(file, before + key, "this key is missing", _WANT)
        if not isinstance(table[key], kind):
            raise InputError(file, before + key, f"found {_short(table[key])}", _WANT)


def _short(value: Any) -> str:
    text = json.dumps(value)
    return text if len(text) <= 40 else text[:37] + "..."
