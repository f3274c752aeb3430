"""Parts whose surface does not close go in; what was therefore not judged of them comes out as findings.

Distances to such a part are real. What asks for its inside (is there a hole at the thread point, what comes
free, what does it weigh, does it tip) cannot be answered, and silence on it would read as "nothing found".
"""

from __future__ import annotations

from clearance.scene.model import Body, Finding, FromModel, Scene

OPEN_PART = "open part"
_CUT = "the wire's way through it where it is threaded, what comes free, mass and tipping"
_STANDS = "mass, and whether it stands or is cut into by another body"


def open_part_findings(scene: Scene) -> list[Finding]:
    """One for each open part and cut that it is cut in, "close" unless the setup accepts its cracks; a note
    for an open part that is not cut."""
    found = []
    cuts = [stretch for stretch in scene.stretches if stretch.cut is not None]
    for k, body in enumerate(scene.bodies):
        if body.kind != "part" or body.closed:
            continue
        names = [stretch.name for stretch in cuts if k in stretch.cut_bodies]
        found += [_of_cut(body, name) for name in names] or [_of_other(body)]
    return found


def _of_cut(body: Body, cut: str) -> Finding:
    not_judged = f"its surface is open, so not judged for it: {_CUT}"
    if accepted(body):
        message = f'{not_judged}; the setup says cracks = "accepted"'
        return Finding(OPEN_PART, "note", message, item=body.name, cut=cut)
    message = f'{not_judged}. Export a closed body, or look at these by eye and say cracks = "accepted"'
    return Finding(OPEN_PART, "close", message, item=body.name, cut=cut)


def _of_other(body: Body) -> Finding:
    message = f"its surface is open, so not judged for it: {_STANDS}"
    return Finding(OPEN_PART, "note", message, item=body.name)


def accepted(body: Body) -> bool:
    """Whether the setup accepts that the part's surface does not close."""
    return isinstance(body.source, FromModel) and body.source.cracks_accepted
