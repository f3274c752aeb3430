"""The same part in inches and in mm gives the same verdict and the same figures, by every way it can come.

One inch is 25.4 mm exactly (international yard and pound agreement of 1959; from memory). The figures differ
by what 32-bit numbers of a binary STL (2^-24 of 160 mm: 1e-5) and four decimals of an inch leave open.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest

import clearance
from clearance.checking.result import Result
from clearance.toolpath.dxf import reader as dxf
from clearance.toolpath.dxf.child import answer
from tests.oracles.step_text import INCH, MM, ball
from tests.setup_writer import setup, stl_of_block, write
from tests.test_solids_threemf import mesh, threemf

IN = 25.4
#: of the plate and the path, inch: round numbers in neither unit
PLATE = (4.7, 3.1, 0.8)
POINTS = [(0.25, 0.25), (1.75, 0.25), (1.75, 1.15), (0.25, 1.15), (0.25, 0.25)]


def verdict_of(folder: Path, **changes: Any) -> Result:
    """The plate on its rail, and a stop on it beside the path, so near that it is close to the upper head."""
    given = {
        "items__0": {"name": "rail", "shape": {"box": [300, 20, 25]}, "at": [150, 50, -25]},
        "items__2": {"name": "stop", "shape": {"box": [10, 10, 5]}, "at": [144.4, 98, 21]},
        "items__3": None,
        "cuts__0__zero": [0, 40, 0],
        **changes,
    }
    result: Result = clearance.check(clearance.load(str(write(folder, setup(**given)))))
    return result


def figures(result: Result) -> dict[tuple[str, str], tuple[str, float | None]]:
    return {(pair.head, pair.item): (pair.verdict, pair.clearance) for pair in result.pairs}


def same(one: Result, other: Result, within: float) -> None:
    assert one.verdict == other.verdict
    assert figures(one).keys() == figures(other).keys()
    for key, (verdict, clearance_) in figures(one).items():
        assert figures(other)[key][0] == verdict, key
        assert figures(other)[key][1] == pytest.approx(clearance_, abs=within), key


def program(unit: float, word: str) -> str:
    lines = [f"G90 {word}", "G00 X{:.5f} Y{:.5f}".format(*(c * unit for c in POINTS[0]))]
    lines += ["G01 X{:.5f} Y{:.5f}".format(*(c * unit for c in p)) for p in POINTS[1:]]
    return "\n".join([*lines, "M30", ""])


@pytest.fixture
def in_mm(tmp_path: Path) -> Result:
    folder = tmp_path / "mm"
    folder.mkdir()
    return plate_and_program(folder, IN, {"units": "mm"}, "G71")


def plate_and_program(folder: Path, unit: float, item: dict[str, Any], word: str, **keys: Any) -> Result:
    (folder / "plate.stl").write_bytes(stl_of_block(*(c * unit for c in PLATE)))
    (folder / "cut.nc").write_text(program(unit, word), encoding="utf-8")
    part = {
        "name": "die plate",
        "part": "plate.stl",
        "on": "rail",
        "seat": "top",
        "at": [-60, -10, 0],
        **item,
    }
    return verdict_of(folder, items__1=part, cuts__0__path="cut.nc", **keys)


def test_the_scene_is_one_that_tells(in_mm: Result) -> None:
    """By hand: the path ends at X 90 + 1.75 x 25.4 = 134.45, the nozzle 4.5 on; the stop begins at 139.4."""
    stop = next(p for p in in_mm.pairs if (p.head, p.item) == ("upper", "stop"))
    assert in_mm.verdict == stop.verdict == "close"
    assert stop.clearance == pytest.approx(0.45, abs=0.005)


def test_stl_and_program(tmp_path: Path, in_mm: Result) -> None:
    same(in_mm, plate_and_program(tmp_path, 1.0, {"units": "inch"}, "G70"), 1e-3)
    same(in_mm, plate_and_program(tmp_path, 1.0, {"units": "inch"}, "G20"), 1e-3)
    same(in_mm, plate_and_program(tmp_path, 1.0, {"units": "inch"}, "", cuts__0__path_units="inch"), 1e-3)


def test_an_inch_model_that_nobody_gave_a_unit_is_not_cleared(tmp_path: Path) -> None:
    """Read as mm it is out of everybody's way: no verdict is given, and the way out is named."""
    result = plate_and_program(tmp_path, 1.0, {}, "G70", heads={"upper_z": 60.0})
    assert result.verdict == "undecided"
    assert any('units = "inch"' in f.message for f in result.findings if f.severity == "undecided")


