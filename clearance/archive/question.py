"""What is asked of a worker, and what it answers: plain values that travel as a line of JSON."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True)
class Otherwise:
    """What is otherwise than the setups say.

    Attributes:
        machine: the whole path of a machine file.   nozzles: a set of the machine's, "own" for its own heads.
        margins: the whole path of a file of margins.
    """

    machine: str | None = None
    nozzles: str | None = None
    margins: str | None = None

    def __bool__(self) -> bool:
        return any(value is not None for value in (self.machine, self.nozzles, self.margins))


AS_IT_IS = Otherwise()


@dataclass(frozen=True)
class Question:
    """A setup to be judged.

    Attributes:
        setup: the whole path of its file.
        otherwise: than its files say.
        form, coverage: the whole path of a form of readings that is to count, as for ``clearance.load``.
    """

    setup: str
    otherwise: Otherwise = AS_IT_IS
    form: str | None = None
    coverage: float | None = None

    def as_line(self) -> bytes:
        """As a worker reads it."""
        return json.dumps(asdict(self)).encode("ascii") + b"\n"


def question_of(line: bytes) -> Question:
    """The question that a worker has read."""
    said = json.loads(line)
    return Question(**{**said, "otherwise": Otherwise(**said["otherwise"])})


@dataclass(frozen=True)
class Answer:
    """What became of a question.

    Attributes:
        verdict: "clear", "close", "undecided" or "clash"; None where it could not be judged.
        why: the sentence of the verdict, or why there is none.
        title: of the setup.   spare: the least, mm; None where no head comes beside or over anything.
        least: head, item, cut, move, line and n of the place with the least to spare; {} where there is none.
        inputs: (name, SHA-256) of every file that went in, the setup first, named as seen from its folder.
        looked_in: folders in which holders were looked for, named likewise.
        ends: the worker that gave it has ended.
    """

    verdict: str | None
    why: str
    title: str = ""
    spare: float | None = None
    least: Mapping[str, Any] | None = None
    inputs: tuple[tuple[str, str], ...] = ()
    looked_in: tuple[str, ...] = ()
    ends: bool = False

    def as_text(self) -> str:
        """As JSON on one line."""
        return json.dumps(asdict(self))


def answer_of(text: str | bytes) -> Answer:
    """The answer that was written as JSON.

    Raises:
        ValueError: it is none.
    """
    try:
        said = json.loads(text)
        inputs = tuple((str(name), str(digest)) for name, digest in said["inputs"])
        return Answer(**{**said, "inputs": inputs, "looked_in": tuple(said["looked_in"])})
    except (TypeError, KeyError) as error:
        raise ValueError(f"no answer: {error}") from None


def digest(*parts: object) -> str:
    """One hash (hex) over values of plain types."""
    text = json.dumps(parts, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("ascii")).hexdigest()
