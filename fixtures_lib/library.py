"""A holder's name and a user's parameters go in; the built holder, or one clear error, comes out."""

from __future__ import annotations

import difflib
import importlib
import importlib.util
import math
import numbers
import pkgutil
from collections.abc import Iterable, Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from clearance.errors import InputError
from clearance.geometry.transforms import apply
from fixtures_lib.holder import Conflict, Does, Fastened, Fitted, Holder, Kind, Limit, Parameter

UNITS = {"mass": "kg", "force": "N"}
MODEL_DIGITS = 1e-3  # mm: a part of just the largest size is that, whatever its model's last digits are
DOES = {
    Does.BEARS: "parts lie on it",
    Does.GRIPS: "grips",
    Does.PRESSES: "presses from above",
    Does.CARRIES: "other holders stand on it",
    Does.ATTRACTS: "holds what a magnet holds",
}
FASTENED = {
    Fastened.BOLTED: "screwed down or mounted itself",
    Fastened.IN_A_SHANK: "held by its shank",
    Fastened.STANDS: "stands by its own weight",
}


def default(p: Parameter) -> str:
    """The default as it would be typed; "-" where it is worked out from the other values."""
    if p.default is None or (p.many and not p.default):
        return "-"
    if p.many:
        return "[" + ", ".join(f"{each:g}" for each in p.default) + "]"
    return f'"{p.default}"' if p.choices else f"{p.default:g}"


def allowed(p: Parameter) -> str:
    """The range with its unit, or the choices."""
    if p.choices:
        return ", ".join(p.choices)
    return f"{p.low:g} to {p.high:g} {p.unit}".rstrip()


def limit(each: Limit) -> str:
    """ "mass to 15 kg (common practice, no source)"."""
    name = f"the part's {each.quantity}" if each.quantity in ("x", "y", "z") else each.quantity
    ends = []
    if each.low is not None:
        ends.append(f"from {each.low:.6g}")
    if each.high is not None:
        ends.append(f"to {each.high:.6g}")
    return f"{name} {' '.join(ends)} {UNITS.get(each.quantity, 'mm')} ({each.source})"


def does(kind: Kind) -> str:
    """What a kind does, and how it is fastened: "grips, presses from above; stands by its own weight"."""
    return f"{', '.join(DOES[each] for each in kind.does)}; {FASTENED[kind.fastened]}"


#: a length below this is a slip, and no solid has such an edge, mm
FINEST = 1e-4


#: modules of this package that are no holders
_NONE = frozenset({"pages", "suite", "drawing", "outlines"})


@cache
def find(name: str) -> Kind | None:
    """The kind of that name, which is its module's; None where there is none. No other module is loaded."""
    if not name.isidentifier() or name.startswith("_") or name in _NONE:
        return None
    if importlib.util.find_spec(f"fixtures_lib.{name}") is None:
        return None
    kind = getattr(importlib.import_module(f"fixtures_lib.{name}"), "KIND", None)
    return kind if isinstance(kind, Kind) else None


@cache
def _kinds() -> dict[str, Kind]:
    """Every module of this package that defines KIND, by name."""
    package = importlib.import_module("fixtures_lib")
    all_names = sorted(module.name for module in pkgutil.iter_modules(package.__path__))
    return {name: kind for name in all_names if (kind := find(name)) is not None}


def names() -> list[str]:
    """What can be had, in alphabetical order."""
    return list(_kinds())


def get(name: str, where: str = "", file: str | Path | None = None, more: Sequence[str] = ()) -> Kind:
    """The kind of that name.

    Args:
        name: the holder's.   where, file: for the message, as for ``build``.
        more: names that would have been right too, the shop's own.

    Raises:
        InputError: there is none; the message says what exists.
    """
    kind = find(name) if isinstance(name, str) else None
    if kind is None:
        raise InputError(file, where, f"no holder {name!r} in the library", _which(name, [*more, *names()]))
    return kind


def build(
    name: str | Kind,
    params: Mapping[str, Any],
    where: str = "",
    file: str | Path | None = None,
    *,
    scale: float | Mapping[str, float] = 1.0,
) -> Holder:
    """The holder with the given parameters; what is left out takes its default.

    Args:
        name: the holder's name, or its kind.
        params: as the user wrote them.
        where: the item's place in the file, "items[2]"; a parameter is then at "items[2].params.length".
        file: the file as the user named it.
        scale: mm in one unit of the lengths in ``params``, one for all or each by its name; angles and counts
            are not scaled.

    Raises:
        InputError: no such holder, no such parameter, a value of the wrong type or outside its range, or
            values that do not go together.
    """
    where = where.removesuffix(".params")
    kind = name if isinstance(name, Kind) else get(name, f"{where}.holder" if where else "", file)
    values = filled(kind, params, where, file, scale=scale)
    try:
        return kind.build(values)
    except Conflict as conflict:
        raise InputError(file, _place(where, conflict.parameter), conflict.found, conflict.want) from None


