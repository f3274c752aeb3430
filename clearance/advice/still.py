"""Heads that stay where they are: bodies as they would be go in; whether every margin is kept comes out."""

from __future__ import annotations

from collections.abc import Sequence

from clearance.advice.confirm import growth
from clearance.advice.hits import Hits, Lifted
from clearance.advice.question import BEYOND_TOUCH
from clearance.checking.pairs import HeadRun, runs_of
from clearance.kernels.meridian.bvh import ChordTree, TriangleTree
from clearance.kernels.meridian.view import Growth, chords_of
from clearance.scene.model import Body, Scene


class StillHeads:
    """The heads of a scene with their paths, ready to be asked many times.

    Surfaces alone are looked at: what is swallowed is left to the check.
    """

    def __init__(self, scene: Scene) -> None:
        self.runs = [run for s in scene.stretches for run in runs_of(s, scene.wire_margin)]
        self.paths: dict[tuple[int, int], ChordTree] = {}
        self.grown: dict[tuple[int, int, Growth], list[Lifted]] = {}

    def clear(self, bodies: Sequence[Body], which: Sequence[int]) -> bool:
        """Whether these of the bodies (as they are now) keep clear of all heads, margins counted."""
        wanted = set(which)
        tree = TriangleTree(
            [b.triangles_M if k in wanted else b.triangles_M[:0] for k, b in enumerate(bodies)]
        )
        for number, run in enumerate(self.runs):
            for part in range(len(run.parts)):
                hits = Hits(0.0, 0.0)
                rows: list[Sequence[Lifted]] = [()] * len(bodies)
                for k in run.bodies:
                    if k in wanted:
                        rows[k] = self._rows(number, part, run, bodies[k])
                hits.add(tree, self._path(run, part), rows)
                if len(hits.union.low):
                    return False
        return True

    def _path(self, run: HeadRun, part: int) -> ChordTree:
        one = run.parts[part]
        key = (id(one.moves), id(one.only))
        if key not in self.paths:
            self.paths[key] = ChordTree(chords_of(one.moves, one.only))
        return self.paths[key]

    def _rows(self, number: int, part: int, run: HeadRun, body: Body) -> list[Lifted]:
        grow = growth(run, body, True)
        key = (number, part, grow)
        if key not in self.grown:
            side, height = grow.side + BEYOND_TOUCH, grow.height + BEYOND_TOUCH
            self.grown[key] = [Lifted(piece.grown(side, height), 0) for piece in run.parts[part].pieces]
        return self.grown[key]
