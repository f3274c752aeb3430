"""What judges: the tool, its program files, its holder library, and the libraries whose figures it believes.

Nothing heavy is imported here: versions are read from what is installed, files are only hashed.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib import metadata, util
from pathlib import Path
from typing import Any

from clearance import __version__

#: whose figures each verdict rests on
LIBRARIES = ("numpy", "python-fcl", "shapely", "manifold3d", "trimesh")
#: and what else read an input of some kind; a "model" may be any mesh file, so trimesh counts always
READERS = {"drawing": "ezdxf", "step": "cadquery-ocp-novtk"}

#: rooms of the program that only tell a verdict, or what would cure it
_TELLING = frozenset({"advice", "archive", "cli", "live", "overnight", "report", "view"})


@dataclass(frozen=True)
class Other:
    """One thing that is not what it was at the approval: ``what`` it is, ``then`` and ``now``."""

    what: str
    then: str
    now: str


def tool_now(libraries: Iterable[str] = LIBRARIES) -> dict[str, Any]:
    """The tool as it is here: version, hashes of its program files and of its holders', library versions."""
    return {
        "name": "clearance",
        "version": __version__,
        "program_sha256": _files_sha256("clearance", _TELLING),
        "holders_sha256": _files_sha256("fixtures_lib"),
        "libraries": {name: _version(name) for name in libraries},
    }


def others(then: Mapping[str, Any], now: Mapping[str, Any]) -> list[Other]:
    """What of the tool of a record differs from the tool ``now``, in words.

    Args:
        then: the tool as a record has it.   now: as it is, by the same keys.
    """
    found = []
    if then["version"] != now["version"]:
        found.append(Other("clearance", str(then["version"]), str(now["version"])))
    else:
        for key, what in (("program_sha256", "program files"), ("holders_sha256", "holder library")):
            if then[key] != now[key]:
                name = f"the {what} of clearance {now['version']}"
                found.append(Other(name, then[key][:8], now[key][:8]))
    for name, version in then["libraries"].items():
        if version != now["libraries"][name]:
            found.append(Other(name, version or "none", now["libraries"][name] or "none"))
    return found


def libraries_for(kinds: Sequence[str]) -> tuple[str, ...]:
    """The libraries that count for inputs of these kinds, see ``READERS``."""
    return (*LIBRARIES, *(library for kind, library in READERS.items() if kind in kinds))


def everything_sha256() -> str:
    """Over all program files of the tool, those that only tell a verdict too, and its machines."""
    machines = hashlib.sha256()
    for each in sorted(Path(__file__).parents[1].glob("scene/machines/*.toml")):
        machines.update(f"{each.name}\0".encode() + hashlib.sha256(each.read_bytes()).digest())
    return _files_sha256("clearance") + machines.hexdigest()


def _version(library: str) -> str | None:
    try:
        return metadata.version(library)
    except (metadata.PackageNotFoundError, ValueError):
        return None


def _files_sha256(package: str, but: frozenset[str] = frozenset()) -> str:
    """Over names and content of a package's program files, whatever their line ends."""
    spec = util.find_spec(package)
    whole = hashlib.sha256()
    for root in map(Path, (spec and spec.submodule_search_locations) or ()):
        for file in sorted(root.rglob("*.py"), key=lambda each: each.relative_to(root).as_posix()):
            inside = file.relative_to(root)
            if inside.parts[0] not in but:
                whole.update(f"{inside.as_posix()}\0".encode())
                whole.update(hashlib.sha256(file.read_bytes().replace(b"\r\n", b"\n")).digest())
    return whole.hexdigest()
