"""The way through the house is one way: every import, wherever it stands in a file, goes to a floor below.

The order of the floors is the project's own; no outside source.
"""

from __future__ import annotations

import ast
import functools
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent

#: lowest first; rooms on one floor do not import each other
FLOORS: tuple[tuple[str, ...], ...] = (
    ("clearance.errors", "clearance.records"),
    ("clearance.ending", "clearance.tolerances"),
    ("clearance.child",),
    ("clearance.files", "clearance.parallel"),
    ("clearance.geometry",),
    ("clearance.mesh", "clearance.toolpath"),
    ("fixtures_lib", "clearance.pose"),
    ("clearance.scene",),
    ("clearance.kernels",),
    ("clearance.checking",),
    ("clearance.process",),
    ("clearance.advice",),
    ("clearance.measuring",),
    ("clearance.overnight",),
    ("clearance.view",),
    ("clearance.report",),
    ("clearance.archive",),
    ("clearance.live", "clearance.arguments"),
    ("clearance.cli",),
    ("clearance.__main__",),
)
FLOOR_OF = {room: floor for floor, rooms in enumerate(FLOORS) for room in rooms}

#: libraries that belong to some rooms alone
ALONE = {
    "pyvista": ("clearance.view",),
    "vtk": ("clearance.view",),
    "vtkmodules": ("clearance.view",),
    "click": ("clearance.cli",),
    "aiohttp": ("clearance.live",),
    "subprocess": ("clearance.parallel",),
    "multiprocessing": ("clearance.parallel",),
}

#: the front door: what the library offers is handed through here, from whichever floor
DOOR = "clearance"


def modules() -> dict[str, Path]:
    """Every module of the project by its dotted name."""
    found = {}
    for package in ("clearance", "fixtures_lib"):
        for file in sorted((ROOT / package).rglob("*.py")):
            parts = file.relative_to(ROOT).with_suffix("").parts
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = file
    return found


@functools.cache
def imports(source: str, module: str, is_package: bool) -> tuple[tuple[int, str], ...]:
    """(line, dotted name) of all that a file imports, inside functions and by importlib too."""
    return tuple(_imports(source, module, is_package))


def _imports(source: str, module: str, is_package: bool) -> Iterator[tuple[int, str]]:
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                parts = module.split(".")
                parts = parts[: len(parts) - node.level + is_package]
                base = ".".join([*parts, base] if base else parts)
            for alias in node.names:
                yield node.lineno, f"{base}.{alias.name}"
        elif isinstance(node, ast.Call) and node.args:
            called = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            first = node.args[0]
            if called in ("import_module", "__import__") and isinstance(first, ast.Constant):
                yield node.lineno, str(first.value)


def room_of(name: str) -> str | None:
    """The room that a dotted name lies in; None where it is not ours or is the door itself."""
    return next((room for room in FLOOR_OF if name == room or name.startswith(room + ".")), None)


def fault(module: str, name: str) -> str | None:
    """Why ``module`` may not import ``name``, or None where it may."""
    own, top = room_of(module), name.split(".")[0]
    allowed = ALONE.get(top)
    if allowed is not None and own not in allowed and not module.startswith("fixtures_lib.pages"):
        return f"{top} belongs in {', '.join(allowed)} alone"
    if kernels_meet(module, name):
        return "the two kernels share no code below path and head"
    if top not in ("clearance", "fixtures_lib"):
        return None
    room = room_of(name)
    if room is None:
        if name == "clearance.__version__" or module == DOOR or own == "clearance.cli":
            return None
        return "the front door is for those outside (only __version__ may come from it)"
    if module == DOOR:
        return "the front door knows no command line" if room == "clearance.cli" else None
    if own is None:
        return f"{module} is on no floor: give it one in this test"
    if room != own and FLOOR_OF[room] >= FLOOR_OF[own]:
        return f"{room} is not below {own}"
    return None


_MERIDIAN = ("clearance.kernels.meridian", "clearance.geometry.planar")
_FCL = ("clearance.kernels.fcl", "clearance.geometry.aabb")


def kernels_meet(module: str, name: str) -> bool:
    """One kernel would lean on the other, and could no longer find its mistakes."""
    if module.startswith(_MERIDIAN):
        return name.startswith(_FCL) or name.split(".")[0] == "fcl"
    return module.startswith(_FCL) and name.startswith(_MERIDIAN)


def faults(module: str, source: str, is_package: bool = False) -> list[str]:
    return [
        f"{module}, line {line}: imports {name}: {why}"
        for line, name in imports(source, module, is_package)
        if (why := fault(module, name)) is not None
    ]


def test_every_import_goes_down() -> None:
    found = []
    for module, file in modules().items():
        found += faults(module, file.read_text(encoding="utf-8"), file.name == "__init__.py")
    assert not found, "\n" + "\n".join(found)


def test_every_module_is_on_a_floor() -> None:
    homeless = [module for module in modules() if module != DOOR and room_of(module) is None]
    assert not homeless
    assert {"clearance.errors", "clearance.cli", "fixtures_lib.holder"} <= set(modules()), "files are found"


