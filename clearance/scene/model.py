"""The scene: everything in machine coordinates and mm, as the judge takes it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from enum import Enum
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError, NoSuchName
from clearance.geometry.aabb import AabbSet, boxes_of
from clearance.geometry.facets import outward
from clearance.geometry.transforms import Matrix, apply
from clearance.mesh.mass import mass_properties
from clearance.mesh.sections import Outline, Slabs
from clearance.mesh.topology import corner_numbers
from clearance.records import by_values, hash_by_values, record
from clearance.scene.heads import HeadPiece
from clearance.scene.settings import Cut, GoneBelow, HeadsSetup, JobStop, MachineModel, Margins
from clearance.scene.settings import Finished as Finished
from clearance.scene.settings import FromLibrary as FromLibrary
from clearance.scene.settings import FromModel as FromModel
from clearance.scene.settings import FromShape as FromShape
from clearance.scene.settings import PalletThere as PalletThere
from clearance.scene.settings import ParamValue as ParamValue
from clearance.scene.settings import Placed as Placed
from clearance.scene.settings import SideHeight as SideHeight
from clearance.scene.settings import Source as Source
from clearance.scene.settings import StartHole as StartHole
from clearance.scene.settings import WrittenIn as WrittenIn
from clearance.toolpath.moves import Moves

if TYPE_CHECKING:
    import trimesh

    from clearance.scene.measured import Asked, Lies


@dataclass(frozen=True, repr=False)
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
        stands_on: name of the item whose seat it stands on, or None for the table.   placed: where on it.
        also_on: names of what else it lies on, as the setup says.
        density: g/cm3 or None; set for parts.   material: as the user named it, or None.
        source: what it was made of; None for a body of the machine.
        shells: facets of each closed shell, one after the other; () where they were not told apart.
        sunk: indices of shells that go into what the item is fixed to, a screw in its thread hole.
        held_by: what holds it besides what is described, in the user's words; None where they say nothing.
        held_until: number of the stop until which it does; None: to the end.
        becomes: what it is to be once it is cut; None where nobody has said.
        clamp_force: N with which it presses, None where nobody has said.
        touch: names of its faces that may be touched to measure how it lies; () where none are named.
        moved: (4, 4) the measured motion, machine frame, that took it from where it is planned; None: none.
        written: where it is written, of an item of a pallet; None: in the setup.
    """

    __eq__ = by_values
    __hash__ = hash_by_values

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
    also_on: tuple[str, ...] = ()
    placed: Placed = field(default_factory=Placed)
    density: float | None = None
    material: str | None = None
    source: Source | None = None
    shells: tuple[int, ...] = ()
    sunk: tuple[int, ...] = ()
    held_by: str | None = None
    held_until: int | None = None
    clamp_force: float | None = None
    becomes: Finished | None = None
    touch: tuple[str, ...] = ()
    moved: NDArray[np.float64] | None = None
    written: WrittenIn | None = None

    @property
    def planned_M(self) -> NDArray[np.float64]:
        """(4, 4) where it is planned; ``T_MI`` is where it lies."""
        return self.T_MI if self.moved is None else np.asarray(np.linalg.inv(self.moved) @ self.T_MI)

    def __repr__(self) -> str:
        return f'<Body "{self.name}": {self.kind}, {len(self.triangles_M)} triangles>'

    @property
    def mesh(self) -> trimesh.Trimesh:
        """The body as a mesh, machine frame, mm; equal corners are one. Made anew, it may be changed."""
        import trimesh

        faces, count = corner_numbers(self.triangles_M)
        corners = np.empty((count, 3))
        corners[faces.reshape(-1)] = self.triangles_M.reshape(-1, 3)
        mesh = trimesh.Trimesh(corners, faces, process=False, validate=False)
        mesh.units = "mm"
        return mesh

    @property
    def library(self) -> FromLibrary | None:
        """The holder of the library that it is, if it is one."""
        return self.source if isinstance(self.source, FromLibrary) else None

    @property
    def start_holes(self) -> tuple[StartHole, ...]:
        """The holes that the setup says are drilled in it."""
        return self.source.start_holes if isinstance(self.source, FromModel) else ()

    @cached_property
    def aabbs(self) -> AabbSet:
        """The boxes of the triangles, in their order."""
        return AabbSet(*boxes_of(self.triangles_M))

    @cached_property
    def outward(self) -> float:
        """1 where the facets' normals look outward, -1 where inward."""
        return outward(self.triangles_M, self.aabbs)

    @cached_property
    def outline(self) -> Outline:
        """The body seen from above, by its slices."""
        return Outline(self.triangles_M, boxes=self.aabbs)

    @cached_property
    def slabs(self) -> Slabs:
        """Its slices, so that volumes are exact."""
        return Slabs(self.triangles_M, self.aabbs, self.outline)

    @cached_property
    def bulk(self) -> tuple[float, NDArray[np.float64]]:
        """Volume (mm3) and centre of gravity (3,), machine frame; of no use where the surface is open."""
        return mass_properties(self.triangles_M)

    def posed(self, T_MM: Matrix) -> Body:
        """This body moved by a rigid motion of the machine frame."""
        return replace(
            self,
            triangles_M=apply(T_MM, self.triangles_M),
            T_MI=T_MM @ self.T_MI,
            seats_M={name: T_MM @ T for name, T in self.seats_M.items()},
        )


