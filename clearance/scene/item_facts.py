"""What a setup says of an item goes in; what the item is made of, where it is put and written, comes out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from fixtures_lib.holder import Does, Fastened, Hole, Kind, Limit


@dataclass(frozen=True)
class StartHole:
    """A hole drilled before the cut, which the model may not show: middle (2,) in the model's X Y, mm."""

    at: tuple[float, float]
    diameter: float


@dataclass(frozen=True)
class FromLibrary:
    """A holder of the library, ours or the shop's, as built, with its kind; see ``fixtures_lib.holder``.

    ``params`` has every parameter with the value used, mm and degrees, ``chosen`` the names of those that the
    setup gives; ``fit`` is the part it is fitted to; ``holes``: its thread holes, in its own frame.
    """

    kind: Kind
    params: Mapping[str, ParamValue]
    limits: tuple[Limit, ...] = ()
    chosen: tuple[str, ...] = ()
    fit: str | None = None
    holes: tuple[Hole, ...] = ()

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


@dataclass(frozen=True)
class FromModel:
    """A file's model, of it the named ``bodies`` where some were named.

    ``cracks_accepted``: the setup takes it as it is where its surface does not close.
    """

    file: str
    is_part: bool
    bodies: tuple[str, ...] = ()
    start_holes: tuple[StartHole, ...] = ()
    cracks_accepted: bool = False


@dataclass(frozen=True)
class FromShape:
    """A plain block, ``size`` (x, y, z), or cylinder, (diameter, height), mm."""

    shape: Literal["box", "cylinder"]
    size: tuple[float, ...]


@dataclass(frozen=True)
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


@dataclass(frozen=True)
class Placed:
    """Where the setup puts an item: mm, and degrees about X, Y, Z, from a seat of what it stands on.

    ``axis``: along which axis of the seat its own Z was laid before it was turned.
    """

    seat: str | None = None
    at: tuple[float, float, float] = (0.0, 0.0, 0.0)
    turn: tuple[float, float, float] = (0.0, 0.0, 0.0)
    axis: str = "z"


@dataclass(frozen=True)
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


@dataclass(frozen=True)
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
