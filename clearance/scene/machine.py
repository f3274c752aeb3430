"""A machine file goes in, the machine in mm comes out: travel, wire, heads, what stands with the table."""

from __future__ import annotations

import re
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from clearance.scene.fields import (
    FileName,
    Flag,
    Interval,
    Length,
    Name,
    Positive,
    Size,
    Span,
    Table,
    Words,
    Zeros,
    is_list,
    low_high,
    not_negative,
    number,
    problem,
)
from clearance.scene.nozzles import OWN, Lean, Nozzles, ProfileIn, head_with, lower_shift, upper_shift
from clearance.scene.settings import Flushing, HeadBox, HeadModel, Jet, MachineModel, Travel
from clearance.toolpath.moves import ControlWords

Units = Literal["mm", "inch"]
#: bar, 0 where there is none
Pressure = Annotated[float, AfterValidator(not_negative), BeforeValidator(number)]


class TravelIn(Table):
    """Of the lower guide's centre in X Y, the upper face in Z, the upper guide over the lower in U V."""

    where: ClassVar[str] = "in travel"
    x: Interval
    y: Interval
    z: Interval
    u: Interval | None = None
    v: Interval | None = None


class MovingBox(Table):
    """A box that goes along with a head; x, y relative to the wire, ``behind`` the face."""

    x: Interval
    y: Interval
    behind: Annotated[
        tuple[Span, Span], AfterValidator(low_high), is_list("two lengths, [from, to] behind the face", (2,))
    ]


class UpperMovingBox(MovingBox):
    """``follows``: "xyuv" goes where the upper guide goes, "xy" stays over the lower one."""

    follows: Literal["xyuv", "xy"] = "xyuv"


class Head(Table):
    """What both heads have: pivot of the wire behind the face, the body of revolution, the nozzle's bore."""

    guide: Span
    profile: ProfileIn
    bore: Size | None = None


class LowerHead(Head):
    """The lower head stands at a fixed height."""

    face_z: Length
    bodies: Annotated[list[MovingBox], is_list("a list of boxes")] = Field(default_factory=list)


class UpperHead(Head):
    """The upper head's height comes from the setup."""

    also: ClassVar[dict[str, str]] = {
        "face_z": "the upper head's height comes from the setup (heads.flushing_distance or upper_z)"
    }
    bodies: Annotated[list[UpperMovingBox], is_list("a list of boxes")] = Field(default_factory=list)


class Block(Table):
    """A box in machine coordinates."""

    x: Interval
    y: Interval
    z: Interval


class TableBody(Table):
    """Something that stands still with the table."""

    name: Name
    box: Block


#: program stop, optional stop, end of program (ISO 6983)
_ENDS_OR_STOPS = re.compile(r"M0*([012]|30)")


class Codes(Table):
    """The control's own words and ways; none is assumed.

    ``uv_on_arcs``: between the ends of an arc U V change evenly ("even") or turn with it ("cone"); where it
    is left out both are checked. ``semicolon``: what ";" means in its programs.
    """

    where: ClassVar[str] = "in codes"
    thread: Annotated[list[Words], is_list('a list of words, ["M..."]')] = Field(default_factory=list)
    cut: Annotated[list[Words], is_list('a list of words, ["M..."]')] = Field(default_factory=list)
    ignore: Annotated[list[Words], is_list('a list of words, ["M..."]')] = Field(default_factory=list)
    uv_on_arcs: Literal["even", "cone"] | None = None
    semicolon: Literal["comment", "end of block"] | None = None
    end_cuts: Flag = False

    @model_validator(mode="after")
    def _each_word_once(self) -> Codes:
        seen: dict[str, str] = {}
        for key in ("thread", "cut", "ignore"):
            for word in getattr(self, key):
                plain = word.strip().upper()
                if not plain:
                    raise problem("found an empty word", 'give words such as "M12"', key=key)
                if key == "ignore" and _ENDS_OR_STOPS.fullmatch(plain):
                    raise problem(
                        f'"{word}" stops or ends a program', "leave it out: it is read as such", key=key
                    )
                if seen.get(plain, key) != key:
                    raise problem(f'"{word}" stands in {seen[plain]} too', "a word has one meaning", key=key)
                seen[plain] = key
        return self


class JetIn(Table):
    """A nozzle's jet: its bore, the pressures at it (bar), the wetted area (mm2) where that is larger."""

    bore: Size
    rough: Pressure
    trim: Pressure | None = None
    area: Positive | None = None

    def as_model(self) -> Jet:
        """The jet as everything outside this room takes it."""
        return Jet(self.bore, self.rough, self.trim, self.area)


class FlushingIn(Table):
    """The jets of both nozzles; one that is left out is off."""

    lower: JetIn | None = None
    upper: JetIn | None = None

    def as_model(self) -> Flushing:
        """The jets as everything outside this room takes them."""
        return Flushing(*(None if jet is None else jet.as_model() for jet in (self.lower, self.upper)))


#: what is heavier than this no jet washes away, kg (common practice, no source)
WASHED_AWAY = 0.1


def _light(value: float) -> float:
    if value > WASHED_AWAY:
        raise problem(
            "",
            f"give {WASHED_AWAY:g} kg at most: what is heavier is not washed away, it is held "
            "(held_by) or taken out at a stop (taken_out)",
        )
    return value


class GoneBelowIn(Table):
    """A piece that is lighter (kg) and shorter than this is washed away as soon as it comes free."""

    mass: Annotated[Positive, AfterValidator(_light)]
    size: Size


