"""Every file that nobody here wrote, from ``clearance new`` or a setup to a verdict or one message.

Sizes and units are those of the folder's own list, which was made with other tools. What a model or a path is
refused or doubted for must be something that a machinist can act on: the table below says what.
"""

from __future__ import annotations

import os
import re
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import clearance
from clearance.cli import run
from clearance.errors import InputError
from clearance.toolpath.dxf import reader as dxf
from clearance.toolpath.dxf.child import answer
from tests.setup_writer import setup, write

FOLDER = Path(os.environ.get("CLEARANCE_REAL_DATA") or Path(__file__).parents[2] / "shared" / "data")

pytestmark = [
    pytest.mark.real,
    pytest.mark.skipif(not FOLDER.is_dir(), reason="the folder of real files is not there"),
]

#: model: the unit that it is in (None: its file says so), what a setup that names no unit gets, size in mm
MODELS: dict[str, tuple[str | None, str, tuple[float, float, float]]] = {
    "mikedh__trimesh/idler_riser.STL": ("inch", "undecided", (67.46, 75.01, 15.875)),
    "mikedh__trimesh/plate_holes.STL": ("mm", "read", (203.2, 304.8, 12.7)),
    "mikedh__trimesh/octagonal_pocket.stl": ("m", "undecided", (228.6, 164.7, 15.88)),
    "mikedh__trimesh/round.stl": ("mm", "read", (5.08, 5.08, 60.96)),
    "mikedh__trimesh/torus.STL": ("inch", "undecided", (76.18, 76.2, 25.35)),
    "mikedh__trimesh/cylinder.stl": ("inch", "undecided", (50.8, 50.8, 203.2)),
    "mikedh__trimesh/multibody.stl": ("inch", "undecided", (16.155, 27.65, 8.634)),
    "mikedh__trimesh/20mm-xyz-cube.stl": ("mm", "read", (20.0, 20.0, 20.0)),
    "mikedh__trimesh/shared.STL": ("inch", "undecided", (50.8, 50.8, 25.4)),
    "mikedh__trimesh/wallhole.obj": ("mm", "read", (10.0, 15.0, 10.0)),
    "mikedh__trimesh/counterX.3MF": (None, "read", (304.8, 304.4, 12.7)),
    "mikedh__trimesh/box_sides.STEP": (None, "read", (184.15, 114.28, 95.2)),
    "CadQuery__cadquery/red_cube_blue_cylinder.step": (None, "read", (25.0, 10.0, 10.0)),
    "openscad__openscad/example012.stl": ("mm", "read", (30.0, 30.0, 15.0)),
    "openscad__openscad/projection.stl": ("mm", "read", (20.0, 20.0, 20.0)),
}

#: drawing: the keys of its cut, and the size in mm of what is cut, or the words of the message
DRAWINGS: list[tuple[str, dict[str, Any], tuple[float, float] | str]] = [
    ("mikedh__trimesh/buffer_regions.dxf", {"path_units": "inch"}, (76.2, 127.0)),
    ("mikedh__trimesh/buffer_regions.dxf", {}, r"drawing is in inch \(1\), the setup in mm; path_units = "),
    ("mikedh__trimesh/apu-mount.DXF", {"path_units": "inch"}, (200.9, 114.3)),
    ("mikedh__trimesh/single_arc.dxf", {}, (2.0, 5.0)),
    ("mikedh__trimesh/sliding-base.dxf", {"path_units": "inch"}, (483.0, 364.1)),
    ("mikedh__trimesh/250_cycloidal.DXF", {"path_units": "inch"}, (126.6, 87.6)),
    ("mikedh__trimesh/angle_test.dxf", {"path_units": "inch"}, (114.73, 108.77)),
    ("mikedh__trimesh/insert.dxf", {}, r'LWPOLYLINE #53 in block "rect": .* goes there and back'),
    ("mozman__ezdxf/forms.dxf", {}, (1016.0, 831.3)),
    ("mozman__ezdxf/1_polylines.dxf", {}, r"in m \(6\), the setup in mm; path_units = "),
    ("mozman__ezdxf/1_polylines.dxf", {"path_units": "mm"}, "contour is open at X"),
    ("mozman__ezdxf/cc_dxflib.dxf", {}, "the curve is not flat, Z from"),
    ("CadQuery__cadquery/spline.dxf", {}, "the contour is open at X.*; the nearest open end is"),
    ("openscad__openscad/example008.dxf", {}, (150.0, 150.0)),
    ("openscad__openscad/example009.dxf", {}, "stands there twice, first as CIRCLE .*layers = "),
    ("openscad__openscad/example009.dxf", {"layers": ["plate"]}, (40.0, 40.0)),  # the longest to judge
]


#: tried in the heavy share only: others go the same way, and one of these takes seconds
SLOW = (
    "mikedh__trimesh/box_sides.STEP",
    "mikedh__trimesh/torus.STL",
    "mikedh__trimesh/shared.STL",
    "openscad__openscad/projection.stl",
)
SLOW_TOO = (*SLOW, "CadQuery__cadquery/red_cube_blue_cylinder.step")
SHARED = [pytest.param(name, marks=[pytest.mark.slow] * (name in SLOW)) for name in MODELS]


