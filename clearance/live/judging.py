"""In a process of its own: a setup and what is tried of it go in; the judged answer comes out, bit by bit.

Each line of JSON on the error output is one thing that is told: how far it is, the verdict, what each move
has to spare, which raises are free. What a library prints there is no JSON, and not listened to.
"""

from __future__ import annotations

import json
import pickle
import sys
from typing import Any

from clearance import parallel
from clearance.errors import ClearanceError, InputError, printable
from clearance.records import record
from clearance.scene.measured import Asked
from clearance.scene.tries import Edit

#: raises that are looked at where the wire leans, mm: each is looked at on its own
LEANING = 25.0


@record
class Question:
    """What is to be judged.

    Attributes:
        setup: the file, absolute.   asked: what is asked for beside it.   inputs: (file, sha256) as read.
        edits: what is otherwise; ``unraised``: the same but for the raise of all.
        words: the same for a person.   windows: the raises that are free are not known yet.
    """

    setup: str
    asked: Asked
    inputs: tuple[tuple[str, str], ...]
    edits: tuple[Edit, ...]
    unraised: tuple[Edit, ...]
    words: tuple[str, ...]
    windows: bool = True


def prepare() -> None:
    """Load what every answer needs, before there is a question."""
    from clearance.advice import raises
    from clearance.live import model
    from clearance.process import check, course
    from clearance.report import terminal
    from clearance.scene import load, reread

    assert all((raises, model, check, course, terminal, reread, load))


def answer(request: bytes) -> bytes:
    """Judge, and tell. Nothing is returned: all has been told by then.

    Args:
        request: a ``Question``, pickled by the process that started this one.
    """
    question: Question = pickle.loads(request)
    try:
        with parallel.processes():
            _answer(question)
    except ClearanceError as error:
        tell({"refused": str(error)})
    except MemoryError:
        tell({"failed": "the computer's memory is too small for this"})
    except Exception as error:
        tell({"failed": f"a defect of this tool ({type(error).__name__}: {error})"})
    return b""


def tell(what: dict[str, Any]) -> None:
    """One thing, to the process that listens.

    Args:
        what: of plain values.
    """
    from clearance.live.model import finite

    sys.stderr.write(json.dumps(finite(what), separators=(",", ":"), allow_nan=False) + "\n")
    sys.stderr.flush()


def _progress(share: float, what: str) -> None:
    tell({"share": share, "what": what})


def _answer(question: Question) -> None:
    from clearance.advice.raises import find_raises
    from clearance.process.check import check
    from clearance.report.advice import spans
    from clearance.scene.load import load
    from clearance.scene.reread import edited

    _progress(0.0, "reading")
    scene = load(question.setup, question.asked)
    before = dict(question.inputs)
    for name, digest in scene.inputs[1:]:
        if before.get(name, digest) != digest:
            raise InputError(name, "", "has changed since it was read", "read the setup again")
    if question.inputs and scene.inputs[0][1] != question.inputs[0][1]:
        raise InputError(scene.setup_file, "", "has changed since it was read", "read the setup again")
    there = edited(scene, question.edits, question.words) if question.edits else scene
    result = check(there, progress=_progress)
    tell({"judged": judged_in_words(result)})
    _progress(1.0, "what each move has to spare")
    tell({"along": along_in_words(result)})
    if not question.windows:
        return
    _progress(1.0, "which raises are free")
    low = scene
    if question.unraised:
        low = edited(scene, question.unraised, question.words)
    leaning = any(s.upper_moves is not None for s in low.stretches)
    try:
        found = find_raises(low, within=(0.0, LEANING) if leaning else None, job=False)
    except InputError as error:
        tell({"windows": {"none": str(error)}})
        return
    tell(
        {
            "windows": {
                "range": list(found.range),
                "free": [list(each) for each in found.windows],
                "touch_free": [list(each) for each in found.touch_free],
                "smallest": found.smallest,
                "says": f"free: {spans(found.windows)}" if found.windows else "no raise is free",
            }
        }
    )


def judged_in_words(result: Any) -> dict[str, Any]:
    """A judged job as the page shows it.

    Args:
        result: of ``check``.
    """
    from clearance.live.model import ROWS, row_in_words
    from clearance.process.course import Course
    from clearance.report.terminal import verdict_sentence

    rows = []
    for number, pair in enumerate(result.pairs[:ROWS], 1):
        row = row_in_words(pair, number)
        for name in ("head_at", "on_head", "on_item"):
            point = getattr(pair, name)
            row[name] = None if point is None else [float(v) for v in point]
        rows.append(row)
    names = [body.name for body in result.scene.bodies]
    states = [
        {
            "n": phase.state.n,
            "name": printable(phase.state.name),
            "cut": printable(phase.state.cut),
            "verdict": phase.state.verdict,
            "why": [printable(words) for words in phase.state.why],
            "do": [printable(words) for words in phase.state.move],
            "there": [names[k] for k in phase.begun.bodies],
            "next": None if phase.begun.next is None else printable(phase.begun.next.name),
        }
        for phase in Course(result).phases
    ]
    findings = [
        {
            "kind": f.kind,
            "severity": f.severity,
            "item": None if f.item is None else printable(f.item),
            "message": printable(f.message),
            "state": f.state,
        }
        for f in result.findings
        if f.kind != "tried"
    ]
    return {
        "verdict": result.verdict,
        "sentence": printable(verdict_sentence(result)),
        "rows": rows,
        "pairs": len(result.pairs),
        "findings": findings,
        "states": states,
    }


def along_in_words(result: Any) -> dict[str, list[list[float]]]:
    """For each cut, from move 1 on, [how many, level]: moves in a row that have about as much to spare.

    Args:
        result: of ``check``.
    """
    import numpy as np

    out: dict[str, list[list[float]]] = {}
    least: dict[str, Any] = {}
    for one in result.along:
        spare = np.where(np.isnan(one.spare), np.inf, one.spare)
        least[one.cut] = np.minimum(least[one.cut], spare) if one.cut in least else spare
    steps = np.array([0.0, 0.5, 2.0])
    for cut, spare in least.items():
        level = np.searchsorted(steps, spare, side="right")
        ends = np.flatnonzero(np.diff(level)) + 1
        bounds = np.r_[0, ends, len(level)]
        out[printable(cut)] = [[int(b - a), int(level[a])] for a, b in zip(bounds, bounds[1:], strict=False)]
    return out
