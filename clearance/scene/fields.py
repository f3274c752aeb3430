"""A value from a TOML file goes in, a checked number, name or list in mm comes out: the types of all keys.

Every length is one of the types below. Each carries its own conversion, which takes the unit of the
file from the validation context ({"mm": millimetres per unit of the file}), so that no key is ever
converted by hand. Angles, masses, densities and names are plain types and stay as they are.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Callable
from typing import Annotated, Any, ClassVar

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationInfo,
    WithJsonSchema,
    model_validator,
)
from pydantic_core import PydanticCustomError

from clearance.errors import printable

#: no workshop holds anything longer; beyond it doubles no longer resolve the tolerances (mm)
LONGEST = 1e6
#: no margin and no allow is larger, mm: more is a slip, and would take minutes to judge
WIDEST = 1000.0


def problem(
    found: str, want: str = "", key: str | tuple[str | int, ...] = (), not_yet: bool = False
) -> PydanticCustomError:
    """An error that carries our own words.

    Where ``found`` is empty, the value as it stands in the file is shown. ``key`` is appended to the place.

    Args:
        found: what stands there, in words.   want: what would be right.
        key: one or more keys below the place of the value.   not_yet: it is right, but cannot be honoured
            yet.
    """
    keys = (key,) if isinstance(key, str) else key
    context = {"found": found, "want": want, "keys": keys, "not_yet": not_yet}
    return PydanticCustomError("ours", "{found}; {want}", context)


def shown(value: object) -> str:
    """A value as a person would find it in the file, short."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        text = f'"{printable(value)}"'
    elif isinstance(value, dict):
        return "a table {...}"
    elif isinstance(value, list):
        text = "[" + ", ".join(shown(v) for v in value[:6]) + (", ...]" if len(value) > 6 else "]")
    elif isinstance(value, int):
        text = str(value) if value.bit_length() < 300 else "a number of more than 90 digits"
    else:
        text = str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def number(value: Any) -> float:
    """A finite float; not a bool, not a text, not nan or inf."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise problem(f"found {shown(value)}", "give a number")
    try:
        as_float = float(value)
    except OverflowError:
        as_float = math.inf
    if not math.isfinite(as_float):
        raise problem(f"found {shown(value)}", "give a finite number")
    return as_float


def scaled(value: float, info: ValidationInfo) -> float:
    """The length in mm.

    Args:
        value: a length in the unit of the file.   info: its context has "mm", the millimetres in that unit.
    """
    mm = value * (info.context or {}).get("mm", 1.0)
    if abs(mm) > LONGEST:
        raise problem("", f"no length here goes beyond {LONGEST:g} mm")
    return float(mm)


def within_a_room(value: float) -> float:
    """A length in mm by which something may be off or is to stay away."""
    if value > WIDEST:
        raise problem("", f"no margin and nothing that may be off goes beyond {WIDEST:g} mm")
    return value


def not_negative(value: float) -> float:
    """The ``value``, if it is 0 or more; else an error of the schema."""
    if value < 0:
        raise problem("", "give 0 or more")
    return value


def positive(value: float) -> float:
    """The ``value``, if it is more than 0; else an error of the schema."""
    if value <= 0:
        raise problem("", "give more than 0")
    return value


def name(value: Any) -> str:
    """A name that can stand in a table: not empty, one line, nothing invisible."""
    text = words(value)
    if not text.strip():
        raise problem("found an empty name", "give it a name")
    if "->" in text:
        raise problem(f"found {shown(text)}", 'a name must not contain "->", which marks moves between cuts')
    return text.strip()


def words(value: Any) -> str:
    """A text on one line."""
    if not isinstance(value, str):
        raise problem(f"found {shown(value)}", 'give a text in "quotes"')
    if len(value) > 300:
        raise problem(f"found a text of {len(value)} characters", "300 at most")
    if any(unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp") for c in value):
        raise problem(f"found {shown(value)}, with a character that does not print", "leave it out")
    return value


def file_name(value: Any) -> str:
    """The name of a file, as written."""
    text = words(value)
    if not text.strip():
        raise problem("found an empty file name", "name the file")
    return text


def flag(value: Any) -> bool:
    """The ``value``, if it is true or false; else an error of the schema."""
    if not isinstance(value, bool):
        raise problem(f"found {shown(value)}", "give true or false")
    return value


def one_or_more(value: Any) -> Any:
    """A single name is a list of one."""
    return [value] if isinstance(value, str) else value


#: validators that take more than their key's own type, for editors: "alone", one stands for a list of one;
#: "text", a text stands for a table
FORMS: dict[Callable[[Any], Any], tuple[str, ...]] = {one_or_more: ("alone",)}


def is_list(want: str, lengths: tuple[int, ...] = ()) -> BeforeValidator:
    """A list of one of these lengths (any, if none is named); ``want`` says what it should look like."""

    def check(value: Any) -> Any:
        if not isinstance(value, list):
            raise problem(f"found {shown(value)}", f"give {want}")
        if lengths and len(value) not in lengths:
            raise problem(f"found {len(value)} value{'' if len(value) == 1 else 's'}", f"give {want}")
        return value

    return BeforeValidator(check)


def angle(value: Any) -> float:
    """Degrees, at most ten turns either way."""
    degrees = number(value)
    if abs(degrees) > 3600.0:
        raise problem("", "give an angle in degrees, within 3600")
    return degrees


def low_high(value: tuple[float, float]) -> tuple[float, float]:
    """The ``value``, if its first number is below its second; else an error of the schema."""
    if not value[0] < value[1]:
        raise problem("", "give [low, high] with low below high")
    return value


def _for_editors(unit: str = "", **more: Any) -> WithJsonSchema:
    """A number as an editor is told of it; ``unit`` goes into the sentence of its key."""
    return WithJsonSchema({"type": "number", **({"unit": unit} if unit else {}), **more})


_LENGTH = "length in the unit of the file"
Number = Annotated[float, BeforeValidator(number), _for_editors()]
Positive = Annotated[
    float, AfterValidator(positive), BeforeValidator(number), _for_editors(exclusiveMinimum=0)
]
Length = Annotated[float, AfterValidator(scaled), BeforeValidator(number), _for_editors(_LENGTH)]
Span = Annotated[
    float,
    AfterValidator(not_negative),
    AfterValidator(scaled),
    BeforeValidator(number),
    _for_editors(_LENGTH, minimum=0),
]
Room = Annotated[
    float,
    AfterValidator(not_negative),
    AfterValidator(scaled),
    AfterValidator(within_a_room),
    BeforeValidator(number),
    _for_editors(_LENGTH, minimum=0),
]
Size = Annotated[
    float,
    AfterValidator(positive),
    AfterValidator(scaled),
    BeforeValidator(number),
    _for_editors(_LENGTH, exclusiveMinimum=0),
]
Name = Annotated[str, BeforeValidator(name)]
Words = Annotated[str, BeforeValidator(words)]
FileName = Annotated[str, BeforeValidator(file_name)]
Flag = Annotated[bool, BeforeValidator(flag)]
PointXY = Annotated[tuple[Length, Length], is_list("two lengths, [x, y]", (2,))]
PointXYZ = Annotated[tuple[Length, Length, Length], is_list("three lengths, [x, y, z]", (3,))]
Angle = Annotated[
    float, BeforeValidator(angle), _for_editors("angle in degrees", minimum=-3600, maximum=3600)
]
Angles = Annotated[tuple[Angle, Angle, Angle], is_list("three angles in degrees, [about X, Y, Z]", (3,))]
Interval = Annotated[
    tuple[Length, Length], AfterValidator(low_high), is_list("two lengths, [low, high]", (2,))
]
Names = Annotated[list[Name], is_list('a list of names, ["...", "..."]')]


#: the words that choose a zero
ZERO_WORDS = ("G54", "G55", "G56", "G57", "G58", "G59")


def zero_words(value: Any) -> Any:
    """Places by the words that choose a zero (ISO 6983 leaves them to the control: common practice)."""
    if not isinstance(value, dict):
        raise problem(f"found {shown(value)}", "give a table, { G54 = [0, 0] }")
    for key in value:
        if key not in ZERO_WORDS:
            raise problem("this chooses no zero", f"one of {', '.join(ZERO_WORDS)}", key=str(key))
    return value


#: where zeros lie, by the word that chooses each
Zeros = Annotated[
    dict[str, PointXY],
    BeforeValidator(zero_words),
    Field(json_schema_extra={"propertyNames": {"enum": list(ZERO_WORDS)}}),
]


class Table(BaseModel):
    """A table of the file. A key that is not known is an error, and says which key it may have been."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    #: words that other people's files might use, and the key that is meant
    also: ClassVar[dict[str, str]] = {}
    #: where the table stands, for a key that is known there and was written elsewhere
    where: ClassVar[str] = ""

    @classmethod
    def key_names(cls) -> list[str]:
        """The keys as they stand in the file."""
        return [field.alias or key for key, field in cls.model_fields.items()]

    @classmethod
    def _home(cls, key: str) -> str:
        """Where a key stands that another table of the same file knows.

        The modules of one file's tables have one name, up to an underscore.
        """
        tables: list[type[Table]] = list(Table.__subclasses__())
        for table in tables:
            same = _of_file(table) == _of_file(cls)
            if same and table.where and key in table.key_names():
                return table.where
            tables += table.__subclasses__()
        return ""

    @model_validator(mode="before")
    @classmethod
    def _known_keys(cls, data: Any) -> Any:
        keys = cls.key_names()
        if not isinstance(data, dict):
            raise problem(f"found {shown(data)}", f"give a table with keys from: {', '.join(keys)}")
        for key in data:
            if key not in keys:
                want = suggestion(key, keys, cls.also)
                if want.startswith("known here") and (home := cls._home(key)):
                    want = f"it belongs {home}"
                raise problem("this key is not known", want, key=str(key))
        return data


def _of_file(table: type[Table]) -> str:
    return table.__module__.rpartition(".")[2].partition("_")[0]


def suggestion(key: str, known: list[str], also: dict[str, str] | None = None) -> str:
    """What was probably meant by ``key``, or everything that is known.

    Args:
        key: as the user wrote it.   known: what would be right.
        also: words that other people use, and what to say to each.
    """
    if also and key in also:
        return also[key]
    near = nearest(key, known)
    if near is not None:
        return f'did you mean "{near}"?'
    listing = ", ".join(known)
    return f"known here: {listing}" if known else "nothing is known here"


def nearest(key: str, known: list[str]) -> str | None:
    """What was probably meant by ``key``; None where nothing known is like it.

    Args:
        key: as the user wrote it.   known: what would be right.
    """
    import difflib

    near = difflib.get_close_matches(key, known, n=1, cutoff=0.6)
    if not near:
        near = difflib.get_close_matches(key.lower(), [k.lower() for k in known], n=1, cutoff=0.6)
        near = [k for k in known if near and k.lower() == near[0]]
    return near[0] if near else None
