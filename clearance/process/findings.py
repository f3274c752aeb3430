"""A scene goes in; what else than the heads stops its cuts comes out: findings, and the facts behind them."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from clearance.judge.result import Result
from clearance.judge.verdict import check as judge
from clearance.judge.verdict import worst
from clearance.process.balance import Weight
from clearance.process.removal import Piece
from clearance.process.runs import Run
from clearance.process.stops import Stop
from clearance.process.threading import Way
from clearance.process.travel import Used
from clearance.scene.model import Finding, Scene
from clearance.workers import beside


@dataclass(frozen=True)
class Facts:
    """Of one scene.

    Attributes:
        weights: of every part that closes.
        stops: what the setter does between cuts.
        travel: what each axis uses.   lean: the largest lean of the wire in each cut, degrees.
        threaded: each run, with its wire's way through each part that is cut, where it is threaded.
        pieces: what comes free, in order.   tabs: what a tab still holds at the end.
        account: what ``check`` was asked to make of all that besides.
    """

    weights: tuple[Weight, ...]
    stops: tuple[Stop, ...]
    travel: dict[str, Used]
    lean: dict[str, float]
    threaded: tuple[tuple[Run, tuple[Way, ...]], ...] = ()
    pieces: tuple[Piece, ...] = ()
    tabs: tuple[Piece, ...] = ()
    account: Any = None


if TYPE_CHECKING:
    from clearance.process.removal import Story

    Also = Callable[[Scene, Story], Any]

#: facets, and twenty for each move, from which a second process saves more than it costs
_WORTH = 100_000


def access_findings(scene: Scene) -> list[Finding]:
    """Threading, rapid moves with the wire in, blank or finished, stops, travel, weight and balance, slugs.

    Args:
        scene: as loaded; it is not changed.

    Returns:
        Findings of severity "close" (to be looked at before release) and "note", the graver first.
    """
    return look(scene)[1]


def look(scene: Scene, also: Also | None = None) -> tuple[Facts, list[Finding]]:
    """The same, with all the figures, and what ``also`` makes of what the runs did."""
    from clearance.process.balance import heavy_findings, weights
    from clearance.process.stops import stop_findings, stops
    from clearance.process.travel import steepest, travel_findings, travel_used

    weighed = tuple(weights(scene))
    facts = Facts(
        weights=weighed,
        stops=tuple(stops(scene)),
        travel=travel_used(scene),
        lean={s.name: steepest(scene, s) for s in scene.stretches if s.cut is not None},
    )
    found = travel_findings(scene, facts.travel, facts.lean)
    found += stop_findings(facts.stops) + heavy_findings(weighed)
    if any(stretch.cut_bodies and stretch.moves.threaded.any() for stretch in scene.stretches):
        facts, about_cuts = _of_cuts(scene, facts, also)
        found = about_cuts + found
    return facts, sorted(found, key=lambda finding: finding.severity != "close")


def _of_cuts(scene: Scene, facts: Facts, also: Also | None) -> tuple[Facts, list[Finding]]:
    """What the runs do to the parts. Where flat regions cannot be worked out, a finding says so."""
    import shapely

    from clearance.process.balance import tipping_findings
    from clearance.process.cutting import blank_findings, drag_findings
    from clearance.process.removal import story
    from clearance.process.slug import slug_findings
    from clearance.process.threading import Ways, threading_findings

    try:
        told = story(scene)
        ways = Ways(scene, told)
        through = tuple((run, tuple(ways.parts(run))) for run in told.all_runs)
        facts = replace(facts, threaded=through, pieces=tuple(told.pieces), tabs=tuple(told.tabs))
        facts = facts if also is None else replace(facts, account=also(scene, told))
        return facts, [
            *threading_findings(scene, told, through, ways),
            *drag_findings(scene, told),
            *blank_findings(scene, told),
            *tipping_findings(scene, told, facts.weights),
            *slug_findings(scene, told),
        ]
    except shapely.errors.GEOSException as error:
        message = f"threading, weight and slugs could not be worked out ({error}); look at them by eye"
        return facts, [Finding("access unknown", "close", message)]


def check(scene: Scene, also: Also | None = None, **options: Any) -> Result:
    """Judge a scene (``judge.verdict.check``, whose options these are), with what else stops its cuts.

    On much work both are done at the same time. What ``also`` makes of what the runs did goes into the facts.
    """
    facets = sum(len(body.triangles_M) for body in scene.bodies)
    moves = sum(len(stretch.moves) for stretch in scene.stretches)
    known = [scene, *scene.bodies, *scene.stretches, *(s.moves for s in scene.stretches)]
    with beside(lambda: look(scene, also), known, worth=facets + 20 * moves > _WORTH) as access:
        result = judge(scene, **options)
        began = time.perf_counter()
        facts, found = access()
    return _with(result, facts, found, began)


def _with(result: Result, facts: Facts, found: list[Finding], began: float) -> Result:
    cuts = tuple(
        replace(cut, verdict=worst([cut.verdict, *(f.severity for f in found if f.cut == cut.name)]))
        for cut in result.cuts
    )
    return replace(
        result,
        verdict=worst([result.verdict, *(f.severity for f in found)]),
        cuts=cuts,
        findings=(*result.findings, *found),
        check_s=result.check_s + time.perf_counter() - began,
        extra={**result.extra, "access": facts},
    )
