"""Will the wire guide heads run free? From a setup file to a verdict.

    import clearance
    result = clearance.check("setup.toml")
    print(result.verdict)

Lengths are mm, angles degrees, masses kg; the machine frame follows ISO 841. What is wrong with a file or an
argument is raised as a ``ClearanceError``, one sentence for a person. Large libraries are loaded when needed.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from os import PathLike
from typing import TYPE_CHECKING

from clearance import arguments as _arguments
from clearance.errors import CannotDraw, ClearanceError, InputError, NotYet, Undecided, WrongArgument

if TYPE_CHECKING:
    from datetime import datetime

    from clearance.advice.keepout import Keepout, Zone
    from clearance.advice.placement import Binds, PlacementAnswer
    from clearance.advice.raises import RaiseAnswer
    from clearance.advice.session import Row, Session
    from clearance.advice.where.several import Where
    from clearance.archive.question import Rechecked
    from clearance.checking.result import (
        Ailment,
        Compared,
        Cure,
        Cures,
        CutResult,
        MoveDistance,
        Pair,
        PairChange,
        Result,
    )
    from clearance.measuring.answer import Measured
    from clearance.overnight.answer import NightAnswer
    from clearance.overnight.unattended import Approval
    from clearance.process.findings import Checked, Facts
    from clearance.scene.model import Body, Finding, Scene, Stretch, StretchKind
    from clearance.scene.settings import Cut, HeadsSetup, MachineModel, Margins, SideHeight, Travel

__version__ = "0.1.0"

__all__ = [
    "Ailment",
    "Binds",
    "Body",
    "CannotDraw",
    "Checked",
    "ClearanceError",
    "Compared",
    "Cure",
    "Cures",
    "Cut",
    "CutResult",
    "Facts",
    "Finding",
    "HeadsSetup",
    "InputError",
    "Keepout",
    "MachineModel",
    "Margins",
    "Measured",
    "MoveDistance",
    "NightAnswer",
    "NotYet",
    "Pair",
    "PairChange",
    "PlacementAnswer",
    "RaiseAnswer",
    "Rechecked",
    "Result",
    "Row",
    "Scene",
    "Session",
    "SideHeight",
    "Stretch",
    "StretchKind",
    "Travel",
    "Undecided",
    "Where",
    "WrongArgument",
    "Zone",
    "__version__",
    "check",
    "draw",
    "find_cures",
    "find_placement",
    "find_raises",
    "keepout",
    "load",
    "measured",
    "night",
    "raised",
    "recheck",
    "where",
]

#: where the types are that are loaded when they are first asked for
_HOMES = {
    "process.findings": ("Checked", "Facts"),
    "advice.keepout": ("Keepout", "Zone"),
    "advice.placement": ("Binds", "PlacementAnswer"),
    "advice.raises": ("RaiseAnswer",),
    "advice.session": ("Row", "Session"),
    "advice.where.several": ("Where",),
    "archive.question": ("Rechecked",),
    "measuring.answer": ("Measured",),
    "overnight.answer": ("NightAnswer",),
    "checking.result": (
        "Ailment", "Compared", "Cure", "Cures", "CutResult", "MoveDistance", "Pair", "PairChange", "Result",
    ),
    "scene.settings": ("Cut", "HeadsSetup", "MachineModel", "Margins", "SideHeight", "Travel"),
    "scene.model": ("Body", "Finding", "Scene", "Stretch", "StretchKind"),
}  # fmt: skip


@_arguments.by_argument
def load(
    setup: str | PathLike[str],
    *,
    measured: str | PathLike[str] | None = None,
    coverage: float | None = None,
    nozzles: str | None = None,
    processes: bool = False,
) -> Scene:
    """Read a setup file and everything that it names.

    Args:
        setup: the TOML file; what it names is looked for beside it.
        measured: a form of readings (``clearance touch`` writes it): its parts stand as they lie, and what
            stands on them; None: as the setup has it.
        coverage: standard uncertainties of the readings by which allow grows; None: 3.55, at which all six
            motions hold jointly at 95 %.
        nozzles: a set of the machine file, "own" for its own heads; None: those that the setup chooses.
        processes: share the work with forked processes, as the command line does. It is done in this one
            where that is not said, and where there is another thread.

    Returns:
        The scene in machine coordinates, mm.

    Raises:
        InputError: a file is wrong; the message names file, place, what was found and what would be right.

    >>> scene = clearance.load("demo_models/side_plate_die_clash.toml")
    >>> scene
    <Scene "Side-plate die, first row": 5 items, 2 cuts, on the machine "mid-size">
    >>> scene.items["die plate"].mesh.is_watertight
    True
    """
    path = _arguments.path_of("setup", setup, "the path of a setup file")
    from clearance import parallel
    from clearance.scene.load import load as load_setup

    with parallel.processes(processes or parallel.asked()):
        return load_setup(path, _arguments.asked_of(measured, coverage, nozzles))


def check(
    setup: Scene | str | PathLike[str],
    *,
    moves: bool = False,
    progress: Callable[[float, str], None] | None = None,
    processes: bool = False,
) -> Checked:
    """May this cut path run? Every head against every body, and what else stops a cut.

    Args:
        setup: a scene, or the path of a setup file.
        moves: give the distances of every move as well, in ``Result.moves``.
        progress: is told the share done (0 to 1) and what is looked at.
        processes: as for ``load``.

    Raises:
        InputError: as for ``load``.
        WrongArgument: ``setup`` is neither.

    >>> result = clearance.check("demo_models/side_plate_die_clash.toml")
    >>> result.verdict
    'clash'
    >>> result.pairs[0].item, result.pairs[0].where
    ('front rail', 'opening, move 5, N70, line 15')
    """
    from clearance import parallel
    from clearance.process.check import check as check_all

    with parallel.processes(processes or parallel.asked()):
        each, told = _arguments.flag_of("moves", moves), _arguments.told_of(progress)
        return check_all(_arguments.scene_of(setup), moves=each, progress=told)


@_arguments.by_argument
def raised(setup: Scene | str | PathLike[str], by: float, items: Collection[str] | None = None) -> Scene:
    """The scene with items raised, and with them the zeros of the cuts through them.

    Args:
        setup: a scene, or the path of a setup file.
        by: mm, negative downwards.
        items: names of what is raised, with all that stands on it; None: everything on the table.

    Raises:
        InputError: as for ``load``; there is no such item.

    >>> clearance.check(clearance.raised("demo_models/side_plate_die_clash.toml", 2.5)).verdict
    'clear'
    """
    from clearance.advice.raises import raised_by

    return raised_by(_arguments.scene_of(setup), _arguments.raising_of(items), _arguments.length_of("by", by))


@_arguments.by_argument
def find_raises(
    setup: Scene | str | PathLike[str],
    items: Collection[str] | None = None,
    within: tuple[float, float] | None = None,
) -> RaiseAnswer:
    """Which raises of the part zero clear everything?

    Args:
        setup: a scene, or the path of a setup file.
        items: as for ``raised``.
        within: the raises that matter, mm; None: from 0 to what travel in Z leaves.

    Raises:
        InputError: as for ``load``; there is no such item, or nothing of the range lies within the travel.

    >>> answer = clearance.find_raises("demo_models/side_plate_die_clash.toml")
    >>> answer.verdict, round(answer.smallest, 2)
    ('clear', 2.41)
    """
    from clearance.advice.raises import find_raises as find

    span = _arguments.span_of("within", within)
    return find(_arguments.scene_of(setup), _arguments.raising_of(items), span)


def find_cures(result: Result) -> Cures:
    """What else would cure it: single changes that work, each confirmed against the whole job.

    It is looked for as long as the check took at most; a sequence of what is wrong, each with its cures.

    Args:
        result: of ``check``.

    >>> result = clearance.check("demo_models/side_plate_die_clash.toml")
    >>> clearance.find_cures(result)[0].cures[0].text
    'raise the part zero and all on the table by 2.41 mm'
    """
    from clearance.advice.cures import find_cures as find

    return find(_arguments.result_of(result))


def find_placement(setup: Result | Scene | str | PathLike[str]) -> PlacementAnswer:
    """How far may the picked-up zero lie from the planned one?

    Args:
        setup: of ``check``; or a scene or the path of a setup file, which is checked first.

    Raises:
        InputError: as for ``load``.

    >>> answer = clearance.find_placement("demo_models/side_plate_die_raised.toml")
    >>> answer.verdict, answer.x[0] < 0.0 < answer.x[1]
    ('clear', True)
    """
    from clearance.advice.placement import find_placement as find
    from clearance.checking.result import Result

    return find(setup if isinstance(setup, Result) else check(setup))


def measured(
    setup: str | PathLike[str], form: str | PathLike[str] | None = None, *, coverage: float | None = None
) -> Measured:
    """How do the parts really lie, what is to be turned, and may the path run like that?

    Args:
        setup: the path of a setup file.
        form: readings, as ``clearance touch`` asks for them; None: those that the setup names.
        coverage: as for ``load``.

    Raises:
        InputError: as for ``load``; nothing was measured.

    >>> answer = clearance.measured(
    ...     "demo_models/rivet_wheel.toml", "demo_models/rivet_wheel_readings.csv"
    ... )
    >>> answer.planned.verdict, answer.measured.verdict, answer.after.verdict
    ('clear', 'clash', 'clear')
    >>> step = answer.parts[0].corrected.steps[0]
    >>> step.by, round(step.screw_mm, 3)
    ('lower screw', 0.42)
    """
    from clearance.measuring.answer import find_measured

    path = _arguments.path_of("setup", setup, "the path of a setup file")
    return find_measured(path, _arguments.asked_of(form, coverage, form="form"))


def keepout(setup: Scene | str | PathLike[str], kind: str = "laid") -> Keepout:
    """Where may no clamp stand, and up to which height?

    Args:
        setup: a scene, or the path of a setup file.
        kind: "laid" or "holder": whose margin is in the zones.

    Raises:
        InputError: as for ``load``.
        WrongArgument: there is no such kind.

    >>> zones = clearance.keepout("demo_models/side_plate_die_clash.toml")
    >>> zones.upper[0].limit < zones.upper[-1].limit
    True
    """
    from clearance.advice.keepout import find_keepout

    kind = _arguments.kind_of(kind)
    return find_keepout(_arguments.scene_of(setup), kind)


def night(
    file: str | PathLike[str],
    *,
    order: bool = False,
    other_version: bool = False,
    now: datetime | None = None,
    progress: Callable[[float, str], None] | None = None,
) -> NightAnswer:
    """Until when does the machine run alone, and what does it wait for then? All times are estimates.

    Args:
        file: the night's TOML file; what it names is looked for beside it.
        order: propose the order with most hours alone, too; for 8 jobs at most.
        other_version: it is known that another version of the tool approved the jobs.
        now: the time it is, to tell whether the start is past; None: by the computer's clock.
        progress: is told the share done (0 to 1) and what is looked at.

    Raises:
        InputError: the file, or one that it names, is wrong.

    >>> answer = clearance.night("demo_models/nights/friday.toml", other_version=True)
    >>> answer.runs_alone, answer.waits_for[0]
    (False, 'riveting nest')
    """
    path, now = _arguments.path_of("file", file, "the path of a night's file"), _arguments.moment_of(now)
    from clearance.overnight.answer import find_night
    from clearance.report.approval_confirm import standing

    other, order = _arguments.flag_of("other_version", other_version), _arguments.flag_of("order", order)

    def confirm(record: str, setup: str) -> Approval:
        return standing(record, setup, other)

    return find_night(path, confirm, order=order, now=now, progress=_arguments.told_of(progress))


@_arguments.by_argument
def where(
    setup: Scene | str | PathLike[str],
    items: Collection[str] | str,
    *,
    on: str | None = None,
    least: float | None = None,
    turns: tuple[float, float] | None = None,
    any_of: Collection[str] | None = None,
    progress: Callable[[float, str], None] | None = None,
) -> Where:
    """Where may these items stand: every place, and the best one?

    Args:
        setup: a scene, or the path of a setup file.
        items: names, up to three; or one.
        on: what the item is to stand on instead.
        least: mm by which each must be allowed to be off; None: 2 for what is laid by hand, 0.5 for others.
        turns: degrees, from and to; None: as it stands, or all about a screw.
        any_of: holders in its stead.
        progress: is told the share done (0 to 1) and what is looked at.

    Raises:
        InputError: as for ``load``; there is no such item or holder, or it has no places.

    >>> answer = clearance.where("demo_models/side_plate_die_clash.toml", "left strap")
    >>> answer.verdict, answer.items[0].best.at
    ('places', (200.0, 215.5))
    """
    from clearance.advice.where.several import find_where

    asked = _arguments.where_of(items, on, least, turns, any_of)
    return find_where(_arguments.scene_of(setup), *asked, _arguments.told_of(progress))


@_arguments.by_argument
def draw(
    setup: Result | Scene | str | PathLike[str],
    file: str | PathLike[str],
    *,
    view: str = "iso",
    size: tuple[int, int] = (1600, 1200),
    ground: str = "white",
    after: str | None = None,
) -> None:
    """Draw a picture for a setup document, as a PNG file.

    Args:
        setup: of ``check``; or a scene or the path of a setup file, which is checked first.
        file: where the picture goes; it is there whole or not at all.
        view: where it is looked from: "iso", "iso_left", "iso_back", "iso_back_left", "front", "right",
            "top", "along_wire", or "close_up" (the place with the least to spare).
        size: width and height in pixels, each 320 to 6000.
        ground: "white", or "transparent".
        after: name of a cut, a stop or a state: what stands there then is drawn, and the cut that follows.

    Raises:
        InputError: as for ``load``; view, size, ground, that name or the place to write to is wrong.
        CannotDraw: no OpenGL is to be had; the message says what to install.

    >>> clearance.draw("demo_models/side_plate_die_clash.toml", "side_plate_die.png", view="close_up")
    """
    target = _arguments.path_of("file", file, "the path of the picture to write")
    from clearance.checking.result import Result
    from clearance.view.picture import draw as draw_result

    after = _arguments.name_of("after", after, "the name of a cut, a stop or a state")
    result = setup if isinstance(setup, Result) else check(setup)
    draw_result(result, target, view=view, size=size, ground=ground, after=after)


@_arguments.by_argument
def recheck(
    *places: str | PathLike[str],
    machine: str | PathLike[str] | None = None,
    nozzles: str | None = None,
    margins: str | PathLike[str] | None = None,
    fresh: bool = False,
    scheduler: str | None = None,
    workers: int | None = None,
    seconds: float | None = None,
    memory: float | None = None,
    progress: Callable[[float, str], None] | None = None,
) -> Iterator[Rechecked]:
    """Which verdicts of many setups would change? A row for each, as it is ready.

    Fresh processes judge, one a core; answers are kept. One that cannot be judged is a row that says why.

    Args:
        places: folders, of which all setups are asked, and setup files.
        machine: a machine file, instead of the setups' machines.
        nozzles: as for ``load``.
        margins: a file with ``[margins]``; what it says counts instead of what the setups say.
        fresh: judge all of them anew, whatever was kept.
        scheduler: address of a Dask scheduler whose computers judge, "tcp://host:8786"; None: this one.
        workers: how many at once; None: one for each core.
        seconds: of the clock that one setup may take; None: 600.
        memory: GB that one setup may take; None: 4.
        progress: as for ``check``.

    Raises:
        InputError: there is no such place, no setup in it, or a file that is otherwise is wrong.

    >>> rows = clearance.recheck("demo_models/punch_blank.toml", workers=1)
    >>> [(row.verdict, row.before) for row in rows if row.since == ""]
    [('close', None)]
    """
    from clearance.archive.recheck import asked

    otherwise = _arguments.otherwise_of(machine, nozzles, margins)
    scheduler = _arguments.name_of("scheduler", scheduler, "an address, tcp://host:8786 say")
    workers, seconds, memory = _arguments.bounds_of(workers, seconds, memory)
    return asked(
        _arguments.places_of(places), otherwise, fresh=_arguments.flag_of("fresh", fresh),
        scheduler=scheduler, workers=workers,
        seconds=seconds, memory=memory, progress=_arguments.told_of(progress),
    )  # fmt: skip


if not TYPE_CHECKING:

    def __getattr__(name):
        """A type that is loaded when it is first asked for."""
        from importlib import import_module

        for home, names in _HOMES.items():
            if name in names:
                globals()[name] = getattr(import_module(f"clearance.{home}"), name)
                return globals()[name]
        raise AttributeError(f"module 'clearance' has no attribute {name!r}")

    def __dir__():
        return sorted({*globals(), *__all__})
