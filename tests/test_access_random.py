"""Random cuts through random plates: what hangs together afterwards, against solids that manifold3d parts.

There each straight move takes out a prism, the hull of two posts of the wire's diameter; what is left is
decomposed into its connected bodies. The code under test works on flat regions by another library.
"""

from __future__ import annotations

import random
from pathlib import Path

import numpy as np
import pytest
from manifold3d import Manifold

from clearance.process.findings import access_findings
from clearance.process.removal import removals
from tests.access_bench import WIRE, block, line, plate_with, post, scene

SIZE = (60.0, 45.0, 12.0)
#: bodies below this volume are slivers that either way may see or not, mm3
SLIVER = 1.0


def a_plate(dice: random.Random) -> Manifold:
    """A plate with steps, holes and pockets."""
    body = block(*SIZE)
    for _ in range(dice.randrange(4)):
        x, y = dice.uniform(0, SIZE[0]), dice.uniform(0, SIZE[1])
        body -= post(dice.uniform(1, 9), 30, (x, y, dice.choice([-5.0, 5.0])))
    if dice.random() < 0.4:
        body -= block(dice.uniform(5, 30), 60, 20, (dice.uniform(-5, 50), -5, dice.uniform(4, 9)))
    return body


def a_path(dice: random.Random) -> list[tuple[float, float]]:
    """Closed, open, from edge to edge or crossing itself."""
    kind = dice.randrange(4)
    if kind == 0:
        y = dice.uniform(5, 40)
        return [(-3.0, y), (dice.uniform(10, 50), dice.uniform(5, 40)), (63.0, dice.uniform(5, 40))]
    x, y, r = dice.uniform(12, 48), dice.uniform(12, 33), dice.uniform(3, 10)
    turn = dice.uniform(0, 6.28)
    n = dice.randrange(3, 9)
    corners = [
        (x + r * np.cos(turn + 2 * np.pi * k / n), y + r * np.sin(turn + 2 * np.pi * k / n)) for k in range(n)
    ]
    if kind == 1:
        return [(x, y), *corners, corners[0], (x, y)]
    if kind == 2:
        return [(-3.0, y), *corners, corners[0]]
    return [(dice.uniform(-5, 65), dice.uniform(-5, 50)) for _ in range(dice.randrange(2, 7))]


def taken_apart(body: Manifold, path: list[tuple[float, float]]) -> list[float]:
    """Volumes of the connected bodies once the wire has gone along a path, the largest first."""
    wire = Manifold.cylinder(40, WIRE / 2, WIRE / 2, 32).translate((0, 0, -10))
    for a, b in zip(path, path[1:], strict=False):
        body -= Manifold.batch_hull([wire.translate((*a, 0)), wire.translate((*b, 0))])
    return sorted((one.volume() for one in body.decompose()), reverse=True)


@pytest.mark.few(12)
@pytest.mark.parametrize("seed", range(40))
def test_pieces_are_those_of_solids(seed: int, tmp_path: Path) -> None:
    dice = random.Random(seed)
    body = max(a_plate(dice).decompose(), key=lambda one: one.volume())
    path = [(round(x, 3), round(y, 3)) for x, y in a_path(dice)]
    turn = dice.choice([0.0, 33.7])
    plate = plate_with(turn=[0, 0, turn], at=[100, 100, 0])
    loaded = scene(tmp_path, body, {"nc": line(*path), "axes": "part"}, plate=plate)
    access_findings(loaded)
    bodies = [volume for volume in taken_apart(body, path) if volume > SLIVER]
    pieces = [piece.volume for piece in removals(loaded).pieces if piece.volume > SLIVER]
    assert len(pieces) == len(bodies) - 1
    # One of the bodies is what stays; which one is asked elsewhere.
    rest = list(bodies)
    for volume in pieces:
        nearest = min(rest, key=lambda one: abs(one - volume))
        assert volume == pytest.approx(nearest, rel=0.01, abs=0.6)
        rest.remove(nearest)
