"""A record's file goes in, its content comes out, if it is whole: shape and checksum of an approval record.

The checksum is over the content, however the JSON is set out. It shows an edit made by accident; it is no
signature, since who edits on purpose can write it anew.

Nothing heavy is imported here: ``confirm`` answers at the machine at once.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from clearance.errors import InputError
from clearance.files import refuse_no_file, unreadable

#: 1 counted the files alone; 2 also the values made of them, and what judged
SCHEMA = 2
KIND = "approval"

#: a record of a thousand inputs stays far below; a larger file is none, bytes
LARGEST_FILE = 16_000_000

_Shape = Mapping[str, type | tuple[type, ...]]
_TEXT_OR_NONE, _NUMBER = (str, type(None)), (float, int)

#: what a record's keys must hold; then those of ``approved``, of ``least``, of each of ``inputs``
_SHAPE: _Shape = {
    "tool": dict, "title": str, "setup": str, "folder": str, "approved": dict, "verdict": str,
    "margins": dict, "least": (dict, type(None)), "cuts": list, "findings": list, "inputs": list,
    "values": dict,
}  # fmt: skip
_APPROVED: _Shape = {
    "by": _TEXT_OR_NONE, "when": str, "draft": bool, "overridden": bool, "reason": _TEXT_OR_NONE,
}  # fmt: skip
_LEAST: _Shape = {"head": str, "item": str, "cut": str, "spare": _NUMBER, "move": (int, type(None))}
_TOOL: _Shape = {"version": str, "program_sha256": str, "holders_sha256": str, "libraries": dict}
_VALUES: _Shape = {"setup": dict, "machine": dict, "margins": dict, "bodies": dict, "ways": list}
_BODY: _Shape = {
    "kind": str, "source": dict, "closed": bool, "margin": dict, "allow": dict, "stands": list,
    "density": (*_NUMBER, type(None)), "sha256": str,
}  # fmt: skip
_WAY: _Shape = {"name": str, "moves": int, "lower_z": _NUMBER, "upper_z": _NUMBER, "sha256": str}
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
    if record.get("schema") == 1:
        found = "is a record of an earlier kind (schema 1), which did not count the defaults that went in"
        raise InputError(file, "schema", found, "approve anew")
    if record.get("schema") != SCHEMA:
        found = f"is a record of schema {_short(record.get('schema'))}, and this version knows {SCHEMA}"
        raise InputError(file, "schema", found, "confirm it with the version that wrote it, or approve anew")
    if record.get("checksum") != checksum(record):
        found = "has been edited, or spoilt, since it was written: its checksum does not fit"
        raise InputError(file, "checksum", found, "the record as written, or approve anew")
    _check_shape(record, _SHAPE, file, "")
    _check_shape(record["approved"], _APPROVED, file, "approved.")
    _check_shape(record["tool"], _TOOL, file, "tool.")
    _check_values(record["values"], file)
    if record["least"] is not None:
        _check_shape(record["least"], _LEAST, file, "least.")
    for k, each in enumerate(record["inputs"]):
        program = isinstance(each, dict) and each.get("kind") == "program"
        _check_table(each, _PROGRAM if program else _INPUT, file, f"inputs[{k + 1}]")
    if not record["inputs"]:
        raise InputError(file, "inputs", "names no file", _WANT)
    return record


def _check_values(values: Mapping[str, Any], file: str | Path) -> None:
    _check_shape(values, _VALUES, file, "values.")
    for name, body in values["bodies"].items():
        _check_table(body, _BODY, file, f"values.bodies.{name}")
        if len(body["stands"]) != 12:
            raise InputError(file, f"values.bodies.{name}.stands", "is no pose", _WANT)
    for k, way in enumerate(values["ways"], 1):
        _check_table(way, _WAY, file, f"values.ways[{k}]")


def _check_table(table: Any, shape: _Shape, file: str | Path, place: str) -> None:
    if not isinstance(table, dict):
        raise InputError(file, place, f"found {_short(table)}", _WANT)
    _check_shape(table, shape, file, place + ".")


def parsed(file: str | Path) -> Any:
    """What a JSON file holds. Raises InputError where it cannot be read, or is not JSON."""
    refuse_no_file(file, str(file), _WANT)
    try:
        with open(file, "rb") as stream:
            data = stream.read(LARGEST_FILE + 1)
    except (OSError, ValueError) as error:
        raise InputError(str(file).replace("\0", "?"), "", unreadable(error), _WANT) from None
    if len(data) > LARGEST_FILE:
        raise InputError(file, "", "is larger than 16 MB", _WANT)
    try:
        return json.loads(
            data.decode("utf-8-sig"), object_pairs_hook=_once, parse_constant=_none, parse_float=_finite
        )
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


def _finite(text: str) -> float:
    """A number; one that is too large for a double would be written as none."""
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text} is not JSON")
    return value


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
