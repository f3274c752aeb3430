"""A folder of the shop's own holders goes in, one file each; kinds like the library's come out."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path, PurePath
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.files import no_file
from clearance.geometry.transforms import apply, exact_cos_sin, pose
from clearance.mesh.model import Remark, Solid
from clearance.records import record
from clearance.scene.bodies import OWN_UNIT, Files
from clearance.scene.machine import Machine
from clearance.scene.own_holders import PLAIN, PLAIN_WORDS, OwnBody, OwnHolder, OwnLimit, OwnModel, OwnMoving
from clearance.scene.schema import Setup
from clearance.scene.toml_file import MM_PER_UNIT, Loc, TomlFile, read_toml
from fixtures_lib import library
from fixtures_lib.holder import Conflict, Does, Fastened, Holder, Kind, Limit, Parameter, Seat, length

Array = NDArray[np.float64]

#: the environment variable that names a folder of own holders
VARIABLE = "CLEARANCE_HOLDERS"


@dataclass(frozen=True, eq=False)
class Read:
    """A model as read: its shells (N, 3, 3), mm, in the holder's frame."""

    solid: Solid
    shells: tuple[Array, ...]
    sunk: bool = False


@dataclass(frozen=True, eq=False)
class Moving:
    """What slides along ``way`` (3,), or turns about the axis ``way`` through ``about`` (3,); mm, degrees.

    It stands as drawn at the value ``drawn``, and meets a part as its value grows smaller, or larger.
    """

    read: Read
    way: Array
    about: Array | None
    parameter: Parameter
    drawn: float
    closes: str

    def pose(self, value: float) -> Array:
        """Where it is (4, 4), seen from where it is drawn."""
        by, T = value - self.drawn, np.eye(4)
        if self.about is None:
            T[:3, 3] = by * self.way
            return T
        c, s = exact_cos_sin(by)
        x, y, z = self.way
        K = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
        T[:3, :3] = np.eye(3) + s * K + (1.0 - c) * (K @ K)
        T[:3, 3] = self.about - T[:3, :3] @ self.about
        return T


@dataclass(frozen=True, eq=False)
class Own:
    """What a file describes, its models read."""

    models: tuple[Read, ...]
    moving: Moving | None
    seats: Mapping[str, tuple[Seat, bool]]
    limits: tuple[Limit, ...]
    remarks: tuple[Remark, ...]

    def build(self, values: Mapping[str, Any]) -> Holder:
        """The holder; ``values`` has the moving model's, mm or degrees."""
        shells = [shell for each in self.models for shell in each.shells]
        sunk = [each.sunk for each in self.models for _ in each.shells]
        T, solids, still = np.eye(4), [each.solid for each in self.models], len(shells)
        if self.moving is not None:
            T = self.moving.pose(float(values[self.moving.parameter.name]))
            shells += [apply(T, shell) for shell in self.moving.read.shells]
            solids.append(self.moving.read.solid)
        return Holder(
            shells=tuple(shells),
            seats={
                name: Seat(T @ seat.T_HS, seat.meaning) if moves else seat
                for name, (seat, moves) in self.seats.items()
            },
            limits=self.limits,
            params=dict(values),
            sunk=tuple(k for k, goes_in in enumerate(sunk) if goes_in),
            moved=tuple(range(still, len(shells))),
            closed=all(solid.closed for solid in solids),
            facet_error=max(solid.facet_error for solid in solids),
            remarks=self.remarks,
        )

    def fit(self, values: Mapping[str, Any], triangles: Array) -> dict[str, Any]:
        """The value at which what slides meets the part's triangles, in the holder's frame.

        Args:
            values: of all parameters, mm and degrees.   triangles: (N, 3, 3) of the part, mm.

        Raises:
            Conflict: nothing of the part is in its way.
        """
        from clearance.geometry.sliding import first_met

        assert self.moving is not None
        name, sign = self.moving.parameter.name, 1.0 if self.moving.closes == "smaller" else -1.0
        jaw = np.concatenate(self.moving.read.shells)
        met = first_met(jaw, triangles, sign * self.moving.way)
        if met is None:
            found = f"as {name} changes, what moves passes the part by"
            raise Conflict("fit", found, "move the part or the holder")
        return {name: length(self.moving.drawn + sign * met)}


