"""A setup's items and a machine's bodies go in; bodies that stand in the machine frame come out."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import field
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.files import no_file
from clearance.geometry.transforms import Matrix, apply, pose
from clearance.mesh import model
from clearance.mesh.mass import density_of
from clearance.mesh.model import Solid
from clearance.records import changing
from clearance.scene.fields import nearest
from clearance.scene.machine import Machine
from clearance.scene.model import Body, Finding, FromLibrary, FromModel, FromShape, Placed, Source, StartHole
from clearance.scene.placing import (
    bases,
    chained,
    findings_of,
    fit_to_part,
    poses,
    seats_of_triangles,
)
from clearance.scene.schema import MarginsIn, Setup
from clearance.scene.schema_items import Item, SideHeightIn
from clearance.scene.settings import Margins, SideHeight
from clearance.scene.toml_file import TomlFile
from fixtures_lib.holder import Fastened, Fitted, Holder, Kind

if TYPE_CHECKING:
    from clearance.scene.pallets import Written

#: files that say themselves in which unit they are
OWN_UNIT = (".3mf", ".step", ".stp")

#: what lies beside a setup and is never named in one: pictures and answers
_NEVER_NAMED = (".png", ".jpg", ".svg", ".html", ".pdf", ".json")


@changing
class Made:
    """An item in its own frame, before it is placed."""

    triangles: NDArray[np.float64]
    kind: str
    seats: dict[str, Matrix]
    source: Source
    closed: bool = True
    facet_error: float = 0.0
    findings: list[Finding] = field(default_factory=list)
    shells: tuple[int, ...] = ()
    sunk: tuple[int, ...] = ()


@changing
class Files:
    """The files that a setup names: found beside it, each noted once with its hash; and the ``folders`` in
    which a name was looked for."""

    folder: Path
    inputs: list[tuple[str, str]] = field(default_factory=list)
    folders: list[str] = field(default_factory=list)

    def note(self, shown: str, sha256: str) -> None:
        """Remember a file that was read, once.

        Args:
            shown: its name as the setup has it.   sha256: of its bytes, as hex digits.
        """
        if (shown, sha256) not in self.inputs:
            self.inputs.append((shown, sha256))

    def seen_from_here(self, name: str | None, others: Collection[str | None] = ()) -> str | None:
        """The path by which whoever started the program finds a file that lies beside a setup elsewhere; None
        where its name is that already, or it is no such file.

        Args:
            name: as the setup has it.   others: files that were named from here, not by the setup.
        """
        path = None if name is None or name in others else self.folder / name
        try:
            there = path is not None and path.is_file() and path != Path(str(name))
        except (OSError, ValueError):
            there = False
        return str(path) if there else None

    def find(self, name: str, file: TomlFile, loc: tuple[str | int, ...]) -> Path:
        """The path of a file that the setup names.

        Args:
            name: as the setup has it, seen from its folder.
            file, loc: the setup and the key that names it, for the message.

        Raises:
            InputError: there is no such file; what is there under a similar name is suggested.
        """
        path = self.folder / name
        try:
            if path.is_file():
                return path
            kind = no_file(path)
            if kind is not None:
                raise file.error(loc, f'"{name}" is {kind}, not a file', "name a file")
            beside = path.parent.iterdir() if path.parent.is_dir() else ()
            there = [p.name for p in beside if p.suffix.lower() not in _NEVER_NAMED and p.is_file()]
        except (OSError, ValueError):
            there = []
        # an ending that both have does not make names alike; of two with one stem, that with the same ending
        stems = {Path(n).stem: n for n in sorted(there, key=lambda n: Path(n).suffix == path.suffix)}
        near = nearest(path.stem, list(stems))
        want = f"it is looked for in {path.parent.absolute()}"
        if near:
            want = f'did you mean "{PurePath(name).parent.joinpath(stems[near]).as_posix()}"? {want}'
        raise file.error(loc, f'there is no file "{name}"', want)


def filled_margins(said: MarginsIn) -> Margins:
    """The margins, mm: what the setup leaves out keeps its default."""
    usual = Margins()
    return Margins(
        part=_filled(said.part, usual.part),
        holder=_filled(said.holder, usual.holder),
        laid=_filled(said.laid, usual.laid),
        machine=_filled(said.machine, usual.machine),
        wire=usual.wire if said.wire.side is None else said.wire.side,
    )


def _filled(said: SideHeightIn, default: SideHeight) -> SideHeight:
    side = default.side if said.side is None else said.side
    return SideHeight(side, default.height if said.height is None else said.height)


def over(said: MarginsIn, more: MarginsIn) -> MarginsIn:
    """The margins, mm, where what ``more`` says counts before what is ``said``."""
    found = {}
    for kind in type(said).model_fields:
        new = {key: value for key, value in getattr(more, kind) if value is not None}
        found[kind] = getattr(said, kind).model_copy(update=new)
    return said.model_copy(update=found)


def machine_bodies(machine: Machine, margins: Margins) -> list[Body]:
    """What stands still with the table.

    Args:
        machine: as read, mm.   margins: of the setup, mm.
    """
    return [
        Body(
            name=body.name,
            kind="machine",
            triangles_M=model.box(body.box.x, body.box.y, body.box.z),
            closed=True,
            margin=margins.machine,
            allow=SideHeight(0.0, 0.0),
        )
        for body in machine.bodies
    ]


def item_bodies(
    setup: Setup, margins: Margins, file: Written, files: Files, kind_of: Callable[[str], Kind]
) -> tuple[list[Body], list[Finding]]:
    """Every item where it stands, in file order, and what was found about them.

    Args:
        setup: as read, mm.   file: where it is from, for messages.
        files: finds what it names, and remembers what was read.
        kind_of: the holder of a name, the library's or the shop's.

    Raises:
        InputError: a model or holder is missing or wrong, or an item stands nowhere.
    """
    workshop = _Workshop(setup, file, files, bases(setup.items, file), kind_of)
    made = [workshop.made(i) for i in range(len(setup.items))]
    bodies, findings = [], []
    T_MIs = poses(setup.items, [m.seats for m in made], file)
    for i, (item, thing, T_MI) in enumerate(zip(setup.items, made, T_MIs, strict=True)):
        allow = _filled(item.allow, SideHeight(0.0, 0.0))
        body = Body(
            name=item.name,
            kind=thing.kind,
            triangles_M=apply(T_MI, thing.triangles),
            closed=thing.closed,
            margin=margins.of(thing.kind),
            allow=SideHeight(allow.side + thing.facet_error, allow.height + thing.facet_error),
            T_MI=T_MI,
            item=i,
            seats_M={name: T_MI @ T_IS for name, T_IS in thing.seats.items()},
            stands_on=item.base,
            also_on=item.also_on,
            placed=Placed(item.seat, item.at, item.turn, item.axis),
            density=_density(i, item, file),
            material=item.material,
            source=thing.source,
            shells=thing.shells,
            sunk=thing.sunk,
            held_by=None if item.held_by is None else item.held_by.by,
            clamp_force=item.clamp_force,
            touch=tuple(item.touch),
            written=file.written_in(i),
        )
        _words_that_hold(i, item, body, file)
        bodies.append(body)
        findings += thing.findings
    return bodies, findings


def _words_that_hold(i: int, item: Item, body: Body, file: TomlFile) -> None:
    """Refuse words on what fastens a holder (``held_by``) that would mean nothing."""
    if item.held_by is None or body.library is None:
        return
    if body.library.fastened is not Fastened.STANDS:
        from fixtures_lib.library import FASTENED

        found = f"held_by means nothing for a {item.holder}: it is {FASTENED[body.library.fastened]}"
        want = "it goes with a part, a model or shape of your own, and a holder that stands by its own weight"
        raise file.error(("items", i, "held_by"), found, want)
    if item.held_by.until is not None:
        found = "until means nothing for a holder: what fastens it stays"
        raise file.error(("items", i, "held_by", "until"), found, "leave it out")


def _density(i: int, item: Item, file: TomlFile) -> float | None:
    """g/cm3, the user's own figure before the table's."""
    if item.density is not None or item.material is None:
        return item.density
    try:
        return density_of(item.material)
    except InputError as error:
        raise file.error(("items", i, "material"), error.found, error.want) from None


#: so many holders are kept
_KEPT = 64
_holders: dict[tuple[int, str], tuple[Kind, Holder]] = {}


def _built(kind: Kind, params: dict[str, Any], scale: float | Mapping[str, float]) -> Holder:
    """A holder of a kind and size. Each is built once: a shop sets up several alike, and what is tried reads
    the same setup again and again."""
    from fixtures_lib import library

    size = (id(kind), repr((params, scale)))
    known = _holders.get(size)
    # kept with its kind, so that no other one can have its place in memory
    if known is None or known[0] is not kind:
        known = (kind, library.build(kind, params, scale=scale))
        if len(_holders) >= _KEPT:
            _holders.clear()
        _holders[size] = known
    return known[1]


class _Workshop:
    """Makes each item once, when it is asked for: to fit a part one needs that part, and what carries it."""

    def __init__(
        self,
        setup: Setup,
        file: Written,
        files: Files,
        under: list[int | None],
        kind_of: Callable[[str], Kind],
    ) -> None:
        self._kind_of = kind_of
        self._setup, self._file, self._files, self._under = setup, file, files, under
        self._cut = {name for each in setup.cuts for name in each.part}
        self._read: dict[tuple[Any, ...], Any] = {}
        self._done: dict[int, Made] = {}
        self._busy: list[int] = []

    def made(self, i: int) -> Made:
        """Item ``i`` in its own frame.

        Raises:
            InputError: see ``item_bodies``.
        """
        if i not in self._done:
            items = self._setup.items
            if i in self._busy:
                names = chained([items[k].name for k in [*self._busy[self._busy.index(i) :], i]], " for ")
                raise self._file.error(
                    ("items", i, "fit"), f"{names}: each waits for the other", "give its sizes in params"
                )
            self._busy.append(i)
            self._done[i] = self._make(i)
            self._busy.pop()
        return self._done[i]

    def _make(self, i: int) -> Made:
        item = self._setup.items[i]
        if item.holder is not None:
            return self._holder(i, item)
        kind = (
            "part" if item.part is not None or item.name in self._cut else "laid" if item.laid else "holder"
        )
        if item.shape is not None:
            return _shape(item, kind)
        return _model(i, item, kind, self._file, self._files, self._read)

    def _holder(self, i: int, item: Item) -> Made:
        from fixtures_lib import library

        assert item.holder is not None
        origin = self._file.origins[i]
        scale = origin.params_mm(item.params)
        findings: list[Finding] = []
        decided: tuple[str, ...] = ()
        try:
            kind = self._kind_of(item.holder)
            if item.fit is None:
                built = _built(kind, item.params, scale)
            else:
                fitted = self._fitted(i, kind, scale)
                built = fitted.built or library.build(kind, fitted.params)
                findings, decided = findings_of(item, fitted), fitted.decided
        except InputError as error:
            if error.file is not None:
                raise
            keys = tuple(k for k in re.split(r"[.\[\]]", error.place) if k and not k.isdigit())
            place = ("items", i, *(keys or ("holder",)))
            if keys and origin.of("holder") is not origin.own and origin.of(*keys) is origin.own:
                found = f"{error.found}; {'.'.join(keys)} stays as {origin.own.file.shown_as} has it"
                want = "leave the item out with without, and give the other holder in [[items]]"
                raise self._file.error(("items", i, "holder"), found, want) from None
            raise self._file.error(place, error.found, error.want) from None
        laid = kind.laid if item.laid is None else item.laid
        source = FromLibrary(
            kind,
            dict(built.params),
            limits=built.limits,
            chosen=tuple(item.params),
            fit=item.fit,
            holes=built.holes,
            fitted=decided,
            screws=built.screws,
        )
        return Made(
            triangles=built.triangles,
            kind="laid" if laid else "holder",
            seats={name: seat.T_HS for name, seat in built.seats.items()},
            source=source,
            closed=built.closed,
            facet_error=built.facet_error,
            findings=[*findings, *(Finding(r.kind, r.severity, r.message, item.name) for r in built.remarks)],
            shells=tuple(len(shell) for shell in built.shells),
            sunk=built.sunk,
        )

    def _fitted(self, i: int, kind: Kind, scale: Mapping[str, float]) -> Fitted:
        return fit_to_part(
            i,
            kind,
            self._setup.items,
            self._under,
            lambda k: self.made(k).seats,
            lambda k: self.made(k).triangles,
            self._file,
            scale,
        )


def _shape(item: Item, kind: str) -> Made:
    assert item.shape is not None
    if item.shape.box is not None:
        x, y, z = item.shape.box
        triangles = model.box((-x / 2, x / 2), (-y / 2, y / 2), (0.0, z))
        source = FromShape("box", item.shape.box)
    else:
        assert item.shape.cylinder is not None
        diameter, z = item.shape.cylinder
        triangles = model.cylinder(diameter, z)
        source = FromShape("cylinder", item.shape.cylinder)
    return Made(triangles, kind, {"top": pose((0.0, 0.0, z))}, source)


def _model(
    i: int,
    item: Item,
    kind: str,
    file: Written,
    files: Files,
    read: dict[tuple[Any, ...], Any],
) -> Made:
    from clearance.mesh.read import read_model

    key = "part" if item.part is not None else "model"
    name = item.part or item.model
    assert name is not None
    bodies = None if item.bodies is None else tuple(item.bodies)
    asked = (name, item.units, bodies, item.facet_bound)
    odd: list[Finding] = []
    if asked not in read:
        unit_is_known(i, key, item, name, file)
        path = files.find(name, file, ("items", i, key))
        try:
            solid, sha256 = read_model(path, item.units, name, bodies=bodies, facet_bound=item.facet_bound)
        except InputError as error:
            if error.place not in ("bodies", "facet_bound"):
                raise
            raise file.error(("items", i, error.place), f"{name}: {error.found}", error.want) from None
        if item.units is None and not name.lower().endswith(OWN_UNIT) and (name, sha256) not in files.inputs:
            odd = _taken_as_mm(item, name, solid)
        files.note(name, sha256)
        read[asked] = solid
    solid = read[asked]
    source = FromModel(
        name,
        is_part=item.part is not None,
        bodies=bodies or (),
        start_holes=tuple(StartHole(hole.at, hole.diameter) for hole in item.start_holes),
        cracks_accepted=item.cracks is not None,
    )
    return Made(
        triangles=solid.triangles,
        kind=kind,
        seats=seats_of_triangles(solid.triangles),
        source=source,
        closed=solid.closed,
        facet_error=solid.facet_error,
        findings=[*odd, *(Finding(r.kind, r.severity, r.message, item=item.name) for r in solid.remarks)],
    )


def unit_is_known(i: int, key: str, item: Item, name: str, file: Written) -> None:
    """Refuse a model that states no unit where the lengths beside it are inches.

    Args:
        i, key: of the item, and of what names the model.   item: as read.   name: of the model.
        file: where it is written.

    Raises:
        InputError: its unit has to be said.
    """
    inches = file.origins[i].of(key).units == "inch"
    if inches and item.units is None and not name.lower().endswith(OWN_UNIT):
        found = f'the lengths here are inches, "{name}" may have others'
        raise file.error(("items", i, key), found, 'say  units = "inch"')


def _taken_as_mm(item: Item, name: str, solid: Solid) -> list[Finding]:
    """Said once for each file that states no unit, where its size is no reason to say more."""
    if any(remark.kind == "unlikely size" for remark in solid.remarks):
        return []
    from clearance.mesh.read import bounds

    low, high = bounds(solid.triangles)
    size = " x ".join(f"{length:.4g}" for length in high - low)
    said = f'"{name}" states no unit: {size} mm is taken; units = "mm" in the setup says that it is so'
    return [Finding("unit taken", "note", said, item=item.name)]
