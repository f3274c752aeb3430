"""What becomes of a part: the names of pieces that come free, and walls that lie off the finished model.

A piece that comes free is good part, slug or off-cut. Where the setup says which side of a cut is wanted, or
what the part becomes, that decides. Else what the wire was threaded inside is a slug; what it goes around
from a start hole, or from the edge of a blank, is the good part, unless it is a small window at the end of a
slit. Both of these are guesses, and told as such.

Where cut walls lie off what the part is to become is a finding. The walls are those that the wire leaves on
the good part after its last pass, half a kerf beside its path, at several heights of the finished model. A
wall within the finished part is cut too deep at whatever height that is. A wall beside it has metal left on
it only where it has at every height: what the finished model has less of at some (a chamfer, a thread, a
relief, stock above and below) is made by others.

Walls are looked at every half millimetre. Where a wall of the finished model is a row of flats, as far as
these may lie off the curve that they stand for is no fault: half a flat times the tangent of a quarter of the
turn from one to the next.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.planar import following, preceding
from clearance.geometry.transforms import apply
from clearance.mesh.sections import THIN, levels_of, region
from clearance.process.removal import Piece, Removals
from clearance.process.runs import Run, kerf
from clearance.process.stock import SPARK_GAP
from clearance.records import changing
from clearance.scene.model import Body, Finding, Finished, Scene

#: a piece smaller than this share of what stays, at the end of a slit from the edge, is a window
WINDOW = 0.1
#: of a piece, which must be the finished part's for it to be one
SHARE = 0.5
#: metal is looked for so far beyond the wire's surface, mm
BEYOND = 0.02
#: places looked at along each line
PLACES = 40


def by_name(scene: Scene, told: Removals, piece: Piece) -> Piece:
    """The piece by its name, and whether that is a guess.

    Args:
        scene: as planned.   told: what its runs part.   piece: that comes free.
    """
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


def _runs(told: Removals, piece: Piece) -> Iterator[Run]:
    """The runs, whole, that go along a piece's edge, the first one first."""
    for run in told.all_runs:
        if piece.part in run.stretch.cut_bodies and run.number <= piece.run.number:
            yield run


def _side(scene: Scene, told: Removals, piece: Piece) -> str:
    """On which side of the way that frees it a piece lies."""
    import shapely

    low, high = scene.bodies[piece.part].aabbs.box
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


def _is_window(told: Removals, piece: Piece) -> bool:
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


Array = NDArray[np.float64]

#: between places on a wall that are looked at, mm
STEP = 0.5
#: heights that are looked at, the thickest slabs of the finished model
HEIGHTS = 12
#: metal is looked for so far behind a wall, mm
BEHIND = 0.02
#: flats that turn by less stand for a curve, radians; a corner turns by more
CURVED = np.radians(30.0)
#: less than this of a wall is not told, mm2
LEAST = 0.5


@changing
class _Places:
    """Places along the runs' lines, chain by chain: on which bit of it, how far along that, and how much line
    each stands for, mm."""

    runs: list[Run]
    bit: list[NDArray[np.intp]] = field(default_factory=list)
    share: list[Array] = field(default_factory=list)
    length: list[Array] = field(default_factory=list)

    def at(self, z: float) -> tuple[Array, Array]:
        """Where they are at a height, (N, 2), and the unit normal to the left there, (N, 2)."""
        points, normals = [], []
        chains = [chain for run in self.runs for chain in run.line(z)]
        for chain, bit, share in zip(chains, self.bit, self.share, strict=True):
            along = chain[bit + 1] - chain[bit]
            size = np.maximum(np.hypot(*along.T), 1e-12)[:, None]
            points.append(chain[bit] + share[:, None] * along)
            normals.append(np.column_stack([-along[:, 1], along[:, 0]]) / size)
        return np.concatenate(points), np.concatenate(normals)


def becomes_findings(scene: Scene, runs: Sequence[Run]) -> list[Finding]:
    """For each part that is to become something, and each cut through it, where its walls lie off.

    Args:
        scene: as planned.   runs: all of them, in order.
    """
    found = []
    for k, body in enumerate(scene.bodies):
        if body.becomes is None:
            continue
        mine = [run for run in runs if k in run.stretch.cut_bodies]
        why = _not_judged(body, body.becomes, mine)
        if why:
            message = f'what it becomes is not held against "{body.becomes.file}": {why}'
            found.append(Finding("becomes", "close", message, body.name))
        else:
            found += _of_part(scene, body, body.becomes, mine)
    return found


