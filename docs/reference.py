"""The program goes in; the reference pages of the site come out, so that they cannot say anything else.

The build of the site calls ``on_files``. The pages can also be had without it:

    python docs/reference.py FOLDER        writes them as Markdown

Keys of the setup and of the machine are the fields of their schemas, keys of the reports are read from the
dictionaries in the source that writes them, options are the commands' own help, the Python names are those
that the package declares public. What a key means stands in ``descriptions.py`` beside the schema and beside
the reports.
"""

from __future__ import annotations

import ast
import dataclasses
import inspect
import sys
import types
import typing
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent

#: kind of report -> where the function stands that makes it
REPORTS = {
    "check": ("report/data.py", "as_report"),
    "raise": ("report/advice.py", "raises_as_report"),
    "placement": ("report/advice.py", "placement_as_report"),
    "keepout": ("report/keepout.py", "as_report"),
    "where": ("report/where.py", "as_report"),
    "measured": ("report/measuring.py", "as_report"),
    "confirm": ("report/approval_confirm.py", "as_report"),
    "holders": ("report/holders.py", "describe"),
    "night": ("report/night.py", "as_report"),
    "recheck": ("archive/report.py", "as_report"),
}


# Keys of the files that a user writes.


def tables(top: type) -> list[type]:
    """A schema and every table that its keys lead to, each once, in the order in which they are met."""
    found: list[type] = []

    def visit(table: type) -> None:
        if table in found:
            return
        found.append(table)
        for hint in _hints(table).values():
            for inner in _tables_in(hint):
                visit(inner)

    visit(top)
    return found


def keys(table: Any) -> dict[str, tuple[str, str]]:
    """Each key of a table as it stands in the file: what may be written, and what holds where it is left
    out."""
    hints = _hints(table)
    return {
        field.alias or name: (form(hints[name]), _default(field))
        for name, field in table.model_fields.items()
    }


def form(hint: Any) -> str:
    """What may be written for a key, in words, from its type."""
    from clearance.scene import fields, night_tables

    words = {
        "Number": "number", "Positive": "number above 0", "Length": "length", "Span": "length, 0 or more",
        "Room": "length, 0 or more", "Size": "length above 0", "Name": "text", "Words": "text",
        "FileName": "file", "Flag": "true or false", "PointXY": "[x, y]", "PointXYZ": "[x, y, z]",
        "Angle": "angle", "Angles": "[about X, about Y, about Z]", "Interval": "[low, high]",
        "Names": "list of names", "Moment": "day and time", "MomentOrTime": "time of day, or day and time",
        "Duration": "text", "Figures": "number, or [least, likely, most]", "Count": "whole number, 0 or more",
    }  # fmt: skip
    for name, text in words.items():
        if hint == getattr(fields, name, None) or hint == getattr(night_tables, name, None):
            return text
    origin, inner = typing.get_origin(hint), typing.get_args(hint)
    if origin is typing.Annotated:
        return form(inner[0])
    if origin in (typing.Union, types.UnionType):
        return " or ".join(form(each) for each in inner if each is not type(None))
    if origin is typing.Literal:
        return ", ".join(f'`"{each}"`' for each in inner)
    if origin is list:
        return f"list of {form(inner[0])}"
    if origin is tuple:
        return f"[{', '.join(form(each) for each in inner)}]"
    if origin is dict:
        return f"table, {{ name = {form(inner[1])} }}"
    if hasattr(hint, "model_fields"):
        return f"[table](#{hint.__name__.removesuffix('In').lower()})"
    return {float: "number", int: "whole number", str: "text", Any: "values"}.get(hint, "value")


def _hints(table: Any) -> dict[str, Any]:
    hints = typing.get_type_hints(table, include_extras=True)
    return {name: hints[name] for name in table.model_fields}


def _tables_in(hint: Any) -> Iterator[type]:
    if isinstance(hint, type) and hasattr(hint, "model_fields"):
        yield hint
    for each in typing.get_args(hint):
        yield from _tables_in(each)


