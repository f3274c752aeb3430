"""A scene goes in; all that its verdict rests on beside the files comes out, and what of it differs.

The files alone do not say it: a length that the setup leaves out is the holder library's, a margin the
tool's. Lengths are mm. What has many numbers (a body's triangles, a path's moves) is told by a hash over
their very doubles; another computer's last digit makes it another, which is the safe side.

What judges is the tool, its own files, its holder library, and the libraries whose figures it believes:
versions are read from what is installed, files are only hashed, and nothing heavy is imported. Forms of
readings are kept by what each reading is.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from importlib import metadata, util
from pathlib import Path
from typing import TYPE_CHECKING, Any

from clearance import __version__
from clearance.errors import InputError
from clearance.records import record

if TYPE_CHECKING:
    from clearance.pose.form import Form
    from clearance.scene.model import Body, Scene, Stretch


#: whose figures each verdict rests on
LIBRARIES = ("numpy", "python-fcl", "shapely", "manifold3d", "trimesh")
#: and what else read an input of some kind; a "model" may be any mesh file, so trimesh counts always
READERS = {"drawing": "ezdxf", "step": "cadquery-ocp-novtk"}

#: rooms of the program that only tell a verdict, or what would cure it
_TELLING = frozenset({"advice", "archive", "cli", "live", "overnight", "report", "view"})


@record
class Other:
    """One thing that is not what it was at the approval: ``what`` it is, ``then`` and ``now``."""

    what: str
    then: str
    now: str


def tool_now(libraries: Iterable[str] = LIBRARIES) -> dict[str, Any]:
    """The tool as it is here: version, hashes of its own files and of its holders', library versions."""
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
        for key, what in (("program_sha256", "files"), ("holders_sha256", "holder library")):
            if then[key] != now[key]:
                name = f"the tool's own {what} (clearance {now['version']})"
                found.append(Other(name, then[key][:8], now[key][:8]))
    for name, version in then["libraries"].items():
        if version != now["libraries"][name]:
            found.append(Other(name, version or "none", now["libraries"][name] or "none"))
    return found


def libraries_for(kinds: Sequence[str]) -> tuple[str, ...]:
    """The libraries that count for inputs of these kinds, see ``READERS``."""
    return (*LIBRARIES, *(library for kind, library in READERS.items() if kind in kinds))


def everything_sha256() -> str:
    """Over all files of the tool, those that only tell a verdict too, and its machines."""
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
    """Over names and content of a package's Python files, whatever their line ends."""
    spec = util.find_spec(package)
    whole = hashlib.sha256()
    for root in map(Path, (spec and spec.submodule_search_locations) or ()):
        for file in sorted(root.rglob("*.py"), key=lambda each: each.relative_to(root).as_posix()):
            inside = file.relative_to(root)
            if inside.parts[0] not in but:
                whole.update(f"{inside.as_posix()}\0".encode())
                whole.update(hashlib.sha256(file.read_bytes().replace(b"\r\n", b"\n")).digest())
    return whole.hexdigest()


#: values that say nothing: a key that a record does not have yet and that is left out
_NOTHING: tuple[Any, ...] = (None, [], {}, "")
_LONGEST = 60
#: of a body, besides its source, place and shape
_OF_BODIES = ("kind", "closed", "margin", "allow", "density", "held_by", "held_until", "clamp_force",
              "becomes_tolerance")  # fmt: skip


def values_of(scene: Scene) -> dict[str, Any]:
    """As JSON can carry it: setup and machine as read, margins, each body where it stands, each way."""
    values = {
        "setup": {
            "units": scene.units,
            "heads": dataclasses.asdict(scene.heads),
            "cuts": [dataclasses.asdict(cut) for cut in scene.cuts],
            "optional_stops": scene.optional_stops,
            "spark_gap": scene.spark_gap,
            "gone_below": None if scene.gone_below is None else dataclasses.asdict(scene.gone_below),
        },
        "machine": dataclasses.asdict(scene.known_machine),
        "margins": margins_of(scene),
        "bodies": {body.name: _body(body) for body in scene.bodies},
        "ways": [_way(stretch) for stretch in scene.stretches],
    }
    plain: dict[str, Any] = json.loads(json.dumps(values, default=_plain))
    return plain


