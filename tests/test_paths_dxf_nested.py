"""Blocks inside blocks: each curve against the product of the matrices, written anew in plain numpy."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest

from clearance.toolpath.dxf import reader as dxf
from clearance.toolpath.dxf.child import answer
from tests.dxf_drawing import Drawing
from tests.oracles.dxf_nesting import KINDS, Truth, add_nesting, away


@pytest.fixture(autouse=True)
def _in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """Starting a process takes longer than reading a small drawing; test_paths_dxf_limits starts it."""
    monkeypatch.setattr(dxf, "ask_child", lambda request, shown: answer(request))


@pytest.fixture
def drawing(tmp_path: Path) -> Drawing:
    return Drawing(tmp_path)


def ask(file: Path, bound: float) -> dict[str, Any]:
    """What the reader's process says of a drawing in mm."""
    request = {"file": str(file), "layers": [], "bound": bound, "unit": 1.0, "unit_if_none": 1.0}
    return answer({**request, "limit": 300_000, "memory": 3_000_000_000})


def turned_then_stretched(drawing: Drawing, add: Any) -> None:
    """What ``add`` puts into block B, which stands at 45 degrees in C, which is stretched twofold in X."""
    add(drawing.doc.blocks.new("B"))
    drawing.doc.blocks.new("C").add_blockref("B", (3, 1), dxfattribs={"rotation": 45})
    drawing.space.add_blockref("C", (5, -2), dxfattribs={"xscale": 2, "yscale": 1})


def test_a_shear_of_two_inserts_keeps_the_lines_ends(drawing: Drawing) -> None:
    turned_then_stretched(drawing, lambda block: block.add_lwpolyline([(0, 0), (10, 0), (10, 6)], close=True))
    got = np.array([piece[:2] for _, _, _, pieces in _curves(drawing) for piece in pieces])
    # diag(2, 1) (R(45) p + (3, 1)) + (5, -2), by hand: R(45) (10, 0) = (7.0711, 7.0711).
    r = np.sqrt(0.5)
    want = [(11, -1), (2 * (10 * r + 3) + 5, 10 * r - 1), (2 * (4 * r + 3) + 5, 16 * r - 1)]
    assert got == pytest.approx(np.array(want), abs=1e-9)


def test_a_circle_under_a_shear_is_an_ellipse_within_the_bound(drawing: Drawing) -> None:
    turned_then_stretched(drawing, lambda block: block.add_circle((4, 0), 5))
    drawing.doc.saveas(drawing.file)
    moves = drawing.read(chord_bound=0.01)
    # Undone by hand each end is on the circle again, and the middle of each chord at most the bound inside.
    turn = np.exp(-0.25j * np.pi)
    for points, within in ((moves.start, 1e-9), ((moves.start + moves.end) / 2, 0.01)):
        back = ((points - (5, -2)) / (2, 1) - (3, 1)) @ [1, 1j] * turn
        assert abs(abs(back - 4) - 5).max() <= within
    assert moves.chord_error == pytest.approx(0.01)


def _curves(drawing: Drawing) -> list[Any]:
    drawing.doc.saveas(drawing.file)
    said = ask(drawing.file, 0.001)
    assert "error" not in said, said
    return said["curves"]


def judge(truths: list[Truth], said: dict[str, Any], bound: float) -> None:
    """Each true curve is there, no farther off than the reader says, and no more than these."""
    by_layer: dict[str, list[Any]] = {}
    for _, layer, error, pieces in said["curves"]:
        by_layer.setdefault(layer, []).append((error, pieces))
    for layer in {truth.layer for truth in truths}:
        copies = [truth for truth in truths if truth.layer == layer]
        there = by_layer.pop(layer)
        assert len(there) == len(copies), layer
        for truth, (error, pieces) in zip(copies, there, strict=True):
            assert error <= bound * (1 + 1e-9)
            size = 1 + np.abs(truth.points).max()
            worst = away(truth.points, pieces).max()
            assert worst <= error + 1e-8 * size, (layer, truth.kind, worst)
            assert _long(pieces) == pytest.approx(
                np.hypot(*np.diff(truth.points, axis=0).T).sum(), rel=5e-3, abs=0.2 * bound
            ), (layer, truth.kind)
            if truth.similar and truth.kind not in ("spline", "ellipse"):
                assert error <= 1e-7, (layer, truth.kind)
                assert len(pieces) <= 2
    assert not by_layer


def _long(pieces: list[list[float]]) -> float:
    return sum(
        abs(arc[2]) * np.hypot(x0 - arc[0], y0 - arc[1]) if arc else np.hypot(x1 - x0, y1 - y0)
        for x0, y0, x1, y1, *arc in pieces
    )


@pytest.mark.few(3)
@pytest.mark.parametrize("kind", KINDS)
def test_random_nestings_lie_where_the_matrices_put_them(tmp_path: Path, kind: str) -> None:
    rng = np.random.default_rng(KINDS.index(kind))
    doc = ezdxf.new()
    truths = [truth for k in range(45) for truth in add_nesting(doc, rng, f"case {k}", kind)]
    doc.saveas(tmp_path / "a.dxf")
    said = ask(tmp_path / "a.dxf", 0.002)
    assert "error" not in said, said
    assert any(truth.similar for truth in truths)
    assert any(not truth.similar for truth in truths)
    judge(truths, said, 0.002)


def test_what_is_askew_in_space_is_refused_by_its_name(drawing: Drawing) -> None:
    drawing.doc.blocks.new("side view").add_circle((0, 0), 5, dxfattribs={"layer": "cut"})
    drawing.space.add_blockref("side view", (0, 0), dxfattribs={"extrusion": (0, 1, 0)})
    text = drawing.refused()
    assert text.startswith("CIRCLE #")
    assert 'in block "side view", layer "cut": the curve does not lie in the X Y plane' in text


def test_a_block_of_another_drawing_is_refused(drawing: Drawing) -> None:
    drawing.space.add_circle((0, 0), 5)
    drawing.doc.add_xref_def("other.dxf", "other")
    drawing.space.add_blockref("other", (0, 0), dxfattribs={"layer": "frame"})
    assert 'the block "other" is kept in another drawing' in drawing.refused()
    notes = drawing.read(layers=("0",)).notes
    assert any("1 INSERT of another drawing" in note for note in notes)


@pytest.mark.parametrize("far", [1e300, float("inf"), float("nan")])
def test_a_block_in_a_block_at_no_place_is_refused(tmp_path: Path, far: float) -> None:
    """The arithmetic library warns where no number is multiplied on; tests take a warning for a failure."""
    drawing = Drawing(tmp_path)
    drawing.doc.blocks.new("B").add_line((0, 0), (10, 0))
    drawing.doc.blocks.new("C").add_blockref("B", (far, 1), dxfattribs={"rotation": 45})
    drawing.space.add_blockref("C", (5, -2), dxfattribs={"xscale": 2, "rotation": 30})
    assert "no number or too large" in drawing.refused()
