"""What a caller of the package gives goes in; what the rooms take comes out, or a ``WrongArgument``.

Nothing heavy is loaded before it is needed.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from functools import wraps
from numbers import Integral
from os import PathLike, fspath
from typing import TYPE_CHECKING, ParamSpec, TypeVar

from clearance.errors import InputError, WrongArgument, finite

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
    "--least": "least",
    "--turns": "turns",
    "--by": "by",
    "--range": "within",
    "--nozzles": "nozzles",
    "--after": "after",
}
#: nothing need be off by more, mm
FARTHEST = 1000.0
#: how many may judge setups at once; what one setup may take, of the clock and of memory
WORKERS = (1, 1024)
SECONDS = (1.0, 1e6)
GIGABYTES = (0.5, 1e5)
#: years that a calendar has, as a night's file may name them
YEARS = (1971, 9000)
#: what is asked about
SETUP = "a Scene, or the path of a setup file"
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
    measured: str | PathLike[str] | None,
    coverage: float | None,
    nozzles: str | None = None,
    form: str = "measured",
) -> Asked:
    """What is asked for beside a setup.

    Args:
        measured: the path of a form.   coverage: standard uncertainties.   nozzles: name of a set; None:
            what the setup says.   form: the argument that names the form.

    Raises:
        WrongArgument: one of them is not what it should be.
    """
    from clearance.pose.fit import COVERAGE
    from clearance.scene.measured import Asked

    file = None if measured is None else path_of(form, measured, "the path of a form of readings")
    k = COVERAGE if coverage is None else length_of("coverage", coverage, "a number")
    if not 0.0 <= k <= 100.0:
        raise WrongArgument("coverage", coverage, "standard uncertainties, from 0 to 100")
    name = name_of("nozzles", nozzles, "the name of a set of nozzles")
    return Asked(file, k, nozzles=name)


def scene_of(setup: Scene | str | PathLike[str]) -> Scene:
    """A scene, read where it is not.

    Raises:
        WrongArgument: ``setup`` is neither that nor a path.   InputError: bodies are missing.
    """
    from clearance.scene.model import Scene

    if isinstance(setup, str | PathLike):
        from clearance import parallel
        from clearance.scene.load import load

        with parallel.processes(parallel.asked()):
            return load(path_of("setup", setup, SETUP), asked_of(None, None))

    if not isinstance(setup, Scene):
        from clearance.checking.result import Result

        raise WrongArgument("setup", setup, SETUP + ("; its scene, say" if isinstance(setup, Result) else ""))
    if max((k for stretch in setup.stretches for k in stretch.bodies), default=-1) >= len(setup.bodies):
        found = "bodies were taken out of the scene by hand, which its cuts still count"
        raise InputError(setup.setup_file, "", found, "take an item off with Scene.without")
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
    number = finite(value)
    if number is None:
        raise WrongArgument(name, value, want)
    return number


def moment_of(value: datetime | None) -> datetime | None:
    """A date and time, or None.

    Raises:
        WrongArgument: ``value`` is neither.
    """
    from datetime import datetime

    if value is None:
        return None
    if not isinstance(value, datetime):
        raise WrongArgument("now", value, "a date and time")
    if not YEARS[0] <= value.year <= YEARS[1]:
        raise WrongArgument("now", value, f"of a year that a calendar has, {YEARS[0]} to {YEARS[1]}")
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
    both = list(value) if isinstance(value, Sequence) or hasattr(value, "tolist") else []
    if isinstance(value, str) or len(both) != 2:
        raise WrongArgument(name, value, want)
    return length_of(name, both[0], want), length_of(name, both[1], want)


def path_of(name: str, value: str | PathLike[str], want: str) -> str:
    """A path as a string.

    Args:
        name: of the argument.   value: as given.   want: what would be right, in words.

    Raises:
        WrongArgument: it is no path.   InputError: it is an empty one.
    """
    path = fspath(value) if isinstance(value, str | PathLike) else None
    if not isinstance(path, str):
        raise WrongArgument(name, value, want)
    if not path:
        raise InputError(None, name, "is empty", want)
    return path


def places_of(places: Sequence[str | PathLike[str]]) -> list[str]:
    """Folders and setup files, one at least.

    Raises:
        WrongArgument: one of ``places`` is no path, or there is none.
    """
    want = "folders, and paths of setup files"
    if not places:
        raise WrongArgument("places", places, f"{want}, one at least")
    return [path_of("places", place, want) for place in places]


def bounds_of(
    workers: int | None, seconds: float | None, memory: float | None
) -> tuple[int | None, float | None, float | None]:
    """What the judging of many setups is bounded by; what is None stays.

    Args:
        workers: how many at once.   seconds, memory: that one setup may take.

    Raises:
        WrongArgument: one of them is too little or too much, or there is a part of a worker.
    """
    if workers is not None:
        count = finite(workers) if isinstance(workers, Integral) else None
        if count is None or not WORKERS[0] <= count <= WORKERS[1]:
            raise WrongArgument("workers", workers, f"a whole number, {WORKERS[0]} to {WORKERS[1]}")
    bounds: list[float | None] = []
    for name, value, (least, most), unit in (
        ("seconds", seconds, SECONDS, "s"),
        ("memory", memory, GIGABYTES, "GB"),
    ):
        number = None if value is None else finite(value)
        if value is not None and (number is None or not least <= number <= most):
            raise WrongArgument(name, value, f"a number, {least:g} to {most:.0f} {unit}")
        bounds.append(number)
    return None if workers is None else int(workers), bounds[0], bounds[1]


def flag_of(name: str, value: bool) -> bool:
    """True or False.

    Args:
        name: of the argument.   value: as given, numpy's as well.

    Raises:
        WrongArgument: it is neither: that a word is true in Python is nothing that anybody means.
    """
    if type(value).__name__ not in ("bool", "bool_"):
        raise WrongArgument(name, value, "True or False")
    return bool(value)


def told_of(progress: Callable[[float, str], None] | None) -> Callable[[float, str], None] | None:
    """What is told how far it is, or None.

    Raises:
        WrongArgument: ``progress`` is neither.
    """
    if progress is not None and not callable(progress):
        raise WrongArgument("progress", progress, "a function of the share done and what is looked at")
    return progress


def raising_of(items: Collection[str] | None) -> Collection[str] | None:
    """Names of what is raised, or None for everything: none at all would be everything, too.

    Raises:
        WrongArgument: ``items`` are neither.
    """
    named = names_of(items)
    if named is not None and len(named) == 0:
        raise WrongArgument("items", items, "names of items, or None for everything on the table")
    return named


def kind_of(value: str) -> str:
    """The kind of what is to be laid: whose margin counts.

    Raises:
        WrongArgument: ``value`` is neither "laid" nor "holder".
    """
    if not isinstance(value, str) or value not in ("laid", "holder"):
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
    want = "a name, or a list of names"
    named = [items] if isinstance(items, str) else names_of(items, want=want)
    if named is None:
        raise WrongArgument("items", items, want)
    if len(set(named)) < len(named):
        raise InputError(None, "items", "an item is named twice", "each once")
    others, span = names_of(any_of, "any_of"), span_of("turns", turns)
    for name, value in (("on", on), ("any_of", any_of)):
        if value is not None and len(named) > 1:
            raise InputError(None, name, "goes with one item", f"{name} left out")
    room = None if least is None else length_of("least", least)
    if room is not None and not 0.0 <= room <= FARTHEST:
        raise InputError(None, "least", f"{room:g} is no length", f"mm, from 0 to {FARTHEST:g}")
    if span is not None and not (abs(span[0]) <= 360.0 and abs(span[1]) <= 360.0 and span[0] <= span[1]):
        found = f"{span[0]:g} to {span[1]:g} are no turns"
        raise InputError(None, "turns", found, "degrees, from the lower to the higher, -360 to 360")
    return named, name_of("on", on, "the name of an item"), room, span, others


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
