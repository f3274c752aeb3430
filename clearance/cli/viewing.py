"""``view``: a setup goes in; a window to turn it about, raise it and step along the path opens."""

from __future__ import annotations

import os
import sys

import click

from clearance.cli.common import judged
from clearance.cli.group import commands


@commands.command()
@click.argument("setup")
def view(setup: str) -> None:
    """Turn the setup about, raise it, step along the path.

    \b
    The first slider raises the part zero: verdict and clearances at each raise.
    The second one, and the keys left and right, run the heads along the path.
    Click an item for its clearances; s saves the picture here; q closes.
    """
    from clearance.errors import CannotDraw, InputError
    from clearance.view.window import INSTEAD, has_display

    if not has_display(sys.platform, os.environ):
        raise CannotDraw(f"no window: there is no display here; {INSTEAD}")
    result = judged(setup)
    from clearance.advice.raises import find_raises
    from clearance.report.progress import Progress
    from clearance.view.raised import LEAST_RANGE, no_raises
    from clearance.view.window import show

    with Progress(sys.stderr) as progress:
        progress(0.0, "looking for raises")
        try:
            # on a taper each raise is looked at on its own: as many as a person packs up, and no more
            leaning = any(s.upper_moves is not None for s in result.scene.stretches)
            answer = find_raises(result.scene, within=(0.0, LEAST_RANGE) if leaning else None)
        except InputError:
            # no raise keeps within the travel: there is still something to turn about
            answer = no_raises()
    show(result, answer, os.path.splitext(os.path.basename(setup))[0])