@pytest.mark.parametrize(
    ("module", "source"),
    [
        ("clearance.errors", "from clearance.geometry import transforms"),
        ("clearance.mesh.stl", "from clearance.toolpath.moves import Moves"),
        ("clearance.toolpath.nc.reader", "def f():\n    import clearance.mesh.model"),
        ("fixtures_lib.rail", "from clearance.scene.model import Body"),
        ("clearance.scene.model", "from ..checking import result"),
        ("clearance.checking.verdict", "import importlib\nimportlib.import_module('clearance.view.picture')"),
        ("clearance.view.picture", "from clearance.report import data"),
        ("clearance.report.data", "from clearance import cli"),
        ("clearance.report.data", "from clearance import check"),
        ("clearance.report.data", "import click"),
        ("clearance.report.sheet", "if True:\n    import pyvista as pv"),
        ("clearance.kernels.fcl.envelope", "from vtkmodules.vtkCommonCore import vtkMath"),
        ("clearance.kernels.fcl.distance", "from clearance.geometry.planar import distance"),
        ("clearance.kernels.fcl.distance", "from ..meridian.profile import Profiles"),
        ("clearance.kernels.meridian.search", "from clearance.kernels.fcl import distance"),
        ("clearance.kernels.meridian.search", "import fcl"),
        ("clearance.attic.old", "from clearance.errors import InputError"),
    ],
)
def test_a_wrong_import_is_found(module: str, source: str) -> None:
    assert len(faults(module, source)) == 1


@pytest.mark.parametrize(
    ("module", "source"),
    [
        ("clearance.scene.load", "from fixtures_lib.library import KINDS"),
        (
            "clearance.checking.verdict",
            "from clearance.kernels.meridian.search import search\nfrom .pairs import agree",
        ),
        ("clearance.view.picture", "def f():\n    import pyvista"),
        ("clearance.report.data", "from clearance import __version__"),
        ("clearance.cli", "import clearance, click"),
        ("fixtures_lib.pages", "import pyvista"),
        ("clearance", "def check():\n    from clearance.checking.verdict import check"),
    ],
)
def test_a_right_import_passes(module: str, source: str) -> None:
    assert faults(module, source) == []


#: what stands behind the query: hierarchies, searches, envelopes, surfaces
BEHIND = ("clearance.kernels.meridian", "clearance.kernels.fcl", "clearance.kernels.containment")


def behind_the_query(module: str, source: str, is_package: bool = False) -> list[str]:
    """What a module takes past the query: hierarchies over triangles and paths, chords, FCL's surfaces."""
    if module.startswith("clearance.kernels"):
        return []
    return [name for _, name in imports(source, module, is_package) if name.startswith(BEHIND)]


def adds_up_growth(source: str) -> list[int]:
    """Lines that add an allow to a margin: ``SideHeight.and_then`` does it, and the query says when."""
    lines: list[int] = []
    if "allow." not in source or "margin" not in source:  # spares reading most files
        return lines
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
            sides = [ast.unparse(side) for side in (node.left, node.right)]
            if any("allow." in one and "margin" in other for one, other in (sides, sides[::-1])):
                lines.append(node.lineno)
    return lines


def test_one_place_assembles_a_query() -> None:
    builders = {}
    for module, file in modules().items():
        source = file.read_text(encoding="utf-8")
        found = behind_the_query(module, source, file.name == "__init__.py")
        if found or adds_up_growth(source):
            builders[module] = found
    assert not builders, "ask clearance.kernels.query.SweepQuery instead"


@pytest.mark.parametrize(
    ("module", "source"),
    [
        ("clearance.advice.raises", "from clearance.kernels.meridian.bvh import TriangleTree"),
        ("clearance.view.raised", "def f():\n    import clearance.kernels.fcl.distance"),
        ("clearance.report.data", "from ..kernels import containment"),
    ],
)
def test_what_goes_past_the_query_is_found(module: str, source: str) -> None:
    assert behind_the_query(module, source)


def test_a_growth_that_is_added_up_elsewhere_is_found() -> None:
    source = "grow = body.allow.side + run.margin(body).side"
    assert adds_up_growth(source) == [1]


def class_names(sources: dict[str, str]) -> dict[str, list[str]]:
    """The modules in which each class stands that is not a module's own."""
    found: dict[str, list[str]] = {}
    for module, source in sources.items():
        for node in ast.walk(ast.parse(source)):
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                found.setdefault(node.name, []).append(module)
    return found


def test_a_class_name_means_one_thing() -> None:
    sources = {module: file.read_text(encoding="utf-8") for module, file in modules().items()}
    assert not {name: homes for name, homes in class_names(sources).items() if len(homes) > 1}


def test_a_class_name_that_means_two_things_is_found() -> None:
    assert class_names({"a": "class Piece: ...", "b": "class Piece: ...\nclass _Own: ..."}) == {
        "Piece": ["a", "b"]
    }