@dataclass(frozen=True, repr=False)
class Finding:
    """One thing to tell, as in the report: severity is "clash", "undecided", "close" or "note"."""

    kind: str
    severity: str
    message: str
    item: str | None = None
    cut: str | None = None
    #: number of the state of the job that it is about
    state: int | None = None
    #: further cuts that it is about
    also: tuple[str, ...] = ()

    def is_about(self, cut: str) -> bool:
        """Whether it is about a cut.

        Args:
            cut: its name.
        """
        return cut == self.cut or cut in self.also

    def __repr__(self) -> str:
        where = ", ".join(f'"{name}"' for name in (self.item, self.cut) if name is not None)
        return f"<Finding {self.severity}{': ' if where else ''}{where}: {self.message}>"


@record
class Level:
    """The upper head on the moves ``only`` (M,) on which its face is between ``low`` and ``high``, machine
    Z."""

    low: float
    high: float
    only: NDArray[np.bool_]
    pieces: tuple[HeadPiece, ...]


#: words that choose a zero, each with its place, machine X Y, mm
Zeros = tuple[tuple[str, tuple[float, float]], ...]


class StretchKind(Enum):
    """What the heads do on a stretch."""

    CUT = "cut"
    #: the way from one cut to the next
    BETWEEN = "between"
    #: the way to the first cut
    APPROACH = "approach"
    #: the way from the last cut
    PARK = "park"
    #: they stand where an edge is picked up
    PICKUP = "pickup"


