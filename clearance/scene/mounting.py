"""The machine as its file has it and the choice of nozzles go in; the machine with them comes out."""

from __future__ import annotations

from typing import Any

from clearance.errors import InputError
from clearance.scene.fields import suggestion
from clearance.scene.machine import Machine
from clearance.scene.model import Finding
from clearance.scene.nozzles import OWN, upper_shift
from clearance.scene.schema import Setup
from clearance.scene.toml_file import TomlFile


def mounting(
    own: Machine, setup: Setup, file: TomlFile, asked: str | None = None
) -> tuple[Machine, dict[str, Any], list[Finding]]:
    """The machine with the nozzles that are chosen; what its model says of them; what is to be told.

    Args:
        own: as its file has it.   setup, file: as read.
        asked: nozzles that are chosen beside the setup, instead of its own choice.

    Raises:
        InputError: there is no such set.
    """
    name = asked if asked is not None else setup.heads.nozzles
    if name is None or name == OWN:
        return own, {}, []
    one = next((each for each in own.nozzles if each.name == name), None)
    if one is None:
        found = f'the machine "{own.name}" has no nozzles "{name}"'
        names = [each.name for each in own.nozzles]
        want = (
            suggestion(name, [*names, OWN])
            if names
            else "its file names none; sets stand in [[nozzles]] there"
        )
        if asked is not None:
            raise InputError(None, "--nozzles", found, want)
        raise file.error(("heads", "nozzles"), found, want)
    shift = upper_shift(one, own.upper_head)
    said = [f'heads with nozzles "{name}"']
    if shift:
        said.append(f"travel in Z ends {abs(shift):g} mm {'sooner' if shift > 0 else 'later'}")
    if one.wire is not None and one.wire != own.wire:
        said.append(
            f"they are for wire {one.wire:g}, which the job runs with (the machine file says {own.wire:g})"
        )
    note = Finding("nozzles", "note", "; ".join(said))
    return own.with_nozzles(one), {"nozzles": name, "z_shift": shift}, [note]
