"""Meshes to look at, against closed forms: a wrong envelope shows a setter room where there is none."""

from __future__ import annotations

import numpy as np
import pytest

from clearance.scene.heads import HeadPiece, piece_of_box, pieces_of_profile
from clearance.toolpath.moves import polyline
from clearance.view import description as camera
from clearance.view import meshes
from tests.view_scenes import block, opening


def volume(triangles: np.ndarray) -> float:
    """Divergence theorem; right only for a closed skin that is turned outward all over."""
    return float(np.einsum("ij,ij->i", triangles[:, 0], np.cross(triangles[:, 1], triangles[:, 2])).sum() / 6)


def open_edges(triangles: np.ndarray) -> int:
    """Directed edges with no partner running the other way."""
    p = np.round(triangles.reshape(-1, 3) * 1e6).astype(np.int64)
    _, index = np.unique(p, axis=0, return_inverse=True)
    faces = index.reshape(-1, 3)
    edges = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]]])
    count: dict[tuple[int, int], int] = {}
    for a, b in edges.tolist():
        count[(a, b)] = count.get((a, b), 0) + 1
        count[(b, a)] = count.get((b, a), 0) - 1
    return sum(1 for v in count.values() if v) // 2


def test_lathe_is_a_closed_frustum() -> None:
    """Conical frustum, pi h (R1^2 + R1 R2 + R2^2) / 3: MathWorld, Conical Frustum."""
    triangles = meshes.lathe(np.array([2.0, 9.0]), np.array([5.0, 8.0]), facets=720)
    assert open_edges(triangles) == 0
    assert volume(triangles) == pytest.approx(np.pi * 7 * (25 + 40 + 64) / 3, rel=1e-4)


def test_stacked_profile_pieces_become_one_skin() -> None:
    pieces = pieces_of_profile([(0, 5.0), (6, 5.0), (6, 17.5), (40, 25.0)], -0.1, up=False)
    stacks = meshes.round_stacks([*pieces, piece_of_box((-5, 5), (-5, 5), (40, 60), -0.1, False)])
    assert len(stacks) == 1
    triangles = meshes.lathe(*stacks[0], facets=720)
    want = np.pi * 25 * 6 + np.pi * 34 * (17.5**2 + 17.5 * 25 + 625) / 3
    assert open_edges(triangles) == 0
    assert volume(triangles) == pytest.approx(want, rel=1e-4)


def test_box_with_round_corners() -> None:
    """Grown area, Steiner's formula: A + P r + pi r^2; the rectangle 10 x 20 grown by 3 is 408.274334."""
    piece = HeadPiece(np.array([0.0, 5.0]), np.array([3.0, 3.0]), (-5.0, 5.0, -10.0, 10.0))
    triangles = meshes.box_piece(piece, corner=200)
    assert open_edges(triangles) == 0
    assert volume(triangles) == pytest.approx(5 * 408.274334, rel=1e-4)
    plain = meshes.box_piece(HeadPiece(np.array([0.0, 5.0]), np.zeros(2), (-5.0, 5.0, -10.0, 10.0)))
    assert volume(plain) == pytest.approx(1000.0)
    assert volume(block((-5, 5), (-10, 10), (0, 5))) == pytest.approx(1000.0)


def test_envelope_of_a_straight_move_is_a_stadium_at_each_height() -> None:
    """Steiner's formula for a segment of length L: area 2 L r + pi r^2; cones by Simpson, exact."""
    segments = np.array([[[3.0, 4.0], [83.0, 64.0]]])
    z, r = np.array([0.0, 6.0, 6.0, 20.0]), np.array([5.0, 5.0, 12.0, 18.0])
    skin = meshes.envelope(segments, z, r)

    def area(radius: float) -> float:
        return 2 * 100 * radius + np.pi * radius**2

    want = 6 * area(5) + 14 * (area(12) + 4 * area(15) + area(18)) / 6
    assert volume(skin) == pytest.approx(want, rel=2e-3)
    d = _distance(skin.reshape(-1, 3)[:, :2], segments)
    height = skin.reshape(-1, 3)[:, 2]
    want_r = np.where(height < 6, 5.0, 12 + (height - 6) * 6 / 14)
    at_step = np.isclose(height, 6.0)
    assert np.abs(d - want_r)[~at_step].max() < 0.06
    assert np.all((np.abs(d[at_step] - 5) < 0.06) | (np.abs(d[at_step] - 12) < 0.06))


def test_envelope_keeps_the_inside_of_a_loop_free() -> None:
    segments, _ = meshes.flatten(
        polyline(np.array([[0, 0], [60, 0], [60, 60], [0, 60], [0, 0]], dtype=float))
    )
    skin = meshes.envelope(segments, np.array([0.0, 10.0]), np.array([8.0, 8.0]))
    want = 10 * (60**2 + 4 * 60 * 8 + np.pi * 64 - 44**2)
    assert volume(skin) == pytest.approx(want, rel=2e-3)


