"""The command that the others belong to, and the exit codes: a verdict goes in, a number comes out."""

from __future__ import annotations

import click

from clearance import __version__

EXIT_CODES = {"clear": 0, "close": 1, "clash": 1, "undecided": 3}

#: no verdict: our defect, not the user's
DEFECT = 3
STOPPED = 130


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="clearance", message="%(prog)s %(version)s")
def commands() -> None:
    """Will the wire guide heads run free? Checks a wire-EDM setup before the path is released.

    \b
    Exit codes: 0 clear, or the question was answered; 1 not clear; 2 the command line or a file is
    wrong; 3 could not be decided.
    """
