"""An approval record goes in, and which of its inputs are still what was approved comes out.

A program whose words are the same is unchanged, whatever its comments and spacing; of all other files each
byte counts. What cannot be read is not unchanged.

The same files can be something else to another version of the tool, or to another holder library: a default
that is not theirs any more, a shape. Hashing the program's files tells at once whether that can be; only
where they differ is the setup read anew, and each value compared.

With a setup that is judged, ``standing`` says whether the record lets it run with nobody there.
"""

from __future__ import annotations

import dataclasses
import hashlib
import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

from clearance import __version__
from clearance.errors import ClearanceError, InputError
from clearance.errors import printable as _plain
from clearance.files import shipped_machine
from clearance.records import record
from clearance.report.approval_record import folder_of, read_record
from clearance.report.approval_values import Other, differing, differing_readings, others, tool_now, values_of
from clearance.report.terminal import _named, paragraphs, rounded_down
from clearance.toolpath.nc.words import Semicolon

if TYPE_CHECKING:
    from clearance.overnight.unattended import Approval


#: values told of on a terminal
_SHOWN = 12


@record
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


@record
class Confirmation:
    """Is all still what was approved?

    Attributes:
        inputs: each file as it is now, in the record's order.
        tool: what judges otherwise than then: the tool, its files, libraries.
        values: what is made of the same files and is not what it was; looked for only where ``tool`` differs
            and the files do not: the same tool makes the same of them.
        unreadable: why the setup cannot be read any more by this tool; "" where it can.
        known: somebody says that another version is known.
    """

    inputs: list[Found]
    tool: list[Other]
    values: list[Other]
    unreadable: str = ""
    known: bool = False

    @property
    def unchanged(self) -> bool:
        files = all(each.same for each in self.inputs)
        return files and not self.values and not self.unreadable and (self.known or not self.tool)


def confirmed(
    record: dict[str, Any], record_file: str, folder: str | None = None, known: bool = False
) -> Confirmation:
    """Whether all is as it was approved.

    Args:
        record, record_file, folder: as for ``compare``.   known: another version of the tool is.

    Raises:
        InputError: there is no such folder.
    """
    inputs = compare(record, record_file, folder)
    tool = others(record["tool"], tool_now(record["tool"]["libraries"]))
    if not tool or not all(each.same for each in inputs):
        return Confirmation(inputs, tool, [], known=known)
    try:
        values = _values_now(inputs[0].where, record, inputs)
    except ClearanceError as error:
        return Confirmation(inputs, tool, [], str(error), known)
    return Confirmation(inputs, tool, differing(record["values"], values), known=known)


def _values_now(setup_file: str, record: dict[str, Any], inputs: list[Found]) -> dict[str, Any]:
    from clearance.scene.load import load
    from clearance.scene.measured import Asked

    asked = Asked()
    for each, found in zip(record["inputs"], inputs, strict=True):
        if each["kind"] == "form" and "coverage" in each:
            asked = Asked(found.where, float(each["coverage"]))
    return values_of(load(setup_file, asked))


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
        if each["kind"] == "form":
            return Found(name, "changed", where, differing_readings(each.get("readings", {}), where))
        if each["kind"] == "program" and _words(file, name, each.get("semicolon")) == each["words_sha256"]:
            return Found(name, "rewritten", where)
    except InputError as error:
        return Found(name, "changed", where, error.found)
    except (OSError, ValueError) as error:
        return Found(name, "unreadable", where, getattr(error, "strerror", None) or str(error))
    return Found(name, "changed", where)


def _words(file: Path, name: str, semicolon: Semicolon) -> str:
    from clearance.toolpath.nc.words import words_sha256

    return words_sha256(file.read_bytes(), name, semicolon)


def as_text(record: dict[str, Any], answer: Confirmation, width: int = 100) -> str:
    """What the terminal shows, ending in a newline: first what is loud, then the answer, then notes.

    Args:
        record: the content of its file.   answer: of ``confirmed``.   width: columns of the terminal.
    """
    found = answer.inputs
    blocks = [[line] for line in warnings(record)]
    blocks.append([_verdict(record, answer), *_all_told(answer)])
    if not any(each.state != "missing" for each in found if "(ships" not in each.name):
        blocks.append(["None of the files is there: say where the setup file is now, by  --files FOLDER"])
    blocks.append(_notes(answer))
    return paragraphs(blocks, width)


def _all_told(answer: Confirmation) -> list[str]:
    """What is not as it was, a line each."""
    lines = [line for each in answer.inputs if not each.same for line in _told(each)]
    lines += [f"  changed: {_then_now(each)}" for each in answer.values[:_SHOWN]]
    if len(answer.values) > _SHOWN:
        lines.append(f"  (+{len(answer.values) - _SHOWN} more values; --json has them all)")
    if answer.unreadable:
        lines.append(f"  changed: the setup cannot be read as it was: {_plain(answer.unreadable)}")
    if not answer.known:
        lines += [f"  other: {_then_now(each)}" for each in answer.tool]
    return lines


