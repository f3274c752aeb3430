"""Questions go to the computers of a Dask scheduler, answers come back. Needs the extra ``cluster``.

Files go by content: with each question travel the setup and every file that it names, and the computer that
takes it lays them out in a folder of its own as they lie here. There a task asks a worker of the same kind as
here (``runner.Worker``), so that no setup ends the Dask worker. A Dask worker that dies loses nothing: the
scheduler gives its tasks to another.
"""

from __future__ import annotations

import asyncio
import atexit
import contextlib
import os
import tempfile
import threading
import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path, PurePosixPath
from typing import Any

from clearance.archive.cache import tool_sha256
from clearance.archive.question import Otherwise, WorkerAnswer, WorkerQuestion, answer_of, question_of
from clearance.archive.runner import MEMORY, SECONDS, Worker, begin_worker
from clearance.errors import ClearanceError, InputError, to_install
from clearance.records import record
from clearance.scene.shelf import VARIABLE

#: tasks that wait at the scheduler for each thread of the computers: enough that none is idle
_AHEAD = 3
#: the scheduler must answer within so many seconds
_ANSWERS = 30
#: the files of one setup together, bytes: what may go through the scheduler
_MOST = 500_000_000


class NoScheduler(ClearanceError):
    """The scheduler is not to be had, or its computers have another version of this tool."""


@record
class Parcel:
    """A question with all that it needs.

    Attributes:
        question: as a line of JSON, whose paths are those of ``files``.
        files: where each lies below the root (with "/"), and its content.   tool: its own files, as a hash.
        seconds, memory: what the setup may take.
    """

    question: bytes
    files: tuple[tuple[str, bytes], ...]
    tool: str
    seconds: float
    memory: int | None


class Cluster:
    """The computers of a scheduler.

    Args:
        address: of the scheduler, "tcp://host:8786".   seconds, memory: as for ``Runner``.
    """

    def __init__(self, address: str, seconds: float = SECONDS, memory: int | None = MEMORY) -> None:
        self._address, self._seconds, self._memory = address, seconds, memory

    def answers(self, questions: Iterable[WorkerQuestion]) -> Iterator[tuple[WorkerQuestion, WorkerAnswer]]:
        """Each question with its answer, as they are ready.

        Raises:
            NoScheduler: it does not answer, has no computers, or one of these has another version.
        """
        todo = iter(questions)
        first = next(todo, None)
        if first is None:
            return
        if os.environ.get(VARIABLE, "").strip():
            found = f"{VARIABLE} names a folder of this computer, which the others do not have"
            raise NoScheduler(f"scheduler: {found}; name it in the setups or the machine file: holders = ...")
        with self._client() as client:
            tool = tool_sha256()
            threads = _same_version(client, tool)
            from distributed import as_completed

            asked: dict[Any, WorkerQuestion] = {}
            done = as_completed(loop=client.loop)

            def give(question: WorkerQuestion) -> WorkerAnswer | None:
                """Hand a question over; the answer where it cannot travel."""
                try:
                    parcel = packed(question, tool, self._seconds, self._memory)
                except InputError as error:
                    return WorkerAnswer(None, error.found)
                future = client.submit(unpacked, parcel, pure=False)
                asked[future] = question
                done.add(future)
                return None

            waiting: WorkerQuestion | None = first
            while True:
                while waiting is not None and len(asked) < _AHEAD * threads:
                    here = give(waiting)
                    if here is not None:
                        yield waiting, here
                    waiting = next(todo, None)
                if not asked:
                    return
                future = next(done)
                yield asked.pop(future), _result(future, tool)

    @contextlib.contextmanager
    def _client(self) -> Iterator[Any]:
        try:
            from distributed import Client
        except ImportError:
            want = f"here, and so on each computer:  {to_install('clearance[cluster]')}"
            raise NoScheduler(f"scheduler: the library for it is not installed; {want}") from None
        try:
            client = Client(self._address, timeout=_ANSWERS, set_as_default=False)
        except (OSError, ValueError, TimeoutError) as error:
            found = f"scheduler {self._address}: no scheduler answers ({error})"
            raise NoScheduler(f"{found}; start one there:  dask scheduler") from None
        try:
            yield client
        finally:
            client.close(timeout=5)


def _same_version(client: Any, tool: str) -> int:
    """How many threads the computers have; all have this very program."""
    try:
        there = client.run(tool_sha256)
    except Exception as error:
        found = f"a computer does not find this tool ({type(error).__name__}: {error})"
        raise NoScheduler(f"scheduler: {found}; install it on each") from None
    if not there:
        raise NoScheduler("scheduler: no computer is there yet; start on each:  dask worker ADDRESS")
    others = [address for address, one in there.items() if one != tool]
    if others:
        raise NoScheduler(
            f"scheduler: {', '.join(others)}: another version of clearance, of Python or of a library "
            f"than here, or {VARIABLE} is set; install the same ones everywhere"
        )
    return max(int(sum(client.nthreads().values())), 1)


def _result(future: Any, tool: str) -> WorkerAnswer:
    try:
        text, there = future.result()
    except (Exception, asyncio.CancelledError) as error:
        # the scheduler gives a task up where several computers in turn have died over it
        return WorkerAnswer(None, f"the computer that judged it was lost ({type(error).__name__})")
    if there != tool:
        return WorkerAnswer(None, "a computer that joined has another version of this tool")
    return answer_of(text)


