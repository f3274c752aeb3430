"""``check`` and ``picture``: a setup goes in; a report and a picture come out."""

from __future__ import annotations

import re
from typing import Any

import click

from clearance.cli.common import (
    check_targets,
    draw_picture,
    judged,
    say_error,
    say_result,
    with_cures,
    write_report,
)
from clearance.cli.group import EXIT_CODES, commands
from clearance.errors import CannotDraw, InputError


@commands.command()
@click.argument("setup")
@click.option("--json", "json_file", metavar="FILE", help="Write the report as JSON; '-' is standard output.")
@click.option("--moves", is_flag=True, help="Measure every move, for the JSON report.")
@click.option("--picture", "picture_file", metavar="FILE.png", help="Draw the place with the least to spare.")
@click.pass_context
def check(
    context: click.Context, setup: str, json_file: str | None, moves: bool, picture_file: str | None
) -> None:
    """May this cut path run?"""
    check_targets(setup, json_file, picture_file)
    result = with_cures(judged(setup, moves=moves, guarded=[json_file, picture_file]))
    if json_file != "-":
        say_result(result)
    if json_file is not None:
        write_report(result, json_file)
    if picture_file is not None:
        try:
            draw_picture(result, picture_file)
        except CannotDraw as error:
            say_error(error)
    context.exit(EXIT_CODES[result.verdict])


@commands.command()
@click.argument("setup")
@click.option(
    "-o", "--output", "picture_file", required=True, metavar="FILE.png", help="The picture to write."
)
@click.option("--view", metavar="NAME", help="Where to look from; a wrong name lists them all.")
@click.option("--size", metavar="WxH", help="Width and height in pixels, 1600x1200 say.")
@click.option("--ground", metavar="NAME", help="What it stands on: white, or transparent.")
def picture(setup: str, picture_file: str, view: str | None, size: str | None, ground: str | None) -> None:
    """A picture for a setup document."""
    from clearance.view.drawing import VIEWS, checked_size
    from clearance.view.looks import GROUNDS

    options: dict[str, Any] = {}
    if view is not None:
        if view not in VIEWS:
            raise InputError(None, "--view", f"there is no view {view!r}", "one of " + ", ".join(VIEWS))
        options["view"] = view
    if size is not None:
        options["size"] = checked_size(_size(size))
    if ground is not None:
        if ground not in GROUNDS:
            raise InputError(None, "--ground", f"there is no ground {ground!r}", " or ".join(GROUNDS))
        options["ground"] = ground
    check_targets(setup, None, picture_file)
    result = judged(setup, guarded=[picture_file])
    draw_picture(result, picture_file, **options)


def _size(text: str) -> tuple[int, int]:
    match = re.fullmatch(r"(\d{1,9})[xX](\d{1,9})", text.strip())
    if match is None:
        raise InputError(None, "--size", f"{text!r} is no size", "width x height in pixels, 1600x1200 say")
    return int(match[1]), int(match[2])