@dataclass(frozen=True, repr=False)
class Stretch:
    """What the heads do in one go: a cut, a move between cuts, the approach, parking, a pick-up.

    Attributes:
        name: for people: the cut's name, or "opening -> second opening", "approach -> opening",
            "opening -> park", "pickup 1".
        kind: which of these it is.
        cut: index in the setup's cuts; None where it is no cut (then moves have no number in the report).
        moves: in machine X Y; the path of the lower guide, and of the upper one where there is no U V.
        upper_moves: the upper guide's path where it differs, else None.
        lower, upper: the heads' pieces with machine heights, grown already by ``moves.grow``.
        lower_z, upper_z: machine Z of the faces; where the program says the upper one's, its highest.
        levels: the upper head at each height that the program says, and on which moves; () where it says
            none. ``upper`` is the head at the highest.
        own_height: some of them count from where the setup puts the face, not from the cut's zero.
        zeros: what its program calls to choose a zero (G54), and where each lies.
        upper_ends: of a way between cuts: machine Z of the upper face as the cut before it ends and the one
            behind it begins. It goes straight to ``upper_z`` there, and from it. None elsewhere.
        wire: the wire's piece (guide to guide), or None where no move is threaded.
        bodies: indices into ``Scene.bodies`` of what is there on any of the moves.
        partly: of these what is put on or taken off at a stop in it: index, and on which moves (M,) it is.
        cut_bodies: indices of the parts that are cut (no clash for the wire).
        flushing: (lower, upper) distance of the faces from the cut parts, mm; None where no part is cut.
    """

    __eq__ = by_values
    __hash__ = hash_by_values

    name: str
    cut: int | None
    moves: Moves
    lower: tuple[HeadPiece, ...]
    upper: tuple[HeadPiece, ...]
    lower_z: float
    upper_z: float
    wire: HeadPiece | None
    bodies: tuple[int, ...]
    cut_bodies: tuple[int, ...] = ()
    partly: tuple[tuple[int, NDArray[np.bool_]], ...] = ()
    flushing: tuple[float, float] | None = None
    upper_moves: Moves | None = None
    zero_M: NDArray[np.float64] | None = None
    levels: tuple[Level, ...] = ()
    own_height: bool = False
    zeros: Zeros = ()
    upper_ends: tuple[float, float] | None = None
    kind: StretchKind = StretchKind.CUT

    def __repr__(self) -> str:
        return f'<Stretch "{self.name}": {self.kind.value}, {self.moves.count} moves>'

    def there(self, move: int) -> tuple[int, ...]:
        """Indices of the bodies that are there on a move (an index; -1: the last)."""
        off = {k for k, rows in self.partly if not rows[move]}
        return tuple(k for k in self.bodies if k not in off) if off else self.bodies

    @property
    def upper_low(self) -> float:
        """Machine Z of the upper face where it is lowest."""
        return min((level.low for level in self.levels), default=self.upper_z)

    def upper_at(self, move: int, share: float = 1.0) -> float:
        """Machine Z of the upper face so far along a move.

        Args:
            move: index into the stretch's moves.   share: of the way along it, 0 at its start, 1 at its end.
        """
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


class Items(dict[str, Body]):
    """Items by their names; a name that there is not is told with what it may be meant for."""

    def __missing__(self, name: object) -> Body:
        from clearance.scene.fields import suggestion

        raise NoSuchName(None, "items", f'there is no item "{name}"', suggestion(str(name), list(self)))


