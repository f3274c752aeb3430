"""What a scene's runs did goes in; findings come out on a wire that is dragged through metal or left in."""

from __future__ import annotations

import numpy as np

from clearance.access.parting import Story
from clearance.access.slices import Array
from clearance.setup.scene import Body, Finding, Scene


def drag_findings(scene: Scene, told: Story) -> list[Finding]:
    """Rapid moves with the wire in through a part or anything else, and a wire left in at the end."""
    found = []
    for run, part, length in told.scraped:
        message = (
            f'in "{run.stretch.name}" rapid moves drag the threaded wire through {length:.2f} mm of metal '
            f"(moves {run.first + 1} to {run.last + 1})"
        )
        found.append(Finding("wire dragged", "close", message, scene.bodies[part].name, run.stretch.name))
    for stretch in scene.stretches:
        moves = stretch.moves
        if stretch.cut is None or not moves.threaded.any():
            continue
        for move in np.flatnonzero(moves.threaded & moves.rapid):
            for index in stretch.bodies:
                body = scene.bodies[index]
                if index not in stretch.cut_bodies and _crosses(
                    body, moves.start[move], moves.end[move], (stretch.lower_z, stretch.upper_z)
                ):
                    message = f'rapid move {move + 1} of "{stretch.name}" drags the threaded wire through it'
                    found.append(Finding("wire dragged", "close", message, body.name, stretch.name))
        if moves.wire_left_in and stretch is not _last(scene):
            message = "the program ends with the wire in; the way after it is judged without the wire"
            found.append(Finding("wire left in", "note", message, cut=stretch.name))
    return found


def _last(scene: Scene) -> object:
    """The last thing that the heads do."""
    return scene.stretches[-1]


def _crosses(body: Body, start: Array, end: Array, heights: tuple[float, float]) -> bool:
    """Whether an upright line that goes from one place to another meets any of a body's triangles.

    Seen from above: whether the way meets a triangle, by separating lines (both are convex).
    """
    t = body.triangles_M
    low, high = np.minimum(start, end), np.maximum(start, end)
    near = (t[..., :2].min(axis=1) <= high).all(axis=1) & (t[..., :2].max(axis=1) >= low).all(axis=1)
    near &= (t[..., 2].min(axis=1) < heights[1]) & (t[..., 2].max(axis=1) > heights[0])
    p = t[near][..., :2]
    if not len(p):
        return False
    sides = np.roll(p, -1, axis=1) - p
    normals = np.concatenate([sides, np.broadcast_to(end - start, (len(p), 1, 2))], axis=1)
    normals = np.stack([-normals[..., 1], normals[..., 0]], axis=-1)
    on_triangle = np.einsum("nkj,nij->nki", normals, p)
    on_way = np.einsum("nkj,ij->nki", normals, np.stack([start, end]))
    apart = (on_triangle.max(axis=2) < on_way.min(axis=2)) | (on_triangle.min(axis=2) > on_way.max(axis=2))
    return bool((~apart.any(axis=1)).any())
