"""``approve`` and ``confirm``: a setup goes in, the record of its approval comes out, and back again."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

import click

from clearance.cli.common import (
    EXIT_CODES,
    check_targets,
    commands,
    json_option,
    loaded,
    measuring,
    replacing,
    say,
    say_error,
    say_result,
    spare,
    spare_inputs,
    width,
    write_answer,
)
from clearance.errors import InputError

if TYPE_CHECKING:
    from clearance.report.approval import Approver


@commands.command()
@click.argument("setup")
@measuring
@click.option("-o", "--output", "file", required=True, metavar="RECORD.json", help="The record to write.")
@click.option("--by", metavar="NAME", help="Who approves; left out, the name of the computer's user.")
@click.option(
    "--override", "reason", metavar="REASON", help="Approve although the verdict is close; wants --by too."
)
@click.option(
    "--draft", is_flag=True, help="Not for the run: paths may be DXF or CSV, and the record says so."
)
@click.pass_context
def approve(
    context: click.Context, setup: str, file: str, by: str | None, reason: str | None, draft: bool
) -> None:
    """Write down that this setup is clear, and what it is made of.

    Paths count from the record, so that it can move together with the files.
    """
    import clearance
    from clearance.report import approval
    from clearance.report.progress import Progress

    approver = _approver(by, reason, draft)
    _check_record(setup, file)
    with Progress(sys.stderr) as progress:
        progress(0.0, "reading")
        scene = loaded(setup)
        spare_inputs(scene, [file])
        wrong = None if draft else approval.not_programs(scene, approval.read_inputs(scene))
        if wrong is not None:
            raise wrong
        progress(0.0, "checking")
        result = clearance.check(scene, progress=progress)
    say_result(result)
    why = approval.refusal(result, approver)
    if why is not None:
        say_error(f"not approved, nothing is written: {why}")
        context.exit(EXIT_CODES[result.verdict])
    record = approval.record_of(result, approval.read_inputs(scene), file, approver)
    write_answer(record, file)
    say("\n" + approval.as_text(record, file))


@commands.command()
@click.argument("record")
@click.option(
    "--files", "folder", metavar="FOLDER",
    help="Where the setup file is now; left out, where it was, seen from the record.",
)  # fmt: skip
@click.option(
    "--other-version", "known", is_flag=True, help="It is known that another version of the tool approved."
)
@json_option("the answer")
@replacing
@click.pass_context
def confirm(
    context: click.Context,
    record: str,
    folder: str | None,
    known: bool,
    json_file: str | None,
    replace: bool,
) -> None:
    """Is every input still what was approved, and all that the tool makes of it?

    Exit codes: 0 unchanged, 1 changed, missing or another version, 2 no sound record.
    """
    from clearance.report import approval_confirm
    from clearance.report.approval_record import read_record

    check_targets(record, json_file, None, replace)
    content = read_record(record)
    answer = approval_confirm.confirmed(content, record, folder, known)
    if json_file is not None and json_file != "-":
        spare(json_file, [record, *(each.where for each in answer.inputs)])
    if json_file != "-":
        say(approval_confirm.as_text(content, answer, width()))
    if json_file is not None:
        write_answer(approval_confirm.as_report(content, answer), json_file)
    context.exit(0 if answer.unchanged else 1)


def _approver(by: str | None, reason: str | None, draft: bool) -> Approver:
    from datetime import datetime

    from clearance.report.approval import Approver

    for option, text in (("--by", by), ("--override", reason)):
        if text is not None and not any(c.isalnum() for c in text):
            raise InputError(None, option, "says nothing", "a name" if option == "--by" else "the reason")
    if reason is not None and by is None:
        raise InputError(None, "--override", "goes with a name", "say  --by NAME  too")
    now = datetime.now().astimezone().isoformat(timespec="seconds")
    return Approver(_user() if by is None else by.strip(), now, reason and reason.strip(), draft)


def _user() -> str | None:
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return None


def _check_record(setup: str, file: str) -> None:
    """Refuse to write a record where it would be of no use, or where something is that must not be lost."""
    from clearance.files import check_writable
    from clearance.report.approval_record import KIND, parsed

    if not file.lower().endswith(".json"):
        raise InputError(file, "", "a record is written as JSON", "end its name in .json")
    check_writable(file)
    spare(file, [setup])
    if os.path.exists(file):
        try:
            there = parsed(file)
        except InputError:
            there = None
        if not isinstance(there, dict) or there.get("record") != KIND:
            raise InputError(file, "", "is there already, and is no approval record", "name another file")