@dataclass(frozen=True, repr=False)
class Scene:
    """Everything the judge needs.

    Attributes:
        title: of the setup.   setup_file: as the user named it.
        machine: None where the scene was not made from files, and nothing is known of it.
        bodies: items and machine bodies.
        stretches: in the order in which they run.
        wire_margin: mm sideways.
        findings: what reading and assembling found.
        inputs: (file, sha256) of every file read, the setup first.
        units: "mm" or "inch", in which the setup file's lengths are written; the scene's own are mm.
        heads, cuts, margins: what the setup asks for; ``Stretch.cut`` counts into ``cuts``, which are ()
            where the scene was not made from files.
        stops: where the job stops and somebody acts, in order.
        optional_stops: the switch at the control is on with which a program stops at M01.
        spark_gap: mm a side that make a kerf wider than the wire; None where the setup does not say.
        gone_below: what is washed away as it comes free; None where the setup does not say.
        pallets: as they stand, each before those on it.
        looked_in: folders in which holders were looked for, as they are named.
        lies: how the parts lie that were measured.
        planned: where there are such, the scene as planned: what holds, frees and carries is asked of it.
        packed: mm, on so much packing that is not described lies all that stands on the table.
        packed_items: what alone lies on packing, where not all was raised: name and mm of each.
        sets: names of the nozzles that can be mounted, the machine's own heads first; () where none can.
        as_read: what was asked for beside the setup, and bodies and stretches as they were made; None where
            the scene was not made from files.
        read_s: seconds it took to read and assemble.
    """

    __eq__ = by_values
    __hash__ = hash_by_values

    title: str
    setup_file: str
    machine: MachineModel | None
    bodies: tuple[Body, ...]
    stretches: tuple[Stretch, ...]
    wire_margin: float
    findings: tuple[Finding, ...]
    inputs: tuple[tuple[str, str], ...]
    units: str = "mm"
    heads: HeadsSetup = field(default_factory=HeadsSetup)
    cuts: tuple[Cut, ...] = ()
    margins: Margins = field(default_factory=Margins)
    stops: tuple[JobStop, ...] = ()
    optional_stops: bool = False
    spark_gap: float | None = None
    gone_below: GoneBelow | None = None
    pallets: tuple[PalletThere, ...] = ()
    looked_in: tuple[str, ...] = ()
    lies: tuple[Lies, ...] = ()
    planned: Scene | None = None
    packed: float = 0.0
    packed_items: tuple[tuple[str, float], ...] = ()
    sets: tuple[str, ...] = ()
    as_read: tuple[Asked, tuple[Body, ...], tuple[Stretch, ...]] | None = None
    read_s: float = field(default=0.0, compare=False)

    def __post_init__(self) -> None:
        # what was worked out of a body is kept beside it; written over, both would be of two bodies
        for body in self.bodies:
            body.triangles_M.setflags(write=False)

    def __repr__(self) -> str:
        on = "" if self.machine is None else f', on the machine "{self.machine.name}"'
        cuts = sum(stretch.kind is StretchKind.CUT for stretch in self.stretches)
        return f'<Scene "{self.title or self.setup_file}": {len(self.items)} items, {cuts} cuts{on}>'

    @property
    def items(self) -> dict[str, Body]:
        """What stands on the table, by name, in file order."""
        return Items({body.name: body for body in self.bodies if body.kind != "machine"})

    def cut_of(self, stretch: Stretch) -> Cut | None:
        """What the setup asks for on a stretch; None where it is no cut, or where there is no setup file.

        Args:
            stretch: one of this scene's.
        """
        return self.cuts[stretch.cut] if self.cuts and stretch.cut is not None else None

    @property
    def reading(self) -> Asked | None:
        """What was asked for beside the setup, where all still stands as it was read; else None."""
        if (
            self.as_read is None
            or self.as_read[1] is not self.bodies
            or self.as_read[2] is not self.stretches
        ):
            return None
        return self.as_read[0]

    def moved(
        self, item: str, by: Sequence[float] = (0.0, 0.0, 0.0), turn: Sequence[float] = (0.0, 0.0, 0.0)
    ) -> Scene:
        """The setup read anew with an item elsewhere, and all that stands on it; its files stay as they are.

        Args:
            item: its name.   by: mm along the machine's X, Y and Z, whatever way the item is turned.
            turn: degrees about the machine's X, then Y, then Z, through the item's own origin.

        Raises:
            InputError: there is no such item; it cannot be set up so; the scene, or a file, was changed since
                it was read.
        """
        from clearance.scene.reread import ARGUMENTS, changed, three
        from clearance.scene.tries import Move

        return changed(self, [Move(item, three("by", by), three("turn", turn))], ARGUMENTS)

    def without(self, item: str) -> Scene:
        """The setup read anew with an item, and all that stands on it, off for all cuts.

        Args:
            item: its name; no part that is cut.

        Raises:
            InputError: as for ``moved``.
        """
        from clearance.scene.reread import ARGUMENTS, changed
        from clearance.scene.tries import Off

        return changed(self, [Off(item)], ARGUMENTS)

    def with_param(self, item: str, param: str, value: ParamValue | Sequence[float]) -> Scene:
        """The setup read anew with another value of a holder's parameter.

        Args:
            item: the holder's name in the setup.   param: the parameter's in the library.
            value: mm, degrees, or one of its words.

        Raises:
            InputError: as for ``moved``; there is no such parameter, or it cannot have this value.
        """
        from clearance.scene.reread import ARGUMENTS, changed
        from clearance.scene.tries import Param

        return changed(self, [Param(item, param, value)], ARGUMENTS)

    @property
    def known_machine(self) -> MachineModel:
        """The machine.

        Raises:
            InputError: the scene was not made from files.
        """
        if self.machine is None:
            found = "nothing is known of the machine of this scene"
            raise InputError(self.setup_file, "", found, "begin with a scene as clearance.load gives it")
        return self.machine
