"""A result goes in; a PNG comes out, or a window opens to turn it about in, until it is closed.

A child process draws, for VTK ends its process where it finds no OpenGL.
"""

from __future__ import annotations

import os
import pickle
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from clearance import child
from clearance.checking.result import Result
from clearance.errors import CannotDraw, InputError, to_install
from clearance.files import check_writable, write_whole
from clearance.parallel import CannotStart, Child
from clearance.view.description import Drawing
from clearance.view.drawing import describe

if TYPE_CHECKING:
    from clearance.advice.raises import RaiseAnswer

#: the function that draws, in a process of its own
RENDERER = "clearance.view.render:main"
PATIENCE_S = 180.0

WHAT_TO_INSTALL = {
    "linux": "it needs OpenGL; on Debian or Ubuntu: apt-get install libegl1 libgl1-mesa-dri; "
    "on Fedora: dnf install mesa-libEGL mesa-dri-drivers",
    "darwin": "it needs OpenGL and a session that is logged in to the screen",
    "win32": "it needs OpenGL 3.2; install the graphics card's own driver, "
    "or put Mesa's opengl32.dll beside python.exe",
}


def draw(
    result: Result,
    file: str | Path,
    *,
    view: str = "iso",
    size: tuple[int, int] = (1600, 1200),
    ground: str = "white",
    after: str | None = None,
) -> None:
    """Draw a result to a PNG file.

    Args:
        result: what ``clearance.check`` answered.
        file: where the picture goes; it is there whole or not at all.
        view: one of ``clearance.view.drawing.VIEWS``.
        size: (width, height) in pixels, each 320 to 6000.
        ground: "white", or "transparent".
        after: of a cut, a stop or a state: what stands there then is drawn.

    Raises:
        InputError: the view, the size, the ground, the name or the place to write to is wrong.
        CannotDraw: no OpenGL is to be had; the message says what to install.
    """
    target = _writable(file)
    # the process that draws gets ready while the picture is described
    with Renderer() as renderer:
        png = renderer.picture(describe(result, view, size, ground, after))
    write_whole(target, png)


def draw_description(drawing: Drawing, target: str | Path) -> None:
    """Draw a description, see ``draw``.

    Args:
        drawing: with panels.   target: the PNG file.
    """
    with Renderer(drawing) as renderer:
        write_whole(target, renderer.picture())


class Renderer:
    """A process that draws one picture. Leaving the block ends it.

    Args:
        drawing: what to draw, where that is known already and something else is to be done meanwhile.

    Raises:
        CannotDraw: it cannot be started.
    """

    def __init__(self, drawing: Drawing | None = None) -> None:
        self._request = None if drawing is None else pickle.dumps(drawing, protocol=5)
        self._child = self._started(environments(sys.platform, os.environ)[0])

    def picture(self, drawing: Drawing | None = None) -> bytes:
        """The PNG file's bytes; ``drawing`` is what to draw, where it was not known before.

        Raises:
            CannotDraw: no OpenGL is to be had; the message says what to install.
        """
        if self._request is None:
            self._request = pickle.dumps(drawing, protocol=5)
        reason = ""
        for k, environment in enumerate(environments(sys.platform, os.environ)):
            if k:
                self._child = self._started(environment)
            ended = self._child.finish(self._request, PATIENCE_S)
            if ended.code is None:
                reason = f"drawing took longer than {PATIENCE_S:.0f} s"
                continue
            if ended.code == 0 and ended.answer:
                return ended.answer
            if ended.code == child.REFUSED:
                reason = ended.answer.decode("utf-8", "replace")
                if reason.startswith(("ModuleNotFoundError", "ImportError")):
                    raise CannotDraw(f"no picture: {reason}; install it:  {to_install('pyvista')}")
                if not reason.startswith("EmptyPicture"):
                    raise CannotDraw(f"no picture: {reason}; this is a defect of this tool, please report it")
            reason = "the graphics library found no OpenGL to draw with"
        system = "linux" if sys.platform.startswith("linux") else sys.platform
        raise CannotDraw(f"no picture: {reason}; {WHAT_TO_INSTALL.get(system, WHAT_TO_INSTALL['linux'])}")

    def _started(self, environment: dict[str, str]) -> Child:
        try:
            return Child(RENDERER, environment=environment, given=self._request)
        except CannotStart as error:
            raise CannotDraw(f"no picture: {error}") from None

    def __enter__(self) -> Renderer:
        return self

    def __exit__(self, *_: object) -> None:
        self._child.end()


def environments(platform: str, environ: Mapping[str, str]) -> list[dict[str, str]]:
    """The environments to try in turn: on Linux with no display, or with one that does not answer, VTK is
    told to draw without a window system; elsewhere it knows by itself.

    Args:
        platform: as ``sys.platform`` has it.   environ: this process's own.
    """
    own = dict(environ)
    if not platform.startswith("linux") or "VTK_DEFAULT_OPENGL_WINDOW" in own:
        return [own]
    windowless = {**own, "VTK_DEFAULT_OPENGL_WINDOW": "vtkEGLRenderWindow"}
    return [own, windowless] if own.get("DISPLAY") else [windowless]


def _writable(file: str | Path) -> Path:
    target = Path(file)
    if target.suffix.lower() != ".png":
        raise InputError(file, "", "a picture is written as PNG", "a name that ends in .png")
    check_writable(target)
    return target


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
    from clearance.view.handling import Handling
    from clearance.view.moments import going
    from clearance.view.raised import Raised

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
    """Whether a window can be asked for: elsewhere than on Linux the system has its own.

    Args:
        platform: as ``sys.platform`` has it.   environ: this process's own.
    """
    return not platform.startswith("linux") or bool(environ.get("DISPLAY"))
