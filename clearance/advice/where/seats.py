"""An item goes in; the family of places that it has on what it stands on comes out.

What is screwed down stands on its screw: in each thread hole of its carrier, at any angle about it, and
wherever in its slot the screw is. What presses a part from the side, or holds it there by magnetism, lies
against the part's sides. Everything else stands on a plane: any X and Y, and its turn.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from clearance.advice.edits import with_all_on_them, with_bodies
from clearance.advice.where.lines import Lines, Slot, in_holes, slot_of
from clearance.advice.where.pressing import Heard
from clearance.advice.where.sides import against_sides
from clearance.advice.where.work import carrier_face, foot
from clearance.errors import InputError
from clearance.geometry.transforms import apply
from clearance.kernels.query import DEGREE, Boxes
from clearance.records import record
from clearance.scene.model import Body, Scene
from fixtures_lib.holder import Fastened

Array = NDArray[np.float64]

#: mm; boxes are halved down to this
FINE = 0.2


@record
class ItemSeat:
    """Where an item may be looked for.

    Attributes:
        item: its name.   index: in the scene's bodies.   moving: indices of it and of all that stands on it.
        origin: (2,) what its places are told by, where that is now, machine X Y, mm: its own origin, or its
            screw's axis where it stands in a hole.
        own: (2,) its own origin now.
        carriers: names of what it stands on; () for the table.
        holes: (h, 2) the thread holes that its screw may go into, machine X Y; None: it stands in none.
        turns: degrees from how it stands now that are looked at.
        range: x0, x1, y0, y1, machine X Y, mm, of its origin.
        reach: mm; nothing of it is farther from its origin in plan.
        lines: its places, where they are lines: about holes, or against the sides of parts; None: a plane.
        slot: along which it is pushed on its screw; None: it has none.   points: degrees in the machine of
            the way its tip points now.
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
    lines: Lines | None = None
    slot: Slot | None = None
    points: float = 0.0

    def by(self, at: tuple[float, float], turn: float) -> tuple[float, float]:
        """By how much the item's own origin goes, mm, to a place and turn (degrees).

        Args:
            at: the place, machine X Y, mm.   turn: degrees.
        """
        a = np.radians(turn)
        off = self.own - self.origin
        x = np.cos(a) * off[0] - np.sin(a) * off[1] + at[0] - self.own[0]
        y = np.sin(a) * off[0] + np.cos(a) * off[1] + at[1] - self.own[1]
        return float(x), float(y)

    def heading(self, turn: float) -> tuple[float, float]:
        """The way its slot runs towards its tip at a turn, degrees; of length 1, machine X Y."""
        a = np.radians(self.points + turn)
        return float(np.cos(a)), float(np.sin(a))

    @property
    def slide(self) -> float:
        """How far it may be pushed along its slot at most, mm."""
        return 0.0 if self.slot is None else max(-self.slot.low, self.slot.high)

    @property
    def around(self) -> tuple[float, float, float, float]:
        """x0, y0, x1, y1 of all that it may cover, mm."""
        x0, x1, y0, y1 = self.range
        r = self.reach + self.slide
        return x0 - r, y0 - r, x1 + r, y1 + r

    @property
    def half_turn(self) -> float:
        """What each turn of a line stands for to either side, degrees."""
        return DEGREE / 2.0 if self.holes is not None and len(self.turns) > 1 else 0.0

    def scene(self, scene: Scene, goes: bool = True) -> Scene:
        """The scene with of the item only what goes along its slot, or only what stays with its screw."""
        if self.slot is None:
            return scene
        return with_bodies(scene, {self.index: self.slot.part(goes)})

    def boxes(self) -> Boxes:
        """What to begin with: all of its places."""
        if self.lines is not None:
            return self.lines.boxes(self.half_turn)
        x0, x1, y0, y1 = self.range
        size = max(x1 - x0, y1 - y0, FINE)
        # a power of two times the finest, so that the last ones are as fine as is promised
        large = FINE * 2.0 ** max(int(np.ceil(np.log2(size / FINE))) - 3, 0)
        nx, ny = (max(int(np.ceil(d / large)), 1) for d in (x1 - x0, y1 - y0))
        # from where it stands now on, so that the place it has is a corner
        x = x0 + large * (np.arange(nx) + 0.5)
        y = y0 + large * (np.arange(ny) + 0.5)
        grid = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
        found = []
        for turn, half in self._chunks():
            n = len(grid)
            half_sides = np.full((n, 2), large / 2.0)
            found.append(Boxes.plain(grid, half_sides, np.full(n, turn), np.full(n, half)))
        return Boxes.joined(found)

    def _chunks(self) -> list[tuple[float, float]]:
        """Its turns in as few powers of two as hold them: the middle and half of each, degrees."""
        if len(self.turns) == 1:
            return [(float(self.turns[0]), 0.0)]
        out, first = [], 0
        while first < len(self.turns):
            count = 1 << (len(self.turns) - first).bit_length() - 1
            middle = float(self.turns[first : first + count].mean())
            out.append((middle, count * DEGREE / 2.0))
            first += count
        return out