def test_threemf(tmp_path: Path, in_mm: Result) -> None:
    facets = np.frombuffer(stl_of_block(*PLATE), dtype=np.uint8, offset=84).reshape(-1, 50)
    corners = np.ascontiguousarray(facets[:, 12:48]).view("<f4").astype(float).reshape(-1, 3, 3)
    for unit, scale in (("inch", 1.0), ("millimeter", IN), ("centimeter", IN / 10), ("foot", 1 / 12)):
        block = f'<object id="1">{mesh(corners * scale)}</object>'
        (tmp_path / "plate.3mf").write_bytes(threemf(block, head=f'unit="{unit}"'))
        same(in_mm, plate_and_program(tmp_path, 1.0, {"part": "plate.3mf"}, "G70"), 1e-3)


@pytest.mark.slow
def test_step(tmp_path: Path) -> None:
    results = []
    for name, unit, scale in (("mm", MM, 1.0), ("inch", INCH, IN)):
        (tmp_path / "ball.step").write_text(ball(12.7 / scale, unit), encoding="ascii")
        item = {"name": "stop", "model": "ball.step", "at": [150, 98, 30], "facet_bound": 0.1}
        results.append(verdict_of(tmp_path, items__2=item, title=name))
    assert results[0].verdict != "clear"
    # facets of a ball need not be the same ones: each lies within 0.1 of it, by the bound
    same(*results, within=0.2)  # type: ignore[misc]


def test_drawing_and_table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dxf, "ask_child", lambda request, shown: answer(request))
    results = []
    for units, scale, keys in ((4, IN, {}), (1, 1.0, {"cuts__0__path_units": "inch"})):
        doc = ezdxf.new()
        doc.header["$INSUNITS"] = units
        doc.modelspace().add_lwpolyline([(x * scale, y * scale) for x, y in POINTS[:-1]], close=True)
        doc.saveas(tmp_path / "cut.dxf")
        results.append(verdict_of(tmp_path, cuts__0__path="cut.dxf", **keys))
        rows = "".join(f"{x * scale:.5f},{y * scale:.5f}\n" for x, y in POINTS)
        (tmp_path / "cut.csv").write_text("x,y\n" + rows, encoding="utf-8")
        results.append(verdict_of(tmp_path, cuts__0__path="cut.csv", **keys))
    for other in results[1:]:
        same(results[0], other, 1e-3)


def test_a_setup_in_inches(tmp_path: Path, in_mm: Result) -> None:
    """Every length of the setup file itself in inches."""
    (tmp_path / "plate.stl").write_bytes(stl_of_block(*PLATE))
    (tmp_path / "cut.nc").write_text(program(1.0, "G70"), encoding="utf-8")

    def inch(*mm: float) -> list[float]:
        return [each / IN for each in mm]

    changes = {
        "units": "inch",
        "heads": {"flushing_distance": 0.2 / IN},
        "items__0": {"name": "rail", "shape": {"box": inch(300, 20, 25)}, "at": inch(150, 50, -25)},
        "items__1": {"name": "die plate", "part": "plate.stl", "units": "inch", "on": "rail", "seat": "top",
                     "at": inch(-60, -10, 0)},
        "items__2": {"name": "stop", "shape": {"box": inch(10, 10, 5)}, "at": inch(144.4, 98, 21)},
        "cuts__0__path": "cut.nc",
        "cuts__0__zero": inch(0, 40, 0),
    }  # fmt: skip
    same(in_mm, verdict_of(tmp_path, **changes), 1e-3)
