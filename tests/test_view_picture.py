"""The picture as a file: whole or not there, a message where there is no OpenGL, and drawn where it says."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from clearance.errors import CannotDraw, InputError
from clearance.view import looks, picture
from clearance.view.drawing import describe
from tests.view_scenes import plate_on_rails

INK_OF_CLASH = np.array(looks.VERDICT["clash"])


def pixels(file: Path) -> np.ndarray:
    from PIL import Image

    with Image.open(file) as im:
        return np.asarray(im.convert("RGB")).astype(int)


@pytest.mark.draws
def test_the_clash_is_marked_where_it_is(tmp_path: Path) -> None:
    """A mark in the colour of a clash, in both views of the sheet, at the pixel that the numbers say."""
    file = tmp_path / "place.png"
    result = plate_on_rails()
    picture.draw(result, file)
    drawing = describe(result)
    im = pixels(file)
    assert im.shape == (1200, 1600, 3)
    for panel in drawing.panels:
        x, y, _ = panel.camera.project(drawing.places[0].on_item)
        x, y = round(x) + panel.box[0], round(y) + panel.box[1]
        centre = im[y - 2 : y + 3, x - 2 : x + 3].reshape(-1, 3)
        assert np.abs(centre - INK_OF_CLASH).max(axis=1).min() < 25, panel.name
    assert sorted(os.listdir(tmp_path)) == ["place.png"]


@pytest.mark.draws
def test_bodies_are_drawn_where_the_numbers_say(tmp_path: Path) -> None:
    """From above, the pixels in the part's hue span exactly the plate's corners: lens and labels agree."""
    file = tmp_path / "top.png"
    from dataclasses import replace

    result = plate_on_rails()
    scene = replace(result.scene, stretches=(), bodies=result.scene.bodies[:1])
    bare = replace(result, scene=scene, pairs=(), cuts=(), moves=(), verdict="clear")
    picture.draw(bare, file, view="top", size=(800, 600))
    drawing = describe(bare, "top", (800, 600))
    im = pixels(file)[80:560].astype(float)
    tan = (im[..., 0] - im[..., 2] > 25) & (im[..., 0] > 120)
    assert tan.any()
    rows, cols = np.nonzero(tan)
    corners = drawing.panels[0].camera.project(np.array([[20.0, 190.0, 22.0], [180.0, 10.0, 22.0]]))
    assert cols.min() == pytest.approx(corners[0, 0], abs=2)
    assert cols.max() == pytest.approx(corners[1, 0], abs=2)
    assert rows.min() + 80 == pytest.approx(corners[0, 1], abs=2)
    assert rows.max() + 80 == pytest.approx(corners[1, 1], abs=2)


@pytest.mark.draws
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="OpenGL is taken away as on Linux")
def test_no_opengl_is_a_message_that_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Real: with no driver to be found the graphics library ends its process; ours goes on."""
    monkeypatch.delenv("DISPLAY", raising=False)
    for name in ("__EGL_VENDOR_LIBRARY_DIRS", "__EGL_VENDOR_LIBRARY_FILENAMES", "LIBGL_DRIVERS_PATH"):
        monkeypatch.setenv(name, str(tmp_path / "nowhere"))
    with pytest.raises(CannotDraw, match="apt-get install libegl1 libgl1-mesa-dri"):
        picture.draw(plate_on_rails(), tmp_path / "a.png", size=(400, 320))
    assert os.listdir(tmp_path) == []


def child(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: str) -> None:
    script = tmp_path / "scripts" / "one" / "two" / "child.py"
    script.parent.mkdir(parents=True)
    script.write_text(code, encoding="utf-8")
    monkeypatch.setattr(picture, "RENDERER", script)


@pytest.mark.parametrize("code", ["import os; os.abort()", "import sys; sys.exit(11)", "pass"])
def test_a_child_that_dies_is_a_message(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: str) -> None:
    child(tmp_path, monkeypatch, code)
    monkeypatch.setattr(picture.sys, "platform", "linux")
    with pytest.raises(CannotDraw, match=r"libegl1 libgl1-mesa-dri") as err:
        picture.draw(plate_on_rails(), tmp_path / "a.png")
    assert err.value.exit_code == 2
    assert sorted(os.listdir(tmp_path)) == ["scripts"]


def test_what_to_install_is_said_by_system(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    child(tmp_path, monkeypatch, "import os; os.abort()")
    monkeypatch.setattr(picture.sys, "platform", "win32")
    with pytest.raises(CannotDraw, match=r"opengl32\.dll"):
        picture.draw(plate_on_rails(), tmp_path / "a.png")


def test_a_missing_library_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    child(
        tmp_path,
        monkeypatch,
        "import sys, pathlib; told = pathlib.Path(sys.argv[1]) / 'error.txt'; "
        "told.write_text('ModuleNotFoundError: No module named pyvista'); sys.exit(3)",
    )
    with pytest.raises(CannotDraw, match="pip install pyvista"):
        picture.draw(plate_on_rails(), tmp_path / "a.png")


def test_a_child_that_never_ends_is_stopped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    child(tmp_path, monkeypatch, "import time; time.sleep(60)")
    monkeypatch.setattr(picture, "PATIENCE_S", 0.3)
    began = time.perf_counter()
    with pytest.raises(CannotDraw, match="longer than"):
        picture.draw(plate_on_rails(), tmp_path / "a.png")
    assert time.perf_counter() - began < 20


def test_an_old_picture_outlives_a_failure(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    file = tmp_path / "a.png"
    file.write_bytes(b"old")
    child(tmp_path, monkeypatch, "import os; os.abort()")
    with pytest.raises(CannotDraw):
        picture.draw(plate_on_rails(), file)
    assert file.read_bytes() == b"old"


def test_the_file_is_put_in_place_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    child(
        tmp_path,
        monkeypatch,
        "import sys, pathlib; (pathlib.Path(sys.argv[1]) / 'picture.png').write_bytes(b'new')",
    )
    file = tmp_path / "a.png"
    picture.draw(plate_on_rails(), file)
    assert file.read_bytes() == b"new"
    assert sorted(os.listdir(tmp_path)) == ["a.png", "scripts"]


@pytest.mark.parametrize(
    ("name", "words"),
    [("a.jpg", "PNG"), ("nowhere/a.png", "no folder"), (".", "PNG"), ("folder.png", "a folder")],
)
def test_a_place_that_cannot_be_written_is_told_before_drawing(tmp_path: Path, name: str, words: str) -> None:
    (tmp_path / "folder.png").mkdir()
    with pytest.raises(InputError, match=words):
        picture.draw(plate_on_rails(), tmp_path / name)


def test_windowless_drawing_is_asked_for_only_where_it_is_needed() -> None:
    egl = {"VTK_DEFAULT_OPENGL_WINDOW": "vtkEGLRenderWindow"}
    assert picture.environments("linux", {"A": "1"}) == [{"A": "1", **egl}]
    assert picture.environments("linux", {"DISPLAY": ":0"}) == [{"DISPLAY": ":0"}, {"DISPLAY": ":0", **egl}]
    assert picture.environments("linux", {"VTK_DEFAULT_OPENGL_WINDOW": "x"}) == [
        {"VTK_DEFAULT_OPENGL_WINDOW": "x"}
    ]
    assert picture.environments("win32", {}) == [{}]
    assert picture.environments("darwin", {"A": "1"}) == [{"A": "1"}]
