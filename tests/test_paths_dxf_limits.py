"""Hostile and spoilt drawings end in one message; the reader's process and the sizes it allows."""

from __future__ import annotations

import os
import random
import time
from math import cos, pi, sin
from pathlib import Path

import ezdxf
import numpy as np
import pytest

from clearance.errors import InputError
from clearance.toolpath.dxf import reader as dxf
from clearance.toolpath.dxf.child import answer
from clearance.toolpath.read import PathOptions, read_path
from tests.pace import slowness


def refused(file: Path) -> str:
    with pytest.raises(InputError) as caught:
        read_path(file, PathOptions(), "a.dxf")
    text = str(caught.value)
    assert text.startswith("a.dxf: ")
    assert "\n" not in text
    return text


def saved(doc: ezdxf.document.Drawing, tmp_path: Path, fmt: str = "asc") -> Path:
    file = tmp_path / "a.dxf"
    doc.header["$INSUNITS"] = 4
    doc.saveas(file, fmt=fmt)
    return file


@pytest.mark.few(1)
@pytest.mark.parametrize("fmt", ["asc", "bin"])
def test_text_and_binary_drawings_by_the_process(tmp_path: Path, fmt: str) -> None:
    doc = ezdxf.new()
    doc.modelspace().add_circle((3, 4), 2)
    doc.modelspace().add_point((3, 4))
    moves, _ = read_path(saved(doc, tmp_path, fmt), PathOptions(), "a.dxf")
    assert moves.start.tolist() == [[3, 4], [5, 4]]
    assert moves.sweep.tolist() == [0, 2 * pi]


def test_a_bomb_of_blocks(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dxf, "CURVES", 10_000)
    doc = ezdxf.new()
    doc.blocks.new("b0").add_circle((0, 0), 1)
    for k in range(12):
        block = doc.blocks.new(f"b{k + 1}")
        for _ in range(10):
            block.add_blockref(f"b{k}", (0, 0))
    doc.modelspace().add_blockref("b12", (0, 0))
    assert f"more than {dxf.CURVES} curves" in refused(saved(doc, tmp_path))


def test_a_block_inside_itself(tmp_path: Path) -> None:
    doc = ezdxf.new()
    doc.blocks.new("loop").add_blockref("loop", (1, 1))
    doc.modelspace().add_blockref("loop", (0, 0))
    assert "blocks inside blocks" in refused(saved(doc, tmp_path))


def test_a_grid_without_end(tmp_path: Path) -> None:
    doc = ezdxf.new()
    doc.blocks.new("hole").add_circle((0, 0), 1)
    grid = {"row_count": 30000, "column_count": 30000, "row_spacing": 1, "column_spacing": 1}
    doc.modelspace().add_blockref("hole", (0, 0), dxfattribs=grid)
    assert "inserts a block 900000000 times" in refused(saved(doc, tmp_path))


@pytest.mark.timed
def test_too_large_a_file_is_not_opened(tmp_path: Path) -> None:
    file = tmp_path / "a.dxf"
    with file.open("wb") as stream:
        stream.write(b"0\nSECTION\n")
        stream.truncate(dxf.LARGEST_FILE + 1)
    before = time.process_time()
    assert "the drawing has 100 MB; at most 100 MB" in refused(file)
    assert time.process_time() - before < 2 * slowness()


