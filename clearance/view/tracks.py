"""A result goes in; its paths come out as runs of one colour, by what each move has to spare."""

from __future__ import annotations

import numpy as np

from clearance.judge.result import Result
from clearance.setup.scene import Body, Stretch
from clearance.view import looks, meshes
from clearance.view.description import Track


def tracks(result: Result) -> list[Track]:
    """The lower guide's paths of all stretches, cut into runs of one band; drawn on the part's upper face."""
    bodies = {b.name: b for b in result.scene.bodies}
    out = []
    for stretch in result.scene.stretches:
        segments, owners = meshes.flatten(stretch.moves)
        if not len(segments):
            continue
        bands = move_bands(result, stretch, bodies)
        z = _path_height(result, stretch)
        rapid = np.asarray(stretch.moves.rapid)[owners]
        mine = np.array([-1 if b is None else b for b in bands])[owners]
        change = (mine[1:] != mine[:-1]) | (rapid[1:] != rapid[:-1])
        change |= np.any(np.abs(segments[1:, 0] - segments[:-1, 1]) > 1e-9, axis=1)
        for run in np.split(np.arange(len(segments)), np.flatnonzero(change) + 1):
            points = np.concatenate([segments[run[:1], 0], segments[run, 1]])
            band = int(mine[run[0]])
            flat = np.column_stack([points, np.full(len(points), z)])
            out.append(Track(flat, None if band < 0 else band, bool(rapid[run[0]])))
    return out


def move_bands(result: Result, stretch: Stretch, bodies: dict[str, Body]) -> list[int | None]:
    """For each move of a stretch its band in ``looks.BANDS``, the worst of both heads; None: not measured."""
    m = stretch.moves.count
    bands: list[int | None] = [None] * m
    cut_parts = {result.scene.bodies[k].name for k in stretch.cut_bodies}

    def put(move: int, band: int) -> None:
        old = bands[move]
        bands[move] = band if old is None else min(old, band)

    for d in result.moves:
        if d.cut != stretch.name or not 1 <= d.move <= m:
            continue
        left = []
        body = bodies.get(d.item) if d.item is not None else None
        if body is not None:
            if d.side is not None:
                left.append(d.side - body.margin.side - body.allow.side)
            if d.height is not None:
                left.append(d.height - body.margin.height - body.allow.height)
            # the face that rides over the part is nearest all the way and says nothing of what else is near
            if body.name in cut_parts and left and min(left) >= 0.0:
                continue
        touches = d.clearance is not None and d.clearance <= 1e-6
        put(d.move - 1, 0 if touches else looks.band_of(min(left)) if left else len(looks.BANDS) - 1)
    for pair in result.pairs:
        if pair.cut != stretch.name or (pair.item in cut_parts and pair.verdict == "clear"):
            continue
        for first, last in pair.touching:
            for move in range(max(first, 1), min(last, m) + 1):
                put(move - 1, 0)
        if pair.move is not None and pair.spare is not None and 1 <= pair.move <= m and not pair.touching:
            put(pair.move - 1, looks.band_of(pair.spare))
    # figures are told by the moves of the program
    return [bands[k] for k in stretch.moves.programmed]


def _path_height(result: Result, stretch: Stretch) -> float:
    tops = [float(result.scene.bodies[k].triangles_M[..., 2].max()) for k in stretch.cut_bodies]
    return max(tops) if tops else (stretch.lower_z + stretch.upper_z) / 2
