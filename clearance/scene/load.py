"""A setup file goes in; the scene, with everything it names read and placed, comes out."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path
from typing import Any

from clearance.errors import InputError
from clearance.files import SHIPPED, shipped_machine
from clearance.parallel import beside
from clearance.scene import settings as model
from clearance.scene.at_stops import Stops, present_in_cuts
from clearance.scene.bodies import (
    OWN_UNIT,
    Files,
    filled_margins,
    item_bodies,
    machine_bodies,
    over,
    unit_is_known,
)
from clearance.scene.cut_path import path_options
from clearance.scene.fields import suggestion
from clearance.scene.machine import Machine
from clearance.scene.measured import Asked, as_they_lie
from clearance.scene.model import Finding, Finished, Scene
from clearance.scene.nozzles import mounting
from clearance.scene.overlaps import overlap_findings
from clearance.scene.packing import standing_findings
from clearance.scene.pallets import Written, assembled
from clearance.scene.passes import all_stretches
from clearance.scene.placing import Masses, limit_findings
from clearance.scene.schema import Heads, MarginsFile, MarginsIn, Setup
from clearance.scene.schema_items import Item, Pallet
from clearance.scene.shelf import shelf_of
from clearance.scene.toml_file import TomlFile, read_toml
from clearance.scene.tries import Packed, applied

#: walls may lie so far off what the part is to become, mm, where the item does not say (common practice for
#: what a measuring machine is asked to find; no source)
TOLERANCE = 0.05


def finished_of(i: int, item: Item, file: Written, files: Files) -> tuple[Finished | None, list[Finding]]:
    """What item ``i`` is to become, in its own frame, and what reading found; None where nothing is said.

    Args:
        item: as read, mm.   file: where it is written.   files: finds the model, and remembers it.

    Raises:
        InputError: the file is missing or wrong.
    """
    if item.becomes is None:
        return None, []
    from clearance.mesh.read import read_model

    name = item.becomes
    unit_is_known(i, "becomes", item, name, file)
    path = files.find(name, file, ("items", i, "becomes"))
    units = None if name.lower().endswith(OWN_UNIT) else item.units
    try:
        solid, sha256 = read_model(path, units, name)
    except InputError as error:
        if error.file is not None:
            raise
        raise file.error(("items", i, "becomes"), f"{name}: {error.found}", error.want) from None
    files.note(name, sha256)
    tolerance = TOLERANCE if item.becomes_tolerance is None else item.becomes_tolerance
    made = Finished(name, solid.triangles, solid.closed, tolerance + solid.facet_error)
    return made, [Finding(r.kind, r.severity, f"{name}: {r.message}", item=item.name) for r in solid.remarks]


def heads_of(said: Heads) -> model.HeadsSetup:
    """Where the heads stand, come from and go to."""
    return model.HeadsSetup(
        flushing_distance=said.flushing_distance,
        upper_z=said.upper_z,
        approach_from=said.approach_from,
        park=said.park,
        pickups=tuple(said.pickups),
        travel_z=said.travel_z,
        thread_z=said.thread_z,
        between=said.between,
    )


def cuts_of(setup: Setup, machine: Machine, stops: Stops) -> tuple[model.Cut, ...]:
    """Every cut, in file order.

    Args:
        setup, machine: as read.   stops: of all programs.
    """
    return tuple(
        model.Cut(
            name=cut.name,
            path=cut.path,
            parts=tuple(cut.part),
            rotate=cut.rotate,
            planes=None if cut.planes is None else model.Planes(cut.planes.xy, cut.planes.uv),
            flushing_distance=cut.flushing_distance,
            upper_z=cut.upper_z,
            stop_before=cut.stop_before,
            wanted=cut.wanted,
            taken_out=stops.taken_out(index),
            holds=stops.holds(index),
            options=path_options(cut, setup, machine),
        )
        for index, cut in enumerate(setup.cuts)
    )


#: nothing is asked for beside the setup
NOTHING = Asked()
#: what is said to be right where another file is named as the setup
A_SETUP = "name a setup file; clearance new PART PATH writes a first one"
#: facets from which a second process saves more than it costs
_MANY = 100_000


def load(setup_path: str | Path, asked: Asked = NOTHING) -> Scene:
    """Read a setup file and everything that it names.

    Args:
        setup_path: the TOML file; what it names is looked for beside it.
        asked: a form of readings, or what is tried, beside the setup.

    Returns:
        The scene in machine coordinates, mm.

    Raises:
        InputError: a file is wrong; the message names file, place, what was found and what would be right.
        NotYet: it asks for what this version cannot do.
    """
    began = time.perf_counter()
    path = Path(setup_path)
    read = read_toml(path, str(setup_path), A_SETUP)
    _refuse_other_files(read)
    files = Files(path.parent)
    try:
        return _read(read, asked, files, began)
    except InputError as error:
        named = files.seen_from_here(error.file, (read.shown_as, asked.form, asked.machine, asked.margins))
        if named is None:
            raise
        raise error.of_file(named) from None


def _read(read: TomlFile, asked: Asked, files: Files, began: float) -> Scene:
    """What a setup names, read and put together.

    Args:
        read: the setup's file.   asked: see ``load``.   files: finds and notes them.   began: when, s.
    """
    files.note(read.shown_as, read.sha256)
    setup = _as_asked(read.checked(Setup), asked, files)
    setup, file, changed, pallets = assembled(setup, read, files)
    if asked.trial is not None:
        setup = applied(setup, asked.trial.edits)
        if asked.trial.lies is not None:
            # what its programs run along is asked of the file, not of what screws turn at a holder
            along = [c if c.axes else c.model_copy(update={"axes": "machine"}) for c in setup.cuts]
            setup = setup.model_copy(update={"cuts": along})
    own = _machine(setup, file, files)
    machine, mounted, findings = mounting(own, setup, file, asked.nozzles)
    margins = filled_margins(setup.margins)
    standing = machine_bodies(machine, margins)
    _names_apart(setup, machine, file)
    kind_of = shelf_of(setup, machine, file, files).kind
    items, found_in_items = item_bodies(setup, margins, file, files, kind_of)
    findings += found_in_items
    there, lies, how = as_they_lie(items, setup, file, files, asked)
    findings += [*how, *changed]
    findings += [] if asked.trial is None else asked.trial.findings(file.shown_as)
    planned, bodies = (*items, *standing), (*there, *standing)
    masses = Masses(items)
    together = present_in_cuts(setup, planned, file)
    many = sum(len(body.triangles_M) for body in bodies) > _MANY
    with beside(lambda: overlap_findings(planned, together), worth=many) as overlaps:
        findings += limit_findings(planned, machine.max_part_mass, masses)
        stretches, about_cuts, stops = all_stretches(setup, machine, bodies, file, files)
        packing = Packed(0.0) if asked.trial is None else asked.trial.packing
        cut = {name for each in setup.cuts for name in each.part}
        on_their_feet = standing_findings(planned, together, masses, cut, packing)
        findings += overlaps()
    findings += on_their_feet
    more: dict[int, dict[str, Any]] = {}
    for i, item in enumerate(setup.items):
        finished, found = finished_of(i, item, file, files)
        findings += found
        if finished is not None:
            more[i] = {"becomes": finished}
    for k, body in enumerate(bodies):
        if body.item is not None and body.held_by and (until := stops.held_until(body.item)):
            more.setdefault(k, {})["held_until"] = until
    planned, bodies = (
        tuple(replace(body, **more[k]) if k in more else body for k, body in enumerate(each))
        for each in (planned, bodies)
    )
    gone = setup.gone_below or machine.gone_below
    scene = Scene(
        title=setup.title if asked.trial is None else asked.trial.title(setup.title),
        setup_file=file.shown_as,
        machine=replace(machine.as_model(setup.machine.use, setup.machine.file), **mounted),
        bodies=bodies,
        stretches=tuple(stretches),
        wire_margin=margins.wire,
        findings=(*findings, *about_cuts),
        inputs=tuple(files.inputs),
        units=setup.units,
        heads=heads_of(setup.heads),
        cuts=cuts_of(setup, machine, stops),
        margins=margins,
        stops=tuple(stops.found),
        optional_stops=setup.optional_stops,
        spark_gap=setup.spark_gap,
        gone_below=None if gone is None else model.GoneBelow(gone.mass, gone.size),
        pallets=pallets,
        looked_in=tuple(files.folders),
        lies=lies,
        packed=packing.by,
        packed_items=packing.items,
        sets=own.sets,
        read_s=time.perf_counter() - began,
    )
    scene = replace(scene, as_read=(asked, scene.bodies, scene.stretches))
    if not lies:
        return scene
    stretches, _, _ = all_stretches(setup, machine, planned, file, files)
    as_planned = replace(scene, bodies=planned, stretches=tuple(stretches), lies=())
    return replace(scene, planned=as_planned, read_s=time.perf_counter() - began)


def _refuse_other_files(file: TomlFile) -> None:
    """Refuse a pallet's file where a setup is asked for, which has what stands on it and nothing else; and a
    night's."""
    there = set(file.data)
    if {"jobs", "spool"} <= there:
        raise file.error((), "this is a night's file", "clearance night, or one of the setups that it names")
    if there & {"items", "pallets"} and there <= set(Pallet.key_names()):
        found = "this is a pallet's file: it has neither [machine] nor [[cuts]]"
        raise file.error((), found, "name it in a setup's [[pallets]]")


