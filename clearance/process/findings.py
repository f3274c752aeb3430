"""A scene goes in; what else than the heads stops its cuts comes out: findings, and the facts behind them."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from clearance.checking.result import CutResult, Result
from clearance.checking.verdict import Progress, worst
from clearance.checking.verdict import check as judge
from clearance.parallel import beside
from clearance.process.removal import Piece
from clearance.process.runs import Run
from clearance.process.statics import Weight
from clearance.process.stops import Stop
from clearance.process.threading import Way
from clearance.process.travel import Used
from clearance.records import by_values, hash_by_values
from clearance.scene.model import Finding, Scene
from clearance.scene.packing import on_packing

if TYPE_CHECKING:
    from clearance.process.account import Account
    from clearance.process.removal import Removals

    Also = Callable[[Scene, Removals], Account]


@dataclass(frozen=True)
class Facts:
    """Of one scene.

    Attributes:
        weights: of every part that closes.
        stops: what the setter does between cuts.
        travel: what each axis uses.   lean: the largest lean of the wire in each cut, degrees.
        threaded: each run, with its wire's way past all that is in its column where it is threaded.
        pieces: what comes free, in order.   tabs: what a tab still holds at the end.
        account: what ``check`` was asked to make of all that besides.
    """

    __eq__ = by_values
    __hash__ = hash_by_values

    weights: tuple[Weight, ...]
    stops: tuple[Stop, ...]
    travel: dict[str, Used]
    lean: dict[str, float]
    threaded: tuple[tuple[Run, tuple[Way, ...]], ...] = ()
    pieces: tuple[Piece, ...] = ()
    tabs: tuple[Piece, ...] = ()
    account: Account | None = None


@dataclass(frozen=True, kw_only=True, repr=False)
class Checked(Result):
    """The whole answer, with what else stops the cuts: its findings are among ``findings``.

    ``account``: the states of the job; None where they were not asked for, or nothing is cut.
    """

    __eq__ = by_values
    __hash__ = hash_by_values

    facts: Facts
    account: Account | None = None


#: facets, and twenty for each move, from which a second process saves more than it costs
_WORTH = 5_000


def access_findings(scene: Scene) -> list[Finding]:
    """Threading, rapid moves with the wire in, blank or finished, stops, travel, weight and balance, slugs.

    Args:
        scene: as loaded; it is not changed.

    Returns:
        Findings of severity "close" (to be looked at before release) and "note", the graver first.
    """
    return look(scene)[1]


def look(scene: Scene, also: Also | None = None) -> tuple[Facts, list[Finding]]:
    """The same, with all the figures, and what ``also`` makes of what the runs did.

    Where parts were measured it is asked as planned: how far one lies off what carries it was measured, not
    why. The travel is that of the paths as they run.

    Args:
        scene: as planned.   also: is given the runs and what they part, and may add findings; None:
            nothing.
    """
    runs, scene = scene, on_packing(scene)
    from clearance.process.account import open_part_findings
    from clearance.process.screws import screw_findings
    from clearance.process.statics import heavy_findings, weights
    from clearance.process.stops import offset_findings, stop_findings, stops, zero_findings
    from clearance.process.travel import largest_lean, lean_findings, travel_findings, travel_used

    weighed = tuple(weights(scene))
    leans = {s.name: lean for s in runs.stretches if s.cut is not None and (lean := largest_lean(runs, s))}
    facts = Facts(
        weights=weighed,
        stops=tuple(stops(scene)),
        travel=travel_used(runs),
        lean={name: lean.degrees for name, lean in leans.items()},
    )
    found = open_part_findings(scene) + travel_findings(runs, facts.travel) + lean_findings(runs, leans)
    found += stop_findings(facts.stops) + offset_findings(scene) + zero_findings(scene)
    found += heavy_findings(weighed)
    found += screw_findings(scene)
    if _cuts_parts(scene):
        facts, about_cuts = _of_cuts(scene, facts, also)
        found = about_cuts + found
    return facts, sorted(found, key=lambda finding: finding.severity != "close")


def _of_cuts(scene: Scene, facts: Facts, also: Also | None) -> tuple[Facts, list[Finding]]:
    """What the runs do to the parts. Where flat regions cannot be worked out, a finding says so."""
    import shapely

    from clearance.process.cutting import blank_findings, drag_findings
    from clearance.process.finished_part import becomes_findings, by_name
    from clearance.process.held_by import said_findings
    from clearance.process.magnets import magnet_findings
    from clearance.process.removal import removals
    from clearance.process.slug import slug_findings
    from clearance.process.statics import tipping_findings
    from clearance.process.threading import Ways
    from clearance.process.threading_findings import thread_height_findings, threading_findings

    try:
        told = removals(scene)
        told.pieces = [by_name(scene, told, piece) for piece in told.pieces]
        ways = Ways(scene, told)
        through = tuple((run, tuple(ways.column(run))) for run in told.all_runs)
        facts = replace(facts, threaded=through, pieces=tuple(told.pieces), tabs=tuple(told.tabs))
        facts = facts if also is None else replace(facts, account=also(scene, told))
        return facts, [
            *thread_height_findings(scene),
            *threading_findings(scene, told, through, ways),
            *drag_findings(scene, told),
            *blank_findings(scene, told),
            *tipping_findings(scene, told, facts.weights),
            *magnet_findings(scene, told),
            *said_findings(scene, told),
            *slug_findings(scene, told),
            *becomes_findings(scene, told.all_runs),
        ]
    except shapely.errors.GEOSException:
        message = "threading, weight and slugs could not be worked out on these outlines; look at them by eye"
        return facts, [Finding("access unknown", "close", message)]


def check(
    scene: Scene, also: Also | None = None, *, moves: bool = False, progress: Progress | None = None
) -> Checked:
    """Judge a scene, with what else stops its cuts; options as of ``checking.verdict.check``.

    On much work both are done at the same time. What ``also`` makes of what the runs did goes into the facts.

    Args:
        scene: as planned.   also: as for ``look``.   moves, progress: as for ``checking.verdict.check``.
    """
    facets = sum(len(body.triangles_M) for body in scene.bodies)
    steps = sum(len(stretch.moves) for stretch in scene.stretches)
    held = scene.planned or scene
    known = [held, *held.bodies, *held.stretches, *(s.moves for s in held.stretches)]
    worth = facets + 20 * steps > _WORTH
    if worth and _cuts_parts(held):
        # its regions are in what is answered: loaded by the second process alone it would be loaded twice
        import shapely  # noqa: F401
    with beside(lambda: look(scene, also), known, worth) as access:
        result = judge(scene, moves=moves, progress=progress)
        began = time.perf_counter()
        facts, found = access()
    return _with(result, facts, found, began)


def _cuts_parts(scene: Scene) -> bool:
    """Whether anything is cut."""
    return any(stretch.cut_bodies and stretch.moves.threaded.any() for stretch in scene.stretches)


def with_findings(cuts: Sequence[CutResult], found: Iterable[Finding]) -> tuple[CutResult, ...]:
    """Results of cuts, with what is told of each.

    Args:
        found: findings, of any cuts.
    """
    about: dict[str | None, list[str]] = {}
    for finding in found:
        for name in {finding.cut, *finding.also}:
            about.setdefault(name, []).append(finding.severity)
    return tuple(
        replace(cut, verdict=worst([cut.verdict, *about.get(cut.name, ())])) if cut.name in about else cut
        for cut in cuts
    )


def _with(result: Result, facts: Facts, found: list[Finding], began: float) -> Checked:
    cuts = with_findings(result.cuts, found)
    return Checked(
        scene=result.scene,
        verdict=worst([result.verdict, *(f.severity for f in found)]),
        cuts=cuts,
        pairs=result.pairs,
        findings=(*result.findings, *found),
        moves=result.moves,
        check_s=result.check_s + time.perf_counter() - began,
        facts=facts,
    )
