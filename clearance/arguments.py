"""What a caller of the package gives goes in; what the rooms take comes out, or a ``WrongArgument``.

Nothing heavy is loaded before it is needed.
"""

from __future__ import annotations

from collections.abc import Collection
from os import PathLike, fspath
from typing import TYPE_CHECKING

from clearance.errors import WrongArgument

if TYPE_CHECKING:
    from clearance.checking.result import Result
    from clearance.scene.lying import Asked
    from clearance.scene.model import Scene


def asked_of(
    measured: str | PathLike[str] | None, coverage: float | None, nozzles: str | None = None
) -> Asked:
    """What is asked for beside a setup."""
    from clearance.pose.fit import COVERAGE
    from clearance.scene.lying import Asked

    if measured is not None and not isinstance(measured, str | PathLike):
        raise WrongArgument("measured", measured, "the path of a form of readings")
    k = COVERAGE if coverage is None else length_of("coverage", coverage)
    if not 0.0 <= k <= 100.0:
        raise WrongArgument("coverage", coverage, "standard uncertainties, from 0 to 100")
    if nozzles is not None and not isinstance(nozzles, str):
        raise WrongArgument("nozzles", nozzles, "the name of a set of nozzles")
    return Asked(None if measured is None else fspath(measured), k, nozzles=nozzles)


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


def names_of(items: Collection[str] | None) -> Collection[str] | None:
    """Names; one name alone is no list of names."""
    if isinstance(items, str):
        raise WrongArgument("items", items, f"a list of names, [{items!r}] say")
    return items


def length_of(name: str, value: float) -> float:
    """A finite number of mm."""
    from math import isfinite

    if isinstance(value, bool) or not isinstance(value, int | float) or not isfinite(value):
        raise WrongArgument(name, value, "a length in mm")
    return float(value)


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


def check_above_zero(name: str, value: float | None) -> None:
    """Refuse what is neither left out nor a number above zero.

    Args:
        name: of the argument.   value: as given.
    """
    if value is not None and (not isinstance(value, int | float) or value <= 0):
        raise WrongArgument(name, value, "a number above zero")
