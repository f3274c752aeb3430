"""An item, a pallet's file and what a setup may change of it go in; in mm they come out.

The tables that a setup and a pallet's file have in common.
"""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, Literal

from pydantic import BeforeValidator, Field, model_validator
from pydantic_core import PydanticCustomError

from clearance.scene.fields import (
    FORMS,
    Angles,
    FileName,
    Flag,
    Name,
    Names,
    PointXY,
    PointXYZ,
    Positive,
    Room,
    Size,
    Table,
    Words,
    is_list,
    number,
    one_or_more,
    problem,
    shown,
)
from clearance.scene.machine import Units

FileUnits = Literal["mm", "inch", "m"]
SOURCES = ("holder", "part", "model", "shape")


class SideHeightIn(Table):
    """Lengths sideways and in height; what is left out keeps its default."""

    side: Room | None = None
    height: Room | None = None


class StartHoleIn(Table):
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


class HeldPart(Table):
    """What holds a part, and until which stop."""

    by: Words
    until: Stop | None = None


def _held(value: Any) -> Any:
    return {"by": value} if isinstance(value, str) else value


FORMS[_held] = ("text",)


class ShapeIn(Table):
    """A plain block or cylinder, centred in X Y, standing on Z = 0."""

    box: Annotated[tuple[Size, Size, Size], is_list("three lengths, [x, y, z]", (3,))] | None = None
    cylinder: Annotated[tuple[Size, Size], is_list("two lengths, [diameter, height]", (2,))] | None = None

    @model_validator(mode="after")
    def _one(self) -> ShapeIn:
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


class Named(Table):
    """What answers, and other tables, name."""

    name: Name


class Which(Table):
    """The item that is changed, by its name."""

    item: Name


class ItemKeys(Table):
    """All that can be said of an item."""

    where: ClassVar[str] = "in [[items]]"
    also: ClassVar[dict[str, str]] = {
        "file": "name the file by what it is: part, model or holder",
        "rotate": 'an item is turned by "turn"',
        "zero": "the part zero stands in [[cuts]]",
        "path": "the path stands in [[cuts]]",
    }

    holder: Name | None = None
    part: FileName | None = None
    model: FileName | None = None
    shape: ShapeIn | None = None
    params: Annotated[dict[str, Any], BeforeValidator(_finite_numbers)] = Field(default_factory=dict)
    units: FileUnits | None = None
    bodies: (
        Annotated[list[Words], is_list('a list of bodies, ["..."]'), BeforeValidator(one_or_more)] | None
    ) = None
    facet_bound: Size | None = None
    cracks: Literal["accepted"] | None = None
    material: Words | None = None
    density: Positive | None = None
    start_holes: Annotated[list[StartHoleIn], is_list("a list, [{ at = [x, y], diameter = d }]")] = Field(
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


class Item(ItemKeys, Named):
    """Anything that is put on the table."""

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
        self.refuse_what_does_not_go_together()
        return self

    def refuse_what_does_not_go_together(self) -> None:
        """Refuse keys of which one makes another wrong.

        Raises:
            PydanticCustomError: in our own words, with the key.
        """
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


class ChangedItem(ItemKeys, Which):
    """What is otherwise with an item of a pallet; what is left out stays as the pallet's file has it."""

    where: ClassVar[str] = "in [[change]]"
    also: ClassVar[dict[str, str]] = {**ItemKeys.also, "name": 'the item that is changed is named by "item"'}


class PalletUse(Table):
    """A pallet on the table: its file, and where it stands."""

    where: ClassVar[str] = "in [[pallets]]"
    also: ClassVar[dict[str, str]] = {"rotate": 'a pallet is turned by "turn"'}

    file: FileName
    name: Name
    at: PointXYZ = (0.0, 0.0, 0.0)
    turn: Angles = (0.0, 0.0, 0.0)
    on: Name | None = None
    seat: Name | None = None
    without: Annotated[Names, BeforeValidator(one_or_more)] = Field(default_factory=list)

    @model_validator(mode="after")
    def _hangs_together(self) -> PalletUse:
        if "/" in self.name:
            want = 'a "/" stands between a pallet and its item: name it without'
            raise problem(f"found {shown(self.name)}", want, key="name")
        if self.seat is not None and self.on is None:
            raise problem(f'seat "{self.seat}" of what?', 'say  on = "..."  too', key="seat")
        return self


class StandingTables(Table):
    """What stands on a table or on a pallet, in the unit of the file."""

    units: Units = "mm"
    items: Annotated[list[Item], is_list("a list of [[items]]")] = Field(default_factory=list)
    pallets: Annotated[list[PalletUse], is_list("a list of [[pallets]]")] = Field(default_factory=list)
    change: Annotated[list[ChangedItem], is_list("a list of [[change]]")] = Field(default_factory=list)

    @model_validator(mode="after")
    def _each_named_once(self) -> StandingTables:
        tables: tuple[tuple[str, str, list[Any]], ...] = (
            ("items", "name", self.items), ("pallets", "name", self.pallets), ("change", "item", self.change),
        )  # fmt: skip
        for key, called, listed in tables:
            seen: set[str] = set()
            for i, one in enumerate(listed):
                name = getattr(one, called)
                if name in seen:
                    found = f'two {key} are named "{name}"'
                    want = "give each its own name"
                    if key == "change":
                        found, want = f'"{name}" is changed twice', "say all of it in one [[change]]"
                    raise problem(found, want, (key, i, called))
                seen.add(name)
        pallets = {pallet.name for pallet in self.pallets}
        for i, item in enumerate(self.items):
            pallet = item.name.partition("/")[0]
            if pallet in pallets:
                found = f'"{item.name}" could be the pallet "{pallet}" or an item of it'
                raise problem(found, "give it another name", ("items", i, "name"))
        return self


class Pallet(StandingTables):
    """A pallet's file: what stands on it, wherever it is put. All lengths are mm once it is read."""

    where: ClassVar[str] = "at the top, before the first [table]"
    also: ClassVar[dict[str, str]] = dict.fromkeys(
        ("title", "machine", "heads", "margins", "cuts", "zeros"),
        "a pallet has units, [[items]], [[pallets]] and [[change]]; the rest stands in the setup",
    )

    @model_validator(mode="after")
    def _plain_names(self) -> Pallet:
        for i, item in enumerate(self.items):
            if "/" in item.name:
                want = 'a "/" stands between a pallet and its item: name it without'
                raise problem(f"found {shown(item.name)}", want, ("items", i, "name"))
        return self
