"""A judged result goes in; what each move of the program has to spare comes out, for each cut and head.

    along(result: Result) -> tuple[Along, ...]        # in the order of the cuts; lower, upper, wire of each

``Along`` has arrays over the moves of the program: the item with the least to spare, its clearance, side and
height, and the spare. They speak of what is beside the part that is being cut: its face rides a tenth over
that part all the way and would hide everything else. That part counts only where the head comes beside it
(something of it that stands higher) and where it touches.

The figures are the flat view's, so each is a lower bound, and the same numbers that decide the pairs.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from clearance.checking.pairs import Judged
from clearance.checking.result import HeadDistances, Pair, Result
from clearance.kernels.query import HeadRun, SweepQuery
from clearance.parallel import spread_batches
from clearance.records import record
from clearance.tolerances import DEFAULT
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]
Index = NDArray[np.intp]

#: a move that has more than this to spare is not measured, mm
HORIZON = DEFAULT.horizon


#: moves times bodies from which another process saves more than it costs
_WORTH = 10_000.0


@record
class Along:
    """One head along one cut. Arrays (M,) over the moves of the program, move 1 first; lengths mm.

    Attributes:
        cut: name of the cut.   head: "lower", "upper" or "wire".
        item: index into ``Scene.bodies`` of the body with the least to spare on that move, -1 where nothing
            has less than ``HORIZON``.
        clearance, side, height: to that body, as in ``Pair``; nan where it does not exist or is far.
        spare: the smaller of side and height less allow and margin; nan where ``item`` is -1.
    """

    cut: str
    head: str
    item: Index
    clearance: Array
    side: Array
    height: Array
    spare: Array


def along(result: Result) -> tuple[Along, ...]:
    """What every move has to spare, for each cut and head.

    Args:
        result: as judged.
    """
    query = SweepQuery(result.scene)
    pairs: dict[tuple[str, str], list[Pair]] = {}
    for pair in result.pairs:
        pairs.setdefault((pair.cut, pair.head), []).append(pair)
    runs = [run for run in query.runs if run.stretch.cut is not None]

    def measured(share: Sequence[HeadRun]) -> list[Along]:
        heads = [_Least(query, run) for run in share]
        _measure(query, heads)
        return [_by_program(head, pairs.get((head.run.stretch.name, head.run.head), [])) for head in heads]

    weights = [len(run.stretch.moves) * len(run.bodies) for run in runs]
    return tuple(each_head_once(spread_batches(runs, weights, measured, _WORTH), by="spare"))


Table = TypeVar("Table", Along, HeadDistances)

#: what a table says of each move, where it says it
_COLUMNS = ("item", "clearance", "side", "height", "spare")


def each_head_once(tables: Sequence[Table], by: str = "clearance") -> list[Table]:
    """One table for each head and cut: of those that speak of what is there on some of the moves only,
    move by move what is nearest.

    Args:
        tables: of one kind.   by: the column (mm) that says which is nearer.
    """
    out: dict[tuple[str, str], Table] = {}
    for one in tables:
        key = (one.cut, one.head)
        if key not in out:
            out[key] = one
            continue
        a = out[key]
        nearer = (one.item >= 0) & ~(getattr(a, by) <= getattr(one, by))
        columns = {
            name: np.where(nearer, getattr(one, name), getattr(a, name))
            for name in _COLUMNS
            if hasattr(a, name)
        }
        out[key] = replace(a, **columns)
    return list(out.values())


def distances(query: SweepQuery, judged: Sequence[Judged]) -> dict[int, HeadDistances]:
    """For each move of each run the three distances to the item nearest to it, by the run's ``id``.

    Args:
        query: about the scene.   judged: its runs as judged; what they found bounds the search.
    """
    horizon = query.tolerances.horizon
    parts = [(one, part) for one in judged for part in one.run.parts]
    nearest = query.by_move(
        "clearance",
        [(one.run, p, one.run.bodies, np.full(len(one.run.stretch.moves), horizon)) for one, p in parts],
    )
    figures = [[np.where(body >= 0, value, np.nan)] for body, value in nearest]
    for figure in ("side", "height"):
        asked = [(k, b) for k, (body, _) in enumerate(nearest) for b in np.unique(body[body >= 0]).tolist()]
        found = query.by_move(
            figure,
            [
                (parts[k][0].run, parts[k][1], [b], np.where(nearest[k][0] == b, horizon, -1.0))
                for k, b in asked
            ],
        )
        for each, (body, _) in zip(figures, nearest, strict=True):
            each.append(np.full(len(body), np.nan))
        for (k, b), (seen, value) in zip(asked, found, strict=True):
            figures[k][-1] = np.where((nearest[k][0] == b) & (seen >= 0), value, figures[k][-1])
    out = {}
    for one in judged:
        mine = [k for k, (other, _) in enumerate(parts) if other is one]
        out[id(one.run)] = _table(query, one, [(nearest[k][0], np.array(figures[k])) for k in mine])
    return out


def _table(query: SweepQuery, one: Judged, parts: Sequence[tuple[Index, Array]]) -> HeadDistances:
    """Figures of a run's parts as those of the program's moves."""
    run, moves = one.run, one.run.stretch.moves
    body = np.full(len(moves), -1)
    figures = np.full((3, len(moves)), np.nan)
    for b, f in parts:
        nearer = (b >= 0) & ~(figures[0] <= f[0])
        body = np.where(nearer, b, body)
        figures = np.where(nearer, f, figures)
    for holder, inside in one.swallowed.items():
        body = np.where(inside, holder, body)
        figures[:, inside] = 0.0
    # of the parts of one move of the program the nearest says which item, and all parts how near that comes
    first, least = _of_program(moves, body, figures, figures[0])
    names = tuple(each.name for each in query.bodies)
    number, line = moves.programmed[first] + 1, moves.line[first]
    return HeadDistances(run.stretch.name, run.head, names, body[first], number, line, *least)


def _of_program(moves: Moves, body: Index, figures: Array, order_by: Array) -> tuple[Index, Array]:
    """For each move of the program its part that comes first by a figure, and the smallest of each figure
    over all its parts to that part's body."""
    programmed = moves.programmed
    order = np.lexsort((order_by, programmed))
    first = order[np.r_[True, np.diff(programmed[order]) > 0]] if len(order) else order
    same = body == body[first][programmed]
    least = np.full((3, len(first)), np.nan)
    for out, figure in zip(least, figures, strict=True):
        np.fmin.at(out, programmed[same], figure[same])
    return first, least


