"""Two ways against each other: heads and bodies go in, a judged pair for each comes out, with what the two
ways contradict each other on.

Each figure is a lower bound that is short by at most ``Tolerances.width``; so they contradict each other
where [a, a + width] and [b, b + width] do not meet, and then the pair is undecided. Otherwise the larger is
told.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import field

import numpy as np
from numpy.typing import NDArray

from clearance.checking.result import Pair
from clearance.kernels.query import BARE, FclRun, Figures, Growth, HeadRun, SweepQuery, Witness
from clearance.records import changing
from clearance.scene.model import Finding
from clearance.tolerances import DEFAULT
from clearance.toolpath.moves import Moves

Array = NDArray[np.float64]
Rows = NDArray[np.bool_]


def agree(fcl: float, flat: float, width: float = DEFAULT.width) -> bool:
    """Whether [fcl, fcl + width] and [flat, flat + width] have a value in common."""
    return abs(fcl - flat) <= width


def better(fcl: float, flat: float) -> float:
    """The larger of two lower bounds is the nearer one.

    Args:
        fcl, flat: bounds of one distance from below, mm, by FCL and by the meridian half-plane.
    """
    return max(fcl, flat)


@changing
class Judged:
    """A run as judged.

    Attributes:
        pairs: one for each body.   findings: what the two ways contradict each other on, and open models.
        swallowed: for each body that clashes the moves (M,) on which it holds the head, surfaces apart.
    """

    run: HeadRun
    pairs: list[Pair] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)
    swallowed: dict[int, Rows] = field(default_factory=dict)


def judge(query: SweepQuery, runs: Sequence[HeadRun]) -> list[Judged]:
    """Both ways for each run, all runs at once; figures of a head's parts are taken together by the
    smallest.

    Args:
        query: about the scene.   runs: of heads; those of one head are judged together.
    """
    found = query.figures(runs)
    clearances, sides, heights = found["clearance"], found["side"], found["height"]
    wanted: tuple[list[dict[int, Growth]], ...] = ([], [])
    for run, flat in zip(runs, clearances, strict=True):
        for rung, growths in enumerate(wanted):
            ladder = {b: query.ladder(run, b)[rung][0] for b in run.bodies}
            growths.append({b: g for b, g in ladder.items() if query.may_touch(flat.value[b], g)})
    grown = [query.grown(runs, growths, query.tolerances.agree_from) for growths in wanted]
    asked = [_bodies_by_growth(*both) for both in zip(*wanted, strict=True)]
    fcl = query.fcl(runs, asked, clearances)
    judged = []
    for k, run in enumerate(runs):
        one = _Judge(query, run, fcl[k], clearances[k], sides[k], heights[k], [each[k] for each in grown])
        judged.append(one.judged())
    return judged


def _bodies_by_growth(*rungs: Mapping[int, Growth]) -> dict[Growth, list[int]]:
    """Which bodies are asked for with each growth; all of them bare, which is not said."""
    out: dict[Growth, set[int]] = {}
    for growths in rungs:
        for body, growth in growths.items():
            if growth != BARE:
                out.setdefault(growth, set()).add(body)
    return {growth: sorted(bodies) for growth, bodies in out.items()}


@changing
class _Judge:
    """One run, with what the meridian kernel says about it: ``grown`` by allow, and by the margin too."""

    query: SweepQuery
    run: HeadRun
    fcl: FclRun
    clear: Figures
    side: Figures
    height: Figures
    grown: Sequence[Array]

    def judged(self) -> Judged:
        self.out = Judged(self.run)
        self.out.pairs.extend(self._pair(body) for body in self.run.bodies)
        return self.out

    def _pair(self, body: int) -> Pair:
        run, one, tolerances = self.run, self.query.bodies[body], self.query.tolerances
        flat, side, height = float(self.clear.value[body]), self.side.of(body), self.height.of(body)
        witness = self.clear.witness.get(body)
        fcl = self.fcl.distance(body, BARE)
        held = self.fcl.swallowed_by(body) if fcl > 0.0 else False
        touching: tuple[tuple[int, int], ...] = ()
        if held:
            verdict, clearance, fcl, flat = "clash", 0.0, 0.0, 0.0
            side = height = 0.0
            self.out.swallowed[body] = self._there()
            touching = ranges(by_program(self._there(), run.stretch.moves))
        elif held is None:
            verdict, clearance = "undecided", better(fcl, flat)
            self._open(one.name, clearance)
        elif not agree(fcl, flat, tolerances.width):
            verdict, clearance = "undecided", min(fcl, flat)
            self._contradiction(one.name, BARE, fcl, flat)
        else:
            clearance = better(fcl, flat)
            verdict = self._verdict(body, clearance)
            if verdict == "clash":
                touched, witness = self._touched(body, clearance, witness)
                touching = ranges(by_program(touched, run.stretch.moves))
        moves, is_cut = run.stretch.moves, run.stretch.cut is not None
        at = witness.move if witness is not None and is_cut else None
        return Pair(
            head=run.head,
            item=one.name,
            body=one.kind,
            verdict=verdict,
            clearance=clearance,
            side=side,
            height=height,
            spare=self.query.spare(run, body, side, height),
            fcl=fcl,
            flat=flat,
            margin=run.margin(one),
            allow=one.allow,
            cut=run.stretch.name,
            move=None if at is None else int(moves.programmed[at]) + 1,
            line=None if at is None else int(moves.line[at]) or None,
            n=None if at is None else moves.block[at] or None,
            touching=touching if is_cut else (),
            head_at=None if witness is None else witness.head_at,
            on_head=None if witness is None else witness.on_head,
            on_item=None if witness is None else witness.on_item,
        )

    def _verdict(self, body: int, clearance: float) -> str:
        """Clash, close or clear by the head as grown by allow, then by the margin too; judged twice again."""
        tolerances = self.query.tolerances
        if clearance <= tolerances.found_touch:
            return "clash"
        for (growth, verdict), grown in zip(self.query.ladder(self.run, body), self.grown, strict=True):
            if growth == BARE or not self.query.may_touch(float(self.clear.value[body]), growth):
                continue
            flat = float(grown[body])
            fcl = self.fcl.distance(body, growth, tolerances.agree_from)
            if not agree(fcl, flat, tolerances.width):
                self._contradiction(self.query.bodies[body].name, growth, fcl, flat)
                return "undecided"
            if better(fcl, flat) <= tolerances.found_touch:
                return verdict
        return "clear"

    def _touched(self, body: int, clearance: float, witness: Witness | None) -> tuple[Rows, Witness | None]:
        """The moves (M,) that clash; and where the head touches on the first that does, if it does bare."""
        growth, _ = self.query.ladder(self.run, body)[0]
        touched = self.query.touching(self.run, body, growth)
        if clearance > self.query.tolerances.found_touch:
            return touched, witness
        by_surface = touched if growth == BARE else self.query.touching(self.run, body, BARE)
        if by_surface.any():
            witness = self.query.touch_on(self.run, body, int(np.argmax(by_surface))) or witness
        self.out.swallowed[body] = self._swallowed_on(body, by_surface)
        return touched | self.out.swallowed[body], witness

    def _there(self) -> Rows:
        """The moves (M,) on which any part of the head is there."""
        every = np.ones(len(self.run.stretch.moves), dtype=bool)
        return np.asarray(np.any([every if p.only is None else p.only for p in self.run.parts], axis=0))

    def _swallowed_on(self, body: int, touched: Rows) -> Rows:
        """The moves on which the head is inside the body: it went in by its surface on others (``touched``).

        Between two touches it is inside throughout or not at all, so each such stretch is asked about once.
        """
        inside = np.zeros(len(touched), dtype=bool)
        for part in self.run.parts:
            free = ~touched if part.only is None else ~touched & part.only
            for first, last in ranges(free):
                only = np.zeros(len(touched), dtype=bool)
                only[first - 1 : last] = True
                if self.query.swallowed(body, part.moves, part.pieces, only):
                    inside |= only
        return inside

    def _name(self) -> str:
        return "wire" if self.run.head == "wire" else f"{self.run.head} head"

    def _tell(self, kind: str, item: str, message: str) -> None:
        self.out.findings.append(Finding(kind, "undecided", message, item, self.run.stretch.name))

    def _open(self, item: str, distance: float) -> None:
        self._tell(
            "open model",
            item,
            f"the {self._name()} may stand inside {item}: its surface is not closed, so nobody can tell"
            f" inside from outside (the surface itself is {distance:.3f} mm away)",
        )

    def _contradiction(self, item: str, growth: Growth, fcl: float, flat: float) -> None:
        side, height = growth.side, growth.height
        grown = f" grown by {side:g} sideways and {height:g} in height" if side or height else ""
        self._tell(
            "contradiction",
            item,
            f"the two ways of measuring the {self._name()}{grown} against {item} disagree:"
            f" {fcl:.4f} mm by FCL, {flat:.4f} mm by the flat view; treat it as not clear and report it",
        )


def by_program(touched: Rows, moves: Moves) -> Rows:
    """What holds for some part of a move of the program holds for it.

    Args:
        touched: (M,) for each move of ``moves``, which may be parts of the program's.
        moves: in any frame; ``Moves.n`` says which of them are parts of one move.
    """
    out = np.zeros(moves.count, dtype=bool)
    out[moves.programmed[touched]] = True
    return out


def ranges(touched: Rows) -> tuple[tuple[int, int], ...]:
    """Runs of true values (M,) as (first, last), counted from 1.

    Args:
        touched: for each move whether it touches.
    """
    edge = np.flatnonzero(np.diff(np.r_[False, touched, False].astype(np.int8)))
    return tuple((int(a) + 1, int(b)) for a, b in zip(edge[::2], edge[1::2], strict=True))
