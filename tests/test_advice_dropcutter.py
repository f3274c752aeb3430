"""Raises at single points against opencamlib's drop-cutter, on models that nobody here made.

A drop-cutter lowers a tool of revolution over a model until it touches; it comes from outside and counts
touch as contact. The upper head is such a tool, a nose with a 45 degree cone; the lower head is one for the
model upside down. So the outermost end of the touch-free windows is the drop-cutter's height.
"""

from __future__ import annotations

import os
from math import pi
from pathlib import Path

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

from clearance.advice.raises import find_raises
from clearance.scene.heads import pieces_of_profile
from clearance.scene.model import Body, Scene, SideHeight, Stretch
from clearance.toolpath.moves import polyline

FOLDER = Path(os.environ.get("CLEARANCE_REAL_DATA") or Path(__file__).parents[2] / "shared" / "data")
pytestmark = [pytest.mark.real, pytest.mark.slow]

#: with the mm of the unit that each is in
MODELS = {
    "mikedh__trimesh/idler_riser.STL": 25.4,
    "mikedh__trimesh/torus.STL": 25.4,
    "mikedh__trimesh/plate_holes.STL": 1.0,
}
#: radius 2 at the face, 45 degrees to radius 12, long enough for any model here
NOSE = [(0.0, 2.0), (10.0, 12.0), (2000.0, 12.0)]
FAR = 3000.0
BOUND = 0.005


def dropped(triangles: NDArray[np.float64], x: float, y: float) -> float:
    """The height of the nose's face when it has been lowered over the model until it touches."""
    # in the extra "oracles": only this test needs it
    import opencamlib as ocl

    surface = ocl.STLSurf()
    for corners in triangles:
        surface.addTriangle(ocl.Triangle(*(ocl.Point(*map(float, c)) for c in corners)))
    cutter = ocl.CylConeCutter(4.0, 24.0, pi / 4)
    drop = ocl.BatchDropCutter()
    drop.setSTL(surface)
    drop.setCutter(cutter)
    drop.appendPoint(ocl.CLPoint(x, y, -FAR))
    drop.run()
    return float(drop.getCLPoints()[0].z)


def scene(triangles: NDArray[np.float64], x: float, y: float, lower_z: float, upper_z: float) -> Scene:
    """The model between two noses that stand at one point."""
    none = SideHeight(0.0, 0.0)
    stretch = Stretch(
        name="point", cut=0, moves=polyline(np.array([[x, y]])),
        lower=tuple(pieces_of_profile(NOSE, lower_z, up=False)),
        upper=tuple(pieces_of_profile(NOSE, upper_z, up=True)),
        lower_z=lower_z, upper_z=upper_z, wire=None, bodies=(0,),
    )  # fmt: skip
    body = Body("model", "holder", triangles, True, none, none, item=0)
    return Scene("", "setup.toml", None, (body,), (stretch,), 0.0, (), ())


@pytest.mark.parametrize("file", MODELS)
def test_outermost_end_is_the_drop_cutters(file: str) -> None:
    model = trimesh.load(FOLDER / file, force="mesh")
    triangles = np.asarray(model.triangles, dtype=float) * MODELS[file]
    low, high = triangles.min(axis=(0, 1)), triangles.max(axis=(0, 1))
    rng = np.random.default_rng(len(triangles))
    upside_down = triangles * np.array([1.0, 1.0, -1.0])
    for _ in range(12):
        x, y = rng.uniform(low[:2] - 8.0, high[:2] + 8.0)
        above, below = dropped(triangles, x, y), -dropped(upside_down, x, y)
        # the upper head over the model, the lower one out of reach, and the other way round
        for upper in (True, False):
            lower_z, upper_z = (low[2] - FAR, high[2] + 50.0) if upper else (low[2] - 50.0, high[2] + FAR)
            answer = find_raises(scene(triangles, x, y, lower_z, upper_z), within=(-200.0, 200.0))
            touches = (above > -FAR) if upper else (below < FAR)
            if not touches:
                assert answer.touch_free == ((-200.0, 200.0),)
            elif upper:
                end = answer.touch_free[0][1]
                assert upper_z - above - BOUND <= end <= upper_z - above + 1e-6
            else:
                end = answer.touch_free[-1][0]
                assert lower_z - below - 1e-6 <= end <= lower_z - below + BOUND