class Machine(Table):
    """The machine file. All lengths are mm once it is read."""

    where: ClassVar[str] = "at the top, before the first [table]"
    name: Name
    units: Units = "mm"
    travel: TravelIn
    wire: Size
    largest_lean: Lean | None = None
    max_part_mass: Positive | None = None
    flushing: FlushingIn | None = None
    holders: FileName | None = None
    gone_below: GoneBelowIn | None = None
    codes: Codes = Field(default_factory=Codes)
    zeros: Zeros = Field(default_factory=dict)
    lower_head: LowerHead
    upper_head: UpperHead
    bodies: Annotated[list[TableBody], is_list("a list of [[bodies]]")] = Field(default_factory=list)
    nozzles: Annotated[list[Nozzles], is_list("a list of [[nozzles]]")] = Field(default_factory=list)

    @model_validator(mode="after")
    def _names_once(self) -> Machine:
        seen: set[str] = set()
        for i, body in enumerate(self.bodies):
            if body.name in seen:
                raise problem(
                    f'two bodies are named "{body.name}"', "give each its own name", ("bodies", i, "name")
                )
            seen.add(body.name)
        return self

    @model_validator(mode="after")
    def _sets_hang_together(self) -> Machine:
        for side, head in (("lower", self.lower_head), ("upper", self.upper_head)):
            jet = None if self.flushing is None else getattr(self.flushing, side)
            if head.bore is not None and jet is not None and jet.bore != head.bore:
                found = f"the bore is {head.bore:g} here and {jet.bore:g} in [flushing]"
                raise problem(found, "give it once", (f"{side}_head", "bore"))
            _wider(head.bore, self.wire, (f"{side}_head", "bore"))
        for i, one in enumerate(self.nozzles):
            if one.name == OWN or one.name in [other.name for other in self.nozzles[:i]]:
                found = f'two sets of nozzles are named "{one.name}"'
                if one.name == OWN:
                    found = f'"{OWN}" is what the machine\'s own heads are called'
                raise problem(found, "give each its own name", ("nozzles", i, "name"))
            try:
                self.with_nozzles(one)
            except PydanticCustomError as error:
                words = error.context or {}
                raise problem(words["found"], words["want"], ("nozzles", i, *words["keys"])) from None
        return self

    @property
    def sets(self) -> tuple[str, ...]:
        """The names of what can be mounted, the machine's own heads first; () where there is nothing else."""
        return (OWN, *(one.name for one in self.nozzles)) if self.nozzles else ()

    def with_nozzles(self, one: Nozzles) -> Machine:
        """The machine with a set of nozzles mounted, as it would be described then.

        Args:
            one: of ``nozzles``.
        """
        up, down = upper_shift(one, self.upper_head), lower_shift(one, self.lower_head)
        lower = self.lower_head.model_copy(update=head_with("lower", one.lower, self.lower_head, down))
        lower = lower.model_copy(update={"face_z": self.lower_head.face_z + down})
        upper = self.upper_head.model_copy(update=head_with("upper", one.upper, self.upper_head, up))
        low, high = self.travel.z
        wire = self.wire if one.wire is None else one.wire
        jets = {}
        for side, nozzle in (("lower", one.lower), ("upper", one.upper)):
            jet = None if self.flushing is None else getattr(self.flushing, side)
            if jet is not None and nozzle.profile is not None and nozzle.bore is None:
                found = "another nozzle, and the machine file has a jet there"
                raise problem(found, "give its bore, from which the jet comes:  bore = 6", (side, "bore"))
            _wider(nozzle.bore, wire, (side, "bore"))
            jets[side] = (
                jet if jet is None or nozzle.bore is None else jet.model_copy(update={"bore": nozzle.bore})
            )
        return self.model_copy(
            update={
                "travel": self.travel.model_copy(update={"z": (low - up, high - up)}),
                "wire": wire,
                "largest_lean": one.largest_lean,
                "lower_head": lower,
                "upper_head": upper,
                "flushing": None if self.flushing is None else self.flushing.model_copy(update=jets),
            }
        )

    def as_model(self, shipped: str | None = None, file: str | None = None) -> MachineModel:
        """The machine as everything outside this room takes it.

        Args:
            shipped, file: where it is from, the one or the other.
        """
        lower, upper, travel, codes = self.lower_head, self.upper_head, self.travel, self.codes
        jets = Flushing() if self.flushing is None else self.flushing.as_model()
        return MachineModel(
            name=self.name,
            travel=Travel(travel.x, travel.y, travel.z, travel.u, travel.v),
            wire=self.wire,
            lower_z=lower.face_z,
            lower_head=HeadModel(
                lower.guide,
                tuple(lower.profile),
                tuple(HeadBox(b.x, b.y, b.behind, "xy") for b in lower.bodies),
                lower.bore if jets.lower is None else jets.lower.bore,
            ),
            upper_head=HeadModel(
                upper.guide,
                tuple(upper.profile),
                tuple(HeadBox(b.x, b.y, b.behind, b.follows) for b in upper.bodies),
                upper.bore if jets.upper is None else jets.upper.bore,
            ),
            max_part_mass=self.max_part_mass,
            largest_lean=self.largest_lean,
            codes=ControlWords(
                tuple(codes.thread),
                tuple(codes.cut),
                tuple(codes.ignore),
                semicolon=codes.semicolon,
                end_cuts=codes.end_cuts,
                uv_on_arcs=codes.uv_on_arcs,
            ),
            flushing=None if self.flushing is None else jets,
            shipped=shipped,
            file=file,
        )


def _wider(bore: float | None, wire: float, key: tuple[str, str]) -> None:
    """The wire goes through a bore."""
    if bore is not None and bore <= wire:
        raise problem(f"a bore of {bore:g} mm for a wire of {wire:g}", "give the bore's diameter", key)
