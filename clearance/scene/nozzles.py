"""Sets of nozzles: the tables of [[nozzles]] in a machine file, and what a set makes of one head.

A set says what differs from the machine's own heads. What is left out of a head stays as it is there; its
boxes, and the rest of it, keep their place on the carriage.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any, ClassVar

from pydantic import AfterValidator, BeforeValidator, Field

from clearance.scene.fields import Length, Name, Size, Span, Table, number, problem
from clearance.scene.profile import ProfileIn, continued, longer_by, slimmer_behind

#: the name by which the machine's own heads are chosen
OWN = "own"


def _lean(value: float) -> float:
    if not 0.0 <= value < 90.0:
        raise problem("", "give degrees from the vertical, 0 to less than 90")
    return value


#: degrees from the vertical
Lean = Annotated[float, AfterValidator(_lean), BeforeValidator(number)]


class UpperNozzle(Table):
    """The upper nozzle and guide of a set."""

    profile: ProfileIn | None = None
    guide: Span | None = None
    bore: Size | None = None

    also: ClassVar[dict[str, str]] = {
        "face_z": "the upper head's height comes from the setup (heads.flushing_distance or upper_z)",
        "bodies": "the boxes of a head stay with its carriage, as the machine file has them",
    }


class LowerNozzle(Table):
    """The lower nozzle and guide of a set."""

    profile: ProfileIn | None = None
    guide: Span | None = None
    bore: Size | None = None
    face_z: Length | None = None

    also: ClassVar[dict[str, str]] = {"bodies": UpperNozzle.also["bodies"]}


class Nozzles(Table):
    """A set of nozzles and guides for the machine's heads."""

    where: ClassVar[str] = "in [[nozzles]]"
    name: Name
    lower: LowerNozzle = Field(default_factory=LowerNozzle)
    upper: UpperNozzle = Field(default_factory=UpperNozzle)
    wire: Size | None = None
    largest_lean: Lean | None = None
    z_shift: Length | None = None


def upper_shift(one: Nozzles, own: Any) -> float:
    """How far the upper face of a set stands below where the machine's own would, on the same carriage, mm.

    Args:
        one: the set.   own: the machine's upper head.
    """
    if one.z_shift is not None:
        return one.z_shift
    if one.upper.profile is None:
        return 0.0
    by = longer_by(one.upper.profile, own.profile)
    if by is None:
        raise problem(
            "it does not end as the machine's own upper head does: nobody knows how much longer it is",
            "say  z_shift = ...  in this set: how much lower its face stands on the same carriage",
            ("upper", "profile"),
        )
    return by


def lower_shift(one: Nozzles, own: Any) -> float:
    """How far the lower face of a set stands above the machine's own, mm.

    Args:
        one: the set.   own: the machine's lower head.
    """
    if one.lower.face_z is None and one.lower.profile is not None:
        raise problem(
            "another lower nozzle, and nobody has measured where its face is",
            "mount it, lay a straightedge on the table's rest faces, feelers below, and give that gap with a "
            "minus sign:  face_z = -0.1",
            ("lower", "face_z"),
        )
    return 0.0 if one.lower.face_z is None else float(one.lower.face_z - own.face_z)


def head_with(side: str, nozzle: LowerNozzle | UpperNozzle, own: Any, shift: float) -> dict[str, Any]:
    """What becomes of a head: the values of the keys that a set changes.

    Args:
        side: "lower" or "upper".   nozzle: of the set.   own: the machine's own head.
        shift: how far its face stands before the own one, mm.
    """
    found: dict[str, Any] = {}
    if nozzle.guide is not None:
        found["guide"] = nozzle.guide
    elif nozzle.profile is not None:
        raise problem(
            "another nozzle, and nothing says where its guide holds the wire",
            "give how far behind its face the wire's pivot lies:  guide = 4.5",
            (side, "guide"),
        )
    if nozzle.bore is not None or nozzle.profile is not None:
        found["bore"] = nozzle.bore
    if shift == 0.0 and nozzle.profile is None:
        return found
    nose: Sequence[tuple[float, float]] = own.profile if nozzle.profile is None else nozzle.profile
    if nose[-1][0] < shift:
        raise problem(
            f"it ends {nose[-1][0]:g} mm behind its face, and the machine's own head begins {shift:g} mm "
            "behind it",
            "the profile as far as the nut or block that stays, or to the head's end",
            (side, "profile"),
        )
    if nozzle.profile is not None and slimmer_behind(nose, own.profile, shift):
        raise problem(
            f"it is {nose[-1][0]:g} mm long and its face stands {shift:g} mm before the machine's own: it "
            "would stand where the head is wider already, and what stays there would be lost",
            "z_shift as measured; or the profile only as far as the nut or block that stays",
            (side, "profile"),
        )
    found["profile"] = continued(nose, own.profile, shift)
    found["bodies"] = [_behind(box, shift, side) for box in own.bodies]
    return found


def _behind(box: Any, shift: float, side: str) -> Any:
    """A box of the carriage, seen from the face of the set."""
    low, high = box.behind
    if low + shift < 0.0:
        raise problem(
            f"its face stands {-shift:g} mm farther back: a box of the head would stand before it",
            "see z_shift and face_z",
            (side,),
        )
    return box.model_copy(update={"behind": (low + shift, high + shift)})
