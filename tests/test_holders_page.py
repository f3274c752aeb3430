"""The library's page: as the library is, and its pictures are there and show something."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from clearance.errors import CannotDraw, InputError
from fixtures_lib import library, pages


def test_page_is_as_the_library() -> None:
    assert pages.PAGE.read_text(encoding="utf-8") == pages.page(), "run  python -m fixtures_lib.pages"


def test_every_holder_is_shown() -> None:
    files = {file for name in library.names() for _, file, _ in pages.pictures(name)}
    assert {each.name for each in pages.PICTURES.glob("*.png")} == files
    assert set(pages.SHOWN) <= set(library.names())


@pytest.mark.parametrize("name", library.names())
def test_pictures_are_of_holders_that_can_be_had(name: Any) -> None:
    for _, file, params in pages.pictures(name):
        library.build(name, params)
        assert size_of((pages.PICTURES / file).read_bytes()) == pages.SIZE


def test_code_on_the_page_makes_a_holder() -> None:
    text = "\n".join(pages.ADDING)
    code = text.split("```python\n")[1].split("```")[0]
    assert len([line for line in code.splitlines() if line.strip()]) <= 11
    space: dict[str, Any] = {}
    exec(code, space)
    kind = space["KIND"]
    holder = kind.build(library.filled(kind, {"height": 12}))
    assert holder.triangles.reshape(-1, 3).max(axis=0).tolist() == [60, 40, 12]


def test_wrong_holder_is_told_before_anything_is_drawn(tmp_path: Path) -> None:
    with pytest.raises(InputError):
        pages.draw([("rial", {}, str(tmp_path / "x.png"))])


def test_no_opengl_is_one_message(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pages.sys, "executable", "/bin/false")
    with pytest.raises(CannotDraw, match="libegl1"):
        pages.draw([("parallel", {}, str(tmp_path / "x.png"))])


@pytest.mark.draws
@pytest.mark.slow
def test_drawn_picture_shows_the_holder(tmp_path: Path) -> None:
    """Grey metal in the middle, white at the rim, all three axes' colours somewhere."""
    file = tmp_path / "spacer.png"
    pages.draw([("spacer", {"height": 20}, str(file))], (280, 210))
    pixels = read_png(file.read_bytes()).astype(int)
    assert pixels.shape == (210, 280, 3)
    assert (pixels[:3] == 255).all()
    assert (pixels[-3:] == 255).all()
    grey = np.abs(pixels - pixels.mean(axis=2, keepdims=True)).max(axis=2) < 12
    metal = grey & (pixels.mean(axis=2) < 220)
    assert 0.15 < metal.mean() < 0.9
    for channel in range(3):
        others = [c for c in range(3) if c != channel]
        assert (pixels[..., channel] - pixels[..., others].max(axis=2) > 30).any()


def size_of(png: Any) -> Any:
    assert png.startswith(b"\x89PNG")
    return struct.unpack(">II", png[16:24])


def read_png(png: Any) -> Any:
    """8-bit RGB, not interlaced, into (height, width, 3)."""
    wide, high = size_of(png)
    assert png[24:29] == b"\x08\x02\x00\x00\x00"
    at, packed = 8, b""
    while at < len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        if png[at + 4 : at + 8] == b"IDAT":
            packed += png[at + 8 : at + 8 + length]
        at += 12 + length
    raw = np.frombuffer(zlib.decompress(packed), dtype=np.uint8).reshape(high, 1 + 3 * wide)
    image, above = np.zeros((high, wide, 3), dtype=int), np.zeros((wide, 3), dtype=int)
    for row in range(high):
        kind, line = raw[row, 0], raw[row, 1:].reshape(wide, 3).astype(int)
        out = np.zeros((wide, 3), dtype=int)
        for x in range(wide):
            left = out[x - 1] if x else np.zeros(3, dtype=int)
            corner = above[x - 1] if x else np.zeros(3, dtype=int)
            if kind == 4:
                guess = left + above[x] - corner
                d = [np.abs(guess - c) for c in (left, above[x], corner)]
                add = np.where(
                    (d[0] <= d[1]) & (d[0] <= d[2]), left, np.where(d[1] <= d[2], above[x], corner)
                )
            else:
                add = (0 * left, left, above[x], (left + above[x]) // 2)[kind]
            out[x] = (line[x] + add) % 256
        image[row] = above = out
    return image


def test_code_in_developers_notes_makes_a_holder() -> None:
    text = (pages.HERE.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    code = text.split("**A holder.**")[1].split("```python\n")[1].split("```")[0]
    assert len([line for line in code.splitlines() if line.strip()]) <= 10
    space: dict[str, Any] = {}
    exec(code, space)
    kind = space["KIND"]
    holder = kind.build(library.filled(kind, {"length": 80, "height": 12}))
    assert holder.triangles.reshape(-1, 3).max(axis=0).tolist() == [80, 40, 12]
    assert holder.seats["top"].T_HS[2, 3] == 12
