"""A scene goes in; the whole verdict comes out: distances, what else stops its cuts, and the job in time."""

from __future__ import annotations

import time
from dataclasses import replace
from typing import TYPE_CHECKING, Any, cast

from clearance.judge.result import Result
from clearance.judge.verdict import worst
from clearance.process.findings import check as check_access
from clearance.scene.model import Finding, Scene

if TYPE_CHECKING:
    from clearance.process.account import Account
    from clearance.process.findings import Facts
    from clearance.process.removal import Piece, Story


def check(scene: Scene, **options: Any) -> Result:
    """Judge a scene: ``access.findings.check``, whose options these are, and the states of the job.

    The account stands in ``Result.extra["account"]``.
    """
    result = check_access(scene, also=_account, **options)
    began = time.perf_counter()
    made: Account | None = cast("Facts", result.extra["access"]).account
    if made is None or not made.states:
        return result
    facts = cast("Facts", result.extra["access"])
    findings = _together(_without_gone(scene, list(result.findings), facts.pieces), made)
    cuts = tuple(
        replace(cut, verdict=worst([cut.verdict, *(f.severity for f in made.findings if f.cut == cut.name)]))
        for cut in result.cuts
    )
    return replace(
        result,
        verdict=worst([*(c.verdict for c in cuts), *(f.severity for f in findings)]),
        cuts=cuts,
        findings=tuple(findings),
        check_s=result.check_s + time.perf_counter() - began,
        extra={**result.extra, "account": made},
    )


def _account(scene: Scene, told: Story) -> Account:
    from clearance.process.states import account

    return account(scene, told)


def _without_gone(scene: Scene, findings: list[Finding], pieces: tuple[Piece, ...]) -> list[Finding]:
    """The findings, with one note for all that is gone as soon as it comes free, as the setup says."""
    below = scene.setup.gone_below
    if below is None:
        return findings
    by_note: dict[tuple[str | None, str | None, str], list[Piece]] = {}
    for piece in pieces:
        key = (piece.run.stretch.name, scene.bodies[piece.part].name, piece.kind)
        by_note.setdefault(key, []).append(piece)
    gone = {
        key: found
        for key, found in by_note.items()
        if all(p.mass is not None and p.mass < below.mass and p.longest < below.size for p in found)
    }
    if not gone:
        return findings
    kept = [f for f in findings if (f.cut, f.item, f.kind) not in gone]
    count = sum(map(len, gone.values()))
    what = "1 piece is" if count == 1 else f"{count} pieces are"
    message = (
        f"{what} under {below.mass:g} kg and {below.size:g} mm: washed away as they come free (gone_below)"
    )
    return [*kept, Finding("gone", "note", message)]


def _together(findings: list[Finding], made: Account) -> list[Finding]:
    """All findings, each thing told once.

    That a part is off its feet is told by state where that was judged; loads of holders by what each takes.
    """
    parts = {held.part for state in made.states for held in state.parts}
    told, kept = list(made.findings), []
    for finding in findings:
        if finding.kind == "too heavy" and finding.item in made.carriers:
            continue
        if finding.kind == "off its feet" and finding.item in parts:
            mine = next((f for f in told if f.kind == finding.kind and f.item == finding.item), None)
            if finding.cut is None and mine is not None and mine.severity == finding.severity:
                told[told.index(mine)] = replace(finding, state=mine.state, cut=mine.cut)
                continue
            if finding.cut is not None or mine is not None or finding.severity != "note":
                continue
        kept.append(finding)
    return [*told, *kept]
