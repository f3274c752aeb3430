"""An item goes in; the family of places that it has on what it stands on comes out.

What is screwed down stands on its screw: in each thread hole of its carrier, at any angle about it.
Everything else stands on a plane: any X and Y, and its turn.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.advice.edits import with_all_on_them
from clearance.advice.where.work import carrier_face, foot
from clearance.errors import InputError
from clearance.geometry.transforms import apply
from clearance.kernels.query import Boxes
from clearance.scene.model import Body, Scene
from fixtures_lib.holder import Fastened

Array = NDArray[np.float64]

#: degrees between two turns that are looked at; each stands for half of that to either side
DEGREE = 1.0
#: mm; boxes are halved down to this
FINE = 0.2


@dataclass(frozen=True)
class Seat:
    """Where an item may be looked for.

    Attributes:
        item: its name.   index: in the scene's bodies.   moving: indices of it and of all that stands on it.
        origin: (2,) what its places are told by, where that is now, machine X Y, mm: its own origin, or its
            screw's axis where it stands in a hole.
        own: (2,) its own origin now.
        carriers: names of what it stands on; () for the table.
        holes: (h, 2) the thread holes that its screw may go into, machine X Y; None: it stands on a plane.
        turns: degrees from how it stands now that are looked at.
        range: x0, x1, y0, y1, machine X Y, mm, of its origin.
        reach: mm; nothing of it is farther from its origin in plan.
    """

    item: str
    index: int
    moving: tuple[int, ...]
    origin: Array
    own: Array
    carriers: tuple[str, ...]
    holes: Array | None
    turns: Array
    range: tuple[float, float, float, float]
    reach: float

    def by(self, at: tuple[float, float], turn: float) -> tuple[float, float]:
        """By how much the item's own origin goes, mm, to a place and turn (degrees)."""
        a = np.radians(turn)
        off = self.own - self.origin
        x = np.cos(a) * off[0] - np.sin(a) * off[1] + at[0] - self.own[0]
        y = np.sin(a) * off[0] + np.cos(a) * off[1] + at[1] - self.own[1]
        return float(x), float(y)

    @property
    def around(self) -> tuple[float, float, float, float]:
        """x0, y0, x1, y1 of all that it may cover, mm."""
        x0, x1, y0, y1 = self.range
        return x0 - self.reach, y0 - self.reach, x1 + self.reach, y1 + self.reach

    def boxes(self) -> Boxes:
        """What to begin with: all of its places."""
        half_turn = DEGREE / 2.0 if len(self.turns) > 1 else 0.0
        if self.holes is not None:
            n, m = len(self.holes), len(self.turns)
            centre, turn = np.repeat(self.holes, m, axis=0), np.tile(self.turns, n)
            half = np.zeros((n * m, 2))
        else:
            x0, x1, y0, y1 = self.range
            size = max(x1 - x0, y1 - y0, FINE)
            # a power of two times the finest, so that the last ones are as fine as is promised
            large = FINE * 2.0 ** max(int(np.ceil(np.log2(size / FINE))) - 3, 0)
            nx, ny = (max(int(np.ceil(d / large)), 1) for d in (x1 - x0, y1 - y0))
            # from where it stands now on, so that the place it has is a corner
            x = x0 + large * (np.arange(nx) + 0.5)
            y = y0 + large * (np.arange(ny) + 0.5)
            grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
            centre, turn = np.tile(grid, (len(self.turns), 1)), np.repeat(self.turns, len(grid))
            half = np.full((len(centre), 2), large / 2.0)
        return Boxes(centre, half, turn, np.full(len(turn), half_turn))


