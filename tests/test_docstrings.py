"""Public functions say what they take: shapes, units and frame of each parameter, by its name.

    python -m tests.test_docstrings          what each room has, and which functions say nothing

How much is enough is the project's own rule; no outside source.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parent.parent

#: share of the public functions with two or more parameters that must explain them
LEAST = 0.95


@dataclass(frozen=True)
class Function:
    """A public function or method of the package, with its parameters' names (without self and cls)."""

    room: str
    place: str
    parameters: tuple[str, ...]
    text: str

    @property
    def has_section(self) -> bool:
        return bool(re.search(r"^\s*Args:\s*$", self.text, re.MULTILINE))

    @property
    def explains(self) -> bool:
        """An "Args:" section, or every parameter by its name in the sentences."""
        return self.has_section or all(re.search(rf"\b{name}\b", self.text) for name in self.parameters)


def functions_of(source: str, room: str, place: str) -> Iterator[Function]:
    """The public functions with parameters of one source file, at any depth of public classes."""

    def visit(body: list[ast.stmt], prefix: str) -> Iterator[Function]:
        for node in body:
            if not isinstance(node, ast.FunctionDef | ast.ClassDef) or node.name.startswith("_"):
                continue
            if isinstance(node, ast.ClassDef):
                yield from visit(node.body, f"{prefix}{node.name}.")
                continue
            given = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
            given += [each for each in (node.args.vararg, node.args.kwarg) if each is not None]
            names = tuple(each.arg for each in given if each.arg not in ("self", "cls"))
            if names:
                text = ast.get_docstring(node) or ""
                yield Function(room, f"{place}:{node.lineno} {prefix}{node.name}", names, text)

    yield from visit(ast.parse(source).body, "")


def all_functions() -> list[Function]:
    """Of clearance/, without the command line, whose functions are explained by their help."""
    found: list[Function] = []
    for file in sorted((ROOT / "clearance").rglob("*.py")):
        place = file.relative_to(ROOT / "clearance").as_posix()
        room = place.partition("/")[0]
        if room != "cli" and not any(part.startswith("_") and part != "__init__.py" for part in file.parts):
            found += functions_of(file.read_text(encoding="utf-8"), room, place)
    return found


def test_public_functions_explain_their_parameters() -> None:
    several = [each for each in all_functions() if len(each.parameters) > 1]
    assert len(several) > 200, "the source is read"
    explained = [each for each in several if each.explains]
    assert len(explained) >= LEAST * len(several), f"{len(explained)} of {len(several)}"


def test_what_counts() -> None:
    source = '''
def told(a, b):
    """Puts ``a`` on b."""
class Thing:
    def listed(self, a, b):
        """Puts.

        Args:
            a, b: mm.
        """
def silent(a, b):
    """Puts one on the other; a is here, bb is not."""
def _own(a): ...
def without(): ...
'''
    found = list(functions_of(source, "room", "file.py"))
    assert [(f.place.split()[-1], f.explains, f.has_section) for f in found] == [
        ("told", True, False),
        ("Thing.listed", True, True),
        ("silent", False, False),
    ]


if __name__ == "__main__":
    everything = all_functions()
    rooms = sorted({each.room for each in everything})
    print(f"{'room':<16}functions  2 or more  explained  Args section")
    for chosen in [*rooms, "all"]:
        own = [each for each in everything if chosen in ("all", each.room)]
        more = [each for each in own if len(each.parameters) > 1]
        told = sum(each.explains for each in more)
        print(f"{chosen:<16}{len(own):9}  {len(more):9}  {told:9}  {sum(e.has_section for e in own):12}")
    for each in everything:
        if len(sys.argv) > 1 and each.room in sys.argv[1:] and len(each.parameters) > 1 and not each.explains:
            print(each.place, each.parameters)
