"""A class whose attributes are named comes in; ``record`` gives it what a frozen ``dataclass`` has.

A check needs over two hundred such classes, and ``dataclass`` writes and compiles six functions for each,
0.6 ms; a tenth of the time of a usual check went into that. Here only ``__init__`` is compiled (0.1 ms), the
others are the same functions for all. That nothing is assigned to is held by the type checker, as everywhere
in this package, not while it runs: what a program that uses this as a library is handed is a frozen
``dataclass`` all the same.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, fields
from typing import Any, TypeVar, dataclass_transform

Class = TypeVar("Class")


@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def record(cls: type[Class]) -> type[Class]:
    """A ``dataclass`` that is compared by its values; what a class says for itself stands.

    Args:
        cls: its attributes with their types, and ``dataclasses.field`` where more is to be said.
    """
    return _with(dataclass(eq=False, repr=False)(cls), {"__repr__": _repr, "__eq__": _eq, "__hash__": _hash})


@dataclass_transform(field_specifiers=(field,), eq_default=False)
def changing(cls: type[Class]) -> type[Class]:
    """A ``dataclass`` whose attributes are assigned to later: each object is equal to itself alone.

    Args:
        cls: its attributes with their types, and ``dataclasses.field`` where more is to be said.
    """
    return _with(dataclass(eq=False, repr=False)(cls), {"__repr__": _repr})


def _with(made: type[Class], methods: dict[str, Callable[..., Any]]) -> type[Class]:
    for name, method in methods.items():
        if name not in made.__dict__:
            setattr(made, name, method)
    return made


def _repr(self: Any) -> str:
    said = (f"{each.name}={getattr(self, each.name)!r}" for each in fields(self) if each.repr)
    return f"{type(self).__qualname__}({', '.join(said)})"


def _values(self: Any) -> tuple[object, ...]:
    return tuple(getattr(self, each.name) for each in fields(self) if each.compare)


def _eq(self: Any, other: object) -> Any:
    if other.__class__ is not self.__class__:
        return NotImplemented
    return self is other or _values(self) == _values(other)


def _hash(self: Any) -> int:
    return hash(_values(self))
