"""Setups and what is otherwise go in; a row for each, as it is ready, comes out: what was it, what is it now?

What a verdict was before:
    - with something otherwise, what the setup is as its files are; the word of the approval record beside it
      counts where neither a file nor the tool has changed since;
    - with nothing otherwise, what was approved; of a setup without a record, what it was at the end of the
      last whole run.

``setups_in`` finds the setups in folders, ``Approvals`` the approval records beside them. ``asked`` is the
same in plain values, with workers, scheduler and kept answers of its own.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import field
from pathlib import Path
from typing import Any, Protocol

from clearance import ending
from clearance.archive.cache import Cache
from clearance.archive.question import AS_IT_IS, Otherwise, Rechecked, WorkerAnswer, WorkerQuestion
from clearance.archive.runner import MEMORY, SECONDS, Runner
from clearance.errors import InputError, printable
from clearance.files import no_file
from clearance.records import changing, record
from clearance.report import approval_record
from clearance.report.approval_confirm import compare
from clearance.report.approval_values import others, tool_now

#: a setup's own tables; machines, holders, pallets and margins have neither
_SETUP = re.compile(
    rb"^[ \t]*(?:\[\[?[ \t]*(?:machine|cuts)[ \t]*\]\]?|(?:machine|cuts)[ \t]*[.=])", re.MULTILINE
)
#: a setup is no larger than this (``scene.toml_file``), bytes
_LARGEST = 2_000_000
#: a record says within so many bytes that it is one
_HEAD = 400


def setups_in(places: Sequence[str]) -> list[str]:
    """The setup files in folders, and in all folders within them, and the files that are named; each once.

    A file of a folder is a setup where it has ``[machine]`` or ``[[cuts]]``, sound or not. What begins with a
    dot is passed over, and links to folders are not followed.

    Args:
        places: folders and files, as the user names them.

    Raises:
        InputError: a place is neither, or there is no setup in any of them.
    """
    found: dict[str, str] = {}
    for place in places:
        if "\0" in place:
            raise InputError(place.replace("\0", "?"), "", "there is no such file or folder", "")
        if os.path.isdir(place):
            for file in _within(place):
                found.setdefault(os.path.realpath(file), file)
        elif os.path.isfile(place):
            found.setdefault(os.path.realpath(place), place)
        else:
            kind = no_file(place)
            said = "there is no such file or folder" if kind is None else f"is {kind}, not a file or a folder"
            raise InputError(place, "", said, "name folders, or setup files")
    if not found:
        named = ", ".join(map(printable, places))
        want = "a setup has [machine] and [[cuts]]; clearance new writes a first one"
        raise InputError(None, named, "there is no setup in it", want)
    return list(found.values())


def _within(folder: str) -> Iterator[str]:
    for root, folders, files in os.walk(folder):
        folders[:] = sorted(name for name in folders if not name.startswith("."))
        for name in sorted(files):
            if name.endswith(".toml") and not name.startswith("."):
                file = os.path.join(root, name)
                if _is_setup(file):
                    yield file


def _is_setup(file: str) -> bool:
    """Whether it should be judged. One that cannot be read might be a setup: its row says so."""
    try:
        if not os.path.isfile(file):
            return False
        with open(file, "rb") as stream:
            return _SETUP.search(stream.read(_LARGEST)) is not None
    except OSError:
        return True


@record
class Approved:
    """The approval of a setup: its record's file and content; or ``spoilt``, why that cannot be used."""

    file: str
    record: dict[str, Any]
    spoilt: str = ""


class Approvals:
    """The approval records that lie in the same folder as a setup. Each folder is looked through once."""

    def __init__(self) -> None:
        self._folders: dict[str, dict[str, Approved]] = {}

    def of(self, setup: str) -> Approved | None:
        """The newest record of a setup, drafts left out; None where there is none beside it."""
        real = os.path.realpath(setup)
        folder = os.path.dirname(real)
        if folder not in self._folders:
            self._folders[folder] = _records(folder)
        return self._folders[folder].get(real)


def _records(folder: str) -> dict[str, Approved]:
    found: dict[str, Approved] = {}
    try:
        names = sorted(each.name for each in os.scandir(folder) if each.name.endswith(".json"))
    except OSError:
        return found
    for name in names:
        file = os.path.join(folder, name)
        one = _record(file)
        if one is None or (one.record.get("approved") or {}).get("draft"):
            continue
        inside = one.record
        setup = os.path.realpath(os.path.join(folder, str(inside["folder"]), str(inside["setup"])))
        there = found.get(setup)
        if there is None or _when(one) >= _when(there):
            found[setup] = one
    return found


def _when(one: Approved) -> str:
    said = one.record.get("approved")
    return str(said.get("when", "")) if isinstance(said, dict) else ""