def shipped_machines() -> list[str]:
    """The names of the machines that ship with the tool."""
    return sorted(each.stem for each in SHIPPED.glob("*.toml"))


def read_machine(path: str | Path) -> Machine:
    """A machine file by its path, mm.

    Raises:
        InputError: it is wrong.
    """
    return _checked(read_toml(Path(path), str(path)))


def read_margins(path: str | Path) -> tuple[MarginsIn, str]:
    """The margins that a file names, mm, None where it says nothing; and the file's hash.

    Raises:
        InputError: it is wrong.
    """
    read = read_toml(Path(path), str(path))
    return read.checked(MarginsFile).margins, read.sha256


def _as_asked(setup: Setup, asked: Asked, files: Files) -> Setup:
    """The setup on the machine, and with the margins, that are asked for beside it."""
    if asked.machine is not None:
        machine = setup.machine.model_copy(update={"use": None, "file": asked.machine})
        setup = setup.model_copy(update={"machine": machine})
    if asked.margins is not None:
        margins, sha256 = read_margins(asked.margins)
        files.note(asked.margins, sha256)
        setup = setup.model_copy(update={"margins": over(setup.margins, margins)})
    return setup


def _machine(setup: Setup, file: TomlFile, files: Files) -> Machine:
    """The setup's machine, the shop's own or one that ships."""
    if setup.machine.file is not None:
        name = setup.machine.file
        found = read_toml(files.find(name, file, ("machine", "file")), name)
        files.note(name, found.sha256)
        return _checked(found)
    use = setup.machine.use
    assert use is not None
    names = shipped_machines()
    if use not in names:
        want = f"{suggestion(use, names)}; these ship: {', '.join(names)}; your own goes with  file = ..."
        raise file.error(("machine", "use"), f'no machine "{use}" ships with the tool', want)
    found = read_toml(shipped_machine(use), f"{use}.toml (ships with the tool)")
    files.note(found.shown_as, found.sha256)
    return _checked(found)


def _checked(file: TomlFile) -> Machine:
    """The machine in its file, its words for the control among the rest."""
    from clearance.toolpath.nc.words import code_words

    machine = file.checked(Machine)
    for key in ("thread", "cut", "ignore"):
        try:
            code_words(tuple(getattr(machine.codes, key)), f"codes.{key}")
        except InputError as error:
            raise file.error(("codes", key), error.found, error.want) from None
    return machine


def _names_apart(setup: Setup, machine: Machine, file: TomlFile) -> None:
    taken = {body.name for body in machine.bodies}
    for i, item in enumerate(setup.items):
        if item.name in taken:
            raise file.error(
                ("items", i, "name"),
                f'a body of the machine is named "{item.name}" too',
                "give it another name",
            )
