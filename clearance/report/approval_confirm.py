"""An approval record goes in, and which of its inputs are still what was approved comes out.

A program whose words are the same is unchanged, whatever its comments and spacing; of all other files each
byte counts. What cannot be read is not unchanged.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from clearance import __version__
from clearance.errors import InputError
from clearance.report.approval_record import folder_of, shipped_machine
from clearance.report.terminal import _named, _plain, paragraphs, rounded_down
from clearance.toolpath.blocks import Semicolon


@dataclass(frozen=True)
class Found:
    """One input as it is now.

    ``name`` is as the setup has it; ``state`` is "unchanged", "rewritten" (a program of the same words,
    otherwise written: that is unchanged too), "changed", "missing" or "unreadable"; ``why`` says more.
    """

    name: str
    state: str
    where: str
    why: str = ""

    @property
    def same(self) -> bool:
        return self.state in ("unchanged", "rewritten")


def compare(record: dict[str, Any], record_file: str, folder: str | None = None) -> list[Found]:
    """Each input of a record as it is now, in the record's order.

    Args:
        record: by ``read_record``.  record_file: where it was read.
        folder: where the setup file is now; left out, where it was, seen from the record.

    Raises:
        InputError: there is no such folder.
    """
    if folder is None:
        folder = os.path.join(folder_of(record_file), record["folder"])
    elif not os.path.isdir(folder):
        raise InputError(None, "--files", f'there is no folder "{folder}"', "where the setup file is now")
    return [_found(each, folder) for each in record["inputs"]]


def _found(each: dict[str, Any], folder: str) -> Found:
    if "shipped" in each:
        file = shipped_machine(str(each["shipped"]))
    else:
        file = Path(folder, each["file"])
    name, where = each["file"], os.path.normpath(file)
    try:
        if not file.exists():
            return Found(name, "missing", where)
        if not file.is_file():
            return Found(name, "unreadable", where, "is no file")
        with file.open("rb") as stream:
            same = hashlib.file_digest(stream, "sha256").hexdigest() == each["sha256"]
        if same:
            return Found(name, "unchanged", where)
        if each["kind"] == "program" and _words(file, name, each.get("semicolon")) == each["words_sha256"]:
            return Found(name, "rewritten", where)
    except InputError as error:
        return Found(name, "changed", where, error.found)
    except (OSError, ValueError) as error:
        return Found(name, "unreadable", where, getattr(error, "strerror", None) or str(error))
    return Found(name, "changed", where)


def _words(file: Path, name: str, semicolon: Semicolon) -> str:
    from clearance.toolpath.nc.fingerprint import words_sha256

    return words_sha256(file.read_bytes(), name, semicolon)


def as_text(record: dict[str, Any], found: Sequence[Found], width: int = 100) -> str:
    """What the terminal shows, ending in a newline: first what is loud, then the answer, then notes."""
    blocks = [[line] for line in warnings(record)]
    blocks.append(
        [_answer(record, found), *(line for each in found if not each.same for line in _told(each))]
    )
    if not any(each.state != "missing" for each in found if "(ships" not in each.name):
        blocks.append(["None of the files is there: say where the setup file is now, by  --files FOLDER"])
    blocks.append(_notes(record, found))
    return paragraphs(blocks, width)


def warnings(record: dict[str, Any]) -> list[str]:
    """What must be said loudly wherever a record is shown: a draft, a verdict that was overridden."""
    approved, said = record["approved"], []
    if approved["draft"]:
        said.append("DRAFT: this record approves no run. Its paths need not be the programs that will run.")
    if approved["overridden"]:
        said.append(
            f"OVERRIDDEN: the verdict was {_plain(record['verdict']).upper()}, not clear. "
            f"{_plain(approved['by'])} approved it all the same: {_named(approved['reason'] or '')}."
        )
    return said


def _answer(record: dict[str, Any], found: Sequence[Found]) -> str:
    approved, changed = record["approved"], sum(not each.same for each in found)
    by = f" by {_plain(approved['by'])}" if approved["by"] else ""
    word = "written as a draft" if approved["draft"] else "approved"
    when = f"{word}{by} on {_plain(approved['when']).replace('T', ' ')}"
    title = _named(record["title"] or record["setup"])
    count = len(found)
    if changed:
        return (
            f"CHANGED: {changed} of the {count} inputs of {title} {_is(changed)} not as {when}. Check anew."
        )
    least = least_to_spare(record)
    verdict = f"The verdict was {_plain(record['verdict'])}" + (f"; {least}." if least else ".")
    return f"UNCHANGED: all {count} inputs of {title} are as {when}. {verdict}"


def _is(count: int) -> str:
    return "is" if count == 1 else "are"


def _told(each: Found) -> list[str]:
    why = f" ({_plain(each.why)})" if each.why else ""
    where = f"; it was looked for at {_plain(each.where)}" if each.state == "missing" else ""
    return [f"  {each.state}: {_named(each.name)}{why}{where}"]


def _notes(record: dict[str, Any], found: Sequence[Found]) -> list[str]:
    notes = [
        f"note: {_named(each.name)}: the same words, otherwise written (comments, spacing, line ends)"
        for each in found
        if each.state == "rewritten"
    ]
    version = record["tool"]["version"]
    if version != __version__:
        notes.append(
            f"note: checked by version {_plain(version)}; this is {__version__}, which may judge otherwise"
        )
    return notes


def least_to_spare(record: dict[str, Any]) -> str:
    """The place with the least to spare, in words; "" where nothing was near anything."""
    least = record["least"]
    if least is None:
        return ""
    head = "the wire" if least["head"] == "wire" else f"the {_plain(least['head'])} head"
    move = f", move {least['move']}" if least["move"] is not None else ""
    return (
        f"least to spare {rounded_down(least['spare'])} mm, {head} and {_named(least['item'])}, in "
        f"{_named(least['cut'])}{move}"
    )


def as_report(record: dict[str, Any], found: Sequence[Found]) -> dict[str, Any]:
    """The answer as a dictionary that JSON can carry."""
    return {
        "schema": 1,
        "tool": {"name": "clearance", "version": __version__},
        "unchanged": all(each.same for each in found),
        "draft": record["approved"]["draft"],
        "overridden": record["approved"]["overridden"],
        "verdict": record["verdict"],
        "inputs": [{"file": each.name, "state": each.state, "why": each.why} for each in found],
    }
