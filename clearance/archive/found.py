"""Folders and files go in; the setups among them, and the approval records beside these, come out."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from clearance.errors import InputError, printable
from clearance.files import no_file
from clearance.report import approval_record

#: a setup's own tables; machines, holders, pallets and margins have neither
_SETUP = re.compile(
    rb"^[ \t]*(?:\[\[?[ \t]*(?:machine|cuts)[ \t]*\]\]?|(?:machine|cuts)[ \t]*[.=])", re.MULTILINE
)
#: a setup is no larger than this (``scene.toml_file``), bytes
_LARGEST = 2_000_000
#: a record says within so many bytes that it is one
_HEAD = 400


def setups_in(places: Sequence[str]) -> list[str]:
    """The setup files in folders, and in all folders within them, and the files that are named; each once.

    A file of a folder is a setup where it has ``[machine]`` or ``[[cuts]]``, sound or not. What begins with a
    dot is passed over, and links to folders are not followed.

    Args:
        places: folders and files, as the user names them.

    Raises:
        InputError: a place is neither, or there is no setup in any of them.
    """
    found: dict[str, str] = {}
    for place in places:
        if "\0" in place:
            raise InputError(place.replace("\0", "?"), "", "there is no such file or folder", "")
        if os.path.isdir(place):
            for file in _within(place):
                found.setdefault(os.path.realpath(file), file)
        elif os.path.isfile(place):
            found.setdefault(os.path.realpath(place), place)
        else:
            kind = no_file(place)
            said = "there is no such file or folder" if kind is None else f"is {kind}, not a file or a folder"
            raise InputError(place, "", said, "name folders, or setup files")
    if not found:
        named = ", ".join(map(printable, places))
        want = "a setup has [machine] and [[cuts]]; clearance new writes a first one"
        raise InputError(None, named, "there is no setup in it", want)
    return list(found.values())


def _within(folder: str) -> Iterator[str]:
    for root, folders, files in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(files):
            if name.endswith(".toml") and not name.startswith("."):
                file = os.path.join(root, name)
                if _is_setup(file):
                    yield file


def _is_setup(file: str) -> bool:
    """Whether it should be judged. One that cannot be read might be a setup: its row says so."""
    try:
        if not os.path.isfile(file):
            return False
        with open(file, "rb") as stream:
            return _SETUP.search(stream.read(_LARGEST)) is not None
    except OSError:
        return True


@dataclass(frozen=True)
class Approved:
    """The approval of a setup: its record's file and content; or ``spoilt``, why that cannot be used."""

    file: str
    record: dict[str, Any]
    spoilt: str = ""


class Approvals:
    """The approval records that lie in the same folder as a setup. Each folder is looked through once."""

    def __init__(self) -> None:
        self._folders: dict[str, dict[str, Approved]] = {}

    def of(self, setup: str) -> Approved | None:
        """The newest record of a setup, drafts left out; None where there is none beside it."""
        real = os.path.realpath(setup)
        folder = os.path.dirname(real)
        if folder not in self._folders:
            self._folders[folder] = _records(folder)
        return self._folders[folder].get(real)


def _records(folder: str) -> dict[str, Approved]:
    found: dict[str, Approved] = {}
    try:
        names = sorted(each.name for each in os.scandir(folder) if each.name.endswith(".json"))
    except OSError:
        return found
    for name in names:
        file = os.path.join(folder, name)
        one = _record(file)
        if one is None or (one.record.get("approved") or {}).get("draft"):
            continue
        inside = one.record
        setup = os.path.realpath(os.path.join(folder, str(inside["folder"]), str(inside["setup"])))
        there = found.get(setup)
        if there is None or _when(one) >= _when(there):
            found[setup] = one
    return found


def _when(one: Approved) -> str:
    said = one.record.get("approved")
    return str(said.get("when", "")) if isinstance(said, dict) else ""


def _record(file: str) -> Approved | None:
    """The record in a file; None where it is none, or does not tell of which setup."""
    try:
        if not os.path.isfile(file):
            return None
        with open(file, "rb") as stream:
            if b'"approval"' not in stream.read(_HEAD):
                return None
        return Approved(file, approval_record.read_record(file))
    except InputError as error:
        try:
            content = approval_record.parsed(file)
        except InputError:
            return None
        if not isinstance(content, dict) or not {"setup", "folder"} <= set(content):
            return None
        if not isinstance(content.get("approved"), dict):
            content["approved"] = {}
        return Approved(file, content, f"{Path(file).name}: {error.found}")
    except OSError:
        return None
