"""``raise``, ``placement``, ``keepout``, ``where``: a setup goes in; what would be clear comes out.

The answer is words, data and, of zones and places, a plan.
"""

from __future__ import annotations

import math
import os
import sys
from typing import TYPE_CHECKING

import click

from clearance.cli.common import (
    EXIT_CODES,
    check_targets,
    check_written,
    commands,
    json_option,
    judged,
    loaded,
    of_a_setup,
    replacing,
    say,
    say_aside,
    say_result,
    say_written,
    spare_inputs,
    width,
    with_cures,
    write_answer,
    write_report,
)
from clearance.cli.trying import MM, raising
from clearance.errors import InputError

if TYPE_CHECKING:
    from clearance.checking.result import Result


#: mm; no raise is longer
LONGEST = 2000.0


@commands.command("raise")
@of_a_setup
@click.option("--item", "items", multiple=True, metavar="NAME", help="Raise only this, with all on it.")
@click.option("--range", "within", nargs=2, type=MM, metavar="FROM TO", help="The raises that matter, mm.")
@click.option("--by", type=MM, metavar="MM", help="Check the setup as it is when raised by so much.")
@json_option("the answer")
@replacing
@click.pass_context
def raise_(
    context: click.Context,
    setup: str,
    items: tuple[str, ...],
    within: tuple[float, float] | None,
    by: float | None,
    json_file: str | None,
    replace: bool,
) -> None:
    """Which raises of the part zero clear everything?"""
    import clearance
    from clearance.advice.raises import find_raises, raised_by
    from clearance.report import advice
    from clearance.report.progress import Progress

    _check_lengths(by=by, within=within)
    check_targets(setup, json_file, None, replace)
    with Progress(sys.stderr) as progress:
        progress(0.0, "reading")
        scene = loaded(setup)
        spare_inputs(scene, [json_file])
        progress(0.0, "checking" if by is not None else "looking for raises")
        if by is not None:
            result: Result = clearance.check(raised_by(scene, items or None, by), progress=progress)
        else:
            answer = find_raises(scene, items or None, within)
    if by is not None:
        result = with_cures(result)
        if json_file != "-":
            say(f"Raised by {by:g} mm:")
            say_result(result)
        if json_file is not None:
            write_report(result, json_file)
        context.exit(EXIT_CODES[result.verdict])
    if json_file != "-":
        say(advice.raises_as_text(answer, width()))
    if json_file is not None:
        write_answer(advice.raises_as_report(answer), json_file)
    context.exit({"clear": 0, "none": 1, "undecided": 3}[answer.verdict])


@commands.command()
@of_a_setup
@raising
@json_option("the answer")
@replacing
@click.pass_context
def placement(context: click.Context, setup: str, json_file: str | None, replace: bool) -> None:
    """How far may the picked-up zero lie from the planned one?"""
    from clearance.advice.placement import find_placement
    from clearance.report import advice
    from clearance.report.progress import Progress

    check_targets(setup, json_file, None, replace)
    result = judged(setup, guarded=[json_file])
    with Progress(sys.stderr) as progress:
        progress(0.0, "looking how far it may be off")
        answer = find_placement(result)
    if json_file != "-":
        say(advice.placement_as_text(answer, width()))
    if json_file is not None:
        write_answer(advice.placement_as_report(answer), json_file)
    context.exit(EXIT_CODES[answer.verdict])


@commands.command()
@of_a_setup
@raising
@click.option("-o", "--output", "file", required=True, metavar="FILE", help="The drawing: .svg or .dxf.")
@click.option(
    "--kind",
    type=click.Choice(["laid", "holder"]),
    default="laid",
    help="Whose margins are in the zones: what is laid by hand (as it is), or holders.",
)
@json_option("the zones")
@replacing
def keepout(setup: str, file: str, kind: str, json_file: str | None, replace: bool) -> None:
    """Where may no clamp stand, and up to which height?"""
    from clearance.advice.keepout import find_keepout
    from clearance.files import write_whole
    from clearance.report import keepout as words
    from clearance.report.progress import Progress

    _check_drawing(setup, file, json_file, replace)
    with Progress(sys.stderr) as progress:
        progress(0.0, "reading")
        scene = loaded(setup)
        spare_inputs(scene, [file, json_file])
        progress(0.0, "drawing")
        found = find_keepout(scene, kind)
    title = f"Keep-out: {scene.title or os.path.basename(setup)}"
    if file.lower().endswith(".svg"):
        from clearance.report.keepout import drawing
    else:
        from clearance.report.keepout import drawing_keepout_dxf as drawing
    write_whole(file, drawing(found, title))
    if json_file != "-":
        say(words.as_text(found, file, width()))
    if json_file is not None:
        write_answer(words.as_report(found, file), json_file)


def _check_drawing(setup: str, file: str, json_file: str | None, replace: bool) -> None:
    check_targets(setup, json_file, None, replace)
    if not file.lower().endswith((".svg", ".dxf")):
        raise InputError(file, "", "a drawing is written as SVG or DXF", "end its name in .svg or .dxf")
    check_written(file, [setup], replace, json_file, "is named for the zones and for the drawing")


def _check_lengths(by: float | None, within: tuple[float, float] | None) -> None:
    """Numbers on the command line that are none, or the wrong way round."""
    import math

    if by is not None and within is not None:
        raise InputError(None, "--by", "goes with no --range: it asks about one raise", "give one of them")
    for option, values in (("--by", (by,)), ("--range", within or ())):
        for value in values:
            if value is not None and not (math.isfinite(value) and abs(value) <= LONGEST):
                raise InputError(None, option, f"{value} is no length", f"mm, within {LONGEST:g}")
    if within is not None and within[0] > within[1]:
        found = f"it runs from {within[0]:g} down to {within[1]:g}"
        raise InputError(None, "--range", found, "give FROM, then TO")


#: mm; nobody is off by more
FARTHEST = 1000.0

EXIT = {"places": 0, "nowhere": 1, "undecided": 3}


@commands.command()
@of_a_setup
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
@json_option("the answer")
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
        from clearance.report.where_drawing import drawing

        write_whole(file, drawing(answer, scene.title or os.path.basename(setup), file))
    if json_file != "-":
        say(words.as_text(answer, width()))
    if file is not None:
        say_written(file, json_file)
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
    check_targets(setup, json_file, None, replace)
    if file is None:
        return
    if not file.lower().endswith((".svg", ".png", ".dxf")):
        found, want = "a plan is written as SVG, PNG or DXF", "end its name in .svg, .png or .dxf"
        raise InputError(file, "", found, want)
    check_written(file, [setup], replace, json_file, "is named for the answer and for the plan")
