"""Heads' outlines, sets of nozzles, and the machine with a set of them.

A profile is (distance behind the face, radius), mm, from the face backwards: a list from a file goes in, one
that is a solid comes out. Another nozzle on the same head changes its front alone: ``continued`` puts the
rest of the head behind it.

A set of nozzles ([[nozzles]] of a machine file) says what differs from the machine's own heads. What is left
out of a head stays as it is there; its boxes, and the rest of it, keep their place on the carriage.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated, Any, ClassVar

from pydantic import AfterValidator, BeforeValidator, Field

from clearance.errors import InputError
from clearance.scene.fields import Length, Name, Size, Span, Table, is_list, number, problem, suggestion
from clearance.scene.model import Finding

if TYPE_CHECKING:
    from clearance.scene.machine import Machine
    from clearance.scene.schema import Setup
    from clearance.scene.toml_file import TomlFile

Profile = list[tuple[float, float]]

#: lengths in a file that differ by less are the same, mm: digits of an inch
SAME = 1e-6
#: what is measured with callipers and feelers agrees within this, mm (common practice, no source)
MEASURED = 0.1


def sound_profile(profile: Profile) -> Profile:
    """A profile that is a solid: see the module's machine file for the form.

    A disc without thickness would belong to no convex piece and so be lost to every check; it is refused.
    """
    distances = [d for d, _ in profile]
    radii = [r for _, r in profile]
    if len(profile) < 2:
        raise problem("found fewer than two points", "give at least [[0, radius], [length, radius]]")
    if distances[0] != 0:
        raise problem("does not begin at distance 0", "begin at the face, at distance 0")
    for k in range(1, len(profile)):
        if distances[k] < distances[k - 1]:
            raise problem(
                f"point {k + 1} lies nearer to the face than point {k}",
                "go from the face backwards; distances may repeat but not fall",
            )
    if max(radii) <= 0:
        raise problem("every radius is 0", "give the radius of the head")
    for k in range(2, len(profile)):
        if distances[k] == distances[k - 2]:
            raise problem(
                f"points {k - 1} to {k + 1} lie at one distance",
                "two are a step; a disc needs length",
            )
    if distances[0] == distances[1] or distances[-1] == distances[-2]:
        raise problem("a step at the very end", "the last radius needs some length; leave the point out")
    return profile


#: a profile as a file has it
ProfileIn = Annotated[
    list[Annotated[tuple[Span, Span], is_list("[distance behind the face, radius]", (2,))]],
    AfterValidator(sound_profile),
    is_list("a list of [distance behind the face, radius]"),
]


def longer_by(nose: Sequence[tuple[float, float]], own: Sequence[tuple[float, float]]) -> float | None:
    """By how much a whole head with another nozzle is longer than the machine's own, mm.

    It is known where both end alike, in a last bit of the same length and radii; else None.

    Args:
        nose, own: profiles.
    """
    (a, b), (c, d) = own[-2:], nose[-2:]
    pairs = ((b[0] - a[0], d[0] - c[0]), (a[1], c[1]), (b[1], d[1]))
    return d[0] - b[0] if all(abs(x - y) <= SAME for x, y in pairs) else None


def slimmer_behind(
    nose: Sequence[tuple[float, float]], own: Sequence[tuple[float, float]], shift: float
) -> bool:
    """Whether a nozzle would stand where the machine's own head is wider already: what stays there when the
    nozzle is changed would be lost.

    What stays begins at the first step outward of the own head. A profile that goes to the head's end is a
    whole head, and says itself what stays.

    Args:
        nose, own, shift: see ``continued``.
    """
    steps = [k for k in range(1, len(own)) if own[k][0] - own[k - 1][0] <= SAME and own[k][1] > own[k - 1][1]]
    end = nose[-1][0] - shift
    if not steps or not own[steps[0]][0] + MEASURED < end < own[-1][0] - SAME:
        return False
    begin = own[steps[0]][0]
    behind = [r for d, r in own[steps[0] :] if d < end]
    least = min(r for d, r in nose[-2:] if d - shift > begin + SAME)
    return least + SAME < min(behind)


def continued(
    nose: Sequence[tuple[float, float]], own: Sequence[tuple[float, float]], shift: float
) -> Profile:
    """The nozzle, and behind it whatever of the machine's own head goes farther back.

    Args:
        nose: the profile from the new face on, as far as it is known.
        own: the machine's own, from its own face on.
        shift: how far the new face stands before where the own one was, mm; negative behind it.
    """
    end, last = nose[-1]
    behind = [(d + shift, r) for d, r in own if d + shift > end + SAME]
    if not behind:
        return list(nose)
    k = len(own) - len(behind)
    (d0, r0), (d1, r1) = own[k - 1], own[k]
    share = min(max((end - shift - d0) / (d1 - d0), 0.0), 1.0)
    radius = r0 + share * (r1 - r0)
    return [*nose, *([] if radius == last else [(end, radius)]), *behind]


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


def no_such_set(name: str, machine: str, names: Sequence[str]) -> tuple[str, str]:
    """What is said of nozzles that a machine has not: what was found, and what would be right.

    Args:
        name: of the nozzles.   machine: its name.   names: of the nozzles that it has, beside its own heads.
    """
    found = f'the machine "{machine}" has no nozzles "{name}"'
    none = "its file names none; sets stand in [[nozzles]] there"
    return found, suggestion(name, [*names, OWN]) if names else none


def mounting(
    own: Machine, setup: Setup, file: TomlFile, asked: str | None = None
) -> tuple[Machine, dict[str, Any], list[Finding]]:
    """The machine with the nozzles that are chosen; what its model says of them; what is to be told.

    Args:
        own: as its file has it.   setup, file: as read.
        asked: nozzles that are chosen beside the setup, instead of its own choice.

    Raises:
        InputError: there is no such set.
    """
    name = asked if asked is not None else setup.heads.nozzles
    if name is None or name == OWN:
        return own, {}, []
    one = next((each for each in own.nozzles if each.name == name), None)
    if one is None:
        found, want = no_such_set(name, own.name, [each.name for each in own.nozzles])
        if asked is not None:
            raise InputError(None, "--nozzles", found, want)
        raise file.error(("heads", "nozzles"), found, want)
    shift = upper_shift(one, own.upper_head)
    said = [f'heads with nozzles "{name}"']
    if shift:
        said.append(f"travel in Z ends {abs(shift):g} mm {'sooner' if shift > 0 else 'later'}")
    if one.wire is not None and one.wire != own.wire:
        said.append(
            f"they are for wire {one.wire:g}, which the job runs with (the machine file says {own.wire:g})"
        )
    note = Finding("nozzles", "note", "; ".join(said))
    return own.with_nozzles(one), {"nozzles": name, "z_shift": shift}, [note]
