"""JSON Schemas for editors against what the tool takes: all of it is right by them, misspelt keys are not.

The judge is a validator of JSON Schema draft 2020-12, by the package
``jsonschema``; forms of values are those of the documentation.
"""

from __future__ import annotations

import json
import tomllib
import typing
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from pydantic import BeforeValidator

from clearance import cli
from clearance.cli.starting import FILES
from clearance.scene.descriptions import KEYS
from clearance.scene.editor_schema import KINDS, editor_schema
from clearance.scene.fields import FORMS, Table
from clearance.scene.schema import Setup
from fixtures_lib import library
from tests.pallet_setups import PALLET, with_pallet
from tests.setup_writer import machine, setup
from tests.test_setup_keys import IN_MACHINE, IN_SETUP

ROOT = Path(__file__).parent.parent
MACHINES = sorted(
    each.name for each in (resources.files("clearance.scene") / "machines").iterdir() if ".toml" in each.name
)


@cache
def validator(kind: str) -> Any:
    made = editor_schema(kind)
    jsonschema.Draft202012Validator.check_schema(made)
    return jsonschema.Draft202012Validator(made)


def wrong(kind: str, tables: Any) -> list[str]:
    return [f"{'.'.join(map(str, e.path))}: {e.message}" for e in validator(kind).iter_errors(tables)]


def read(file: Any) -> Any:
    # an editor's validator sees days and times as texts
    return json.loads(json.dumps(tomllib.loads(file.read_text(encoding="utf-8")), default=str))


def kind_of(tables: Any) -> str:
    marks = {"cuts": "setup", "lower_head": "machine", "does": "holder", "jobs": "night"}
    return next((kind for mark, kind in marks.items() if mark in tables), "pallet")


@pytest.mark.parametrize(
    "file",
    sorted(
        p.relative_to(ROOT / "demo_models").as_posix()
        for p in (ROOT / "demo_models").rglob("*.toml")
        if p.parent.name != "margins"
    ),
)
def test_every_demo_is_right(file: str) -> None:
    tables = read(ROOT / "demo_models" / file)
    assert wrong(kind_of(tables), tables) == []


@pytest.mark.parametrize("file", MACHINES)
def test_every_machine_that_ships_is_right(file: str) -> None:
    assert wrong("machine", read(resources.files("clearance.scene") / "machines" / file)) == []


@pytest.mark.parametrize(
    ("kind", "make", "cases"), [("setup", setup, IN_SETUP), ("machine", machine, IN_MACHINE)]
)
def test_all_keys_that_the_tool_takes_are_right(kind: str, make: Any, cases: Any) -> None:
    for key, changes, *_ in cases:
        assert wrong(kind, json.loads(json.dumps(make(**changes)))) == [], key


def test_setups_with_pallets_are_right() -> None:
    change = {"item": "P3/stop", "at": [1, 2, 3], "params": {"pads": [1, 2]}, "on": ["a", "b"]}
    tables, pallet = with_pallet(change=[change], pallets__0__without="stop", pallets__0__on="base")
    assert wrong("setup", tables) == []
    assert wrong("pallet", pallet) == []
    assert wrong("pallet", {**pallet, "pallets": tables["pallets"], "change": tables["change"]}) == []


#: keys of the first item and cut of ``setup_writer`` in all forms that the pages name
FORMS_OF_KEYS: list[tuple[str, Any]] = [
    *[("cuts__0__with", form) for form in (
        "magnet", ["magnet"], {"item": "magnet"}, [{"item": "magnet", "from": "N70", "until": 2}, "stop"],
    )],
    *[("cuts__0__without", form) for form in ("magnet", ["magnet", "stop"], {"item": "stop", "until": "N7"})],
    *[("cuts__0__taken_out", form) for form in (
        "all", ["opening"], {"piece": "slug of opening", "at": 2}, [{"piece": "all", "at": "N4"}],
    )],
    *[("cuts__0__held_by", form) for form in (
        "glue", {"by": "glue", "until": "N9"}, ["glue", {"by": "a magnet", "piece": "slug"}],
    )],
    *[("items__1__held_by", form) for form in ("glue", {"by": "glue"}, {"by": "glue", "until": 3})],
    *[("cuts__0__part", form) for form in ("die plate", ["die plate", "stop"])],
    *[("items__3__on", form) for form in ("rail", ["rail", "stop"])],
    *[("items__1__bodies", form) for form in ("a", ["a", "b"])],
    ("cuts__0__offsets", {"1": 0.18, "22": 0.2}),
    ("cuts__0__zeros", {"G54": [0, 0], "G59": [1.5, 2]}),
    ("zeros", {"G55": [0, 0]}),
    ("items__0", {"name": "r", "holder": "our_own", "params": {"length": 3, "pads": [1], "side": "left"}}),
    ("items__3__turn", [0, 90.0, -45]),
    ("cuts__0__digits", [4, 3]),
    ("items__1__start_holes", [{"at": [70, 60], "diameter": 3.0}]),
]  # fmt: skip


@pytest.mark.parametrize(("key", "form"), FORMS_OF_KEYS)
def test_every_form_that_the_pages_name_is_right(key: str, form: Any) -> None:
    tables = setup(**{key: form})
    Setup.model_validate(tables, context={"mm": 1.0})
    assert wrong("setup", tables) == []