def seat_of(scene: Scene, name: str, turns: tuple[float, float] | None = None) -> Seat:
    """The places of an item.

    Args:
        scene: in which it stands.   name: of the item.
        turns: degrees, from and to, from how it stands now; None: for a strap in a hole all that there are,
            for anything else as it stands.

    Raises:
        InputError: there is no such item; it is cut, or carries what is cut; it stands on no plane.
    """
    from clearance.scene.reread import found_item

    body = found_item(scene, name, "--item")
    index = next(k for k, each in enumerate(scene.bodies) if each is body)
    moving = with_all_on_them(scene, [name])
    cut = {b for s in scene.stretches for b in s.cut_bodies}
    for k in moving:
        if k in cut:
            part = scene.bodies[k].name
            what = "is cut" if part == name else f'carries "{part}", which is cut'
            raise InputError(
                None,
                "--item",
                f'"{name}" {what}',
                "an item that holds; for the part itself: clearance placement",
            )
    if not any(index in s.bodies for s in scene.stretches):
        raise InputError(None, "--item", f'"{name}" is off for every cut', "an item that is there for a cut")
    own = body.T_MI[:2, 3].copy()
    holes = _holes(scene, body)
    origin = own if holes is None else _axis(body)
    corners = np.concatenate([scene.bodies[k].triangles_M[..., :2].reshape(-1, 2) for k in moving])
    reach = float(np.hypot(*(corners - origin).T).max())
    carriers, face = carrier_face(scene, body)
    if holes is not None:
        low, high = holes.min(axis=0), holes.max(axis=0)
        first, last = (-180.0, 180.0) if turns is None else turns
        return _made(name, index, moving, (origin, own), carriers, holes, first, last, low, high, reach)
    if face is None:
        box = scene.known_machine.travel
        low, high = np.array([box.x[0], box.y[0]]), np.array([box.x[1], box.y[1]])
        ends = np.array([corners.min(axis=0), corners.max(axis=0)])
        low, high = np.minimum(low, ends[0]), np.maximum(high, ends[1])
    else:
        if face.is_empty:
            said = " and ".join(f'"{each}"' for each in carriers)
            found = f'"{name}" stands on {said}, which has no level face where its foot is'
            raise InputError(None, "--item", found, "an item that lies on a level face of what it is on")
        _, where = foot(body)
        far = (
            0.0
            if where.is_empty
            else float(np.hypot(*(np.array(where.envelope.exterior.coords) - origin).T).max())
        )
        x0, y0, x1, y1 = face.bounds
        low, high = np.array([x0, y0]) - far, np.array([x1, y1]) + far
    first, last = (0.0, 0.0) if turns is None else turns
    return _made(name, index, moving, (origin, own), carriers, None, first, last, low, high, reach)


def _made(
    name: str,
    index: int,
    moving: Any,
    origins: tuple[Array, Array],
    carriers: list[str],
    holes: Array | None,
    first: float,
    last: float,
    low: Array,
    high: Array,
    reach: float,
) -> Seat:
    steps = np.arange(np.ceil(first / DEGREE - 1e-9), np.floor(last / DEGREE + 1e-9) + 1.0) * DEGREE + 0.0
    if len(steps) and abs(steps[-1] - steps[0] - 360.0) < 1e-9:
        steps = steps[:-1]
    turns = steps if len(steps) else np.array([first])
    box = (float(low[0]), float(high[0]), float(low[1]), float(high[1]))
    return Seat(name, index, tuple(moving), *origins, tuple(carriers), holes, turns, box, reach)


def _axis(body: Body) -> Array:
    """The axis (2,) of the first screw that is sunk."""
    parts = np.split(body.triangles_M, np.cumsum(body.shells)[:-1])
    xy = parts[body.sunk[0]][..., :2].reshape(-1, 2)
    return np.asarray((xy.min(axis=0) + xy.max(axis=0)) / 2.0)


def _holes(scene: Scene, body: Body) -> Array | None:
    """The thread holes (h, 2) of what a screwed-down item stands on; None where it is none, or these are not
    known."""
    source = body.library
    if source is None or source.fastened is not Fastened.BOLTED or not body.sunk:
        return None
    base = scene.items.get(body.stands_on or "")
    if base is None or base.library is None or not base.library.holes:
        return None
    mouths = apply(base.T_MI, np.array([hole.at for hole in base.library.holes]))
    return np.unique(np.round(mouths[:, :2], 9), axis=0)
