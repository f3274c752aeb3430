"""Heads that may stand anywhere in a box of shifts: the box goes in; what they would meet comes out.

A piece's outline is a rectangle grown by a disc; shifted by all of a box it is a larger rectangle grown by
the same disc. So a box is one exact question. What moves with the heads is shifted against what stands.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from clearance.advice.confirm import growth
from clearance.advice.hits import Hits, Lifted
from clearance.advice.question import BEYOND_TOUCH
from clearance.checking.pairs import WIDTH, HeadRun, runs_of
from clearance.kernels.fcl.distance import Bodies
from clearance.kernels.fcl.touch import TouchHead
from clearance.kernels.meridian.bvh import ChordTree, TriangleTree
from clearance.kernels.meridian.view import TOUCH, FlatView, Growth, chords_of
from clearance.scene.heads import Piece
from clearance.scene.model import Finding, Scene, StretchKind

Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class Touch:
    """A head that meets an item, with the cut and the move (from 1; None on a way between cuts)."""

    head: str
    item: str
    cut: str
    move: int | None


class Covered:
    """The heads of a scene along all its cuts, held against all that does not move with them.

    Args:
        limit: mm; no box will reach farther, and bodies that are clear even then are not looked at again.
    """

    def __init__(self, scene: Scene, limit: float) -> None:
        self.scene = scene
        self.tree = TriangleTree([body.triangles_M for body in scene.bodies])
        self.runs = [run for s in scene.stretches for run in runs_of(s, scene.wire_margin)]
        self.paths: dict[tuple[int, int], ChordTree] = {}
        self.groups = _groups(scene)
        self.near = [[list(run.bodies) for _ in run.parts] for run in self.runs]
        everything = (-limit, limit, -limit, limit)
        for number, run in enumerate(self.runs):
            for part in range(len(run.parts)):
                self.near[number][part] = [
                    body
                    for body in run.bodies
                    if len(self._hits(number, part, [body], everything, 0.0).union.low)
                ]

    def clear(self, box: Box, extra: float = 0.0) -> bool:
        """Whether all margins are kept for every shift of the box, with heads wider by ``extra`` mm."""
        return self.first_touch(box, extra) is None

    def first_touch(self, box: Box, extra: float = 0.0) -> Touch | None:
        """Something that is met for some shift of the box; None where nothing is."""
        for number, run in enumerate(self.runs):
            for part in range(len(run.parts)):
                hits = self._hits(number, part, self.near[number][part], box, extra)
                if len(hits.union.low):
                    tag = int(hits.union.low_tag[0])
                    move = int(run.stretch.moves.programmed[tag & 0xFFFFFFFF]) + 1
                    item = self.scene.bodies[tag >> 32].name
                    return Touch(
                        run.head, item, run.stretch.name, move if run.stretch.cut is not None else None
                    )
        return None

    def _hits(self, number: int, part: int, bodies: list[int], box: Box, extra: float) -> Hits:
        run = self.runs[number]
        hits = Hits(0.0, 0.0)
        rows: list[list[Lifted]] = [[] for _ in self.scene.bodies]
        for body in bodies:
            against = self._against(run, body, box)
            if against is None:
                continue
            grow = growth(run, self.scene.bodies[body], True)
            side, height = grow.side + extra + BEYOND_TOUCH, grow.height + BEYOND_TOUCH
            rows[body] = [
                Lifted(_over(p.grown(side, height), against), 0, tag=body << 32)
                for p in run.parts[part].pieces
            ]  # fmt: skip
        if any(rows):
            hits.add(self.tree, self._path(run, part), rows)
        return hits

    def _against(self, run: HeadRun, body: int, box: Box) -> Box | None:
        """All shifts of a head against a body where each zero is in the box; None: it goes along."""
        x0, x1, y0, y1 = box
        mine, its = self._group(run), self.groups.get(body)
        if run.stretch.kind is StretchKind.PICKUP:
            # the head stands where it is told; only a part moves, the other way
            return (0.0, 0.0, 0.0, 0.0) if its is None else (-x1, -x0, -y1, -y0)
        if its is None:
            return box
        if mine is not None:
            return None if mine == its else (x0 - x1, x1 - x0, y0 - y1, y1 - y0)
        if len(set(self.groups.values())) == 1 and run.stretch.kind is StretchKind.BETWEEN:
            return None
        return (x0 - x1, x1 - x0, y0 - y1, y1 - y0)

    def _group(self, run: HeadRun) -> int | None:
        first = run.stretch.cut_bodies[:1]
        return self.groups[first[0]] if first else None

    def _path(self, run: HeadRun, part: int) -> ChordTree:
        one = run.parts[part]
        key = (id(one.moves), id(one.only))
        if key not in self.paths:
            self.paths[key] = ChordTree(chords_of(one.moves, one.only))
        return self.paths[key]

    def doubts(self, box: Box) -> list[Finding]:
        """What FCL says against a box that was found to be clear."""
        surfaces = Bodies(self.scene.bodies, self.scene.bodies[0].triangles_M[0, 0].round())
        return [finding for run in self.runs for finding in self._doubts(surfaces, run, box)]

    def _doubts(self, surfaces: Bodies, run: HeadRun, box: Box) -> Iterator[Finding]:
        groups: dict[tuple[Growth, Box], list[int]] = {}
        for body in run.bodies:
            against = self._against(run, body, box)
            if against is not None:
                groups.setdefault((growth(run, self.scene.bodies[body], True), against), []).append(body)
        for (grow, against), bodies in groups.items():
            for part in run.parts:
                pieces = [_over(p, against) for p in part.pieces]
                grown = [p.grown(grow.side, grow.height) for p in pieces]
                head = TouchHead(surfaces, part.moves, grown, part.only, {b: [0.0] for b in bodies})
                for body in bodies:
                    if not head.touches(body, 0.0):
                        continue
                    view = FlatView(
                        self.tree, chords_of(part.moves, part.only), pieces, run.face_of(part), [body]
                    )
                    flat = float(view.distance_grown({body: grow}, 1.0)[body])
                    if not TOUCH < flat <= WIDTH:
                        name = self.scene.bodies[body].name
                        message = (
                            f"the two ways of measuring the {run.head} head against {name} over all shifts "
                            f"disagree: FCL sees a touch, the flat view {flat:.4f} mm; report it"
                        )
                        yield Finding("contradiction", "undecided", message, name, run.stretch.name)


def _over(piece: Piece, box: Box) -> Piece:
    """A piece that may stand anywhere in a box of shifts."""
    x0, x1, y0, y1 = piece.rect
    return replace(piece, rect=(x0 + box[0], x1 + box[1], y0 + box[2], y1 + box[3]))


def _groups(scene: Scene) -> dict[int, int]:
    """For each part that is cut the first part of its cut: these are picked up, and move, together."""
    groups: dict[int, int] = {}
    for stretch in scene.stretches:
        for body in stretch.cut_bodies:
            first = stretch.cut_bodies[0]
            groups[body] = groups.get(first, first)
    return groups
