"""The metal that is left, by volume, against solids cut by a library.

The source is manifold3d (``Manifold``: hull, union and difference of exact solids): each bit of the wire's
way is the hull of two posts as thick as the kerf. It shares no code with the slices that it judges; lines of
the wire are taken from the paths as read. Areas of plain cuts are by hand.
"""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
from manifold3d import Manifold, Mesh64

import clearance
from clearance.mesh.read import read_model
from clearance.mesh.sections import Outline, levels_of
from clearance.process.removal import removals
from clearance.process.stock import SPARK_GAP, Stock
from clearance.scene.model import Scene
from tests.access_bench import WIRE, block, box_path, line, post, scene

DEMOS = Path(__file__).resolve().parent.parent / "demo_models"
FOLDER = Path(os.environ.get("CLEARANCE_REAL_DATA") or Path(__file__).parents[2] / "shared" / "data")
WIDE = WIRE + 2 * SPARK_GAP


def solid(triangles: np.ndarray) -> Manifold:
    """A solid of facets that close."""
    corners, faces = np.unique(np.round(triangles.reshape(-1, 3), 7), axis=0, return_inverse=True)
    faces = faces.reshape(-1, 3)
    a, b, c = faces.T
    faces = faces[(a != b) & (b != c) & (c != a)].astype(np.uint64)
    made = Manifold(Mesh64(corners, np.ascontiguousarray(faces)))
    return made if made.volume() > 0 else Manifold(Mesh64(corners, np.ascontiguousarray(faces[:, ::-1])))


def kerf_solid(scene: Scene, width: float) -> Manifold:
    """All that the wire takes out on the moves on which it cuts, through every height."""
    low = min(float(b.triangles_M[..., 2].min()) for b in scene.bodies if b.kind == "part") - 1
    high = max(float(b.triangles_M[..., 2].max()) for b in scene.bodies if b.kind == "part") + 1
    bits = []
    for stretch in scene.stretches:
        m = stretch.moves
        if stretch.cut is None:
            continue
        for k in np.flatnonzero(m.threaded & ~m.rapid):
            points = [m.start[k], m.end[k]]
            if m.sweep[k]:
                spoke = m.start[k] - m.centre[k]
                turn = np.linspace(0, m.sweep[k], 2 + int(abs(m.sweep[k]) / 0.035))
                rotated = np.outer(np.cos(turn), spoke) + np.outer(np.sin(turn), [-spoke[1], spoke[0]])
                points = list(m.centre[k] + rotated)
            posts = [
                Manifold.cylinder(high - low, width / 2, width / 2, 24).translate((*p, low)) for p in points
            ]
            bits += [Manifold.batch_hull([p, q]) for p, q in zip(posts[:-1], posts[1:], strict=True)]
    return Manifold.batch_boolean(bits, manifold_op())


def manifold_op() -> object:
    from manifold3d import OpType

    return OpType.Add


def ours(scene: Scene, part: int, width: float) -> tuple[list[float], Stock]:
    """The volumes of what is left and of each piece that came free, largest first."""
    told = removals(scene)
    stock = Stock(scene.bodies[part], width)
    for run in told.all_runs:
        if part in run.stretch.cut_bodies:
            stock.cut(run)
    pieces = [stock.free(piece.outline) for piece in told.pieces if piece.part == part]
    return sorted([stock.metal.volume, *(p.volume for p in pieces)], reverse=True), stock


def agree(scene: Scene, width: float, least: float = 0.5) -> None:
    """Each volume within 0.1 % of the whole, the largest within 0.1 % of itself."""
    away = kerf_solid(scene, width)
    for part in sorted({k for s in scene.stretches for k in s.cut_bodies}):
        left = solid(scene.bodies[part].triangles_M) - away
        truth = sorted((p.volume() for p in left.decompose() if p.volume() > least), reverse=True)
        found, stock = ours(scene, part, width)
        assert len(found) == len(truth), (found, truth)
        np.testing.assert_allclose(found, truth, rtol=1e-3, atol=1e-3 * sum(truth) * 0.01)
        assert sum(found) == pytest.approx(left.volume(), rel=1e-3)
        # the centre of gravity of what is left, by the moments of the solid's facets
        largest = max(left.decompose(), key=lambda p: p.volume())
        if stock.metal.volume == pytest.approx(largest.volume(), rel=1e-3):
            mesh = largest.to_mesh64()
            t = np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts).astype(int)]
            six = np.einsum("ij,ij->i", t[:, 0], np.cross(t[:, 1], t[:, 2]))
            middle = (t.sum(axis=1) / 4 * six[:, None]).sum(axis=0) / six.sum()
            np.testing.assert_allclose(stock.metal.middle, middle, atol=0.02)


