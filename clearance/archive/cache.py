"""Answers that were given are kept, and found again as long as all that went into them is the same.

An answer is kept under a hash of the tool, its libraries, the options and the setup file's bytes, together
with the name and hash of every other file that was read. To find it these files are hashed as they are now:
nothing is judged, nothing is read as a setup, and a file that was changed is always noticed, since its bytes
count and not its date. Folders in which holders were looked for count by the names in them.

One SQLite file in the user's cache folder; only the process that hands out the questions writes to it, each
answer as it comes, so that nothing is lost where that process is killed. Several of them share the file
through SQLite's own locks. The journal is the plain one: that of readers beside a writer (WAL) is not for
home folders on a network.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import sqlite3
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from clearance.archive.question import WorkerAnswer, WorkerQuestion, answer_of, digest
from clearance.files import shipped_machine
from clearance.report.approval_values import LIBRARIES, READERS, everything_sha256, tool_now
from clearance.scene.shelf import VARIABLE

#: 1: the first
SCHEMA = 1
#: answers that are kept at most; those not asked for so long go as well, days
MOST, DAYS = 200_000, 365
#: another process may hold the file for so long, s
_WAIT = 30.0
#: SQLite's codes for a file that is spoilt, or none of its own
_SPOILT = (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)
_SHIPPED = ".toml (ships with the tool)"

_TABLES = """
create table if not exists answers
    (id text primary key, start text, needs text, answer text, whole text, used real);
create index if not exists by_start on answers (start);
create table if not exists last (setup blob primary key, verdict text, spare real, at real);
"""

T = TypeVar("T")


def cache_folder() -> Path:
    """Where this user's programs keep what can be made again."""
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local", "clearance", "cache")
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches" / "clearance"
    said = os.environ.get("XDG_CACHE_HOME", "")
    return Path(said if os.path.isabs(said) else Path.home() / ".cache", "clearance")


class Hashes:
    """SHA-256 of files, each read once while its size, date and number stay the same."""

    def __init__(self) -> None:
        self._known: dict[str, tuple[tuple[int, int, int], str]] = {}

    def of(self, file: str) -> str | None:
        """The hash (hex) of a file; None where it cannot be read."""
        try:
            found = os.stat(file)
            stamp = (found.st_size, found.st_mtime_ns, found.st_ino)
            known = self._known.get(file)
            if known is not None and known[0] == stamp:
                return known[1]
            if not os.path.isfile(file):
                return None
            with open(file, "rb") as stream:
                made = hashlib.file_digest(stream, "sha256").hexdigest()
        except (OSError, ValueError):
            return None
        self._known[file] = (stamp, made)
        return made


def names_in(folder: str) -> str:
    """A hash of the names of the holders in a folder; "" where there is no such folder."""
    try:
        return digest(sorted(name for name in os.listdir(folder) if name.endswith(".toml")))
    except (OSError, ValueError):
        return ""


def tool_sha256() -> str:
    """A hash of all that judges: program, holder library, shipped machines, libraries, Python."""
    libraries = (*LIBRARIES, *READERS.values())
    return digest(SCHEMA, tool_now(libraries), everything_sha256(), sys.version, os.environ.get(VARIABLE, ""))


