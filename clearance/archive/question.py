"""What is asked of a worker, and what it answers: plain values that travel as a line of JSON.

``Rechecked`` is the row that is made of what a setup was and what it is now: it says what is lost.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from clearance.records import record


@record
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


@record
class WorkerQuestion:
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


def question_of(line: bytes) -> WorkerQuestion:
    """The question that a worker has read."""
    said = json.loads(line)
    return WorkerQuestion(**{**said, "otherwise": Otherwise(**said["otherwise"])})


@record
class WorkerAnswer:
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


def answer_of(text: str | bytes) -> WorkerAnswer:
    """The answer that was written as JSON.

    Raises:
        ValueError: it is none.
    """
    try:
        said = json.loads(text)
        inputs = tuple((str(name), str(digest)) for name, digest in said["inputs"])
        return WorkerAnswer(**{**said, "inputs": inputs, "looked_in": tuple(said["looked_in"])})
    except (TypeError, KeyError) as error:
        raise ValueError(f"no answer: {error}") from None


def digest(*parts: object) -> str:
    """One hash (hex) over values of plain types."""
    text = json.dumps(parts, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("ascii")).hexdigest()


#: the better first; a verdict that is not to be had stands behind all
_GRAVE = ("clear", "close", "undecided", "clash")
#: what becomes of a verdict, in the order in which rows are told
CHANGES = ("worse", "not judged", "same", "new", "better")
#: figures that differ by less are the same, mm
_SAME = 1e-6


@dataclass(frozen=True)
class Rechecked:
    """One setup of an archive.

    Attributes:
        setup: its file, as the user names it or as it lies in the folder named.   title: of the setup.
        verdict: now: "clear", "close", "undecided", "clash"; None where it could not be judged.
        before: the verdict before; None where none is known.
        since: where ``before`` is from: "approval", "files" (as they are, without what is otherwise), "last"
            (the last whole run), "".
        spare, spare_before: the least to spare, mm; None where nothing is known, or no head comes near.
        why: where the verdict comes from, or why there is none.
        changed: files that are not what was approved.
        note: what else is to be said of the approval, or of the verdict before.
        least: head, item, cut, move, line, n of the place with the least to spare; None where there is none.
        kept: nothing was judged for it, all answers were kept ones.
    """

    setup: str
    verdict: str | None
    before: str | None
    since: str
    spare: float | None
    spare_before: float | None
    why: str
    title: str = ""
    changed: tuple[str, ...] = ()
    note: str = ""
    least: Mapping[str, Any] | None = None
    kept: bool = field(default=False, compare=False)

    def __repr__(self) -> str:
        return (
            f'<Rechecked "{self.setup}": {self.verdict or "not judged"}, before {self.before or "not known"}>'
        )

    @property
    def change(self) -> str:
        """What becomes of the verdict: "worse", "not judged", "same", "new" or "better"."""
        if self.verdict is None:
            return "not judged"
        if self.before is None:
            return "new"
        by = _GRAVE.index(self.verdict) - _GRAVE.index(self.before)
        return "worse" if by > 0 else "better" if by < 0 else "same"

    @property
    def lost(self) -> float:
        """How much less there is to spare than before, mm; 0 where that is not known."""
        if self.spare is None or self.spare_before is None:
            return 0.0
        by = self.spare_before - self.spare
        return by if abs(by) > _SAME else 0.0

    @property
    def said(self) -> str:
        """All that there is to say of it, in sentences."""
        told = [f"could not be judged: {self.why}" if self.verdict is None else self.why]
        if told[0] and (self.changed or self.note) and not told[0].endswith((".", "!", "?")):
            told[0] += "."
        if self.changed:
            told.append(f"Changed after approval: {', '.join(self.changed)}.")
        if self.note:
            told.append(self.note)
        return " ".join(each for each in told if each)


def by_loss(rows: Iterable[Rechecked]) -> list[Rechecked]:
    """Rows, what is lost most first: verdicts that fell, setups that could not be judged, those changed after
    their approval, less to spare; then new ones by their verdict, and last what got better."""
    return sorted(rows, key=_order)


def _order(row: Rechecked) -> tuple[float, float, float, float, float, str]:
    now = 0 if row.verdict is None else _GRAVE.index(row.verdict)
    fell = now - _GRAVE.index(row.before) if row.verdict is not None and row.before is not None else 0
    group = float(CHANGES.index(row.change))
    if row.changed and row.change == "same":
        group -= 0.5
    spare = 0.0 if row.spare is None else row.spare
    return group, -fell, -row.lost if row.change == "same" else 0.0, -now, spare - row.lost, row.setup


def counts(rows: Sequence[Rechecked]) -> dict[str, int]:
    """How many rows there are of each kind, by the keys of the report."""
    found = Counter(row.change for row in rows)
    return {
        "setups": len(rows),
        "worse": found["worse"],
        "not_judged": found["not judged"],
        "same": found["same"],
        "new": found["new"],
        "better": found["better"],
        "less_to_spare": sum(row.change == "same" and row.lost > 0.0 for row in rows),
        "changed_after_approval": sum(bool(row.changed) for row in rows),
        "not_clear": sum(row.verdict not in ("clear", None) for row in rows),
    }


def exit_code(rows: Sequence[Rechecked], otherwise: bool) -> int:
    """1 where a verdict got worse or, where nothing is otherwise, is not clear; 3 where one is not to be had.

    Args:
        rows: all of them.   otherwise: something is, than the setups say.
    """
    told = counts(rows)
    undecided = sum(row.verdict == "undecided" for row in rows)
    if told["worse"] or (not otherwise and told["not_clear"] > undecided):
        return 1
    return 3 if told["not_judged"] or (not otherwise and undecided) else 0
