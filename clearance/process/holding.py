"""What each body does to a part, and which contacts are sideways.

A holder does what its kind says; one with jaws or a ring grips what it touches from both sides. Of a shape
or model of the user's own nobody knows: it carries what lies on it, presses what it lies on, and grips a part
where it touches it from several sides about its middle, as jaws do; a stop that is touched by one side does
not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from clearance.mesh.sections import Outline
from clearance.process.support import Contacts
from clearance.scene.model import Body
from clearance.scene.stability import attracts
from fixtures_lib.holder import Does, Fastened

#: share of a part's own size by which its middle must lie between what touches it, to be gripped
BETWEEN = 0.05


@dataclass(frozen=True)
class Role:
    """What a body can do to a part.

    Attributes:
        carries, presses, grips: see the package.
        over: it grips from above, too, what lies on something.
        pulls: it grips what merely lies on it or under it, too.
        aside: it presses by touching the part's side.
        unknown: of the user's own; whether it grips depends on where it touches.
        stands: it must stand on something itself to press.
        lies: it presses only if it lies on something besides the part, too.
    """

    carries: bool = True
    presses: bool = False
    grips: bool = False
    over: bool = False
    pulls: bool = False
    aside: bool = False
    unknown: bool = False
    stands: bool = False
    lies: bool = False


def role_of(body: Body, part: Body) -> Role:
    """What ``body`` can do to ``part``; of a holder of the library what its kind says (``Does``)."""
    if body.kind in ("part", "machine"):
        return Role()
    if body.library is None:
        return Role(presses=True, unknown=body.kind == "holder", lies=body.kind == "laid")
    does = body.library.does
    if Does.ATTRACTS in does:
        return Role(grips=attracts(body, part), pulls=True)
    if not does & (Does.BEARS | Does.CARRIES):
        # a clamp and no more: it must have something to stand on, and one with a toe presses a part's side
        bolted = body.library.fastened is Fastened.BOLTED
        return Role(carries=False, presses=True, aside=Does.GRIPS in does, stands=bolted)
    grips, presses = Does.GRIPS in does, Does.PRESSES in does
    return Role(grips=grips, over=grips and presses, presses=presses and not grips)


def sideways(contacts: Contacts, part: int, outline: Outline, present: tuple[int, ...], body: int) -> Any:
    """Where a body touches a part's sides or its top, seen from above (shapely; empty where it does not)."""
    import shapely

    found = [c.where for c in contacts.of(part, outline, present) if c.body == body and not c.under]
    return shapely.union_all(found) if found else shapely.Polygon()


def between(where: Any, region: Any) -> bool:
    """Whether a part's region lies between the places at which something touches it."""
    import shapely

    if where.is_empty:
        return False
    x0, y0, x1, y1 = region.bounds
    room = BETWEEN * min(x1 - x0, y1 - y0)
    hull = shapely.convex_hull(where)
    middle = shapely.centroid(region)
    return bool(hull.contains(middle) and hull.boundary.distance(middle) > room)


def foot_of(body: Body) -> tuple[np.ndarray, np.ndarray | None]:
    """A clamp's own foot: the facets of its shells that are not sunk, and those of the screw that is."""
    t = body.triangles_M
    if not body.shells:
        return t, None
    parts = np.split(t, np.cumsum(body.shells)[:-1])
    own = [shell for k, shell in enumerate(parts) if k not in body.sunk]
    sunk = [shell for k, shell in enumerate(parts) if k in body.sunk]
    return np.concatenate(own), np.concatenate(sunk) if sunk else None