def _then_now(each: Other) -> str:
    return f"{_plain(each.what)}: was {_plain(each.then)}, is {_plain(each.now)}"


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


def _verdict(record: dict[str, Any], answer: Confirmation) -> str:
    approved, found = record["approved"], answer.inputs
    by = f" by {_plain(approved['by'])}" if approved["by"] else ""
    word = "written as a draft" if approved["draft"] else "approved"
    when = f"{word}{by} on {_plain(approved['when']).replace('T', ' ')}"
    title = _named(record["title"] or record["setup"])
    changed, count = sum(not each.same for each in found), len(found)
    if changed:
        return (
            f"CHANGED: {changed} of the {count} inputs of {title} {_is(changed)} not as {when}. Check anew."
        )
    if answer.values or answer.unreadable:
        return (
            f"CHANGED: all {count} inputs of {title} are as {when}, but not what the tool makes of them. "
            "Check anew."
        )
    if not answer.unchanged:
        return (
            f"OTHER VERSION: all {count} inputs of {title} are as {when}, and so is every value made of "
            "them; but what judges is another, and may judge otherwise. Check anew, or say  --other-version  "
            "where that is known."
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


def _notes(answer: Confirmation) -> list[str]:
    notes = [
        f"note: {_named(each.name)}: the same words, otherwise written (comments, spacing, line ends)"
        for each in answer.inputs
        if each.state == "rewritten"
    ]
    if answer.known:
        notes += [f"note: another version, said to be known: {_then_now(each)}" for each in answer.tool]
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


def as_report(record: dict[str, Any], answer: Confirmation) -> dict[str, Any]:
    """The answer as a dictionary that JSON can carry.

    Args:
        record: the content of its file.   answer: of ``confirmed``.
    """
    return {
        "schema": 1,
        "tool": {"name": "clearance", "version": __version__},
        "unchanged": answer.unchanged,
        "draft": record["approved"]["draft"],
        "overridden": record["approved"]["overridden"],
        "verdict": record["verdict"],
        "inputs": [{"file": each.name, "state": each.state, "why": each.why} for each in answer.inputs],
        "values": [dataclasses.asdict(each) for each in answer.values],
        "unreadable": answer.unreadable or None,
        "other_version": [dataclasses.asdict(each) for each in answer.tool],
        "other_version_known": answer.known,
    }


def standing(record_file: str, setup: str, known: bool = False) -> Approval:
    """What a record says today of a setup.

    Args:
        record_file, setup: paths.   known: another version of the tool that approved is known.

    Raises:
        InputError: the file is no sound record.
    """
    from clearance.overnight.unattended import Approval

    record = read_record(record_file)
    answer = confirmed(record, record_file, known=known)
    approved = record["approved"]
    by = f" by {approved['by']}" if approved["by"] else ""
    if os.path.realpath(answer.inputs[0].where) != os.path.realpath(setup):
        return Approval("other setup", (f"its record approves another setup, {record['setup']}",))
    if approved["draft"]:
        return Approval("draft", ("its record is a draft, which approves no run",))
    if approved["overridden"]:
        verdict = record["verdict"]
        reason = f": {approved['reason']}" if approved["reason"] else ""
        return Approval("overridden", (f"its verdict was {verdict} and overridden{by}{reason}",))
    if record["verdict"] != "clear":
        return Approval("overridden", (f"its record has the verdict {record['verdict']}",))
    if not answer.unchanged:
        return Approval("changed", (_changed(answer),))
    notes = ["approved by another version of the tool, which is said to be known"] if answer.tool else []
    form = next((k for k, each in enumerate(record["inputs"]) if each["kind"] == "form"), None)
    if form is None or "coverage" not in record["inputs"][form]:
        return Approval("unchanged", notes=tuple(notes))
    coverage = float(record["inputs"][form]["coverage"])
    return Approval("unchanged", notes=tuple(notes), form=answer.inputs[form].where, coverage=coverage)


def _changed(answer: Confirmation) -> str:
    files = [f"{each.name} is {each.state}" for each in answer.inputs if not each.same]
    if files:
        more = f", and {len(files) - 1} more" if len(files) > 1 else ""
        return f"it is not what was approved: {files[0]}{more}"
    if answer.unreadable:
        return f"it is not what was approved: {answer.unreadable}"
    if answer.values:
        first = answer.values[0]
        return f"it is not what was approved: {first.what} was {first.then}, is {first.now}"
    return "another version of the tool approved it: approve it anew, or say  --other-version"
