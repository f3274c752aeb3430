"""A part and what stands about it go in; where each of them touches the part, seen from above, comes out."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import Boxes
from clearance.mesh.sections import Outline, region
from clearance.scene.holding import holds
from clearance.scene.model import Body

Array = NDArray[np.float64]

#: surfaces nearer than this touch, mm; slices are made half as far beyond the part
NEAR = 0.1
#: a touch smaller than this, seen from above, is none (mm2)
LEAST = 0.01
#: slices of the part in which what touches it sideways is looked for
SIDEWAYS = 5


@dataclass(frozen=True)
class Contact:
    """One body that touches a part. ``under``: the part lies on it; else it holds it from above or beside."""

    body: int
    name: str
    under: bool
    where: Any

    def on_each(self, pieces: Sequence[Any]) -> NDArray[np.bool_]:
        """Which pieces of the part it touches; they are flat regions."""
        import shapely

        here = np.empty(len(pieces), dtype=object)
        here[:] = pieces
        shapely.prepare(self.where)
        touched = np.asarray(shapely.intersects(self.where, here), dtype=bool)
        some = np.flatnonzero(touched)
        over = shapely.intersection(self.where, here[some])
        touched[some] = shapely.area(over) > LEAST
        return touched


class Contacts:
    """What touches the parts of a scene; slices of what holds them are made once for each height."""

    def __init__(self, bodies: Sequence[Body]) -> None:
        self.bodies = bodies
        self._slices: dict[tuple[int, float], Any] = {}
        self._known: dict[tuple[int, tuple[int, ...]], list[Contact]] = {}

    def of(self, part: int, outline: Outline, present: tuple[int, ...]) -> list[Contact]:
        """What touches a part.

        Args:
            part: index of the body.   outline: its own.
            present: indices of the bodies that are there, the part itself passed over.

        What lies under it is looked for just below its lowest point, what clamps it just above its highest,
        what grips it sideways in some slices between.
        """
        key = (part, present)
        if key not in self._known:
            low, high = self.bodies[part].crowd.box
            low, high = low - NEAR, high + NEAR
            self._known[key] = [
                contact
                for k in present
                if k != part and self._reaches(k, low, high)
                for contact in self._with(k, part, outline)
            ]
        return self._known[key]

    def meet(self, part: int, outline: Outline, other: int) -> bool:
        """Whether a body touches a part at all, from below, above or beside, be it held by that or not."""
        low, high = self.bodies[part].crowd.box
        near = self._reaches(other, low - NEAR, high + NEAR)
        return near and any(True for _ in self._touches(other, outline, above=True, beside=True))

    def boxes(self, k: int) -> Boxes:
        """The boxes of a body's triangles."""
        crowd = self.bodies[k].crowd
        return crowd.low, crowd.high

    def _reaches(self, k: int, low: Array, high: Array) -> bool:
        """Whether any triangle's box comes near."""
        return len(self.bodies[k].crowd.meeting(low, high)) > 0

    def _with(self, k: int, part: int, outline: Outline) -> list[Contact]:
        """How a body bears or holds a part; where it touches without doing either is left out."""
        body, held = self.bodies[k], self.bodies[part]
        above, beside = holds(body, held, from_above=True), holds(body, held, from_above=False)
        return [
            Contact(k, body.name, under, where)
            for under, where in self._touches(k, outline, above=above, beside=beside)
        ]

    def _touches(self, k: int, outline: Outline, *, above: bool, beside: bool) -> Iterator[tuple[bool, Any]]:
        """Where a body touches a part: whether from below, and the region in plan."""
        below = self._slice(k, outline.low - NEAR / 2).intersection(outline.shadow)
        if below.area > LEAST:
            yield True, below
        if above:
            on_top = self._slice(k, outline.high + NEAR / 2).intersection(outline.shadow)
            if on_top.area > LEAST:
                yield False, on_top
        if not beside:
            return
        for level in np.unique(np.linspace(0, len(outline.z) - 1, SIDEWAYS).astype(int)):
            cut = self._slice(k, float(outline.z[level]))
            if not cut.is_empty:
                at_its_side = cut.buffer(NEAR, quad_segs=2).intersection(outline.slices[level])
                if at_its_side.area > LEAST:
                    yield False, at_its_side

    def _slice(self, k: int, z: float) -> Any:
        key = (k, z)
        if key not in self._slices:
            self._slices[key] = region(self.bodies[k].triangles_M, z, self.boxes(k))
        return self._slices[key]
