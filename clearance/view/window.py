"""A result goes in; a window to turn it about in opens, and this returns when it is closed.

The window is a process of its own, like the picture, for the graphics library ends its process where it
cannot open one.
"""

from __future__ import annotations

import os
import pickle
import sys
from collections.abc import Mapping

from clearance import child
from clearance.advice.raises import RaiseAnswer
from clearance.checking.result import Result
from clearance.errors import CannotDraw
from clearance.parallel import CannotStart, Child
from clearance.view.drawing import describe
from clearance.view.going import going
from clearance.view.handling import Handling
from clearance.view.picture import WHAT_TO_INSTALL
from clearance.view.raised import Raised

#: the function that opens the window, in a process of its own
WINDOW = "clearance.view.window_child:main"
INSTEAD = "clearance picture SETUP -o FILE.png draws the same to a file"


def show(result: Result, answer: RaiseAnswer, name: str) -> None:
    """Show a result in a window, and return when it is closed.

    Args:
        result: what ``clearance.check`` answered.
        answer: what ``find_raises`` answered about the same scene.
        name: pictures that are saved in the window are called so, with a number, in the current folder.

    Raises:
        CannotDraw: there is no display, or no OpenGL on it.
    """
    if not has_display(sys.platform, os.environ):
        raise CannotDraw(f"no window: there is no display here; {INSTEAD}")
    drawing, gone = going(result, describe(result))
    handling = Handling(result, Raised(result, answer), gone)
    request = pickle.dumps((drawing, handling, name, os.getcwd()), protocol=5)
    try:
        with Child(WINDOW) as window:
            # it is looked at as long as it is looked at
            ended = window.finish(request)
    except CannotStart as error:
        raise CannotDraw(f"no window: {error}; {INSTEAD}") from None
    if ended.code == child.REFUSED:
        raise CannotDraw(f"no window: {ended.answer.decode('utf-8', 'replace')}; {INSTEAD}")
    if ended.code != 0:
        system = "linux" if sys.platform.startswith("linux") else sys.platform
        # a window draws through X and not through EGL
        need = WHAT_TO_INSTALL.get(system, WHAT_TO_INSTALL["linux"])
        need = need.replace("libegl1", "libgl1").replace("mesa-libEGL", "mesa-libGL")
        raise CannotDraw(
            f"no window: the display does not answer, or has no OpenGL to draw with; {need}; {INSTEAD}"
        )


def has_display(platform: str, environ: Mapping[str, str]) -> bool:
    """Whether a window can be asked for: elsewhere than on Linux the system has its own."""
    return not platform.startswith("linux") or bool(environ.get("DISPLAY"))
