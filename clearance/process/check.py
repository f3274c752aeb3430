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
    from clearance.process.removal import Story


def check(scene: Scene, **options: Any) -> Result:
    """Judge a scene: ``access.findings.check``, whose options these are, and the states of the job.

    The account stands in ``Result.extra["account"]``.
    """
    result = check_access(scene, also=_account, **options)
    began = time.perf_counter()
    made: Account | None = cast("Facts", result.extra["access"]).account
    if made is None or not made.states:
        return result
    findings = _together(list(result.findings), made)
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
