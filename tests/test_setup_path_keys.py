"""Keys that go with some files only: each arrives in the scene by a figure from outside, or is refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import ezdxf
import numpy as np
import pytest

from clearance.errors import InputError
from clearance.scene.load import load
from clearance.scene.model import Stretch
from clearance.toolpath.dxf import reader as dxf
from clearance.toolpath.dxf.child import answer
from tests.oracles.step_text import MM, ball
from tests.setup_writer import setup, stl_of_block, write

# where the program's zero lies in the machine (see test_setup_keys)
ZERO = (160.0, 100.0)


@pytest.fixture(autouse=True)
def _in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(dxf, "ask_child", lambda request, shown: answer(request))


def drawn(folder: Path, units: int = 4) -> None:
    """Two squares of 8 and 2 side by side, the large one drawn first, and a curve on a layer of its own.

    The small square is drawn with one end 0.05 short of where it began.
    """
    doc = ezdxf.new("R2010")
    doc.header["$INSUNITS"] = units
    space = doc.modelspace()
    space.add_lwpolyline([(0, 0), (8, 0), (8, 8), (0, 8)], close=True, dxfattribs={"layer": "BIG"})
    space.add_lwpolyline([(3, 3), (5, 3), (5, 5), (3, 5), (3, 3.05)], dxfattribs={"layer": "SMALL"})
    space.add_ellipse((40, 0), major_axis=(5, 0), ratio=0.4, dxfattribs={"layer": "ROUND"})
    doc.saveas(folder / "drawing.dxf")


def cut_of(folder: Path, units: int = 4, **keys: Any) -> Stretch:
    drawn(folder, units)
    changes = {"cuts__0__path": "drawing.dxf", **{f"cuts__0__{key}": value for key, value in keys.items()}}
    return load(write(folder, setup(**changes))).stretches[0]


def path(it: Stretch) -> np.ndarray:
    return np.vstack([it.moves.start[:1], it.moves.end]) - np.array(ZERO)


def area(points: np.ndarray) -> float:
    x, y = points.T
    return float((x[:-1] * y[1:] - x[1:] * y[:-1]).sum() / 2)


def test_layers_and_direction(tmp_path: Path) -> None:
    assert area(path(cut_of(tmp_path, layers=["BIG"]))) == pytest.approx(64.0)
    assert area(path(cut_of(tmp_path, layers=["BIG"], direction="cw"))) == pytest.approx(-64.0)


def test_gap(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"open at .*0\.05 mm away"):
        cut_of(tmp_path, layers=["SMALL"], gap=0.04)
    assert area(path(cut_of(tmp_path, layers=["SMALL"], gap=0.06))) == pytest.approx(4.0, abs=0.2)


def test_order(tmp_path: Path) -> None:
    inside_first = path(cut_of(tmp_path, layers=["BIG", "SMALL"], gap=0.06))
    as_drawn = path(cut_of(tmp_path, layers=["BIG", "SMALL"], gap=0.06, order="as drawn"))
    assert inside_first[0] == pytest.approx([3, 3], abs=0.06)
    assert as_drawn[0] == pytest.approx([0, 0])


def test_start(tmp_path: Path) -> None:
    points = path(cut_of(tmp_path, layers=["BIG"], start=[4, 1]))
    assert points[:2] == pytest.approx(np.array([[4, 1], [4, 0]]))


def test_chord_bound_arrives_and_the_heads_grow_by_it(tmp_path: Path) -> None:
    fine, coarse = (cut_of(tmp_path, layers=["ROUND"], chord_bound=bound) for bound in (0.001, 0.1))
    assert len(coarse.moves) < len(fine.moves)
    # the profile's first radius is 4.0: the heads are grown by what the curves may be off, and no more
    assert 4.0 < fine.lower[0].r[-1] <= 4.001 + 1e-9
    assert 4.001 < coarse.lower[0].r[-1] <= 4.1 + 1e-9


def test_path_units(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"INSUNITS.*path_units"):
        cut_of(tmp_path, units=1, layers=["BIG"])
    assert area(path(cut_of(tmp_path, units=1, layers=["BIG"], path_units="inch"))) == pytest.approx(
        64.0 * 25.4**2
    )
    metres = cut_of(tmp_path, units=6, layers=["BIG"], path_units="m")
    assert area(path(metres)) == pytest.approx(64.0 * 1000.0**2)
    assert area(path(cut_of(tmp_path, units=5, layers=["BIG"], path_units="cm"))) == pytest.approx(6400.0)
    with pytest.raises(InputError, match=r"path_units.*a program, and programs are in mm or inch"):
        load(write(tmp_path, setup(cuts__0__path_units="m", cuts__0__path="program.nc")))
    table = load(write(tmp_path, setup(cuts__0__path_units="inch"))).stretches[0]
    assert path(table)[-1] == pytest.approx([254.0, 127.0])
    with pytest.raises(InputError, match=r"line 1: the program says mm"):
        load(write(tmp_path, setup(cuts__0__path_units="inch", cuts__0__path="program.nc")))


def test_lengths_of_an_inch_setup_are_inches(tmp_path: Path) -> None:
    inch = {"units": "inch", "items__1__units": "mm", "items__2__units": "mm", "cuts__0__zero": [0, 0, 0]}
    drawn(tmp_path, units=1)
    keys = {"path": "drawing.dxf", "layers": ["SMALL"], "gap": 0.06, "start": [4, 4]}
    tables = setup(**inch, **{f"cuts__0__{key}": value for key, value in keys.items()})
    it = load(write(tmp_path, tables)).stretches[0]
    assert it.moves.start[0] - it.zero_M[:2] == pytest.approx([4 * 25.4, 4 * 25.4])


@pytest.mark.parametrize(
    ("file", "key", "value", "words"),
    [
        ("opening.csv", "offsets", {"1": 0.2}, "offset_max"),
        ("drawing.dxf", "offsets", {"1": 0.2}, "offset_max"),
        ("opening.csv", "gap", 0.1, "DXF"),
        ("program.nc", "start", [1, 2], "DXF"),
        ("program.nc", "direction", "cw", "DXF"),
        ("program.nc", "chord_bound", 0.1, "DXF"),
        ("program.nc", "order", "as drawn", "DXF"),
        ("drawing.dxf", "digits", [3, 3], "NC program"),
        ("opening.csv", "zeros", {"G54": [1, 1]}, "NC program"),
        ("drawing.dxf", "planes", {"xy": 0, "uv": 9}, "no U V"),
    ],
)
def test_a_key_that_its_file_has_no_use_for_is_not_passed_over(
    tmp_path: Path, file: str, key: str, value: Any, words: str
) -> None:
    drawn(tmp_path)
    with pytest.raises(InputError, match=rf"cuts\[1\]\.{key}.*{words}"):
        load(write(tmp_path, setup(**{"cuts__0__path": file, f"cuts__0__{key}": value})))


@pytest.mark.parametrize(("key", "value"), [("gap", 0), ("gap", -1), ("chord_bound", 0), ("order", "random")])
def test_wrong_values(tmp_path: Path, key: str, value: Any) -> None:
    with pytest.raises(InputError, match=rf"cuts\[1\]\.{key}"):
        cut_of(tmp_path, **{key: value})


def two_solids(folder: Path) -> Path:
    """An ASCII STL of two blocks side by side, "left" 10 wide from X 0 and "right" 30 wide from X 50."""

    def lines(name: str, x: float, wide: float) -> str:
        facets = np.frombuffer(stl_of_block(wide, 20, 30), dtype=np.uint8, offset=84).reshape(-1, 50)
        corners = np.ascontiguousarray(facets[:, 12:48]).view("<f4").reshape(-1, 3, 3) + np.array([x, 0, 0])
        text = "".join(
            "facet normal 0 0 0\nouter loop\n"
            + "".join(f"vertex {' '.join(map(str, corner))}\n" for corner in corners_of_one.tolist())
            + "endloop\nendfacet\n"
            for corners_of_one in corners
        )
        return f"solid {name}\n{text}endsolid {name}\n"

    file = folder / "two.stl"
    file.write_text(lines("left jaw", 0, 10) + lines("right jaw", 50, 30), encoding="ascii")
    return file


def test_bodies_of_a_model_are_chosen_and_each_choice_is_its_own(tmp_path: Path) -> None:
    """One file for two items, each with another body of it: neither gets what was read for the other."""
    two_solids(tmp_path)
    changes = {
        "items__2": {"name": "left", "model": "two.stl", "bodies": "left jaw"},
        "items__4": {"name": "right", "model": "two.stl", "bodies": ["right jaw"]},
        "items__5": {
            "name": "both",
            "model": "two.stl",
            "bodies": ["right jaw", "left jaw"],
            "at": [0, 99, 0],
        },
        "items__6": {"name": "all", "model": "two.stl"},
    }
    scene = load(write(tmp_path, setup(**changes)))
    wide = {b.name: (b.triangles_M[..., 0].min(), b.triangles_M[..., 0].max()) for b in scene.bodies}
    assert [wide[name] for name in ("left", "right", "both", "all")] == [(0, 10), (50, 80), (0, 80), (0, 80)]
    assert next(b for b in scene.bodies if b.name == "left").source.bodies == ("left jaw",)
    with pytest.raises(InputError, match=r'items\[3\]\.bodies.*two\.stl.*no body "lift jaw".*"left jaw"'):
        load(write(tmp_path, setup(items__2={"name": "a", "model": "two.stl", "bodies": ["lift jaw"]})))


@pytest.mark.slow
def test_facet_bound_counts_as_allow(tmp_path: Path) -> None:
    (tmp_path / "ball.step").write_text(ball(3.0, MM), encoding="ascii")
    item = {"name": "ball", "model": "ball.step", "allow": {"side": 0.02, "height": 0.03}}
    scene = load(
        write(tmp_path, setup(items__2={**item, "facet_bound": 0.2}, items__4={**item, "name": "b"}))
    )
    coarse, fine = (next(b for b in scene.bodies if b.name == name) for name in ("ball", "b"))
    # what was measured on the facets, which is no more than the bound; on a ball of 3 mm facets of one
    # size lie off by nearly as much as they may
    assert 0.02 + 0.15 < coarse.allow.side <= 0.02 + 0.2
    assert coarse.allow.height - coarse.allow.side == pytest.approx(0.01, abs=1e-12)
    assert 0.02 < fine.allow.side <= 0.02 + 0.01
    assert len(coarse.triangles_M) < len(fine.triangles_M)
    with pytest.raises(InputError, match=r"items\[3\]\.facet_bound.*stop\.stl.*facets of its own"):
        load(write(tmp_path, setup(items__2__facet_bound=0.1)))


def test_bodies_and_facet_bound_go_with_models(tmp_path: Path) -> None:
    for key, value in (("bodies", ["a"]), ("facet_bound", 0.1)):
        with pytest.raises(InputError, match=rf"items\[1\]\.{key}.*part or model"):
            load(write(tmp_path, setup(**{f"items__0__{key}": value})))
