"""A scene goes in; what else than the heads stops its cuts comes out as findings."""

from __future__ import annotations

import time
from dataclasses import replace

from clearance.judge.result import Result
from clearance.judge.verdict import worst
from clearance.setup.scene import Finding, Scene


def access_findings(scene: Scene) -> list[Finding]:
    """Threading, rapid moves with the wire in, blank or finished, stops, travel, weight and balance, slugs.

    Args:
        scene: as loaded; it is not changed.

    Returns:
        Findings of severity "close" (to be looked at before release) and "note", the graver first.
    """
    from clearance.access.stops import stop_findings
    from clearance.access.travel import travel_findings

    found = travel_findings(scene) + stop_findings(scene)
    if any(stretch.cut_bodies and stretch.moves.threaded.any() for stretch in scene.stretches):
        found = _of_cuts(scene) + found
    return sorted(found, key=lambda finding: finding.severity != "close")


def _of_cuts(scene: Scene) -> list[Finding]:
    """What the runs do to the parts. Where flat regions cannot be worked out, a finding says so."""
    import shapely

    from clearance.access.balance import balance_findings
    from clearance.access.blank import blank_findings
    from clearance.access.drag import drag_findings
    from clearance.access.parting import story
    from clearance.access.slug import slug_findings
    from clearance.access.threading import threading_findings

    try:
        told = story(scene)
        return [
            *threading_findings(scene, told),
            *drag_findings(scene, told),
            *blank_findings(scene, told),
            *balance_findings(scene, told),
            *slug_findings(scene, told),
        ]
    except shapely.errors.GEOSException as error:
        message = f"threading, weight and slugs could not be worked out ({error}); look at them by eye"
        return [Finding("access unknown", "close", message)]


def with_access(result: Result) -> Result:
    """A judge's result with these findings, and verdicts that count them."""
    began = time.perf_counter()
    found = access_findings(result.scene)
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
    )
