"""A result goes in, a PNG comes out.

A child process draws it, for VTK ends its process where it finds no OpenGL.
"""

from __future__ import annotations

import os
import pickle
import subprocess
import sys
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path

from clearance.checking.result import Result
from clearance.errors import CannotDraw, InputError
from clearance.view.description import Drawing
from clearance.view.drawing import describe

#: the program that draws; it is run by its path, with the Python that runs this
RENDERER = Path(__file__).with_name("render.py")
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
) -> None:
    """Draw a result to a PNG file.

    Args:
        result: what ``clearance.check`` answered.
        file: where the picture goes; it is there whole or not at all.
        view: one of ``clearance.view.drawing.VIEWS``.
        size: (width, height) in pixels, each 320 to 6000.
        ground: "white", or "transparent".

    Raises:
        InputError: the view, the size, the ground or the place to write to is wrong.
        CannotDraw: no OpenGL is to be had; the message says what to install.
    """
    target = _writable(file)
    _draw(lambda: describe(result, view, size, ground), target)


def draw_description(drawing: Drawing, target: Path) -> None:
    """Draw a description, see ``draw``."""
    _draw(lambda: drawing, target)


def _draw(make: Callable[[], Drawing], target: Path) -> None:
    """Draw what ``make`` returns; the process that draws gets ready meanwhile."""
    with tempfile.TemporaryDirectory(prefix="clearance-") as folder:
        place = Path(folder)
        first = _started(place, environments(sys.platform, os.environ)[0])
        try:
            drawing = make()
        except BaseException:
            first.kill()
            first.communicate()
            raise
        with (place / "drawing.pickle").open("wb") as f:
            pickle.dump(drawing, f, protocol=5)
        _drawn(place, first)
        part = target.with_name(f".{target.name}.{os.getpid()}.part")
        try:
            part.write_bytes((place / "picture.png").read_bytes())
            os.replace(part, target)
        except OSError as err:
            raise _cannot_write(target, err) from None
        finally:
            part.unlink(missing_ok=True)


def environments(platform: str, environ: Mapping[str, str]) -> list[dict[str, str]]:
    """The environments to try in turn: on Linux with no display, or with one that does not answer, VTK is
    told to draw without a window system; elsewhere it knows by itself."""
    own = dict(environ)
    if not platform.startswith("linux") or "VTK_DEFAULT_OPENGL_WINDOW" in own:
        return [own]
    windowless = {**own, "VTK_DEFAULT_OPENGL_WINDOW": "vtkEGLRenderWindow"}
    return [own, windowless] if own.get("DISPLAY") else [windowless]


def _started(place: Path, environment: dict[str, str]) -> subprocess.Popen[bytes]:
    """The renderer on a folder; it begins when it is told so, or its standard input ends."""
    command = [sys.executable, "-P", str(RENDERER), str(place), str(RENDERER.parents[2])]
    pipe = subprocess.PIPE
    try:
        return subprocess.Popen(command, env=environment, stdin=pipe, stdout=pipe, stderr=pipe)
    except OSError as err:
        raise CannotDraw(
            f"no picture: {sys.executable} could not be started to draw it ({err.strerror})"
        ) from None


def _drawn(place: Path, first: subprocess.Popen[bytes]) -> None:
    """Run the renderer on a folder until a picture stands in it; ``first`` is the one that was started."""
    reason = ""
    for k, environment in enumerate(environments(sys.platform, os.environ)):
        child = first if k == 0 else _started(place, environment)
        try:
            child.communicate(b"draw\n", timeout=PATIENCE_S)
        except BaseException as err:
            child.kill()
            child.communicate()
            if not isinstance(err, subprocess.TimeoutExpired):
                raise
            reason = f"drawing took longer than {PATIENCE_S:.0f} s"
            continue
        if child.returncode == 0 and (place / "picture.png").is_file():
            return
        told = place / "error.txt"
        if told.is_file():
            reason = told.read_text(encoding="utf-8")
            if reason.startswith(("ModuleNotFoundError", "ImportError")):
                raise CannotDraw(f"no picture: {reason}; pip install pyvista")
            if not reason.startswith("EmptyPicture"):
                raise CannotDraw(f"no picture: {reason}; this is a defect of this program, please report it")
            told.unlink()
        reason = "the graphics library found no OpenGL to draw with"
    system = "linux" if sys.platform.startswith("linux") else sys.platform
    raise CannotDraw(f"no picture: {reason}; {WHAT_TO_INSTALL.get(system, WHAT_TO_INSTALL['linux'])}")


def _writable(file: str | Path) -> Path:
    target = Path(file)
    if target.suffix.lower() != ".png":
        raise InputError(file, "", "a picture is written as PNG", "a name that ends in .png")
    if target.is_dir():
        raise InputError(file, "", "this is a folder", "the name of a file to write")
    if not target.parent.is_dir():
        raise InputError(file, "", f"there is no folder {target.parent}", "a folder that is there")
    try:
        with tempfile.TemporaryFile(dir=target.parent):
            pass
    except OSError as err:
        raise _cannot_write(target, err) from None
    return target


def _cannot_write(target: Path, err: OSError) -> InputError:
    return InputError(target, "", f"cannot be written ({err.strerror})", "a place that may be written to")