@pytest.mark.few("mikedh__trimesh/20mm-xyz-cube.stl", "mikedh__trimesh/counterX.3MF")
@pytest.mark.parametrize("name", SHARED)
def test_a_real_model_as_the_part(tmp_path: Path, name: str) -> None:
    """A setup with the model, once with its unit and once without: a size that is right, or no verdict."""
    unit, unsaid, size = MODELS[name]
    source = os.path.relpath(FOLDER / name, tmp_path)
    item = {"name": "die plate", "part": source, "at": [100, 100, 0]}
    cut = {"name": "opening", "part": "die plate", "path": "opening.csv", "axes": "machine"}
    for said in dict.fromkeys((unit, None)):
        more = {} if said is None else {"units": said}
        file = write(tmp_path, setup(heads={"upper_z": 300}, items=[{**item, **more}], cuts=[cut]))
        scene = clearance.load(str(file))
        points = scene.bodies[0].triangles_M.reshape(-1, 3)
        if said == unit:
            assert np.ptp(points, axis=0) == pytest.approx(np.array(size), rel=2e-3)
        doubted = [f.message for f in scene.findings if f.severity == "undecided"]
        if said is None and unsaid == "undecided":
            assert clearance.check(scene).verdict in ("undecided", "clash")
            assert any("no verdict rests on that" in message and "units = " in message for message in doubted)
        else:
            assert doubted == []
            if said is not None and unsaid == "read":
                assert clearance.check(scene).verdict != "undecided"


#: read by a process of their own, as they are by a user; the others here, which is quicker
BY_A_PROCESS = ("mikedh__trimesh/apu-mount.DXF", "mozman__ezdxf/forms.dxf", "CadQuery__cadquery/spline.dxf")


@pytest.mark.few(
    "mikedh__trimesh/250_cycloidal.DXF-keys5-expected5",
    "mozman__ezdxf/cc_dxflib.dxf-keys11-the curve is not flat, Z from",
)
@pytest.mark.parametrize(
    ("name", "keys", "expected"), [*DRAWINGS[:-1], pytest.param(*DRAWINGS[-1], marks=pytest.mark.slow)]
)
def test_a_real_drawing_as_the_path(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    keys: dict[str, Any],
    expected: tuple[float, float] | str,
) -> None:
    if name not in BY_A_PROCESS:
        monkeypatch.setattr(dxf, "ask_child", lambda request, shown: answer(request))
    cut = {"name": "opening", "path": os.path.relpath(FOLDER / name, tmp_path), **keys}
    file = write(tmp_path, setup(heads={"upper_z": 80}, cuts=[cut]))
    if isinstance(expected, str):
        with pytest.raises(InputError, match=expected) as caught:
            clearance.load(str(file))
        assert caught.value.exit_code == 2
        assert "\n" not in str(caught.value)
        return
    scene = clearance.load(str(file))
    moves = scene.stretches[0].moves
    if len(moves) < 100:
        assert clearance.check(scene).verdict in ("clear", "close", "clash")
    t = np.linspace(0, 1, 181)[:, None]
    a, b, c = (p @ [1, 1j] for p in (moves.start, moves.end, moves.centre))
    at = np.where(moves.sweep == 0, a + t * (b - a), c + (a - c) * np.exp(1j * moves.sweep * t))
    at = at[:, ~moves.rapid]
    assert (np.ptp(at.real), np.ptp(at.imag)) == pytest.approx(expected, rel=2e-3)


@pytest.mark.few("mikedh__trimesh/round.stl")
@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=[pytest.mark.slow] * (name in SLOW_TOO)) for name in MODELS]
)
def test_a_first_setup_for_a_real_model(tmp_path: Path, name: str) -> None:
    """A square of a tenth of its size is cut: the unit is the listed one, the part stands on the table."""
    unit, _, size = MODELS[name]
    side = max(1.0, min(size[:2]) / 10)
    path = tmp_path / "square.nc"
    path.write_text(f"G90 G71\nG00 X0. Y0.\nG01 X{side:.3f}\nY{side:.3f}\nX0.\nY0.\nM02\n", encoding="utf-8")
    target = tmp_path / "first.toml"
    assert run(["new", str(FOLDER / name), str(path), "-o", str(target)]) == 0
    part = next(item for item in tomllib.loads(target.read_text(encoding="utf-8"))["items"] if "part" in item)
    # two of the inch files would be as good a size in metres or mm, and nothing in them tells
    if name not in ("mikedh__trimesh/multibody.stl",):
        assert part.get("units") == unit
    scene = clearance.load(str(target))
    lowest = min(b.triangles_M[..., 2].min() for b in scene.bodies if b.kind == "part")
    assert lowest == pytest.approx(0.0, abs=0.02)
    if unit is not None:
        assert clearance.check(scene).verdict in ("clear", "close", "clash")


def test_the_table_has_every_file_there_is() -> None:
    listed = set(MODELS) | {name for name, _, _ in DRAWINGS}
    text = (FOLDER / "MANIFEST.md").read_text(encoding="utf-8")
    named = set(re.findall(r"^\| (\S+__\S+/\S+) \|", text, re.MULTILINE))
    there = {p.relative_to(FOLDER).as_posix() for p in FOLDER.glob("*/*") if p.is_file()}
    assert listed == there
    assert named == there
