"""Bodies as they stand go in; findings come out where two items cut into each other."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from clearance.setup.metal import Shell, depth, shells_of
from clearance.setup.points import NEAR, depth_at_points
from clearance.setup.scene import Body, Finding

#: less than this is touching: facets of round things, and lengths typed with two digits (mm)
NOTICED = 0.05
#: shells of more facets are not intersected, which would take too long: they are looked at in points
LARGEST = 20_000


def overlap_findings(bodies: Sequence[Body], together: Iterable[Sequence[int]]) -> list[Finding]:
    """Items that cut into each other by more than ``NOTICED``, with the depth.

    A screw's end that is meant to be sunk does not count, save in a part that its holder does not stand on.
    Where no part is concerned and one of the two is a model or plain shape of the user's own, whose screws
    nobody knows, it is a note.

    Args:
        together: indices of the bodies that are there at one time; each of them is looked at.
    """
    items = [k for k, body in enumerate(bodies) if body.item is not None]
    boxes = np.array([bodies[k].crowd.box for k in items]).reshape(-1, 2, 3)
    low, high = boxes[:, 0], boxes[:, 1]
    rows = [set(each) for each in together]
    shells: dict[int, list[Shell]] = {}
    findings = []
    for n, a in enumerate(items):
        shared = np.minimum(high[n], high[n + 1 :]) - np.maximum(low[n], low[n + 1 :])
        for b in (items[n + 1 + int(k)] for k in np.flatnonzero((shared > NOTICED).all(axis=1))):
            if not any(a in row and b in row for row in rows):
                continue
            one, other = bodies[a], bodies[b]
            if one.kind != "part" and other.kind == "part":
                one, other, a, b = other, one, b, a
            if not (one.closed and other.closed):
                continue
            for k in (a, b):
                if k not in shells:
                    body = bodies[k]
                    fine = len(body.triangles_M) > LARGEST and not body.shells
                    shells[k] = [Shell(body.triangles_M, False, body.crowd)] if fine else shells_of(body)
            findings += _pair(bodies, one, other, shells[a], shells[b])
    return findings


def _pair(
    bodies: Sequence[Body], one: Body, other: Body, ours: Sequence[Shell], theirs: Sequence[Shell]
) -> list[Finding]:
    """The finding about two items, if they cut into each other."""
    deepest, broken = 0.0, False
    ours, theirs = _narrowed(ours, theirs), _narrowed(theirs, ours)
    for a in ours:
        for b in theirs:
            if (np.minimum(a.high, b.high) - np.maximum(a.low, b.low)).min() <= NOTICED:
                continue
            if (a.sunk and _may_sink(bodies, one, other)) or (b.sunk and _may_sink(bodies, other, one)):
                continue
            if max(len(a.whole.triangles), len(b.whole.triangles)) > LARGEST:
                deepest = max(deepest, depth_at_points(a, b))
                continue
            if a.solid is None or b.solid is None:
                broken = True
                continue
            deepest = max(deepest, depth(a, b))
    if deepest > NOTICED:
        ours_too = "holder" in one.source and "holder" in other.source
        severity = "close" if one.kind == "part" or ours_too else "note"
        message = f'cuts {deepest:.2f} mm deep into "{other.name}"'
        return [Finding("overlap", severity, message, item=one.name)]
    if broken:
        message = f'whether it cuts into "{other.name}" cannot be told: a surface crosses itself'
        return [Finding("overlap", "note", message, item=one.name)]
    return []


def _narrowed(shells: Sequence[Shell], others: Sequence[Shell]) -> list[Shell]:
    """The shells, those of very many facets only as far as the others can meet them."""
    low = np.min([shell.low for shell in others], axis=0) - NEAR
    high = np.max([shell.high for shell in others], axis=0) + NEAR
    return [s if len(s.triangles) <= LARGEST else s.column(low, high) for s in shells]


def _may_sink(bodies: Sequence[Body], holder: Body, into: Body) -> bool:
    """Whether the holder's sunk screws may go into a body: any but a part, or a part that it stands on."""
    if into.kind != "part":
        return True
    by_name = {body.name: body for body in bodies}
    below = holder.stands_on
    while below is not None and below != into.name:
        below = by_name[below].stands_on
    return below == into.name