def _not_judged(body: Body, finished: Finished, runs: Sequence[Run]) -> str:
    if not runs:
        return "no cut goes through it"
    if not (body.closed and finished.closed):
        return f"the surface of {'it' if not body.closed else 'that model'} does not close"
    grown = [run.stretch.name for run in runs if run.stretch.moves.grow > 0.0]
    return f'the wire offsets of "{grown[0]}" sit at the control (offset_max)' if grown else ""


def _of_part(scene: Scene, body: Body, finished: Finished, runs: list[Run]) -> list[Finding]:
    import shapely

    triangles = apply(body.T_MI, finished.triangles_I)
    heights = _heights(triangles, body)
    gap = SPARK_GAP if scene.spark_gap is None else scene.spark_gap
    half = float(scene.known_machine.wire) / 2.0 + gap
    places = _places(runs, float(np.mean([z for z, _ in heights])) if heights else 0.0)
    count = sum(map(len, places.length))
    # both sides of each place: how deep within at the deepest, how far beside at the nearest, and walls, mm2
    deep, where = np.full((2, count), -np.inf), np.zeros((2, count, 3))
    beside, at = np.full((2, count), np.inf), np.zeros((2, count, 3))
    too_deep, wall = np.zeros((2, count)), np.zeros((2, count))
    length = np.concatenate(places.length) if count else np.empty(0)
    for z, thick in heights:
        outline = region(triangles, z)
        taken = shapely.union_all([kerf(run.line(z), 2.0 * half) for run in runs])
        good = _good(region(body.triangles_M, z, body.aabbs).difference(taken), outline)
        if outline.is_empty or good.is_empty:
            continue
        walls = _Walls(outline)
        shapely.prepare(good)
        middle, normal = places.at(z)
        for side, sign in enumerate((1.0, -1.0)):
            behind = middle + sign * (half + BEHIND) * normal
            rows = np.flatnonzero(shapely.contains_xy(good, behind))
            p = middle[rows] + sign * half * normal[rows]
            off, slack = walls.beside(p)
            p_M = np.column_stack([p, np.full(len(p), z)])
            within, out = -off - slack, off - slack
            worse = within > deep[side, rows]
            deep[side, rows[worse]], where[side, rows[worse]] = within[worse], p_M[worse]
            nearer = out < beside[side, rows]
            beside[side, rows[nearer]], at[side, rows[nearer]] = out[nearer], p_M[nearer]
            wall[side, rows] += length[rows] * thick
            some = rows[within > finished.tolerance]
            too_deep[side, some] += length[some] * thick
    beside[~np.isfinite(beside)] = -np.inf
    if not wall.any():
        message = f'no cut wall meets "{finished.file}": look at its units, its origin and the zero'
        return [Finding("becomes", "close", message, body.name)]
    left = np.where(beside > finished.tolerance, wall, 0.0)
    of_cut = np.concatenate([[run.stretch.name] * n for run, n in zip(*_counts(places), strict=True)])
    told = []
    for name in dict.fromkeys(run.stretch.name for run in runs):
        mine = of_cut == name
        told += _told(body, finished, name, "deep", too_deep * mine, deep, where)
        told += _told(body, finished, name, "left", left * mine, beside, at)
    return told


def _counts(places: _Places) -> tuple[list[Run], list[int]]:
    """The run of each chain, and how many places that has."""
    owners = [run for run in places.runs for _ in run.line(0.0)]
    return owners, [len(each) for each in places.length]


def _told(
    body: Body, finished: Finished, cut: str, how: str, area: Array, by: Array, places: Array
) -> list[Finding]:
    """One finding on walls of a cut, where ``area`` (2, N) mm2 of them are off, by so much and where."""
    total = float(area.sum())
    if total < LEAST:
        return []
    worst = np.unravel_index(int(np.argmax(np.where(area > 0.0, by, -np.inf))), area.shape)
    x, y, z = places[worst]
    depth = f"{float(by[worst]):.2f} mm"
    where = f"worst at X{x:.1f} Y{y:.1f} Z{z:.1f}"
    if how == "deep":
        what = f'cuts up to {depth} into what "{finished.file}" shows, on {total:.0f} mm2 of wall, {where}'
        ask = "is the wire offset on the right side (G41, G42), is its D right?"
    else:
        what = f'leaves up to {depth} on walls that "{finished.file}" shows, on {total:.0f} mm2, {where}'
        ask = "is a pass missing, is the wire offset on the right side and its D right?"
    return [Finding("becomes", "close", f'"{cut}" {what}; {ask}', body.name, cut)]


