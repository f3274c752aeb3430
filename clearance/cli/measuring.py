"""``touch`` and ``measured``: a setup goes in, a form to fill in comes out; with it, how the part lies."""

from __future__ import annotations

import os
import sys

import click

from clearance.cli.common import (
    EXIT_CODES,
    check_targets,
    check_written,
    checked_coverage,
    commands,
    json_option,
    replacing,
    say,
    spare,
    spare_inputs,
    width,
    write_answer,
)
from clearance.errors import InputError


@commands.command()
@click.argument("setup")
@click.option("-o", "--output", "file", required=True, metavar="FORM.csv", help="The form to write.")
@click.option("--part", metavar="NAME", help="Which part; needed where there are several.")
@click.option("--at", "item", metavar="ITEM", help="Give the places in this item's frame, a pallet's say.")
@click.option(
    "--places", default="4,3,2", metavar="N,N,N", help="Places on the level face, a side, an end; 4,3,2."
)
@click.option("--tip", type=float, default=0.0, metavar="MM", help="Radius of the stylus's ball.")
@click.option("--dial", is_flag=True, help="A dial is zeroed at the first place of each face.")
@replacing
def touch(
    setup: str,
    file: str,
    part: str | None,
    item: str | None,
    places: str,
    tip: float,
    dial: bool,
    replace: bool,
) -> None:
    """Where to touch the part, to learn how it lies.

    Fill in the form beside the part; then ask: clearance measured.
    """
    import clearance
    from clearance.files import write_whole
    from clearance.measuring.places import frame_of, part_of, propose
    from clearance.pose.form import Form
    from clearance.report.measuring import form_as_bytes, form_as_text
    from clearance.report.progress import Progress

    counts = _counts(places)
    if not 0.0 <= tip <= 100.0:
        raise InputError(None, "--tip", f"{tip:g} is no radius of a ball", "mm, from 0 to 100")
    if not file.lower().endswith(".csv"):
        raise InputError(file, "", "a form is written as CSV", "end its name in .csv")
    check_written(file, [setup], replace)
    with Progress(sys.stderr) as progress:
        progress(0.0, "reading")
        scene = clearance.load(setup)
        spare_inputs(scene, [file])
        progress(0.0, "looking where to touch")
        body = part_of(scene, part)
        proposed = propose(scene, body, frame_of(scene, item), counts, dial)
    form = Form(proposed.rows, tip, item)
    write_whole(file, form_as_bytes(os.path.basename(setup), form))
    inch = (
        ("the form is in mm, though the setup is in inches: readings too",) if scene.units == "inch" else ()
    )
    say(form_as_text(form, (*proposed.said, *inch), file, width()))


@commands.command()
@click.argument("setup")
@click.argument("form", metavar="FORM.csv")
@click.option(
    "--coverage", type=float, metavar="K", help="Standard uncertainties by which allow grows; 3.55."
)
@click.option(
    "--lean", type=float, default=10.0, metavar="UM", help="Cut walls may lean by so many micrometres; 10."
)
@json_option("the answer")
@replacing
@click.pass_context
def measured(
    context: click.Context,
    setup: str,
    form: str,
    coverage: float | None,
    lean: float,
    json_file: str | None,
    replace: bool,
) -> None:
    """How the part lies, what to turn, and may the path run like that?"""
    from clearance.measuring.answer import find_measured
    from clearance.pose.fit import COVERAGE
    from clearance.report.measuring import as_report, as_text
    from clearance.report.progress import Progress
    from clearance.scene.measured import Asked

    k = checked_coverage(coverage)
    if not 0.0 <= lean <= 1e6:
        raise InputError(None, "--lean", f"{lean:g} is no lean of a wall", "micrometres, 0 or more")
    check_targets(setup, json_file, None, replace)
    if json_file is not None:
        spare(json_file, [form])
    with Progress(sys.stderr) as progress:
        answer = find_measured(setup, Asked(form, COVERAGE if k is None else k), lean, progress)
    spare_inputs(answer.measured.scene, [json_file])
    if json_file != "-":
        say(as_text(answer, width()))
    if json_file is not None:
        write_answer(as_report(answer), json_file)
    asked = (
        [answer.measured] if answer.after is None or not answer.needed else [answer.measured, answer.after]
    )
    context.exit(max(EXIT_CODES[one.verdict] for one in asked))


def _counts(text: str) -> tuple[int, int, int]:
    """Three whole numbers, 0 to 20."""
    words = text.split(",")
    if len(words) != 3 or not all(word.strip().isascii() and word.strip().isdigit() for word in words):
        want = "three whole numbers: on the level face, a side, an end; 4,3,2"
        raise InputError(None, "--places", f'"{text}"', want)
    a, b, c = (int(word) for word in words)
    if max(a, b, c) > 20 or a + b + c == 0:
        raise InputError(None, "--places", f'"{text}"', "at most 20 on each face, and one at least")
    return a, b, c
