"""The window: a message where there is no display, every handle on it off screen, and the whole of it on a
virtual screen. The numbers that it shows are tested as data (test_view_raised.py)."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from clearance import cli
from clearance.errors import CannotDraw
from clearance.view import looks, picture
from clearance.view.raised import no_raises
from clearance.view.window_scene import SIZE, fitting
from tests.view_scenes import plate_on_rails

DEMO = Path(__file__).parent.parent / "demo_models" / "side_plate_die_clash.toml"


def test_no_display_is_a_message_and_names_the_other_way(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(picture.sys, "platform", "linux")
    monkeypatch.delenv("DISPLAY", raising=False)
    with pytest.raises(CannotDraw, match="clearance picture"):
        picture.show(plate_on_rails(), no_raises(), "plate")


def test_the_command_says_so_before_it_checks(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(picture.sys, "platform", "linux")
    monkeypatch.delenv("DISPLAY", raising=False)
    began = time.perf_counter()
    assert cli.run(["view", str(DEMO)]) == 2
    assert time.perf_counter() - began < 0.5
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith(
        "error: no window: there is no display here; clearance picture SETUP -o FILE.png"
    )
    assert len(said.err.splitlines()) == 1


def test_a_display_that_does_not_answer_is_a_message(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "stand_in.py").write_text("import os; os.abort()", encoding="utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.setattr(picture, "WINDOW", "stand_in:main")
    monkeypatch.setenv("DISPLAY", ":99")
    with pytest.raises(CannotDraw, match=r"does not answer, or has no OpenGL .*apt-get install"):
        picture.show(plate_on_rails(), no_raises(), "plate")


@pytest.mark.slow
@pytest.mark.draws
def test_a_display_that_is_not_there_ends_in_a_message(monkeypatch: pytest.MonkeyPatch) -> None:
    """For real: what the graphics library does with a display that nobody serves."""
    if sys.platform.startswith("linux"):
        monkeypatch.setenv("DISPLAY", ":4711")
        monkeypatch.delenv("VTK_DEFAULT_OPENGL_WINDOW", raising=False)
        with pytest.raises(CannotDraw, match="no window: the display does not answer"):
            picture.show(plate_on_rails(), no_raises(), "plate")


@pytest.mark.parametrize(
    ("screen", "size"),
    [
        ((1920, 1200), (1400, 1000)),
        ((1440, 900), (1400, 790)),
        ((1280, 720), (1260, 610)),
        ((0, 0), SIZE),
    ],
)
def test_the_window_has_room_on_the_screen(screen: tuple[int, int], size: tuple[int, int]) -> None:
    """20 pixels beside it and 110 above and below are the desktop's: common practice, no source."""
    assert fitting(screen) == size


def test_where_a_window_can_be_asked_for() -> None:
    assert not picture.has_display("linux", {})
    assert picture.has_display("linux", {"DISPLAY": ":0"})
    assert picture.has_display("win32", {})
    assert picture.has_display("darwin", {})


