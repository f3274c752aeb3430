"""Parts and paths, in each unit that they may be in, go in; where a path runs along a part's walls comes out.

The direction in which these walls run straight through the part says how it stands; which of its flat faces
is the larger only decides between equals.

``poses`` has the ways to lay a path's contours onto a part's walls, the best first. Contours that may be the
same, by size, give first poses; least squares brings each so that the path runs beside the walls at one
distance throughout, as the path of the wire's centre does; what counts then is how much of the path runs
along walls that go straight through the part, and how many of its contours do.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.transforms import turn_matrix
from clearance.records import record
from clearance.scene.guess.stance import Stance, turned_over
from clearance.scene.guess.walls import Contour, DrawnPath, Walls
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]

#: a path lies on the part's walls where its pose is worth so much, and so much of it runs along them
WORTH, SHARE = 0.6, 0.5
#: with this there is no better unit to look for
SURE = 0.9
#: directions that are looked along; fewer where a model has very many facets
DIRECTIONS, FEW, FINE = 12, 4, 200_000
#: a zero so near to the model's own origin is that, mm
AT_ORIGIN = 0.005


@record
class Match:
    """One way in which a path runs along a part's walls: which part and path of those given, stance and pose.

    Attributes:
        rank: of the stance: 0 is the likeliest by its flat face.   stands: on a flat face, or as a bar does.
    """

    part: int
    path: int
    stance: Stance
    pose: Pose
    rank: int
    stands: bool


def turned(triangles: Array, stance: Stance) -> Array:
    """Triangles (N, 3, 3) as they stand, mm; corners that are the same stay so to the last bit.

    Args:
        triangles: in the model's own frame, mm.   stance: which of its faces is down.
    """
    R = turn_matrix(stance.turn)
    x, y, z = (triangles[..., k] for k in range(3))
    return np.stack([x * R[k, 0] + y * R[k, 1] + z * R[k, 2] for k in range(3)], axis=-1)


def matches(
    models: Sequence[tuple[Array, Sequence[Stance]]], moves: Sequence[Moves], pairs: Sequence[tuple[int, int]]
) -> list[Match]:
    """The best way to lay the path on the part's walls, and after it those that are as good.

    Args:
        models: triangles (N, 3, 3) mm and stances of the part in each unit.   moves: of the path in each.
        pairs: (part, path) to be tried, the likeliest units first.

    Returns:
        Nothing where no pair goes together.
    """
    drawings: dict[int, DrawnPath] = {}
    seen: dict[int, list[tuple[int, Stance, Walls]]] = {}
    best: list[Match] = []
    for part, path in pairs:
        if path not in drawings:
            drawings[path] = DrawnPath(moves[path])
        drawn = drawings[path]
        if not drawn.contours:
            continue
        if part not in seen:
            seen[part] = [
                (rank, stance, Walls(turned(models[part][0], stance)))
                for rank, stance in _ways(models[part][1], len(models[part][0]))
            ]
        found = [
            Match(part, path, stance, pose, rank, stance.area > 0.0 or stance.axis == "x")
            for rank, stance, walls in seen[part]
            for pose in poses(drawn, walls)
            if pose.worth >= WORTH and pose.share >= SHARE
        ]
        equals = _best(found)
        if equals and (not best or equals[0].pose.worth > best[0].pose.worth + 0.02):
            best = equals
        if best and best[0].pose.worth >= SURE:
            break
    return best


def _ways(stances: Sequence[Stance], facets: int) -> Iterator[tuple[int, Stance]]:
    """The stances with their ranks; then each turned over, where it is none of them: a drawing from below."""
    most = FEW if facets > FINE else DIRECTIONS
    down = [turn_matrix(stance.turn)[2] for stance in stances]
    yield from enumerate(stances[:most])
    for k, stance in enumerate(stances[:most]):
        if stance.axis != "x" and not any(float(down[k] @ other) < -0.999999 for other in down):
            yield len(stances) + k, turned_over(stance)


def _best(found: list[Match]) -> list[Match]:
    """The best and its equals. Of those, the ones on which the part can stand; the likeliest stance, the
    model's own origin and the smallest turn come first."""
    if not found:
        return []
    top = max(found, key=lambda match: match.pose.worth)
    equals = [match for match in found if match.pose.as_good_as(top.pose)]
    if any(match.stands for match in equals):
        equals = [match for match in equals if match.stands]

    def order(match: Match) -> tuple[int, bool, float, tuple[float, float]]:
        pose = match.pose
        own = pose.turn == 0.0 and max(map(abs, pose.at)) <= AT_ORIGIN
        return match.rank, not own, abs(pose.turn), pose.at

    return sorted(equals, key=order)


