"""What the user asked for, typed and in mm: machine, heads, margins, cuts, and what each item is.

The files' own tables are in ``schema`` and ``machine``; nothing outside this room reads those.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from clearance.records import record
from clearance.toolpath.moves import ControlWords, PathOptions
from fixtures_lib.holder import Does, Fastened, Kind, Limit, ThreadHole

#: from, to, mm
Interval = tuple[float, float]
PointXY = tuple[float, float]
Wanted = Literal["inside", "outside", "left", "right", "both", "none"]


@dataclass(frozen=True)
class SideHeight:
    """A pair of lengths, mm: sideways (horizontal) and in height (vertical)."""

    side: float
    height: float

    def and_then(self, more: SideHeight) -> SideHeight:
        """Both: what a head is grown by when first an allow and then a margin has to be kept."""
        return SideHeight(self.side + more.side, self.height + more.height)


@dataclass(frozen=True)
class Travel:
    """Of the lower guide's centre in X Y, the upper face in Z, the upper guide over the lower in U V."""

    x: Interval
    y: Interval
    z: Interval
    u: Interval | None = None
    v: Interval | None = None

    def along(self, axis: str) -> Interval | None:
        """Of the axis "x", "y", "z", "u" or "v"; None where the machine file says nothing of it."""
        return {"x": self.x, "y": self.y, "z": self.z, "u": self.u, "v": self.v}[axis]


@record
class HeadBox:
    """A box that goes along with a head: X, Y from the wire, from and to behind the face.

    ``follows``: "xyuv" goes where the upper guide goes, "xy" stays over the lower one.
    """

    x: Interval
    y: Interval
    behind: Interval
    follows: str = "xyuv"


@record
class HeadModel:
    """A head: how far behind its face the wire's pivot is, (distance behind the face, radius), boxes, and the
    nozzle's bore, None where nobody has said."""

    guide: float
    profile: tuple[tuple[float, float], ...]
    boxes: tuple[HeadBox, ...] = ()
    bore: float | None = None


@record
class Jet:
    """A nozzle's jet: its bore (mm), the pressures at it (bar), the wetted area (mm2) if that is larger."""

    bore: float
    rough: float
    trim: float | None = None
    area: float | None = None


@record
class Flushing:
    """The jets of both nozzles; one that is None is off."""

    lower: Jet | None = None
    upper: Jet | None = None


@dataclass(frozen=True)
class MachineModel:
    """A machine.

    Attributes:
        wire: its diameter.   max_part_mass: kg, or None.   codes: the control's own words.
        lower_z: machine Z of the lower face.   flushing: the jets, None where nothing is known of them.
        shipped: its name where it ships with the tool, else ``file``, as the setup names it.
        largest_lean: degrees from the vertical that the wire may have, None where nobody has said.
        nozzles: the set that is mounted, None for the machine's own heads; all here is as it is with them.
        z_shift: by how much travel in Z ends lower with them; None for the machine's own.
    """

    name: str
    travel: Travel
    wire: float
    lower_z: float
    lower_head: HeadModel
    upper_head: HeadModel
    max_part_mass: float | None = None
    codes: ControlWords = field(default_factory=ControlWords)
    shipped: str | None = None
    file: str | None = None
    flushing: Flushing | None = None
    largest_lean: float | None = None
    nozzles: str | None = None
    z_shift: float | None = None


@dataclass(frozen=True)
class HeadsSetup:
    """Where the upper head stands, and where both come from, go to and pick up edges (machine X Y)."""

    flushing_distance: float | None = None
    upper_z: float | None = None
    approach_from: PointXY | None = None
    park: PointXY | None = None
    pickups: tuple[PointXY, ...] = ()
    travel_z: float | None = None
    thread_z: float | None = None
    between: bool = True


@dataclass(frozen=True)
class Margins:
    """Less than this is close, by the kind of body; of the wire sideways."""

    part: SideHeight = SideHeight(0.3, 0.05)
    holder: SideHeight = SideHeight(1.0, 0.5)
    laid: SideHeight = SideHeight(3.0, 0.5)
    machine: SideHeight = SideHeight(2.0, 0.5)
    wire: float = 0.5

    def of(self, kind: str) -> SideHeight:
        """The margin that judges bodies of a kind: "part", "holder", "laid" or "machine"."""
        return self.each[kind]

    @property
    def each(self) -> dict[str, SideHeight]:
        """By the kind of body."""
        return {"part": self.part, "holder": self.holder, "laid": self.laid, "machine": self.machine}


@record
class GoneBelow:
    """A piece that is lighter (kg) and shorter (mm) than this is washed away as soon as it comes free."""

    mass: float
    size: float


class Planes(NamedTuple):
    """Heights above the part zero at which a program's X Y and its U V hold, mm."""

    xy: float
    uv: float


@record
class TakenOut:
    """A cut whose free pieces are taken out, "all" or a piece's name, and the number of the stop; None:
    before the cut that says so."""

    name: str
    stop: int | None = None


@record
class HeldBy:
    """What holds a part, or what a cut frees, in the user's words.

    ``until``: number of the stop at which it does no longer; None: it does to the end. ``piece``: the kind of
    piece that it holds ("slug", "off-cut", "good part"); None: all of them, and the part.
    """

    by: str
    until: int | None = None
    piece: str | None = None


