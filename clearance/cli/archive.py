"""``recheck``: folders of setups go in, which of their verdicts would change comes out."""

from __future__ import annotations

import os
import sys

import click

from clearance.cli.common import commands, replacing, say, say_aside, spare, width, write_answer
from clearance.errors import InputError


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
    "--workers", type=click.IntRange(1, 1024), metavar="N", help="So many at once; one for each core."
)
@click.option("--seconds", type=click.FloatRange(1, 1e6), metavar="S", help="What one setup may take; 600.")
@click.option("--memory", type=click.FloatRange(0.5, 1e5), metavar="GB", help="What one setup may take; 4.")
@click.option("--json", "json_file", metavar="FILE", help="Write the rows as JSON; '-' is standard output.")
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
    from clearance.archive.telling import as_report, as_text
    from clearance.report.progress import Progress

    _check_targets(json_file, page, replace, [*places, *(each for each in (machine, margins) if each)])
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
        from clearance.archive.telling import write_page

        write_page(rows, otherwise, page)
    context.exit(exit_code(rows, bool(otherwise)))


def _check_targets(json_file: str | None, page: str | None, replace: bool, inputs: list[str]) -> None:
    """Refuse what cannot be written, or would be lost, before time is spent."""
    from clearance.files import check_writable
    from clearance.report.ours import check_replaceable

    for file in (json_file, page):
        if file is not None:
            check_writable(file)
            if file != "-":
                spare(file, [each for each in inputs if os.path.isfile(each)])
            check_replaceable(file, replace)
    if page is not None and not page.lower().endswith((".html", ".htm")):
        raise InputError(page, "", "a page is written as HTML", "end its name in .html")
    if page is not None and json_file is not None and os.path.realpath(page) == os.path.realpath(json_file):
        raise InputError(page, "", "is named for the rows and for the page", "name two files")
