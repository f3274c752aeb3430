"""An approval record and a setup go in; whether the record lets it run with nobody there comes out."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from clearance.report.approval_confirm import Answer, confirmed
from clearance.report.approval_record import read_record

if TYPE_CHECKING:
    from clearance.overnight.alone import Approval


def standing(record_file: str, setup: str, known: bool = False) -> Approval:
    """What a record says today of a setup.

    Args:
        record_file, setup: paths.   known: another version of the tool that approved is known.

    Raises:
        InputError: the file is no sound record.
    """
    from clearance.overnight.alone import Approval

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


def _changed(answer: Answer) -> str:
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