def test_too_long_and_too_much(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    doc = ezdxf.new()
    doc.modelspace().add_circle((0, 0), 1)
    file = saved(doc, tmp_path)
    with monkeypatch.context() as patch:
        patch.setattr(dxf, "SECONDS", 0.01)
        assert "takes longer than 0.01 s" in refused(file)
    if os.name != "posix":
        # Memory is bounded where the system can.
        return
    with monkeypatch.context() as patch:
        patch.setattr(dxf, "MEMORY", 60_000_000)
        assert "reading the drawing needs more than 0.06 GB of memory; the path" in refused(file)


WHOLE = """0\nSECTION\n2\nHEADER\n9\n$INSUNITS\n70\n4\n0\nENDSEC\n0\nSECTION\n2\nENTITIES
0\nLINE\n8\ncut\n10\n0.0\n20\n0.0\n11\n10.0\n21\n0.0
0\nARC\n8\ncut\n10\n10.0\n20\n5.0\n40\n5.0\n50\n270.0\n51\n90.0
0\nLINE\n8\ncut\n10\n10.0\n20\n10.0\n11\n0.0\n21\n10.0
0\nPOLYLINE\n8\ncut\n66\n1\n70\n0\n0\nVERTEX\n8\ncut\n10\n0.0\n20\n10.0\n42\n0.5
0\nVERTEX\n8\ncut\n10\n0.0\n20\n0.0\n0\nSEQEND
0\nPOINT\n8\ncut\n10\n5.0\n20\n4.0\n0\nENDSEC\n0\nEOF\n"""
SPICE = [
    "nan",
    "inf",
    "1e308",
    "-1",
    "0",
    "x",
    "",
    "SPLINE",
    "ELLIPSE",
    "INSERT",
    "999",
    "\0",
    "é",
    "1e-320",
    "LWPOLYLINE",
]


@pytest.mark.filterwarnings("ignore")
def test_spoilt_drawings_give_moves_or_one_message(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dxf, "ask_child", lambda request, shown: answer(request))
    rng = random.Random(11)
    file = tmp_path / "a.dxf"
    read, messages = 0, set()
    for _ in range(300):
        lines = WHOLE.split("\n")
        for _ in range(rng.randint(1, 2)):
            i = rng.randrange(len(lines))
            kind = rng.randrange(5)
            if kind == 0:
                del lines[i : i + rng.randint(1, 4)]
            elif kind == 1:
                lines[i] = rng.choice(SPICE)
            elif kind == 2:
                lines[i] = str(rng.choice([0, 8, 10, 11, 20, 21, 30, 40, 42, 50, 66, 70, 210, 230]))
            elif kind == 3:
                lines[i] = f"{rng.uniform(-20, 20):.2f}"
            else:
                del lines[i:]
        file.write_text("\n".join(lines), encoding="utf-8")
        try:
            moves, _ = read_path(file, PathOptions(), "a.dxf")
        except InputError as error:
            messages.add(str(error))
            continue
        read += 1
        assert np.isfinite(moves.start).all()
        assert np.isfinite(moves.end).all()
        assert np.array_equal(moves.start[1:], moves.end[:-1])
        assert (np.isnan(moves.centre).any(axis=1) == (moves.sweep == 0)).all()
    assert all(text.startswith("a.dxf: ") and "\n" not in text for text in messages)
    # Both happen, or the test sees nothing.
    assert read > 15
    assert len(messages) > 30


@pytest.mark.timed
def test_a_drawing_of_two_megabytes(tmp_path: Path) -> None:
    n = 16_000
    ring = [(50 * cos(2 * pi * k / n), 40 * sin(2 * pi * k / n)) for k in range(n + 1)]
    lines = [
        f"0\nLINE\n8\ncut\n10\n{a[0]:.12f}\n20\n{a[1]:.12f}\n30\n0.0\n11\n{b[0]:.12f}\n21\n{b[1]:.12f}\n31\n0.0\n6\nBYLAYER\n62\n256\n"
        for a, b in zip(ring, ring[1:], strict=False)
    ]
    file = tmp_path / "a.dxf"
    file.write_text("0\nSECTION\n2\nENTITIES\n" + "".join(lines) + "0\nENDSEC\n0\nEOF\n")
    assert file.stat().st_size > 1_900_000
    before = sum(os.times()[:4])
    moves, _ = read_path(file, PathOptions(), "a.dxf")
    assert len(moves) == n
    # Processor time, against the drawing library's own reading of the file: two workers on the two threads
    # of one core make both take longer.
    taken, begun = sum(os.times()[:4]) - before, time.process_time()
    ezdxf.readfile(file)
    assert taken < max(1.8 * slowness(), 3.5 * (time.process_time() - begun))


@pytest.mark.timed
def test_many_curves_in_one_spot_cost_no_more(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dxf, "ask_child", lambda request, shown: answer(request))
    rng = random.Random(3)
    lines = [
        f"0\nLINE\n8\ncut\n10\n{rng.random() * 5e-3:.9f}\n20\n{rng.random() * 5e-3:.9f}\n"
        f"11\n{rng.random() * 5e-3:.9f}\n21\n{rng.random() * 5e-3:.9f}\n"
        for _ in range(5000)
    ]
    file = tmp_path / "a.dxf"
    file.write_text("0\nSECTION\n2\nENTITIES\n" + "".join(lines) + "0\nENDSEC\n0\nEOF\n")
    before = time.process_time()
    assert "ends of curves meet here" in refused(file)
    assert time.process_time() - before < 3 * slowness()


def test_ends_a_gap_apart_meet_wherever_they_lie(tmp_path: Path) -> None:
    """Any place, any direction: within the gap they are one node, beyond it they are not."""
    from clearance.toolpath.dxf.chains import _clusters

    rng = np.random.default_rng(8)
    a = rng.uniform(-1000, 1000, (3000, 2))
    turn = rng.uniform(0, 2 * pi, 3000)
    way = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    for step, together in ((0.00999, True), (0.01001, False)):
        number = _clusters(np.concatenate([a, a + step * way]), 0.01)
        assert ((number[:3000] == number[3000:]) == together).all()
