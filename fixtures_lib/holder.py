"""What every holder file gives: a ``Kind`` that turns parameters into a ``Holder``.

A kind's ``drawn`` gives what its drawing says beside its lines: which parameter is measured where, and what
lies on it. Points are (x, y, z), mm, in the holder's frame H; a view uses two of the three: "front" looks
along Y, with X to the right and Z up, "right" looks from positive X, with Y to the right and Z up, "above"
has X to the right and Y up.

A kind's ``fit`` gets a ``Fitted``: the part's triangles in its seat's frame, mm, which tell the measures that
a clamp needs of it, on the triangles as they are, cut off exactly where a jaw ends.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import field, replace
from enum import Enum, Flag, auto
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.mesh.model import Remark
from clearance.records import record

Point = Sequence[float]

#: which of X, Y, Z goes to the right and which up in a view
VIEWS = {"front": (0, 2), "right": (1, 2), "above": (0, 1)}


@record
class Length:
    """A dimension line for a parameter, between two points, along one axis.

    Attributes:
        parameter: its name.   view: of ``VIEWS``.   along: "x", "y" or "z", one of the two that the view has.
        a, b: the points that are measured; how far they are apart along the axis is the parameter's value.
        across: it is a diameter.
        side: where its line stands, "left", "right", "above" or "below" the view; left out, where it is near.
    """

    parameter: str
    view: str
    along: str
    a: Point
    b: Point
    across: bool = False
    side: str = ""

    @property
    def measured(self) -> float:
        """How far its points are apart, mm."""
        k = "xyz".index(self.along)
        return abs(float(self.b[k]) - float(self.a[k]))


@record
class Angle:
    """An arc for a parameter in degrees, about a point, from one direction to another.

    ``a`` and ``b`` are points on the two legs, as the view shows them.
    """

    parameter: str
    view: str
    about: Point
    a: Point
    b: Point

    @property
    def measured(self) -> float:
        """The angle between its legs, degrees, 0 to 180."""
        right, up = VIEWS[self.view]
        u, v = (
            np.array([float(p[right] - self.about[right]), float(p[up] - self.about[up])])
            for p in (self.a, self.b)
        )
        return float(np.degrees(np.arctan2(abs(u[0] * v[1] - u[1] * v[0]), u @ v)))


@record
class Mark:
    """Words with a line to a point of one view; ``to``: where they stand from there, pixels right and up."""

    text: str
    view: str
    at: Point
    to: tuple[float, float] = (26.0, 22.0)


@record
class Drawn:
    """What goes onto a holder's drawing beside its own lines.

    Attributes:
        dimensions: for the parameters; those of no length are left out by themselves.
        part: shells (N, 3, 3) of what would lie on it, drawn in grey.
        marks: words at places.   lines: (view, a, b), fine lines that are no body, a scale's divisions say.
        notes: sentences beside the views.
    """

    dimensions: tuple[Length | Angle, ...] = ()
    part: tuple[NDArray[np.float64], ...] = ()
    marks: tuple[Mark, ...] = ()
    lines: tuple[tuple[str, Point, Point], ...] = ()
    notes: tuple[str, ...] = ()


@record
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


@record
class Seat:
    """A named frame on a holder: pose (4, 4) in H, and one line on what stands there."""

    T_HS: NDArray[np.float64]
    meaning: str


@record
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


@record
class ThreadHole:
    """A thread hole for a screw that is put in from above: its mouth's middle in H and its drill, mm."""

    at: tuple[float, float, float]
    diameter: float


@record
class Holder:
    """A built holder in its own frame H (mm).

    Attributes:
        shells: closed triangle meshes (N, 3, 3) each, watertight one by one; they may touch or overlap.
        seats: by name, the usual one first.   limits: what it may hold.
        params: every parameter with the value used.
        sunk: indices of shells that go into what the holder is fixed to (a screw in its thread hole),
            so that overlapping that one item is as it should be.
        moved: indices of shells that slide or turn as a parameter changes, where that is known.
        closed, facet_error, remarks: of the models that it is made of, see ``clearance.mesh.model.Solid``.
        holes: its thread holes for straps and the like; () where it has none, or none is known.
        screws: where in H, mm, its own screws leave its foot, of those of which no shell is sunk; () where
            it has none, or none is known.
    """

    shells: tuple[NDArray[np.float64], ...]
    seats: Mapping[str, Seat]
    limits: tuple[Limit, ...] = ()
    params: Mapping[str, Any] = field(default_factory=dict)
    sunk: tuple[int, ...] = ()
    moved: tuple[int, ...] = ()
    closed: bool = True
    facet_error: float = 0.0
    remarks: tuple[Remark, ...] = ()
    holes: tuple[ThreadHole, ...] = ()
    screws: tuple[tuple[float, float, float], ...] = ()

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


