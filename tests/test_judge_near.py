"""Leaving out what cannot matter changes no distance: FCL shown everything is the check."""

from __future__ import annotations

import numpy as np
import pytest

import clearance.judge.fcl_side as side
from clearance.geometry.crowd import Crowd, boxes_of
from clearance.geometry.frames import apply, pose
from clearance.judge.boxes import Track
from clearance.judge.fcl_side import Bodies, FclHead
from clearance.judge.near import neighbourhood
from clearance.paths.moves import polyline
from clearance.setup.scene import Body, SideHeight
from clearance.sweep.heads import piece_of_box, pieces_of_profile

HEAD = [
    *pieces_of_profile([(0, 5.0), (6, 5.0), (6, 17.5), (40, 25.0)], -0.1, up=False),
    piece_of_box((-30, 30), (-20, 80), (40, 60), -0.1, up=False),
]


def grid(nx, ny, height):
    """A wavy sheet of 2 nx ny triangles over 100 x 80 mm."""
    x, y = np.meshgrid(np.linspace(0, 100, nx + 1), np.linspace(0, 80, ny + 1), indexing="ij")
    p = np.stack([x, y, height(x, y)], axis=-1)
    a, b, c, d = p[:-1, :-1], p[1:, :-1], p[1:, 1:], p[:-1, 1:]
    return np.concatenate(
        [np.stack([a, b, c], -2).reshape(-1, 3, 3), np.stack([a, c, d], -2).reshape(-1, 3, 3)]
    )


def body(triangles):
    return Body("sheet", "part", triangles, False, SideHeight(0.3, 0.05), SideHeight(0, 0))


def distance(triangles, path, monkeypatch, everything):
    with monkeypatch.context() as patch:
        if everything:
            patch.setattr(side, "_SMALL", 10**9)
            patch.setattr(side, "MANY", 10**9)
        else:
            patch.setattr(side, "_SMALL", 0)
        head = FclHead(Bodies([body(triangles)], np.zeros(3)), polyline(path), HEAD, None, [0])
        return head.distance(0).distance


SHEETS = {
    "level, all facets equally near": lambda x, y: 0.0 * x,
    "slightly tilted": lambda x, y: 0.002 * x + 0.001 * y,
    "wavy above": lambda x, y: 3.0 + 2.0 * np.sin(x / 7) * np.cos(y / 5),
    "wavy through": lambda x, y: 1.0 * np.sin(x / 7) * np.cos(y / 5),
    "far below": lambda x, y: -90.0 - 5.0 * np.sin(x / 9) + 0.1 * y,
}


@pytest.mark.parametrize("name", SHEETS)
@pytest.mark.parametrize("turn", [(0, 0, 0), (3, -2, 40)])
def test_what_is_left_out_does_not_matter(name, turn, monkeypatch):
    triangles = apply(pose((5, 3, 0), turn), grid(60, 50, SHEETS[name]))
    angle = np.linspace(0, 6, 90)
    path = np.stack([50 + 30 * np.cos(angle), 40 + 20 * np.sin(angle)], axis=1)
    whole = distance(triangles, path, monkeypatch, everything=True)
    shown = distance(triangles, path, monkeypatch, everything=False)
    assert shown <= whole + 1e-12
    assert shown == pytest.approx(whole, abs=5e-3)
    assert (shown == 0.0) == (whole == 0.0)


def test_a_level_face_is_not_shown_facet_by_facet():
    """The reason for all this: a million facets at one distance are one answer."""
    triangles = grid(200, 160, SHEETS["level, all facets equally near"])
    path = np.array([[10.0, 10.0], [90.0, 70.0]])
    place = neighbourhood(triangles, Crowd(*boxes_of(triangles)), Track([path]), HEAD)
    assert place.floor == pytest.approx(0.1, abs=2e-5)
    assert place.floor <= 0.1
    assert len(place.rows) < 200
