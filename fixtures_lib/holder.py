"""What every holder file gives: a ``Kind`` that turns parameters into a ``Holder``."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from enum import Enum, Flag, auto
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.mesh.model import Remark
from fixtures_lib.dimensions import Drawn


@dataclass(frozen=True)
class Parameter:
    """One dimension that a user can measure on what he owns and type in.

    ``default``, ``low`` and ``high`` are mm (or degrees where ``unit`` says so); for a choice, ``choices``
    holds the words allowed; ``many`` makes it a list of numbers, each within the range. A default of
    None (for a list: ()) is worked out from the other values, as ``meaning`` says.
    """

    name: str
    default: Any
    meaning: str
    low: float | None = None
    high: float | None = None
    unit: str = "mm"
    choices: tuple[str, ...] = ()
    many: bool = False


class Conflict(Exception):
    """Values that do not go together; becomes an ``InputError`` that names file and place.

    Args:
        parameter: the one to change.   found: what stands there.   want: what would be right.
    """

    def __init__(self, parameter: str, found: str, want: str) -> None:
        self.parameter, self.found, self.want = parameter, found, want
        super().__init__(f"{parameter}: {found}; {want}")


@dataclass(frozen=True)
class Seat:
    """A named frame on a holder: pose (4, 4) in H, and one line on what stands there."""

    T_HS: NDArray[np.float64]
    meaning: str


@dataclass(frozen=True)
class Limit:
    """A bound on what a holder may hold.

    ``quantity``: "mass" (kg, all that stands on it), or of the part in its seat's frame, mm: "x", "y", "z"
    (extents), "diameter" (the larger extent across the seat's X axis, along which a bar lies); "force" (N,
    told and not judged).
    ``source``: where the figure is from ("common practice, no source", "the parameters").
    """

    quantity: str
    low: float | None
    high: float | None
    source: str


@dataclass(frozen=True)
class Hole:
    """A thread hole for a screw that is put in from above: its mouth's middle in H and its drill, mm."""

    at: tuple[float, float, float]
    diameter: float


@dataclass(frozen=True)
class Holder:
    """A built holder in its own frame H (mm).

    Attributes:
        shells: closed triangle meshes (N, 3, 3) each, watertight one by one; they may touch or overlap.
        seats: by name, the usual one first.   limits: what it may hold.
        params: every parameter with the value used.
        sunk: indices of shells that go into what the holder is fixed to (a screw in its thread hole),
            so that overlapping that one item is as it should be.
        closed, facet_error, remarks: of the models that it is made of, see ``clearance.mesh.model.Solid``.
        holes: its thread holes for straps and the like; () where it has none, or nobody knows.
    """

    shells: tuple[NDArray[np.float64], ...]
    seats: Mapping[str, Seat]
    limits: tuple[Limit, ...] = ()
    params: Mapping[str, Any] = field(default_factory=dict)
    sunk: tuple[int, ...] = ()
    closed: bool = True
    facet_error: float = 0.0
    remarks: tuple[Remark, ...] = ()
    holes: tuple[Hole, ...] = ()

    @property
    def triangles(self) -> NDArray[np.float64]:
        """All shells together, (N, 3, 3)."""
        return np.concatenate(self.shells)


class Does(Flag):
    """What a holder does to a part, or to what stands on it; a V-block with a bow bears and presses.

    What it is said to do counts where it touches the part: from below every holder bears. One that only bears
    or carries keeps nothing from tipping or dropping.
    """

    #: a part lies on it, or against it, by its own weight
    BEARS = auto()
    #: holds a part between jaws, in a ring, by a toe: from beside and from above
    GRIPS = auto()
    #: lies on a part from above
    PRESSES = auto()
    #: other holders stand on it
    CARRIES = auto()
    #: holds by its magnetism, from beside and from above, and only what a magnet attracts
    ATTRACTS = auto()


class Fastened(Enum):
    """How a holder is fastened itself to what it stands on."""

    #: screwed, clamped or mounted by a face with screws
    BOLTED = "bolted"
    #: by its shank in a chuck
    IN_A_SHANK = "in a shank"
    #: by its weight alone, unless the shop does more: it may tip with what stands on it
    STANDS = "stands"


@dataclass(frozen=True)
class Adjustment:
    """An angle of a holder that the setter sets: which parameter, about which axis, by what.

    Attributes:
        parameter: its name; degrees.   about: "x", "y" or "z" of the holder's frame.
        by: what he turns, "lower screw".
        lever: from the axis to the screw, mm; None: it is turned by hand to a scale.
        pitch: of the screw, mm a turn; None where nobody knows.
        division: the smallest step: mm at the screw, degrees of the scale.
        turned_in: +1 where turning the screw in makes the parameter larger, -1 where smaller.
        lever_is, pitch_is: the holder's parameters that say lever and pitch; "": they are as said here.
    """

    parameter: str
    about: str
    by: str
    lever: float | None = None
    pitch: float | None = None
    division: float = 0.0
    turned_in: int = 1
    lever_is: str = ""
    pitch_is: str = ""

    def at(self, values: Mapping[str, Any]) -> Adjustment:
        """The same with lever and pitch as a holder's values say.

        Args:
            values: every parameter of the holder, mm.
        """
        lever = float(values[self.lever_is]) if self.lever_is else self.lever
        pitch = float(values[self.pitch_is]) if self.pitch_is else self.pitch
        return replace(self, lever=lever, pitch=pitch)


@dataclass(frozen=True)
class Kind:
    """A kind of holder: its parameters, and the function that builds one from a full set of values.

    ``does`` and ``fastened`` say what it does and how it is held itself; what is left out is taken to do the
    least, to bear and to stand loose. ``build`` raises ``Conflict`` where values, each within its range, do
    not go together. ``fit`` takes the values and the part's triangles (N, 3, 3) in the frame of the seat it
    is to be held in (or in H, where it says ``fits_in_own_frame``), and returns the values that make the
    holder fit that part. ``slides`` takes the values and mm towards its tip, and returns what is otherwise
    once it is pushed along its slot, its screw where it is. ``adjusted`` says which angles are set where it
    stands, and by what. ``file`` is where the shop describes it, as the user named it; "" for a holder of
    the library. ``origin`` says where X Y Z = 0 is; ``drawn`` takes the values used and says what stands on
    its drawing: where each length and angle is measured, and what would lie on it.
    """

    name: str
    summary: str
    parameters: tuple[Parameter, ...]
    build: Callable[[Mapping[str, Any]], Holder]
    does: Does = Does.BEARS
    fastened: Fastened = Fastened.STANDS
    laid: bool = False
    cautions: tuple[str, ...] = ()
    fit: Callable[[Mapping[str, Any], NDArray[np.float64]], dict[str, Any]] | None = None
    adjusted: tuple[Adjustment, ...] = ()
    slides: Callable[[Mapping[str, Any], float], dict[str, Any]] | None = None
    fits_in_own_frame: bool = False
    file: str = ""
    origin: str = ""
    drawn: Callable[[Mapping[str, Any]], Drawn] | None = None
