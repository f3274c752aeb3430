"""Heads that may stand anywhere in a box of shifts, and bodies that are tried elsewhere: a scene goes in;
what would be met comes out.

A piece's outline is a rectangle grown by a disc; the Minkowski sum with a box of shifts is a larger rectangle
grown by the same disc. So a box is one exact question. What moves with the heads is shifted against what
stands.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
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

    What is farther from a head, as planned, than a box of shifts reaches is not looked at; and what was met
    last is looked at first, since of two boxes that are much alike mostly the same ends both.

    Args:
        like: heads of the same query, of which those alone are looked at that may meet something ``within``.
    """

    def __init__(self, query: SweepQuery, like: ShiftedHeads | None = None, within: Box = _NO_SHIFT) -> None:
        self.query, self.scene = query, query.scene
        self.runs = query.runs
        self.groups = _groups(self.scene)
        self._met: tuple[int, int] | None = None
        if like is None:
            #: for each run how far off each body is as planned, mm; and the bodies that are looked at
            self.apart = [one.value for one in query.clearance(self.runs)]
            self.looked_at: list[Collection[int]] = [run.bodies for run in self.runs]
        else:
            self.apart, self._met = like.apart, like._met
            self.looked_at = like._meeting(within)

    def within(self, box: Box) -> ShiftedHeads:
        """The same heads, to be asked about boxes that lie in this one."""
        return ShiftedHeads(self.query, self, box)

    def _comes_near(self, number: int, body: int, box: Box, extra: float = 0.0) -> bool:
        """Whether a head may meet a body for some shift of the box, by how far off it is as planned."""
        against = self._against(self.runs[number], body, box)
        if against is None:
            return False
        # the distance of a head from a body changes by no more than the shift
        shift = hypot(max(-against[0], against[1]), max(-against[2], against[3]))
        apart = float(self.apart[number][body])
        return apart - shift <= self.query.reach(self.runs[number], body) + extra

    def _near(self, box: Box, extra: float = 0.0) -> list[list[int]]:
        """For each run the bodies that it may meet for some shift of the box."""
        return [
            [body for body in bodies if self._comes_near(number, body, box, extra)]
            for number, bodies in enumerate(self.looked_at)
        ]

    def _meeting(self, box: Box) -> list[Collection[int]]:
        """The same by the distance over the whole box: it is no larger over a box that holds another."""
        near = self._near(box)
        asked = [(n, part) for n, bodies in enumerate(near) for part in self.runs[n].parts if bodies]
        room = self.query.tolerances.width
        wanted = [
            (
                self.runs[n],
                part,
                {b: [row.piece for row in rows] for b, rows in self._rows(n, part, near[n], box, 0.0)},
                dict.fromkeys(near[n], room),
            )
            for n, part in asked
        ]
        found: list[set[int]] = [set() for _ in self.runs]
        for (n, _), (apart, _) in zip(
            asked, self.query.clearance_below(wanted, settled=0.0, points=False), strict=True
        ):
            found[n].update(apart)
        return [sorted(some) for some in found]

    def _hit(
        self, asked: Sequence[tuple[int, HeadPart, Sequence[int]]], box: Box, extra: float
    ) -> int | None:
        """The tag of what is met: run and body, then the move of the path; None where nothing is."""
        hits, wanted = Hits(0.0, 0.0), []
        for number, part, bodies in asked:
            rows: list[list[Lifted]] = [[] for _ in self.scene.bodies]
            for body, some in self._rows(number, part, bodies, box, extra):
                rows[body] = some
            wanted.append((part, rows))
        self.query.hits(hits, wanted)
        return int(hits.union.low_tag[0]) if len(hits.union.low) else None

    def clear(self, box: Box, extra: float = 0.0) -> bool:
        """Whether all margins are kept for every shift of the box, with heads wider by ``extra`` mm."""
        near = self._near(box, extra)
        if self._met is not None:
            number, body = self._met
            if body in near[number]:
                parts = [(number, part, [body]) for part in self.runs[number].parts]
                if self._hit(parts, box, extra) is not None:
                    return False
                near[number].remove(body)
        met = self._hit(
            [(n, part, bodies) for n, bodies in enumerate(near) for part in self.runs[n].parts if bodies],
            box,
            extra,
        )
        if met is not None:
            number, body = divmod(met >> 32, len(self.scene.bodies))
            self._met = number, body
        return met is None

    def first_touch(self, box: Box, extra: float = 0.0) -> Touch | None:
        """Something that is met for some shift of the box; None where nothing is.

        Args:
            box: of shifts, mm: lowest and highest in X and Y.   extra: mm by which the heads are grown
                besides.
        """
        near = self._near(box, extra)
        for number, run in enumerate(self.runs):
            for part in run.parts if near[number] else ():
                tag = self._hit([(number, part, near[number])], box, extra)
                if tag is not None:
                    move = int(run.stretch.moves.programmed[tag & 0xFFFFFFFF]) + 1
                    item = self.scene.bodies[(tag >> 32) % len(self.scene.bodies)].name
                    return Touch(
                        run.head, item, run.stretch.name, move if run.stretch.cut is not None else None
                    )
        return None

    def _rows(
        self, number: int, part: HeadPart, bodies: Sequence[int], box: Box, extra: float
    ) -> Iterator[tuple[int, list[Lifted]]]:
        """For some bodies the pieces that each is held against, wherever in the box the heads stand."""
        run = self.runs[number]
        for body in bodies:
            against = self._against(run, body, box)
            if against is not None:
                grown = self.query.lifted(run, body, part.pieces, extra=extra)
                tag = (number * len(self.scene.bodies) + body) << 32
                yield body, [Lifted(_over(p, against), 0, tag=tag) for p in grown]

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
        """What FCL says against a box that was found to be clear.

        Of bodies farther off than the box reaches it said so where it was asked about the plan.
        """
        near = self._near(box)
        return [finding for n, run in enumerate(self.runs) for finding in self._doubts(run, near[n], box)]

    def _doubts(self, run: HeadRun, near: Sequence[int], box: Box) -> Iterator[Finding]:
        tolerances = self.query.tolerances
        groups: dict[tuple[Growth, Box], list[int]] = {}
        for body in near:
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
