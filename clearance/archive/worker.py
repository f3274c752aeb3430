"""The inside of a worker: setups come in as lines of JSON, an answer to each goes back as one.

It lives on for many setups, so that what is imported is imported once. Nothing forks in it (nobody asks for
processes here), and it never writes to a file.
"""

from __future__ import annotations

import gc
import os
import signal
import sys
import threading
import time
import warnings
from typing import TYPE_CHECKING

from clearance import child
from clearance.archive.question import WorkerAnswer, WorkerQuestion, question_of
from clearance.errors import ClearanceError, printable

if TYPE_CHECKING:
    from clearance.checking.result import Result

#: what a worker says once it is ready for questions
READY = b"ready\n"
#: of the pair with the least to spare, what is told
_LEAST = ("head", "item", "cut", "move", "line", "n")
#: garbage is looked for after so many new objects; Python's own bound looks far too often for a judge
_GARBAGE = 200_000
#: where the system does not bound a process's memory it is looked at so often, s
_LOOKS = 0.2


def serve(parent: int, lifeline: int, memory: int | None) -> None:
    """Answer questions until there are no more.

    Args:
        parent, lifeline: see ``child.end_with``.   memory: bytes that this process may have; None: all.
    """
    # a terminal sends Ctrl-C to this process too, which then ends without a word
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    child.end_with(parent, lifeline)
    os.environ.setdefault("PYDANTIC_DISABLE_PLUGINS", "__all__")
    out = os.dup(1)
    # what a library prints is no answer
    os.dup2(2, 1)
    warnings.simplefilter("ignore")
    _prepare()
    limit_memory(memory)
    os.write(out, READY)
    for line in sys.stdin.buffer:
        answer = judged(question_of(line), memory)
        with os.fdopen(os.dup(out), "wb") as stream:
            stream.write(answer.as_text().encode("ascii") + b"\n")
        if answer.ends:
            break
        # what a scene leaves behind in circles holds large arrays; the next one would come on top
        gc.collect()
    # native libraries may stumble when they are taken apart
    os._exit(0)


def _prepare() -> None:
    """Import all that a judge needs, and leave it out of each search for garbage."""
    import clearance.kernels.query
    import clearance.process.check
    import clearance.report.terminal
    import clearance.scene.load  # noqa: F401

    gc.set_threshold(_GARBAGE, 20, 100)
    gc.collect()
    gc.freeze()


def limit_memory(memory: int | None) -> None:
    """Bound this process's memory, bytes: by the system on Linux, by looking at it now and then elsewhere.

    On Windows nothing bounds it.
    """
    if memory is None:
        return
    if sys.platform.startswith("linux"):
        child.limit_this_process(memory, None, None)
    elif sys.platform != "win32":
        threading.Thread(target=_watch_memory, args=(memory,), name="memory", daemon=True).start()


def _watch_memory(memory: int) -> None:
    import resource

    unit = 1 if sys.platform == "darwin" else 1024
    while resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * unit <= memory:
        time.sleep(_LOOKS)
    os.write(2, b"\nMemoryError\n")
    os._exit(1)


def too_much(memory: int | None) -> str:
    """Why there is no verdict where memory ran out; ``memory``: bytes that there were, None where unknown."""
    bound = "there is" if memory is None else f"the {memory / 1e9:.3g} GB that one setup may have"
    return f"it needs more memory than {bound}"


def judged(question: WorkerQuestion, memory: int | None = None) -> WorkerAnswer:
    """The answer to a question, given by this process.

    Args:
        question: what to judge.   memory: bytes that this process may have, for the message.
    """
    from clearance.pose.fit import COVERAGE
    from clearance.process.check import check
    from clearance.scene.load import load
    from clearance.scene.measured import Asked

    other = question.otherwise
    coverage = COVERAGE if question.coverage is None else question.coverage
    asked = Asked(
        question.form, coverage, nozzles=other.nozzles, machine=other.machine, margins=other.margins
    )
    try:
        return _answer(check(load(question.setup, asked)))
    except ClearanceError as error:
        # the row names the setup
        return WorkerAnswer(None, str(error).removeprefix(f"{printable(question.setup)}: "))
    except MemoryError:
        return WorkerAnswer(None, too_much(memory), ends=True)
    except Exception as error:
        said = f"a defect of this tool ({type(error).__name__}: {error}). Please report it"
        return WorkerAnswer(None, said, ends=True)


def _answer(result: Result) -> WorkerAnswer:
    from clearance.report.terminal import verdict_sentence

    scene = result.scene
    least = next((pair for pair in result.pairs if pair.spare is not None), None)
    return WorkerAnswer(
        verdict=result.verdict,
        why=verdict_sentence(result, below=False).partition(": ")[2],
        title=scene.title,
        spare=None if least is None or least.spare is None else float(least.spare),
        least=None if least is None else {key: getattr(least, key) for key in _LEAST},
        inputs=scene.inputs,
        looked_in=scene.looked_in,
    )
