"""A setup file goes in, the setup as the user meant it, in mm, comes out: machine, heads, items, cuts."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BeforeValidator, Field, model_validator

from clearance.scene.fields import (
    FORMS,
    Angle,
    FileName,
    Flag,
    Length,
    Name,
    Names,
    PointXY,
    PointXYZ,
    Room,
    Size,
    Span,
    Table,
    Words,
    Zeros,
    is_list,
    one_or_more,
    problem,
    shown,
)
from clearance.scene.machine import GoneBelowIn, Units
from clearance.scene.schema_items import (
    SideHeightIn,
    StandingTables,
    Stop,
)
from clearance.scene.settings import Wanted


class MachineChoice(Table):
    """``use`` names a machine that ships, ``file`` the shop's own."""

    where: ClassVar[str] = "in [machine]"
    use: Name | None = None
    file: FileName | None = None

    @model_validator(mode="after")
    def _one(self) -> MachineChoice:
        if (self.use is None) == (self.file is None):
            found = "both use and file are given" if self.use else "neither use nor file is given"
            raise problem(found, 'give one: use = "mid_size" or file = "ours.toml"')
        return self


class Heads(Table):
    """Where the upper head stands, and where both come from and go to."""

    where: ClassVar[str] = "in [heads]"
    nozzles: Name | None = None
    flushing_distance: Span | None = None
    upper_z: Length | None = None
    approach_from: PointXY | None = None
    park: PointXY | None = None
    pickups: Annotated[list[PointXY], is_list("a list of points, [[x, y], ...]")] = Field(
        default_factory=list
    )
    travel_z: Length | None = None
    thread_z: Length | None = None
    between: Flag = True

    @model_validator(mode="after")
    def _one_height(self) -> Heads:
        _one_height(self)
        return self


def _one_height(table: Heads | CutIn) -> None:
    if table.flushing_distance is not None and table.upper_z is not None:
        raise problem("flushing_distance and upper_z are both given", "give one of them")


class SideIn(Table):
    """For the wire only sideways means something."""

    side: Room | None = None


class MarginsIn(Table):
    """Less than this is close."""

    where: ClassVar[str] = "in [margins]"
    part: SideHeightIn = Field(default_factory=SideHeightIn)
    holder: SideHeightIn = Field(default_factory=SideHeightIn)
    laid: SideHeightIn = Field(default_factory=SideHeightIn)
    machine: SideHeightIn = Field(default_factory=SideHeightIn)
    wire: SideIn = Field(default_factory=SideIn)


class MarginsFile(Table):
    """A file of margins, which counts instead of what setups say."""

    where: ClassVar[str] = "in a file of margins"
    units: Units = "mm"
    margins: MarginsIn


def _as(key: str) -> Callable[[Any], Any]:
    """A name by itself is a table with that key only; one by itself is a list of one."""

    def read(value: Any) -> Any:
        many = value if isinstance(value, list) else [value]
        return [{key: one} if isinstance(one, str) else one for one in many]

    FORMS[read] = ("alone", "text")
    return read


class Change(Table):
    """An item in with or without of a cut, and from which stop and until which it is so."""

    item: Name
    from_: Stop | None = Field(default=None, alias="from")
    until: Stop | None = None


class TakenOutIn(Table):
    """What is taken out: a cut's free pieces, or "all", and at which stop; left out, before the cut."""

    piece: Name
    at: Stop | None = None


class HeldByIn(Table):
    """What holds a part, or of what a cut frees one kind, and until which stop."""

    by: Words
    until: Stop | None = None
    piece: Literal["slug", "off-cut", "good part"] | None = None


class PlanesIn(Table):
    """Heights above the part zero at which the program's X Y and U V hold."""

    xy: Length
    uv: Length

    @model_validator(mode="after")
    def _apart(self) -> PlanesIn:
        if self.xy == self.uv:
            raise problem(f"xy and uv are both {self.xy:g}", "two heights that differ give the taper")
        return self


def _offset_numbers(value: Any) -> Any:
    if not isinstance(value, dict):
        raise problem(f"found {shown(value)}", "give a table, { 1 = 0.18 }")
    for key in value:
        if not (isinstance(key, str) and key.isascii() and key.isdigit() and len(key) <= 4):
            want = "number the offsets as the program's D words do: { 1 = 0.18 }"
            raise problem("the key is no offset number", want, key=str(key))
    return {int(k): v for k, v in value.items()}


