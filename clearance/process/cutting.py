"""Cutting: findings on runs that drag the wire through metal, leave it in, have none, or cut no metal."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from clearance.mesh.sections import Array
from clearance.process.removal import Removals
from clearance.process.runs import kerf
from clearance.scene.model import Body, Finding, Scene


def drag_findings(scene: Scene, told: Removals) -> list[Finding]:
    """Rapid moves with the wire in through a part or anything else, and a wire left in at the end.

    Args:
        scene: as planned.   told: what its runs part.
    """
    found = []
    for run, part, length in told.scraped:
        message = (
            f'in "{run.stretch.name}" rapid moves drag the threaded wire through {length:.2f} mm of metal '
            f"(moves {run.first + 1} to {run.last + 1})"
        )
        found.append(Finding("wire dragged", "close", message, scene.bodies[part].name, run.stretch.name))
    for run, part, length in told.spared:
        message = (
            f'in "{run.stretch.name}" the wire is taken as cut before a rapid move through {length:.2f} mm '
            "of metal, since the machine file names no word that cuts it (codes.cut)"
        )
        found.append(Finding("taken as cut", "note", message, scene.bodies[part].name, run.stretch.name))
    codes, left_in = scene.known_machine.codes, False
    for stretch in scene.stretches:
        moves = stretch.moves
        if stretch.cut is None:
            continue
        # what was left in is in at the first move, if at any
        cold = [k for k in moves.unthreaded if not (left_in and k == moves.thread_points[0])]
        left_in = moves.wire_left_in and not codes.end_cuts
        if cold:
            message = (
                f'"{stretch.name}" cuts from move {cold[0] + 1} (line {moves.line[cold[0]]}) on, and no word '
                f"has threaded the wire before ({', '.join(codes.thread)})"
            )
            found.append(Finding("not threaded", "close", message, cut=stretch.name))
        if not moves.threaded.any():
            continue
        for move in np.flatnonzero(moves.threaded & moves.rapid):
            for index in stretch.there(int(move)):
                body = scene.bodies[index]
                if index not in stretch.cut_bodies and _crosses(
                    body, moves.start[move], moves.end[move], (stretch.lower_z, stretch.upper_z)
                ):
                    message = f'rapid move {move + 1} of "{stretch.name}" drags the threaded wire through it'
                    found.append(Finding("wire dragged", "close", message, body.name, stretch.name))
        if left_in and stretch is not _last(scene):
            if scene.heads.between:
                message = "the program ends with the wire in; the way after it is judged with the wire"
                found.append(Finding("wire left in", "note", message, cut=stretch.name))
            else:
                message = (
                    "the program ends with the wire in, and the way after it is left out (between = false)"
                )
                found.append(Finding("wire left in", "close", message, cut=stretch.name))
    count = sum(stretch.cut is not None for stretch in scene.stretches)
    if count > 1 and not scene.heads.between:
        message = f"the ways between the {count} cuts are left out (between = false): look at them by eye"
        found.append(Finding("ways left out", "note", message))
    return found


def _last(scene: Scene) -> object:
    """The last thing that the heads do."""
    return scene.stretches[-1]


def _crosses(body: Body, start: Array, end: Array, heights: tuple[float, float]) -> bool:
    """Whether an upright line that goes from one place to another meets any of a body's triangles.

    Seen from above: whether the way meets a triangle, by separating lines (both are convex).
    """
    low, high = np.r_[np.minimum(start, end), heights[0]], np.r_[np.maximum(start, end), heights[1]]
    rows = body.aabbs.meeting(low, high)
    rows = rows[(body.aabbs.low[rows, 2] < heights[1]) & (body.aabbs.high[rows, 2] > heights[0])]
    p = body.triangles_M[rows][..., :2]
    if not len(p):
        return False
    sides = p[:, (1, 2, 0)] - p
    normals = np.concatenate([sides, np.broadcast_to(end - start, (len(p), 1, 2))], axis=1)
    normals = np.stack([-normals[..., 1], normals[..., 0]], axis=-1)
    on_triangle = np.einsum("nkj,nij->nki", normals, p)
    on_way = np.einsum("nkj,ij->nki", normals, np.stack([start, end]))
    apart = (on_triangle.max(axis=2) < on_way.min(axis=2)) | (on_triangle.min(axis=2) > on_way.max(axis=2))
    return bool((~apart.any(axis=1)).any())


#: places looked at along a cut
PLACES = 160
#: a wall under the wire's middle within this, mm
ON = 0.01
#: a wall beside a wire that does not bite is near within this of its surface, mm
NEAR = 0.3
#: shares of a cut's length: it bites hardly anywhere; most of it runs along walls
HARDLY, MOST = 0.03, 0.5


def blank_findings(scene: Scene, told: Removals) -> list[Finding]:
    """One finding at most for each cut and part.

    Args:
        scene: as planned.   told: what its runs part.
    """
    found = []
    wire = scene.known_machine.wire
    told_already = {finding.cut for finding in scene.findings if finding.kind == "misses"}
    for (cut, part), chains in told.chains.items():
        length = sum(float(np.hypot(*np.diff(c, axis=0).T).sum()) for c in chains)
        if length <= wire:
            continue
        shadow = told.outlines[part].shadow
        bites, along = _shares(shadow, chains, length, wire)
        name = scene.bodies[part].name
        if bites > HARDLY:
            continue
        if along >= MOST:
            if _holds_metal(shadow, chains, wire):
                message = (
                    f'runs along walls that "{name}" already has: its model is the finished part. Check with '
                    "the blank as it lies on the machine; its clamping stock is what the heads meet"
                )
                found.append(Finding("finished part", "close", message, item=name, cut=cut))
            else:
                message = (
                    f'runs along walls of an opening that "{name}" already has; if that is yet to be cut, '
                    "check with the blank"
                )
                found.append(Finding("finished part", "note", message, item=name, cut=cut))
        elif cut not in told_already:
            message = f'cuts no metal of "{name}": the model is the finished part, or zero or axes are wrong'
            found.append(Finding("no metal", "close", message, item=name, cut=cut))
    return found


def _shares(shadow: Any, chains: Sequence[Array], length: float, wire: float) -> tuple[float, float]:
    """Of a cut's length: the share on which the wire bites, and that on which it runs along a wall."""
    import shapely

    places = np.concatenate([_along(chain, length) for chain in chains if len(chain) > 1])
    if not len(places):
        return 1.0, 0.0
    points = shapely.points(places)
    off = shapely.distance(points, shadow.boundary)
    inside = shapely.contains_xy(shadow, places)
    on = off <= ON
    bites = ~on & (inside | (off < wire / 2.0 - ON))
    along = on | (~inside & ~bites & (off <= wire / 2.0 + NEAR))
    return float(bites.mean()), float(along.mean())


def _along(chain: Array, length: float) -> Array:
    """Places along a chain of points, as many as its share of the whole length asks for."""
    step = np.hypot(*np.diff(chain, axis=0).T)
    total = float(step.sum())
    count = max(1, round(PLACES * total / length))
    at = (np.arange(count) + 0.5) / count * total
    reached = np.r_[0.0, np.cumsum(step)]
    return np.column_stack([np.interp(at, reached, chain[:, k]) for k in (0, 1)])


def _holds_metal(shadow: Any, chains: Sequence[Array], wire: float) -> bool:
    """Whether what the cut goes around is mostly metal: then it goes along the outside."""
    import shapely

    around = kerf(list(chains), wire)
    rings = [shapely.Polygon(hole) for each in shapely.get_parts(around) for hole in each.interiors]
    if not rings:
        # an open way along an outer wall, from edge to edge
        return True
    inner = shapely.union_all(rings)
    return bool(inner.intersection(shadow).area > 0.5 * inner.area)