def margins_of(scene: Scene) -> dict[str, dict[str, float]]:
    """Less than this is close, mm, by kind of body."""
    lengths = {kind: {"side": each.side, "height": each.height} for kind, each in scene.margins.each.items()}
    return {**lengths, "wire": {"side": scene.wire_margin}}


def differing(then: Mapping[str, Any], now: Mapping[str, Any]) -> list[Other]:
    """Which values of a record are others now, each with its place in words.

    Args:
        then: the record's values.   now: of ``values_of``, from the files as they are.
    """
    found = []
    for key in ("setup", "machine", "margins"):
        before, after = dict(_leaves(then[key], key)), dict(_leaves(now[key], key))
        for place in before.keys() | after.keys():
            a, b = before.get(place), after.get(place)
            if a != b and not (place not in before and b in _NOTHING):
                found.append(Other(place.removeprefix("setup."), _short(a), _short(b)))
    found.sort(key=lambda each: each.what)
    for name in [*then["bodies"], *(name for name in now["bodies"] if name not in then["bodies"])]:
        found += _body_differs(name, then["bodies"].get(name), now["bodies"].get(name))
    ways = {each["name"]: each for each in now["ways"]}
    for each in then["ways"]:
        found += _way_differs(each, ways.pop(each["name"], None))
    return found + [Other(f'the way "{name}"', "not there", "there") for name in ways]


# --------------------------------------------------------------------------------------------- what is noted
def _body(body: Body) -> dict[str, Any]:
    import numpy as np

    return {
        "kind": body.kind,
        "source": _source(body),
        "closed": body.closed,
        "margin": dataclasses.asdict(body.margin),
        "allow": dataclasses.asdict(body.allow),
        "stands": np.asarray(body.T_MI)[:3].reshape(-1).tolist(),
        "density": body.density,
        "held_by": body.held_by,
        "held_until": body.held_until,
        "clamp_force": body.clamp_force,
        "becomes_tolerance": None if body.becomes is None else body.becomes.tolerance,
        "sha256": _sha256(
            body.triangles_M, np.asarray(body.shells), np.asarray(body.sunk), *body.seats_M.values()
        ),
    }


def _source(body: Body) -> dict[str, Any]:
    """What a body was made of, and the keys by which; of a holder of the library what it does as well."""
    if body.source is None:
        return {}
    if body.library is None:
        return dataclasses.asdict(body.source)
    said = body.library
    does = [flag.name for flag in said.does]
    source = {
        "holder": said.holder,
        "params": dict(said.params),
        "does": does,
        "fastened": said.fastened.name,
    }
    return {**source, "file": said.kind.file} if said.kind.file else source


def _way(stretch: Stretch) -> dict[str, Any]:
    import numpy as np

    def moves(of: Any) -> list[Any]:
        columns = ("start", "end", "centre", "sweep", "rapid", "threaded", "start_z", "end_z")
        numbers = [np.asarray([of.grow, of.chord_error])]
        return numbers + [column for name in columns if (column := getattr(of, name)) is not None]

    upper = [] if stretch.upper_moves is None else moves(stretch.upper_moves)
    return {
        "name": stretch.name,
        "moves": stretch.moves.count,
        "lower_z": float(stretch.lower_z),
        "upper_z": float(stretch.upper_z),
        "sha256": _sha256(*moves(stretch.moves), *upper),
    }


def _sha256(*arrays: Any) -> str:
    import numpy as np

    whole = hashlib.sha256()
    for array in arrays:
        exact = np.ascontiguousarray(array, dtype="<f8")
        whole.update(f"{exact.shape}".encode())
        whole.update((exact + 0.0).tobytes())  # minus zero is zero
    return whole.hexdigest()


