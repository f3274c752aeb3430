"""A piece that comes free goes in; the same by the name that it has comes out: good part, slug or off-cut.

Where the setup says which side of a cut is wanted, or what the part becomes, that decides. Else what the wire
was threaded inside is a slug; what it goes around from a start hole, or from the edge of a blank, is the good
part, unless it is a small window at the end of a slit. Both of these are guesses, and told as such.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from clearance.geometry.transforms import apply
from clearance.mesh.sections import region
from clearance.process.removal import Piece, Story
from clearance.process.runs import Run
from clearance.scene.model import Scene

#: a piece smaller than this share of what stays, at the end of a slit from the edge, is a window
WINDOW = 0.1
#: of a piece, which must be the finished part's for it to be one
SHARE = 0.5
#: metal is looked for so far beyond the wire's surface, mm
BEYOND = 0.02
#: places looked at along each line
PLACES = 40


def by_name(scene: Scene, told: Story, piece: Piece) -> Piece:
    """The piece by its name, and whether that is a guess."""
    cut = scene.cut_of(piece.run.stretch)
    other = piece.kind if piece.kind == "off-cut" else "slug"
    if cut is not None and cut.wanted is not None:
        if cut.wanted in ("left", "right"):
            good = _side(scene, told, piece) == cut.wanted
        else:
            inner = piece.kind != "off-cut"
            good = cut.wanted == "both" or cut.wanted == ("inside" if inner else "outside")
        return replace(piece, kind="good part" if good else other)
    good_of_model = _in_model(scene, piece)
    if good_of_model is not None:
        return replace(piece, kind="good part" if good_of_model else other)
    if piece.kind != "good part":
        return piece
    if _is_window(told, piece):
        return replace(piece, kind="slug", guess="small, and cut by way of a slit from the edge")
    return replace(piece, guess="threaded outside the path")


def _runs(told: Story, piece: Piece) -> Iterator[Run]:
    """The runs, whole, that go along a piece's edge, the first one first."""
    for run in told.all_runs:
        if piece.part in run.stretch.cut_bodies and run.number <= piece.run.number:
            yield run


def _side(scene: Scene, told: Story, piece: Piece) -> str:
    """On which side of the way that frees it a piece lies."""
    import shapely

    low, high = scene.bodies[piece.part].crowd.box
    reach = float(scene.known_machine.wire) / 2.0 + BEYOND
    count = {"left": 0, "right": 0}
    shapely.prepare(piece.outline)
    for run in _runs(told, piece):
        if run.stretch is not piece.run.stretch:
            continue
        for chain in run.line(float(low[2] + high[2]) / 2.0):
            along = np.diff(chain, axis=0)
            size = np.hypot(*along.T)
            rows = np.repeat(np.flatnonzero(size > 0.0), PLACES)
            share = np.tile((np.arange(PLACES) + 0.5) / PLACES, int((size > 0.0).sum()))
            at = chain[rows] + share[:, None] * along[rows]
            left = np.column_stack([-along[rows, 1], along[rows, 0]]) / size[rows, None]
            for name, sign in (("left", 1.0), ("right", -1.0)):
                count[name] += int(shapely.contains_xy(piece.outline, at + sign * reach * left).sum())
    return max(count, key=lambda name: count[name])


def _in_model(scene: Scene, piece: Piece) -> bool | None:
    """Whether a piece is the finished part, as the model of that shows; None where there is none."""
    body = scene.bodies[piece.part]
    if body.becomes is None or not body.becomes.closed:
        return None
    triangles = apply(body.T_MI, body.becomes.triangles_I)
    outline: Any = region(triangles, float(triangles[..., 2].min() + triangles[..., 2].max()) / 2.0)
    return bool(outline.intersection(piece.outline).area > SHARE * piece.outline.area)


def _is_window(told: Story, piece: Piece) -> bool:
    """Whether a piece is small beside what stays, and the wire came to it from beyond the part's edge."""
    import shapely

    shadow = told.outlines[piece.part].shadow
    filled = shapely.union_all(
        [shapely.Polygon(p.exterior) for p in shapely.get_parts(shadow) if p.geom_type == "Polygon"]
    )
    first = next(run for run in _runs(told, piece) if run.stretch is piece.run.stretch)
    z = (told.outlines[piece.part].low + told.outlines[piece.part].high) / 2.0
    beyond = not shapely.contains_xy(filled, *first.place(z))
    return beyond and piece.area < WINDOW * (float(shadow.area) - piece.area)
