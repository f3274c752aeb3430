"""A file that describes a holder of the shop's own goes in, what it says comes out: models, seats, limits.

One of its models may slide or turn, within limits. Nothing in such a file is run. Lengths are mm once it is
read, save the moving model's values and limits, whose unit depends on what they are.
"""

from __future__ import annotations

import math
import re
from typing import Annotated, Any, ClassVar, Literal

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo, model_validator

from clearance.scene.fields import (
    Angles,
    FileName,
    Flag,
    Name,
    Number,
    PointXYZ,
    Table,
    Words,
    angle,
    is_list,
    not_negative,
    one_or_more,
    problem,
    scaled,
    shown,
)
from clearance.scene.machine import Units
from clearance.scene.schema_items import FileUnits

#: where the shop names no source of a limit
SOURCE = "the shop's own figure"
#: models, seats, limits or cautions of one holder
MOST = 200
#: what a holder, and a parameter, may be called
PLAIN = re.compile(r"[a-z][a-z0-9_]{0,59}")
PLAIN_WORDS = "small letters, digits and _, a letter first: our_vise"


def _plain_name(value: Any) -> str:
    if not isinstance(value, str) or not PLAIN.fullmatch(value):
        raise problem(f"found {shown(value)}", f"a name of {PLAIN_WORDS}")
    return value


def _unit_vector(value: tuple[float, float, float]) -> tuple[float, float, float]:
    largest = max(map(abs, value))
    if largest == 0.0:
        raise problem("", "a direction: one of its three numbers is not 0")
    x, y, z = (each / largest for each in value)
    size = math.hypot(x, y, z)
    return x / size, y / size, z / size


Direction = Annotated[
    tuple[Number, Number, Number], AfterValidator(_unit_vector), is_list("a direction, [0, 1, 0] say", (3,))
]


class OwnModel(Table):
    """One model file; it is turned, then moved, into the holder's frame."""

    file: FileName
    units: FileUnits | None = None
    at: PointXYZ = (0.0, 0.0, 0.0)
    turn: Angles = (0.0, 0.0, 0.0)


class OwnBody(OwnModel):
    """A model of the holder that stands still; ``sunk``: a screw that goes into what the holder stands on."""

    sunk: Flag = False


class OwnSeat(Table):
    """A place on the holder; ``moves``: it goes along with what slides or turns."""

    name: Name
    at: PointXYZ = (0.0, 0.0, 0.0)
    turn: Angles = (0.0, 0.0, 0.0)
    meaning: Words = ""
    moves: Flag = False


class OwnLimit(Table):
    """A bound on what the holder may hold; x, y, z and diameter are lengths, mass kg, force N."""

    quantity: Literal["mass", "x", "y", "z", "diameter", "force"]
    low: Annotated[Number, AfterValidator(not_negative)] | None = None
    high: Annotated[Number, AfterValidator(not_negative)] | None = None
    source: Words = SOURCE

    @model_validator(mode="after")
    def _bounds(self) -> OwnLimit:
        if self.low is None and self.high is None:
            raise problem("neither low nor high is given", "give one: high = 15, say")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise problem(f"low {self.low:g} is above high {self.high:g}", "low below high", key="low")
        return self


class OwnAxis(Table):
    """The line that a model turns about."""

    about: PointXYZ
    direction: Direction


class OwnMoving(OwnModel):
    """The one model that slides or turns; lengths where it slides, degrees where it turns."""

    slides: Direction | None = None
    turns: OwnAxis | None = None
    parameter: Annotated[str, BeforeValidator(_plain_name)] = "opening"
    low: Number
    high: Number
    default: Number
    drawn: Number
    closes: Literal["smaller", "larger"] = "smaller"
    meaning: Words = ""

    @model_validator(mode="after")
    def _hangs_together(self, info: ValidationInfo) -> OwnMoving:
        if (self.slides is None) == (self.turns is None):
            found = "both slides and turns are given" if self.slides else "neither slides nor turns is given"
            raise problem(found, "give one: slides = [0, 1, 0] or turns = { about = ..., direction = ... }")
        for key in ("low", "high", "default", "drawn"):
            if self.slides is not None:
                scaled(getattr(self, key), info)
            else:
                angle(getattr(self, key))
        if not self.low < self.high:
            raise problem(f"low {self.low:g} is not below high {self.high:g}", "low below high", key="low")
        if not self.low <= self.default <= self.high:
            found = f"{self.default:g} lies outside {self.low:g} to {self.high:g}"
            raise problem(found, "a value from low to high", key="default")
        return self


def _one_moving(value: Any) -> Any:
    if isinstance(value, list):
        raise problem(f"found {len(value)} moving parts", "one at most: a single [moving]")
    return value


class OwnHolder(Table):
    """A holder of the shop's own: the file is named as the holder is to be called."""

    where: ClassVar[str] = "at the top, before the first [table]"
    summary: Words
    origin: Words
    units: Units = "mm"
    does: Annotated[
        list[Literal["bears", "grips", "presses", "carries", "attracts"]],
        is_list('a list of words, ["bears", "grips"]'),
        BeforeValidator(one_or_more),
    ] = Field(default=["bears"])
    fastened: Literal["bolted", "in a shank", "stands"] = "stands"
    laid: Flag = False
    models: Annotated[list[OwnBody], is_list("a list of [[models]]")] = Field(default_factory=list)
    moving: Annotated[OwnMoving, BeforeValidator(_one_moving)] | None = None
    seats: Annotated[list[OwnSeat], is_list("a list of [[seats]]")] = Field(default_factory=list)
    limits: Annotated[list[OwnLimit], is_list("a list of [[limits]]")] = Field(default_factory=list)
    cautions: Annotated[list[Words], is_list("a list of sentences"), BeforeValidator(one_or_more)] = Field(
        default_factory=list
    )

    @model_validator(mode="after")
    def _hangs_together(self) -> OwnHolder:
        if not self.models and self.moving is None:
            raise problem("there is no model", 'add  [[models]]  with  file = "our_vise.stl"', key="models")
        if not self.does:
            raise problem("the list is empty", 'name what it does: ["bears"]', key="does")
        for key in ("models", "seats", "limits", "cautions"):
            if len(getattr(self, key)) > MOST:
                raise problem(f"found {len(getattr(self, key))} of them", f"{MOST} at most", key=key)
        names: set[str] = set()
        for i, seat in enumerate(self.seats):
            if seat.name in names:
                found = f'two seats are named "{seat.name}"'
                raise problem(found, "give each its own name", ("seats", i, "name"))
            if seat.moves and self.moving is None:
                raise problem("nothing moves here", "leave it out, or add  [moving]", ("seats", i, "moves"))
            names.add(seat.name)
        return self