def _plain(value: Any) -> Any:
    """What JSON has no form for: numpy's numbers and arrays, records of the library."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return dataclasses.asdict(value)
    return value.tolist()


# ----------------------------------------------------------------------------------------------- what differs
def _leaves(node: Any, place: str) -> Iterator[tuple[str, Any]]:
    """(place, value) of all that is no table; a list of nothing but numbers is one value."""
    if isinstance(node, dict) and node:
        for key, value in node.items():
            yield from _leaves(value, f"{place}.{key}")
    elif isinstance(node, list) and any(isinstance(each, dict | list) for each in node):
        for k, value in enumerate(node, 1):
            yield from _leaves(value, f"{place}[{k}]")
    else:
        yield place, node


def _body_differs(name: str, then: Any, now: Any) -> list[Other]:
    if then is None or now is None:
        return [Other(f'"{name}"', *("there" if each is not None else "not there" for each in (then, now)))]
    holder = then["source"].get("holder")
    ours = "the shop" if "file" in then["source"] else "the library"
    what = f'"{name}" ({holder} of {ours})' if holder else f'"{name}"'
    found = []
    before, after = dict(_leaves(then["source"], "")), dict(_leaves(now["source"], ""))
    for key in sorted(before.keys() | after.keys()):
        a, b = before.get(key), after.get(key)
        if a != b and not (key not in before and b in _NOTHING):
            found.append(Other(f"{what}: {key.lstrip('.').removeprefix('params.')}", _short(a), _short(b)))
    for key in _OF_BODIES:
        if then.get(key) != now[key]:
            found.append(Other(f"{what}: {key}", _short(then.get(key)), _short(now[key])))
    if then["stands"] != now["stands"]:
        found.append(
            Other(
                f"{what}: its place", *(_short([p[3], p[7], p[11]]) for p in (then["stands"], now["stands"]))
            )
        )
    elif then["sha256"] != now["sha256"]:
        found.append(Other(f"{what}: its shape", then["sha256"][:8], now["sha256"][:8]))
    return found


def _way_differs(then: Mapping[str, Any], now: Mapping[str, Any] | None) -> list[Other]:
    what = f'the way "{then["name"]}"'
    if now is None:
        return [Other(what, "there", "not there")]
    found = [
        Other(f"{what}: {words}", _short(then[key]), _short(now[key]))
        for key, words in (("moves", "moves"), ("lower_z", "lower face Z"), ("upper_z", "upper face Z"))
        if then[key] != now[key]
    ]
    if not found and then["sha256"] != now["sha256"]:
        found.append(Other(f"{what}: its moves", then["sha256"][:8], now["sha256"][:8]))
    return found


def _short(value: Any) -> str:
    if value is None:
        return "not given"
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."


#: readings that are named
_SHOWN = 4


def readings_of(form: Form) -> dict[str, Any]:
    """Every reading by its part and place, mm; None where nothing was filled in.

    Args:
        form: as read.
    """
    return {f"{row.part}, {row.place}": row.reading for row in form.rows}


def differing_readings(then: Mapping[str, Any], file: str) -> str:
    """Which readings of a form are not what they were, in words.

    Args:
        then: of ``readings_of``.   file: where the form is now.
    """
    from clearance.pose.form import read_form

    try:
        now = readings_of(read_form(file))
    except InputError as error:
        return f"{error.place}: {error.found}" if error.place else error.found
    names = [*then, *(name for name in now if name not in then)]
    told = [
        f"{name}: was {_shown(then, name)}, is {_shown(now, name)}"
        for name in names
        if then.get(name) != now.get(name) or (name in then) != (name in now)
    ]
    if not told:
        return "the readings are the same, but not the rest of it"
    more = f"; (+{len(told) - _SHOWN} more)" if len(told) > _SHOWN else ""
    return "; ".join(told[:_SHOWN]) + more


def _shown(readings: Mapping[str, Any], name: str) -> str:
    if name not in readings:
        return "not there"
    return "blank" if readings[name] is None else f"{readings[name]:+.4g}"
