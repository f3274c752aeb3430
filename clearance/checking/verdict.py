"""The verdict: a scene goes in; every head against every body on every stretch, judged twice, comes out."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable, Iterator, Sequence

import numpy as np

from clearance.checking.pairs import judge
from clearance.checking.per_move import distances, each_head_once
from clearance.checking.result import (
    SEVERITIES,
    CutResult,
    HeadDistances,
    MoveTable,
    Pair,
    Result,
)
from clearance.kernels.query import HeadRun, SweepQuery
from clearance.parallel import spread_batches
from clearance.scene.model import Finding, Scene

Progress = Callable[[float, str], None]

#: runs that are judged at once
_TOGETHER = 400
#: work (see ``_work``) from which a second process saves more than it costs
_WORTH = 600.0
#: work of one more body, beside the length of the path: 14 bodies were measured to be as 400 moves
_A_BODY = 30.0


def check(scene: Scene, moves: bool = False, progress: Progress | None = None) -> Result:
    """Judge a scene.

    Args:
        moves: give the distances of every move as well.
        progress: is told the share done (0 to 1) and what is looked at.

    Raises:
        clearance.errors.Undecided: never; what cannot be decided is a verdict of its own.
    """
    began = time.perf_counter()
    query = SweepQuery(scene)
    done, here = [0], os.getpid()

    def judged(share: Sequence[HeadRun]) -> list[tuple[list[Pair], list[Finding], HeadDistances | None]]:
        answers = []
        for batch in batches(share):
            if progress is not None and os.getpid() == here:
                progress(done[0] / len(query.runs), f"{batch[0].stretch.name}: {batch[0].head}")
            found = judge(query, batch)
            done[0] += len(batch)
            tables = distances(query, [one for one in found if _has_table(one.run, moves)])
            answers += [(one.pairs, one.findings, tables.get(id(one.run))) for one in found]
        return answers

    query.make_ready()
    weights = [_work(run, moves) for run in query.runs]
    answers = spread_batches(query.runs, weights, judged, _WORTH)
    pairs = [pair for found, _, _ in answers for pair in found]
    findings = list(scene.findings) + [finding for _, found, _ in answers for finding in found]
    along = MoveTable(each_head_once([table for _, _, table in answers if table is not None]))
    if progress is not None:
        progress(1.0, "done")
    pairs.sort(key=worst_first)
    of_cut: dict[str | None, list[str]] = {}
    for cut, each in [*((p.cut, p.verdict) for p in pairs), *((f.cut, f.severity) for f in findings)]:
        of_cut.setdefault(cut, []).append(each)
    cuts = tuple(
        CutResult(stretch.name, worst(of_cut.get(stretch.name, ())), stretch) for stretch in scene.stretches
    )
    verdict = worst([c.verdict for c in cuts] + [f.severity for f in findings])
    return Result(scene, verdict, cuts, tuple(pairs), tuple(findings), along, time.perf_counter() - began)


def _work(run: HeadRun, moves: bool) -> float:
    """How much work a head is, in straight bits times pieces (an arc counts as many, and each body too)."""
    bits = sum(len(p.moves) + 30 * int((p.moves.sweep != 0.0).sum()) for p in run.parts)
    along = bits * sum(len(p.pieces) for p in run.parts) * (3.0 if moves else 1.0)
    return along + _A_BODY * len(run.bodies)


def worst(verdicts: Iterable[str]) -> str:
    """The worst of them; a note is no verdict, and none at all is clear.

    Args:
        verdicts: "clear", "close", "undecided", "clash" or "note", in any order.
    """
    present = set(verdicts)
    return next((v for v in SEVERITIES if v in present), "clear")


def worst_first(pair: Pair) -> tuple[float, int, float]:
    """An order of pairs: by what is to spare, then by verdict, then by distance."""
    spare = np.inf if pair.spare is None else pair.spare
    return (spare, SEVERITIES.index(pair.verdict), pair.clearance)


def _has_table(run: HeadRun, moves: bool) -> bool:
    """Whether the distances of every move are wanted."""
    return moves and run.stretch.cut is not None and run.head != "wire"


def batches(runs: Sequence[HeadRun]) -> Iterator[Sequence[HeadRun]]:
    """Runs that are judged together: as many as memory likes, and progress is told between them."""
    for k in range(0, len(runs), _TOGETHER):
        yield runs[k : k + _TOGETHER]