def fit(
    name: str | Kind,
    params: Mapping[str, Any],
    triangles: NDArray[np.float64],
    where: str = "",
    file: str | Path | None = None,
    *,
    scale: float | Mapping[str, float] = 1.0,
    seat: str | None = None,
) -> Fitted:
    """The parameters with which a holder fits a part; what the user gave beside them is kept.

    Args:
        name, params, where, file, scale: as for ``build``.
        triangles: the part's, (N, 3, 3) mm, in the frame of the seat it is held in; for a holder that the
            part does not stand on (a strap), in the holder's own frame.
        seat: the name of that seat, "" for the only one; None where the part does not stand on it.

    Raises:
        InputError: as for ``build``; or the holder is none that can be fitted.
    """
    where = where.removesuffix(".params")
    kind = name if isinstance(name, Kind) else get(name, f"{where}.holder" if where else "", file)
    values = filled(kind, params, where, file, scale=scale)
    if kind.fit is None:
        can = [each.name for each in _kinds().values() if each.fit is not None]
        place = f"{where}.fit" if where else "fit"
        raise InputError(
            file, place, f"{kind.name} cannot be fitted to a part", f"these can: {', '.join(can)}"
        )
    given = {key: values[key] for key in params}
    if kind.fits_in_own_frame and seat is not None:
        seats = kind.build(values).seats
        # a seat that is not there is told where the part is placed
        if seats:
            triangles = apply(seats.get(seat, next(iter(seats.values()))).T_HS, triangles)
    try:
        measured = kind.fit(values, triangles)
    except Conflict as conflict:
        return Fitted(given, (), (f"{kind.name} does not fit: {conflict.found}; {conflict.want}",))
    said, problems = [], []
    known = {parameter.name: parameter for parameter in kind.parameters}
    fitted = dict(measured)
    for key, value in measured.items():
        beside = given.get(key)
        if isinstance(value, str):
            instead = f" in place of the {beside} given" if beside not in (None, value) else ""
            said.append(f"{key} set to {value}{instead}")
            continue
        unit, low, high = known[key].unit, known[key].low, known[key].high
        other = beside is not None and f"{beside:.4g}" != f"{value:.4g}"
        instead = f" in place of the {beside:.4g} {unit} given" if other else ""
        said.append(f"{key} set to {value:.4g} {unit}{instead}")
        assert low is not None
        assert high is not None
        fitted[key] = min(max(value, low), high)
        if abs(fitted[key] - value) > MODEL_DIGITS:
            limit = f"at least {low:g}" if value < low else f"at most {high:g}"
            problems.append(
                f"{kind.name} does not fit: {key} would be {round(value, 3):g} {unit}, it has {limit} {unit}"
            )
    try:
        built = kind.build({**values, **fitted})
    except Conflict as conflict:
        problem = f"{kind.name} does not fit: {conflict.parameter} {conflict.found}; {conflict.want}"
        return Fitted(given, (), (*problems, problem))
    return Fitted({**given, **fitted}, tuple(said), tuple(problems), built, tuple(fitted))


def filled(
    kind: Kind,
    params: Mapping[str, Any],
    where: str = "",
    file: str | Path | None = None,
    *,
    scale: float | Mapping[str, float] = 1.0,
) -> dict[str, Any]:
    """Every parameter of the kind with the user's value, checked and in mm, or its default.

    Raises:
        InputError: as for ``build``.
    """
    known = {parameter.name: parameter for parameter in kind.parameters}
    if not isinstance(params, Mapping):
        raise InputError(file, _place(where), f"{params!r} is no table", "want { length = 320 }, say")
    for key in params:
        if key not in known:
            raise InputError(
                file, _place(where, key), f"{kind.name} has no parameter {key!r}", _which(key, list(known))
            )
    values: dict[str, Any] = {}
    for key, parameter in known.items():
        if key in params:
            mm = scale[key] if isinstance(scale, Mapping) else scale
            values[key] = _checked(parameter, params[key], _place(where, key), file, mm)
        else:
            values[key] = tuple(parameter.default) if parameter.many else parameter.default
    return values


def _checked(parameter: Parameter, value: Any, place: str, file: str | Path | None, scale: float) -> Any:
    if parameter.choices:
        if not isinstance(value, str) or value not in parameter.choices:
            raise InputError(file, place, f"{value!r} is no choice", _which(value, parameter.choices))
        return value
    if parameter.many:
        if isinstance(value, str | Mapping) or not isinstance(value, Iterable):
            raise InputError(file, place, f"{value!r}", "a list of numbers is wanted, [30, 150] say")
        return tuple(_number(parameter, each, f"{place}[{i}]", file, scale) for i, each in enumerate(value))
    return _number(parameter, value, place, file, scale)


def _number(parameter: Parameter, value: Any, place: str, file: str | Path | None, scale: float) -> float:
    if isinstance(value, bool) or not isinstance(value, numbers.Real) or not _is_finite(value):
        raise InputError(file, place, f"{value!r} is no number", f"want {allowed(parameter)}")
    number = float(value) * (scale if parameter.unit == "mm" else 1.0)
    low, high = parameter.low, parameter.high
    if (low is not None and number < low) or (high is not None and number > high):
        found = f"{value:g}" if number == float(value) else f"{value:g} ({number:g} {parameter.unit})"
        raise InputError(file, place, f"{found} is outside its range", f"want {allowed(parameter)}")
    if parameter.unit == "mm" and 0.0 < abs(number) < FINEST:
        raise InputError(file, place, f"{value:g} is no length", f"want 0, or at least {FINEST:g} mm")
    return number


def _is_finite(value: Any) -> bool:
    try:
        return math.isfinite(value)
    except OverflowError:  # a whole number of hundreds of digits
        return False


def _place(where: str, key: str = "") -> str:
    return ".".join(part for part in (where, "params", key) if part)


def _which(word: Any, known: Iterable[str]) -> str:
    known = list(known)
    near = difflib.get_close_matches(str(word).lower().replace(" ", "_").replace("-", "_"), known, n=1)
    there = "there is " + (", ".join(known) if known else "nothing to set")
    return f"did you mean {near[0]!r}? {there}" if near else there
