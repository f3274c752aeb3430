"""Rows go in; what the terminal shows, the report as plain data, and a page to sort and to filter come out.

The page is a single file that fetches nothing.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from clearance import __version__
from clearance.archive.question import Otherwise, Rechecked, by_loss, counts
from clearance.errors import printable
from clearance.files import write_whole
from clearance.report.sheet.markup import Html, in_script, joined, tag, whole_page
from clearance.report.terminal import CAUTIONS, paragraphs, rounded_down

SCHEMA = 1
#: rows that a terminal shows; the report and the page have all
SHOWN = 25

_SINCE = {
    "approval": "as approved",
    "files": "as the files are",
    "last": "at the end of the last whole run",
}


def as_report(rows: Sequence[Rechecked], otherwise: Otherwise) -> dict[str, Any]:
    """The report as a dictionary that JSON can carry: mm, unrounded, what is lost most first.

    Args:
        rows: in any order.   otherwise: than the setups say.
    """
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
    """One sentence: how many verdicts change, and what cannot be said.

    Args:
        rows: in any order.   otherwise: than the setups say.
    """
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


HERE = Path(__file__).parent
#: name, words, width of each column; the way it is sorted at first
_COLUMNS = (
    ("before", "before", "88px", "down"), ("now", "now", "88px", "down"), ("setup", "setup", "24%", "up"),
    ("spare", "to spare, mm", "110px", "up"), ("lost", "lost, mm", "90px", "down"),
    ("said", "why", "", "up"),
)  # fmt: skip
_CHANGES = (
    ("", "all"), ("worse", "worse"), ("not judged", "not judged"), ("changed", "changed after approval"),
    ("less", "less to spare"), ("same", "same verdict"), ("new", "nothing before"), ("better", "better"),
)  # fmt: skip
_VERDICTS = ("clash", "undecided", "close", "clear")
NOT_JUDGED = "not judged"


def write_page(rows: Sequence[Rechecked], otherwise: Otherwise, file: str, date: str | None = None) -> None:
    """Write the page.

    Args:
        rows: in any order.   otherwise: than the setups say.   file: where it goes; whole or not at all.
        date: as it is shown; now, if left out.

    Raises:
        InputError: the file cannot be written.
    """
    shown = date or datetime.now().astimezone().strftime("%Y-%m-%d %H:%M")
    write_whole(file, page(rows, otherwise, shown).encode("utf-8"))


def page(rows: Sequence[Rechecked], otherwise: Otherwise, date: str) -> str:
    """The whole page as HTML; see ``write_page``.

    Args:
        rows: in any order.   otherwise: than the setups say.   date: as it is shown.
    """
    script = (HERE / "page.js").read_text(encoding="utf-8")
    data = in_script([_row_of_page(row) for row in by_loss(rows)])
    said = said_otherwise(otherwise)
    body = joined(
        [
            tag("h1", summary(rows, otherwise)),
            tag("p", f"Asked on {date}{f', with {said}' if said else ''}. {since_words(rows)}", cls="faint"),
            _tools(),
            tag("div", _table(), id="box"),
            tag("div", "Choose a row to read all that is said of it.", id="told", aria_live="polite"),
            tag("noscript", tag("p", "Scripts are off: this page needs its own to show the rows.")),
            tag("p", CAUTIONS, cls="faint"),
            tag("p", f"clearance {__version__}", cls="faint"),
        ]
    )
    style = (HERE / "page.css").read_text(encoding="utf-8")
    return whole_page("Setups asked anew", style, body, [("rows", data)], [script])


def _row_of_page(row: Rechecked) -> list[Any]:
    kinds = [row.change]
    if row.changed:
        kinds.append("changed")
    if row.lost > 0.0 and row.change == "same":
        kinds.append("less")
    lost = row.lost if row.spare is not None and row.spare_before is not None else None
    return [
        printable(row.setup),
        row.before or "",
        NOT_JUDGED if row.verdict is None else row.verdict,
        kinds,
        lost,
        row.spare,
        "" if not lost else f"{lost:.2f}",
        "" if row.spare is None else rounded_down(row.spare),
        printable(row.said),
    ]


def _tools() -> Html:
    def choice(name: str, words: str, options: Sequence[tuple[str, str]]) -> Html:
        made = joined(tag("option", said, value=value) for value, said in options)
        return tag("label", tag("span", words), tag("select", made, id=name))

    verdicts = [("", "all"), *((v, v) for v in (*_VERDICTS, NOT_JUDGED))]
    return tag(
        "div",
        choice("change", "what becomes of it", _CHANGES),
        choice("verdict", "now", verdicts),
        tag("label", tag("span", "with the words"), Html('<input id="words" type="search">')),
        tag("span", id="count", role="status"),
        cls="tools",
    )


def _table() -> Html:
    widths = joined(Html(f'<col style="width:{width}">' if width else "<col>") for *_, width, _ in _COLUMNS)
    heads = joined(
        tag("th", tag("button", words, type="button"), data_by=name, data_first=first, scope="col")
        for name, words, _, first in _COLUMNS
    )
    return tag(
        "table", tag("colgroup", widths), tag("thead", tag("tr", heads)), Html('<tbody id="body"></tbody>')
    )
