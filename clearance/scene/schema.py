"""A setup file goes in, the setup as the user meant it, in mm, comes out: machine, heads, items, cuts."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BeforeValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from clearance.scene.fields import (
    Angle,
    Angles,
    FileName,
    Flag,
    Length,
    Name,
    Names,
    PointXY,
    PointXYZ,
    Positive,
    Room,
    Size,
    Span,
    Table,
    Words,
    is_list,
    number,
    one_or_more,
    problem,
    shown,
)
from clearance.scene.machine import Units
from clearance.scene.settings import Wanted

FileUnits = Literal["mm", "inch", "m"]
SOURCES = ("holder", "part", "model", "shape")


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


def _one_height(table: Heads | Cut) -> None:
    if table.flushing_distance is not None and table.upper_z is not None:
        raise problem("flushing_distance and upper_z are both given", "give one of them")


class SideHeightIn(Table):
    """Lengths sideways and in height; what is left out keeps its default."""

    side: Room | None = None
    height: Room | None = None


class SideIn(Table):
    """For the wire only sideways means something."""

    side: Room | None = None


class Margins(Table):
    """Less than this is close."""

    where: ClassVar[str] = "in [margins]"
    part: SideHeightIn = Field(default_factory=SideHeightIn)
    holder: SideHeightIn = Field(default_factory=SideHeightIn)
    laid: SideHeightIn = Field(default_factory=SideHeightIn)
    machine: SideHeightIn = Field(default_factory=SideHeightIn)
    wire: SideIn = Field(default_factory=SideIn)


class StartHole(Table):
    """A hole drilled before the cut, in the model's coordinates."""

    at: PointXY
    diameter: Size


def _stop(value: Any) -> int | str:
    """A stop by its number, or by its block number, "N70", or by the cut before which it is."""
    if isinstance(value, int) and not isinstance(value, bool):
        if value < 1:
            raise problem("", "stops are numbered from 1")
        return value
    if not isinstance(value, str) or not value.strip():
        raise problem(f"found {shown(value)}", 'name the stop by its number, 2, or by its N, "N70"')
    words = value.strip()
    last = words.split()[-1]
    return int(last) if words.lower().startswith("stop ") and last.isdecimal() else words


Stop = Annotated[int | str, BeforeValidator(_stop)]


def _as(key: str) -> Callable[[Any], Any]:
    """A name by itself is a table with that key only; one by itself is a list of one."""

    def read(value: Any) -> Any:
        many = value if isinstance(value, list) else [value]
        return [{key: one} if isinstance(one, str) else one for one in many]

    return read


class Change(Table):
    """An item in with or without of a cut, and from which stop and until which it is so."""

    item: Name
    from_: Stop | None = Field(default=None, alias="from")
    until: Stop | None = None


class TakenOut(Table):
    """What is taken out: a cut's free pieces, or "all", and at which stop; left out, before the cut."""

    piece: Name
    at: Stop | None = None


class HeldBy(Table):
    """What holds a part, or of what a cut frees one kind, and until which stop."""

    by: Words
    until: Stop | None = None
    piece: Literal["slug", "off-cut", "good part"] | None = None


class HeldPart(Table):
    """What holds a part, and until which stop."""

    by: Words
    until: Stop | None = None


def _held(value: Any) -> Any:
    return {"by": value} if isinstance(value, str) else value


class Shape(Table):
    """A plain block or cylinder, centred in X Y, standing on Z = 0."""

    box: Annotated[tuple[Size, Size, Size], is_list("three lengths, [x, y, z]", (3,))] | None = None
    cylinder: Annotated[tuple[Size, Size], is_list("two lengths, [diameter, height]", (2,))] | None = None

    @model_validator(mode="after")
    def _one(self) -> Shape:
        if (self.box is None) == (self.cylinder is None):
            found = "both box and cylinder are given" if self.box else "neither box nor cylinder is given"
            raise problem(found, "give one: { box = [x, y, z] } or { cylinder = [diameter, height] }")
        return self


def _finite_numbers(value: Any) -> Any:
    """Holder parameters: the library knows their names, ranges and units; here only that numbers are some."""
    if not isinstance(value, dict):
        raise problem(f"found {shown(value)}", "give a table, { length = 320 }")
    for key, one in value.items():
        for each in one if isinstance(one, list) else [one]:
            if isinstance(each, int | float):
                try:
                    number(each)
                except PydanticCustomError as error:
                    words = error.context or {}
                    raise problem(words["found"], words["want"], key=key) from None
    return value


