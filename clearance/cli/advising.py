"""``raise``, ``placement`` and ``keepout``: a setup goes in; what would be clear, or stays so, comes out."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

import click

from clearance.cli.common import (
    EXIT_CODES,
    check_targets,
    commands,
    judged,
    loaded,
    measuring,
    mounting,
    replacing,
    say,
    say_result,
    spare,
    spare_inputs,
    width,
    with_cures,
    write_answer,
    write_report,
)
from clearance.cli.trying import MM, raising, trying
from clearance.errors import InputError

if TYPE_CHECKING:
    from clearance.checking.result import Result

#: mm; no raise is longer
LONGEST = 2000.0


@commands.command("raise")
@click.argument("setup")
@measuring
@mounting
@trying
@click.option("--item", "items", multiple=True, metavar="NAME", help="Raise only this, with all on it.")
@click.option("--range", "within", nargs=2, type=MM, metavar="FROM TO", help="The raises that matter, mm.")
@click.option("--by", type=MM, metavar="MM", help="Check the setup as it is when raised by so much.")
@click.option("--json", "json_file", metavar="FILE", help="Write the answer as JSON; '-' is standard output.")
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
@click.argument("setup")
@measuring
@mounting
@trying
@raising
@click.option("--json", "json_file", metavar="FILE", help="Write the answer as JSON; '-' is standard output.")
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
@click.argument("setup")
@measuring
@mounting
@trying
@raising
@click.option("-o", "--output", "file", required=True, metavar="FILE", help="The drawing: .svg or .dxf.")
@click.option(
    "--kind",
    type=click.Choice(["laid", "holder"]),
    default="laid",
    help="Whose margins are in the zones: what is laid by hand (as it is), or holders.",
)
@click.option("--json", "json_file", metavar="FILE", help="Write the zones as JSON; '-' is standard output.")
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
    from clearance.files import check_writable
    from clearance.report.ours import check_replaceable

    check_targets(setup, json_file, None, replace)
    if not file.lower().endswith((".svg", ".dxf")):
        raise InputError(file, "", "a drawing is written as SVG or DXF", "end its name in .svg or .dxf")
    check_writable(file)
    if json_file is not None and os.path.realpath(json_file) == os.path.realpath(file):
        raise InputError(file, "", "is named for the zones and for the drawing", "name two files")
    spare(file, [setup])
    check_replaceable(file, replace)


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
