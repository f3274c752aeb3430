"""Contours, leads and thread points of a drawing go in; the path that cuts them in turn comes out.

The rules.
    A thread point belongs to the smallest contour that it lies in, or, outside all, to the nearest contour
    that has none. From it the wire goes along the lead that is drawn from there, or straight to the nearest
    place of the contour, once round, and is cut there.
    A contour with no thread point begins on itself, at the corner nearest to the part zero.
    Contours are cut anticlockwise, those that lie in others before them, else in the order in which they were
    drawn; the setup can say otherwise. Between two of them the heads go straight, as a rapid move.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot
from typing import Any

from clearance.toolpath.dxf.chains import (
    Chain,
    Piece,
    Tangle,
    area,
    length,
    line,
    nearest,
    outline,
    split,
    turned_round,
)
from clearance.toolpath.options import PathOptions


@dataclass
class _Job:
    """One contour or open way with what leads to it."""

    chain: Chain
    polygon: Any = None
    lead: list[Piece] | None = None
    point: tuple[float, float] | None = None


def path_of(
    contours: Sequence[Chain],
    leads: Sequence[Chain],
    points: Sequence[tuple[float, float]],
    options: PathOptions,
) -> tuple[list[tuple[Piece, bool]], list[str]]:
    """(piece, rapid) in the order in which they are cut, and sentences for the report.

    Raises Tangle where contours cross, or a contour has two thread points.

    Args:
        contours: closed chains, mm.   leads: open ones, each from its thread point on.   points: the POINTs,
            mm.
        options: start, direction, order, gap.
    """
    jobs = [_Job(chain) for chain in contours]
    _polygons(jobs)
    notes: list[str] = []
    ways = []
    for lead in leads:
        ways += _give_lead(jobs, lead, options.gap)
    starts = [lead.begin for lead in leads]
    for x, y in points:
        if all(hypot(x - sx, y - sy) > options.gap for sx, sy in starts) and not _give_point(jobs, (x, y)):
            notes.append(f"the POINT at X{x:.6g} Y{y:.6g} belongs to no contour and is not used")
    bare = [job for job in jobs if job.point is None and job.lead is None]
    if bare:
        x, y = _corner(bare[0].chain)
        which = "the contour" if len(contours) == 1 else f"{len(bare)} of {len(contours)} contours"
        notes.append(f"{which} without a POINT: the path begins on the contour, at X{x:.6g} Y{y:.6g}")
    path: list[tuple[Piece, bool]] = []
    for job in _ordered(jobs + ways, options):
        pieces = _cut(job, options)
        if path and path[-1][0][2:4] != pieces[0][:2]:
            path.append((line(*path[-1][0][2:4], *pieces[0][:2]), True))
        path += [(piece, False) for piece in pieces]
    return path, notes


def _polygons(jobs: Sequence[_Job]) -> None:
    """Give each contour its flat region, and refuse contours that cross themselves or each other."""
    import shapely

    for job in jobs:
        drawn = outline(job.chain.pieces)
        # Nothing is enclosed where the line, cut up at its crossings, has no loop; a bow tie's two loops may
        # well have areas that cancel.
        if abs(area(job.chain.pieces)) < 1e-6 * sum(map(length, job.chain.pieces)):
            loops = shapely.polygonize([shapely.unary_union(shapely.LineString(drawn))])
            if shapely.is_empty(loops) or shapely.area(loops) < 1e-6 * sum(map(length, job.chain.pieces)):
                x, y = job.chain.begin
                found = f"the contour at X{x:.6g} Y{y:.6g} goes there and back and encloses nothing"
                raise Tangle(job.chain.names[0], found, "delete it, or layers = [...] of this cut")
        ring = shapely.LinearRing(drawn)
        if not ring.is_simple:
            raise Tangle(
                job.chain.names[0], f"the contour crosses or touches itself{_where(ring)}", "a simple contour"
            )
        job.polygon = shapely.Polygon(ring)
    if len(jobs) < 2:
        return
    rings = [job.polygon.exterior for job in jobs]
    for i, j in zip(*shapely.STRtree(rings).query(rings, predicate="intersects"), strict=True):
        if i < j:
            place = rings[i].intersection(rings[j]).representative_point()
            raise Tangle(
                f"X{place.x:.6g} Y{place.y:.6g}",
                f"two contours cross or touch, {jobs[i].chain.names[0]} and {jobs[j].chain.names[0]}",
                "contours apart from each other, or layers = [...] of this cut",
            )


def _where(ring: Any) -> str:
    """Where a closed line meets itself, as far as the geometry library says so."""
    import shapely

    numbers = re.findall(r"-?\d[\d.e+-]*", shapely.is_valid_reason(shapely.Polygon(ring)))
    return f" at X{float(numbers[0]):.6g} Y{float(numbers[1]):.6g}" if len(numbers) == 2 else ""


def _give_lead(jobs: Sequence[_Job], lead: Chain, gap: float) -> list[_Job]:
    """Tie a lead to the contour on which it ends; one that ends nowhere is a cut of its own."""
    x, y = lead.pieces[-1][2:4]
    for job in jobs:
        if nearest(job.chain.pieces, x, y)[0] <= gap:
            _only_once(job, lead.begin)
            job.lead = lead.pieces
            return []
    return [_Job(lead)]


def _give_point(jobs: Sequence[_Job], point: tuple[float, float]) -> bool:
    import shapely

    place = shapely.Point(point)
    around = [job for job in jobs if job.polygon.contains(place)]
    if around:
        job = min(around, key=lambda each: each.polygon.area)
        _only_once(job, point)
        job.point = point
        return True
    free = [job for job in jobs if job.point is None and job.lead is None]
    if not free:
        return False
    min(free, key=lambda each: each.polygon.exterior.distance(place)).point = point
    return True


def _only_once(job: _Job, point: tuple[float, float]) -> None:
    other = job.lead[0][:2] if job.lead is not None else job.point
    if other is not None:
        raise Tangle(
            f"X{point[0]:.6g} Y{point[1]:.6g}",
            f"two POINTs for one contour, the other at X{other[0]:.6g} Y{other[1]:.6g}",
            "one thread point in each contour, or start = [x, y] of this cut",
        )


def _corner(chain: Chain) -> tuple[float, float]:
    return min((piece[:2] for piece in chain.pieces), key=lambda p: hypot(*p))


def _ordered(jobs: list[_Job], options: PathOptions) -> list[_Job]:
    if options.order == "as drawn" or len(jobs) == 1:
        return sorted(jobs, key=lambda job: job.chain.first)
    import shapely

    regions = [job.polygon for job in jobs if job.polygon is not None]
    if not regions:
        return sorted(jobs, key=lambda job: job.chain.first)
    begins = shapely.points([job.chain.begin for job in jobs])
    inside, _ = shapely.STRtree(regions).query(begins, predicate="within")
    depth = {id(job): int((inside == k).sum()) for k, job in enumerate(jobs)}
    return sorted(jobs, key=lambda job: (-depth[id(job)], job.chain.first))


def _cut(job: _Job, options: PathOptions) -> list[Piece]:
    """The pieces of one contour, from its thread point once round."""
    if not job.chain.closed:
        return job.chain.pieces
    pieces = list(job.chain.pieces)
    if (area(pieces) > 0) != (options.direction == "ccw"):
        pieces = turned_round(pieces)
    lead: list[Piece] = []
    if job.lead is not None:
        lead = list(job.lead)
        aim = lead[-1][2:4]
    else:
        aim = job.point if job.point is not None else _corner(job.chain)
    away, i, t = nearest(pieces, *aim)
    # A cut a hair beside a corner would leave a piece of no use.
    if t * (size := max(hypot(pieces[i][2] - pieces[i][0], pieces[i][3] - pieces[i][1]), 1e-3)) < 1e-6:
        t = 0.0
    elif (1 - t) * size < 1e-6:
        i, t = (i + 1) % len(pieces), 0.0
    if t == 0.0:
        pieces = pieces[i:] + pieces[:i]
    else:
        a, b = split(pieces[i], t)
        pieces = [b, *pieces[i + 1 :], *pieces[:i], a]
    begin = pieces[0][:2]
    if away > 1e-6:
        lead.append(line(*aim, *begin))
    elif lead:
        lead[-1] = (*lead[-1][:2], *begin, *lead[-1][4:])
    return lead + pieces
