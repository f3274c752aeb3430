"""``check``, ``picture``, ``sheet``, ``view``, ``try``: a setup goes in; report or picture comes out."""

from __future__ import annotations

import os
import re
import sys
import textwrap
from typing import TYPE_CHECKING, Any

import click

from clearance.cli.common import (
    EXIT_CODES,
    check_targets,
    check_written,
    commands,
    draw_picture,
    json_option,
    judged,
    keep_tried,
    measuring,
    mounting,
    of_a_setup,
    replacing,
    say,
    say_error,
    say_nozzles,
    say_result,
    say_written,
    width,
    with_comparison,
    with_cures,
    with_every_nozzle,
    write_report,
)
from clearance.cli.numbers import WholeBetween
from clearance.cli.trying import raising, refuse_write_of_nothing
from clearance.errors import CannotDraw, InputError, to_install

if TYPE_CHECKING:
    from clearance.scene.model import Scene


@commands.command()
@of_a_setup
@raising
@json_option("the report")
@click.option("--moves", is_flag=True, help="Measure every move, for the JSON report.")
@click.option("--picture", "picture_file", metavar="FILE.png", help="Draw the place with the least to spare.")
@click.option("--every-nozzle", "every", is_flag=True, help="Which sets of nozzles clear this job? A table.")
@click.option("--write", is_flag=True, help="Write what is tried into SETUP; its comments and layout stay.")
@replacing
@click.pass_context
def check(
    context: click.Context,
    setup: str,
    json_file: str | None,
    moves: bool,
    picture_file: str | None,
    every: bool,
    write: bool,
    replace: bool,
) -> None:
    """May this cut path run?"""
    refuse_write_of_nothing(write)
    check_targets(setup, json_file, picture_file, replace)
    result = judged(setup, moves=moves, guarded=[json_file, picture_file])
    if every:
        result = with_every_nozzle(result)
    result = with_comparison(result)
    if write:
        keep_tried(result.scene)
    if not every:
        result = with_cures(result)
    if json_file != "-":
        say_nozzles(result) if every else say_result(result)
    if json_file is not None:
        write_report(result, json_file)
    if picture_file is not None:
        try:
            draw_picture(result, picture_file)
            say_written(picture_file, json_file)
        except CannotDraw as error:
            say_error(error)
    context.exit(EXIT_CODES[result.verdict])


@commands.command()
@of_a_setup
@raising
@click.option(
    "-o", "--output", "picture_file", required=True, metavar="FILE.png", help="The picture to write."
)
@click.option("--view", metavar="NAME", help="Where to look from; a wrong name lists them all.")
@click.option("--size", metavar="WxH", help="Width and height in pixels, 1600x1200 say.")
@click.option("--ground", metavar="NAME", help="What it stands on: white, or transparent.")
@click.option("--after", metavar="NAME", help="As it stands after a cut or stop; a wrong name lists them.")
@replacing
def picture(
    setup: str,
    picture_file: str,
    view: str | None,
    size: str | None,
    ground: str | None,
    after: str | None,
    replace: bool,
) -> None:
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
    if after is not None:
        options["after"] = after
    check_targets(setup, None, picture_file, replace)
    result = judged(setup, guarded=[picture_file])
    draw_picture(result, picture_file, **options)
    say_written(picture_file)


def _size(text: str) -> tuple[int, int]:
    match = re.fullmatch(r"(\d{1,9})[xX](\d{1,9})", text.strip())
    if match is None:
        raise InputError(None, "--size", f"{text!r} is no size", "width x height in pixels, 1600x1200 say")
    return int(match[1]), int(match[2])