def read_own(path: Path, shown_as: str, note: Callable[[str, str], None] = lambda *_: None) -> Kind:
    """The kind that a file describes, its models read.

    Args:
        path: the file.   shown_as: as the user knows it.
        note: is told of each file that was read, as seen from there, and of its SHA-256.

    Raises:
        InputError: the file, or a model that it names, is missing or wrong.
    """
    file = read_toml(path, shown_as)
    note(shown_as, file.sha256)
    name = path.stem
    if not PLAIN.fullmatch(name):
        found = f'"{name}" is no name for a holder'
        raise InputError(shown_as, "", found, f"name the file with {PLAIN_WORDS}.toml")
    said = file.checked(OwnHolder)
    remarks: list[Remark] = []
    scale = MM_PER_UNIT[said.units]
    models = tuple(
        _read(each, ("models", i), said.units, file, note, remarks) for i, each in enumerate(said.models)
    )
    moving = None
    if said.moving is not None:
        read = _read(said.moving, ("moving",), said.units, file, note, remarks)
        moving = _moving(said.moving, read, scale)
    own = Own(
        models,
        moving,
        {each.name: (Seat(pose(each.at, each.turn), each.meaning), each.moves) for each in said.seats},
        tuple(_limit(each, scale) for each in said.limits),
        tuple(remarks),
    )
    does = Does(0)
    for word in said.does:
        does |= Does[word.upper()]
    slides = moving is not None and moving.about is None and not any(each.moves for each in said.seats)
    return Kind(
        name,
        said.summary,
        () if moving is None else (moving.parameter,),
        own.build,
        does,
        Fastened(said.fastened),
        said.laid,
        tuple(said.cautions),
        own.fit if slides else None,
        fits_in_own_frame=True,
        fits=(moving.parameter.name,) if slides and moving is not None else (),
        file=shown_as,
        origin=said.origin,
    )


def _limit(said: OwnLimit, scale: float) -> Limit:
    scale = 1.0 if said.quantity in ("mass", "force") else scale
    low, high = (None if each is None else each * scale for each in (said.low, said.high))
    return Limit(said.quantity, low, high, said.source)


def _moving(said: OwnMoving, read: Read, scale: float) -> Moving:
    way, about, unit = said.slides, None, "mm"
    if said.turns is not None:
        way, about, unit, scale = said.turns.direction, np.array(said.turns.about), "degrees", 1.0
    default, low, high, drawn = (each * scale for each in (said.default, said.low, said.high, said.drawn))
    meaning = said.meaning or f"how {PurePath(said.file).name} stands; it is drawn at {drawn:g}"
    parameter = Parameter(said.parameter, default, meaning, low, high, unit)
    return Moving(read, np.array(way), about, parameter, drawn, said.closes)


def _read(
    said: OwnModel,
    loc: Loc,
    units: str,
    file: TomlFile,
    note: Callable[[str, str], None],
    remarks: list[Remark],
) -> Read:
    """A model of a holder's file; what is odd about it goes to ``remarks``."""
    from clearance.mesh.read import read_model
    from clearance.mesh.topology import shells

    own_unit = said.file.lower().endswith(OWN_UNIT)
    if units == "inch" and said.units is None and not own_unit:
        found = f'the lengths here are inches, "{said.file}" may have others'
        raise file.error((*loc, "file"), found, 'say  units = "inch"')
    path = Files(file.path.parent).find(said.file, file, (*loc, "file"))
    shown = PurePath(file.shown_as).parent.joinpath(said.file).as_posix()
    solid, sha256 = read_model(path, said.units, shown)
    note(shown, sha256)
    for each in solid.remarks:
        remarks.append(Remark(each.kind, each.severity, f"{said.file}: {each.message}"))
    if said.units is None and not own_unit and not any(r.kind == "unlikely size" for r in solid.remarks):
        text = (
            f'"{said.file}" states no unit: mm is taken; units = "mm" in {file.path.name} says that it is so'
        )
        remarks.append(Remark("unit taken", "note", text))
    triangles = apply(pose(said.at, said.turn), solid.triangles)
    parts: tuple[Array, ...] = (triangles,)
    if solid.closed:
        label = shells(solid.triangles)
        order = np.argsort(label, kind="stable")
        parts = tuple(np.split(triangles[order], np.cumsum(np.bincount(label))[:-1]))
    return Read(solid, parts, isinstance(said, OwnBody) and said.sunk)


@record
class Folder:
    """A folder of own holders: where it is, as the user knows it, and what says so, for messages."""

    path: Path
    shown: str
    error: Callable[[str, str], InputError]

    def check(self) -> None:
        """Raises InputError where there is no such folder."""
        if not os.path.isdir(self.path):
            what = no_file(self.path) or ("a file" if os.path.exists(self.path) else None)
            found = (
                f'"{self.shown}" is {what}, not a folder' if what else f'there is no folder "{self.shown}"'
            )
            where = f"it is looked for in {Path(self.path).parent.absolute()}"
            raise self.error(found, f"a folder with a file for each holder, our_vise.toml say; {where}")

    def names(self) -> list[str]:
        """Of the holders in it."""
        try:
            return sorted(each.stem for each in self.path.glob("*.toml"))
        except OSError:
            return []

    def kind(self, name: str, note: Callable[[str, str], None] = lambda *_: None) -> Kind:
        """The holder of that name in it; see ``read_own``.

        Args:
            name: as an item has it.   note: is told each file that is read, with its hash.
        """
        shown_as = PurePath(self.shown, f"{name}.toml").as_posix()
        if library.find(name) is not None:
            raise InputError(shown_as, "", f'the library has a holder "{name}"', "rename the file: our_...")
        return read_own(self.path / f"{name}.toml", shown_as, note)


