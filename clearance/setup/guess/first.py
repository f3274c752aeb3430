"""The names of a part and a path file go in; the text of a first setup file for them comes out."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

from clearance.errors import InputError
from clearance.setup.assemble import load, read_machine, shipped_machines
from clearance.setup.fields import suggestion
from clearance.setup.guess import sizes
from clearance.setup.guess.carrier import carrier
from clearance.setup.guess.choice import choose
from clearance.setup.guess.draft import draft
from clearance.setup.machine import Machine
from clearance.solids.mass import mass_properties
from clearance.solids.materials import density_of

MATERIAL = "tool steel"
#: names of what the part may stand in
_TAKEN = ("V-block", "ring clamp", "vise", "frame", "front rail", "back rail", "strap", "left strap",
          "right strap")  # fmt: skip


def first_setup(part: str, path: str, folder: str | Path, machine: str = "mid_size") -> str:
    """The text of a first setup file.

    Args:
        part, path: the model and the cut path, as the user named them.   folder: where the setup will stand;
            it names the two as seen from there.   machine: one that ships, or a machine file.

    Raises:
        InputError: a file is missing or wrong.
    """
    table, bench = _machine(machine, folder)
    choice = choose(sizes.parts(part, part), sizes.paths(path, path))
    mass = abs(mass_properties(choice.part.triangles)[0]) * density_of(MATERIAL) * 1e-6
    names = (_named(part), _named(path))
    if names[0] in _TAKEN or names[0] in {body.name for body in bench.bodies}:
        names = (f"{names[0]} part", names[1])
    held = carrier(choice, mass, bench, names[0])
    files = (_seen_from(folder, part), _seen_from(folder, path))
    return draft(choice, held, mass, files, names, table)


def checked(text: str, target: str | Path) -> None:
    """Read the setup as if it stood at ``target``, from a file beside it that is gone afterwards.

    Raises:
        InputError: the setup would not load; errors about the setup itself name ``target``.
    """
    final = Path(target)
    beside = final.with_name(f".{final.name[:100]}.{os.getpid()}.try")
    try:
        beside.write_text(text, encoding="utf-8", newline="\n")
        load(beside)
    except InputError as error:
        if error.file == str(beside):
            raise InputError(str(target), error.place, error.found, error.want) from None
        raise
    except OSError as error:
        raise InputError(str(target), "", f"cannot be written ({error.strerror or error})") from None
    finally:
        beside.unlink(missing_ok=True)


def _machine(machine: str, folder: str | Path) -> tuple[dict[str, str], Machine]:
    names = shipped_machines()
    if machine in names:
        from importlib import resources

        with resources.as_file(resources.files("clearance.setup") / "machines" / f"{machine}.toml") as file:
            return {"use": machine}, read_machine(file)
    if not Path(machine).is_file():
        want = f"{suggestion(machine, names)}; these ship: {', '.join(names)}; or a machine file"
        raise InputError(None, "--machine", f'there is no machine "{machine}"', want)
    return {"file": _seen_from(folder, machine)}, read_machine(machine)


def _seen_from(folder: str | Path, file: str) -> str:
    """A file's name as a setup in ``folder`` is to say it, with forward slashes on every system."""
    try:
        name: Any = os.path.relpath(file, folder)
    except ValueError:  # another drive
        name = os.path.abspath(file)
    return str(name).replace(os.sep, "/")


def _named(file: str) -> str:
    """A name for a file's content: "side_plate_die.stl" is the "side plate die"."""
    stem = Path(file).stem.replace("_", " ").replace("->", " ").strip()
    return "".join(c for c in stem if c.isprintable())[:60] or "part"
