"""The window: a message where there is no display, and the whole scene where there is one."""

from __future__ import annotations

import pickle
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from clearance.errors import CannotDraw
from clearance.view import picture, window
from clearance.view.drawing import describe
from tests.view_scenes import plate_on_rails


def test_no_display_is_a_message_and_names_the_other_way(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(window.sys, "platform", "linux")
    monkeypatch.delenv("DISPLAY", raising=False)
    with pytest.raises(CannotDraw, match="clearance picture"):
        window.show(plate_on_rails())


def test_a_display_that_does_not_answer_is_a_message(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    script = tmp_path / "a" / "b" / "child.py"
    script.parent.mkdir(parents=True)
    script.write_text("import os; os.abort()", encoding="utf-8")
    monkeypatch.setattr(window, "WINDOW", script)
    monkeypatch.setenv("DISPLAY", ":99")
    with pytest.raises(CannotDraw, match="no OpenGL"):
        window.show(plate_on_rails())


def test_where_a_window_can_be_asked_for() -> None:
    assert not window.has_display("linux", {})
    assert window.has_display("linux", {"DISPLAY": ":0"})
    assert window.has_display("win32", {})
    assert window.has_display("darwin", {})


@pytest.mark.draws
def test_the_scene_of_the_window_draws(tmp_path: Path) -> None:
    from PIL import Image

    with (tmp_path / "drawing.pickle").open("wb") as f:
        pickle.dump(describe(plate_on_rails()), f)
    environment = picture.environments(sys.platform, {**__import__("os").environ})[-1]
    command = [
        sys.executable,
        "-P",
        str(window.WINDOW),
        str(tmp_path),
        str(window.WINDOW.parents[2]),
        "--picture",
    ]
    done = subprocess.run(command, env=environment, capture_output=True, text=True)
    told = tmp_path / "error.txt"
    assert done.returncode == 0, told.read_text() if told.is_file() else done.stderr
    with Image.open(tmp_path / "window.png") as im:
        pixels = np.asarray(im.convert("RGB")).astype(int)
    tan = (pixels[..., 0] - pixels[..., 2] > 25) & (pixels[..., 0] > 120)
    assert tan.mean() > 0.05, "the plate is in sight"
