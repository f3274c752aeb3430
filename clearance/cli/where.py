"""``where``: a setup and items go in; where they may stand comes out, as words, data and a plan."""

from __future__ import annotations

import math
import os
import sys

import click

from clearance.cli.common import (
    check_targets,
    commands,
    loaded,
    measuring,
    mounting,
    replacing,
    say,
    say_aside,
    spare,
    spare_inputs,
    width,
    write_answer,
)
from clearance.cli.trying import MM, raising, trying
from clearance.errors import InputError

#: mm; nobody is off by more
FARTHEST = 1000.0

EXIT = {"places": 0, "nowhere": 1, "undecided": 3}


@commands.command()
@click.argument("setup")
@measuring
@mounting
@trying
@raising
@click.option(
    "--item", "items", multiple=True, required=True, metavar="NAME", help="Whose places; up to three."
)
@click.option("--on", "on", metavar="ITEM", help="As if it stood on this instead.")
@click.option("--least", type=MM, metavar="MM", help="By how much it must be allowed to be off; 2 by hand.")
@click.option(
    "--turns",
    nargs=2,
    type=MM,
    metavar="FROM TO",
    help="Degrees by which it may be turned from how it stands.",
)
@click.option(
    "--with-any", "any_of", metavar="A,B", help="Which of these holders would have a place instead?"
)
@click.option("-o", "--output", "file", metavar="FILE", help="A plan of the places: .svg, .png or .dxf.")
@click.option("--json", "json_file", metavar="FILE", help="Write the answer as JSON; '-' is standard output.")
@click.option("--write", is_flag=True, help="Write the best place into SETUP; its comments and layout stay.")
@replacing
@click.pass_context
def where(
    context: click.Context,
    setup: str,
    items: tuple[str, ...],
    on: str | None,
    least: float | None,
    turns: tuple[float, float] | None,
    any_of: str | None,
    file: str | None,
    json_file: str | None,
    write: bool,
    replace: bool,
) -> None:
    """Where may this item stand? Every place, and the best one."""
    from clearance.advice.where.several import find_where
    from clearance.files import write_whole
    from clearance.report import where as words
    from clearance.report.progress import Progress

    _check(items, on, least, turns, any_of, write)
    _check_plan(setup, file, json_file, replace)
    with Progress(sys.stderr) as progress:
        progress(0.0, "reading")
        scene = loaded(setup)
        spare_inputs(scene, [file, json_file])
        kinds = None if any_of is None else [each.strip() for each in any_of.split(",") if each.strip()]
        answer = find_where(scene, items, on=on, least=least, turns=turns, any_of=kinds, progress=progress)
    if file is not None:
        from clearance.report.where import drawing

        write_whole(file, drawing(answer, scene.title or os.path.basename(setup), file))
    if json_file != "-":
        say(words.as_text(answer, width()))
    if write and answer.verdict == "places":
        from clearance.scene.rewrite import write_tried

        there = answer.placed()
        if there is answer.scene:
            say_aside(f"{scene.setup_file} has the best place already; nothing was written")
        else:
            write_tried(there)
            say_aside(f"written into {scene.setup_file}")
    if json_file is not None:
        write_answer(words.as_report(answer), json_file)
    context.exit(EXIT[answer.verdict])


def _check(
    items: tuple[str, ...],
    on: str | None,
    least: float | None,
    turns: tuple[float, float] | None,
    any_of: str | None,
    write: bool,
) -> None:
    """What does not go together on the command line."""
    from clearance.advice.where.several import MOST

    if len(items) > MOST:
        raise InputError(None, "--item", f"{len(items)} items are named", f"up to {MOST} at once")
    if len(set(items)) < len(items):
        raise InputError(None, "--item", "an item is named twice", "each once")
    if on is not None and len(items) > 1:
        raise InputError(None, "--on", "goes with one item", "one --item")
    if any_of is not None and len(items) > 1:
        raise InputError(None, "--with-any", "goes with one item", "one --item")
    if any_of is not None and write:
        raise InputError(None, "--write", "does not go with --with-any, which only compares", "one of them")
    if least is not None and not (math.isfinite(least) and 0.0 <= least <= FARTHEST):
        raise InputError(None, "--least", f"{least:g} is no length", f"mm, from 0 to {FARTHEST:g}")
    if turns is not None and not all(math.isfinite(v) and abs(v) <= 360.0 for v in turns):
        raise InputError(None, "--turns", "no angles", "degrees, from -360 to 360")
    if turns is not None and turns[0] > turns[1]:
        found = f"they run from {turns[0]:g} down to {turns[1]:g}"
        raise InputError(None, "--turns", found, "give FROM, then TO")


def _check_plan(setup: str, file: str | None, json_file: str | None, replace: bool) -> None:
    from clearance.files import check_writable
    from clearance.report.ours import check_replaceable

    check_targets(setup, json_file, None, replace)
    if file is None:
        return
    if not file.lower().endswith((".svg", ".png", ".dxf")):
        raise InputError(
            file, "", "a plan is written as SVG, PNG or DXF", "end its name in .svg, .png or .dxf"
        )
    check_writable(file)
    if json_file is not None and os.path.realpath(json_file) == os.path.realpath(file):
        raise InputError(file, "", "is named for the answer and for the plan", "name two files")
    spare(file, [setup])
    check_replaceable(file, replace)