def test_envelope_of_a_standing_head_and_of_a_box() -> None:
    still = meshes.flatten(polyline(np.array([[5.0, 5.0]])))[0]
    assert volume(meshes.envelope(still, np.array([0.0, 4.0]), np.array([10.0, 10.0]))) == pytest.approx(
        np.pi * 400, rel=3e-3
    )
    along = meshes.flatten(polyline(np.array([[0.0, 0.0], [50.0, 0.0]])))[0]
    skin = meshes.envelope(along, np.array([0.0, 4.0]), np.zeros(2), (-5, 5, -10, 10))
    assert volume(skin) == pytest.approx(60 * 20 * 4)


def _distance(points: np.ndarray, segments: np.ndarray) -> np.ndarray:
    best = np.full(len(points), np.inf)
    for a, b in segments:
        t = np.clip((points - a) @ (b - a) / max((b - a) @ (b - a), 1e-30), 0, 1)
        best = np.minimum(best, np.linalg.norm(points - a - t[:, None] * (b - a), axis=1))
    return best


def test_flattened_arc_keeps_its_radius_and_its_owner() -> None:
    moves = opening()
    segments, owners = meshes.flatten(moves)
    arc = segments[owners == 3]
    assert len(arc) >= 15
    assert np.linalg.norm(arc.reshape(-1, 2) - moves.centre[3], axis=1) == pytest.approx(12.0)
    assert np.array_equal(segments[1:, 0], segments[:-1, 1])
    k, t = meshes.place_on(moves, moves.centre[3] + 12 * np.array([np.sin(0.5), -np.cos(0.5)]))
    assert k == 3
    assert t == pytest.approx(0.5 / (np.pi / 2), abs=0.01)
    assert meshes.point_at(moves, 3, 1.0) == pytest.approx(moves.end[3])


def test_thinning_leaves_the_place_alone() -> None:
    rng = np.random.default_rng(3)
    centres = rng.random((60_000, 1, 3)) * 200
    soup = centres + rng.random((60_000, 3, 3))
    spot = np.array([[100.0, 100.0, 100.0]])
    out = meshes.thinned(soup, most=20_000, keep_near=spot, reach=10.0)
    assert len(out) < 27_000
    near = np.all(np.abs(soup - spot[0]) < 10, axis=(1, 2))
    have = {t.tobytes() for t in out}
    assert near.sum() > 10
    assert all(t.tobytes() in have for t in soup[near])
    assert meshes.thinned(soup[:100], most=200) is not None


def test_outward_turns_a_body_that_is_inside_out() -> None:
    cube = block((0, 1), (0, 1), (0, 1))
    assert volume(meshes.outward(cube[:, ::-1])) == pytest.approx(1.0)
    assert volume(meshes.outward(cube)) == pytest.approx(1.0)


def test_iso_shortens_all_axes_alike() -> None:
    """Isometric axonometry: the three axes at one scale, sqrt(2/3) of the true length, 120 degrees apart:
    ISO 5456-3 as remembered; the arithmetic is a cube seen along its diagonal."""
    c = camera.fit(*camera.DIRECTIONS["iso"], np.zeros((1, 3)), (0, 0, 100, 100))
    flat = np.stack([np.eye(3) @ c.right, np.eye(3) @ c.up], axis=1)
    assert np.linalg.norm(flat, axis=1) == pytest.approx(np.sqrt(2 / 3))
    assert flat[0] @ flat[1] == pytest.approx(1 / 3), "X and Y open at 60 degrees to the right of Z's foot"


@pytest.mark.parametrize("name", list(camera.DIRECTIONS))
def test_axes_are_right_handed_and_up_is_up(name: str) -> None:
    right, up, back = camera.axes_of(*camera.DIRECTIONS[name])
    assert np.cross(right, up) == pytest.approx(back)
    if name == "top":
        assert right == pytest.approx([1, 0, 0])
        assert up == pytest.approx([0, 1, 0])
    else:
        assert up[2] > 0.5
    if name == "front":
        assert right == pytest.approx([1, 0, 0]), "the operator has X on the right"
        assert back == pytest.approx([0, -1, 0])
    if name == "right":
        assert right == pytest.approx([0, 1, 0])


@pytest.mark.slow
def test_a_short_path_that_crosses_itself_everywhere_is_drawn_in_seconds() -> None:
    """120 chords cross at 3 500 places or so: buffered in one go they took minutes and gigabytes."""
    turn = 2 * np.pi * (np.sqrt(5.0) - 1.0) / 2.0 * np.arange(121)
    line = np.column_stack([np.cos(turn), np.sin(turn)]) * 50.0
    segments = np.stack([line[:-1], line[1:]], axis=1)
    assert meshes.band(segments, 5.0) is not None
    ring = np.column_stack([np.cos(turn[:1] + np.arange(121) / 19.1), np.sin(np.arange(121) / 19.1)]) * 50.0
    assert meshes.band(np.stack([ring[:-1], ring[1:]], axis=1), 5.0) is None