# Every handle, one after the other; what is seen of it is printed as JSON.
HANDLES = """
import json, sys
from pathlib import Path
import clearance
from clearance.advice.raises import find_raises
from clearance.view.drawing import describe
from clearance.view.handling import Handling
from clearance.view.raised import Raised
from clearance.view.window_scene import Window, fitting

result = clearance.check(clearance.load(sys.argv[1]))
handling = Handling(result, Raised(result, find_raises(result.scene)))
w = Window(describe(result), handling, Path(sys.argv[2]), "kept", off_screen=True)
out = []

def seen(what):
    heights = {}
    for shape, actors in w._bodies:
        z = {round(a.GetPosition()[2], 6) for a in actors}
        heights.setdefault(shape.name, []).append(sorted(z))
    texts = {n: w.plotter.actors[n].input for n in ("verdict", "title", "move", "table")}
    out.append({"what": what, "heights": heights, "texts": texts, "item": handling.item,
                "raise": w._sliders["raise"].GetRepresentation().GetValue(),
                "run": w._sliders["run"].GetRepresentation().GetValue(),
                "under": w._sliders["run"].GetRepresentation().GetTitleText(),
                "camera": list(w.plotter.camera.position),
                "names": sorted(n for n in w.plotter.actors if n.startswith(("line", "figure")))})

seen("opened")
handling.raised.took = 9.0
w.drag_raise(0.52)
seen("dragged")
w.refresh()
seen("rests")
handling.raised.took = 0.01
w.drag_raise(0.69)
seen("dragged quickly")
w._do(w._to_least)
seen("least")
w._do(lambda: handling.step(1))
seen("step")
w.look("top")
for k, body in enumerate(result.scene.bodies):
    if body.name == "right strap":
        p = body.triangles_M.reshape(-1, 3)
        top = (p.min(axis=0) + p.max(axis=0)) / 2
        top[2] = p[:, 2].max()
ren = w.plotter.renderer
ren.SetWorldPoint(*top, 1.0)
ren.WorldToDisplay()
x, y, _ = ren.GetDisplayPoint()
w.click(round(x), round(y))
seen("click")
w.click(2, 500)
seen("click beside")
w._do(w.save)
w._do(w.save)
seen("saved")

def click_words(key):
    left, right, low, high = dict(w.words._buttons)[key]
    w.click(round((left + right) / 2), round((low + high) / 2))
    seen("words " + key)

for key in ("Right", "Left", "Up", "Down", "n", "n", "v", "e"):
    click_words(key)
w._do(lambda: w.point_at(None))
lines = []
for screen in ((1440, 900), (1280, 720)):
    w.plotter.window_size = list(fitting(screen))
    w.refresh()
    bars = {}
    for name, slider in w._sliders.items():
        rep = slider.GetRepresentation()
        ends = rep.GetPoint1Coordinate(), rep.GetPoint2Coordinate()
        bars[name] = [p for end in ends for p in end.GetComputedDisplayValue(w.plotter.renderer)]
    keys = [box for _, box in w.words._buttons]
    lines.append({"size": list(w.plotter.window_size), "keys": keys, "bars": bars})
print(json.dumps({"out": out, "lines": lines}))
"""


@pytest.mark.slow
@pytest.mark.draws
def test_every_handle_does_what_it_says(tmp_path: Path) -> None:
    environment = picture.environments(sys.platform, dict(os.environ))[-1]
    done = subprocess.run(
        [sys.executable, "-c", HANDLES, str(DEMO), str(tmp_path)],
        env=environment,
        capture_output=True,
        text=True,
        cwd=DEMO.parent.parent,
    )
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    opened, dragged, rests, quick, least, step, click, beside, saved, *words = told["out"]
    assert opened["texts"]["verdict"].startswith("CLASH    part zero raised by 0.00 mm")
    assert opened["heights"]["die plate"] == [[0.0]]
    assert "touches  lower  front rail" in opened["texts"]["table"]
    # while it is dragged: bodies, upper head and verdict at once, and no figure of another raise
    assert dragged["heights"]["front rail"] == [[0.5]]
    assert dragged["heights"]["upper head"] == [[0.5]]
    assert dragged["heights"]["lower head"] == [[0.0]]
    assert dragged["heights"]["table frame, back"] == [[0.0]]
    assert dragged["texts"]["verdict"].startswith("CLASH    part zero raised by 0.50 mm")
    assert "follow when the slider rests" in dragged["texts"]["table"]
    assert dragged["names"] == []
    assert "lower  die plate" in quick["texts"]["table"], "where measuring is quick, the figures go along too"
    assert quick["texts"]["verdict"].startswith("CLASH    part zero raised by 0.70 mm")
    assert rests["raise"] == pytest.approx(0.5)
    # 0.10 under the plate as planned
    assert (
        "0.60  lower  die plate" in rests["texts"]["table"]
        or "0.59  lower  die plate" in rests["texts"]["table"]
    )
    assert least["texts"]["verdict"].startswith("CLEAR    part zero raised by 2.41 mm")
    assert least["raise"] == pytest.approx(2.41)
    assert least["heights"]["die plate"] == [[2.41]]
    assert "touches" not in least["texts"]["table"]
    assert step["run"] == np.floor(least["run"]) + 1
    assert "X239.74 Y133.88" in step["texts"]["move"], "the end of move 5, by the program"
    assert click["item"] == "right strap"
    assert click["texts"]["table"].startswith("clearances of right strap, mm")
    assert beside["item"] is None
    assert saved["texts"]["title"].startswith("saved: ")
    assert sorted(os.listdir(tmp_path)) == ["kept-1.png", "kept-2.png"], "none is written over"
    # each word of the line of keys does what its key does
    on, back, up, down, first, second, turned, _ = words
    assert (on["run"], back["run"]) == (saved["run"] + 1, saved["run"])
    assert [each["raise"] for each in (up, down)] == pytest.approx([2.5, 2.41]), "on the slider's scale"
    assert [each["item"] for each in (first, second)] == ["front rail", "back rail"]
    assert turned["camera"] != second["camera"]
    # the number under the slider along the path is the one of the line above it
    for each in told["out"]:
        cut, move = each["texts"]["move"].split("   ")[:2]
        assert each["under"] == "   ".join(["along all moves:", cut, *([move] if "move" in move else [])])
    assert step["under"].endswith("opening   move 5 of 7"), "move 5 ends there, by the program"
    for line in told["lines"]:
        wide, high = line["size"]
        for left, right, low, top in line["keys"]:
            assert 0 <= left < right <= wide
            assert 0 <= low < top <= high
        starts = [key[0] for key in line["keys"]]
        ends = [key[1] for key in line["keys"]]
        assert all(a < b for a, b in zip(ends, starts[1:], strict=False)), "no word lies on another"
        for x1, y1, x2, y2 in line["bars"].values():
            assert 0 < x1 < x2 < wide
            assert line["keys"][0][3] < y1 == y2 < high, "the sliders stand over the line of keys"