@pytest.mark.few("punch_blank")
@pytest.mark.parametrize(
    "name",
    [
        *(pytest.param(name, marks=pytest.mark.slow) for name in ("side_plate_die_clash", "rivet_wheel")),
        "stripper_plate",
        "punch_blank",
        pytest.param("keyhole_inserts", marks=pytest.mark.slow),
    ],
)
def test_every_demo(name: str) -> None:
    loaded = clearance.load(str(DEMOS / f"{name}.toml"))
    agree(loaded, float(loaded.machine.wire) + 2 * SPARK_GAP)


def test_holes_at_many_levels(tmp_path: Path) -> None:
    """A plate with blind holes from both sides that end at eleven levels, cut through their midst."""
    body = block(90, 60, 22)
    for k in range(11):
        at = (8 + 7.4 * k, 20 + 2 * (k % 3), -1 if k % 2 else 22.0 - 1.7 * k - 0.9)
        body -= post(6.1, 1 + 1.7 * k + 0.9 if k % 2 else 50, at)
    path = box_path(12, 12.5, 71, 41, (40, 30))
    agree(scene(tmp_path, body, path), WIDE)


def test_slopes_between_levels(tmp_path: Path) -> None:
    """A cone and a slanted channel: slices change within each slab."""
    body = block(80, 60, 25) - post(20, 30, (26, 26, -1), top=6) - post(7, 90, (0, 0, 0)).rotate((0, 70, 0))
    agree(scene(tmp_path, body, box_path(15, 14, 60, 45, (40, 40))), WIDE)


def test_a_cut_by_hand(tmp_path: Path) -> None:
    """A plate 80 x 60 x 20 cut across at 50: the kerf is 0.2 wide and 0.02 more on either side."""
    stock = Stock(scene(tmp_path, block(80, 60, 20), line((50, -5), (50, 65))).bodies[0], WIDE)
    loaded = scene(tmp_path, block(80, 60, 20), line((50, -5), (50, 65)))
    told = removals(loaded)
    stock.cut(told.all_runs[0])
    assert stock.metal.volume == pytest.approx(20 * 60 * (80 - 0.24))
    piece = stock.free(told.pieces[0].outline)
    sizes = sorted([piece.volume, stock.metal.volume])
    assert sizes == pytest.approx([20 * 60 * (30 - 0.12), 20 * 60 * (50 - 0.12)])
    assert stock.metal.mass == pytest.approx(stock.metal.volume * 7.7e-6)
    middle = {round(m.volume): m.middle[0] for m in (piece, stock.metal)}
    assert middle[round(20 * 60 * 49.88)] == pytest.approx(100 + 49.88 / 2)


@pytest.mark.parametrize("angle", [3, 7, 11, 17, 23, 29, 36.5, 41])
def test_nothing_hangs_on_where_a_piece_was(tmp_path: Path, angle: float) -> None:
    """A plate 150 x 120 across the machine's axes cut in two: of the half that came free no hairline stays
    along its outside, on which the other half would seem to lie."""
    body = block(150, 120, 20).rotate((0, 0, angle))
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    ends = [(round(x * c - 60 * s, 6), round(x * s + 60 * c, 6)) for x in (-10, 160)]
    loaded = scene(tmp_path, body, line(*ends))
    _, stock = ours(loaded, 0, WIDE)
    assert stock.metal.region.geom_type == "Polygon"
    assert stock.metal.region.area == pytest.approx(150 * (60 - WIDE / 2), rel=1e-6)


def test_upright_facets_make_no_levels() -> None:
    """A block whose walls are cut into many small facets has two levels, and a slanted facet adds its own."""
    from tests.bench.jobs import gridded_plate

    assert levels_of(gridded_plate(12)).tolist() == [0.0, 25.0]
    assert levels_of(np.array([[[0, 0, 0], [1, 0, 3], [0, 1, 9.0]]])).tolist() == [0.0, 3.0, 9.0]


