"""``try``: a setup goes in; a page on this computer comes out, on which it is moved about."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

import click

from clearance.cli.common import commands, measuring, mounting, say
from clearance.errors import InputError

if TYPE_CHECKING:
    from clearance.scene.model import Scene


@commands.command(name="try")
@click.argument("setup")
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Listen there; one that is free.")
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
        raise InputError(None, "try", found, 'install it:  pip install "clearance[live]"') from None
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
