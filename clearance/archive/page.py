"""Rows go in; one HTML page to sort and to filter comes out: a single file that fetches nothing."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from clearance import __version__
from clearance.archive.question import Otherwise
from clearance.archive.rows import Rechecked, by_loss
from clearance.archive.telling import said_otherwise, since_words, summary
from clearance.errors import printable
from clearance.files import write_whole
from clearance.report.ours import HTML_MARK
from clearance.report.sheet.markup import Html, in_script, joined, tag
from clearance.report.terminal import CAUTIONS, rounded_down

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
    """The whole page as HTML; see ``write_page``."""
    script = (HERE / "page.js").read_text(encoding="utf-8")
    data = in_script([_row(row) for row in by_loss(rows)])
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
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    policy = (
        f"default-src 'none'; script-src 'sha256-{digest}'; style-src 'unsafe-inline'; "
        "form-action 'none'; base-uri 'none'"
    )
    return "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en"><head><meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{policy}">',
            HTML_MARK,
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            "<title>Setups asked anew</title>",
            f"<style>{(HERE / 'page.css').read_text(encoding='utf-8')}</style></head><body>",
            body,
            f'<script type="application/json" id="rows">{data}</script>',
            f"<script>{script}</script>",
            "</body></html>\n",
        ]
    )


def _row(row: Rechecked) -> list[Any]:
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