def test_a_leaning_wire(tmp_path: Path) -> None:
    """A frustum cut from a block (MathWorld, Conical Frustum): what is left is the block less kerf and piece.

    The wire leans by 2 mm over 20 all round a square: kerf and piece together are a frustum of a pyramid
    between squares of sides 40 and 44 grown by the kerf's half, V = h (A1 + A2 + sqrt(A1 A2)) / 3.
    """
    words = ["G90 G00 X40 Y30 U0 V0"]
    corners = [(60, 50, 2, 2), (20, 50, -2, 2), (20, 10, -2, -2), (60, 10, 2, -2), (60, 50, 2, 2)]
    words += [f"G01 X{x} Y{y} U{u} V{v}" for x, y, u, v in corners]
    program = {"nc": "\n".join(words), "uv_words": "relative", "planes": {"xy": 0.0, "uv": 20.0}}
    loaded = scene(tmp_path, block(80, 60, 20), program, heads={"upper_z": 25.0})
    told = removals(loaded)
    stock = Stock(loaded.bodies[0], WIDE)
    stock.cut(told.all_runs[0])
    stock.free(told.pieces[0].outline)
    low, high = (40 + WIDE) ** 2, (44 + WIDE) ** 2
    frustum = 20 * (low + high + (low * high) ** 0.5) / 3
    assert stock.metal.volume == pytest.approx(80 * 60 * 20 - frustum, rel=1e-3)


@pytest.mark.real
@pytest.mark.skipif(not FOLDER.is_dir(), reason="the folder of real files is not there")
@pytest.mark.parametrize(
    ("name", "unit", "share"),
    [
        ("mikedh__trimesh/octagonal_pocket.stl", "m", 0.3),
        ("mikedh__trimesh/plate_holes.STL", "mm", 0.4),
        ("mikedh__trimesh/idler_riser.STL", "inch", 0.1),
        ("mikedh__trimesh/counterX.3MF", None, 0.3),
        ("openscad__openscad/example012.stl", "mm", 0.3),
    ],
)
def test_real_models_with_holes_at_several_levels(name: str, unit: str, share: float, tmp_path: Path) -> None:
    """A rectangle is cut out of the middle of each model's box."""
    read, _ = read_model(FOLDER / name, unit, name, bodies=None, facet_bound=None)
    body = solid(read.triangles)
    x0, y0, z0, x1, y1, _ = body.bounding_box()
    body = body.translate((-x0, -y0, -z0))
    w, h = x1 - x0, y1 - y0
    path = box_path(w * share, h * share, w * (1 - share * 0.9), h * (1 - share), (w * 0.5, h * 0.47))
    loaded = scene(tmp_path, body, path)
    assert len(levels_of(loaded.bodies[0].triangles_M)) > 2
    agree_in_sum(loaded)


def agree_in_sum(scene: Scene) -> None:
    """What is left in all, where a cut falls into more pieces than the account of it tells apart."""
    left = solid(scene.bodies[0].triangles_M) - kerf_solid(scene, WIDE)
    found, _ = ours(scene, 0, WIDE)
    assert sum(found) == pytest.approx(left.volume(), rel=1e-3)
    assert left.volume() < 0.9999 * solid(scene.bodies[0].triangles_M).volume()


def test_even_slices_would_not_do(tmp_path: Path) -> None:
    """The reason for the levels: the outline by which pieces are told is off by more than is promised."""
    body = block(90, 60, 22)
    for k in range(20):
        body -= post(10, 50, (6 + 4 * k, 20, 22 - 1.03 * (k + 1)))
    loaded = scene(tmp_path, body, line((45, -5), (45, 65)))
    whole = [[Outline(loaded.bodies[0].triangles_M).shadow.buffer(1)]]
    even = Outline(loaded.bodies[0].triangles_M).over(whole[0])[0][0]
    assert abs(even / body.volume() - 1) > 1e-4
    assert Stock(loaded.bodies[0], WIDE).slabs.over(whole[0])[0][0] == pytest.approx(body.volume(), rel=1e-6)