def _count(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 12:
        raise problem("", "give a whole number from 0 to 12")
    return value


Digits = Annotated[int, BeforeValidator(_count)]


class CutIn(Table):
    """One path through a part."""

    where: ClassVar[str] = "in [[cuts]]"
    also: ClassVar[dict[str, str]] = {
        "turn": 'a program is turned by "rotate", about its zero only',
        "at": 'the program is placed by "zero"',
        "offset": 'did you mean "offsets" or "offset_max"?',
    }

    name: Name
    part: Annotated[Names, BeforeValidator(one_or_more)] = Field(default_factory=list)
    path: FileName
    zero: PointXYZ = (0.0, 0.0, 0.0)
    axes: Literal["machine", "part"] | None = None
    rotate: Angle = 0.0
    offsets: Annotated[dict[int, Length], BeforeValidator(_offset_numbers)] = Field(default_factory=dict)
    offset_max: Span | None = None
    planes: PlanesIn | None = None
    uv_words: Literal["relative", "absolute"] | None = None
    zeros: Zeros = Field(default_factory=dict)
    whole_numbers: Literal["units", "leading", "trailing"] = "units"
    digits: (
        Annotated[tuple[Digits, Digits], is_list("two numbers, [before, behind] the point", (2,))] | None
    ) = None
    block_delete: Literal["run", "skip"] = "run"
    path_units: Literal["mm", "inch", "cm", "m"] | None = None
    layers: Annotated[list[Words], is_list('a list of layers, ["..."]')] | None = None
    gap: Size | None = None
    chord_bound: Size | None = None
    start: PointXY | None = None
    direction: Literal["ccw", "cw"] | None = None
    order: Literal["inside first", "as drawn"] | None = None
    with_: Annotated[list[Change], BeforeValidator(_as("item"))] = Field(default_factory=list, alias="with")
    without: Annotated[list[Change], BeforeValidator(_as("item"))] = Field(default_factory=list)
    stop_before: Flag = False
    wanted: Wanted | None = None
    taken_out: Annotated[list[TakenOutIn], BeforeValidator(_as("piece"))] = Field(default_factory=list)
    held_by: Annotated[list[HeldByIn], BeforeValidator(_as("by"))] = Field(default_factory=list)
    flushing_distance: Span | None = None
    upper_z: Length | None = None

    @model_validator(mode="after")
    def _hangs_together(self) -> CutIn:
        _one_height(self)
        if self.offsets and self.offset_max is not None:
            raise problem("offsets and offset_max are both given", "give one of them", key="offset_max")
        if self.axes == "part" and not self.part:
            raise problem(
                'axes = "part", but the cut names no part', "name the part, or leave axes out", key="axes"
            )
        on, off = [one.item for one in self.with_], [one.item for one in self.without]
        for key, names in (("part", self.part), ("with", on), ("without", off)):
            if len(set(names)) < len(names):
                raise problem("a name stands twice", "name each once", key=key)
        both = set(on) & set(off)
        if both:
            raise problem(f'"{min(both)}" stands in with and in without', "leave it out of one", key="with")
        return self


class JobTables(Table):
    """What a setup says besides what stands on the table, and the cuts."""

    where: ClassVar[str] = "at the top, before the first [table]"
    title: Words = ""
    machine: MachineChoice
    heads: Heads = Field(default_factory=Heads)
    margins: MarginsIn = Field(default_factory=MarginsIn)
    optional_stops: Flag = False
    spark_gap: Span | None = None
    holders: FileName | None = None
    gone_below: GoneBelowIn | None = None
    zeros: Zeros = Field(default_factory=dict)


class Setup(StandingTables, JobTables):
    """The setup file. All lengths are mm once it is read."""

    cuts: Annotated[list[CutIn], is_list("a list of [[cuts]]")]

    @model_validator(mode="after")
    def _hangs_together(self) -> Setup:
        if not self.cuts:
            raise problem("there is no cut", "add a [[cuts]] table", key="cuts")
        names = [cut.name for cut in self.cuts]
        for i, name in enumerate(names):
            if name in names[:i]:
                raise problem(f'two cuts are named "{name}"', "give each its own name", ("cuts", i, "name"))
        for index, cut in enumerate(self.cuts, 1):
            if all(v is None for v in (cut.flushing_distance, cut.upper_z, *_heights(self.heads))):
                raise problem(
                    f'cut {index}, "{cut.name}", has no height for the upper head',
                    "give flushing_distance or upper_z in [heads] or in the cut",
                    key="heads",
                )
        return self


def _heights(heads: Heads) -> tuple[float | None, float | None]:
    return heads.flushing_distance, heads.upper_z
