"""The demo's own vise in a folder of its own, to be changed; and files beside it."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from clearance import cli
from fixtures_lib.solids import shell

DEMO = Path(__file__).parent.parent / "demo_models"
VISE = DEMO / "our_holders" / "our_vise.toml"


def shop_in(folder: Path) -> Path:
    """The demo's folder: setup, part, program and the folder of own holders."""
    for name in ("own_vise.toml", "keyhole.nc", "keyhole_insert.stl"):
        shutil.copy(DEMO / name, folder)
    shutil.copytree(DEMO / "our_holders", folder / "our_holders")
    return folder


def write_stl(file: Path, *solids: object) -> None:
    triangles = np.concatenate([shell(each) for each in solids]).astype("<f4")
    record = np.zeros(len(triangles), [("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("spare", "<u2")])
    record["corners"] = triangles
    file.write_bytes(b"".ljust(80) + np.uint32(len(triangles)).tobytes() + record.tobytes())


def edited(file: Path, *pairs: tuple[str, str]) -> Path:
    text = file.read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new)
    file.write_text(text, encoding="utf-8")
    return file


def told(words: list[str], capsys: pytest.CaptureFixture[str], code: int = 0) -> str:
    capsys.readouterr()
    assert cli.run(words) == code
    return capsys.readouterr().out
