"""``sheet``: a setup goes in, the setup sheet for the machine comes out as one HTML file."""

from __future__ import annotations

import sys

import click

from clearance.cli.common import judged, say, spare, with_cures, written
from clearance.cli.group import commands


@commands.command()
@click.argument("setup")
@click.option("-o", "--output", "file", required=True, metavar="FILE.html", help="The sheet to write.")
def sheet(setup: str, file: str) -> None:
    """The setup sheet: what to fetch, where it goes, what to set; one file for screen and paper.

    It opens by a double click, with no network. Print it from the browser.
    """
    from clearance.report.data import check_writable
    from clearance.report.progress import Progress
    from clearance.report.sheet.make import check_name, write_sheet
    from clearance.report.terminal import verdict_sentence

    check_name(file)
    check_writable(file)
    spare(file, [setup])
    result = with_cures(judged(setup, guarded=[file]))
    with Progress(sys.stderr) as progress:
        progress(0.0, "writing the sheet")
        written(file, lambda: write_sheet(result, file))
    say(verdict_sentence(result))
