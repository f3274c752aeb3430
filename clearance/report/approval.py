"""A judged setup goes in, the record that approves it comes out, or why it is not approved.

The record tells what was checked so well that ``confirm`` can find any of it changed: each input's hash, of
an NC program that of its words as well; every value that was made of them, defaults too; and what judged: the
tool with its files, the libraries behind it. It names its files as the setup does, from the setup's folder,
and that folder as seen from the record.
"""

from __future__ import annotations

import hashlib
import os
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from clearance.errors import InputError
from clearance.errors import printable as _plain
from clearance.files import shipped_machine
from clearance.records import record
from clearance.report import approval_record, approval_values
from clearance.report.approval_values import margins_of, readings_of, values_of
from clearance.report.data import as_report
from clearance.report.terminal import _named

if TYPE_CHECKING:
    from clearance.checking.result import Result
    from clearance.scene.model import Scene

#: of a pair, what the record keeps of the least to spare
_LEAST = ("head", "item", "cut", "move", "line", "n", "spare", "clearance", "side", "height", "on_item")


@record
class Approver:
    """Who approves: ``by`` a name, ``when`` (ISO 8601, with its offset from UTC), ``reason`` to override
    close (None: nothing is overridden), ``draft`` where the paths are not those that will run."""

    by: str | None
    when: str
    reason: str | None = None
    draft: bool = False


def read_inputs(scene: Scene) -> list[dict[str, Any]]:
    """Every file that the scene was read from, with its kind and hashes, the setup first.

    "file" is as the setup names it, so seen from the setup's folder; "kind" is "setup", "machine" (a shipped
    one has its "shipped" name), "pallet", "holder" (what describes one of the shop's own), "program",
    "drawing", "table", "step", "form" (of readings, with them) or (any other) "model".

    Raises:
        InputError: a file is not any more what was read.
    """
    from clearance.toolpath.nc.words import words_sha256
    from clearance.toolpath.read import kind_of

    folder = Path(scene.setup_file).parent
    paths, pallets = {cut.path for cut in scene.cuts}, {each.file for each in scene.pallets}
    own = {body.library.kind.file for body in scene.bodies if body.library is not None}
    found = []
    for k, (shown, digest) in enumerate(scene.inputs):
        each: dict[str, Any] = {"file": shown if k else Path(scene.setup_file).name, "kind": "model"}
        if k == 0:
            each["kind"], file = "setup", Path(scene.setup_file)
        elif shown in pallets:
            each["kind"], file = "pallet", folder / shown
        elif shown == scene.known_machine.file:
            each["kind"], file = "machine", folder / shown
        elif shown == f"{scene.known_machine.shipped}.toml (ships with the tool)":
            each.update(kind="machine", shipped=scene.known_machine.shipped)
            file = shipped_machine(scene.known_machine.shipped or "")
        else:
            file = folder / shown
        data = _bytes(file, shown)
        lies = next((one for one in scene.lies if one.form.sha256 == digest), None)
        if lies is not None:
            each.update(kind="form", readings=readings_of(lies.form))
            if lies.by_option:
                each["coverage"] = lies.coverage
        if data[:512].lstrip().startswith(b"ISO-10303-21"):
            each["kind"] = "step"
        if shown in own:
            each["kind"] = "holder"
        each["sha256"] = hashlib.sha256(data).hexdigest()
        if each["sha256"] != digest:
            raise InputError(shown, "", "was changed while the setup was checked", "approve once more")
        if shown in paths:
            each["kind"] = kind_of(file, data)
        if each["kind"] == "program":
            semicolon = scene.known_machine.codes.semicolon
            each["words_sha256"] = words_sha256(data, shown, semicolon)
            if semicolon is not None:
                each["semicolon"] = semicolon
        found.append(each)
    return found


def _bytes(file: Path, shown: str) -> bytes:
    try:
        return file.read_bytes()
    except OSError as error:
        found = f"cannot be read any more ({error.strerror or error})"
        raise InputError(shown, "", found, "approve once more") from None


