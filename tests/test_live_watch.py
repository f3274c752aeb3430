"""A file that changes on the disk is noticed at once, and nothing is written over it.

The oracle is the file itself: its bytes, SHA-256 by hashlib where what was read is told.
"""

from __future__ import annotations

import os
import shutil
import time
from pathlib import Path

import pytest

import clearance
from clearance.live.desk import Desk
from clearance.live.watch import Watch
from tests.live_bench import Line, served

DEMOS = Path(__file__).parents[1] / "demo_models"


@pytest.fixture
def setup(tmp_path: Path) -> Path:
    return Path(shutil.copytree(DEMOS, tmp_path / "demos")) / "punch_blank.toml"


def test_each_file_that_was_read_is_looked_at(setup: Path) -> None:
    scene = clearance.load(setup)
    watch = Watch(scene)
    assert watch.stale is None
    assert not watch.look()
    for name in ("punch_blank.toml", "punch_blank.stl", "punch_profile.nc"):
        file = setup.with_name(name)
        before = file.read_bytes()
        file.write_bytes(before + b"\n")
        assert watch.look()
        assert Path(watch.stale or "").name == name
        assert not watch.look(), "told once"
        file.write_bytes(before)
        assert watch.look()
        assert watch.stale is None, "it is as it was read again"
    # touched, and saved anew as it was: nothing has changed
    os.utime(setup)
    assert not watch.look()
    setup.unlink()
    assert watch.look()
    assert watch.stale is not None, "it is gone"


def test_a_setup_in_another_folder_has_its_files_there(setup: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(setup.parent.parent)
    watch = Watch(clearance.load("demos/punch_blank.toml"))
    setup.with_name("punch_blank.stl").write_bytes(b"solid")
    watch.look()
    assert watch.stale == "punch_blank.stl"


def test_nothing_is_written_while_a_file_is_another(setup: Path) -> None:
    desk = Desk(clearance.load(setup), clearance.load)
    assert desk.hear({"do": "move", "item": "strap", "by": [1, 0, 0]})["stale"] is None
    part = setup.with_name("punch_blank.stl")
    part.write_bytes(part.read_bytes() + b"\0")
    there = setup.read_bytes()
    for told in ({"do": "difference"}, {"do": "write"}, {"do": "write", "name": "other.toml"}):
        answer = desk.hear(told)
        assert answer["is"] == "refused", told
        assert "punch_blank.stl: has changed since it was read; nothing was written" in answer["text"]
        assert answer["stale"] == "punch_blank.stl"
    assert setup.read_bytes() == there
    assert not setup.with_name("other.toml").exists()


def test_the_page_is_told_without_asking(setup: Path) -> None:
    """Within 2 s, whatever else the computer does."""
    with served(setup) as page:
        line = Line(page.port, f"/{page.token}/live", Origin=f"http://127.0.0.1:{page.port}")
        assert line.next()["stale"] is None
        text = setup.read_text()
        setup.write_text(text + "# by somebody else\n")
        began = time.monotonic()
        assert line.until("stale")[0] == {"is": "files", "stale": "punch_blank.toml"}
        assert time.monotonic() - began < 2.0
        setup.write_text(text)
        assert line.until("stale")[0] == {"is": "files", "stale": None}
        line.close()
        assert page.stop() == 130
