"""Parts and paths, in each unit that they may be in, go in; where a path runs along a part's walls comes out.

The direction in which these walls run straight through the part says how it stands; which of its flat faces
is the larger only decides between equals.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.transforms import turn_matrix
from clearance.scene.guess.fit import Pose, poses
from clearance.scene.guess.stance import Stance, turned_over
from clearance.scene.guess.walls import Drawn, Walls
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


@dataclass(frozen=True)
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
    """Triangles (N, 3, 3) as they stand, mm; corners that are the same stay so to the last bit."""
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
    drawings: dict[int, Drawn] = {}
    seen: dict[int, list[tuple[int, Stance, Walls]]] = {}
    best: list[Match] = []
    for part, path in pairs:
        if path not in drawings:
            drawings[path] = Drawn(moves[path])
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