# -------------------------------------------------------------------------------------- what travels, here
def packed(
    question: WorkerQuestion, tool: str, seconds: float = SECONDS, memory: int | None = MEMORY
) -> Parcel:
    """A question with every file that it may need.

    Args:
        question: to be judged.   tool: see ``Parcel``.   seconds, memory: what it may take.

    Raises:
        InputError: it names a file by its whole path, or they are too large to travel.
    """
    found: dict[str, bytes] = {}
    other = question.otherwise
    for file in filter(None, (question.setup, other.machine, other.margins, question.form)):
        _gather(Path(file), found)
    size = sum(map(len, found.values()))
    if size > _MOST:
        raise InputError(question.setup, "", f"its files are too large to travel: {size / 1e6:.0f} MB")
    sent = replace(
        question,
        setup=_below(question.setup),
        form=None if question.form is None else _below(question.form),
        otherwise=Otherwise(
            None if other.machine is None else _below(other.machine),
            other.nozzles,
            None if other.margins is None else _below(other.margins),
        ),
    )
    files = tuple((_below(file), content) for file, content in found.items())
    return Parcel(sent.as_line(), files, tool, seconds, memory)


def _gather(file: Path, found: dict[str, bytes]) -> None:
    """Add a file and all those that it names: each text of a TOML file that is the name of one, seen from
    there, and its folder of holders. Who reads a setup looks for files by such names, so none is missed."""
    key = os.path.normpath(file)
    if key in found:
        return
    try:
        found[key] = content = file.read_bytes()
    except OSError:
        return  # the computer that judges finds it missing, and says so
    if file.suffix != ".toml":
        return
    try:
        said = tomllib.loads(content.decode("utf-8-sig"))
    except (ValueError, RecursionError):
        return
    for name, text in _texts(said):
        there = file.parent / text
        with contextlib.suppress(OSError, ValueError):
            if name == "holders":
                _gather_folder(there, found)
            elif there.is_file():
                if os.path.isabs(text):
                    words = f'it names "{text}" by its whole path, which cannot travel to another computer'
                    raise InputError(str(file), "", words)
                _gather(there, found)


def _gather_folder(folder: Path, found: dict[str, bytes]) -> None:
    """The holders of a folder, with their models."""
    for each in sorted(folder.glob("*.toml")):
        _gather(each, found)


def _texts(value: Any, name: str = "") -> Iterator[tuple[str, str]]:
    """Each text in a table, with its key."""
    if isinstance(value, str):
        yield name, value
    elif isinstance(value, dict):
        for key, one in value.items():
            yield from _texts(one, key)
    elif isinstance(value, list):
        for one in value:
            yield from _texts(one, name)


def _below(file: str) -> str:
    """Where a file lies below the root, as every system writes it."""
    path = Path(os.path.normpath(file))
    drive = path.drive.replace(":", "").replace("\\", "_")
    return PurePosixPath(drive, *path.parts[1:]).as_posix()


# ------------------------------------------------------------------------------------- what travels, there
_here = threading.local()
#: of all threads, so that none is left when the computer's process ends
_workers: list[Worker] = []


def unpacked(parcel: Parcel) -> tuple[str, str]:
    """Judge what came in a parcel, by this computer: the answer as text, and this tool as a hash.

    Args:
        parcel: by ``packed``.
    """
    tool = tool_sha256()
    if tool != parcel.tool:
        return WorkerAnswer(None, "another version").as_text(), tool
    with tempfile.TemporaryDirectory(prefix="clearance-") as folder:
        for name, content in parcel.files:
            place = _within(folder, name)
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(content)
        question = question_of(parcel.question)
        other = question.otherwise
        given = [question.setup, question.form, other.machine, other.margins]
        setup, form, machine, margins = (None if g is None else str(_within(folder, g)) for g in given)
        assert setup is not None
        asked = WorkerQuestion(setup, Otherwise(machine, other.nozzles, margins), form, question.coverage)
        answer = _worker(parcel).ask(asked)
        # names as they are at home
        there = str(Path(folder).resolve())
        inputs = tuple((_home(name, folder, there), sha256) for name, sha256 in answer.inputs)
        looked_in = tuple(_home(name, folder, there) for name in answer.looked_in)
        why = answer.why.replace(folder, "")
        return replace(answer, why=why, inputs=inputs, looked_in=looked_in).as_text(), tool


def _home(name: str, *folders: str) -> str:
    """A whole path of this computer's as it is where the question comes from."""
    return next((name[len(each) :] for each in folders if name.startswith(each)), name)


def _within(folder: str, name: str) -> Path:
    """A place in the folder that was made for a parcel, and nowhere else."""
    place = Path(os.path.normpath(os.path.join(folder, *PurePosixPath(name).parts)))
    if not place.is_relative_to(folder):
        raise ValueError(f"{name} leads out of its folder")
    return place


def _worker(parcel: Parcel) -> Worker:
    """This thread's worker: a process that has judged before, where there is one."""
    limits = (parcel.seconds, parcel.memory)
    there: Worker | None = getattr(_here, "worker", None)
    if there is None or _here.limits != limits:
        if there is not None:
            there.leave()
            _workers.remove(there)
        there = Worker(*limits, begin_worker)
        _workers.append(there)
        _here.worker, _here.limits = there, limits
    return there


@atexit.register
def _leave() -> None:
    for each in _workers:
        each.close()
