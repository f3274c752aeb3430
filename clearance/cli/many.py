"""``night``, ``recheck``: many jobs go in; until when they run alone, what would change, comes out."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

import click

from clearance.arguments import GIGABYTES, SECONDS, WORKERS
from clearance.cli.common import (
    check_written,
    commands,
    json_option,
    replacing,
    say,
    say_aside,
    say_written,
    spare,
    width,
    write_answer,
)
from clearance.cli.numbers import NumberBetween, WholeBetween
from clearance.errors import InputError


@commands.command()
@click.argument("night")
@click.option("--order", is_flag=True, help="Propose the order with most hours alone; 8 jobs at most.")
@json_option("the answer")
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

    _check_pages(json_file, page, [night], replace, "is named for the answer and for the page")
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
        say_written(page, json_file)
    context.exit(0 if answer.runs_alone and not answer.left_out else 1)


def _check_pages(
    json_file: str | None, page: str | None, inputs: Sequence[str], replace: bool, both: str
) -> None:
    """Refuse what cannot be written, or would be lost, before time is spent on the jobs."""
    if page is not None and not page.lower().endswith((".html", ".htm")):
        raise InputError(page, "", "a page is written as HTML", "end its name in .html")
    if json_file is not None:
        check_written(json_file, inputs, replace)
    if page is not None:
        check_written(page, inputs, replace, json_file, both)


@commands.command()
@click.argument("places", nargs=-1, required=True, metavar="FOLDER|FILE...")
@click.option("--machine", metavar="FILE", help="On the machine of this file instead of the setups'.")
@click.option("--nozzles", metavar="NAME", help="With these nozzles; 'own' are the machine's own heads.")
@click.option("--margins", metavar="FILE", help="With the [margins] of this file instead of the setups'.")
@click.option(
    "--scheduler", metavar="ADDRESS", help="On the computers of this Dask scheduler, tcp://host:8786."
)
@click.option("--fresh", is_flag=True, help="Judge all of them anew, whatever was kept.")
@click.option(
    "--workers", type=WholeBetween(*WORKERS), metavar="N", help="So many at once; one for each core."
)
@click.option("--seconds", type=NumberBetween(*SECONDS), metavar="S", help="What one setup may take; 600.")
@click.option("--memory", type=NumberBetween(*GIGABYTES), metavar="GB", help="What one setup may take; 4.")
@json_option("the rows")
@click.option("-o", "--output", "page", metavar="PAGE.html", help="Write a page to sort and filter.")
@replacing
@click.pass_context
def recheck(
    context: click.Context,
    places: tuple[str, ...],
    machine: str | None,
    nozzles: str | None,
    margins: str | None,
    scheduler: str | None,
    fresh: bool,
    workers: int | None,
    seconds: float | None,
    memory: float | None,
    json_file: str | None,
    page: str | None,
    replace: bool,
) -> None:
    """Which verdicts of many setups would change? All setups in folders, or those that are named.

    \b
    With --machine, --nozzles or --margins: before is as the files are, now is with that.
    Without: before is as approved, or at the end of the last whole run.

    Exit codes: 0 no verdict is worse, 1 one is (or, with nothing otherwise, one is not clear), 3 one could
    not be judged.
    """
    from clearance.archive.question import Otherwise, exit_code
    from clearance.archive.recheck import asked
    from clearance.archive.report import as_report, as_text
    from clearance.report.progress import Progress

    inputs = [each for each in (*places, machine, margins) if each and os.path.isfile(each)]
    _check_pages(json_file, page, inputs, replace, "is named for the rows and for the page")
    otherwise = Otherwise(machine, nozzles, margins)
    with Progress(sys.stderr) as progress:
        rows = list(
            asked(
                places, otherwise,
                fresh=fresh, scheduler=scheduler, workers=workers, seconds=seconds, memory=memory,
                progress=progress, say=say_aside,
            )
        )  # fmt: skip
    if json_file != "-":
        say(as_text(rows, otherwise, width()))
    if json_file is not None:
        write_answer(as_report(rows, otherwise), json_file)
    if page is not None:
        from clearance.archive.report import write_page

        write_page(rows, otherwise, page)
        say_written(page, json_file)
    context.exit(exit_code(rows, bool(otherwise)))
