"""An item of the setup goes in; the model of what it is to become, read and in mm, comes out."""

from __future__ import annotations

from clearance.errors import InputError
from clearance.scene.bodies import OWN_UNIT, Files
from clearance.scene.model import Finding, Finished
from clearance.scene.schema import Item, Setup
from clearance.scene.toml_file import TomlFile

#: walls may lie so far off what the part is to become, mm, where the item does not say (common practice for
#: what a measuring machine is asked to find; no source)
TOLERANCE = 0.05


def finished_of(
    i: int, item: Item, setup: Setup, file: TomlFile, files: Files
) -> tuple[Finished | None, list[Finding]]:
    """What item ``i`` is to become, in its own frame, and what reading found; None where nothing is said.

    Args:
        item: as read, mm.   file: the setup's, for messages.   files: finds the model, and remembers it.

    Raises:
        InputError: the file is missing or wrong.
    """
    if item.becomes is None:
        return None, []
    from clearance.mesh.read import read_model

    name = item.becomes
    if setup.units == "inch" and item.units is None and not name.lower().endswith(OWN_UNIT):
        found = f'the lengths here are inches, "{name}" may have others'
        raise file.error(("items", i, "becomes"), found, 'say  units = "inch"')
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