#: so far a path may run beside the wall that it cuts, mm: half a wire, a gap, what a rough cut leaves
BESIDE = 0.6
#: a point of the path is on its wall within this, mm, beside what facets lie off
NEAR = 0.03
#: of a contour so much must lie on walls for it to count as found
FOUND = 0.8
#: where less of the path, by length and by count, has its like in the part, nothing is tried
FIT_FEW = 0.4
#: ways whose share differs by less are equally good: 0.8 mm of an outline of 400 mm
EQUAL = 0.002
#: first poses that are refined; contours that give first poses, and those that vote on them
TRIED, ANCHORS, VOTERS = 24, 4, 60
#: centres of contours that are the same lie so near, mm, before anything is refined
CENTRED = 0.35
#: how near the path must be to a wall to be drawn to it, mm, from step to step
GATES = (1.5, 1.2, 1.0, 0.8, 0.6, 0.3, 0.2, 0.1, 0.1, 0.1)
#: neat angles are taken where they are so near, degrees
NEAT = 0.002


@record
class Pose:
    """How a path lies on a part, in the frame of the part so turned.

    Attributes:
        turn: degrees about Z, of the path about its zero.   at: (2,) where its zero is, mm.
        beside: how far it runs beside the walls, mm; negative: in the metal.
        share: of its contours' length, how much runs along walls; each counts by the share of the part's
            heights at which its wall stands.
        found: contours that do, of ``contours``.
    """

    turn: float
    at: tuple[float, float]
    beside: float = 0.0
    share: float = 0.0
    found: int = 0
    contours: int = 0

    def on(self, points: Array) -> Array:
        """Points (N, 2) of the path where they lie on the part."""
        return np.asarray(points @ _turned(self.turn).T + np.array(self.at))

    @property
    def worth(self) -> float:
        """From 0 to 1: length and count of what is found, each by half."""
        return (self.share + self.found / max(self.contours, 1)) / 2

    def as_good_as(self, other: Pose) -> bool:
        """Whether nothing tells which of the two is right."""
        return self.found == other.found and abs(self.share - other.share) <= EQUAL


def _turned(degrees: float) -> Array:
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return np.array([[c, -s], [s, c]])


def poses(drawn: DrawnPath, walls: Walls) -> list[Pose]:
    """Ways to lay the path on the part, each once, the best first; none where nothing is alike.

    Args:
        drawn: the path, mm, in its own frame.   walls: of the part as it stands.
    """
    if not drawn.contours or not walls.levels or not len(walls.places[0]):
        return []
    found: list[Pose] = []
    for first in _first(drawn.contours, walls.contours):
        pose = _judged(_neat(_refined(first, drawn, walls), drawn, walls), drawn, walls)
        if pose.found and not any(_same(pose, other, drawn) for other in found):
            found.append(pose)
    return sorted(found, key=lambda pose: -pose.worth)


