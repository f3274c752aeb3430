"""The picture as a file: whole or not there, a message where there is no OpenGL, and drawn where it says."""

from __future__ import annotations

import os
import re
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from clearance import cli
from clearance.errors import CannotDraw, InputError
from clearance.view import looks, picture
from clearance.view.description import Shape, look_at
from clearance.view.drawing import describe
from tests.view_scenes import block, plate_on_rails

INK_OF_CLASH = np.array(looks.VERDICT["clash"])


def pixels(file: Path) -> np.ndarray:
    from PIL import Image

    with Image.open(file) as im:
        return np.asarray(im.convert("RGB")).astype(int)


@pytest.mark.draws
@pytest.mark.slow
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
@pytest.mark.slow
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
@pytest.mark.slow
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
    script = tmp_path / "scripts" / "stand_in.py"
    script.parent.mkdir(parents=True)
    script.write_text(
        f"from clearance.child import Refused\ndef main(request):\n    {code}\n", encoding="utf-8"
    )
    monkeypatch.syspath_prepend(script.parent)
    monkeypatch.setattr(sys, "dont_write_bytecode", True)
    monkeypatch.setattr(picture, "RENDERER", "stand_in:main")


@pytest.mark.few(1)
@pytest.mark.parametrize("code", ["import os; os.abort()", "import sys; sys.exit(11)", "return b''"])
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
        "raise Refused('ModuleNotFoundError: No module named pyvista')",
    )
    with pytest.raises(CannotDraw, match=re.escape(f'{sys.executable} -m pip install "pyvista"')):
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
    child(tmp_path, monkeypatch, "return b'new'")
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


@pytest.mark.draws
@pytest.mark.slow
def test_a_section_through_shells_that_stand_on_another_is_whole(tmp_path: Path) -> None:
    """Two blocks, one on the other, cut level through the upper one: its underside, seen from inside, lies in
    the lower one's top. Every pixel of the cut face is the face's own colour or its hatching."""
    from dataclasses import replace

    file = tmp_path / "stack.png"
    blocks = [block((-40.0, 40.0), (-40.0, 40.0), z) for z in ((10.0, 20.0), (0.0, 10.0))]
    colour = looks.BODY["holder"]
    shape = Shape("stack", "holder", np.concatenate(blocks), colour, shells=2)
    camera = look_at(-90.0, 90.0, np.array([0.0, 0.0, 15.0]), 40.0, (0.0, 0.0, 480.0, 480.0), cut=0.0)
    drawing = describe(plate_on_rails(), "iso", (480, 480))
    panel = replace(
        drawing.panels[0],
        camera=camera,
        solid=(0,),
        ghost=(),
        veil=(),
        through=(),
        places=(),
        labels=(),
        tracks=False,
    )
    bare = replace(drawing, shapes=(shape,), tracks=(), wires=(), places=(), labels=(), panels=(panel,))
    picture.draw_description(bare, file)
    face = 0.75 * np.array(colour) + 0.25 * 255
    middle = pixels(file)[120:400, 140:470].astype(float)
    # enlarged and shrunk again, one runs into the other
    share = (middle / face).reshape(-1, 3)
    assert share.min() > 0.62 - 0.08
    assert share.max() < 1.06
    assert np.ptp(share, axis=1).max() < 0.06


def test_what_differs_on_two_papers_is_paper() -> None:
    """A colour c that covers a share a of its pixel is a c + 1 - a on white and a c on black (Porter, Duff,
    "Compositing digital images", 1984: over)."""
    from PIL import Image

    from clearance.view.render import see_through

    rng = np.random.default_rng(5)
    colour, share = rng.uniform(0, 255, (40, 40, 3)), rng.uniform(0, 1, (40, 40, 1))
    share[0], share[1] = 0.0, 1.0
    papers = [share * colour + (1 - share) * paper for paper in (255.0, 0.0)]
    found = np.asarray(see_through(*(Image.fromarray(np.rint(p).astype(np.uint8)) for p in papers))).astype(
        float
    )
    assert np.abs(found[..., 3:] / 255 - share).max() < 0.01
    assert np.abs(found[..., :3] * found[..., 3:] / 255 - share * colour).max() < 2.0
    assert not found[0, :, 3].any()


def test_a_ground_that_is_none_names_those_that_are(tmp_path: Path) -> None:
    with pytest.raises(InputError, match='no ground "black"; white or transparent'):
        picture.draw(plate_on_rails(), tmp_path / "a.png", ground="black")


def test_the_command_names_the_grounds_before_it_reads(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["picture", "nothing.toml", "-o", "a.png", "--ground", "black"]) == 2
    assert capsys.readouterr().err == "error: --ground: there is no ground 'black'; white or transparent\n"


@pytest.mark.slow
@pytest.mark.draws
def test_a_transparent_ground_is_the_same_picture_without_its_paper(tmp_path: Path) -> None:
    """Laid on white it is the picture on white; in its corners there is nothing; words are whole."""
    from PIL import Image

    result = plate_on_rails()
    white, clear = tmp_path / "white.png", tmp_path / "clear.png"
    picture.draw(result, white, size=(640, 480))
    picture.draw(result, clear, size=(640, 480), ground="transparent")
    with Image.open(clear) as im:
        assert im.mode == "RGBA"
        alpha = np.asarray(im)[..., 3]
        laid = Image.new("RGBA", im.size, (255, 255, 255, 255))
        laid.alpha_composite(im)
    off = np.abs(np.asarray(laid.convert("RGB")).astype(int) - pixels(white))
    assert np.quantile(off, 0.99) <= 2
    assert off.max() <= 60, "where an edge was sharpened beyond white, on one paper and not on the other"
    assert (alpha[[0, 0, -1, -1], [0, -1, 0, -1]] == 0).all()
    assert (alpha == 255).mean() > 0.2
    # the verdict's box, see sheet.write_sheet
    assert (alpha[20:40, 25:110] == 255).all()