def _record(file: str) -> Approved | None:
    """The record in a file; None where it is none, or does not tell of which setup."""
    try:
        if not os.path.isfile(file):
            return None
        with open(file, "rb") as stream:
            if b'"approval"' not in stream.read(_HEAD):
                return None
        return Approved(file, approval_record.read_record(file))
    except InputError as error:
        try:
            content = approval_record.parsed(file)
        except InputError:
            return None
        if not isinstance(content, dict) or not {"setup", "folder"} <= set(content):
            return None
        if not isinstance(content.get("approved"), dict):
            content["approved"] = {}
        return Approved(file, content, f"{Path(file).name}: {error.found}")
    except OSError:
        return None


Progress = Callable[[float, str], None]


class Source(Protocol):
    """Who answers questions: workers on this computer, or on several."""

    def answers(self, questions: Iterable[WorkerQuestion]) -> Iterator[tuple[WorkerQuestion, WorkerAnswer]]:
        """Each question with its answer, as they are ready."""


@changing
class _Case:
    """A setup on its way to its row."""

    shown: str
    now: WorkerQuestion
    before: WorkerQuestion | None = None
    was: tuple[str, float | None] | None = None
    since: str = ""
    changed: tuple[str, ...] = ()
    notes: list[str] = field(default_factory=list)
    answers: dict[WorkerQuestion, WorkerAnswer] = field(default_factory=dict)
    judged: bool = False

    @property
    def open(self) -> list[WorkerQuestion]:
        """What is still to be answered of it."""
        asked = dict.fromkeys([self.now, *([] if self.before is None else [self.before])])
        return [question for question in asked if question not in self.answers]

    def row(self) -> Rechecked:
        now, was, notes = self.answers[self.now], self.was, list(self.notes)
        if self.before is not None:
            then = self.answers[self.before]
            if then.verdict is None:
                notes.append(f"Before, it could not be judged: {then.why}.")
            else:
                was = (then.verdict, then.spare)
        return Rechecked(
            setup=self.shown,
            verdict=now.verdict,
            before=None if was is None else was[0],
            since="" if was is None else self.since,
            spare=now.spare,
            spare_before=None if was is None else was[1],
            why=now.why,
            title=now.title,
            changed=self.changed,
            note=" ".join(notes),
            least=now.least,
            kept=not self.judged,
        )


def recheck(
    places: Sequence[str],
    otherwise: Otherwise,
    source: Source,
    kept: Callable[[], Cache],
    progress: Progress | None = None,
) -> Iterator[Rechecked]:
    """A row for each setup, as it is ready.

    Args:
        places: folders and setup files.   otherwise: than the setups say, its files with their whole paths.
        source: answers what no kept answer is there for.
        kept: opens the kept answers, once all that was asked is sound.
        progress: is told the share done (0 to 1), how quickly it goes and how long it will take.

    Raises:
        InputError: a place is neither folder nor file, there is no setup, or what is otherwise is wrong.
        CannotStart: no process for judging can be started.
    """
    _look_at(otherwise)
    return _rows(setups_in(places), otherwise, source, kept, progress)


def _rows(
    shown: Sequence[str],
    otherwise: Otherwise,
    source: Source,
    kept: Callable[[], Cache],
    progress: Progress | None,
) -> Iterator[Rechecked]:
    cache = kept()
    begin = _Beginning(otherwise, cache)
    pace = _Pace(len(shown), progress)
    whole: list[tuple[str, str, float | None]] = []

    def done(case: _Case) -> Rechecked:
        as_is = case.answers.get(WorkerQuestion(case.now.setup, AS_IT_IS, case.now.form, case.now.coverage))
        if not otherwise and as_is is not None and as_is.verdict is not None:
            whole.append((case.now.setup, as_is.verdict, as_is.spare))
        pace.done += 1
        return case.row()

    ending.kept.append(pace.kept)
    try:
        waiting: dict[WorkerQuestion, _Case] = {}
        for name in shown:
            case = begin.case(name)
            pace.tell()
            if case.open:
                waiting.update(dict.fromkeys(case.open, case))
            else:
                yield done(case)
        pace.begin(len(waiting))
        for question, answer in source.answers(list(waiting)):
            with ending.held():
                cache.keep(question, answer)
            case = waiting[question]
            case.answers[question] = answer
            case.judged = True
            pace.judged += 1
            if not case.open:
                yield done(case)
            pace.tell()
        cache.finish(whole)
    finally:
        ending.kept.remove(pace.kept)
        cache.close()


def _look_at(otherwise: Otherwise) -> None:
    """Refuse at once what would be wrong for every setup."""
    from clearance.errors import InputError
    from clearance.scene.load import read_machine, read_margins

    if otherwise.margins is not None:
        read_margins(otherwise.margins)
    if otherwise.machine is not None:
        machine = read_machine(otherwise.machine)
        names = [each.name for each in machine.nozzles]
        if otherwise.nozzles not in (None, "own", *names):
            found = f'the machine "{machine.name}" has no nozzles "{otherwise.nozzles}"'
            raise InputError(None, "--nozzles", found, f"it has: {', '.join([*names, 'own'])}")