@commands.command()
@of_a_setup
@raising
@click.option("-o", "--output", "file", required=True, metavar="FILE.html", help="The sheet to write.")
@replacing
def sheet(setup: str, file: str, replace: bool) -> None:
    """The setup sheet: what to fetch, where it goes, what to set; one file for screen and paper.

    It opens by a double click, with no network. Print it from the browser.
    """
    from clearance.report.progress import Progress
    from clearance.report.sheet.page import check_name, write_sheet
    from clearance.report.terminal import verdict_sentence

    check_name(file)
    check_written(file, [setup], replace)
    result = with_cures(judged(setup, guarded=[file]))
    with Progress(sys.stderr) as progress:
        progress(0.0, "writing the sheet")
        write_sheet(result, file)
    say(textwrap.fill(verdict_sentence(result), max(width(), 60)))
    say_written(file)


@commands.command()
@of_a_setup
@raising
def view(setup: str) -> None:
    """Turn the setup about, raise it, step along the path.

    \b
    The first slider raises the part zero: verdict and clearances at each raise.
    The second one, and the keys left and right, run the heads along the path.
    Click an item for its clearances; s saves the picture here; q closes.
    """
    from clearance.view.picture import INSTEAD, has_display

    if not has_display(sys.platform, os.environ):
        raise CannotDraw(f"no window: there is no display here; {INSTEAD}")
    result = judged(setup)
    from clearance.advice.raises import find_raises
    from clearance.report.progress import Progress
    from clearance.view.picture import show
    from clearance.view.raised import LEAST_RANGE, no_raises

    with Progress(sys.stderr) as progress:
        progress(0.0, "looking for raises")
        try:
            # on a taper each raise is looked at on its own: as many as a person packs up, and no more
            leaning = any(s.upper_moves is not None for s in result.scene.stretches)
            answer = find_raises(result.scene, within=(0.0, LEAST_RANGE) if leaning else None, job=False)
        except InputError:
            # no raise keeps within the travel: there is still something to turn about
            answer = no_raises()
    show(result, answer, os.path.splitext(os.path.basename(setup))[0])


@commands.command(name="try")
@click.argument("setup")
@click.option("--port", type=WholeBetween(0, 65535), default=0, help="Listen there; one that is free.")
@click.option("--no-browser", "quiet", is_flag=True, help="Only say where the page is.")
@measuring
@mounting
def try_(setup: str, port: int, quiet: bool) -> None:
    """What if I move this? A live page on this computer.

    \b
    Take hold of an item and see every clearance follow; at rest the whole job is judged.
    Nobody else on the network can see the page. Ctrl-C ends it.
    """
    try:
        from clearance.live.server import serve
    except ModuleNotFoundError as error:
        if error.name != "aiohttp":
            raise
        found = "the page needs a library that is not installed"
        raise InputError(None, "try", found, f"install it:  {to_install('clearance[live]')}") from None
    import clearance
    from clearance import parallel
    from clearance.cli.common import asked_for
    from clearance.live.desk import Desk
    from clearance.report.progress import Progress

    measured, coverage = asked_for()
    nozzles = click.get_current_context().meta.get("clearance.nozzles")

    def read(file: str) -> Scene:
        return clearance.load(file, measured=measured, coverage=coverage, nozzles=nozzles)

    with Progress(sys.stderr) as progress:
        progress(0.0, "reading")
        scene = read(setup)
        progress(0.5, "measuring")
        # threads of the browser's starter may run from here on: nothing is forked any more
        with parallel.processes(False):
            desk = Desk(scene, read)

    def ready(address: str) -> None:
        say(f"{scene.title or setup}: the page is at\n  {address}\nCtrl-C ends it.")
        sys.stdout.flush()
        if not quiet:
            _show(address)

    with parallel.processes(False):
        serve(desk, port, ready)


def _show(address: str) -> None:
    """Open the page in the user's browser, where there is a screen."""
    from clearance.view.picture import has_display

    if not has_display(sys.platform, os.environ):
        return
    import webbrowser

    try:
        webbrowser.open(address)
    except (OSError, webbrowser.Error):
        # the address is told: it can be opened by hand
        return
