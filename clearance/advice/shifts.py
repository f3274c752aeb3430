"""Heads that may stand anywhere in a box of shifts, and bodies that are tried elsewhere: a scene goes in;
what would be met comes out.

A piece's outline is a rectangle grown by a disc; the Minkowski sum with a box of shifts is a larger rectangle
grown by the same disc. So a box is one exact question. What moves with the heads is shifted against what
stands.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from math import hypot

from clearance.kernels.query import Growth, HeadPart, HeadRun, Hits, Lifted, SweepQuery
from clearance.records import record
from clearance.scene.heads import HeadPiece
from clearance.scene.model import Body, Finding, Scene, StretchKind

Box = tuple[float, float, float, float]

_NO_SHIFT: Box = (0.0, 0.0, 0.0, 0.0)


class TriedBodies:
    """The heads of a scene as they are, asked many times about bodies as they would be.

    Surfaces alone are looked at: what is swallowed is left to the check.
    """

    def __init__(self, scene: Scene) -> None:
        self.query = SweepQuery(scene)

    def clear(self, bodies: Sequence[Body], which: Sequence[int]) -> bool:
        """Whether these of the bodies (as they are now) keep clear of all heads, margins counted.

        Args:
            bodies: of the scene, changed or not.   which: indices of those that are looked at.
        """
        query, wanted = self.query.with_bodies(bodies, which), set(which)
        asked = []
        for run in self.query.runs:
            for part in run.parts:
                rows: list[list[Lifted]] = [[] for _ in bodies]
                for k in run.bodies:
                    if k in wanted:
                        rows[k] = [Lifted(p, 0) for p in query.lifted(run, k, part.pieces)]
                asked.append((part, rows))
        hits = Hits(0.0, 0.0)
        query.hits(hits, asked)
        return not len(hits.union.low)


@record
class Touch:
    """A head that meets an item, with the cut and the move (from 1; None on a way between cuts)."""

    head: str
    item: str
    cut: str
    move: int | None


class ShiftedHeads:
    """The heads of a scene along all its cuts, held against all that does not move with them.

    Args:
        limit: mm; no box will reach farther, and bodies that are clear even then are not looked at again.
    """

    def __init__(self, query: SweepQuery, limit: float) -> None:
        self.query, self.scene = query, query.scene
        self.runs = query.runs
        self.groups = _groups(self.scene)
        everything = (-limit, limit, -limit, limit)
        clearance = query.clearance(self.runs)
        self.near = [
            [body for body in run.bodies if self._comes_near(run, body, float(has.value[body]), everything)]
            for run, has in zip(self.runs, clearance, strict=True)
        ]

    def _comes_near(self, run: HeadRun, body: int, clearance: float, box: Box) -> bool:
        """Whether a head that is so far away, as planned, may meet a body for some shift of the box."""
        against = self._against(run, body, box)
        if against is None:
            return False
        # the distance of a head from a body changes by no more than the shift
        shift = hypot(max(-against[0], against[1]), max(-against[2], against[3]))
        return clearance - shift <= self.query.reach(run, body)

    def clear(self, box: Box, extra: float = 0.0) -> bool:
        """Whether all margins are kept for every shift of the box, with heads wider by ``extra`` mm."""
        hits = Hits(0.0, 0.0)
        self.query.hits(
            hits,
            [
                (part, self._rows(number, part, box, extra))
                for number, run in enumerate(self.runs)
                for part in run.parts
            ],
        )
        return not len(hits.union.low)

    def first_touch(self, box: Box, extra: float = 0.0) -> Touch | None:
        """Something that is met for some shift of the box; None where nothing is.

        Args:
            box: of shifts, mm: lowest and highest in X and Y.   extra: mm by which the heads are grown
                besides.
        """
        if self.clear(box, extra):
            return None
        for number, run in enumerate(self.runs):
            for part in run.parts:
                hits = Hits(0.0, 0.0)
                self.query.hits(hits, [(part, self._rows(number, part, box, extra))])
                if len(hits.union.low):
                    tag = int(hits.union.low_tag[0])
                    move = int(run.stretch.moves.programmed[tag & 0xFFFFFFFF]) + 1
                    item = self.scene.bodies[tag >> 32].name
                    return Touch(
                        run.head, item, run.stretch.name, move if run.stretch.cut is not None else None
                    )
        return None

    def _rows(self, number: int, part: HeadPart, box: Box, extra: float) -> list[list[Lifted]]:
        """For each body the pieces that it is held against, wherever in the box the heads stand."""
        run = self.runs[number]
        rows: list[list[Lifted]] = [[] for _ in self.scene.bodies]
        for body in run.bodies if extra else self.near[number]:
            against = self._against(run, body, box)
            if against is not None:
                grown = self.query.lifted(run, body, part.pieces, extra=extra)
                rows[body] = [Lifted(_over(p, against), 0, tag=body << 32) for p in grown]
        return rows

    def _against(self, run: HeadRun, body: int, box: Box) -> Box | None:
        """All shifts of a head against a body where each zero is in the box; None: it goes along."""
        x0, x1, y0, y1 = box
        mine, its = self._group(run), self.groups.get(body)
        if run.stretch.kind is StretchKind.PICKUP:
            # the head stands where it is told; only a part moves, the other way
            return _NO_SHIFT if its is None else (-x1, -x0, -y1, -y0)
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

    def doubts(self, box: Box) -> list[Finding]:
        """What FCL says against a box that was found to be clear."""
        return [finding for run in self.runs for finding in self._doubts(run, box)]

    def _doubts(self, run: HeadRun, box: Box) -> Iterator[Finding]:
        tolerances = self.query.tolerances
        groups: dict[tuple[Growth, Box], list[int]] = {}
        for body in run.bodies:
            against = self._against(run, body, box)
            if against is not None:
                groups.setdefault((self.query.growth(run, body), against), []).append(body)
        for (grow, against), bodies in groups.items():
            for part in run.parts:
                pieces = tuple(_over(p, against) for p in part.pieces)
                head = self.query.touch_head(part, pieces, grow, {b: [0.0] for b in bodies})
                for body in bodies:
                    if not head.touches(body, 0.0):
                        continue
                    wider = replace(run, parts=(replace(part, pieces=pieces),))
                    flat = float(self.query.grown([wider], [{body: grow}], 1.0)[0][body])
                    if not tolerances.found_touch < flat <= tolerances.width:
                        name = self.scene.bodies[body].name
                        message = (
                            f"the two ways of measuring the {run.head} head against {name} over all shifts "
                            f"disagree: FCL sees a touch, the flat view {flat:.4f} mm; report it"
                        )
                        yield Finding("contradiction", "undecided", message, name, run.stretch.name)


def _over(piece: HeadPiece, box: Box) -> HeadPiece:
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
