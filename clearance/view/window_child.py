"""A pickled ``Drawing`` and ``Handling`` go in; a window shows them until it is closed. Run as a child, see
``picture.py``.
"""

from __future__ import annotations

import os
import pickle
from pathlib import Path

from clearance.child import Refused
from clearance.view.window_scene import Window

#: exit code where the display does not answer
NO_SCREEN = 4


def on_screen(kind: str) -> bool:
    """Whether a window of the graphics library's ``kind`` is one to look at: where no display answers, it
    quietly takes one that is none."""
    return "EGL" not in kind and "OSOpenGL" not in kind


def main(request: bytes) -> bytes:
    """Show what the request describes: drawing, handling, the name of pictures that are saved, and their
    folder. Where no display answers, the process ends with NO_SCREEN.

    Raises:
        Refused: with what went wrong.
    """
    try:
        drawing, handling, name, folder = pickle.loads(request)
        window = Window(drawing, handling, Path(folder), name)
        if not on_screen(window.plotter.render_window.GetClassName()):
            os._exit(NO_SCREEN)
        window.plotter.show()
    except Exception as err:
        raise Refused(f"{type(err).__name__}: {err}") from None
    return b""
