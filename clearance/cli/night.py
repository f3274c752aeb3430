"""``night``: a night's file goes in; until when the machine runs alone comes out."""

from __future__ import annotations

import os
import sys

import click

from clearance.cli.common import commands, replacing, say, spare, width, write_answer
from clearance.errors import InputError


@commands.command()
@click.argument("night")
@click.option("--order", is_flag=True, help="Propose the order with most hours alone; 8 jobs at most.")
@click.option("--json", "json_file", metavar="FILE", help="Write the answer as JSON; '-' is standard output.")
@click.option("-o", "--output", "page", metavar="PAGE.html", help="Write a page for screen and paper.")
@click.option(
    "--other-version", "known", is_flag=True, help="It is known that another version of the tool approved."
)
@replacing
@click.pass_context
def night(
    context: click.Context,
    night: str,
    order: bool,
    json_file: str | None,
    page: str | None,
    known: bool,
    replace: bool,
) -> None:
    """Until when does the machine run alone, and what does it wait for then?

    NIGHT is a file: when it begins, who is there when, the spool, and the jobs. All times are estimates.

    \b
    Exit codes: 0 it runs whenever nobody is there; 1 it does not, or a job must not run; 2 a file is wrong.
    """
    import clearance
    from clearance.report.night import as_report, as_text
    from clearance.report.progress import Progress

    _check_targets(night, json_file, page, replace)
    with Progress(sys.stderr) as progress:
        progress(0.0, "reading")
        answer = clearance.night(night, order=order, other_version=known, progress=progress)
        for target in (json_file, page):
            if target is not None and target != "-":
                spare(target, answer.files)
    if json_file != "-":
        say(as_text(answer, width()))
    if json_file is not None:
        write_answer(as_report(answer), json_file)
    if page is not None:
        from clearance.report.night_page import write_page

        write_page(answer, page)
    context.exit(0 if answer.runs_alone and not answer.left_out else 1)


def _check_targets(night: str, json_file: str | None, page: str | None, replace: bool) -> None:
    """Refuse what cannot be written, or would be lost, before time is spent on the jobs."""
    from clearance.files import check_writable
    from clearance.report.ours import check_replaceable
    from clearance.report.sheet.page import check_name

    if page is not None:
        check_name(page)
    for target in (json_file, page):
        if target is None or target == "-":
            continue
        check_writable(target)
        spare(target, [night])
        check_replaceable(target, replace)
    if json_file is not None and page is not None and os.path.realpath(json_file) == os.path.realpath(page):
        raise InputError(page, "", "is named for the answer and for the page", "name two files")