@record
class Adjustment:
    """An angle of a holder that the setter sets: which parameter, about which axis, by what.

    Attributes:
        parameter: its name; degrees.   about: "x", "y" or "z" of the holder's frame.
        by: what he turns, "lower screw".
        lever: from the axis to the screw, mm; None: it is turned by hand to a scale.
        pitch: of the screw, mm a turn; None where it is not known.
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


@record
class Kind:
    """A kind of holder: its parameters, and the function that builds one from a full set of values.

    ``does`` and ``fastened`` say what it does and how it is held itself; what is left out is taken to do the
    least, to bear and to stand loose. ``build`` raises ``Conflict`` where values, each within its range, do
    not go together. ``fit`` takes the values and the part's triangles (N, 3, 3) in the frame of the seat it
    is to be held in (or in H, where it says ``fits_in_own_frame``), and returns the values that make the
    holder fit that part; ``fits`` are the names of all that it may return. ``slides`` takes the values and
    mm towards its tip, and returns what is otherwise once it is pushed along its slot, its screw where it is.
    ``adjusted`` says which angles are set where it stands, and by what. ``file`` is where the shop describes
    it, as the user named it; "" for a holder of the library. ``origin`` says where X Y Z = 0 is; ``drawn``
    takes the values used and says what stands on its drawing: where each length and angle is measured, and
    what would lie on it. Of one that is read again the functions are others, and the kind is the same.
    """

    name: str
    summary: str
    parameters: tuple[Parameter, ...]
    build: Callable[[Mapping[str, Any]], Holder] = field(compare=False)
    does: Does = Does.BEARS
    fastened: Fastened = Fastened.STANDS
    laid: bool = False
    cautions: tuple[str, ...] = ()
    fit: Callable[[Mapping[str, Any], NDArray[np.float64]], dict[str, Any]] | None = field(
        default=None, compare=False
    )
    adjusted: tuple[Adjustment, ...] = ()
    slides: Callable[[Mapping[str, Any], float], dict[str, Any]] | None = field(default=None, compare=False)
    fits_in_own_frame: bool = False
    fits: tuple[str, ...] = ()
    file: str = ""
    origin: str = ""
    drawn: Callable[[Mapping[str, Any]], Drawn] | None = field(default=None, compare=False)


Array = NDArray[np.float64]

SEATED = 0.05  # a part stands against a jaw, or centred in a ring, where it is off by less


@record
class Fitted:
    """What fitting a holder to a part gave.

    Attributes:
        params: every parameter given or fitted, to be handed to ``build`` (mm).
        said: one sentence for each value that was set.
        problems: one sentence for each that could not be: the number and its limit. Values outside a range
            are set to the range's end, so that the scene can still be made and looked at.
        built: what ``build`` makes of these values; None where nobody made it yet.
        decided: names of the parameters that the fit decided, whatever is given for them.
    """

    params: dict[str, Any]
    said: tuple[str, ...] = ()
    problems: tuple[str, ...] = ()
    built: Holder | None = None
    decided: tuple[str, ...] = ()


def length(value: float) -> float:
    """A length measured on triangles, mm, without the last digits of their arithmetic."""
    return round(float(value), 6)


def between(triangles: Array, axis: int, low: float, high: float) -> Array:
    """What of the triangles (N, 3, 3) lies between two planes across ``axis``, as triangles."""
    return _above(_above(triangles, axis, low, 1.0), axis, -high, -1.0)


def _above(triangles: Array, axis: int, level: float, sign: float) -> Array:
    """What of the triangles has sign * coordinate >= level: each gives none, one or two."""
    height = sign * triangles[:, :, axis] - level
    up = height >= 0
    count = up[:, 0].astype(int) + up[:, 1] + up[:, 2]
    whole = count == 3
    if whole.all():
        return triangles
    pieces = [triangles[whole]]
    for kept in (1, 2):
        some = np.flatnonzero(count == kept)
        if not len(some):
            continue
        t, h = triangles[some], height[some]
        alone = (h >= 0) if kept == 1 else (h < 0)
        first = alone.argmax(axis=1)  # the corner that is alone on its side goes to the front
        order = (first[:, None] + np.arange(3)) % 3
        rows = np.arange(len(some))[:, None]
        t, h = t[rows, order], h[rows, order]
        a, b, c = t[:, 0], t[:, 1], t[:, 2]
        ab = a + (b - a) * (h[:, 0] / (h[:, 0] - h[:, 1]))[:, None]
        ac = a + (c - a) * (h[:, 0] / (h[:, 0] - h[:, 2]))[:, None]
        if kept == 1:
            pieces.append(np.stack([a, ab, ac], axis=1))
        else:
            pieces += [np.stack([ab, b, c], axis=1), np.stack([ab, c, ac], axis=1)]
    return np.concatenate(pieces)


def box_of(triangles: Array, what: str, where: str) -> tuple[Array, Array]:
    """Lowest and highest corner (3,) each.

    Raises:
        Conflict: nothing of the part is there; ``what`` does the holding, ``where`` is the place.
    """
    if len(triangles) == 0:
        raise Conflict(
            "fit", f"{what} does not reach the part: nothing of it is {where}", "move the part or it"
        )
    points = triangles.reshape(-1, 3)
    return points.min(axis=0), points.max(axis=0)
