"""A kind of file goes in; what an editor is told of its keys, as JSON Schema, comes out.

JSON Schema draft 2020-12. Made from the same tables that judge the file, with the sentence of each key. It
says which keys and which forms of values there are, and no rule between two keys: all that the tool takes is
right by it, and not the other way round.
"""

from __future__ import annotations

import types
import typing
from collections.abc import Callable, Iterator
from typing import Any

from pydantic import BeforeValidator

from clearance.scene.descriptions import KEYS, TABLES
from clearance.scene.fields import FORMS, Table
from clearance.scene.machine import Machine
from clearance.scene.night_tables import NightIn
from clearance.scene.own_holders import OwnHolder
from clearance.scene.schema import Setup
from clearance.scene.schema_items import Pallet

#: the files that an editor may be told of. A further kind of file is added here, and in ``cli/starting.py``
KINDS: dict[str, type[Table]] = {
    "setup": Setup,
    "machine": Machine,
    "pallet": Pallet,
    "holder": OwnHolder,
    "night": NightIn,
}
_TITLES = {
    "setup": "Clearance: a setup file",
    "machine": "Clearance: a machine file",
    "pallet": "Clearance: a pallet's file",
    "holder": "Clearance: a holder of the shop's own",
    "night": "Clearance: the file of a night",
}
DIALECT = "https://json-schema.org/draft/2020-12/schema"


def editor_schema(kind: str) -> dict[str, Any]:
    """The JSON Schema of a kind of file.

    Args:
        kind: one of ``KINDS``.
    """
    from clearance.scene.load import shipped_machines
    from fixtures_lib import library

    top = KINDS[kind]
    made = top.model_json_schema(by_alias=True, mode="validation")
    tables = {top.__name__: made, **made.get("$defs", {})}
    classes = {table.__name__: table for table in _tables(top)}
    for name, schema in tables.items():
        _told(classes[name], schema)
    if "MachineChoice" in tables:
        tables["MachineChoice"]["properties"]["use"]["enum"] = shipped_machines()
    for name in ("Item", "ChangedItem"):
        if name in tables:
            # a holder of the shop's own is one too
            holder = tables[name]["properties"]["holder"]
            del holder["type"]
            holder["anyOf"] = [{"enum": library.names()}, {"type": "string"}]
    made.pop("title", None)
    return {"$schema": DIALECT, "title": _TITLES.get(kind, kind), **made}


def _tables(top: type[Table]) -> list[type[Table]]:
    found: list[type[Table]] = [top]
    for table in found:
        for hint in _hints(table).values():
            found += [each for each in _tables_in(hint) if each not in found]
    return found


def _hints(table: type[Table]) -> dict[str, Any]:
    hints = typing.get_type_hints(table, include_extras=True)
    return {(field.alias or key): hints[key] for key, field in table.model_fields.items()}


def _tables_in(hint: Any) -> Iterator[type[Table]]:
    if isinstance(hint, type) and issubclass(hint, Table):
        yield hint
    for each in typing.get_args(hint):
        yield from _tables_in(each)


def _told(table: type[Table], schema: dict[str, Any]) -> None:
    """The sentences of a table and its keys, and the forms that its validators take besides their types."""
    schema["description"] = TABLES[table.__name__]
    schema.pop("title", None)
    hints = _hints(table)
    for key, found in schema["properties"].items():
        value = _without_null(found)
        for func in _before(hints[key]):
            for form in FORMS.get(func, ()):
                value = _AS[form](value)
        units = list(dict.fromkeys(_units(value)))
        sentence = KEYS[table.__name__][key]
        also = "" if not units else f" ({'; '.join(units)})"
        default = {"default": found["default"]} if found.get("default") not in (None, {}, []) else {}
        schema["properties"][key] = {
            **value,
            **default,
            "description": f"{sentence[:1].upper()}{sentence[1:]}{also}",
        }


def _without_null(found: dict[str, Any]) -> dict[str, Any]:
    """A value without what TOML has no word for, and without titles made from keys."""
    value = {key: each for key, each in found.items() if key not in ("title", "default")}
    kinds = value.get("anyOf")
    if kinds is not None:
        kinds = [each for each in kinds if each != {"type": "null"}]
        rest = {key: each for key, each in value.items() if key != "anyOf"}
        value = {**rest, **kinds[0]} if len(kinds) == 1 else {**rest, "anyOf": kinds}
    return value


def _alone(value: dict[str, Any]) -> dict[str, Any]:
    return {"anyOf": [value["items"], value]}


def _text(value: dict[str, Any]) -> dict[str, Any]:
    """A text stands for a table: of a value that may be one or a list, for each."""
    if "anyOf" in value:
        one, many = value["anyOf"]
        either = {"anyOf": [{"type": "string"}, one]}
        return {"anyOf": [{"type": "string"}, one, {**many, "items": either}]}
    return {"anyOf": [{"type": "string"}, value]}


_AS: dict[str, Callable[[dict[str, Any]], dict[str, Any]]] = {"alone": _alone, "text": _text}


def _before(hint: Any) -> Iterator[Callable[[Any], Any]]:
    """The validators that a key's value meets before its own type, those of single entries left out."""
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin is typing.Annotated:
        for each in hint.__metadata__:
            if isinstance(each, BeforeValidator):
                yield typing.cast("Callable[[Any], Any]", each.func)
        yield from _before(inner[0])
    elif origin in (typing.Union, types.UnionType):
        for each in inner:
            yield from _before(each)


def _units(value: Any) -> Iterator[str]:
    """The units in a value, taken out of it."""
    if isinstance(value, dict):
        if isinstance(value.get("unit"), str):
            yield value.pop("unit")
        for each in value.values():
            yield from _units(each)
    elif isinstance(value, list):
        for each in value:
            yield from _units(each)