def _default(field: Any) -> str:
    if field.is_required():
        return "**must be given**"
    value = field.get_default(call_default_factory=True)
    if value is None or value == [] or value == {} or hasattr(type(value), "model_fields"):
        return ""
    if isinstance(value, bool):
        return str(value).lower()
    return f'"{value}"' if isinstance(value, str) else str(list(value) if isinstance(value, tuple) else value)


def schema_page(title: str, lead: str, top: type) -> str:
    """The page of all keys of one kind of file."""
    from clearance.scene.descriptions import KEYS, TABLES

    lines = [f"# {title}", "", lead, ""]
    for table in tables(top):
        said = TABLES[table.__name__]
        head, colon, rest = said.partition(": ")
        lines += [f"## {head.rstrip('.')} {{#{table.__name__.removesuffix('In').lower()}}}", ""]
        if colon:
            lines += [rest[0].upper() + rest[1:], ""]
        lines += ["| key | what may be written | left out | meaning |", "| --- | --- | --- | --- |"]
        for key, (shape, default) in keys(table).items():
            lines.append(f"| `{key}` | {shape} | {default} | {KEYS[table.__name__][key]} |")
        lines.append("")
    return "\n".join(lines)


# Keys of the files that the program writes.


def report_keys(kind: str) -> list[str]:
    """The places of all keys of a report (``pairs[].side``), in the order in which the source writes them."""
    file, function = REPORTS[kind]
    return list(dict.fromkeys(_Writer(ROOT / "clearance" / file).keys_of(function)))


class _Writer:
    """The functions of one source file that build dictionaries, read without running them."""

    def __init__(self, file: Path) -> None:
        self.file = file
        tree = ast.parse(file.read_text(encoding="utf-8"))
        self.functions = {node.name: node for node in tree.body if isinstance(node, ast.FunctionDef)}
        self.imports = {
            alias.asname or alias.name: (node.module or "", alias.name)
            for node in ast.walk(tree)
            if isinstance(node, ast.ImportFrom)
            for alias in node.names
        }

    def keys_of(self, name: str) -> list[str]:
        """The places of the keys of what a function returns, with those that it adds to a local
        dictionary."""
        function = self.functions[name]
        found: list[str] = []
        local: dict[str, list[str]] = {}
        for node in ast.walk(function):
            if isinstance(node, ast.Assign | ast.AnnAssign) and node.value is not None:
                targets = node.targets if isinstance(node, ast.Assign) else [node.target]
                for target in targets:
                    if isinstance(target, ast.Name):
                        local.setdefault(target.id, []).extend(self._keys(node.value, local))
                    elif isinstance(target, ast.Subscript) and isinstance(target.slice, ast.Constant):
                        key = str(target.slice.value)
                        inner = self._keys(node.value, local)
                        local.setdefault(_text(target.value), []).extend(
                            [key, *_under(key, node.value, inner)]
                        )
        for node in ast.walk(function):
            if isinstance(node, ast.Return) and node.value is not None:
                found += self._keys(node.value, local)
        return found

    def _keys(self, node: ast.expr, local: dict[str, list[str]]) -> list[str]:
        if isinstance(node, ast.Dict):
            found = []
            for key, value in zip(node.keys, node.values, strict=True):
                inner = self._keys(value, local)
                if key is None:
                    found += inner
                elif isinstance(key, ast.Constant):
                    found += [str(key.value), *_under(str(key.value), value, inner)]
            return found
        if isinstance(node, ast.ListComp | ast.GeneratorExp):
            return [f"[].{key}" for key in self._keys(node.elt, local)]
        if isinstance(node, ast.IfExp):
            return [*self._keys(node.body, local), *self._keys(node.orelse, local)]
        if isinstance(node, ast.Name):
            return local.get(node.id, [])
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
            return self._called(node.func.id)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            return self._called(f"{_text(node.func.value)}.{node.func.attr}")
        return []

    def _called(self, name: str) -> list[str]:
        if name in self.functions:
            return self.keys_of(name)
        module, _, function = name.rpartition(".")
        home, original = self.imports.get(module or name, ("", ""))
        if not home.startswith("clearance.report"):
            return []
        dotted = f"{home}.{original}" if module else home
        file = (ROOT / dotted.replace(".", "/")).with_suffix(".py")
        if not file.is_file():
            return []
        other = _Writer(file)
        wanted = function if module else original
        return other.keys_of(wanted) if wanted in other.functions else []


