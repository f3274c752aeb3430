"""Runs by itself: a pickled ``Drawing`` and ``Handling`` in a folder go in, a window shows them until it is
closed.

A third argument after the folder and the import root, ``--picture``, draws one frame to ``window.png`` in the
folder instead: the same scene with no display.
"""

from __future__ import annotations

import os
import pickle
import sys
from pathlib import Path

if __name__ == "__main__" and len(sys.argv) > 2 and sys.argv[2] not in sys.path:
    sys.path.insert(0, sys.argv[2])

from clearance.view.window_scene import Window

#: exit code where the display does not answer
NO_SCREEN = 4


def on_screen(kind: str) -> bool:
    """Whether a window of the graphics library's ``kind`` is one to look at: where no display answers, it
    quietly takes one that is none."""
    return "EGL" not in kind and "OSOpenGL" not in kind


def main(folder: str, once: bool) -> int:
    """Show what the files in ``folder`` describe; 0, or 3 with a reason in ``error.txt``, or NO_SCREEN."""
    place = Path(folder)
    try:
        with (place / "window.pickle").open("rb") as f:
            drawing, handling, name = pickle.load(f)
        window = Window(drawing, handling, Path(os.getcwd()), name, off_screen=once)
        if once:
            window.plotter.screenshot(place / "window.png")
        elif not on_screen(window.plotter.render_window.GetClassName()):
            return NO_SCREEN
        else:
            window.plotter.show()
    except Exception as err:
        (place / "error.txt").write_text(f"{type(err).__name__}: {err}", encoding="utf-8")
        return 3
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], "--picture" in sys.argv[3:]))