@pytest.mark.parametrize(
    ("kind", "tables", "place"),
    [
        ("setup", setup(titel="x"), "titel"),
        ("setup", setup(heads__flushing_distanc=0.1), "flushing_distanc"),
        ("setup", setup(items__0__att=[0, 0, 0]), "att"),
        ("setup", setup(cuts__0__ofsets={"1": 2}), "ofsets"),
        ("setup", setup(cuts__0__with=[{"item": "a", "form": 2}]), "cuts.0.with"),
        ("setup", setup(cuts__0__zeros={"G53": [0, 0]}), "G53"),
        ("setup", setup(items__0__at=[0, 0]), "items.0.at"),
        ("setup", setup(items__0__laid="yes"), "items.0.laid"),
        ("setup", setup(machine={"use": "midsize"}), "machine.use"),
        ("setup", setup(cuts__0__axes="table"), "cuts.0.axes"),
        ("setup", setup(cuts=None), "cuts"),
        ("machine", machine(lower_head__face=1), "face"),
        ("machine", machine(wire=0), "wire"),
        ("machine", machine(name=None), "name"),
        ("pallet", {**PALLET, "cuts": []}, "cuts"),
        ("pallet", {**PALLET, "pallets": [{"file": "a.toml"}]}, "pallets.0"),
    ],
)
def test_what_is_misspelt_or_missing_is_wrong(kind: str, tables: Any, place: str) -> None:
    said = wrong(kind, tables)
    assert said
    assert place in "; ".join(said)


@pytest.mark.parametrize("kind", list(KINDS))
def test_every_key_has_its_sentence_and_lengths_their_unit(kind: str) -> None:
    made = editor_schema(kind)
    assert made["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    tables = {KINDS[kind].__name__: made, **made["$defs"]}
    for name, schema in tables.items():
        assert schema["additionalProperties"] is False
        assert set(schema["properties"]) == set(KEYS[name])
        for key, value in schema["properties"].items():
            sentence = KEYS[name][key]
            assert value["description"].startswith(sentence[:1].upper() + sentence[1:])
            assert "null" not in json.dumps(value)
    item = tables.get("Item", {"properties": {}})["properties"]
    if item:
        assert "(length in the unit of the file)" in item["at"]["description"]
        assert "(angle in degrees)" in item["turn"]["description"]
        assert "unit of the file" not in item["density"]["description"]
        assert item["holder"]["anyOf"][0]["enum"] == library.names()


def validators_in(hint: Any) -> set[Any]:
    found = {m.func for m in getattr(hint, "__metadata__", ()) if isinstance(m, BeforeValidator)}
    return found.union(*(validators_in(each) for each in typing.get_args(hint)))


def test_no_validator_takes_forms_that_the_schema_does_not_know() -> None:
    """A new one belongs here where it takes what its key's type says, else into ``fields.FORMS``."""
    plain = {
        "number", "angle", "name", "words", "file_name", "flag", "is_list.<locals>.check", "zero_words",
        "_offset_numbers", "_count", "_stop", "_finite_numbers", "_one_moving", "_plain_name",
        "_moment", "_moment_or_time", "_minutes", "_three", "_word",
    }  # fmt: skip
    tables: list[Any] = list(KINDS.values())
    for table in tables:
        for hint in typing.get_type_hints(table, include_extras=True).values():
            assert {f.__qualname__ for f in validators_in(hint) if f not in FORMS} <= plain, (table, hint)
            tables += [each for each in tables_in(hint) if each not in tables]


def tables_in(hint: Any) -> list[Any]:
    own = [hint] if isinstance(hint, type) and issubclass(hint, Table) else []
    return own + [table for each in typing.get_args(hint) for table in tables_in(each)]


# ------------------------------------------------------------------------------------------------ commands
@pytest.mark.parametrize("kind", FILES)
def test_command_writes_what_a_validator_reads(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    assert tuple(KINDS) == FILES
    target = tmp_path / "x.json"
    for _ in range(2):  # what it wrote itself it writes over
        assert cli.run(["schema", kind, "-o", str(target)]) == 0
    written = json.loads(target.read_text(encoding="utf-8"))
    assert written.pop("tool")["name"] == "clearance"
    assert written == editor_schema(kind)
    assert f"#:schema {target}" in capsys.readouterr().out
    assert cli.run(["schema", kind, "-o", "-"]) == 0
    assert json.loads(capsys.readouterr().out)["title"] == written["title"]


def test_command_writes_over_nothing_else(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    target = tmp_path / "x.json"
    target.write_text('{"mine": 1}', encoding="utf-8")
    assert cli.run(["schema", "setup", "-o", str(target)]) == 2
    assert "is no answer of this tool" in capsys.readouterr().err
    assert cli.run(["schema", "setup", "-o", str(target), "--replace"]) == 0
    assert cli.run(["schema", "sheet", "-o", str(target)]) == 2
    assert cli.run(["schema", "setup"]) == 2


@pytest.mark.parametrize("name", library.names())
def test_lines_to_paste_are_the_holder_as_it_comes(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["holders", name, "--toml"]) == 0
    text = capsys.readouterr().out
    (item,) = tomllib.loads(text)["items"]
    assert (item["holder"], item["at"], item.get("params", {})) == (name, [0, 0, 0], {})
    assert wrong("pallet", tomllib.loads(text)) == []
    kind = library.get(name)
    lines = text.partition("[items.params]\n")[2].splitlines()
    stated = [line[2:] for line in lines if line[2:].split(" = ")[0] in {p.name for p in kind.parameters}]
    assert len(stated) == len(kind.parameters)
    values = tomllib.loads("\n".join(line for line in stated if "= ..." not in line))
    assert library.build(name, values).params == library.build(name, {}).params
    for parameter, line in zip(kind.parameters, stated, strict=True):
        assert line.endswith(f": {parameter.meaning}")
        assert library.allowed(parameter) in line


def test_lines_to_paste_want_a_holder(capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["--toml"], ["rail", "--toml", "--json", "-"], ["rial", "--toml"]):
        assert cli.run(["holders", *words]) == 2
    assert "did you mean" in capsys.readouterr().err
