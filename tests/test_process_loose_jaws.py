"""A part in jaws that stand by their own weight lies there as loose as without them (common practice, no
source: a toolmaker's vise is clamped to the table by its foot).

The vise is one of the user's own, 90 x 60, its jaws 60 apart and 12 high over its bed. It stands on a base.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.access_bench import AT, block, line, plate_with, write_stl
from tests.setup_writer import Tables
from tests.test_process_states import judged

X, Y = AT
SLIT = line((30, 115), (30, 100))
BASE: Tables = {"name": "base", "shape": {"box": [140, 80, 20]}, "at": [X + 30, Y + 30, -20]}
STRAP: Tables = {
    "name": "strap", "holder": "strap", "at": [X - 30, Y + 30, 0],
    "params": {"height": 30.0, "reach": 20.0, "back": 12.0, "width": 20.0, "screw_below": 10.0},
}  # fmt: skip


def wrong(folder: Path, patch: pytest.MonkeyPatch, fastened: str, *more: Tables, **said: Any) -> list[str]:
    """What is close of a block in the vise, with the names of the items."""
    (folder / "own").mkdir()
    cheek = block(15, 60, 30)
    write_stl(folder / "own" / "body.stl", block(90, 60, 18) + cheek + cheek.translate((75, 0, 0)))
    (folder / "own" / "our_small_vise.toml").write_text(
        'summary = "small vise"\norigin = "a corner"\ndoes = ["bears", "grips"]\n'
        f'fastened = "{fastened}"\n[[models]]\nfile = "body.stl"\nunits = "mm"\n'
        '[[seats]]\nname = "bed"\nat = [15, 0, 18]\n',
        encoding="utf-8",
    )
    patch.setenv("CLEARANCE_HOLDERS", str(folder / "own"))
    low = 20.0 if any(one["name"] == "magnet" for one in more) else 0.0
    vise = {"name": "vise", "holder": "our_small_vise", "at": [X - 15, Y, low], **said}
    plate = plate_with(on="vise", seat="bed", at=[0, 0, 0])
    result = judged(folder, block(60, 110, 25), SLIT, items=[BASE, vise, *more], plate=plate)
    return [f"{f.item}: {f.message}" for f in result.findings if f.severity != "note"]


def test_jaws_that_stand_loose(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (message,) = wrong(tmp_path, monkeypatch, "stands")
    assert message.startswith('vise: grips "plate" and stands by its own weight: clamp it')


def test_jaws_that_are_screwed_down(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert wrong(tmp_path, monkeypatch, "bolted") == []


def test_jaws_of_which_words_say_what_fastens_them(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert wrong(tmp_path, monkeypatch, "stands", held_by="two screws") == []


def test_jaws_under_a_strap(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert wrong(tmp_path, monkeypatch, "stands", STRAP) == []


def test_jaws_on_a_magnet(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    size = {"length": 90, "width": 60, "height": 20, "groove": 6, "knob": 0}
    magnet = {"name": "magnet", "holder": "magnet_block", "params": size, "at": [X + 30, Y + 30, 0]}
    assert wrong(tmp_path, monkeypatch, "stands", magnet) == []