@record
class JobStop:
    """A place at which the job stops and somebody acts.

    Attributes:
        number: from 1, in the order of the job.   cut: index of the cut before or in which it is.
        at: the move before which it is; 0 where it is before the cut.
        word: "M00", "" before a cut.   line: of the word in the path file, or None.   block: "N70", or "".
        wire_in: the wire is in there, as far as the programs and the control cut it.
    """

    number: int
    cut: int
    at: int = 0
    word: str = ""
    line: int | None = None
    block: str = ""
    wire_in: bool = False


@dataclass(frozen=True)
class Cut:
    """One path through a part, as the setup asks for it.

    Attributes:
        path: the file, as the setup names it.   parts: names of what it goes through, the zero's own first.
        rotate: degrees by which the program is turned about its zero.
        flushing_distance, upper_z: of this cut alone; None where it says neither.
        wanted: which side of it is the good part, None where nobody has said.
        taken_out: what is taken out before it or at its stops.
        holds: what holds what it frees, and its part while it runs.
        options: how its file is read.
    """

    name: str
    path: str
    parts: tuple[str, ...] = ()
    rotate: float = 0.0
    planes: Planes | None = None
    flushing_distance: float | None = None
    upper_z: float | None = None
    stop_before: bool = False
    wanted: Wanted | None = None
    taken_out: tuple[TakenOut, ...] = ()
    holds: tuple[HeldBy, ...] = ()
    options: PathOptions = field(default_factory=PathOptions)


@record
class StartHole:
    """A hole drilled before the cut, which the model may not show: middle (2,) in the model's X Y, mm."""

    at: tuple[float, float]
    diameter: float


@record
class FromLibrary:
    """A holder of the library, ours or the shop's, as built, with its kind; see ``fixtures_lib.holder``.

    ``params`` has every parameter with the value used, mm and degrees, ``chosen`` the names of those that the
    setup gives; ``fit`` is the part it is fitted to, ``fitted`` the names of those that the fit decided, none
    where it failed; ``holes``: its thread holes, ``screws``: where its own leave its foot, in its own frame.
    """

    kind: Kind
    params: Mapping[str, ParamValue]
    limits: tuple[Limit, ...] = ()
    chosen: tuple[str, ...] = ()
    fit: str | None = None
    holes: tuple[ThreadHole, ...] = ()
    fitted: tuple[str, ...] = ()
    screws: tuple[tuple[float, float, float], ...] = ()

    @property
    def decided(self) -> tuple[str, ...]:
        """Names of the parameters that its fit decides: where it failed, of all that it could."""
        return () if self.fit is None else self.fitted or self.kind.fits

    @property
    def holder(self) -> str:
        """Its name in the library."""
        return self.kind.name

    @property
    def does(self) -> Does:
        """What it does to a part, or to what stands on it."""
        return self.kind.does

    @property
    def fastened(self) -> Fastened:
        """How it is fastened itself."""
        return self.kind.fastened


@record
class FromModel:
    """A file's model, of it the named ``bodies`` where some were named.

    ``cracks_accepted``: the setup takes it as it is where its surface does not close.
    """

    file: str
    is_part: bool
    bodies: tuple[str, ...] = ()
    start_holes: tuple[StartHole, ...] = ()
    cracks_accepted: bool = False


@record
class FromShape:
    """A plain block, ``size`` (x, y, z), or cylinder, (diameter, height), mm."""

    shape: Literal["box", "cylinder"]
    size: tuple[float, ...]


@record
class Finished:
    """What a part is to become: its file, its triangles (N, 3, 3) in the item's own frame, whether they
    close, and by how much a wall may lie off it, mm."""

    file: str
    triangles_I: NDArray[np.float64]
    closed: bool
    tolerance: float


#: one number, word or list of numbers that a holder is built with
ParamValue = float | str | tuple[float, ...] | None
Source = FromLibrary | FromModel | FromShape


@record
class Placed:
    """Where the setup puts an item: mm, and degrees about X, Y, Z, from a seat of what it stands on.

    ``axis``: along which axis of the seat its own Z was laid before it was turned.
    """

    seat: str | None = None
    at: tuple[float, float, float] = (0.0, 0.0, 0.0)
    turn: tuple[float, float, float] = (0.0, 0.0, 0.0)
    axis: str = "z"


@record
class WrittenIn:
    """Where an item of a pallet is written.

    Attributes:
        pallet: the pallet's name, in full ("P3", "P3/left").   file: its file, seen from the setup's folder.
        units: of its lengths.   elsewhere: by key ("at", "params.length") file and unit of what another file
            says.   stands_on_it: its place counts from the pallet's own zero.
        changed: what is otherwise than its file says, in words: "reach = 22 (24 in pallet_3.toml)".
    """

    pallet: str
    file: str
    units: str
    elsewhere: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    stands_on_it: bool = False
    changed: tuple[str, ...] = ()

    def of(self, key: str) -> tuple[str, str]:
        """File and unit in which a key is written.

        Args:
            key: "at", or "params.length".
        """
        return self.elsewhere.get(key) or self.elsewhere.get(key.partition(".")[0]) or (self.file, self.units)


@record
class PalletThere:
    """A pallet as it stands: its name in full, its file, and where the setup (or a pallet under it) puts it:
    mm and degrees, from a seat of an item, or from the table; ``without``: the items left out, as its file
    names them; ``used_in``: the file of the pallet under it that says all this, None: the setup."""

    name: str
    file: str
    at: tuple[float, float, float] = (0.0, 0.0, 0.0)
    turn: tuple[float, float, float] = (0.0, 0.0, 0.0)
    on: str | None = None
    seat: str | None = None
    without: tuple[str, ...] = ()
    used_in: str | None = None
