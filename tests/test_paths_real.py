"""Drawings that nobody here wrote: each is read right or refused with what a machinist can act on."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from clearance.errors import InputError
from clearance.toolpath.dxf import reader as dxf
from clearance.toolpath.dxf.child import answer
from clearance.toolpath.moves import Moves
from clearance.toolpath.read import PathOptions, read_path

FOLDER = Path(os.environ.get("CLEARANCE_REAL_DATA", Path(__file__).parents[2] / "shared" / "data"))

pytestmark = pytest.mark.real


@pytest.fixture(autouse=True)
def _in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    """The process that reads a drawing is tried elsewhere, on real ones in test_real_files.py."""
    monkeypatch.setattr(dxf, "ask_child", lambda request, shown: answer(request))


def box(moves: Moves) -> list[float]:
    """Of 721 points of each move."""
    t = np.linspace(0, 1, 721)[:, None]
    z0, z1, c = (p @ [1, 1j] for p in (moves.start, moves.end, moves.centre))
    at = np.where(moves.sweep == 0, z0 + t * (z1 - z0), c + (z0 - c) * np.exp(1j * moves.sweep * t))
    return [at.real.min(), at.imag.min(), at.real.max(), at.imag.max()]


# Boxes, in the drawing's own unit, and counts of entities as listed in the folder's manifest (by ezdxf).
@pytest.mark.parametrize(
    ("name", "unit", "layers", "bounds", "contours"),
    [
        ("mikedh__trimesh/buffer_regions.dxf", 25.4, (), (0, 0, 3, 5), 1),
        ("mikedh__trimesh/apu-mount.DXF", 25.4, (), (2.1185, 2.6907, 10.028, 7.1907), 19),
        ("mikedh__trimesh/single_arc.dxf", 1.0, (), (0, 0, 2, 5), 1),
        ("mikedh__trimesh/sliding-base.dxf", 25.4, (), (1.6091, 1.1796, 20.625, 15.516), 9),
        ("mikedh__trimesh/250_cycloidal.DXF", 25.4, (), (4.5228, 10.829, 9.5074, 14.277), 106),
        ("mikedh__trimesh/angle_test.dxf", 25.4, (), (0, 0, 4.5169, 4.2822), 1),
        ("mozman__ezdxf/forms.dxf", 1.0, (), (-246, -1015, 770, -183.66), 40),
        ("openscad__openscad/example008.dxf", 1.0, (), (0, 0, 150, 150), 6),
        ("openscad__openscad/example009.dxf", 1.0, ("plate",), None, 9),
    ],
)
def test_read_right(
    name: str, unit: float, layers: tuple[str, ...], bounds: tuple[float, ...] | None, contours: int
) -> None:
    options = PathOptions(path_units="inch" if unit == 25.4 else None, layers=layers)
    moves, _ = read_path(FOLDER / name, options, name)
    assert len(moves.thread_points) == contours
    cut = ~moves.rapid
    assert moves.threaded[cut].all()
    if bounds is not None:
        assert np.array(box(moves)) / unit == pytest.approx(np.array(bounds), rel=2e-4, abs=2e-3)


MM, READ_AS_MM = PathOptions(), PathOptions(path_units="mm")


@pytest.mark.parametrize(
    ("name", "options", "says"),
    [
        ("CadQuery__cadquery/spline.dxf", MM, "the contour is open at X-12.2216 Y0.381723"),
        (
            "mikedh__trimesh/insert.dxf",
            PathOptions(),
            'in block "rect": the contour at X467.5 Y342 goes there',
        ),
        ("mozman__ezdxf/cc_dxflib.dxf", MM, "the curve is not flat, Z from 0.476763 to 0.494414"),
        (
            "mozman__ezdxf/1_polylines.dxf",
            PathOptions(),
            "$INSUNITS: the drawing is in m (6), the setup in mm",
        ),
        ("mozman__ezdxf/1_polylines.dxf", READ_AS_MM, "the contour is open at X"),
        ("openscad__openscad/example009.dxf", MM, "stands there twice, first as CIRCLE #"),
        (
            "mikedh__trimesh/apu-mount.DXF",
            PathOptions(),
            "$INSUNITS: the drawing is in inch (1), the setup in mm",
        ),
    ],
)
def test_refused_with_a_reason(name: str, options: PathOptions, says: str) -> None:
    with pytest.raises(InputError) as caught:
        read_path(FOLDER / name, options, name)
    assert says in str(caught.value)


def test_all_drawings_are_in_this_table() -> None:
    listed = {mark.args[1][k][0] for test in (test_read_right, test_refused_with_a_reason)
              for mark in test.pytestmark for k in range(len(mark.args[1]))}  # fmt: skip
    there = {str(p.relative_to(FOLDER)) for p in FOLDER.rglob("*") if p.suffix.lower() == ".dxf"}
    assert there <= listed
    assert there
