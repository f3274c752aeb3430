"""The judge against two more libraries, which are too large to ask of everyone who runs the tests.

    pip install coal opencamlib
    python -m pytest tests/with_libraries.py

coal measures mesh to mesh (shells: only bodies that are apart). opencamlib drops a cutter of revolution on a
model: how low a head's nose can go at a point, so how high it stands over the model is known exactly.
"""

from __future__ import annotations

from dataclasses import replace

import coal
import numpy as np
import opencamlib
import pytest
from manifold3d import Manifold

from clearance.checking.verdict import check
from clearance.scene.heads import HeadPiece, pieces_of_profile
from tests.oracles.facets import SIDES, draw_corners, height_between
from tests.oracles.scenes import Recipe, SeedDice, Shape, Step, Track, case_of, draw_parts, draw_recipe
from tests.oracles.shapes import rotation
from tests.oracles.truth import heads_of


def _bvh(corners: np.ndarray, faces: np.ndarray) -> coal.BVHModelOBBRSS:
    model = coal.BVHModelOBBRSS()
    model.beginModel(len(faces), len(corners))
    points, triangles = coal.StdVec_Vec3s(), coal.StdVec_Triangle()
    for c in corners:
        points.append(np.asarray(c, dtype=float))
    for f in faces:
        triangles.append(coal.Triangle(*map(int, f)))
    model.addSubModel(points, triangles)
    model.endModel()
    return model


def _coal_distance(a: coal.BVHModelOBBRSS, b: coal.BVHModelOBBRSS) -> float:
    request, result = coal.DistanceRequest(), coal.DistanceResult()
    coal.distance(a, coal.Transform3s(), b, coal.Transform3s(), request, result)
    return result.min_distance


@pytest.mark.parametrize("seed", range(900, 930))
def test_coal_agrees_where_bodies_are_apart(seed: int) -> None:
    recipe = draw_recipe(SeedDice(seed), kinds_of_move=("line", "axis line"))
    track = replace(recipe.tracks[0], upper_start=None, upper_steps=())
    track = replace(track, steps=track.steps[:2])
    recipe = replace(recipe, tracks=(track,), shapes=recipe.shapes[:1])
    case = case_of(recipe)
    parts = [_bvh(p.corners, p.faces) for p in recipe.shapes[0].parts]
    heads = {name: (pieces, moves) for name, pieces, moves in heads_of(case.scene.stretches[0])}
    for pair in check(case.scene).pairs:
        lo = hi = np.inf
        for piece, path in heads[pair.head][0]:
            for m in heads[pair.head][1]:
                for k, scale in enumerate((1.0 / np.cos(np.pi / SIDES), 1.0)):
                    hull = Manifold.hull_points(draw_corners(piece, path.start[m], path.end[m], scale))
                    mesh = hull.to_mesh64()
                    if len(mesh.tri_verts) == 0:
                        continue
                    draw = _bvh(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts))
                    gap = min(_coal_distance(draw, part) for part in parts)
                    lo, hi = (min(lo, gap), hi) if k == 0 else (lo, min(hi, gap))
        if pair.clearance > 0 and np.isfinite(hi):
            assert pair.clearance <= hi + 1e-6
            assert pair.clearance >= lo - 0.005 - 1e-6


@pytest.mark.parametrize("up", [True, False], ids=["upper", "lower"])
@pytest.mark.parametrize("seed", range(15))
def test_a_dropped_cutter_gives_the_height(seed: int, up: bool) -> None:
    """The head stands still ``free`` mm over the place to which the cutter drops: its height is ``free``."""
    dice = SeedDice([seed, int(up)])
    r1, r2, angle = dice.real(0.5, 6.0), dice.real(8.0, 20.0), np.radians(dice.real(20, 70))
    free = dice.real(0.001, 12.0)
    turn = rotation(np.array([0.6, 0.0, 0.8]), dice.real(0, 3))
    kind = ("block", "prism", "tetrahedron", "angle")[seed % 4]
    parts = [p.posed(turn, np.zeros(3)) for p in draw_parts(dice, kind)]
    skin = np.concatenate([p.triangles for p in parts])
    spot = np.array([dice.real(-0.5, 0.5), dice.real(-0.5, 0.5)]) + skin.mean((0, 1))[:2]
    mirror = np.array([1.0, 1.0, 1.0 if up else -1.0])
    surface = opencamlib.STLSurf()
    for t in skin * mirror:
        surface.addTriangle(opencamlib.Triangle(*(opencamlib.Point(*map(float, c)) for c in t)))
    cutter = opencamlib.CylConeCutter(2 * r1, 2 * r2, float(angle))
    drop = opencamlib.BatchDropCutter()
    drop.setSTL(surface)
    drop.setCutter(cutter)
    drop.appendPoint(opencamlib.CLPoint(float(spot[0]), float(spot[1]), -1e4))
    drop.run()
    low = drop.getCLPoints()[0].z
    assert low > -1e3, "the cutter must land on the model"
    rise = (r2 - r1) / np.tan(angle)
    profile = [(0.0, r1), (rise, r2), (rise + 200.0, r2)]
    face = (low + free) * mirror[2]
    away = HeadPiece(
        np.array([face + mirror[2] * 900, face + mirror[2] * 901])[:: int(mirror[2])], np.full(2, 1.0)
    )
    head = tuple(pieces_of_profile(profile, face, up))
    track = Track(
        (float(spot[0]), float(spot[1])),
        (Step((float(spot[0]), float(spot[1]))),),
        (away,) if up else head,
        head if up else (away,),
        face - 1.0 if up else face,
        face if up else face + 1.0,
    )
    shape = Shape("it", "holder", tuple(parts), (0.0, 0.0), (0.0, 0.0))
    result = check(case_of(Recipe("a cutter dropped", (shape,), (track,))).scene)
    pair = next(p for p in result.pairs if p.head == ("upper" if up else "lower"))
    assert pair.height is not None
    assert pair.height <= free + 1e-6
    if pair.height < free - 0.005:
        # The library's cones miss some edges (3 of 30 here, by up to 0.23 mm): a third judge must say so too.
        between = [
            min(height_between(draw_corners(p, spot, spot, scale), q.corners) for p in head for q in parts)
            for scale in (1.0 / np.cos(np.pi / SIDES), 1.0)
        ]
        assert between[1] < free - 0.005
        assert between[0] - 1e-6 <= pair.height <= between[1] + 1e-6
