"""Real models that nobody here wrote, read and measured; the facts are those of their own list.

The list was made with trimesh and an exact CAD kernel. Its "watertight" also asks for one winding and
for edges of two facets only, so it says no to two boxes that share an edge, where inside is a fact.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from scipy.spatial import ConvexHull

from clearance.mesh.mass import mass_properties
from clearance.mesh.read import read_model
from clearance.mesh.topology import shells

FOLDER = Path(os.environ.get("CLEARANCE_REAL_DATA") or Path(__file__).parents[2] / "shared" / "data")

pytestmark = [
    pytest.mark.real,
    pytest.mark.skipif(not FOLDER.is_dir(), reason="the folder of real models is not there"),
]

# file, triangles, shells, lowest corner, highest corner, volume; in the file's own unit
STL_FACTS = [
    ("mikedh__trimesh/idler_riser.STL", 1572, 1, (-0.078, 0, 0), (2.578, 2.953, 0.625), 1.4878),
    ("mikedh__trimesh/plate_holes.STL", 1252, 1, (0, 0, 0), (203.2, 304.8, 12.7), 767362),
    ("mikedh__trimesh/octagonal_pocket.stl", 3262, 1, (0, 0, 0), (0.2286, 0.1647, 0.01588), 0.000250353),
    ("mikedh__trimesh/round.stl", 1120, 1, (-2.54, -2.54, 0), (2.54, 2.54, 60.96), 277.915),
    ("mikedh__trimesh/torus.STL", 8700, 1, (-1.5, -1.5, -0.499), (1.499, 1.5, 0.499), 4.91755),
    ("mikedh__trimesh/cylinder.stl", 416, 1, (-1, -1, 0), (1, 1, 8), 25.0924),
    (
        "mikedh__trimesh/multibody.stl",
        32,
        2,
        (-0.5108, -0.7188, -0.05193),
        (0.1252, 0.3696, 0.288),
        None,
    ),
    ("mikedh__trimesh/20mm-xyz-cube.stl", 260, 1, (-47.95, -4.908, -30.98), (-27.95, 15.09, -10.98), 7938.68),
    ("mikedh__trimesh/shared.STL", 24, 1, (-0.5, -0.5, -0.5), (1.5, 1.5, 0.5), 2.0),
    ("openscad__openscad/example012.stl", 64, 1, (-18.43, -14.69, 0), (11.57, 15.31, 15), 11547.7),
    ("openscad__openscad/projection.stl", 4160, 2, (-10, -10, -10), (10, 10, 10), 3023.91),
]


@pytest.mark.parametrize("fact", STL_FACTS, ids=[fact[0].split("/")[1] for fact in STL_FACTS])
def test_real_stl(fact: tuple[str, int, int, tuple[float, ...], tuple[float, ...], float | None]) -> None:
    name, count, bodies, low, high, volume = fact
    solid, _ = read_model(FOLDER / name)
    assert len(solid.triangles) == count
    assert solid.closed
    assert shells(solid.triangles).max() + 1 == bodies
    corners = solid.triangles.reshape(-1, 3)
    scale = float(np.abs(corners).max())
    assert corners.min(axis=0) == pytest.approx(low, abs=6e-4 * scale)
    assert corners.max(axis=0) == pytest.approx(high, abs=6e-4 * scale)
    if volume is not None:
        assert mass_properties(solid.triangles)[0] == pytest.approx(volume, rel=1e-4)


def test_real_volume_in_spite_of_mixed_winding() -> None:
    """Facets of this file are wound both ways, and the list's volume (0.0140405) is a sum that takes some
    of them away: its first body, a block, would be twelve times its own box. Both are convex to the
    rounding of their corners, so the hull (scipy, Qhull) is the body."""
    solid, _ = read_model(FOLDER / "mikedh__trimesh/multibody.stl")
    assert "inconsistent winding" in [remark.kind for remark in solid.remarks]
    label = shells(solid.triangles)
    hulls = sum(ConvexHull(solid.triangles[label == k].reshape(-1, 3)).volume for k in (0, 1))
    assert mass_properties(solid.triangles)[0] == pytest.approx(hulls, rel=2e-4)


# as above, and how far the volume may be off: the facets of a STEP model enclose a little less or more
OTHER_FACTS = [
    ("mikedh__trimesh/counterX.3MF", 8080, 1, (-151.4, -151.2, 1), (153.4, 153.2, 13.7), 885303, 1),
    ("mikedh__trimesh/box_sides.STEP", None, 10, (-18.45, 46.72, 112.6), (165.7, 161, 207.8), 263542, 30),
    ("CadQuery__cadquery/red_cube_blue_cylinder.step", None, 2, (-10, 0, 0), (15, 10, 10), 1785.398, 1.6),
]


@pytest.mark.few("counterX.3MF")
@pytest.mark.parametrize(
    "fact",
    [
        pytest.param(f, id=f[0].split("/")[1], marks=[pytest.mark.slow] * ("sides" in f[0]))
        for f in OTHER_FACTS
    ],
)
def test_real_models_that_carry_their_unit(
    fact: tuple[str, int | None, int, tuple[float, ...], tuple[float, ...], float, float],
) -> None:
    """Millimetre, inch and metre files. A 10 mm cube and a cylinder of 10 x 10: 1000 + 250 pi = 1785.398;
    facets at most 0.01 inside a cylinder of r = 5, h = 10 take at most 2 pi r h 0.01 / 2 = 1.6 away."""
    name, count, bodies, low, high, volume, off = fact
    solid, _ = read_model(FOLDER / name)
    assert solid.closed
    assert count is None or len(solid.triangles) == count
    assert shells(solid.triangles).max() + 1 == bodies
    corners = solid.triangles.reshape(-1, 3)
    assert corners.min(axis=0) == pytest.approx(low, abs=0.06)
    assert corners.max(axis=0) == pytest.approx(high, abs=0.06)
    assert mass_properties(solid.triangles)[0] == pytest.approx(volume, abs=off)


@pytest.mark.slow
def test_one_body_of_a_real_assembly() -> None:
    solid, _ = read_model(FOLDER / "CadQuery__cadquery/red_cube_blue_cylinder.step", bodies=["red_cube"])
    assert mass_properties(solid.triangles)[0] == pytest.approx(1000, abs=1e-3)


def test_a_real_wall_with_a_hole() -> None:
    """Its faces have many corners and hollow sides. A fan, which the list's tool makes of them, has facets
    outside the faces and 11 without area (hence "watertight no"); ears cut off one by one close the body."""
    solid, _ = read_model(FOLDER / "mikedh__trimesh/wallhole.obj")
    assert solid.closed
    assert solid.remarks == ()
    assert len(solid.triangles) == 66
    corners = solid.triangles.reshape(-1, 3)
    assert corners.min(axis=0).tolist() == [0, 0, -10]
    assert corners.max(axis=0).tolist() == [10, 15, 0]


def test_the_facts_cover_every_stl_there_is() -> None:
    there = {str(p.relative_to(FOLDER)) for p in FOLDER.rglob("*") if p.suffix.lower() == ".stl"}
    assert there == {fact[0] for fact in STL_FACTS}