@pytest.fixture
def screen() -> Iterator[dict[str, str]]:
    """The environment of a virtual screen (Xvfb) that has software OpenGL."""
    read, write = os.pipe()
    server = subprocess.Popen(
        ["Xvfb", "-displayfd", str(write), "-screen", "0", "1600x1200x24"],
        pass_fds=[write],
        stderr=subprocess.DEVNULL,
    )
    os.close(write)
    with os.fdopen(read) as pipe:
        number = pipe.readline().strip()
    environment = {**os.environ, "DISPLAY": f":{number}"}
    environment.pop("VTK_DEFAULT_OPENGL_WINDOW", None)
    yield environment
    server.terminate()
    server.wait()


@pytest.mark.slow
@pytest.mark.draws
def test_the_command_on_a_virtual_screen(tmp_path: Path, screen: dict[str, str]) -> None:
    """Keys and mouse as a person's: to the smallest raise, an item clicked, two pictures saved, closed."""
    log = tmp_path / "log.txt"
    with log.open("w") as f:
        viewer = subprocess.Popen(
            [sys.executable, "-m", "clearance", "view", str(DEMO)],
            env=screen,
            cwd=tmp_path,
            stdout=f,
            stderr=f,
        )

    def do(*words: str) -> str:
        done = subprocess.run(["xdotool", *words], env=screen, capture_output=True, text=True, timeout=60)
        return done.stdout.strip()

    def saved(number: int) -> np.ndarray:
        from PIL import Image

        file = tmp_path / f"side_plate_die_clash-{number}.png"
        for _ in range(100):
            if file.is_file() and file.stat().st_size:
                time.sleep(0.3)
                with Image.open(file) as im:
                    return np.asarray(im.convert("RGB")).astype(int)
            assert viewer.poll() is None, log.read_text()
            time.sleep(0.1)
        raise AssertionError(f"{file} was not saved: {log.read_text()}")

    def headline(image: np.ndarray, verdict: str) -> bool:
        off = np.abs(image[10:45, 10:640] - np.array(looks.VERDICT[verdict])).max(axis=2)
        return bool((off < 12).sum() > 300)

    try:
        which = do("search", "--sync", "--onlyvisible", "--name", "^clearance: ").split()[0]
        do("mousemove", "--window", which, "760", "560")
        time.sleep(1.0)
        do("key", "--window", which, "s")
        planned = saved(1)
        do("key", "--window", which, "a")
        time.sleep(4.0)  # software OpenGL draws it anew meanwhile
        do("key", "--window", which, "s")
        raised = saved(2)
        do("click", "1")
        time.sleep(4.0)
        do("key", "--window", which, "s")
        clicked = saved(3)
        do("key", "--window", which, "q")
        assert viewer.wait(timeout=30) == 0, log.read_text()
    finally:
        viewer.kill()
    assert headline(planned, "clash")
    assert headline(raised, "clear")
    assert not headline(raised, "clash")
    table = np.s_[125:245, 12:520]
    assert np.abs(clicked[table] - raised[table]).max() > 100, "the table of the item clicked"
    assert log.read_text() == ""