class Item(Table):
    """Anything that is put on the table."""

    where: ClassVar[str] = "in [[items]]"
    also: ClassVar[dict[str, str]] = {
        "file": "name the file by what it is: part, model or holder",
        "rotate": 'an item is turned by "turn"',
        "zero": "the part zero stands in [[cuts]]",
        "path": "the path stands in [[cuts]]",
    }

    name: Name
    holder: Name | None = None
    part: FileName | None = None
    model: FileName | None = None
    shape: Shape | None = None
    params: Annotated[dict[str, Any], BeforeValidator(_finite_numbers)] = Field(default_factory=dict)
    units: FileUnits | None = None
    bodies: (
        Annotated[list[Words], is_list('a list of bodies, ["..."]'), BeforeValidator(one_or_more)] | None
    ) = None
    facet_bound: Size | None = None
    cracks: Literal["accepted"] | None = None
    material: Words | None = None
    density: Positive | None = None
    start_holes: Annotated[list[StartHole], is_list("a list, [{ at = [x, y], diameter = d }]")] = Field(
        default_factory=list
    )
    on: Annotated[list[Name], is_list("a name, or a list of names"), BeforeValidator(one_or_more)] | None = (
        None
    )
    seat: Name | None = None
    at: PointXYZ = (0.0, 0.0, 0.0)
    axis: Literal["x", "y", "z", "-x", "-y", "-z"] = "z"
    turn: Angles = (0.0, 0.0, 0.0)
    allow: SideHeightIn = Field(default_factory=SideHeightIn)
    laid: Flag | None = None
    fit: Name | None = None
    held_by: Annotated[HeldPart, BeforeValidator(_held)] | None = None
    clamp_force: Positive | None = None
    becomes: FileName | None = None
    becomes_tolerance: Size | None = None
    touch: Annotated[list[Words], is_list('a list of faces, ["top", "left side"]')] = Field(
        default_factory=list
    )
    measured: FileName | None = None

    @property
    def base(self) -> str | None:
        """The item whose seat gives its place; None on the table."""
        return self.on[0] if self.on else None

    @property
    def also_on(self) -> tuple[str, ...]:
        """What else it lies on."""
        return tuple(self.on[1:]) if self.on else ()

    @property
    def source(self) -> str:
        """Which of ``SOURCES`` it is made of."""
        return next(s for s in SOURCES if getattr(self, s) is not None)

    @model_validator(mode="after")
    def _hangs_together(self) -> Item:
        given = [s for s in SOURCES if getattr(self, s) is not None]
        if len(given) != 1:
            found = f"{' and '.join(given)} are given" if given else "nothing says what it is"
            raise problem(found, "give one of holder, part, model, shape")
        source = given[0]
        fits = {
            "params": ("holder",),
            "units": ("part", "model"),
            "bodies": ("part", "model"),
            "facet_bound": ("part", "model"),
            "cracks": ("part", "model"),
            "start_holes": ("part",),
            "laid": ("holder", "model", "shape"),
            "axis": ("part", "model", "shape"),
            "fit": ("holder",),
            "held_by": ("part", "model", "shape"),
            "touch": ("part", "shape"),
            "measured": ("part", "shape"),
            "becomes": ("part",),
            "becomes_tolerance": ("part",),
            "clamp_force": ("holder", "model", "shape"),
        }
        for key, sources in fits.items():
            if key in self.model_fields_set and source not in sources:
                raise problem(
                    f"{key} means nothing for a {source}", f"it goes with {' or '.join(sources)}", key=key
                )
        if self.on is not None and (not self.on or len(set(self.on)) < len(self.on)):
            found = "a name stands twice" if self.on else "the list is empty"
            raise problem(found, "name each once, first the one whose seat gives the place", key="on")
        if self.becomes_tolerance is not None and self.becomes is None:
            found = "becomes_tolerance means nothing without becomes"
            raise problem(found, 'say  becomes = "finished.stl"  too', key="becomes_tolerance")
        if self.seat is not None and self.on is None:
            raise problem(f'seat "{self.seat}" of what?', 'say  on = "..."  too', key="seat")
        return self


class Planes(Table):
    """Heights above the part zero at which the program's X Y and U V hold."""

    xy: Length
    uv: Length

    @model_validator(mode="after")
    def _apart(self) -> Planes:
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


def _zero_words(value: Any) -> Any:
    if not isinstance(value, dict):
        raise problem(f"found {shown(value)}", "give a table, { G54 = [0, 0] }")
    words = ("G54", "G55", "G56", "G57", "G58", "G59")
    for key in value:
        if key not in words:
            raise problem("this chooses no zero", f"one of {', '.join(words)}", key=str(key))
    return value


def _count(value: Any) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 12:
        raise problem("", "give a whole number from 0 to 12")
    return value


Digits = Annotated[int, BeforeValidator(_count)]


class Cut(Table):
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
    planes: Planes | None = None
    uv_words: Literal["relative", "absolute"] | None = None
    zeros: Annotated[dict[str, PointXY], BeforeValidator(_zero_words)] = Field(default_factory=dict)
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
    taken_out: Annotated[list[TakenOut], BeforeValidator(_as("piece"))] = Field(default_factory=list)
    held_by: Annotated[list[HeldBy], BeforeValidator(_as("by"))] = Field(default_factory=list)
    flushing_distance: Span | None = None
    upper_z: Length | None = None

    @model_validator(mode="after")
    def _hangs_together(self) -> Cut:
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


class GoneBelow(Table):
    """A piece that is lighter (kg) and shorter than this is washed away as soon as it comes free."""

    mass: Positive
    size: Size


class Setup(Table):
    """The setup file. All lengths are mm once it is read."""

    where: ClassVar[str] = "at the top, before the first [table]"
    title: Words = ""
    units: Units = "mm"
    machine: MachineChoice
    heads: Heads = Field(default_factory=Heads)
    margins: Margins = Field(default_factory=Margins)
    optional_stops: Flag = False
    spark_gap: Span | None = None
    holders: FileName | None = None
    gone_below: GoneBelow | None = None
    items: Annotated[list[Item], is_list("a list of [[items]]")] = Field(default_factory=list)
    cuts: Annotated[list[Cut], is_list("a list of [[cuts]]")]

    @model_validator(mode="after")
    def _hangs_together(self) -> Setup:
        if not self.cuts:
            raise problem("there is no cut", "add a [[cuts]] table", key="cuts")
        for key, names in (("items", [i.name for i in self.items]), ("cuts", [c.name for c in self.cuts])):
            for i, name in enumerate(names):
                if name in names[:i]:
                    raise problem(f'two {key} are named "{name}"', "give each its own name", (key, i, "name"))
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