class _Least:
    """The figures of one head on each move: filled body by body, the least spare kept."""

    def __init__(self, query: SweepQuery, run: HeadRun) -> None:
        self.query, self.run = query, run
        moves = len(run.stretch.moves)
        self.item = np.full(moves, -1, dtype=np.intp)
        self.spare = np.full(moves, query.tolerances.horizon)
        self.figures = np.full((3, moves), np.nan)

    def counts(self, figure: str, body: int) -> bool:
        """Whether a body's side or height says what is beside the head: see above about the part."""
        if body not in self.run.stretch.cut_bodies:
            return True
        return figure == "side" and not self._rides_within(body)

    def _rides_within(self, body: int) -> bool:
        """Whether the face is so near the part that all of it counts as beside the head."""
        flushing = self.run.stretch.flushing
        if flushing is None:
            return False
        margin = self.run.margin(self.query.bodies[body]).height
        return flushing[0 if self.run.head == "lower" else 1] <= margin + self.query.tolerances.touch


def _measure(query: SweepQuery, heads: Sequence[_Least]) -> None:
    """The body with the least spare on each move, and the three distances to it; all heads at once."""
    for place in range(max((len(head.run.bodies) for head in heads), default=0)):
        for figure in ("side", "height"):
            now = [
                (head, head.run.bodies[place])
                for head in heads
                if place < len(head.run.bodies) and head.counts(figure, head.run.bodies[place])
            ]
            for turn in range(max((len(head.run.parts) for head, _ in now), default=0)):
                asked = [(head, body) for head, body in now if turn < len(head.run.parts)]
                off = [getattr(query.growth(head.run, body), figure) for head, body in asked]
                found = query.by_move(
                    figure,
                    [
                        (head.run, head.run.parts[turn], [body], head.spare + less)
                        for (head, body), less in zip(asked, off, strict=True)
                    ],
                )
                for (head, body), less, (seen, value) in zip(asked, off, found, strict=True):
                    better = seen >= 0
                    head.spare[better], head.item[better] = value[better] - less, body
    for k, figure in enumerate(("clearance", "side", "height")):
        wanted = [
            (head, part, body)
            for head in heads
            for body in np.unique(head.item[head.item >= 0]).tolist()
            for part in head.run.parts
        ]
        found = query.by_move(
            figure,
            [
                (
                    head.run,
                    part,
                    [body],
                    np.where(head.item == body, query.tolerances.horizon + _most(query, head, body), -1.0),
                )
                for head, part, body in wanted
            ],
        )
        for (head, _, _), (seen, value) in zip(wanted, found, strict=True):
            some = seen >= 0
            head.figures[k, some] = np.fmin(head.figures[k, some], value[some])


def _most(query: SweepQuery, head: _Least, body: int) -> float:
    """The larger of what side and height lose before they are spare."""
    off = query.growth(head.run, body)
    return max(off.side, off.height)


def _by_program(head: _Least, pairs: Sequence[Pair]) -> Along:
    """Figures of moves as those of the program's moves; where the judge saw a touch, they say so."""
    query, run = head.query, head.run
    spare = np.where(head.item >= 0, head.spare, np.inf)
    first, figures = _of_program(run.stretch.moves, head.item, head.figures, spare)
    item = head.item[first]
    least = np.where(item >= 0, spare[first], np.nan)
    index = {body.name: k for k, body in enumerate(query.bodies)}
    for pair in pairs:
        body = index[pair.item]
        touched = -_most(query, head, body)
        for a, b in pair.touching:
            where = np.zeros(len(first), dtype=bool)
            where[a - 1 : b] = True
            # a head inside a body is nowhere near its surface, and one that touches with its allow is at the
            # end of both: what was measured stands only where it says as much
            worse = where & ~(least < 0.0)
            item[worse], least[worse] = body, touched
            swallowed = worse if pair.clearance <= query.tolerances.touch else np.zeros_like(worse)
            figures[:, worse & ~swallowed] = np.nan
            figures[0, worse & ~swallowed] = pair.clearance
            figures[:, swallowed] = 0.0
    clearance, side, height = figures
    return Along(run.stretch.name, run.head, item, clearance, side, height, least)
