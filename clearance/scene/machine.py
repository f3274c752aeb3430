"""A machine file goes in, the machine in mm comes out: travel, wire, heads, what stands with the table."""

from __future__ import annotations

from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from clearance.scene.fields import (
    Flag,
    Interval,
    Length,
    Name,
    Positive,
    Size,
    Span,
    Table,
    Words,
    is_list,
    low_high,
    not_negative,
    number,
    problem,
)
from clearance.scene.settings import Flushing as FlushingModel
from clearance.scene.settings import HeadBox, HeadModel, MachineModel
from clearance.scene.settings import Jet as JetModel
from clearance.scene.settings import Travel as TravelModel
from clearance.toolpath.moves import ControlWords

Units = Literal["mm", "inch"]
Profile = list[tuple[float, float]]
#: bar, 0 where there is none
Pressure = Annotated[float, AfterValidator(not_negative), BeforeValidator(number)]


def _sound_profile(profile: Profile) -> Profile:
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


class Travel(Table):
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
    """What both heads have: pivot of the wire behind the face, and the body of revolution."""

    guide: Span
    profile: Annotated[
        list[Annotated[tuple[Span, Span], is_list("[distance behind the face, radius]", (2,))]],
        AfterValidator(_sound_profile),
        is_list("a list of [distance behind the face, radius]"),
    ]


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
                if seen.get(plain, key) != key:
                    raise problem(f'"{word}" stands in {seen[plain]} too', "a word has one meaning", key=key)
                seen[plain] = key
        return self


class Jet(Table):
    """A nozzle's jet: its bore, the pressures at it (bar), the wetted area (mm2) where that is larger."""

    bore: Size
    rough: Pressure
    trim: Pressure | None = None
    area: Positive | None = None

    def as_model(self) -> JetModel:
        """The jet as everything outside this room takes it."""
        return JetModel(self.bore, self.rough, self.trim, self.area)


class Flushing(Table):
    """The jets of both nozzles; one that is left out is off."""

    lower: Jet | None = None
    upper: Jet | None = None

    def as_model(self) -> FlushingModel:
        """The jets as everything outside this room takes them."""
        return FlushingModel(*(None if jet is None else jet.as_model() for jet in (self.lower, self.upper)))


class GoneBelow(Table):
    """A piece that is lighter (kg) and shorter than this is washed away as soon as it comes free."""

    mass: Positive
    size: Size


class Machine(Table):
    """The machine file. All lengths are mm once it is read."""

    where: ClassVar[str] = "at the top, before the first [table]"
    name: Name
    units: Units = "mm"
    travel: Travel
    wire: Size
    max_part_mass: Positive | None = None
    flushing: Flushing | None = None
    gone_below: GoneBelow | None = None
    codes: Codes = Field(default_factory=Codes)
    lower_head: LowerHead
    upper_head: UpperHead
    bodies: Annotated[list[TableBody], is_list("a list of [[bodies]]")] = Field(default_factory=list)

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

    def as_model(self, shipped: str | None = None, file: str | None = None) -> MachineModel:
        """The machine as everything outside this room takes it.

        Args:
            shipped, file: where it is from, the one or the other.
        """
        lower, upper, travel, codes = self.lower_head, self.upper_head, self.travel, self.codes
        return MachineModel(
            name=self.name,
            travel=TravelModel(travel.x, travel.y, travel.z, travel.u, travel.v),
            wire=self.wire,
            lower_z=lower.face_z,
            lower_head=HeadModel(
                lower.guide,
                tuple(lower.profile),
                tuple(HeadBox(b.x, b.y, b.behind, "xy") for b in lower.bodies),
            ),
            upper_head=HeadModel(
                upper.guide,
                tuple(upper.profile),
                tuple(HeadBox(b.x, b.y, b.behind, b.follows) for b in upper.bodies),
            ),
            max_part_mass=self.max_part_mass,
            codes=ControlWords(
                tuple(codes.thread),
                tuple(codes.cut),
                tuple(codes.ignore),
                semicolon=codes.semicolon,
                end_cuts=codes.end_cuts,
                uv_on_arcs=codes.uv_on_arcs,
            ),
            flushing=None if self.flushing is None else self.flushing.as_model(),
            shipped=shipped,
            file=file,
        )