def _heights(triangles: Array, body: Body) -> list[tuple[float, float]]:
    """The middle of each slab of the finished model that lies within the part, and how thick it is, mm."""
    low, high = float(body.aabbs.box[0][2]), float(body.aabbs.box[1][2])
    levels = np.unique(np.clip(np.r_[levels_of(triangles), low, high], low, high))
    first, last = float(triangles[..., 2].min()), float(triangles[..., 2].max())
    slabs = [
        ((a + b) / 2.0, b - a)
        for a, b in zip(levels[:-1].tolist(), levels[1:].tolist(), strict=True)
        if b - a > 10.0 * THIN and first < (a + b) / 2.0 < last
    ]
    return sorted(slabs, key=lambda slab: -slab[1])[:HEIGHTS]


def _good(left: Any, outline: Any) -> Any:
    """Of the metal that is left the pieces that are mostly the finished part, or most of it."""
    import shapely

    parts = np.array([p for p in shapely.get_parts(left) if p.geom_type == "Polygon"], dtype=object)
    if not len(parts):
        return shapely.Polygon()
    shared = shapely.area(shapely.intersection(parts, outline))
    whole = max(float(outline.area), 1e-12)
    return shapely.union_all(parts[(shared > SHARE * shapely.area(parts)) | (shared > SHARE * whole)])


def _places(runs: list[Run], z: float) -> _Places:
    found = _Places(runs)
    for run in runs:
        for chain in run.line(z):
            size = np.hypot(*np.diff(chain, axis=0).T)
            many = np.maximum(1, np.ceil(size / STEP)).astype(np.intp)
            bit = np.repeat(np.arange(len(size)), many)
            order = np.arange(len(bit)) - np.repeat(np.cumsum(many) - many, many)
            found.bit.append(bit)
            found.share.append((order + 0.5) / many[bit])
            found.length.append(size[bit] / many[bit])
    return found


class _Walls:
    """The outline of the finished part at one height, by its flats."""

    def __init__(self, outline: Any) -> None:
        import shapely

        self.outline = outline
        shapely.prepare(outline)
        ends, slack = [], []
        for polygon in shapely.get_parts(outline):
            if polygon.geom_type == "Polygon":
                for ring in (polygon.exterior, *polygon.interiors):
                    points = shapely.get_coordinates(ring)
                    ends.append(np.stack([points[:-1], points[1:]], axis=1))
                    slack.append(_off_curve(points[:-1]))
        self.slack = np.concatenate(slack)
        self.tree = shapely.STRtree(shapely.linestrings(np.concatenate(ends)))

    def beside(self, p: Array) -> tuple[Array, Array]:
        """How far places (N, 2) lie beside the finished part, negative: within it; and by how much the flats
        there may be off, mm."""
        import shapely

        if not len(p):
            return np.empty(0), np.empty(0)
        (mine, flat), distance = self.tree.query_nearest(
            shapely.points(p), return_distance=True, all_matches=False
        )
        off, slack = np.empty(len(p)), np.empty(len(p))
        off[mine], slack[mine] = distance, self.slack[flat]
        inside = shapely.contains_xy(self.outline, p)
        return np.where(inside, -off, off), slack


def _off_curve(points: Array) -> Array:
    """How far each flat of a ring (N, 2), from its point to the next, may lie off the curve it stands for."""
    along = following(points) - points
    size = np.hypot(*along.T)
    before = preceding(along)
    turn = np.abs(
        np.arctan2(before[:, 0] * along[:, 1] - before[:, 1] * along[:, 0], (before * along).sum(axis=1))
    )
    after = following(turn)
    smooth = np.where(turn < CURVED, turn, 0.0), np.where(after < CURVED, after, 0.0)
    # a straight wall between two curves is as long as it likes, and no curve
    length = np.minimum(size, np.maximum(preceding(size), following(size)))
    return np.asarray(length / 2.0 * np.tan(np.maximum(*smooth) / 4.0))