class Cache:
    """The kept answers, and the last verdict of each setup.

    Args:
        file: the SQLite file; None: in the user's cache folder.
        passed_by: kept answers are not looked for (new ones are kept all the same).
        say: is told in a sentence what is wrong with the file; that is no reason to stop.
    """

    def __init__(
        self, file: Path | None = None, passed_by: bool = False, say: Callable[[str], None] = lambda _: None
    ) -> None:
        self._file = cache_folder() / "recheck.sqlite3" if file is None else file
        self._passed_by, self._say = passed_by, say
        self._hashes = Hashes()
        self._tool = tool_sha256()
        self._used: list[str] = []
        self._base: sqlite3.Connection | None = None
        self._open()

    # ------------------------------------------------------------------------------------------ answers
    def answer(self, question: WorkerQuestion) -> WorkerAnswer | None:
        """The kept answer to a question; None where there is none that still holds."""
        start = None if self._passed_by else self._start(question)
        if start is None:
            return None
        asked = "select id, needs, answer, whole from answers where start = ? order by used desc"
        nothing: list[tuple[str, str, str, str]] = []
        found = self._do(lambda base: base.execute(asked, (start,)).fetchall(), nothing)
        for key, needs, answer, whole in found:
            with contextlib.suppress(ValueError, TypeError):
                # a disk that has turned a bit must not turn a verdict
                if whole == digest(key, needs, answer) and self._holds(
                    json.loads(needs), os.path.dirname(question.setup)
                ):
                    self._used.append(key)
                    return answer_of(answer)
        return None

    def keep(self, question: WorkerQuestion, answer: WorkerAnswer) -> None:
        """Keep an answer. What could not be judged is not kept: it is tried again.

        Args:
            question: as it was asked.   answer: to it, with the files that it was had from.
        """
        if answer.verdict is None or not answer.inputs:
            return
        read, other = dict(answer.inputs[1:]), question.otherwise
        if len(read) < len(answer.inputs) - 1:
            return  # a file was changed between two readings of it
        # as they were read, whatever they are by now
        machine, margins = (read.pop(name, None) if name else "" for name in (other.machine, other.margins))
        form = self._hashes.of(question.form) if question.form else ""
        start = self._digest(question, answer.inputs[0][1], form, machine, margins)
        if start is None:
            return
        folder = os.path.dirname(question.setup)
        needs = json.dumps(
            [
                *(["file", name, sha256] for name, sha256 in read.items()),
                *(["folder", name, names_in(os.path.join(folder, name))] for name in answer.looked_in),
            ]
        )
        # the files are in ``needs``
        key, text = digest(start, needs), replace(answer, inputs=()).as_text()
        row = (key, start, needs, text, digest(key, needs, text), time.time())
        self._write("insert or replace into answers values (?, ?, ?, ?, ?, ?)", [row])

    def _start(self, question: WorkerQuestion) -> str | None:
        """A hash of what is known before any file that the setup names is read; None where one is missing."""
        other, of = question.otherwise, self._hashes.of
        known = (of(name) if name else "" for name in (question.form, other.machine, other.margins))
        return self._digest(question, of(question.setup), *known)

    def _digest(self, question: WorkerQuestion, *files: str | None) -> str | None:
        """The same of files' hashes: setup, form, machine, margins."""
        if None in files:
            return None
        return digest(self._tool, question.otherwise.nozzles, question.coverage, *files)

    def _holds(self, needs: Sequence[Sequence[str]], folder: str) -> bool:
        """Whether all that went into an answer is as it was."""
        for kind, name, was in needs:
            where = os.path.join(folder, name)
            if kind == "folder":
                now: str | None = names_in(where)
            elif name.endswith(_SHIPPED):
                now = self._hashes.of(str(shipped_machine(name.removesuffix(_SHIPPED))))
            else:
                now = self._hashes.of(where)
            if now != was:
                return False
        return True

    # --------------------------------------------------------------------------------------- last verdicts
    def last(self, setup: str) -> tuple[str, float | None] | None:
        """Verdict and least to spare of a setup at the end of the last whole run; None where there is none.

        Args:
            setup: the path of its file.
        """
        asked = "select verdict, spare from last where setup = ?"
        found = self._do(lambda base: base.execute(asked, (_place(setup),)).fetchone(), None)
        return None if found is None else (str(found[0]), found[1])

    def finish(self, verdicts: Sequence[tuple[str, str, float | None]]) -> None:
        """A run is at its end: its verdicts are the last ones from now on, and what nobody asks for goes.

        Args:
            verdicts: of each setup its path, verdict and least to spare, mm.
        """
        now = time.time()
        rows = [(_place(setup), verdict, spare, now) for setup, verdict, spare in verdicts]
        self._write("insert or replace into last values (?, ?, ?, ?)", rows)
        self._write("update answers set used = ? where id = ?", [(now, key) for key in self._used])
        self._used.clear()
        self._write("delete from answers where used < ?", [(now - DAYS * 86400.0,)])
        most = "delete from answers where id in (select id from answers order by used desc limit -1 offset ?)"
        self._write(most, [(MOST,)])

    def close(self) -> None:
        """Let go of the file."""
        if self._base is not None:
            self._base.close()
            self._base = None

    # ---------------------------------------------------------------------------------------------- the file
    def _open(self) -> None:
        try:
            self._file.parent.mkdir(parents=True, exist_ok=True)
            try:
                self._base = _opened(self._file)
            except sqlite3.DatabaseError as error:
                if not _is_spoilt(error):
                    raise
                self._set_aside()
        except (OSError, sqlite3.Error) as error:
            self._without(error)

    def _set_aside(self) -> None:
        """The file is spoilt: it goes under another name, and a new one is begun."""
        self.close()
        aside = self._file.with_name(f"{self._file.stem}.spoilt-{time.time_ns():x}{self._file.suffix}")
        os.replace(self._file, aside)
        for more in ("-journal", "-wal", "-shm"):
            with contextlib.suppress(OSError):
                os.unlink(f"{self._file}{more}")
        self._base = _opened(self._file)
        self._say(f"kept answers could not be read: their file is set aside as {aside}")

    def _without(self, error: Exception) -> None:
        self.close()
        self._say(f"no answers can be kept in {self._file} ({error}): all is judged anew")

    def _do(self, what: Callable[[sqlite3.Connection], T], instead: T) -> T:
        """What comes of a step on the file; ``instead`` where the file is not to be had."""
        if self._base is None:
            return instead
        try:
            return what(self._base)
        except sqlite3.Error as error:
            try:
                if not _is_spoilt(error):
                    raise
                self._set_aside()
                return what(self._base)
            except (OSError, sqlite3.Error) as again:
                self._without(again)
                return instead

    def _write(self, text: str, rows: Sequence[tuple[object, ...]]) -> None:
        def step(base: sqlite3.Connection) -> None:
            with base:
                base.executemany(text, rows)

        if rows:
            self._do(step, None)


def _place(setup: str) -> bytes:
    """Where a setup lies: as bytes, since a name need not be text."""
    return os.fsencode(os.path.realpath(setup))


def _is_spoilt(error: sqlite3.Error) -> bool:
    return getattr(error, "sqlite_errorcode", 0) & 0xFF in _SPOILT


def _opened(file: Path) -> sqlite3.Connection:
    base = sqlite3.connect(file, timeout=_WAIT, check_same_thread=False)
    try:
        there = base.execute("pragma user_version").fetchone()[0]
        if there not in (0, SCHEMA):
            # of another version of this tool: what it holds can be made again
            with base:
                base.executescript("drop table if exists answers; drop table if exists last;")
        base.execute("pragma synchronous = normal")
        base.executescript(_TABLES)
        base.execute(f"pragma user_version = {SCHEMA}")
        return base
    except BaseException:
        base.close()
        raise