def _same(a: Pose, b: Pose, drawn: DrawnPath) -> bool:
    """Whether two poses bring every contour to one place."""
    points = drawn.points[:: max(len(drawn.points) // 100, 1)]
    return bool(np.abs(a.on(points) - b.on(points)).max() < 2 * NEAR)


# ------------------------------------------------------------------------------------------- first poses
def _first(path: list[Contour], part: list[Contour]) -> list[Pose]:
    """Poses that bring the centres of most contours onto those of contours of their size."""
    alike = np.array([[_alike(p, q) for q in part] for p in path]).reshape(len(path), len(part))
    of_path = np.array([p.centre for p in path])
    of_part = np.array([q.centre for q in part]).reshape(-1, 2)
    counts = alike.sum(axis=1)
    # those that few are like, and of them the longest, say most
    order = [k for k in sorted(range(len(path)), key=lambda k: (counts[k], -path[k].length)) if counts[k]]
    told = sum(path[k].length for k in order) / sum(p.length for p in path)
    if not order or (told < FIT_FEW and len(order) < FIT_FEW * len(path)):
        return []
    guesses = []
    for a in order[:ANCHORS]:
        ones = np.flatnonzero(alike[a])
        guesses.append(_by_centre(np.zeros(len(ones)), of_path[a], of_part[ones]))
        if path[a].radius == 0.0:
            for q in ones[:12]:
                turns = _by_outline(path[a], part[q])
                guesses.append(_by_centre(turns, of_path[a], np.tile(of_part[q], (len(turns), 1))))
        for b in _far(order, a, of_path):
            guesses.append(_by_two(of_path[a], of_path[b], of_part[ones], of_part[np.flatnonzero(alike[b])]))
    every = np.concatenate(guesses)
    votes = _votes(every, of_path[order[:VOTERS]], of_part, alike[order[:VOTERS]])
    kept: list[Pose] = []
    grid: set[tuple[float, ...]] = set()
    for k in np.lexsort((np.abs(every[:, 0]), -votes)):
        if votes[k] < 0.8 * votes.max() or len(kept) == TRIED:
            break
        pose = Pose(float(every[k, 0]), (float(every[k, 1]), float(every[k, 2])))
        key = tuple(np.round(pose.on(of_path[order[:3]]).reshape(-1) / 0.5).tolist())
        angle = round(pose.turn / 0.5) % 720
        if (angle, *key) not in grid:
            grid.add((angle, *key))
            kept.append(pose)
    return kept


def _alike(p: Contour, q: Contour) -> bool:
    """Whether a path's contour and a part's may be the same, one within BESIDE of the other."""
    if (p.radius > 0.0) != (q.radius > 0.0):
        return False
    if p.radius > 0.0:
        return abs(p.radius - q.radius) <= BESIDE
    long = max(p.length, q.length)
    near = abs(p.length - q.length) <= 8.0 * BESIDE + 0.03 * long
    return near and abs(p.area - q.area) <= 1.1 * BESIDE * long + 0.01 * max(p.area, q.area)


def _by_centre(turns: Array, from_: Array, to: Array) -> Array:
    """Poses (K, 3), degrees and mm, that bring a point (2,) to points (K, 2)."""
    c, s = np.cos(np.radians(turns)), np.sin(np.radians(turns))
    there = np.column_stack([c * from_[0] - s * from_[1], s * from_[0] + c * from_[1]])
    return np.column_stack([turns, to - there])


def _far(order: list[int], a: int, centres: Array) -> list[int]:
    """The contours that say best how a path is turned about the centre of ``a``: rare ones, far ones."""
    away = np.hypot(*(centres - centres[a]).T)
    others = [b for b in order if away[b] > 1.0]
    return sorted(set(others[:3]) | set(sorted(others, key=lambda b: -away[b])[:3]))


def _by_two(a: Array, b: Array, to_a: Array, to_b: Array) -> Array:
    """Poses (K, 3) that bring one centre to one of ``to_a`` (A, 2) and the other to one of ``to_b``."""
    way, ways = b - a, to_b[None] - to_a[:, None]
    apart = np.hypot(*way)
    row, column = np.nonzero(np.abs(np.hypot(ways[..., 0], ways[..., 1]) - apart) <= CENTRED)
    one = ways[row, column]
    turns = np.degrees(np.arctan2(one[:, 1], one[:, 0]) - np.arctan2(way[1], way[0]))
    return _by_centre((turns + 180.0) % 360.0 - 180.0, a, to_a[row])


def _by_outline(p: Contour, q: Contour) -> Array:
    """Turns, degrees, at which two outlines reach as far from their centres in each direction, or nearly."""
    a, b = _reach(p), _reach(q)
    match = np.fft.irfft(np.fft.rfft(b) * np.conj(np.fft.rfft(a)), len(a))
    spread = float((a * a).sum() * (b * b).sum()) ** 0.5
    if spread < 1e-9:
        return np.zeros(1)
    match /= spread
    peak = (match >= np.roll(match, 1)) & (match > np.roll(match, -1)) & (match > match.max() - 0.1)
    best = np.flatnonzero(peak)
    best = best[np.argsort(-match[best])][:12]
    return np.asarray((best * 360.0 / len(a) + 180.0) % 360.0 - 180.0)


def _reach(contour: Contour, count: int = 720) -> Array:
    """The farthest reach (count,) from the centre in each direction, about its mean, mm."""
    way = np.roll(contour.points, -1, axis=0) - contour.points
    each = np.maximum(np.ceil(np.hypot(way[:, 0], way[:, 1]) / contour.length * 4 * count), 1).astype(
        np.int64
    )
    row = np.repeat(np.arange(len(each)), each)
    share = (np.arange(len(row)) - np.repeat(np.cumsum(each) - each, each)) / each[row]
    off = contour.points[row] + share[:, None] * way[row] - contour.centre
    at = np.round(np.degrees(np.arctan2(off[:, 1], off[:, 0])) * count / 360.0).astype(np.int64) % count
    reach = np.zeros(count)
    np.maximum.at(reach, at, np.hypot(off[:, 0], off[:, 1]))
    empty = reach == 0.0
    reach[empty] = np.interp(np.flatnonzero(empty), np.flatnonzero(~empty), reach[~empty], period=count)
    return np.asarray(reach - reach.mean())


def _votes(every: Array, centres: Array, of_part: Array, alike: NDArray[np.bool_]) -> Array:
    """For each pose (K, 3) how many centres come to that of a contour which may be theirs."""
    votes = np.zeros(len(every))
    c, s = np.cos(np.radians(every[:, 0])), np.sin(np.radians(every[:, 0]))
    for centre, mine in zip(centres, alike, strict=True):
        x = c * centre[0] - s * centre[1] + every[:, 1]
        y = s * centre[0] + c * centre[1] + every[:, 2]
        to = of_part[mine]
        for begin in range(0, len(every), 4096):
            part = slice(begin, begin + 4096)
            away = np.hypot(x[part, None] - to[:, 0], y[part, None] - to[:, 1])
            votes[part] += (away < 2 * CENTRED).any(axis=1)
    return votes


# ------------------------------------------------------------------------------------------------ refining
def _refined(pose: Pose, drawn: DrawnPath, walls: Walls, turns: bool = True) -> Pose:
    """The pose, and one distance beside all walls, that least squares finds from there (Gauss and Newton's
    steps, each solved by numpy's least squares; points on the part, across its walls, to the path).

    Args:
        turns: the angle may change.
    """
    every, across_it = walls.places
    turn, at, beside = pose.turn, np.array(pose.at), pose.beside
    for gate in GATES:
        # far from the end some of the points do
        some = slice(None, None, max(len(every) // 500, 1) if gate > 0.25 else 1)
        places, normals = every[some], across_it[some]
        R = _turned(turn)
        foot = drawn.feet((places - at) @ R) @ R.T
        gap = foot + at - places
        across = (gap * normals).sum(axis=1)
        along = np.abs(gap[:, 0] * normals[:, 1] - gap[:, 1] * normals[:, 0])
        beside = _most(across[along <= gate], gate / 2, beside)
        used = (np.abs(across - beside) <= gate) & (along <= gate)
        if used.sum() < 4:
            break
        n, f = normals[used], foot[used]
        middle = f.mean(axis=0)
        off = f - middle
        size = max(float(np.abs(off).max()), 1e-9)
        columns = [n[:, 0], n[:, 1], -np.ones(len(n))]
        if turns:
            columns.append((off[:, 0] * n[:, 1] - off[:, 1] * n[:, 0]) / size)
        # walls that are not the path's own, a counterbore's say, count for little (Cauchy's weights)
        weight = 1.0 / (1.0 + ((across[used] - beside) * 3.0 / gate) ** 2)
        left = np.column_stack(columns) * weight[:, None]
        step, *_ = np.linalg.lstsq(left, -across[used] * weight, rcond=1e-6)
        beside = float(step[2])
        angle = float(step[3]) / size if turns else 0.0
        swing = _turned(np.degrees(angle))
        # the turn is about the middle of what is used
        at = middle + at + step[:2] - swing @ middle
        turn += float(np.degrees(angle))
        if np.abs(step[:2]).max() + abs(angle) * size < 1e-9:
            break
    return replace(pose, turn=180.0 - (180.0 - turn) % 360.0, at=(float(at[0]), float(at[1])), beside=beside)


def _most(across: Array, width: float, else_: float) -> float:
    """The distance beside walls, within BESIDE or nearly, about which most of ``across`` (N,) lie, mm."""
    near = np.sort(across[np.abs(across) <= BESIDE + width])
    if not len(near):
        return else_
    count = np.searchsorted(near, near + width, side="right") - np.arange(len(near))
    first = int(np.argmax(count))
    return float(np.median(near[first : first + count[first]]))


def _neat(pose: Pose, drawn: DrawnPath, walls: Walls) -> Pose:
    """The same at a whole number of degrees, where it is as near as the figures are good."""
    whole = float(round(pose.turn))
    if abs(pose.turn - whole) > NEAT:
        return pose
    # about the middle of the path, so that a far zero does not carry it off
    middle = drawn.points.mean(axis=0)
    at = pose.on(middle[None])[0] - _turned(whole) @ middle
    whole = 180.0 if whole == -180.0 else whole + 0.0
    found = _refined(replace(pose, turn=whole, at=(float(at[0]), float(at[1]))), drawn, walls, turns=False)
    x, y = (round(v, 3) + 0.0 for v in found.at)
    return replace(found, at=(x, y))


def _judged(pose: Pose, drawn: DrawnPath, walls: Walls) -> Pose:
    """The pose with how much of the path runs along walls."""
    on = np.zeros(len(drawn.points))
    if abs(pose.beside) <= BESIDE:
        on = walls.along(pose.on(drawn.points), pose.beside, NEAR)
    share = float((on * drawn.weights).sum() / drawn.weights.sum())
    count = len(drawn.contours)
    length = np.bincount(drawn.of, weights=drawn.weights, minlength=count)
    along = np.bincount(drawn.of, weights=drawn.weights * (on > 0.3), minlength=count)
    found = int((along >= FOUND * length).sum())
    return replace(pose, share=share, found=found, contours=count)