def _under(key: str, value: ast.expr, inner: list[str]) -> list[str]:
    """Places below a key; a list's begin with [] and need no dot."""
    return [f"{key}{each}" if each.startswith("[]") else f"{key}.{each}" for each in inner]


def _text(node: ast.expr) -> str:
    return ast.unparse(node)


def report_page() -> str:
    """The page of all keys that ``--json`` writes."""
    from clearance.report.descriptions import REPORTS as SAID

    lines = [
        "# What `--json` writes",
        "",
        "Lengths are mm and unrounded, masses kg, points machine coordinates. `pairs[].side` is the key "
        "`side` of",
        "each entry of the list `pairs`. New keys may come with any version: a script passes over what it "
        "does not know",
        "([when `schema` goes up](../changelog.md#versions-and-the-schema-number-of-reports-and-records)).",
        "",
    ]
    for kind in REPORTS:
        lines += [f"## {kind}", "", "| key | meaning |", "| --- | --- |"]
        lines += [f"| `{key}` | {SAID[kind][key]} |" for key in report_keys(kind)]
        lines.append("")
    return "\n".join(lines)


# Commands, holders, Python.


def commands_page() -> str:
    """Every command's own help."""
    import click

    from clearance import cli

    top: Any = cli.commands
    context = click.Context(top, info_name="clearance", max_content_width=100, terminal_width=100)
    lines = ["# Commands", "", "```text", top.get_help(context), "```", ""]
    for name in top.list_commands(context):
        command = top.get_command(context, name)
        own = click.Context(
            command, info_name=name, parent=context, max_content_width=100, terminal_width=100
        )
        lines += [f"## {name}", "", "```text", command.get_help(own), "```", ""]
    return "\n".join(lines)


def holders_page() -> str:
    """The library's own page, without what concerns those who add to it."""
    from fixtures_lib.pages import page

    return page().partition("\n## Adding one")[0] + "\n"


def public_names() -> list[str]:
    """The names that the package declares public, functions first."""
    import clearance

    names = [name for name in getattr(clearance, "__all__", ("check", "load")) if not name.startswith("_")]
    return sorted(names, key=lambda name: (inspect.isclass(getattr(clearance, name)), name))


def python_page() -> str:
    """What the package offers, from its signatures and docstrings."""
    import clearance

    lines = ["# The Python package", "", *_doc(clearance), ""]
    for name in public_names():
        lines += (
            _class(name, getattr(clearance, name))
            if inspect.isclass(getattr(clearance, name))
            else _function(name, getattr(clearance, name))
        )
    return "\n".join(lines)


def _function(name: str, function: Callable[..., Any], level: str = "##") -> list[str]:
    return [
        f"{level} {name}",
        "",
        "```python",
        f"{name}{_signature(function)}",
        "```",
        "",
        *_doc(function),
        "",
    ]


def _signature(function: Callable[..., Any]) -> str:
    return str(inspect.signature(function)).replace("'", "")


