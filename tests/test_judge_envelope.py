"""The envelope's mesh encloses the head wherever it stands, by no more than it says (support functions)."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from clearance.kernels.fcl.envelope import envelope
from clearance.scene.heads import HeadPiece, piece_of_box, pieces_of_profile
from clearance.tolerances import DEFAULT
from clearance.toolpath.moves import polyline


def circle(radius: Any, sweep: Any) -> Any:
    start = np.array([[radius, 0.0]])
    end = radius * np.array([[np.cos(sweep), np.sin(sweep)]])
    moves = polyline(np.concatenate([start, end]))
    return replace(moves, centre=np.zeros((1, 2)), sweep=np.array([sweep]))


def stairs(count: Any) -> Any:
    k = np.arange(count + 1)
    return polyline(np.stack([k // 2 * 3.0, (k + 1) // 2 * 2.0], axis=1))


def wave(count: Any) -> Any:
    t = np.linspace(0, 4 * np.pi, count + 1)
    return polyline(np.stack([20 * t, 15 * np.sin(t)], axis=1))


PATHS = {
    "point": polyline(np.array([[3.0, 4.0]])),
    "there and back": polyline(np.array([[0.0, 0], [30, 5], [0, 0]])),
    "stairs": stairs(9),
    "circle": circle(10.0, 2 * np.pi),
    "bow clockwise": circle(40.0, -1.3),
    "many small steps": wave(3000),
}
PIECES = {
    "cone": pieces_of_profile([(0, 5.0), (6, 5.0), (6, 17.5), (40, 25.0)], -0.1, up=False),
    "box": [piece_of_box((-3, 4), (-5, 6), (0, 5), 0.0, up=True)],
    "grown box": [piece_of_box((-3, 4), (-5, 6), (0, 5), 0.0, up=True).grown(1.0, 0.5)],
    "grown cone": [p.grown(0.3, 0.05) for p in pieces_of_profile([(0, 2.0), (9, 8.0)], 1.0, up=True)],
}


def places(moves: Any) -> Any:
    """Points of the path (n, 2), and the path's own radius where it is an arc."""
    if len(moves) > 100:
        return np.concatenate([moves.start, moves.end[-1:]])
    share = np.linspace(0, 1, 801)[:, None]
    out = []
    for k in range(len(moves)):
        if moves.sweep[k] == 0.0:
            out.append(moves.start[k] + share * (moves.end[k] - moves.start[k]))
        else:
            from_centre = moves.start[k] - moves.centre[k]
            a = np.arctan2(from_centre[1], from_centre[0]) + share[:, 0] * moves.sweep[k]
            out.append(moves.centre[k] + np.hypot(*from_centre) * np.stack([np.cos(a), np.sin(a)], axis=1))
    return np.concatenate(out)


def rim(piece: HeadPiece, wire: Any, k: Any, count: Any = 24) -> Any:
    """Points of a piece's outline at its corner height k, as it stands at a place."""
    x0, x1, y0, y1 = piece.rect
    corner = np.array([[x1, y1], [x0, y1], [x0, y0], [x1, y0]])
    angle = np.linspace(0, 2 * np.pi, count, endpoint=False) + 0.123
    at = corner[(angle // (np.pi / 2)).astype(int) % 4]
    xy = wire + at + piece.r[k] * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    return np.column_stack([xy, np.full(count, piece.z[k])])


@pytest.mark.few(9)
@pytest.mark.parametrize("what", PIECES)
@pytest.mark.parametrize("way", PATHS)
def test_no_point_of_the_head_comes_out(what: Any, way: Any) -> None:
    """Along 30 horizontal directions the mesh reaches as far as any point of the head, and hardly further."""
    moves, pieces = PATHS[way], PIECES[what]
    mesh = envelope(moves, pieces)
    assert mesh.excess <= DEFAULT.width
    corners = mesh.triangles.reshape(-1, 3)
    for piece in pieces:
        for k in range(len(piece.z)):
            head = np.concatenate([rim(piece, wire, k) for wire in places(moves)[::40]])
            level = corners[np.abs(corners[:, 2] - piece.z[k]) < 1e-9]
            for angle in np.linspace(0.05, 2 * np.pi, 30):
                n = np.array([np.cos(angle), np.sin(angle)])
                reach = (places(moves) @ n).max() + piece.r[k]
                reach += max(x * n[0] + y * n[1] for x in piece.rect[:2] for y in piece.rect[2:])
                wider = [p.r[list(p.z).index(piece.z[k])] for p in pieces if piece.z[k] in p.z]
                assert (level[:, :2] @ n).max() >= (head[:, :2] @ n).max() - 1e-9
                if max(wider) == piece.r[k]:
                    assert (level[:, :2] @ n).max() <= reach + 0.001 + DEFAULT.width


def test_each_triangle_knows_its_move() -> None:
    moves = stairs(6)
    mesh = envelope(moves, PIECES["cone"])
    assert set(mesh.move) == set(range(6))
    only = np.array([False, True, True, False, False, True])
    assert set(envelope(moves, PIECES["cone"], only).move) == {1, 2, 5}
