"""Rows go in; what the terminal shows, and the report as plain data, come out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

from clearance.archive.question import Otherwise
from clearance.archive.rows import Rechecked, by_loss, counts
from clearance.errors import printable
from clearance.report.terminal import paragraphs, rounded_down

SCHEMA = 1
#: rows that a terminal shows; the report and the page have all
SHOWN = 25

_SINCE = {
    "approval": "as approved",
    "files": "as the files are",
    "last": "at the end of the last whole run",
}


def as_report(rows: Sequence[Rechecked], otherwise: Otherwise) -> dict[str, Any]:
    """The report as a dictionary that JSON can carry: mm, unrounded, what is lost most first."""
    return {
        "schema": SCHEMA,
        "counts": counts(rows),
        "otherwise": {
            "machine": otherwise.machine, "nozzles": otherwise.nozzles, "margins": otherwise.margins,
        },
        "rows": [_row(row) for row in by_loss(rows)],
    }  # fmt: skip


def _row(row: Rechecked) -> dict[str, Any]:
    return {
        "setup": row.setup,
        "title": row.title,
        "change": row.change,
        "verdict": row.verdict,
        "before": row.before,
        "since": row.since,
        "spare": row.spare,
        "spare_before": row.spare_before,
        "why": row.said,
        "changed": list(row.changed),
        "least": None if row.least is None else dict(row.least),
    }


def summary(rows: Sequence[Rechecked], otherwise: Otherwise) -> str:
    """One sentence: how many verdicts change, and what cannot be said."""
    told = counts(rows)
    total = f"{told['setups']} setup{'s' if told['setups'] != 1 else ''}"
    parts = []
    if told["worse"]:
        parts.append(f"{told['worse']} would be worse" if otherwise else f"{told['worse']} worse")
    if told["not_judged"]:
        parts.append(f"{told['not_judged']} could not be judged")
    if told["changed_after_approval"]:
        parts.append(f"{told['changed_after_approval']} changed after approval")
    if told["less_to_spare"]:
        parts.append(f"{told['less_to_spare']} with the same verdict and less to spare")
    if told["better"]:
        parts.append(f"{told['better']} better")
    if told["new"]:
        parts.append(f"{told['new']} with nothing to compare with")
    same = told["same"] - told["less_to_spare"]
    if same:
        parts.append(f"{same} as before")
    if not otherwise and told["not_clear"]:
        parts.append(f"{told['not_clear']} not clear")
    word = "WORSE" if told["worse"] else "NOT ALL JUDGED" if told["not_judged"] else "NO VERDICT WORSE"
    said = said_otherwise(otherwise)
    return f"{word}: {total}{f' with {said}' if said else ''}: {', '.join(parts)}."


def since_words(rows: Sequence[Rechecked]) -> str:
    """Where the verdicts before are from, in a sentence; "" where there are none."""
    found = Counter(row.since for row in rows if row.since)
    parts = [f"{_SINCE[since]} ({count})" for since, count in sorted(found.items())]
    return f"Before: {', '.join(parts)}." if parts else ""


def spare_words(spare: float) -> str:
    """What there is to spare, mm, never more than there is."""
    text = rounded_down(spare)
    return f"{text[1:]} mm too little" if text.startswith("-") else f"{text} mm to spare"


def said_otherwise(otherwise: Otherwise) -> str:
    """What is otherwise, in words."""
    parts = [
        ("the machine of", otherwise.machine), ("the nozzles", otherwise.nozzles),
        ("the margins of", otherwise.margins),
    ]  # fmt: skip
    return ", ".join(f'{what} "{printable(name)}"' for what, name in parts if name is not None)


def as_text(rows: Sequence[Rechecked], otherwise: Otherwise, width: int = 100) -> str:
    """What the terminal shows, ending in a newline.

    Args:
        rows: in any order.   otherwise: than the setups say.   width: columns of the terminal.
    """
    ordered = by_loss(rows)
    told = [row for row in ordered if _is_told(row, otherwise)]
    blocks = [[summary(rows, otherwise)]]
    if told:
        blocks += [_lines(row) for row in told[:SHOWN]]
    if len(told) > SHOWN:
        blocks.append([f"(+{len(told) - SHOWN} more of these; --json FILE or -o PAGE.html has all)"])
    judged = sum(not row.kept for row in rows)
    blocks.append([f"{judged} judged now, {len(rows) - judged} from answers that were kept."])
    return paragraphs(blocks, width)


def _is_told(row: Rechecked, otherwise: Otherwise) -> bool:
    """Whether a row is worth a person's eye: what is as it was, and clear, is only counted."""
    if row.change in ("worse", "not judged", "better") or row.changed or row.lost > 0.0:
        return True
    return not otherwise and row.verdict != "clear"


def _lines(row: Rechecked) -> list[str]:
    now = "could not be judged" if row.verdict is None else row.verdict
    verdicts = f"{row.before} -> {now}" if row.before is not None else now
    spare = ""
    if row.spare is not None:
        was = f"{spare_words(row.spare_before)}, now " if row.lost and row.spare_before is not None else ""
        spare = f"  ({was}{spare_words(row.spare)})"
    since = f", {_SINCE[row.since]}" if row.since == "approval" else ""
    said = row.said.removeprefix("could not be judged: ") if row.verdict is None else row.said
    return [f"{verdicts}{since}  {printable(row.setup)}{spare}", f"    {printable(said)}"]
