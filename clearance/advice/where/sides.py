"""A clamp that presses a part from the side, or a magnet that holds it there, goes in; the lines on which
its face lies against a straight side of the part come out: all of the face on metal that is there in every
state, or all of a side that is shorter than the face.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.advice.where.lines import Lines, of_all
from clearance.advice.where.pressing import Heard
from clearance.geometry.planar import areas, common
from clearance.mesh.sections import region
from clearance.process.holding import Role, role_of
from clearance.process.screws import BESIDE as HOLE
from clearance.process.support import SIDEWAYS, bearing
from clearance.records import record
from clearance.scene.model import Body, Scene

Array = NDArray[np.float64]

#: a side shorter than this, mm, is none; of more than so many the longest are looked at
SHORT, MOST = 0.3, 200
#: corners of a part's outline that lie nearer to a straight side than this, mm, are left out
STRAIGHT = 0.02
#: what lies so near to a part's own side is of it, mm; a screw stands that much nearer to its hole than it
#: must
NEAR = 1e-3
INNER = 0.1
#: slices are made so far beside a face's ends, mm
BESIDE = 0.01


@record
class Face:
    """An upright face: the way it looks, radians in the machine; its middle (2,) from the item's origin; its
    width; from which to which height, mm."""

    looks: float
    middle: Array
    width: float
    z: tuple[float, float]


def against_sides(
    scene: Scene,
    item: int,
    heard: Heard,
    turns: tuple[float, float] | None,
    holes: Array | None,
) -> Lines | None:
    """The lines of an item's origin; None where it does not work from the side.

    Args:
        scene: as it stands.   item: index of the body.   heard: of the scene.
        turns: degrees from how it stands, from and to; None: all.
        holes: (h, 2) thread holes, one of which is to be under its screw; None: anywhere.
    """
    body = scene.bodies[item]
    parts: dict[int, list[Any]] = {}
    roles: dict[int, Role] = {}
    for question, _ in heard.of(item):
        parts.setdefault(question.part, []).append(question)
        roles[question.part] = role_of(body, scene.bodies[question.part])
    if not parts or not any(r.aside or (r.pulls and r.grips) for r in roles.values()):
        return None
    magnet = not any(r.aside for r in roles.values())
    if magnet and any(bearing(scene.bodies[part], body).touches for part in parts):
        return None
    origin = body.T_MI[:2, 3]
    looks = None if magnet else float(np.arctan2(body.T_MI[1, 0], body.T_MI[0, 0]))
    found: list[tuple[Array, Array, float, float, float, str]] = []
    for face in faces(body, origin, looks):
        for part, questions in parts.items():
            if not (roles[part].aside or (roles[part].pulls and roles[part].grips)):
                continue
            for p, q in _sides(scene.bodies[part], questions, face):
                found += _lines(face, p, q, turns, scene.bodies[part].name)
    if holes is not None:
        found = [each for one in found for each in _over_holes(body, origin, one, holes)]
    nothing = Lines(np.empty((0, 2)), np.empty((0, 2)), np.empty(0), np.empty(0), np.empty(0), ())
    return of_all(found) if found else nothing


def faces(body: Body, origin: Array, looks: float | None) -> list[Face]:
    """The outermost upright faces of an item: that which looks one way (radians), or all.

    Args:
        origin: (2,) machine X Y.
    """
    shells = np.split(body.triangles_M, np.cumsum(body.shells)[:-1]) if body.shells else [body.triangles_M]
    t = np.concatenate([each for k, each in enumerate(shells) if k not in body.sunk])
    n = np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])
    size = np.linalg.norm(n, axis=1)
    upright = (np.abs(n[:, 2]) < 1e-6 * np.maximum(size, 1e-300)) & (size > 1e-9)
    t, n = t[upright], n[upright] / size[upright, None]
    angle = np.arctan2(n[:, 1], n[:, 0])
    ways: list[Any] = [looks]
    if looks is None:
        # south once, not as both ends of the circle
        _, first = np.unique(np.round(angle, 4) % round(2.0 * np.pi, 4), return_index=True)
        ways = angle[first].tolist()
    out = []
    for way in ways:
        normal = np.array([np.cos(way), np.sin(way)])
        mine = t[np.abs(np.angle(np.exp(1j * (angle - way)))) < 2e-4]
        if not len(mine):
            continue
        corners = mine.reshape(-1, 3)
        far = (corners[:, :2] - origin) @ normal
        own = corners[far > far.max() - NEAR]
        # the face must be the item's outermost that way
        if far.max() < ((t.reshape(-1, 3)[:, :2] - origin) @ normal).max() - NEAR:
            continue
        along = (own[:, :2] - origin) @ np.array([-normal[1], normal[0]])
        width = float(np.ptp(along))
        if width < 2.0:
            continue
        middle = far.max() * normal + (along.min() + along.max()) / 2.0 * np.array([-normal[1], normal[0]])
        out.append(Face(float(way), middle, width, (float(own[:, 2].min()), float(own[:, 2].max()))))
    return out


def _sides(part: Body, questions: Sequence[Any], face: Face) -> Iterator[tuple[Array, Array]]:
    """Straight sides of a part against which a face may lie, from end to end, the metal to their left."""
    import shapely

    low = max(face.z[0], float(part.aabbs.box[0][2])) + BESIDE
    high = min(face.z[1], float(part.aabbs.box[1][2])) - BESIDE
    outline = questions[0].outline
    levels = np.unique(np.linspace(0, len(outline.z) - 1, SIDEWAYS).astype(int))
    # a check looks at some heights alone
    seen = [float(z) for z in np.asarray(outline.z)[levels] if face.z[0] < z < face.z[1]]
    if high - low < 0.5 or not seen:
        return
    slices = [region(part.triangles_M, z, part.aabbs) for z in (low, (low + high) / 2.0, high, *seen)]
    own = areas(shapely.intersection_all(slices))
    whole = own.boundary
    metal = own
    for question in questions:
        if not question.whole:
            metal = common(metal, question.metal.region)
    sides = []
    for piece in shapely.get_parts(metal.simplify(STRAIGHT)):
        if piece.geom_type != "Polygon":
            continue
        piece = shapely.geometry.polygon.orient(piece)
        for ring in (piece.exterior, *piece.interiors):
            corners = shapely.get_coordinates(ring)
            for p, q in zip(corners[:-1], corners[1:], strict=True):
                long = float(np.hypot(*(q - p)))
                middle = shapely.Point((p + q) / 2.0)
                if long >= SHORT and whole.distance(middle) < STRAIGHT + NEAR:
                    sides.append((long, p, q))
    sides.sort(key=lambda one: -one[0])
    for _, p, q in sides[:MOST]:
        yield p, q


def _lines(
    face: Face, p: Array, q: Array, turns: tuple[float, float] | None, name: str
) -> Iterator[tuple[Array, Array, float, float, float, str]]:
    """The line of the origin along one side, if the face may be turned to it."""
    long = float(np.hypot(*(q - p)))
    way = (q - p) / long
    # the metal is to the left, so the face looks to the left
    turn = np.degrees(np.arctan2(way[0], -way[1]) - face.looks)
    turn = float(np.round((turn + 180.0) % 360.0 - 180.0, 3)) + 0.0
    if turns is not None and not turns[0] - 1e-6 <= turn <= turns[1] + 1e-6:
        return
    a = np.radians(turn)
    c, s = np.cos(a), np.sin(a)
    middle = np.array([c * face.middle[0] - s * face.middle[1], s * face.middle[0] + c * face.middle[1]])
    low, high = sorted((face.width / 2.0, long - face.width / 2.0))
    yield p - middle, way, float(low), float(high), turn, name


def _over_holes(
    body: Body, origin: Array, line: tuple[Array, Array, float, float, float, str], holes: Array
) -> Iterator[tuple[Array, Array, float, float, float, str]]:
    """The bits of a line on which a screw stands in one of some holes."""
    start, way, low, high, turn, name = line
    parts = np.split(body.triangles_M, np.cumsum(body.shells)[:-1])
    xy = parts[body.sunk[0]][..., :2].reshape(-1, 2)
    off = (xy.min(axis=0) + xy.max(axis=0)) / 2.0 - origin
    a = np.radians(turn)
    c, s = np.cos(a), np.sin(a)
    screw = start + np.array([c * off[0] - s * off[1], s * off[0] + c * off[1]])
    for hole in holes:
        to = hole - screw
        along = float(to @ way)
        beside = float(np.hypot(*(to - along * way)))
        if beside < HOLE - INNER:
            half = float(np.sqrt((HOLE - INNER) ** 2 - beside**2))
            first, last = max(low, along - half), min(high, along + half)
            if first <= last:
                yield start, way, first, last, turn, name
