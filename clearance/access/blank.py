"""What a scene's runs drew goes in; findings come out where no metal is cut, or the model is finished.

Along each cut's line a hundred or more places are looked at. The wire bites there if metal lies within half
its diameter of its middle; it runs along a wall if it does not bite and a wall is near, or if the wall lies
under its middle, as where the wire offset is not in the path.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.access.parting import Story
from clearance.access.runs import kerf
from clearance.setup.scene import Finding, Scene

Array = NDArray[np.float64]

#: places looked at along a cut
PLACES = 160
#: a wall under the wire's middle within this, mm
ON = 0.01
#: a wall beside a wire that does not bite is near within this of its surface, mm
NEAR = 0.3
#: shares of a cut's length: it bites hardly anywhere; most of it runs along walls
HARDLY, MOST = 0.03, 0.5


def blank_findings(scene: Scene, told: Story) -> list[Finding]:
    """One finding at most for each cut and part."""
    found = []
    wire = float(scene.machine.wire)
    told_already = {finding.cut for finding in scene.findings if finding.kind == "misses"}
    for (cut, part), chains in told.chains.items():
        length = sum(float(np.hypot(*np.diff(c, axis=0).T).sum()) for c in chains)
        if length <= wire:
            continue
        shadow = told.outlines[part].shadow
        bites, along = _shares(shadow, chains, length, wire)
        name = scene.bodies[part].name
        if bites > HARDLY:
            continue
        if along >= MOST:
            if _holds_metal(shadow, chains, wire):
                message = (
                    f'runs along walls that "{name}" already has: its model is the finished part. Check with '
                    "the blank as it lies on the machine; its clamping stock is what the heads meet"
                )
                found.append(Finding("finished part", "close", message, item=name, cut=cut))
            else:
                message = (
                    f'runs along walls of an opening that "{name}" already has; if that is yet to be cut, '
                    "check with the blank"
                )
                found.append(Finding("finished part", "note", message, item=name, cut=cut))
        elif cut not in told_already:
            message = f'cuts no metal of "{name}": the model is the finished part, or zero or axes are wrong'
            found.append(Finding("no metal", "note", message, item=name, cut=cut))
    return found


def _shares(shadow: Any, chains: Sequence[Array], length: float, wire: float) -> tuple[float, float]:
    """Of a cut's length: the share on which the wire bites, and that on which it runs along a wall."""
    import shapely

    places = np.concatenate([_along(chain, length) for chain in chains if len(chain) > 1])
    if not len(places):
        return 1.0, 0.0
    points = shapely.points(places)
    off = shapely.distance(points, shadow.boundary)
    inside = shapely.contains_xy(shadow, places)
    on = off <= ON
    bites = ~on & (inside | (off < wire / 2.0 - ON))
    along = on | (~inside & ~bites & (off <= wire / 2.0 + NEAR))
    return float(bites.mean()), float(along.mean())


def _along(chain: Array, length: float) -> Array:
    """Places along a chain of points, as many as its share of the whole length asks for."""
    step = np.hypot(*np.diff(chain, axis=0).T)
    total = float(step.sum())
    count = max(1, round(PLACES * total / length))
    at = (np.arange(count) + 0.5) / count * total
    reached = np.r_[0.0, np.cumsum(step)]
    return np.column_stack([np.interp(at, reached, chain[:, k]) for k in (0, 1)])


def _holds_metal(shadow: Any, chains: Sequence[Array], wire: float) -> bool:
    """Whether what the cut goes around is mostly metal: then it goes along the outside."""
    import shapely

    around = kerf(list(chains), wire)
    rings = [shapely.Polygon(hole) for each in shapely.get_parts(around) for hole in each.interiors]
    if not rings:
        # an open way along an outer wall, from edge to edge
        return True
    inner = shapely.union_all(rings)
    return bool(inner.intersection(shadow).area > 0.5 * inner.area)