class Shelf:
    """The library and the shop's own holders: a name goes in, its kind comes out. Each is read once."""

    def __init__(self, folders: Sequence[Folder], note: Callable[[str, str], None]) -> None:
        self._folders, self._note = folders, note
        self._read: dict[str, Kind] = {}

    def kind(self, name: str) -> Kind:
        """The holder of that name.

        Raises:
            InputError: there is none, or two; or its file is wrong. Without a file where the name itself is.
        """
        if name not in self._read:
            self._read[name] = self._found(name)
        return self._read[name]

    def _found(self, name: str) -> Kind:
        known = [(each, one) for each in self._folders for one in each.names()]
        there = [each for each, one in known if PLAIN.fullmatch(name) and name == one]
        if len(there) > 1:
            found = f'"{name}" is in "{there[0].shown}" and in "{there[1].shown}"'
            raise InputError(None, "", found, "rename one of the two files")
        if there:
            return there[0].kind(name, self._note)
        if library.find(name) is None:
            for each in self._folders:
                each.check()
            for each, one in known:
                if not PLAIN.fullmatch(one) and _like(one) == _like(name):
                    found = f'"{PurePath(each.shown, one).as_posix()}.toml" has no name for a holder'
                    raise InputError(None, "", found, f"name the file with {PLAIN_WORDS}.toml")
        return library.get(name, more=[one for _, one in known if PLAIN.fullmatch(one)])


def _like(name: str) -> str:
    """A name as it might be written otherwise: "Chain-Grip" is like "chain_grip"."""
    return name.lower().replace("-", "_").replace(" ", "_")


def named_by_environment() -> list[Folder]:
    """The folder that the environment variable names; none where it is not set."""
    said = os.environ.get(VARIABLE, "").strip()
    return [folder_named(os.path.abspath(said), VARIABLE)] if said else []


def folder_named(name: str, place: str) -> Folder:
    """A folder that the command line or the environment names.

    Args:
        name: as the user named it.   place: what named it, for messages.
    """
    return Folder(Path(name), name, lambda found, want: InputError(None, place, found, want))


def holder(name: str, folders: Sequence[Folder]) -> Kind:
    """A holder by its name, of the library or of own folders, or by its file, ``our_vise.toml``."""
    if name.endswith(".toml"):
        return _by_file(name)
    return Shelf(folders, lambda *_: None).kind(name)


def _by_file(name: str) -> Kind:
    path = Path(name)
    if not path.is_file():
        raise InputError(name, "", f"is {no_file(path)}" if no_file(path) else "there is no such file", "")
    return folder_named(os.path.dirname(name) or ".", "").kind(path.stem)


def tries(target: str) -> dict[str, Callable[[], Kind]]:
    """By name, what reads each own holder of a folder, or the one of a file.

    Raises:
        InputError: there is no such folder, or no holder in it.
    """
    if target.endswith(".toml"):
        return {Path(target).stem: partial(_by_file, target)}
    folder = folder_named(target, "--test")
    folder.check()
    names = folder.names()
    if not names:
        raise folder.error(f'there is no holder in "{target}"', "a file for each, our_vise.toml say")
    return {name: partial(folder.kind, name) for name in names}


def shelf_of(setup: Setup, machine: Machine, file: TomlFile, files: Files) -> Shelf:
    """Ours and the shop's: the folders that setup, machine and environment name.

    Args:
        setup, machine: as read.   file: the setup's.   files: of the setup; remembers what is read.

    Raises:
        InputError: setup or machine name a folder that is not there.
    """
    folders = []
    if setup.holders is not None:

        def ours(found: str, want: str) -> InputError:
            return file.error(("holders",), found, want)

        folders.append(Folder(files.folder / setup.holders, setup.holders, ours))
    if machine.holders is not None:
        shown_as = PurePath(setup.machine.file or "").parent.joinpath(machine.holders).as_posix()

        def its(found: str, want: str) -> InputError:
            return InputError(setup.machine.file, "holders", found, want)

        folders.append(Folder(files.folder / shown_as, shown_as, its))
    for each in folders:
        each.check()
    known = {os.path.realpath(each.path) for each in folders}
    folders += [each for each in named_by_environment() if os.path.realpath(each.path) not in known]
    files.folders += [each.shown for each in folders]
    return Shelf(folders, files.note)
