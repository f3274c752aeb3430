"""A result goes in; a window to turn it about in opens, and this returns when it is closed.

The window is a process of its own, like the picture, for the graphics library ends its process where it
cannot open one.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import tempfile
from collections.abc import Mapping
from pathlib import Path

from clearance.advice.raises import RaiseAnswer
from clearance.checking.result import Result
from clearance.errors import CannotDraw
from clearance.view.drawing import describe
from clearance.view.handling import Handling
from clearance.view.picture import WHAT_TO_INSTALL
from clearance.view.raised import Raised

#: the program that opens the window; it is run by its path, with the Python that runs this
WINDOW = Path(__file__).with_name("window_child.py")
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
    drawing, handling = describe(result), Handling(result, Raised(result, answer))
    with tempfile.TemporaryDirectory(prefix="clearance-") as folder:
        with (Path(folder) / "window.pickle").open("wb") as f:
            pickle.dump((drawing, handling, name), f, protocol=5)
        command = [sys.executable, "-P", str(WINDOW), folder, str(WINDOW.parents[2])]
        done = subprocess.run(command, capture_output=True, stdin=subprocess.DEVNULL)
        told = Path(folder) / "error.txt"
        if told.is_file():
            raise CannotDraw(f"no window: {told.read_text(encoding='utf-8')}; {INSTEAD}")
        if done.returncode != 0:
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