class _Beginning:
    """What is known of each setup before anything is judged."""

    def __init__(self, otherwise: Otherwise, cache: Cache) -> None:
        self._otherwise, self._cache = otherwise, cache
        self._approvals = Approvals()
        self._tools: dict[tuple[str, ...], dict[str, Any]] = {}

    def case(self, shown: str) -> _Case:
        setup = os.path.abspath(shown)
        approved = self._approvals.of(setup)
        notes = []
        if approved is not None and approved.spoilt:
            notes.append(f"Its approval record cannot be used: {approved.spoilt}.")
            approved = None
        form, coverage = (None, None) if approved is None else _form(approved, setup)
        case = _Case(shown, WorkerQuestion(setup, self._otherwise, form, coverage), notes=notes)
        same_tool = False
        if approved is not None:
            found = compare(approved.record, approved.file)
            case.changed = tuple(each.name for each in found if not each.same)
            same_tool = self._same_tool(approved)
            if not same_tool:
                notes.append("It was approved with another version of this tool.")
        if approved is not None and (not self._otherwise or (same_tool and not case.changed)):
            least = approved.record["least"]
            case.was = (approved.record["verdict"], None if least is None else float(least["spare"]))
            case.since = "approval"
        elif self._otherwise:
            case.before, case.since = WorkerQuestion(setup, AS_IT_IS, form, coverage), "files"
        else:
            case.was, case.since = self._cache.last(setup), "last"
        for question in case.open:
            kept = self._cache.answer(question)
            if kept is not None:
                case.answers[question] = kept
        return case

    def _same_tool(self, approved: Approved) -> bool:
        then = approved.record["tool"]
        libraries = tuple(then["libraries"])
        if libraries not in self._tools:
            self._tools[libraries] = tool_now(libraries)
        return not others(then, self._tools[libraries])


def _form(approved: Approved, setup: str) -> tuple[str | None, float | None]:
    """The form of readings that a setup was approved with, where it does not name it itself."""
    for each in approved.record["inputs"]:
        if each["kind"] == "form" and "coverage" in each:
            return os.path.normpath(os.path.join(os.path.dirname(setup), each["file"])), float(
                each["coverage"]
            )
    return None, None


class _Pace:
    """How far it is, how quickly it goes, and how long it will take."""

    def __init__(self, setups: int, progress: Progress | None) -> None:
        self.setups, self.done, self.judged, self._questions = setups, 0, 0, 0
        self._progress, self._began = progress, time.monotonic()

    def begin(self, questions: int) -> None:
        """Judging begins: so much there is to judge."""
        self._questions, self._began = questions, time.monotonic()

    def kept(self) -> str:
        """What a person is told who stops it."""
        return f"{self.done} of {self.setups} setups are done and kept: the same command goes on from there"

    def tell(self) -> None:
        if self._progress is None:
            return
        if not self._questions:
            self._progress(0.0, f"looking at {self.setups} setups")
            return
        text = f"{self.done} of {self.setups} setups"
        if self.judged:
            rate = self.judged / max(time.monotonic() - self._began, 1e-3)
            text += f", {rate:.1f} a second, {in_words((self._questions - self.judged) / rate)} left"
        self._progress(self.judged / self._questions, text)


def in_words(seconds: float) -> str:
    """A span of time, roughly."""
    if seconds < 90.0:
        return f"{seconds:.0f} s"
    return f"{seconds / 60.0:.0f} min" if seconds < 5400.0 else f"{seconds / 3600.0:.1f} h"


def asked(
    places: Sequence[str],
    otherwise: Otherwise,
    *,
    fresh: bool = False,
    scheduler: str | None = None,
    workers: int | None = None,
    seconds: float | None = None,
    memory: float | None = None,
    progress: Progress | None = None,
    say: Callable[[str], None] = lambda _: None,
    source: Source | None = None,
) -> Iterator[Rechecked]:
    """A row for each setup, as it is ready.

    Args:
        places: folders and setup files.   otherwise: than the setups say; its files as the user names them.
        fresh: kept answers are passed by.   scheduler: the address of a Dask scheduler; None: this computer.
        workers: how many; None: one for each core.
        seconds, memory: what one setup may take, of the clock and GB; None: ``runner.SECONDS``, ``MEMORY``.
        progress: see ``recheck``.   say: is told what is wrong with the kept answers.
        source: who answers instead.

    Raises:
        InputError: see ``recheck``.
        CannotStart: no process for judging can be started; or the scheduler is not to be had.
    """
    bound = MEMORY if memory is None else int(memory * 1e9)
    clock = SECONDS if seconds is None else seconds
    whole = Otherwise(_whole(otherwise.machine), otherwise.nozzles, _whole(otherwise.margins))
    if source is None:
        if scheduler is None:
            source = Runner(workers, clock, bound)
        else:
            from clearance.archive.cluster import Cluster

            source = Cluster(scheduler, clock, bound)
    return recheck(places, whole, source, lambda: Cache(passed_by=fresh, say=say), progress)


def _whole(path: str | None) -> str | None:
    return None if path is None else os.path.abspath(path)