def _class(name: str, cls: Any) -> list[str]:
    lines = [f"## {name}", "", *_doc(cls), ""]
    if dataclasses.is_dataclass(cls):
        shown = [each for each in dataclasses.fields(cls) if not each.name.startswith("_")]
        lines += ["| field | type |", "| --- | --- |"]
        lines += [f"| `{each.name}` | `{str(each.type).replace('|', chr(92) + '|')}` |" for each in shown] + [
            ""
        ]
    for key, value in vars(cls).items():
        if key.startswith("_") or not value.__doc__:
            continue
        if isinstance(value, property | classmethod) or inspect.isfunction(value):
            lines += [
                f"- `{key}`: {inspect.cleandoc(value.__doc__).partition(chr(10) * 2)[0]}".replace("\n", " ")
            ]
    return [*lines, ""]


def _doc(thing: Any) -> list[str]:
    """A docstring as Markdown: sections become lists, indented text and examples code."""
    text = inspect.cleandoc(thing.__doc__ or "")
    lines: list[str] = []
    section = code = False
    for line in text.splitlines():
        is_code = (not section and line.startswith((">>>", "...", "    "))) or (code and bool(line.strip()))
        if is_code != code:
            lines += ["", "```python"] if is_code else ["```", ""]
            code = is_code
        if code:
            lines.append(line.removeprefix("    "))
        elif line in ("Args:", "Returns:", "Raises:"):
            section = True
            lines += ["", f"**{line[:-1]}**", ""]
        elif section and line.startswith("    ") and not line.startswith("     "):
            name, colon, rest = line.strip().partition(": ")
            lines.append(
                f"- `{name}`: {rest}" if colon and " " not in name.replace(", ", "") else f"- {line.strip()}"
            )
        else:
            section = section and line.startswith(" ")
            lines.append(("  " + line.strip()) if section else line.replace("``", "`"))
    return [*lines, "```"] if code else lines


def pages() -> dict[str, str]:
    """Every page that is made, by its place on the site."""
    from clearance.scene.machine import Machine
    from clearance.scene.night_tables import NightIn
    from clearance.scene.own_holders import OwnHolder
    from clearance.scene.schema import Setup
    from clearance.scene.schema_items import Pallet

    axes = "X is right, Y away from you, Z up. Z = 0 is the plane on which parts rest."
    return {
        "reference/commands.md": commands_page(),
        "reference/setup.md": schema_page(
            "Keys of the setup file",
            f"A text file (TOML). Lengths are in its `units`, angles degrees. {axes}",
            Setup,
        ),
        "reference/machine.md": schema_page(
            "Keys of the machine file", f"A text file (TOML). Lengths are in its `units`. {axes}", Machine
        ),
        "reference/pallet.md": schema_page(
            "Keys of a pallet's file",
            f"A text file (TOML). Lengths are in its `units`, angles degrees. {axes}",
            Pallet,
        ),
        "reference/night.md": schema_page(
            "The file of a night",
            "When it begins, who is there when, the spool and the jobs: [a night alone](../how_to/night.md).",
            NightIn,
        ),
        "reference/own_holder.md": schema_page(
            "Keys of a holder of your own",
            "A text file (TOML), named as the holder is to be called. Lengths are in its `units`. See "
            "[your own holders](../how_to/own_holders.md).",
            OwnHolder,
        ),
        "reference/report.md": report_page(),
        "reference/python.md": python_page(),
        "reference/holders.md": holders_page(),
        "changelog.md": (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"),
    }


def on_files(files: Any, config: Any) -> Any:
    """Called by the build of the site: the pages that are made, and the pictures from elsewhere in the
    repository."""
    from mkdocs.structure.files import File

    for place, text in pages().items():
        files.append(File.generated(config, place, content=text))
    for picture in sorted((ROOT / "fixtures_lib" / "pictures").iterdir()):
        files.append(File.generated(config, f"reference/pictures/{picture.name}", abs_src_path=str(picture)))
    for name in ("side_plate_die_clash.png", "side_plate_die_keepout.svg"):
        files.append(File.generated(config, name, abs_src_path=str(ROOT / "demo_models" / name)))
    return files


if __name__ == "__main__":
    for place, text in pages().items():
        target = Path(sys.argv[1]) / place
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(text, encoding="utf-8")
