"""The verdict: a scene goes in; every head against every body on every stretch, judged twice, comes out."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable

import numpy as np

from clearance.checking.pairs import HeadJudge, HeadRun, runs_of
from clearance.checking.result import SEVERITIES, CutResult, HeadDistances, MoveTable, Pair, Result
from clearance.kernels.fcl.distance import Bodies
from clearance.kernels.meridian.view import TriangleTree
from clearance.parallel import spread
from clearance.scene.model import Finding, Scene

Progress = Callable[[float, str], None]

#: distances past this are not given move by move, mm
HORIZON = 20.0
#: work (see ``_work``) from which a second process saves more than it costs
_WORTH = 600.0


def check(scene: Scene, moves: bool = False, progress: Progress | None = None) -> Result:
    """Judge a scene.

    Args:
        moves: give the distances of every move as well.
        progress: is told the share done (0 to 1) and what is looked at.

    Raises:
        clearance.errors.Undecided: never; what cannot be decided is a verdict of its own.
    """
    began = time.perf_counter()
    tree = TriangleTree([body.triangles_M for body in scene.bodies])
    surfaces = Bodies(scene.bodies, _middle(scene))
    runs = [run for stretch in scene.stretches for run in runs_of(stretch, scene.wire_margin)]
    done, here = [0], os.getpid()

    def judged(run: HeadRun) -> tuple[list[Pair], list[Finding], HeadDistances | None]:
        if progress is not None and os.getpid() == here:
            progress(done[0] / len(runs), f"{run.stretch.name}: {run.head}")
        judge = HeadJudge(run, scene.bodies, tree, surfaces)
        pairs = judge.pairs()
        along = moves and run.stretch.cut is not None and run.head != "wire"
        done[0] += 1
        return pairs, judge.findings, _move_by_move(judge, run, scene) if along else None

    answers = spread(runs, [_work(run, moves) for run in runs], judged, _WORTH)
    pairs = [pair for found, _, _ in answers for pair in found]
    findings = list(scene.findings) + [finding for _, found, _ in answers for finding in found]
    along = MoveTable([distances for _, _, distances in answers if distances is not None])
    if progress is not None:
        progress(1.0, "done")
    pairs.sort(key=_order)
    cuts = tuple(
        CutResult(
            stretch.name,
            worst(
                [p.verdict for p in pairs if p.cut == stretch.name]
                + [f.severity for f in findings if f.cut == stretch.name]
            ),
            stretch,
        )
        for stretch in scene.stretches
    )
    verdict = worst([c.verdict for c in cuts] + [f.severity for f in findings])
    return Result(scene, verdict, cuts, tuple(pairs), tuple(findings), along, time.perf_counter() - began)


def _work(run: HeadRun, moves: bool) -> float:
    """How much work a head is, in straight bits times pieces (an arc counts as many)."""
    bits = sum(len(p.moves) + 30 * int((p.moves.sweep != 0.0).sum()) for p in run.parts)
    return bits * sum(len(p.pieces) for p in run.parts) * (3.0 if moves else 1.0)


def worst(verdicts: Iterable[str]) -> str:
    """The worst of them; a note is no verdict, and none at all is clear."""
    present = set(verdicts)
    return next((v for v in SEVERITIES if v in present), "clear")


def _order(pair: Pair) -> tuple[float, int, float]:
    spare = np.inf if pair.spare is None else pair.spare
    return (spare, SEVERITIES.index(pair.verdict), pair.clearance)


def _middle(scene: Scene) -> np.ndarray:
    """A point near the work, so that scenes far from the machine's origin lose no digits."""
    starts = [s.moves.start for s in scene.stretches if len(s.moves)]
    middle = np.zeros(3)
    if starts:
        middle[:2] = np.round(np.concatenate(starts).mean(axis=0))
    return middle


def _move_by_move(judge: HeadJudge, run: HeadRun, scene: Scene) -> HeadDistances:
    """For each move the three distances to the item nearest to it."""
    moves = run.stretch.moves
    height = {b: scene.bodies[b].margin.height for b in run.bodies}
    side = {b: scene.bodies[b].margin.side for b in run.bodies}
    body = np.full(len(moves), -1)
    figures = np.full((3, len(moves)), np.nan)
    for view in judge.flat:
        b, *f = view.along(len(moves), height, side, HORIZON)
        nearer = (b >= 0) & ~(figures[0] <= f[0])
        body = np.where(nearer, b, body)
        figures = np.where(nearer, np.array(f), figures)
    for holder, inside in judge.swallowed.items():
        body = np.where(inside, holder, body)
        figures[:, inside] = 0.0
    # of the parts of one move of the program the nearest says which item, and all parts how near that comes
    programmed = moves.programmed
    order = np.lexsort((figures[0], programmed))
    first = order[np.r_[True, np.diff(programmed[order]) > 0]]
    same = body == body[first][programmed]
    least = np.full((3, len(first)), np.nan)
    for out, figure in zip(least, figures, strict=True):
        np.fmin.at(out, programmed[same], figure[same])
    names = tuple(one.name for one in scene.bodies)
    number, line = programmed[first] + 1, moves.line[first]
    return HeadDistances(run.stretch.name, run.head, names, body[first], number, line, *least)
