"""What a caller of the package gives goes in; what the rooms take comes out, or a ``WrongArgument``.

Nothing heavy is loaded before it is needed.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from functools import wraps
from os import PathLike, fspath
from typing import TYPE_CHECKING, ParamSpec, TypeVar

from clearance.errors import InputError, WrongArgument

if TYPE_CHECKING:
    from datetime import datetime

    from clearance.archive.question import Otherwise
    from clearance.checking.result import Result
    from clearance.scene.measured import Asked
    from clearance.scene.model import Scene


#: the arguments of the package's functions that are options of the command line
_OPTIONS = {
    "--item": "items",
    "--on": "on",
    "--with-any": "any_of",
    "--range": "within",
    "--nozzles": "nozzles",
    "--after": "after",
}
#: the command line is what calls
_by_option: ContextVar[bool] = ContextVar("by_option", default=False)
_Given = ParamSpec("_Given")
_Gives = TypeVar("_Gives")


@contextmanager
def by_option() -> Iterator[None]:
    """Within the block messages name options, also those of the package's functions."""
    before = _by_option.set(True)
    try:
        yield
    finally:
        _by_option.reset(before)


def by_argument(function: Callable[_Given, _Gives]) -> Callable[_Given, _Gives]:
    """A function of the package: its messages name its arguments, where a command's name options."""

    @wraps(function)
    def called(*args: _Given.args, **kwargs: _Given.kwargs) -> _Gives:
        try:
            return function(*args, **kwargs)
        except InputError as error:
            if _by_option.get() or error.place not in _OPTIONS:
                raise
            raise type(error)(error.file, _OPTIONS[error.place], error.found, error.want) from None

    return called


def asked_of(
    measured: str | PathLike[str] | None, coverage: float | None, nozzles: str | None = None
) -> Asked:
    """What is asked for beside a setup.

    Args:
        measured: the path of a form.   coverage: standard uncertainties.   nozzles: name of a set; None:
            what the setup says.

    Raises:
        WrongArgument: one of them is not what it should be.
    """
    from clearance.pose.fit import COVERAGE
    from clearance.scene.measured import Asked

    if measured is not None and not isinstance(measured, str | PathLike):
        raise WrongArgument("measured", measured, "the path of a form of readings")
    k = COVERAGE if coverage is None else length_of("coverage", coverage, "a number")
    if not 0.0 <= k <= 100.0:
        raise WrongArgument("coverage", coverage, "standard uncertainties, from 0 to 100")
    name = name_of("nozzles", nozzles, "the name of a set of nozzles")
    return Asked(None if measured is None else fspath(measured), k, nozzles=name)


def scene_of(setup: Scene | str | PathLike[str]) -> Scene:
    """A scene, read where it is not."""
    from clearance.scene.model import Scene

    if isinstance(setup, str | PathLike):
        from clearance import parallel
        from clearance.scene.load import load

        with parallel.processes(parallel.asked()):
            return load(fspath(setup), asked_of(None, None))

    if not isinstance(setup, Scene):
        raise WrongArgument("setup", setup, "a Scene, or the path of a setup file")
    return setup


def result_of(result: Result) -> Result:
    """A result, or a word on what is one."""
    from clearance.checking.result import Result

    if not isinstance(result, Result):
        raise WrongArgument("result", result, "a Result, which clearance.check gives")
    return result


def names_of(
    items: Collection[str] | None, name: str = "items", want: str = "a list of names"
) -> Collection[str] | None:
    """Names; one name alone is no list of names.

    Args:
        items: as given; None stays.   name: of the argument.   want: what would be right, in words.

    Raises:
        WrongArgument: it is no list of names.
    """
    if isinstance(items, str):
        raise WrongArgument(name, items, f"a list of names, [{items!r}] say")
    if items is not None and not (
        isinstance(items, Collection) and all(isinstance(each, str) for each in items)
    ):
        raise WrongArgument(name, items, want)
    return items


def name_of(name: str, value: str | None, want: str) -> str | None:
    """A name, or None.

    Args:
        name: of the argument.   value: as given.   want: what would be right, in words.

    Raises:
        WrongArgument: it is neither.
    """
    if value is not None and not isinstance(value, str):
        raise WrongArgument(name, value, want)
    return value


def length_of(name: str, value: float, want: str = "a length in mm") -> float:
    """A finite number, mm.

    Args:
        name: of the argument.   value: as given.   want: what would be right, in words.

    Raises:
        WrongArgument: it is none.
    """
    from math import isfinite

    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise WrongArgument(name, value, want)
    return float(value)


def moment_of(value: datetime | None) -> datetime | None:
    """A date and time, or None.

    Raises:
        WrongArgument: ``value`` is neither.
    """
    from datetime import datetime

    if value is not None and not isinstance(value, datetime):
        raise WrongArgument("now", value, "a date and time")
    return value


def span_of(name: str, value: tuple[float, float] | None) -> tuple[float, float] | None:
    """Two numbers, or None.

    Args:
        name: of the argument.   value: as given, mm or degrees.

    Raises:
        WrongArgument: it is neither.
    """
    if value is None:
        return None
    want = "two numbers, from and to"
    if not isinstance(value, Sequence) or isinstance(value, str) or len(value) != 2:
        raise WrongArgument(name, value, want)
    return length_of(name, value[0], want), length_of(name, value[1], want)


def path_of(name: str, value: str | PathLike[str], want: str) -> str:
    """A path as a string.

    Args:
        name: of the argument.   value: as given.   want: what would be right, in words.

    Raises:
        WrongArgument: it is no path.
    """
    if not isinstance(value, str | PathLike):
        raise WrongArgument(name, value, want)
    return fspath(value)


def check_above_zero(**given: float | None) -> None:
    """Refuse what is neither left out nor a number above zero; ``given``: arguments by their names.

    Raises:
        WrongArgument: it names the first that is so.
    """
    for name, value in given.items():
        if value is not None and (not isinstance(value, int | float) or value <= 0):
            raise WrongArgument(name, value, "a number above zero")


def kind_of(value: str) -> str:
    """The kind of what is to be laid: whose margin counts.

    Raises:
        WrongArgument: ``value`` is neither "laid" nor "holder".
    """
    if value not in ("laid", "holder"):
        raise WrongArgument("kind", value, '"laid" or "holder"')
    return value


def where_of(
    items: Collection[str] | str,
    on: str | None,
    least: float | None,
    turns: tuple[float, float] | None,
    any_of: Collection[str] | None,
) -> tuple[Collection[str], str | None, float | None, tuple[float, float] | None, Collection[str] | None]:
    """What is asked about places, as ``find_where`` takes it; each argument as in ``clearance.where``.

    Raises:
        WrongArgument: one of them is not what it should be.
    """
    named = [items] if isinstance(items, str) else names_of(items, want="a name, or a list of names")
    room = None if least is None else length_of("least", least)
    others, span = names_of(any_of, "any_of"), span_of("turns", turns)
    return named or (), name_of("on", on, "the name of an item"), room, span, others


def otherwise_of(
    machine: str | PathLike[str] | None, nozzles: str | None, margins: str | PathLike[str] | None
) -> Otherwise:
    """What is otherwise than setups of an archive say: files, and the name of a set of nozzles.

    Raises:
        WrongArgument: one of them is neither that nor None.
    """
    from clearance.archive.question import Otherwise

    on, wanted = (
        None if value is None else path_of(name, value, "the path of a file")
        for name, value in (("machine", machine), ("margins", margins))
    )
    return Otherwise(on, name_of("nozzles", nozzles, "the name of a set of nozzles"), wanted)