def seat_of(
    scene: Scene, name: str, turns: tuple[float, float] | None = None, heard: Heard | None = None
) -> ItemSeat:
    """The places of an item.

    Args:
        scene: in which it stands.   name: of the item.
        turns: degrees, from and to, from how it stands now; None: for what stands in a hole, or lies against
            a part's side, all that there are, for anything else as it stands.
        heard: what is asked of the scene's parts.

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
            what = "is cut" if part == name else f'carries "{part}", which is cut: with it the cut would move'
            want = "name an item that only holds a part; where a part may lie is told by  clearance placement"
            raise InputError(None, "--item", f'"{name}" {what}', want)
    if not any(index in s.bodies for s in scene.stretches):
        raise InputError(None, "--item", f'"{name}" is off for every cut', "an item that is there for a cut")
    own = body.T_MI[:2, 3].copy()
    holes = _holes(scene, body)
    carriers, face = carrier_face(scene, body)
    lines = against_sides(scene, index, heard or Heard(scene), turns, holes)
    slot = slot_of(body) if holes is not None and lines is None else None
    if lines is not None:
        holes = None
    origin = own if holes is None else _axis(body)
    corners = np.concatenate([scene.bodies[k].triangles_M[..., :2].reshape(-1, 2) for k in moving])
    reach = float(np.hypot(*(corners - origin).T).max())
    if slot is not None:
        also = slot.body.triangles_M[..., :2].reshape(-1, 2)
        reach = max(reach, float(np.hypot(*(also - origin).T).max()))
    first, last = (-180.0, 180.0) if turns is None else turns
    steps = _steps(first, last)
    if holes is not None:
        lines = in_holes(body, holes, steps, slot)
    if lines is not None:
        ends = np.concatenate([lines.at(np.arange(len(lines)), end) for end in (lines.low, lines.high)])
        ends = ends if len(ends) else own[None]
        low, high = ends.min(axis=0), ends.max(axis=0)
        steps = steps if holes is not None else np.unique(lines.turn)
        seat = ItemSeat(name, index, tuple(moving), origin, own, tuple(carriers), holes, steps,
                    _range(low, high), reach, lines, slot,
                    float(np.degrees(np.arctan2(body.T_MI[1, 0], body.T_MI[0, 0]))))  # fmt: skip
        return seat
    if face is None:
        box = scene.known_machine.travel
        low, high = np.array([box.x[0], box.y[0]]), np.array([box.x[1], box.y[1]])
        both = np.array([corners.min(axis=0), corners.max(axis=0)])
        low, high = np.minimum(low, both[0]), np.maximum(high, both[1])
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
    steps = np.zeros(1) if turns is None else steps
    return ItemSeat(
        name, index, tuple(moving), origin, own, tuple(carriers), None, steps, _range(low, high), reach
    )


def _range(low: Array, high: Array) -> tuple[float, float, float, float]:
    return float(low[0]), float(high[0]), float(low[1]), float(high[1])


def _steps(first: float, last: float) -> Array:
    """The whole turns from one to another, degrees; where there is none the first."""
    steps = np.arange(np.ceil(first / DEGREE - 1e-9), np.floor(last / DEGREE + 1e-9) + 1.0) * DEGREE + 0.0
    if len(steps) and abs(steps[-1] - steps[0] - 360.0) < 1e-9:
        steps = steps[:-1]
    return steps if len(steps) else np.array([first])


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


__all__ = ["DEGREE", "FINE", "ItemSeat", "seat_of"]
