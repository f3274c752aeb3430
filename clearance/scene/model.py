"""The scene: everything in machine coordinates and mm, as the judge takes it."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.geometry.aabb import Crowd, boxes_of
from clearance.mesh.mass import mass_properties
from clearance.sweep.heads import Piece
from clearance.toolpath.moves import Moves


@dataclass(frozen=True)
class SideHeight:
    """A pair of lengths, mm: sideways (horizontal) and in height (vertical)."""

    side: float
    height: float


@dataclass(frozen=True)
class Body:
    """One item or machine body where it stands.

    Attributes:
        name: as in the setup (unique).
        kind: "part", "holder", "laid" or "machine": which margin judges it.
        triangles_M: (N, 3, 3) mm, machine frame.
        closed: see ``Solid``.
        margin, allow: mm; allow has the reader's facet error in it.
        T_MI: (4, 4) the item's own frame in the machine's.
        item: index in the setup's items, or None for a body of the machine.
        seats_M: the item's seats, (4, 4) each.
        stands_on: name of the item it stands on, or None for the table.
        density: g/cm3 or None; set for parts.
        source: what it was made of, for the sheet: {"holder": ..., "params": {...}} or {"part": file} ...
        shells: facets of each closed shell, one after the other; () where they were not told apart.
        sunk: indices of shells that go into what the item is fixed to, a screw in its thread hole.
    """

    name: str
    kind: str
    triangles_M: NDArray[np.float64]
    closed: bool
    margin: SideHeight
    allow: SideHeight
    T_MI: NDArray[np.float64] = field(default_factory=lambda: np.eye(4))
    item: int | None = None
    seats_M: dict[str, NDArray[np.float64]] = field(default_factory=dict)
    stands_on: str | None = None
    density: float | None = None
    source: dict[str, Any] = field(default_factory=dict)
    shells: tuple[int, ...] = ()
    sunk: tuple[int, ...] = ()

    @cached_property
    def crowd(self) -> Crowd:
        """The boxes of the triangles, in their order."""
        return Crowd(*boxes_of(self.triangles_M))

    @cached_property
    def bulk(self) -> tuple[float, NDArray[np.float64]]:
        """Volume (mm3) and centre of gravity (3,), machine frame; of no use where the surface is open."""
        return mass_properties(self.triangles_M)


@dataclass(frozen=True)
class Finding:
    """One thing to tell, as in the report: severity is "clash", "undecided", "close" or "note"."""

    kind: str
    severity: str
    message: str
    item: str | None = None
    cut: str | None = None
    #: number of the state of the job that it is about
    state: int | None = None


@dataclass(frozen=True)
class Level:
    """The upper head on the moves ``only`` (M,) on which its face is between ``low`` and ``high``, machine
    Z."""

    low: float
    high: float
    only: NDArray[np.bool_]
    pieces: tuple[Piece, ...]


@dataclass(frozen=True)
class Stretch:
    """What the heads do in one go: a cut, a move between cuts, the approach, parking, a pick-up.

    Attributes:
        name: the cut's name, or "opening -> second opening", "approach -> opening", "opening -> park",
            "pickup 1".
        cut: index in the setup's cuts; None where it is no cut (then moves have no number in the report).
        moves: in machine X Y; the path of the lower guide, and of the upper one where there is no U V.
        upper_moves: the upper guide's path where it differs, else None.
        lower, upper: the heads' pieces with machine heights, grown already by ``moves.grow``.
        lower_z, upper_z: machine Z of the faces; where the program says the upper one's, its highest.
        levels: the upper head at each height that the program says, and on which moves; () where it says
            none. ``upper`` is the head at the highest.
        own_height: some of them count from where the setup puts the face, not from the cut's zero.
        upper_ends: of a way between cuts: machine Z of the upper face as the cut before it ends and the one
            behind it begins. It goes straight to ``upper_z`` there, and from it. None elsewhere.
        wire: the wire's piece (guide to guide), or None where no move is threaded.
        bodies: indices into ``Scene.bodies`` of what is there.
        cut_bodies: indices of the parts that are cut (no clash for the wire).
        flushing: (lower, upper) distance of the faces from the cut parts, mm; None where no part is cut.
    """

    name: str
    cut: int | None
    moves: Moves
    lower: tuple[Piece, ...]
    upper: tuple[Piece, ...]
    lower_z: float
    upper_z: float
    wire: Piece | None
    bodies: tuple[int, ...]
    cut_bodies: tuple[int, ...] = ()
    flushing: tuple[float, float] | None = None
    upper_moves: Moves | None = None
    zero_M: NDArray[np.float64] | None = None
    levels: tuple[Level, ...] = ()
    own_height: bool = False
    upper_ends: tuple[float, float] | None = None

    @property
    def upper_low(self) -> float:
        """Machine Z of the upper face where it is lowest."""
        return min((level.low for level in self.levels), default=self.upper_z)

    def upper_at(self, move: int, share: float = 1.0) -> float:
        """Machine Z of the upper face so far along a move."""
        if self.moves.start_z is None or self.moves.end_z is None or self.zero_M is None:
            return self.upper_z
        a, b = self.moves.start_z[move], self.moves.end_z[move]
        return float(a + share * (b - a) + self.zero_M[2])

    @property
    def upper_first(self) -> float:
        """Machine Z of the upper face as the stretch begins."""
        return self.upper_at(0, 0.0)

    @property
    def upper_last(self) -> float:
        """Machine Z of the upper face as the stretch ends."""
        return self.upper_at(-1)


@dataclass(frozen=True)
class Scene:
    """Everything the judge needs.

    Attributes:
        title: of the setup.   setup_file: as the user named it.
        machine: the machine file as read (lengths mm).
        bodies: items and machine bodies.
        stretches: in the order in which they run.
        wire_margin: mm sideways.
        findings: what reading and assembling found.
        inputs: (file, sha256) of every file read, the setup first.
        read_s: seconds it took to read and assemble.
    """

    title: str
    setup_file: str
    machine: Any
    setup: Any
    bodies: tuple[Body, ...]
    stretches: tuple[Stretch, ...]
    wire_margin: float
    findings: tuple[Finding, ...]
    inputs: tuple[tuple[str, str], ...]
    read_s: float = 0.0