def not_programs(scene: Scene, inputs: Sequence[dict[str, Any]]) -> InputError | None:
    """The error where a cut's path is no NC program, so not what will run; None where all are.

    Args:
        scene: as judged.   inputs: by ``read_inputs``.
    """
    kinds = {each["file"]: each["kind"] for each in inputs[1:]}
    for k, cut in enumerate(scene.cuts):
        if kinds[cut.path] != "program":
            found = f'"{cut.path}" is a {kinds[cut.path]}, not the NC program that will run'
            return InputError(
                scene.setup_file, f'cuts[{k + 1}].path "{cut.name}"', found,
                "approve the program, or say --draft for a record that says it is one",
            )  # fmt: skip
    return None


def refusal(result: Result, approver: Approver) -> str | None:
    """Why the verdict is not approved, in words; None where it is.

    Args:
        result: of the check.   approver: who approves, and whether close is overridden.
    """
    if result.verdict == "clear" or (result.verdict == "close" and approver.reason is not None):
        return None
    if result.verdict == "close":
        return "the verdict is close; who knows better says  --by NAME --override REASON"
    if approver.reason is not None:
        return f"the verdict is {result.verdict}, which nobody can override"
    return f"the verdict is {result.verdict}"


def record_of(
    result: Result, inputs: Sequence[dict[str, Any]], record_file: str, approver: Approver
) -> dict[str, Any]:
    """The record as a dictionary that JSON can carry, its checksum last: mm, machine frame, unrounded.

    Args:
        result: clear, or close with a reason.  inputs: by ``read_inputs``.
        record_file: where the record will lie.  approver: who says so.
    """
    report = as_report(result)
    spared = next((pair for pair in report["pairs"] if pair["spare"] is not None), None)
    return approval_record.sealed(
        {
            "schema": approval_record.SCHEMA,
            "record": approval_record.KIND,
            "tool": _tool(inputs),
            "title": result.scene.title,
            "setup": inputs[0]["file"],
            "folder": _seen_from(record_file, result.scene.setup_file),
            "approved": {
                "by": approver.by,
                "when": approver.when,
                "draft": approver.draft,
                "overridden": result.verdict != "clear",
                "reason": approver.reason,
            },
            "verdict": result.verdict,
            "margins": margins_of(result.scene),
            "least": None if spared is None else {key: spared[key] for key in _LEAST},
            "cuts": report["cuts"],
            "findings": _in_short(report["findings"]),
            "inputs": list(inputs),
            "values": values_of(result.scene),
        }
    )


def _seen_from(record_file: str, setup_file: str) -> str:
    """The setup's folder as seen from the record's, with "/"; absolute where it is on another drive."""
    folder = os.path.realpath(os.path.dirname(setup_file) or ".")
    try:
        return Path(os.path.relpath(folder, approval_record.folder_of(record_file))).as_posix()
    except ValueError:
        return folder


def _tool(inputs: Sequence[dict[str, Any]]) -> dict[str, Any]:
    return approval_values.tool_now(approval_values.libraries_for([each["kind"] for each in inputs]))


def _in_short(findings: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """What is no note in full; of the notes how many there are of each kind."""
    notes = Counter(each["kind"] for each in findings if each["severity"] == "note")
    grave = [each for each in findings if each["severity"] != "note"]
    return [*grave, *({"kind": kind, "severity": "note", "count": n} for kind, n in notes.items())]


def as_text(record: dict[str, Any], record_file: str) -> str:
    """What the terminal shows once the record is written, ending in a newline.

    Args:
        record: by ``record_of``.   record_file: where it was written, as the user named it.
    """
    lines = [f"{_standing(record)}. {_plain(record_file)} is written; at the machine, before the run:"]
    lines.append(f"  clearance confirm {_plain(record_file)}")
    for each in record["inputs"]:
        if os.path.isabs(each["file"]):
            lines.append(
                f"note: {_named(each['file'])} is named by its whole path: on another computer it will be "
                "missing. Name it from the setup's folder"
            )
    return "\n".join(lines) + "\n"


def _standing(record: dict[str, Any]) -> str:
    if record["approved"]["draft"]:
        return "DRAFT, not approved to run"
    if record["approved"]["overridden"]:
        by, verdict = _plain(record["approved"]["by"]), record["verdict"].upper()
        return f"APPROVED by {by} ALTHOUGH the verdict is {verdict}"
    return "APPROVED"
